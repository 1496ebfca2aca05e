//! Draws the zero level of an [`Implicit`] as a closed mesh: dual contouring whose vertices are
//! brought onto the exact level, and whose creases are then followed by edges.
//!
//! One vertex for each sheet in each cell (after Ju, Losasso, Schaefer, Warren 2002 and Nielson
//! 2004), so the mesh is closed and manifold by construction; the accuracy does not hang on the
//! cell, which only sets the facets' size. A sheet or gap thinner than a cell may be missed, and
//! walls that meet at 40° or less may leave folded or blunt facets at their ridge, some of which
//! cross: [`Surface::folded`] and [`Surface::blunt`] tell.

mod again;
mod draft;
mod grid;
mod net;
mod patches;
mod place;
mod polish;
mod refine;
mod untangle;
mod zones;

use rayon::prelude::*;

use super::{Implicit, Sample};
use crate::mesh::{Mesh, Point};
use draft::Draft;
use grid::Grid;
use patches::Sheets;
use place::Vertex;

/// Why no surface was drawn.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ContourError {
    /// Nothing of the solid is left.
    #[error("nothing is left: no point lies inside the surface asked for")]
    Empty,
    /// The cell does not fit the size of the solid.
    #[error("a facet size of {cell_mm} mm asks for too many cells")]
    TooFine {
        /// The size asked for, mm.
        cell_mm: f64,
    },
    /// The solid reaches out of the box it claimed.
    #[error("the solid is not bounded where its shape says it is")]
    LeavesBounds,
}

/// A drawn surface, and how far it may be trusted.
#[derive(Debug, Clone)]
pub struct Surface {
    /// Closed, oriented, manifold.
    pub mesh: Mesh,
    /// Vertices that could not be brought onto the level (mm off, and where), largest first;
    /// they stand where the side of a point cannot be told.
    pub unsettled: Vec<(f64, Point)>,
    /// Facets split or turned to follow creases.
    pub refined: usize,
    /// Facets left that face against the field, where facets may cross: 0 unless walls meet at a
    /// ridge of 40° or less, finer than the cell resolves.
    pub folded: usize,
    /// Pairs of facets that cross, looked for wherever the drawing was worked over.
    pub crossing: usize,
    /// Facets that cut off an edge sharper than 30°: their middles may be off the level by half the
    /// thickness that is left there.
    pub blunt: usize,
    /// Places where refining would have left folds or crossings and was given up: facets within
    /// about a cell of them may be off the level.
    pub given_up: Vec<Point>,
}

/// A vertex farther than this off the level is told as unsettled, mm: the accuracy promised.
const PROMISED_MM: f64 = 0.005;

/// Two halves of a four-cornered facet whose normals' cosine is below this are folded on each
/// other. At 0.5 edges of 60° creases are refused; at -0.5 hollow quads are cut outside themselves.
const FOLDED: f64 = 0.2;

/// Draws the surface with facets of about `cell_mm`.
///
/// # Errors
/// [`ContourError`]: nothing inside, far too many cells, or a solid that leaves its bounds.
pub fn surface<F: Implicit + ?Sized>(f: &F, cell_mm: f64) -> Result<Surface, ContourError> {
    let grid = Grid::new(f, cell_mm)?;
    if grid.cells.is_empty() {
        return Err(ContourError::Empty);
    }
    let sheets = patches::sheets(&grid);
    let vertices: Vec<Vertex> = grid
        .cells
        .par_iter()
        .enumerate()
        .zip(&sheets)
        .with_min_len(64)
        .flat_map_iter(|((c, _), s)| {
            let grid = &grid;
            (0..s.count).map(move |n| vertex(f, grid, c, s, n))
        })
        .collect();
    let quads = patches::quads(&grid, &sheets);
    let draft = Draft {
        grid,
        sheets,
        vertices,
        quads,
    };
    let done = refine::refine(f, &draft);
    drop(draft);
    let mut unsettled: Vec<(f64, Point)> = done
        .vertices
        .iter()
        .map(|v| (v.sample.value_mm, v.sample.at))
        .filter(|(off, _)| off.abs() > PROMISED_MM.min(0.1 * cell_mm))
        .collect();
    unsettled.sort_by(|a, b| b.0.abs().total_cmp(&a.0.abs()));
    let points = done.vertices.iter().map(|v| v.sample.at).collect();
    let mesh = Mesh::new(points, done.facets).map_err(|_| ContourError::LeavesBounds)?;
    Ok(Surface {
        mesh,
        unsettled,
        refined: done.touched,
        folded: done.folded,
        crossing: done.crossing,
        blunt: done.blunt,
        given_up: done.given_up,
    })
}

/// The point on the zero level of `f` that a walk down the gradient from `p` finds, within about
/// `tolerance_mm`; where the walk sticks, the sample's value tells how far off it is.
#[must_use]
pub fn project<F: Implicit + ?Sized>(f: &F, p: &Point, tolerance_mm: f64) -> Sample {
    place::settle(f, p, None, tolerance_mm / place::ON_LEVEL)
}

fn vertex<F: Implicit + ?Sized>(f: &F, grid: &Grid, c: usize, s: &Sheets, n: u8) -> Vertex {
    let cell = &grid.cells[c];
    let mut around: Vec<Sample> = Vec::with_capacity(8);
    let mut seen = 0_u8;
    for e in (0..12).filter(|&e| s.of_edge[e] == n) {
        let (a, b) = patches::ends(e);
        for c in [a, b] {
            if seen >> c & 1 == 0 {
                seen |= 1 << c;
                around.push(grid.samples[cell.corners[c] as usize]);
            }
        }
    }
    let guess = draft::guess(grid, c, s, n);
    let lo = grid.point(cell.key);
    let placed = place::place(f, &guess, &around, grid.cell_mm, grid.cell_mm);
    // A crease that passes outside the cell belongs to the cell next door.
    let within = (placed.sample.at - lo) / grid.cell_mm;
    if placed.crease && !within.iter().all(|c| (-0.02..=1.02).contains(c)) {
        let sample = place::settle(f, &guess, around.first(), grid.cell_mm);
        return Vertex {
            sample,
            crease: false,
        };
    }
    placed
}

/// Cuts every four-cornered facet along the diagonal that lies nearer to the level.
fn halves<F: Implicit + ?Sized>(
    f: &F,
    quads: &[[u32; 4]],
    vertices: &[Vertex],
    cell_mm: f64,
) -> Vec<[u32; 3]> {
    quads
        .par_iter()
        .with_min_len(256)
        .flat_map_iter(|&[a, b, c, d]| {
            let s = |i: u32| &vertices[i as usize].sample;
            let off = |i: u32, j: u32| {
                let (p, q) = (s(i), s(j));
                ((q.gradient - p.gradient).dot(&(q.at - p.at))).abs() / 8.0
            };
            let quad = [a, b, c, d];
            let creased = quad.iter().any(|&i| vertices[i as usize].crease)
                || quad
                    .iter()
                    .any(|&i| s(i).gradient.dot(&s(a).gradient) < 0.9);
            let fold = |t: [[u32; 3]; 2]| {
                let [m, n] = t.map(|t| {
                    let [a, b, c] = t.map(|i| s(i).at);
                    (b - a).cross(&(c - a))
                });
                m.dot(&n) / (m.norm() * n.norm()).max(1e-300)
            };
            let (by_ac, by_bd) = (fold([[a, b, c], [a, c, d]]), fold([[a, b, d], [b, c, d]]));
            let along_ac = if by_ac.min(by_bd) < FOLDED && (by_ac - by_bd).abs() > 0.1 {
                by_ac > by_bd
            } else if creased {
                let at = |i: u32, j: u32| {
                    let mid = nalgebra::center(&s(i).at, &s(j).at);
                    f.sample(&mid, Some(s(i))).value_mm.abs()
                };
                let (ac, bd) = (at(a, c), at(b, d));
                let (lac, lbd) = ((s(a).at - s(c).at).norm(), (s(b).at - s(d).at).norm());
                // As good as equal: the shorter one.
                if (ac - bd).abs() < 2e-3 * cell_mm {
                    lac <= lbd
                } else {
                    ac < bd
                }
            } else {
                off(a, c) + 0.02 * (s(a).at - s(c).at).norm()
                    <= off(b, d) + 0.02 * (s(b).at - s(d).at).norm()
            };
            if along_ac {
                [[a, b, c], [a, c, d]]
            } else {
                [[a, b, d], [b, c, d]]
            }
        })
        .collect()
}

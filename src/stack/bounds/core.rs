//! Where the middle of a ball of given size can be: the region of depth ≥ need, as a set of small
//! cells that surely holds it, split into its connected components.
//!
//! A box with sides s1 ≥ s2 ≥ s3 holds a rectangle (s1 − s3) × (s2 − s3) of middles of balls of
//! radius s3/2; being connected, it lies in one component.

use nalgebra::{Matrix3, SymmetricEigen};
use rayon::prelude::*;

use super::spread::{largest_distance, thinnest_cylinder};
use super::{BoundKind, Facts, Proof, SAFETY_MM};
use crate::mesh::{Point, Vector};
use crate::stack::grid::{NODE_ERROR_MM, exact_depth};

/// Each node's cell is cut into this many along an axis where the region's rim runs through it.
const CUTS: usize = 3;

/// The region, as cells.
pub(crate) struct Core {
    /// Cells' middles that lie on the rim of their component; enough for every extent.
    rims: Vec<Vec<Point>>,
    /// Component of each coarse cell, if any of its small cells is in one (the first such).
    pub coarse: Vec<Vec<usize>>,
    /// Largest distance from a point of the region to the middle of its small cell, mm.
    pub reach_mm: f64,
    labels: Lattice,
}

impl Core {
    /// Covers `{depth ≥ need}`.
    pub fn new(facts: &Facts, need: f64) -> Self {
        let depth = facts.depth;
        let step = depth.step_mm();
        let small = step / CUTS as f64;
        let (wide, narrow) = (depth.half_diagonal_mm(), small * 3.0_f64.sqrt() / 2.0);
        let [nx, ny, _] = depth.counts();
        let cells: Vec<Vec<[i32; 3]>> = depth
            .values()
            .par_iter()
            .enumerate()
            .filter(|(_, v)| f64::from(**v) + NODE_ERROR_MM + wide >= need)
            .map(|(i, v)| {
                let base = [i % nx, i / nx % ny, i / (nx * ny)].map(|x| (x * CUTS) as i32);
                let sure = f64::from(*v) - NODE_ERROR_MM - wide >= need;
                let node = depth.node_at(i);
                let mut out = Vec::new();
                for n in 0..CUTS.pow(3) {
                    let at = [n % CUTS, n / CUTS % CUTS, n / (CUTS * CUTS)];
                    let off = Vector::from_fn(|k, _| (at[k] as f64 + 0.5) * small - step / 2.0);
                    if sure || exact_depth(&facts.queries, &(node + off)) + narrow >= need {
                        out.push([0, 1, 2].map(|k| base[k] + at[k] as i32));
                    }
                }
                out
            })
            .collect();
        let middle = |c: &[i32; 3]| {
            depth.node([0, 0, 0])
                + Vector::from_fn(|k, _| (f64::from(c[k]) + 0.5) * small - step / 2.0)
        };
        let mut labels = Lattice::new(depth.counts());
        for c in cells.iter().flatten() {
            labels.set(c, OPEN);
        }
        let mut rims = Vec::new();
        for seed in cells.iter().flatten() {
            if labels.get(seed) == OPEN {
                rims.push(flood(&mut labels, *seed, rims.len() as u32, &middle));
            }
        }
        let mut coarse = vec![Vec::new(); rims.len()];
        for c in cells.iter().filter(|c| !c.is_empty()) {
            let at = c[0].map(|x| x as usize / CUTS);
            let node = (at[2] * ny + at[1]) * nx + at[0];
            let mut seen: Vec<u32> = c.iter().map(|s| labels.get(s)).collect();
            seen.sort_unstable();
            seen.dedup();
            for s in seen {
                coarse[s as usize].push(node);
            }
        }
        Self {
            rims,
            coarse,
            reach_mm: narrow,
            labels,
        }
    }

    /// Number of components.
    pub fn components(&self) -> usize {
        self.rims.len()
    }

    /// Rim points of one component, or of all.
    pub fn rim(&self, component: Option<usize>) -> Vec<Point> {
        match component {
            Some(k) => self.rims[k].clone(),
            None => self.rims.concat(),
        }
    }

    /// The component of this region that holds a component of a deeper one.
    pub fn holder_of(&self, deeper: &Self, component: usize) -> Option<usize> {
        let mut cells = deeper.labels.cells.iter();
        let place = cells.position(|l| *l as usize == component)?;
        let label = self.labels.cells[place];
        (label < OPEN).then_some(label as usize)
    }

    /// Main axes of the rim points.
    pub fn main_axes(&self, component: Option<usize>) -> Matrix3<f64> {
        let points = self.rim(component);
        let n = points.len().max(1) as f64;
        let mean = points.iter().map(|p| p.coords).sum::<Vector>() / n;
        let spread: Matrix3<f64> = points
            .iter()
            .map(|p| (p.coords - mean) * (p.coords - mean).transpose())
            .sum();
        SymmetricEigen::new(spread).eigenvectors
    }

    /// Can a component hold the rectangle of a part's inner balls, as far as its extents tell?
    /// If not: what the rectangle needs and what the component has.
    pub fn too_narrow(&self, component: usize, sides: [f64; 3]) -> Option<(f64, f64)> {
        let (long, short) = (sides[0] - sides[2], sides[1] - sides[2]);
        let rim = &self.rims[component];
        let need = long.hypot(short);
        let (lo, hi) = rim
            .iter()
            .fold((rim[0], rim[0]), |(l, h), p| (l.inf(p), h.sup(p)));
        let boxed = (hi - lo).norm() + 2.0 * self.reach_mm;
        if need > boxed + SAFETY_MM {
            return Some((need, boxed));
        }
        let have = largest_distance(rim) + 2.0 * self.reach_mm;
        if need > have + SAFETY_MM {
            return Some((need, have));
        }
        let have = 2.0 * (thinnest_cylinder(rim) + self.reach_mm);
        (short > have + SAFETY_MM).then_some((short, have))
    }
}

/// A cell of the region that no component has been through yet.
const OPEN: u32 = u32::MAX - 1;
/// A cell that is not of the region.
const NONE: u32 = u32::MAX;

/// A label for every small cell of the grid's box.
struct Lattice {
    counts: [i32; 3],
    cells: Vec<u32>,
}

impl Lattice {
    fn new(coarse: [usize; 3]) -> Self {
        let counts = coarse.map(|n| (n * CUTS) as i32);
        let cells = coarse.iter().map(|n| n * CUTS).product();
        Self {
            counts,
            cells: vec![NONE; cells],
        }
    }

    fn place(&self, c: &[i32; 3]) -> Option<usize> {
        let inside = (0..3).all(|k| c[k] >= 0 && c[k] < self.counts[k]);
        let [nx, ny, _] = self.counts.map(|n| n as usize);
        inside.then(|| (c[2] as usize * ny + c[1] as usize) * nx + c[0] as usize)
    }

    fn get(&self, c: &[i32; 3]) -> u32 {
        self.place(c).map_or(NONE, |i| self.cells[i])
    }

    fn set(&mut self, c: &[i32; 3], label: u32) {
        if let Some(i) = self.place(c) {
            self.cells[i] = label;
        }
    }
}

/// Labels all cells that touch `seed`'s by face, edge or corner; returns those on the rim.
fn flood(
    labels: &mut Lattice,
    seed: [i32; 3],
    label: u32,
    middle: &dyn Fn(&[i32; 3]) -> Point,
) -> Vec<Point> {
    let (mut todo, mut rim) = (vec![seed], Vec::new());
    labels.set(&seed, label);
    while let Some(c) = todo.pop() {
        let mut around = 0;
        for n in 0..27 {
            let next = [c[0] + n % 3 - 1, c[1] + n / 3 % 3 - 1, c[2] + n / 9 - 1];
            let there = labels.get(&next);
            around += i32::from(there != NONE);
            if there == OPEN {
                labels.set(&next, label);
                todo.push(next);
            }
        }
        if around < 27 {
            rim.push(middle(&c));
        }
    }
    rim
}

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let mut parts = facts.free();
    parts.sort_by(|&a, &b| facts.core_depth_mm(b).total_cmp(&facts.core_depth_mm(a)));
    for part in parts {
        let sides = facts.stack.parts[part].sides_mm();
        let core = facts.core(part);
        // No component is left to the ball's own bound.
        let narrow: Option<Vec<(f64, f64)>> = (0..core.components())
            .map(|k| core.too_narrow(k, sides))
            .collect();
        let widest = narrow.and_then(|all| {
            all.into_iter()
                .max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))
        });
        if let Some((need, have)) = widest {
            return Some(Proof {
                bound: BoundKind::Core,
                need,
                have,
                parts: vec![part],
            });
        }
    }
    None
}

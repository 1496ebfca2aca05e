//! Straight pull: how far every surface point must go sideways into the tissue on its way out.
//!
//! Layer by layer from the outside in, the largest distance to any section further out is kept on
//! a grid; each point reads it off where it sits. Near the largest figure the sections are cut
//! anew at the exact height and the distance is taken to the outline itself.

use rayon::prelude::*;

use crate::mesh::{Point, Vector};
use crate::units::Measured;

use super::body::Body;
use super::raster::{Grid, Scratch, signed_distance};
use super::slices::Slices;
use super::{CannotPull, PullSettings, exact};

/// Undercuts along one direction.
#[derive(Debug, Clone, PartialEq)]
pub struct StraightPull {
    /// The pull, out of the ear (unit).
    pub direction: Vector,
    /// Largest sideways depth, mm.
    pub largest_mm: Measured,
    /// The surface point that has it.
    pub at: Point,
    /// Where along the pull that point meets the narrow place: how far it has been drawn, mm.
    pub after_mm: f64,
    /// Surface with a depth over the limit, mm².
    pub area_mm2: Measured,
    /// Depth at every point of the input mesh, mm (0 for points of other parts).
    pub depth_mm: Vec<f64>,
}

/// Depths at the points of the body, and the height of the section each is held at.
pub(super) struct Depths {
    pub depth: Vec<f64>,
    pub layer: Vec<u32>,
    /// Depth held between the point and the next layer above it, as far as the grid tells: on a pull
    /// askew to the base plane, points of the outer face just below the plane have theirs there.
    pub own: Vec<f64>,
}

impl Depths {
    pub fn largest(&self) -> f64 {
        self.depth.iter().copied().fold(0.0, f64::max)
    }
}

/// Layers worked on at once: enough for all threads, few enough to stay in memory.
const LAYERS_AT_ONCE: usize = 24;

/// Depths at all points, as fine as the grid is.
pub(super) fn depths(slices: &Slices, cell_mm: f64) -> Depths {
    let grid = Grid::over(slices.bounds, cell_mm);
    let mut order: Vec<u32> = (0..slices.points.len() as u32)
        .filter(|&i| slices.seated[i as usize])
        .collect();
    let z = |i: u32| slices.points[i as usize].z;
    order.sort_by(|&a, &b| z(b).total_cmp(&z(a)).then(a.cmp(&b)));
    let mut worst = vec![f64::NEG_INFINITY; grid.len()];
    let mut held = vec![0_u32; grid.len()];
    let mut out = Depths {
        depth: vec![0.0; slices.points.len()],
        layer: vec![0; slices.points.len()],
        own: vec![0.0; slices.points.len()],
    };
    let mut next = 0;
    let mut before: Vec<f64> = Vec::new();
    let layers: Vec<usize> = (0..slices.heights.len()).collect();
    for some in layers.chunks(LAYERS_AT_ONCE) {
        let fields: Vec<Vec<f64>> = some
            .par_iter()
            .map_init(Scratch::default, |scratch, &k| {
                signed_distance(slices, &grid, k, scratch)
            })
            .collect();
        for (&k, field) in some.iter().zip(&fields) {
            // points above this layer have passed all that they must pass
            while next < order.len() && z(order[next]) >= slices.heights[k] {
                let i = order[next];
                read_off(slices, &grid, &worst, &held, i, &mut out);
                if k > 0 {
                    let d = just_above(slices, &grid, k, [field, &before], i);
                    out.own[i as usize] = d;
                    out.depth[i as usize] = out.depth[i as usize].max(d);
                }
                next += 1;
            }
            let above = if k == 0 { field } else { &before };
            passed(slices, &grid, k, [field, above], &mut worst, &mut held);
            before.clone_from(field);
        }
    }
    for &i in &order[next..] {
        read_off(slices, &grid, &worst, &held, i, &mut out);
    }
    out
}

/// Takes the slab between layer `k` and the one above into the largest distances. The distance to
/// the section and the distance to free air both run nearly straight between two layers, but one
/// falls where the other rises: the lesser of the two peaks where they meet, and on a pull askew
/// to the base plane that peak is up to 0.3 mm over what the layers themselves see.
fn passed(
    slices: &Slices,
    grid: &Grid,
    k: usize,
    [low, high]: [&Vec<f64>; 2],
    worst: &mut [f64],
    held: &mut [u32],
) {
    let heights = [slices.heights[k], slices.heights[k.saturating_sub(1)]];
    worst
        .par_chunks_mut(grid.nx)
        .zip(held.par_chunks_mut(grid.nx))
        .enumerate()
        .for_each(|(j, (worst, held))| {
            for (i, (worst, held)) in worst.iter_mut().zip(held).enumerate() {
                let at = j * grid.nx + i;
                let air = heights.map(|h| slices.to_air(&grid.point(i, j), h));
                let d = most_of_the_lesser([low[at], high[at]], air);
                if d > *worst {
                    (*worst, *held) = (d, k as u32);
                }
            }
        });
}

/// The largest distance between a point's own height and the layer above it, where free air comes
/// from the side.
fn just_above(slices: &Slices, grid: &Grid, k: usize, [low, high]: [&Vec<f64>; 2], i: u32) -> f64 {
    let p = slices.points[i as usize];
    if slices.air.xy().norm() < 1e-9 {
        return 0.0;
    }
    let top = slices.heights[k - 1];
    // Only where the surface looks outward: the section just below reaches well past the point.
    if grid.sample(low, &p.xy()) > -0.5 * grid.cell {
        return 0.0;
    }
    let above = grid.sample(high, &p.xy());
    let air = [p.z, top].map(|h| slices.to_air(&p.xy(), h));
    let d = if above.is_finite() {
        most_of_the_lesser([0.0, above], air)
    } else {
        // the body ends somewhere in between; half-way is wrong by half a layer's worth at most
        0.5 * (air[0] + air[1])
    };
    d.clamp(0.0, air[0].max(0.0))
}

/// Largest value that the lesser of two straight lines takes between their ends.
fn most_of_the_lesser(a: [f64; 2], b: [f64; 2]) -> f64 {
    let ends = a[0].min(b[0]).max(a[1].min(b[1]));
    let (d0, d1) = (a[0] - b[0], a[1] - b[1]);
    if a[1].is_infinite() && a[0].is_finite() && b[1].is_finite() {
        // the body ends between the two layers; nobody knows where, so half-way
        ends.max(a[0].min(0.5 * (b[0] + b[1])))
    } else if d0 * d1 < 0.0 && d0.is_finite() && d1.is_finite() {
        ends.max(a[0] + (a[1] - a[0]) * d0 / (d0 - d1))
    } else {
        ends
    }
}

fn read_off(slices: &Slices, grid: &Grid, worst: &[f64], held: &[u32], i: u32, out: &mut Depths) {
    let p = slices.points[i as usize].xy();
    let d = grid.sample(worst, &p);
    if d > 0.0 {
        out.depth[i as usize] = d;
        out.layer[i as usize] = held[grid.next_to(&p)];
    }
}

/// Area of the real surface where the depth, linear over each facet, is over the limit.
pub(super) fn area_over(body: &Body, depth: &[f64], limit: f64) -> f64 {
    let mut sum = 0.0;
    for (f, corners) in body.mesh.facets().iter().enumerate() {
        if body.lid[f] {
            continue;
        }
        let share = share_over(corners.map(|c| depth[c as usize] - limit));
        if share > 0.0 {
            sum += 0.5 * body.mesh.area_vector(f).norm() * share;
        }
    }
    sum
}

/// Share of a triangle where a linear function with these corner values is positive.
pub(super) fn share_over(mut v: [f64; 3]) -> f64 {
    v.sort_by(f64::total_cmp);
    let [low, middle, high] = v;
    if low >= 0.0 {
        if high > 0.0 { 1.0 } else { 0.0 }
    } else if high <= 0.0 {
        0.0
    } else if middle <= 0.0 {
        high * high / ((high - low) * (high - middle))
    } else {
        1.0 - low * low / ((middle - low) * (high - low))
    }
}

/// Measures a straight pull.
///
/// # Errors
/// [`CannotPull::LeadsIn`] where the direction does not lead out through the base plane.
pub fn straight(
    body: &Body,
    direction: &Vector,
    settings: &PullSettings,
) -> Result<StraightPull, CannotPull> {
    let pull = super::base::unit(direction).map_err(|_| CannotPull::NoDirection)?;
    let slices = Slices::new(body, &pull, settings.layer_mm).ok_or(CannotPull::LeadsIn)?;
    let mut found = depths(&slices, settings.cell_mm);
    exact::polish(&slices, &mut found);
    let area = area_over(body, &found.depth, settings.limit_mm);
    // How much the area moves when the depth is off by its own doubt.
    let doubt = settings.plus_minus_mm();
    let wider = area_over(body, &found.depth, (settings.limit_mm - doubt).max(0.0));
    let tighter = area_over(body, &found.depth, settings.limit_mm + doubt);
    let top = exact::largest(&slices, &found);
    let (at, largest, height) = top.map_or_else(
        || (slices.points.iter().position(|_| true), 0.0, 0.0),
        |(i, d, h)| (Some(i as usize), d, h),
    );
    let place = at.unwrap_or_default();
    Ok(StraightPull {
        direction: pull,
        largest_mm: Measured::exact(largest, doubt),
        at: body.mesh.points()[place],
        after_mm: (height - slices.points[place].z).max(0.0),
        area_mm2: Measured::exact(area, (wider - area).max(area - tighter)),
        depth_mm: body.to_input(&found.depth),
    })
}

//! Amounts that change from zone to zone along the canal (build-up, wall), as one smooth field, and
//! a scan moved by such an amount.
//!
//! Along the axis an amount is a step smoothed over 2 mm (twice by a mean over 1 mm, so that its
//! slope is continuous). Across, it fades to the concha's amount where a point lies too far from
//! the axis to be on the canal. The field is kept on a grid: the axis is asked once a node, not
//! seven times a sample.

use rayon::prelude::*;

use crate::canal::Canal;
use crate::field::{Implicit, Sample, SignedDistance};
use crate::mesh::{Mesh, Point, Vector};

use super::plan::BuildUp;
use super::told::ShellError;
use super::track::Track;

/// A blend from one amount to the next is this long, mm.
pub(super) const BLEND_MM: f64 = 2.0;
/// The last of the canal counts as tip, mm (as [`crate::canal::region_of`] has it).
const TIP_MM: f64 = 2.0;
/// Spacing of the grid, mm. Coarser: at 1.0 the middle of a blend is off by 0.04 of its step.
/// Finer: at 0.25 filling it takes longer than drawing. At 0.5 it is off by 0.009 of the step.
const GRID_MM: f64 = 0.5;
/// Spacing of the table along the axis, mm.
const TABLE_MM: f64 = 0.05;
/// Across, a point changes from canal to concha between these distances over the track's reach, mm.
const ASIDE_MM: (f64, f64) = (2.0, 4.0);
/// Share of the concha's height (along *up*) that is cavum; cymba and helix begin above it.
/// Cavum 18.2 and cymba 10.1 high (HUTUBS, 180 ears, Brinkmann et al. 2019).
const CAVUM_SHARE: f64 = 0.64;

/// An amount along the axis: steps, smoothed.
struct Profile {
    from: f64,
    values: Vec<f64>,
}

impl Profile {
    /// The steps of `step` between `low` and `high`, smoothed; constant beyond.
    fn new(low: f64, high: f64, step: impl Fn(f64) -> f64) -> Self {
        let from = low - BLEND_MM;
        let n = ((high + BLEND_MM - from) / TABLE_MM).ceil().max(1.0) as usize + 1;
        let mut values: Vec<f64> = (0..n).map(|i| step(from + i as f64 * TABLE_MM)).collect();
        let half = (BLEND_MM / 4.0 / TABLE_MM) as usize;
        for _ in 0..2 {
            values = mean_over(&values, half);
        }
        Self { from, values }
    }

    fn at(&self, at: f64) -> f64 {
        let x = ((at - self.from) / TABLE_MM).clamp(0.0, (self.values.len() - 1) as f64);
        let i = (x as usize).min(self.values.len() - 2);
        self.values[i] + (self.values[i + 1] - self.values[i]) * (x - i as f64)
    }
}

fn mean_over(values: &[f64], half: usize) -> Vec<f64> {
    let last = values.len() as isize - 1;
    let h = half as isize;
    (0..=last)
        .map(|i| {
            let sum: f64 = (-h..=h)
                .map(|k| values[(i + k).clamp(0, last) as usize])
                .sum();
            sum / (2 * h + 1) as f64
        })
        .collect()
}

/// An amount at every place.
pub(crate) enum Amounts {
    Even(f64),
    ByPlace(Grid),
}

pub(crate) struct Grid {
    origin: Point,
    dims: [usize; 3],
    values: Vec<f64>,
    most: f64,
    slope: f64,
}

impl Amounts {
    /// A scan's own amounts: by zone of its whole canal.
    ///
    /// # Errors
    /// [`ShellError`] where the amounts need a place that was not found: the aperture, the axis, a bend,
    /// or what is up.
    pub fn by_zone(plan: &BuildUp, canal: &Canal, scan: &Mesh) -> Result<Self, ShellError> {
        if !canal.aperture_reached {
            return Err(ShellError::NoAperture);
        }
        let track = Track::new(canal).ok_or(ShellError::NoAxis)?;
        let end = canal.length_mm.value + plan.tip_mm;
        Ok(Self::build_up(plan, 0.0, canal, &track, end, scan))
    }

    /// Build-up with `stock` on top. `end` is where the finished canal ends.
    pub(super) fn build_up(
        plan: &BuildUp,
        stock: f64,
        canal: &Canal,
        track: &Track,
        end: f64,
        scan: &Mesh,
    ) -> Self {
        let all = plan.named();
        if all.iter().all(|(_, by)| *by == all[0].1) {
            return Self::Even(all[0].1 + stock);
        }
        let bend = |k: usize| canal.bends.get(k).map_or(f64::INFINITY, |b| b.at_mm.value);
        let (first, second) = (bend(0), bend(1));
        let step = |at: f64| match at {
            at if at < 0.0 => plan.concha_mm,
            at if at >= end - TIP_MM => plan.tip_mm,
            at if at < first => plan.seal_zone_mm,
            at if at < second => plan.between_bends_mm,
            _ => plan.past_second_bend_mm,
        };
        let profile = Profile::new(0.0, end.max(0.0), step);
        let upper = Upper::of(canal, scan).filter(|_| plan.cymba_mm != plan.concha_mm);
        let outside = |p: &Point| {
            let share = upper.as_ref().map_or(0.0, |upper| upper.share(p));
            plan.concha_mm + (plan.cymba_mm - plan.concha_mm) * share
        };
        Self::grid(scan.bounds(), |p| {
            let by = stock + outside(p);
            match track.nearest_within(p, beside_mm(track)) {
                Some((at, aside)) => {
                    by + (profile.at(at) - plan.concha_mm) * canal_share(track, aside)
                }
                None => by,
            }
        })
    }

    /// Wall of canal and body, blended round the joint.
    pub(super) fn walls(body: f64, canal: f64, joint: f64, track: &Track, solid: &Mesh) -> Self {
        if body == canal {
            return Self::Even(body);
        }
        let profile = Profile::new(joint, joint, |at| if at < joint { body } else { canal });
        Self::grid(solid.bounds(), |p| {
            match track.nearest_within(p, beside_mm(track)) {
                Some((at, aside)) => body + (profile.at(at) - body) * canal_share(track, aside),
                None => body,
            }
        })
    }

    fn grid(bounds: Option<(Point, Point)>, at: impl Fn(&Point) -> f64 + Sync) -> Self {
        let (lo, hi) = bounds.unwrap_or((Point::origin(), Point::origin()));
        let origin = lo - Vector::repeat(2.0);
        let size = hi - lo + Vector::repeat(4.0);
        let dims = [0, 1, 2].map(|k| (size[k] / GRID_MM).ceil() as usize + 2);
        let [nx, ny, nz] = dims;
        let values: Vec<f64> = (0..nx * ny)
            .into_par_iter()
            .flat_map_iter(|row| {
                let at = &at;
                let corner = Vector::new((row / ny) as f64, (row % ny) as f64, 0.0);
                (0..nz).map(move |z| {
                    let place = origin + (corner + Vector::z() * z as f64) * GRID_MM;
                    at(&place)
                })
            })
            .collect();
        let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let slope = steepest(dims, &values) / GRID_MM;
        Self::ByPlace(Grid {
            origin,
            dims,
            values,
            most,
            slope,
        })
    }

    /// Amount and its gradient.
    pub fn at(&self, p: &Point) -> (f64, Vector) {
        match self {
            Self::Even(by) => (*by, Vector::zeros()),
            Self::ByPlace(grid) => grid.at(p),
        }
    }

    pub fn most(&self) -> f64 {
        match self {
            Self::Even(by) => *by,
            Self::ByPlace(grid) => grid.most,
        }
    }

    fn slope(&self) -> f64 {
        match self {
            Self::Even(_) => 0.0,
            Self::ByPlace(grid) => grid.slope,
        }
    }
}

/// The largest rise within a cell, a step: along each axis that of the steepest of four edges. A cruder
/// bound makes the drawing ask more places.
fn steepest(dims: [usize; 3], values: &[f64]) -> f64 {
    let [nx, ny, nz] = dims;
    let at = |x: usize, y: usize, z: usize| values[(x * ny + y) * nz + z];
    let cell = |x: usize, y: usize, z: usize| {
        let mut most = [0.0_f64; 3];
        for (i, j) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
            let along = [
                at(x + 1, y + i, z + j) - at(x, y + i, z + j),
                at(x + i, y + 1, z + j) - at(x + i, y, z + j),
                at(x + i, y + j, z + 1) - at(x + i, y + j, z),
            ];
            for (m, d) in most.iter_mut().zip(along) {
                *m = m.max(d.abs());
            }
        }
        most.iter().map(|d| d * d).sum::<f64>()
    };
    let slab = |x: usize| {
        let cells = (0..ny - 1).flat_map(|y| (0..nz - 1).map(move |z| (y, z)));
        cells.map(|(y, z)| cell(x, y, z)).fold(0.0, f64::max)
    };
    let slabs = (0..nx - 1).into_par_iter().map(slab);
    slabs.reduce(|| 0.0, f64::max).sqrt()
}

/// From this far from the axis on nothing is canal, mm.
fn beside_mm(track: &Track) -> f64 {
    track.reach_mm + ASIDE_MM.1
}

/// 1 on the canal, 0 well beside it.
fn canal_share(track: &Track, aside: f64) -> f64 {
    let (from, to) = (track.reach_mm + ASIDE_MM.0, track.reach_mm + ASIDE_MM.1);
    smooth((to - aside) / (to - from))
}

fn smooth(t: f64) -> f64 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// The part of the concha that is cymba and helix.
struct Upper {
    middle: Point,
    out: Vector,
    up: Vector,
    from: f64,
}

impl Upper {
    fn share(&self, p: &Point) -> f64 {
        let r = p - self.middle;
        let above = smooth((r.dot(&self.up) - self.from) / BLEND_MM + 0.5);
        let outside = smooth(r.dot(&self.out) / BLEND_MM + 0.5);
        above * outside
    }
}

impl Upper {
    /// `None` where up cannot be told.
    fn of(canal: &Canal, scan: &Mesh) -> Option<Self> {
        let frame = canal.frame?;
        let middle = canal.aperture.centre;
        let outside = scan.points().iter().map(|p| p - middle);
        let heights = outside
            .filter(|r| r.dot(&frame.out) > 0.0)
            .map(|r| r.dot(&frame.up));
        let none = (f64::INFINITY, f64::NEG_INFINITY);
        let (low, high) = heights.fold(none, |(l, h), u| (l.min(u), h.max(u)));
        (low < high).then_some(Self {
            middle,
            out: frame.out,
            up: frame.up,
            from: low + CAVUM_SHARE * (high - low),
        })
    }
}

impl Grid {
    fn at(&self, p: &Point) -> (f64, Vector) {
        let q = (p - self.origin) / GRID_MM;
        let [_, ny, nz] = self.dims;
        let mut cell = [0_usize; 3];
        let mut t = [0.0; 3];
        for k in 0..3 {
            let x = q[k].clamp(0.0, (self.dims[k] - 1) as f64);
            cell[k] = (x as usize).min(self.dims[k] - 2);
            t[k] = x - cell[k] as f64;
        }
        let base = (cell[0] * ny + cell[1]) * nz + cell[2];
        let v = |x: usize, y: usize, z: usize| self.values[base + (x * ny + y) * nz + z];
        let mix = |a: f64, b: f64, s: f64| a + (b - a) * s;
        let along_z = |x, y| mix(v(x, y, 0), v(x, y, 1), t[2]);
        let rise_z = |x, y| v(x, y, 1) - v(x, y, 0);
        let (low, high) = (
            mix(along_z(0, 0), along_z(0, 1), t[1]),
            mix(along_z(1, 0), along_z(1, 1), t[1]),
        );
        let rise_y = mix(
            along_z(0, 1) - along_z(0, 0),
            along_z(1, 1) - along_z(1, 0),
            t[0],
        );
        let rise_z = mix(
            mix(rise_z(0, 0), rise_z(0, 1), t[1]),
            mix(rise_z(1, 0), rise_z(1, 1), t[1]),
            t[0],
        );
        let gradient = Vector::new(high - low, rise_y, rise_z) / GRID_MM;
        (mix(low, high, t[0]), gradient)
    }
}

/// A solid moved outward by an amount (inward where it is negative).
pub(crate) struct Moved<'a> {
    pub field: &'a SignedDistance,
    pub by: &'a Amounts,
    /// 1 to move outward, −1 inward.
    pub sign: f64,
}

impl Moved<'_> {
    /// The value at `p` where the mesh is `distance_mm` away.
    pub fn level(&self, p: &Point, distance_mm: f64) -> f64 {
        distance_mm - self.sign * self.by.at(p).0
    }
}

impl Implicit for Moved<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let mut s = self.field.distance(p, near);
        let (by, rise) = self.by.at(p);
        s.value_mm -= self.sign * by;
        s.gradient -= rise * self.sign;
        s
    }

    fn bounds(&self) -> (Point, Point) {
        let (lo, hi) = Implicit::bounds(self.field);
        let grow = Vector::repeat((self.sign * self.by.most()).max(0.0));
        (lo - grow, hi + grow)
    }

    fn slope(&self) -> f64 {
        1.0 + self.by.slope()
    }
}

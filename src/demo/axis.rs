//! The canal's axis, aperture and tip by their definitions, worked out on the model itself.
//!
//! The axis is the curve of section centroids whose sections are square to the axis (direction
//! smoothed by 2 mm). The swept curve is *not* that curve: smoothing lags in the bends, tilting
//! the sections by up to a few degrees, and near the concha the flare pulls the centroids
//! aside. So the definition's fixed point is worked out here, started from the swept curve.

use rayon::prelude::*;

use crate::mesh::{Point, Vector};

use super::curve::Curve;
use super::polygonise::Field;
use super::slice::{Slice, crossings, slice};

const STATION_MM: f64 = 0.25;
const TANGENT_SIGMA_MM: f64 = 2.0;
const CORE_IN_MM: f64 = 1.0;
const CHORD_MM: f64 = 3.0;
const RUN_ON_MM: f64 = 6.0;
const TIP_SHARE: f64 = 0.85;
const FLARE_PER_MM: f64 = 1.0;
/// Equal angles. The tests hold 72 against 288 on the canal of a medium ear.
const RAYS: usize = 72;
/// While the axis still moves by hundredths of a millimetre.
const ROUGH_RAYS: usize = 24;

/// Axis with its ends, arc positions counted along `line`.
#[derive(Debug, Clone)]
pub(crate) struct Axis {
    /// Core and straight run-on at both ends, 0.25 mm stations, outside → inside.
    pub line: Curve,
    pub aperture_mm: f64,
    /// False when the flare is never met and the aperture is only the outer end.
    pub aperture_reached: bool,
    pub tip_zone_mm: f64,
    pub tip_mm: f64,
    /// How far the last round moved aperture, tip and middle, mm.
    pub settled_mm: f64,
}

/// Sections at the stations of one round.
struct Round {
    line: Curve,
    slices: Vec<Option<Slice>>,
}

/// The fixed point, from a rough line outside → inside. `None` if no canal-like part is there.
pub(crate) fn axis(field: Field, rough: Curve) -> Option<Axis> {
    let mut core = rough;
    let mut last: Option<[Point; 3]> = None;
    let mut settled = false;
    let mut moved = f64::INFINITY;
    for turn in 0..40 {
        let rays = if settled { RAYS } else { ROUGH_RAYS };
        let round = cut(field, run_on(&core), turn < 3, rays);
        let ends = round.ends(field)?;
        core = round.core(ends[0] + CORE_IN_MM, ends[1] - CORE_IN_MM)?;
        let line = &round.line;
        let marks = [
            line.at(ends[0]),
            line.at(ends[2]),
            core.at(core.length_mm() / 2.0),
        ];
        moved = last.map_or(f64::INFINITY, |l| {
            l.iter()
                .zip(&marks)
                .map(|(a, b)| (a - b).norm())
                .fold(0.0, f64::max)
        });
        last = Some(marks);
        // Never back: going to and fro between ray counts would itself move the axis.
        settled |= moved < 2e-3 || turn > 15;
        if rays == RAYS && moved < 1e-5 {
            return finish(field, &core, moved);
        }
    }
    finish(field, &core, moved)
}

fn finish(field: Field, core: &Curve, settled_mm: f64) -> Option<Axis> {
    let round = cut(field, run_on(core), true, RAYS);
    let [aperture_mm, tip_zone_mm, tip_mm] = round.ends(field)?;
    let aperture_reached = round.flare(tip_zone_mm).is_some();
    Some(Axis {
        line: round.line,
        aperture_mm,
        aperture_reached,
        tip_zone_mm,
        tip_mm,
        settled_mm,
    })
}

/// The core with its straight ends, at even stations.
fn run_on(core: &Curve) -> Curve {
    let length = core.length_mm();
    let outward = chord(&core.part(0.0, CHORD_MM.min(length), STATION_MM).points) * -1.0;
    let inward = chord(
        &core
            .part((length - CHORD_MM).max(0.0), length, STATION_MM)
            .points,
    );
    let part = core.part(0.0, length, STATION_MM);
    let steps = (RUN_ON_MM / STATION_MM) as usize;
    let (first, last) = (part.points[0], part.points[part.points.len() - 1]);
    let out = (1..=steps)
        .rev()
        .map(|k| first + outward * (STATION_MM * k as f64));
    let inn = (1..=steps).map(|k| last + inward * (STATION_MM * k as f64));
    Curve::new(out.chain(part.points.iter().copied()).chain(inn).collect())
}

/// Direction of the least-squares line through points, along their run.
fn chord(points: &[Point]) -> Vector {
    let mean = points.iter().map(|p| p.coords).sum::<Vector>() / points.len() as f64;
    let mut spread = nalgebra::Matrix3::zeros();
    for p in points {
        let d = p.coords - mean;
        spread += d * d.transpose();
    }
    let run = points[points.len() - 1] - points[0];
    // Power iteration: the run itself is within a few degrees of the answer.
    let mut d = run.normalize();
    for _ in 0..50 {
        d = (spread * d).normalize();
    }
    d * d.dot(&run).signum()
}

/// Sections at all stations; once the aperture is about known, those more than 2.5 mm outside
/// it are left out.
fn cut(field: Field, line: Curve, all: bool, rays: usize) -> Round {
    let from_mm = if all { 0.0 } else { RUN_ON_MM - 3.5 };
    let tangents = line.tangents(TANGENT_SIGMA_MM);
    let slices = line
        .points
        .par_iter()
        .zip(&tangents)
        .zip(&line.arc_mm)
        .map(|((p, t), arc)| (*arc >= from_mm).then(|| slice(field, p, t, rays))?)
        .collect();
    Round { line, slices }
}

impl Round {
    fn area(&self, i: usize) -> f64 {
        self.slices[i].map_or(0.0, |s| s.area_mm2)
    }

    /// Aperture, tip zone and tip, as arc lengths on the line.
    fn ends(&self, field: Field) -> Option<[f64; 3]> {
        let tip_zone = self.tip_zone()?;
        let outer_end = || {
            // The outer end is straight from the core's first point on.
            let (from, to) = (self.line.at(RUN_ON_MM), self.line.points[0]);
            let out = crossings(field, &from, &(to - from).normalize(), 40.0);
            out.first().map(|r| RUN_ON_MM - r)
        };
        let aperture = self.flare(tip_zone).or_else(outer_end)?;
        let n = self.line.points.len();
        let start = self.line.at(tip_zone);
        let inward = (self.line.points[n - 1] - self.line.points[n - 2]).normalize();
        // The end is straight from 1 mm outside the tip zone on.
        let tip = crossings(field, &start, &inward, 15.0).first()? + tip_zone;
        Some([aperture, tip_zone, tip])
    }

    /// Innermost place where the area is at least 85 % of the median 1 to 4 mm further out.
    fn tip_zone(&self) -> Option<f64> {
        let ratio = |i: usize| {
            let s = self.line.arc_mm[i];
            let mut outer: Vec<f64> = (0..i)
                .filter(|&k| (s - 4.0 - 1e-6..=s - 1.0 + 1e-6).contains(&self.line.arc_mm[k]))
                .map(|k| self.area(k))
                .filter(|&a| a > 0.0)
                .collect();
            outer.sort_by(f64::total_cmp);
            let median = middle_of(&outer)?;
            Some(self.area(i) / median - TIP_SHARE)
        };
        let n = self.slices.len();
        let i = (1..n).rev().find(|&i| ratio(i).is_some_and(|r| r >= 0.0))?;
        let here = ratio(i)?;
        let next = if i + 1 < n {
            ratio(i + 1).unwrap_or(-TIP_SHARE)
        } else {
            -TIP_SHARE
        };
        Some(self.line.arc_mm[i] + STATION_MM * here / (here - next))
    }

    /// First place outward from the tip zone where the equivalent diameter grows by more than
    /// 1 mm a mm, held for three stations.
    fn flare(&self, tip_zone_mm: f64) -> Option<f64> {
        let d = |i: usize| 2.0 * (self.area(i) / std::f64::consts::PI).sqrt();
        let growth = |i: usize| {
            let whole = (i - 2..=i + 2).all(|k| self.slices[k].is_some());
            whole.then(|| (d(i - 2) - d(i + 2)) / (4.0 * STATION_MM) - FLARE_PER_MM)
        };
        let from = self.line.arc_mm.partition_point(|&a| a <= tip_zone_mm);
        let last = from.checked_sub(1)?.min(self.slices.len().checked_sub(3)?);
        for i in (4..=last).rev() {
            let held = (0..3).all(|k| i >= k + 2 && growth(i - k).is_some_and(|g| g > 0.0));
            if !held {
                continue;
            }
            let here = growth(i)?;
            let before = if i < last { growth(i + 1)? } else { here };
            let back = if before < 0.0 {
                here / (here - before)
            } else {
                0.0
            };
            return Some(self.line.arc_mm[i] + STATION_MM * back);
        }
        None
    }

    /// Centroids between two arc lengths, ends interpolated.
    fn core(&self, from_mm: f64, to_mm: f64) -> Option<Curve> {
        if to_mm - from_mm < 2.0 {
            return None;
        }
        let known: Vec<(f64, Point)> = self
            .line
            .arc_mm
            .iter()
            .zip(&self.slices)
            .filter_map(|(a, s)| s.map(|s| (*a, s.centroid)))
            .collect();
        let line = Curve {
            arc_mm: known.iter().map(|k| k.0).collect(),
            points: known.iter().map(|k| k.1).collect(),
        };
        Some(line.part(from_mm, to_mm, STATION_MM))
    }
}

fn middle_of(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    match n {
        0 => None,
        _ if n % 2 == 1 => Some(sorted[n / 2]),
        _ => Some((sorted[n / 2 - 1] + sorted[n / 2]) / 2.0),
    }
}

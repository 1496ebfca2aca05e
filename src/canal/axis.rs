//! The axis as a fixed point: sections square to the axis, whose centroids are the axis. From a
//! rough start the curve is re-cut until aperture, tip and middle stand still. Definitions in
//! `docs/definitions.md`.

use rayon::prelude::*;

use crate::mesh::{Point, Vector};

use super::curve::{
    STATION_MM, arc_lengths, cubic_at, line_direction, place_at, resample, smoothed, tangents,
    value_at,
};
use super::cut::{Cut, Cutter};

/// The axis goes on straight this far beyond its core, each way.
const BEYOND_CORE_MM: f64 = 6.0;
/// Sections are cut this far outside the core before the aperture is first looked for: it lies
/// 1 mm outside the core of a settled axis, and its test needs another 1 mm.
const FIRST_OUTWARD_MM: f64 = 2.5;
/// The straight ends follow the line fitted to this much of the core.
const END_CHORD_MM: f64 = 3.0;
/// Tangents are taken from the axis smoothed by this.
const TANGENT_SIGMA_MM: f64 = 2.0;
/// The tip zone begins where the area falls under this share of the sections further out.
const TIP_AREA_SHARE: f64 = 0.85;
/// A tip zone longer than this is a canal that narrows all along. Real tips round off within
/// 3 mm, drum ends taper over 4 mm (ten ears of Wulbusch et al. 2023).
const MOST_TIP_ZONE_MM: f64 = 6.0;
/// What is tried on such a canal instead.
const CONE_SHARES: [f64; 3] = [0.75, 0.65, 0.5];
/// The aperture: where the equivalent diameter grows by more than this, mm per mm, outward.
const FLARE_MM_PER_MM: f64 = 1.0;
/// Settled when aperture, tip and middle move less than this from one round to the next.
const SETTLED_MM: f64 = 0.003;
/// A section with more of its outline bridged than this is the scan's edge, not a section.
/// Lower: a 3 mm hole in a 20 mm outline (0.15) would end the canal. Higher: the slanting rim of
/// an open base counts as canal.
const MOST_GAP_SHARE: f64 = 0.34;
/// A core shorter than this has no direction of its own to settle on.
const LEAST_CORE_MM: f64 = 2.0;

/// One round's result: the axis and what was found along it.
#[derive(Clone)]
pub(super) struct Axis {
    /// Evenly spaced points, outside → inside, with the straight ends.
    pub points: Vec<Point>,
    /// Arc length at the points.
    pub arcs: Vec<f64>,
    /// Normals of the sections: tangents of the smoothed axis.
    pub directions: Vec<Vector>,
    /// Sections at the points (`None` where there is no material).
    pub sections: Vec<Option<Cut>>,
    /// Arc position of the aperture.
    pub aperture_at: f64,
    /// False where the flare was never reached and the aperture is the scan's end.
    pub aperture_reached: bool,
    /// Arc position where the tip zone begins.
    pub tip_zone_at: f64,
    /// Arc position of the tip.
    pub tip_at: f64,
    /// The straight inner end met no surface (a hole at the tip).
    pub tip_open: bool,
    /// How far aperture, tip and middle moved in the last round, mm.
    pub moved_mm: f64,
}

impl Axis {
    pub(super) fn place(&self, at: f64) -> Point {
        place_at(&self.points, &self.arcs, at)
    }

    /// What lies well between aperture and tip zone: a start for settling again.
    pub(super) fn core(&self) -> Vec<Point> {
        let (from, to) = (self.aperture_at + 0.9, self.tip_zone_at - 0.9);
        (0..self.points.len())
            .filter(|&i| self.arcs[i] > from && self.arcs[i] < to)
            .map(|i| self.points[i])
            .collect()
    }
}

/// Why a round could not be finished.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub(super) enum Lost {
    /// Too few sections.
    #[error("too few sections could be cut")]
    NoSections,
    /// What is left between aperture and tip zone is too short.
    #[error("only {0:.1} mm of tube lie between aperture and tip")]
    TooShort(f64),
}

/// Runs rounds from a rough core (outside → inside) until it settles or `rounds` are used up, with
/// stations `spacing_mm` apart.
pub(super) fn settle(
    cutter: &Cutter,
    rough: &[Point],
    rounds: usize,
    spacing_mm: f64,
) -> Result<Axis, Lost> {
    let mut core = resample(rough, spacing_mm);
    let mut last: Option<[Point; 3]> = None;
    let mut best: Option<Axis> = None;
    for k in 0..rounds {
        let mut axis = round(cutter, &core, spacing_mm)?;
        let marks = [
            axis.place(axis.aperture_at),
            axis.place(axis.tip_at),
            axis.place(0.5 * (axis.aperture_at + axis.tip_at)),
        ];
        axis.moved_mm = last.map_or(f64::INFINITY, |l| {
            (0..3).map(|i| (marks[i] - l[i]).norm()).fold(0.0, f64::max)
        });
        last = Some(marks);
        core = next_core(&axis, pull(k), spacing_mm)?;
        let settled = axis.moved_mm < SETTLED_MM;
        if best
            .as_ref()
            .is_none_or(|b| axis.moved_mm <= b.moved_mm || axis.moved_mm < 0.05)
        {
            best = Some(axis);
        }
        if settled {
            break;
        }
    }
    best.ok_or(Lost::NoSections)
}

/// How far stations move towards their centroids in round `k`. Whole steps settle a sound canal
/// in 4 to 8 rounds; strongly bent wide ones swing to and fro for ever unless the steps shrink.
fn pull(k: usize) -> f64 {
    match k {
        0..=7 => 1.0,
        8..=19 => 0.5,
        _ => 0.25,
    }
}

fn round(cutter: &Cutter, core: &[Point], spacing_mm: f64) -> Result<Axis, Lost> {
    let points = extended(core, spacing_mm).ok_or(Lost::NoSections)?;
    let arcs = arc_lengths(&points);
    let directions = tangents(&smoothed(&points, TANGENT_SIGMA_MM));
    let cut = |i: usize| {
        let section = cutter.quick(&points[i], &directions[i]);
        section.filter(|s| s.gap_mm <= MOST_GAP_SHARE * s.perimeter_mm)
    };
    // Beyond the aperture sections are as large as the concha and cost the most, so going outward
    // stops as soon as the aperture is sure; what was not cut counts as absent.
    let begin = arcs.partition_point(|&a| a < BEYOND_CORE_MM - FIRST_OUTWARD_MM);
    let mut sections: Vec<Option<Cut>> = vec![None; begin];
    sections.par_extend(
        (begin..points.len())
            .into_par_iter()
            .with_min_len(8)
            .map(cut),
    );
    let middle = points.len() / 2;
    let mut from = begin;
    let (first, last, tip_zone_at, aperture_at, aperture_reached) = loop {
        let (first, last) = run_of_sections(&sections, middle).ok_or(Lost::NoSections)?;
        let area = |i: usize| sections[i].as_ref().map_or(0.0, |s| s.area_mm2);
        let zone = tip_zone(&arcs, area, first, last);
        let end = zone.map(|(i, at)| (at, aperture(&arcs, area, first, i)));
        let whole = first > from || from == 0;
        match end {
            Some((at, (aperture_at, reached))) if reached || whole => {
                break (first, last, at, aperture_at, reached);
            }
            None if whole => return Err(Lost::NoSections),
            _ => {}
        }
        let next = from.saturating_sub(4);
        let more: Vec<Option<Cut>> = (next..from).into_par_iter().map(cut).collect();
        sections[next..from].clone_from_slice(&more);
        from = next;
    };
    debug_assert!(first < last, "a run has length");
    let (tip_at, tip_open) = tip(cutter, &points, &arcs, tip_zone_at, arcs[last]);
    Ok(Axis {
        points,
        arcs,
        directions,
        sections,
        aperture_at,
        aperture_reached,
        tip_zone_at,
        tip_at,
        tip_open,
        moved_mm: f64::INFINITY,
    })
}

/// The core with its straight ends.
fn extended(core: &[Point], spacing_mm: f64) -> Option<Vec<Point>> {
    let chord = ((END_CHORD_MM / spacing_mm) as usize + 1).min(core.len());
    let inward = line_direction(&core[core.len() - chord..])?;
    let outward = -line_direction(&core[..chord])?;
    let steps = (BEYOND_CORE_MM / spacing_mm) as usize;
    let straight =
        |from: Point, dir: Vector| (1..=steps).map(move |i| from + dir * (i as f64 * spacing_mm));
    let mut points: Vec<Point> = straight(core[0], outward).collect();
    points.reverse();
    points.extend_from_slice(core);
    points.extend(straight(core[core.len() - 1], inward));
    Some(resample(&points, spacing_mm))
}

/// The unbroken run of sections round the middle.
fn run_of_sections(sections: &[Option<Cut>], middle: usize) -> Option<(usize, usize)> {
    let start = (0..sections.len())
        .filter(|&i| sections[i].is_some())
        .min_by_key(|&i| i.abs_diff(middle))?;
    let mut first = start;
    while first > 0 && sections[first - 1].is_some() {
        first -= 1;
    }
    let mut last = start;
    while last + 1 < sections.len() && sections[last + 1].is_some() {
        last += 1;
    }
    (last >= first + 8).then_some((first, last))
}

/// Where the tip zone begins: the innermost station (its index) whose area is at least 85 % of the
/// median of those 1 to 4 mm further out, and where between it and the next the share is just
/// reached. Interpolated, since whole stations made the second bend's figures jump by 0.2 mm and
/// 3° from one round to the next. A short canal that narrows like a cone nowhere holds that share;
/// then the first of the lower shares that is held near the end is taken.
fn tip_zone(
    arcs: &[f64],
    area: impl Fn(usize) -> f64 + Copy,
    first: usize,
    last: usize,
) -> Option<(usize, f64)> {
    let at_share = |share: f64| {
        let over = |i: usize| {
            share_over(
                area,
                share,
                i,
                (first..i).filter(|&j| near(arcs[i] - arcs[j])),
            )
        };
        let i = (first..=last)
            .rev()
            .find(|&i| over(i).is_some_and(|o| o >= 0.0))?;
        let next = (i + 1).min(arcs.len() - 1);
        let beyond = if i < last {
            over(next).unwrap_or(-share)
        } else {
            -share
        };
        Some((
            i,
            arcs[i] + crossing(over(i)?, beyond) * (arcs[next] - arcs[i]),
        ))
    };
    let near_end = |&(_, at): &(usize, f64)| arcs[last] - at <= MOST_TIP_ZONE_MM;
    let usual = at_share(TIP_AREA_SHARE);
    let cone = || {
        CONE_SHARES
            .iter()
            .filter_map(|&s| at_share(s))
            .find(near_end)
    };
    usual.filter(near_end).or_else(cone).or(usual)
}

/// 1 to 4 mm away.
fn near(distance_mm: f64) -> bool {
    (1.0 - 1e-6..=4.0 + 1e-6).contains(&distance_mm)
}

/// By how much the area at `i` is over `share` of the median of the stations `others`, as a share.
fn share_over(
    area: impl Fn(usize) -> f64,
    share: f64,
    i: usize,
    others: impl Iterator<Item = usize>,
) -> Option<f64> {
    let mut areas: Vec<f64> = others.map(&area).collect();
    areas.sort_by(f64::total_cmp);
    (!areas.is_empty()).then(|| area(i) / median(&areas).max(1e-9) - share)
}

/// Where between two stations a figure that is `here ≥ 0` and `beyond < 0` is nought.
fn crossing(here: f64, beyond: f64) -> f64 {
    if beyond < here {
        (here / (here - beyond)).clamp(0.0, 1.0)
    } else {
        0.0
    }
}

pub(super) fn median(sorted: &[f64]) -> f64 {
    let n = sorted.len();
    if n == 0 {
        return 0.0;
    }
    0.5 * (sorted[n / 2] + sorted[(n - 1) / 2])
}

/// Walking outward from the tip zone: where the diameter's growth (over ±0.5 mm) first exceeds
/// 1 mm per mm and stays there for three stations; interpolated. Else the scan's end.
fn aperture(
    arcs: &[f64],
    area: impl Fn(usize) -> f64 + Copy,
    first: usize,
    tip_zone: usize,
) -> (f64, bool) {
    let diameters: Vec<f64> = (0..=tip_zone)
        .map(|i| {
            if i < first {
                0.0
            } else {
                2.0 * (area(i) / std::f64::consts::PI).sqrt()
            }
        })
        .collect();
    let growth = |i: usize| -> Option<f64> {
        let (out, inn) = (arcs[i] - 0.5, arcs[i] + 0.5);
        if out < arcs[first] - 1e-9 || inn > arcs[tip_zone] + 1e-9 {
            return None;
        }
        let at = |a: f64| value_at(&arcs[first..=tip_zone], &diameters[first..=tip_zone], a);
        Some(at(out) - at(inn))
    };
    let flares = |i: usize| growth(i).is_some_and(|g| g > FLARE_MM_PER_MM);
    for i in (first + 2..=tip_zone).rev() {
        if flares(i) && flares(i - 1) && flares(i - 2) {
            let (g1, g0) = (growth(i).unwrap_or(FLARE_MM_PER_MM), growth(i + 1));
            let back = match g0 {
                Some(g0) if g1 > g0 => ((g1 - FLARE_MM_PER_MM) / (g1 - g0)).clamp(0.0, 1.0),
                _ => 0.0,
            };
            return (
                arcs[i] + back * (arcs[(i + 1).min(tip_zone)] - arcs[i]),
                true,
            );
        }
    }
    (scan_end(arcs, area, first, tip_zone), false)
}

/// Without a flare the scan's end stands for the aperture: the outermost station whose area is at
/// least 85 % of the median of those 1 to 4 mm further in (as the tip zone, seen from outside).
fn scan_end(
    arcs: &[f64],
    area: impl Fn(usize) -> f64 + Copy,
    first: usize,
    tip_zone: usize,
) -> f64 {
    let over = |i: usize| {
        share_over(
            area,
            TIP_AREA_SHARE,
            i,
            (i..=tip_zone).filter(|&j| near(arcs[j] - arcs[i])),
        )
    };
    let Some(i) = (first..tip_zone).find(|&i| over(i).is_some_and(|o| o >= 0.0)) else {
        return arcs[first];
    };
    let before = i.saturating_sub(1);
    let beyond = if i > first {
        over(before).unwrap_or(-TIP_AREA_SHARE)
    } else {
        -TIP_AREA_SHARE
    };
    arcs[i] - crossing(over(i).unwrap_or(0.0), beyond) * (arcs[i] - arcs[before])
}

/// Where the straight inner end leaves the solid, as an arc position.
fn tip(
    cutter: &Cutter,
    points: &[Point],
    arcs: &[f64],
    tip_zone_at: f64,
    last_at: f64,
) -> (f64, bool) {
    let from_at = (tip_zone_at - 1.0).max(arcs[0]);
    let from = place_at(points, arcs, from_at);
    // The end is straight only beyond the core; until then follow the axis, station by station.
    let mut a = (from, from_at);
    let mut at = from_at;
    while at < arcs[arcs.len() - 1] - 1e-9 {
        at = (at + STATION_MM).min(arcs[arcs.len() - 1]);
        let b = place_at(points, arcs, at);
        if let Some(t) = cutter.leaves(&a.0, &b) {
            return (a.1 + t * (at - a.1), false);
        }
        a = (b, at);
    }
    (last_at, true)
}

/// Centroids from 1 mm inside the aperture to 1 mm outside the tip zone, both ends interpolated.
fn next_core(axis: &Axis, pull: f64, spacing_mm: f64) -> Result<Vec<Point>, Lost> {
    let inside = if axis.aperture_reached { 1.0 } else { 0.5 };
    let (from, to) = (axis.aperture_at + inside, axis.tip_zone_at - 1.0);
    if to - from < LEAST_CORE_MM {
        return Err(Lost::TooShort(to - from));
    }
    let (mut arcs, mut centres) = (Vec::new(), Vec::new());
    for (i, cut) in axis.sections.iter().enumerate() {
        if let Some(cut) = cut {
            arcs.push(axis.arcs[i]);
            centres.push(axis.points[i] + (cut.centre - axis.points[i]) * pull);
        }
    }
    if centres.len() < 8 {
        return Err(Lost::NoSections);
    }
    let steps = ((to - from) / spacing_mm).round().max(1.0) as usize;
    let core: Vec<Point> = (0..=steps)
        .map(|k| {
            cubic_at(
                &centres,
                &arcs,
                from + (to - from) * k as f64 / steps as f64,
            )
        })
        .collect();
    Ok(resample(&core, spacing_mm))
}

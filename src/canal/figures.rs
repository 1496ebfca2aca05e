//! From a settled axis to the canal's figures, each with its `±`.

use rayon::prelude::*;

use crate::mesh::{Mesh, MeshQueries, Point, Vector};
use crate::soundness::{self, Pit, Region, Soundness};
use crate::units::Measured;

use super::axis::{self, Axis};
use super::bends::{LEAST_TURN_DEG, RawBend, bends};
use super::coarse::Graph;
use super::curve::{STATION_MM, arc_lengths};
use super::cut::Cutter;
use super::region::region_of;
use super::seek::Found;
use super::spread::{self, BendSpread};
use super::{Bend, Canal, Feather, NoCanal, Section, face, side};

/// Rounds until the axis must have settled.
const ROUNDS: usize = 40;
/// An axis that still moves by this much is no measurement.
const UNSETTLED_MM: f64 = 0.15;
/// A full section is wider than this at its narrowest and larger than [`FULL_MM2`]; what lies
/// beyond is a feather (common practice, no source).
const FULL_WIDTH_MM: f64 = 1.8;
/// See [`FULL_WIDTH_MM`]; 8 mm² is common practice, no source.
const FULL_MM2: f64 = 8.0;
/// What lies beyond an aperture must be at least this across to be a concha. Lower: a canal cast
/// alone that widens at a bend (19 mm across on a real one) is taken to end there. Higher: small
/// ears are doubted; cavum and cymba are 22.4 mm high at the 5th percentile (CIPIC, 70 ears; 25.0 in
/// HUTUBS, 180 ears).
const CONCHA_MM: f64 = 21.0;
/// The blunt end of a sound tip is thinner than a full section over less than this. A half ball
/// of 4 mm is so over 0.4 mm; a slanting drum end of 45° over up to 1 mm.
const BLUNT_END_MM: f64 = 1.2;

pub(super) fn measure(
    mesh: &Mesh,
    queries: &MeshQueries,
    soundness: &Soundness,
    found: Found,
) -> Result<Canal, NoCanal> {
    let part = found.part;
    let cutter = Cutter {
        queries,
        nudge: None,
        tubes_only: false,
        part_of_facet: &soundness.part_of_facet,
        part,
    };
    let axis = settle(&cutter, &found.axis)?;
    let raw = bends(&axis.points, axis.aperture_at, axis.tip_at);
    let facet_mm = facet_shortfall_mm(soundness.edge_mm, &axis);
    let normals = mesh.point_normals();
    let (spread, sections) = rayon::join(
        || spread::spread(&cutter, &normals, &axis, &raw, soundness.noise_mm, facet_mm),
        || stations(&cutter, &axis),
    );
    if !spread.length_mm.is_finite() {
        return Err(NoCanal::NotSettled(format!(
            "{} of 8 slightly moved copies of the scan could not be measured",
            spread.lost
        )));
    }
    let (points, at_mm) = trimmed(&axis);
    let aperture = nearest_section(&sections, 0.0).ok_or(NoCanal::NothingTubular)?;
    let narrowest = narrowest(&sections, axis.tip_zone_at - axis.aperture_at)
        .unwrap_or_else(|| aperture.clone());
    let out = -aperture.normal;
    let face = face::outward(mesh, &found.graph, soundness, &aperture.centre, &out);
    let told = side::tell(&found.graph, &aperture.centre, &out, &raw, face);
    let bend = |value: f64, spread: f64| {
        if axis.tip_open {
            Measured::at_least(value, spread)
        } else {
            Measured::exact(value, spread)
        }
    };
    let aperture_reached =
        axis.aperture_reached && concha_across(&found.graph, &aperture.centre, &out) >= CONCHA_MM;
    let from_aperture = |value: f64, spread: f64| match (aperture_reached, axis.tip_open) {
        (true, false) => Measured::exact(value, spread),
        _ => Measured::at_least(value, spread),
    };
    let bends = raw
        .iter()
        .zip(&spread.bends)
        .enumerate()
        .map(|(k, (b, s))| figure(k + 1, b, s, &axis, &bend, &from_aperture))
        .collect();
    let clear = |b: &Bend| b.turn_deg.value - b.turn_deg.plus_minus >= LEAST_TURN_DEG;
    let bends: Vec<Bend> = bends;
    let bends_sure = spread.count_sure && bends.iter().all(clear);
    let length = at_mm[at_mm.len() - 1];
    let outer_reach_mm = outer_reach(&found.graph, &aperture.centre, &out);
    let mut canal = Canal {
        tip: points[points.len() - 1],
        axis: points,
        length_mm: from_aperture(length, spread.length_mm),
        aperture_reached,
        aperture,
        tip_zone_mm: axis.tip_zone_at - axis.aperture_at,
        bends,
        bends_sure,
        feather: feather(&sections, length),
        sections,
        narrowest,
        pits: Vec::<Pit>::new(),
        side: told.side,
        side_margin: told.margin,
        frame: told.frame,
        outer_reach_mm,
        face,
        part,
        tip_open: axis.tip_open,
        area_share: spread.area_share,
        width_plus_minus_mm: spread.width_mm,
    };
    canal.pits = soundness::pits_where(mesh, soundness, |p| in_wall(&canal, p));
    let elsewhere = |p: &Pit| !canal_wall(region_of(&canal, &p.point).0);
    let strays: Vec<Point> = canal
        .pits
        .iter()
        .filter(|p| elsewhere(p))
        .map(|p| p.point)
        .collect();
    canal.pits.retain(|p| !strays.contains(&p.point));
    Ok(canal)
}

/// Is the place on the canal's wall?
fn in_wall(canal: &Canal, place: &Point) -> bool {
    let near = canal
        .axis
        .iter()
        .step_by(8)
        .any(|a| (a - place).norm_squared() < 100.0);
    near && canal_wall(region_of(canal, place).0)
}

fn canal_wall(region: Region) -> bool {
    use Region::{BetweenBends, Canal, PastSecondBend, SealZone};
    matches!(region, SealZone | BetweenBends | PastSecondBend | Canal)
}

fn settle(cutter: &Cutter, start: &Axis) -> Result<Axis, NoCanal> {
    let core = start.core();
    if core.len() < 6 {
        return Err(NoCanal::NotSettled(
            "too little canal between aperture and tip".to_string(),
        ));
    }
    let axis = axis::settle(cutter, &core, ROUNDS, STATION_MM)
        .map_err(|e| NoCanal::NotSettled(e.to_string()))?;
    if axis.moved_mm > UNSETTLED_MM {
        return Err(NoCanal::NotSettled(format!(
            "it still moves by {:.2} mm after {ROUNDS} rounds",
            axis.moved_mm
        )));
    }
    Ok(axis)
}

/// How far a chord of one facet's edge lies inside a round wall: e²/(8 r).
fn facet_shortfall_mm(edge_mm: f64, axis: &Axis) -> f64 {
    let areas: Vec<f64> = axis.sections.iter().flatten().map(|s| s.area_mm2).collect();
    let smallest = areas.iter().copied().fold(f64::INFINITY, f64::min).max(4.0);
    edge_mm * edge_mm / (8.0 * (smallest / std::f64::consts::PI).sqrt())
}

/// The axis from aperture to tip, and the arc lengths from the aperture.
fn trimmed(axis: &Axis) -> (Vec<Point>, Vec<f64>) {
    let steps = (((axis.tip_at - axis.aperture_at) / STATION_MM).round() as usize).max(1);
    let points: Vec<Point> = (0..=steps)
        .map(|i| {
            axis.place(
                axis.aperture_at + (axis.tip_at - axis.aperture_at) * i as f64 / steps as f64,
            )
        })
        .collect();
    let mut arcs = arc_lengths(&points);
    // the chords of resampling are shorter than the axis by a few micrometres; the arc is what counts
    let scale = (axis.tip_at - axis.aperture_at) / arcs[arcs.len() - 1].max(1e-12);
    for a in &mut arcs {
        *a *= scale;
    }
    (points, arcs)
}

/// Sections square to the axis at even stations from the aperture.
fn stations(cutter: &Cutter, axis: &Axis) -> Vec<Section> {
    let directions = super::curve::tangents(&super::curve::smoothed(&axis.points, 2.0));
    let count = ((axis.tip_at - axis.aperture_at) / STATION_MM).floor() as usize;
    (0..count + 1)
        .into_par_iter()
        .with_min_len(8)
        .filter_map(|i| {
            let at = axis.aperture_at + i as f64 * STATION_MM;
            let normal = super::bends::direction_at(&directions, &axis.arcs, at);
            let mut s = cutter.section(&axis.place(at), &normal)?;
            s.at_mm = at - axis.aperture_at;
            Some(s)
        })
        .collect()
}

fn nearest_section(sections: &[Section], at_mm: f64) -> Option<Section> {
    sections
        .iter()
        .min_by(|a, b| (a.at_mm - at_mm).abs().total_cmp(&(b.at_mm - at_mm).abs()))
        .cloned()
}

fn narrowest(sections: &[Section], tip_zone_mm: f64) -> Option<Section> {
    let inside = sections.iter().filter(|s| s.at_mm <= tip_zone_mm + 1e-9);
    inside
        .min_by(|a, b| a.area_mm2.total_cmp(&b.area_mm2))
        .cloned()
}

fn feather(sections: &[Section], length_mm: f64) -> Option<Feather> {
    let full = sections
        .iter()
        .rev()
        .find(|s| s.area_mm2 >= FULL_MM2 && s.smallest_mm >= FULL_WIDTH_MM)?;
    let beyond = length_mm - full.at_mm;
    if beyond <= BLUNT_END_MM {
        return None;
    }
    let middle = nearest_section(sections, full.at_mm + beyond / 2.0)?;
    Some(Feather {
        length_mm: beyond,
        smallest_mm: middle.smallest_mm,
        point: full.centre,
    })
}

/// Greatest distance across what lies beyond the aperture plane, seen along `out` (two hops).
fn concha_across(graph: &Graph, aperture: &Point, out: &Vector) -> f64 {
    let beyond: Vec<Vector> = graph
        .places
        .iter()
        .map(|p| p - aperture)
        .filter(|d| d.dot(out) > 1.0)
        .map(|d| d - out * d.dot(out))
        .collect();
    let farthest = |from: Vector| {
        let far = |best: Vector, d: &Vector| {
            if (d - from).norm() > (best - from).norm() {
                *d
            } else {
                best
            }
        };
        beyond.iter().fold(from, far)
    };
    let a = farthest(Vector::zeros());
    (farthest(a) - a).norm()
}

fn outer_reach(graph: &Graph, aperture: &Point, out: &Vector) -> f64 {
    graph
        .places
        .iter()
        .map(|p| (p - aperture).dot(out))
        .fold(0.0, f64::max)
}

fn figure(
    order: usize,
    b: &RawBend,
    s: &BendSpread,
    axis: &Axis,
    to_tip: &dyn Fn(f64, f64) -> Measured,
    from_aperture: &dyn Fn(f64, f64) -> Measured,
) -> Bend {
    // an unseen spread is told as the whole length: it then decides nothing
    let whole = axis.tip_at - axis.aperture_at;
    let cap = |x: f64, most: f64| if x.is_finite() { x } else { most };
    Bend {
        order,
        at_mm: from_aperture(b.at - axis.aperture_at, cap(s.at_mm, whole)),
        turn_deg: Measured::exact(b.turn_deg, cap(s.turn_deg, 90.0)),
        peak_curvature_per_mm: Measured::exact(b.peak_curvature, cap(s.curvature_per_mm, 1.0)),
        past_mm: to_tip(axis.tip_at - b.at, cap(s.past_mm, whole)),
        past_from_span_end_mm: to_tip(axis.tip_at - b.span.1, cap(s.past_from_span_end_mm, whole)),
        point: b.point,
        towards: b.towards,
    }
}

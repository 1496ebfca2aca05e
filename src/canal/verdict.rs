//! Choosing among ends that could be the canal's tip, by evidence alone; nearly equal evidence
//! is an honest *two ends look the same*.

use crate::mesh::{Point, Vector};

use super::NoCanal;
use super::axis::{Axis, median};
use super::coarse::Graph;
use super::cut::Cutter;
use super::face::BasePlane;

/// Equivalent diameters (median) that a canal may have: 5–14 mm is what a plug standard foresees
/// (EN 352), widened for children's and narrow bony canals.
const DIAMETER_MM: (f64, f64) = (3.2, 15.0);
/// Largest over smallest width (median) beyond which a tube is a flap. Published means are about
/// 2.1 between the bends (population MRI, Annals of Anatomy 257, 2025); 3.2 is seen.
const MOST_ASPECT: f64 = 3.8;
/// Less tube than this is no canal. Shorter: bumps of the concha rim pass. Longer: very short
/// impressions are lost, which ought to be told their length and be taken again.
const LEAST_TUBE_MM: f64 = 3.5;
/// The best end must score this much more than the next. Lower: the cymba of a short-canal scan
/// is taken for the canal. Higher: plain ears become *cannot tell*.
const CLEAR_LEAD: f64 = 1.2;
/// Axis straighter than this (largest distance from its line, mm) with sections steadier than
/// [`ROD_STEADY`] is turned stock (a stand), not an ear.
const ROD_STRAIGHT_MM: f64 = 0.06;
/// Spread of the areas (standard deviation over mean) of turned stock.
const ROD_STEADY: f64 = 0.015;
/// Of two ends of one tube, the one that the base plane favours by this much is the tip.
const CLEAR_BASE: f64 = 4.0;
/// Two ends of one tube are told apart when one is this much wider than the other.
const WIDER_OUTSIDE: f64 = 1.12;

/// A flat face must be larger than this many canal sections before it counts as the outer face
/// and not as a canal cut square at its tip.
const FACE_OVER_SECTION: f64 = 1.3;

/// An end with its settled axis.
pub(super) struct Candidate {
    pub part: u32,
    pub axis: Axis,
    tip: Point,
    outer: Point,
    /// Length of tube behind the end, mm.
    tube_mm: f64,
    score: f64,
    rod: bool,
    /// Median area of the tube.
    area_mm2: f64,
    /// Mean areas of the outer and the inner third.
    thirds_mm2: (f64, f64),
}

impl Candidate {
    /// Judges one end; `None` where it is surely no canal.
    pub(super) fn new(cutter: &Cutter, axis: Axis, graph: &Graph) -> Option<Self> {
        let inside: Vec<usize> = (0..axis.points.len())
            .filter(|&i| {
                axis.arcs[i] >= axis.aperture_at + 0.5
                    && axis.arcs[i] <= axis.tip_zone_at
                    && axis.sections[i].is_some()
            })
            .collect();
        let mut areas: Vec<f64> = inside
            .iter()
            .filter_map(|&i| axis.sections[i].as_ref())
            .map(|s| s.area_mm2)
            .collect();
        if areas.len() < 5 {
            return None;
        }
        let third = areas.len() / 3;
        let mean = |a: &[f64]| a.iter().sum::<f64>() / a.len().max(1) as f64;
        let thirds_mm2 = (
            mean(&areas[..third.max(1)]),
            mean(&areas[areas.len() - third.max(1)..]),
        );
        let steady = spread(&areas) / mean(&areas);
        areas.sort_by(f64::total_cmp);
        let area_mm2 = median(&areas);
        let diameter = 2.0 * (area_mm2 / std::f64::consts::PI).sqrt();
        let tube_mm = axis.tip_at - axis.aperture_at;
        if diameter < DIAMETER_MM.0 || diameter > DIAMETER_MM.1 || tube_mm < LEAST_TUBE_MM {
            return None;
        }
        let aspect = aspect(cutter, &axis, &inside);
        if aspect > MOST_ASPECT {
            return None;
        }
        let core: Vec<Point> = inside.iter().map(|&i| axis.points[i]).collect();
        let rod = tube_mm > 4.0 && off_line(&core) < ROD_STRAIGHT_MM && steady < ROD_STEADY;
        let round = (2.6 / aspect.max(2.6)).powi(2);
        let (tip, outer) = (axis.place(axis.tip_at), axis.place(axis.aperture_at));
        let far = remoteness(graph, &tip);
        let score = tube_mm.min(25.0) * round * far * far;
        Some(Self {
            part: cutter.part,
            tip,
            outer,
            tube_mm,
            score,
            rod,
            area_mm2,
            thirds_mm2,
            axis,
        })
    }
}

/// Median of largest over smallest width, from seven stations.
fn aspect(cutter: &Cutter, axis: &Axis, inside: &[usize]) -> f64 {
    let step = (inside.len() / 7).max(1);
    let mut all: Vec<f64> = inside
        .iter()
        .step_by(step)
        .filter_map(|&i| cutter.section(&axis.points[i], &axis.directions[i]))
        .map(|s| s.largest_mm / s.smallest_mm.max(1e-6))
        .collect();
    all.sort_by(f64::total_cmp);
    median(&all)
}

fn spread(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

fn off_line(points: &[Point]) -> f64 {
    let Some(d) = super::curve::line_direction(points) else {
        return 0.0;
    };
    let middle = points.iter().map(|p| p.coords).sum::<Vector>() / points.len() as f64;
    points
        .iter()
        .map(|p| {
            let r = p.coords - middle;
            (r - d * r.dot(&d)).norm()
        })
        .fold(0.0, f64::max)
}

/// How far the tip is from the middle of the surface, as a share of the farthest node.
fn remoteness(graph: &Graph, tip: &Point) -> f64 {
    let total: f64 = graph.areas.iter().sum();
    let middle = graph
        .places
        .iter()
        .zip(&graph.areas)
        .map(|(p, a)| p.coords * *a)
        .sum::<Vector>()
        / total.max(1e-9);
    let far = graph
        .places
        .iter()
        .map(|p| (p.coords - middle).norm())
        .fold(1e-9, f64::max);
    ((tip.coords - middle).norm() / far).min(1.0)
}

/// Picks the canal. `bases` are the planes that bound the searched parts on the outside.
pub(super) fn choose(
    mut all: Vec<Candidate>,
    bases: &[(u32, BasePlane)],
) -> Result<Candidate, NoCanal> {
    weigh_by_base(&mut all, bases);
    all.retain(|c| c.score > 0.0);
    if all.iter().any(|c| !c.rod) {
        all.retain(|c| !c.rod);
    }
    all.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut all = all.into_iter();
    let mut best = all.next().ok_or(NoCanal::NothingTubular)?;
    for other in all {
        if same_tip(&best, &other) {
            continue;
        }
        if two_ends_of_one_tube(&best, &other) {
            best = outer_end_known(best, other)?;
        } else if best.score < CLEAR_LEAD * other.score {
            return Err(NoCanal::TwoTips);
        }
    }
    if !best.axis.aperture_reached && !outside_vouched(&best, bases) {
        return Err(NoCanal::TwoTips);
    }
    Ok(best)
}

/// A tube without a flare, whose other end may not even have been followed: is there evidence that
/// its outer end is the outer one? The plane where scanning stopped, or narrowing inward.
fn outside_vouched(best: &Candidate, bases: &[(u32, BasePlane)]) -> bool {
    let beside = |b: &BasePlane| {
        let height = |p: &Point| (p - b.point).dot(&b.normal).abs();
        (b.open || b.area_mm2 > FACE_OVER_SECTION * best.area_mm2)
            && 2.0 * height(&best.outer) < height(&best.tip)
    };
    let by_base = bases
        .iter()
        .any(|(part, b)| *part == best.part && beside(b));
    by_base || best.thirds_mm2.0 > WIDER_OUTSIDE * best.thirds_mm2.1
}

/// The tip lies far from the plane where scanning stopped or the outside was cut flat: weigh every
/// end by its height over it.
fn weigh_by_base(all: &mut [Candidate], bases: &[(u32, BasePlane)]) {
    for (part, base) in bases {
        let height = |c: &Candidate| (c.tip - base.point).dot(&base.normal).abs();
        let ours = |c: &Candidate| c.part == *part;
        let most = all
            .iter()
            .filter(|c| ours(c))
            .map(height)
            .fold(1e-9, f64::max);
        for c in all.iter_mut().filter(|c| ours(c)) {
            // a canal cut square at its tip has a flat end too, but no larger than itself
            if base.area_mm2 > FACE_OVER_SECTION * c.area_mm2 || base.open {
                c.score *= (height(c) / most).powi(2);
            }
        }
    }
}

fn same_tip(a: &Candidate, b: &Candidate) -> bool {
    (a.tip - b.tip).norm() < 3.0
}

/// Does each tube begin where the other ends?
fn two_ends_of_one_tube(a: &Candidate, b: &Candidate) -> bool {
    let near = |tip: &Point, c: &Candidate| (tip - c.outer).norm() < 0.35 * c.tube_mm.max(6.0);
    a.part == b.part
        && near(&a.tip, b)
        && near(&b.tip, a)
        && !(a.axis.aperture_reached && b.axis.aperture_reached)
}

/// Of the two ends of a bare canal, the tip is the one away from the base opening, or else the
/// narrower one (canals narrow inward by 0.93 mm² per mm, standard deviation 0.93: ten ears of
/// Wulbusch et al. 2023); a tube alike at both ends is *cannot tell*.
fn outer_end_known(a: Candidate, b: Candidate) -> Result<Candidate, NoCanal> {
    // The base plane has spoken already, in the scores: near it an end scores next to nothing.
    if a.score > CLEAR_BASE * b.score {
        return Ok(a);
    }
    // `a` runs from its outer third to its inner third; the ratio tells how surely it narrows.
    let ratio = |c: &Candidate| c.thirds_mm2.0 / c.thirds_mm2.1.max(1e-9);
    let (ra, rb) = (ratio(&a), ratio(&b));
    if ra > WIDER_OUTSIDE && rb < 1.0 / WIDER_OUTSIDE {
        Ok(a)
    } else if rb > WIDER_OUTSIDE && ra < 1.0 / WIDER_OUTSIDE {
        Ok(b)
    } else {
        Err(NoCanal::TwoTips)
    }
}

//! Choosing among ends that could be the canal's tip, by evidence alone; nearly equal evidence
//! is an honest *two ends look the same*.

use crate::mesh::{Point, Vector};
use crate::soundness::Soundness;

use super::NoCanal;
use super::axis::{Axis, median};
use super::coarse::Graph;
use super::cut::Cutter;

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
/// Two ends of one tube are told apart when one is this much wider than the other.
const WIDER_OUTSIDE: f64 = 1.12;

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
    /// Mean areas of the outer and the inner third.
    thirds_mm2: (f64, f64),
}

impl Candidate {
    /// Judges one end; `None` where it is surely no canal.
    pub(super) fn new(_cutter: &Cutter, axis: Axis, part: u32, graph: &Graph) -> Option<Self> {
        let inside: Vec<usize> = (0..axis.points.len())
            .filter(|&i| axis.arcs[i] >= axis.aperture_at + 0.5 && axis.arcs[i] <= axis.tip_zone_at && axis.sections[i].is_some())
            .collect();
        let section = |i: &usize| axis.sections[*i].as_ref();
        let mut areas: Vec<f64> = inside.iter().filter_map(section).map(|s| s.area_mm2).collect();
        let mut aspects: Vec<f64> = inside.iter().filter_map(section).map(|s| s.largest_mm / s.smallest_mm.max(1e-6)).collect();
        if areas.len() < 5 {
            return None;
        }
        let third = areas.len() / 3;
        let mean = |a: &[f64]| a.iter().sum::<f64>() / a.len().max(1) as f64;
        let thirds_mm2 = (mean(&areas[..third.max(1)]), mean(&areas[areas.len() - third.max(1)..]));
        let steady = spread(&areas) / mean(&areas);
        areas.sort_by(f64::total_cmp);
        aspects.sort_by(f64::total_cmp);
        let diameter = 2.0 * (median(&areas) / std::f64::consts::PI).sqrt();
        let aspect = median(&aspects);
        let tube_mm = axis.tip_at - axis.aperture_at;
        let possible = diameter > DIAMETER_MM.0 && diameter < DIAMETER_MM.1 && aspect < MOST_ASPECT && tube_mm >= LEAST_TUBE_MM;
        if !possible {
            return None;
        }
        let core: Vec<Point> = inside.iter().map(|&i| axis.points[i]).collect();
        let rod = tube_mm > 4.0 && off_line(&core) < ROD_STRAIGHT_MM && steady < ROD_STEADY;
        let round = (2.6 / aspect.max(2.6)).powi(2);
        let (tip, outer) = (axis.place(axis.tip_at), axis.place(axis.aperture_at));
        let far = remoteness(graph, &tip);
        let score = tube_mm.min(25.0) * round * far * far;
        Some(Self { part, tip, outer, tube_mm, score, rod, thirds_mm2, axis })
    }
}

fn spread(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt()
}

fn off_line(points: &[Point]) -> f64 {
    let Some(d) = super::curve::line_direction(points) else { return 0.0 };
    let middle = points.iter().map(|p| p.coords).sum::<Vector>() / points.len() as f64;
    points.iter().map(|p| { let r = p.coords - middle; (r - d * r.dot(&d)).norm() }).fold(0.0, f64::max)
}

/// How far the tip is from the middle of the surface, as a share of the farthest node.
fn remoteness(graph: &Graph, tip: &Point) -> f64 {
    let total: f64 = graph.areas.iter().sum();
    let middle = graph.places.iter().zip(&graph.areas).map(|(p, a)| p.coords * *a).sum::<Vector>() / total.max(1e-9);
    let far = graph.places.iter().map(|p| (p.coords - middle).norm()).fold(1e-9, f64::max);
    ((tip.coords - middle).norm() / far).min(1.0)
}

/// Picks the canal.
pub(super) fn choose(mut all: Vec<Candidate>, soundness: &Soundness) -> Result<Candidate, NoCanal> {
    weigh_by_base(&mut all, soundness);
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
            best = outer_end_known(best, other, soundness)?;
        } else if best.score < CLEAR_LEAD * other.score {
            return Err(NoCanal::TwoTips);
        }
    }
    Ok(best)
}

/// The tip lies far from where scanning stopped: weigh every end by its height over the base.
fn weigh_by_base(all: &mut [Candidate], soundness: &Soundness) {
    let Some(base) = soundness.holes.iter().find(|h| h.base) else { return };
    let height = |c: &Candidate| (c.tip - base.point).norm();
    let most = all.iter().map(height).fold(1e-9, f64::max);
    for c in all.iter_mut() {
        c.score *= (height(c) / most).powi(2);
    }
}

fn same_tip(a: &Candidate, b: &Candidate) -> bool {
    (a.tip - b.tip).norm() < 3.0
}

/// Does each tube begin where the other ends?
fn two_ends_of_one_tube(a: &Candidate, b: &Candidate) -> bool {
    let near = |tip: &Point, c: &Candidate| (tip - c.outer).norm() < 0.35 * c.tube_mm.max(6.0);
    a.part == b.part && near(&a.tip, b) && near(&b.tip, a) && !(a.axis.aperture_reached && b.axis.aperture_reached)
}

/// Of the two ends of a bare canal, the tip is the one away from the base opening, or else the
/// narrower one (canals narrow inward by 0.93 mm² per mm, standard deviation 0.93: ten ears of
/// Wulbusch et al. 2023); a tube alike at both ends is *cannot tell*.
fn outer_end_known(a: Candidate, b: Candidate, soundness: &Soundness) -> Result<Candidate, NoCanal> {
    if let Some(base) = soundness.holes.iter().find(|h| h.base) {
        let (da, db) = ((a.tip - base.point).norm(), (b.tip - base.point).norm());
        if da > 2.0 * db {
            return Ok(a);
        }
        if db > 2.0 * da {
            return Ok(b);
        }
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

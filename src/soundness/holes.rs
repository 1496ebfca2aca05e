//! Boundary loops, and which one of them is the base opening: where scanning stopped, not a hole.
//!
//! **Rule.** The base is the largest loop (by flat area) of the main part that passes both:
//! - *large*: its flat area is at least [`BASE_SHARE`] of the largest section that planes parallel
//!   to it cut from the part. A cut-off end is about as large as what lies behind it; a missing tip
//!   of a scan whose outer face is closed is small against the sections behind it.
//! - *an end*: what is missing would have to close the surface off. By Gauss and Bonnet the rim
//!   tells how much curvature the missing piece holds: 2π for a cut-off end, next to none for a
//!   tear in a side, however large.
//!
//! A tube open at both ends has the larger end as base and the other as a hole. Where no loop
//! passes there is no base, and every loop is a hole.

use std::collections::{HashMap, HashSet};
use std::f64::consts::{PI, TAU};

use super::Hole;
use super::turning::Turning;
use crate::mesh::{BoundaryLoop, Link, Mesh, Point, Topology, Vector};

/// Least flat area of the base opening, as a share of the largest section parallel to it.
/// Too low: an open tip behind a closed outer face passes (0.10 to 0.15). Too high: a tube whose
/// ends stand at 60° to each other (0.5), or an outer face narrower than the concha behind it
/// (0.5), has no base.
const BASE_SHARE: f64 = 0.35;

/// Least curvature of the missing piece, in full caps of 2π, judged at the rim itself. Too low: a
/// tear of 8 × 20 mm in a body of radius 12 (0.14) passes. Too high: walls that widen by 40° from
/// the base inwards (0.36) have no base.
const CAP_SHARE_AT_RIM: f64 = 0.3;

/// The same, judged a quarter of the opening's diameter away from the rim, for scans that stop
/// after they have turned over onto the outer face. Too low: the tear above (0.31 there), or one
/// near a closed end (0.4), passes. Too high: a rolled rim counts only where it is complete (1.0).
const CAP_SHARE_AROUND: f64 = 0.6;

/// Planes laid through the part when its sections are measured. Too few: a narrow, wide place
/// is stepped over (a disc a tenth of the part high needs 10); too many: only time.
const PLANES: usize = 32;

/// The loops of one part as holes, longest first, the base opening marked.
pub(super) fn holes(
    mesh: &Mesh,
    loops: &[BoundaryLoop],
    main: &[u32],
    turning: &Turning,
) -> Vec<Hole> {
    let mut out: Vec<Hole> = loops.iter().map(|l| hole(mesh, l)).collect();
    let mut by_area: Vec<usize> = (0..out.len()).collect();
    by_area.sort_by(|&x, &y| out[y].area_mm2.total_cmp(&out[x].area_mm2).then(x.cmp(&y)));
    // A fourth-largest loop that is still a third of the whole part would need three larger ones.
    let base = by_area.into_iter().take(4).find(|&i| {
        let section = largest_section_mm2(mesh, main, turning, &loops[i]);
        out[i].area_mm2 > 0.0
            && out[i].area_mm2 >= BASE_SHARE * section
            && is_an_end(mesh, main, &out[i])
    });
    if let Some(i) = base {
        out[i].base = true;
    }
    out
}

fn hole(mesh: &Mesh, l: &BoundaryLoop) -> Hole {
    Hole {
        base: false,
        length_mm: l.length_mm(mesh),
        area_mm2: l.area_mm2(mesh),
        span_mm: l.span_mm(mesh),
        point: l.centre(mesh),
        rim: l.points.clone(),
    }
}

/// Part of every loop, by the facet of its first edge.
pub(super) fn part_of_loops(
    mesh: &Mesh,
    topology: &Topology,
    part_of_facet: &[u32],
    loops: &[BoundaryLoop],
) -> Vec<u32> {
    let mut part_at: HashMap<(u32, u32), u32> = HashMap::new();
    for (f, corners) in mesh.facets().iter().enumerate() {
        for e in 0..3 {
            if topology.links[f][e] == Link::Open {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                part_at.insert((a.min(b), a.max(b)), part_of_facet[f]);
            }
        }
    }
    let part = |l: &BoundaryLoop| {
        let (a, b) = (l.points[0], l.points[1 % l.points.len()]);
        part_at.get(&(a.min(b), a.max(b))).copied()
    };
    loops.iter().map(|l| part(l).unwrap_or(u32::MAX)).collect()
}

/// Area vector of a loop's flat fan, mm².
fn area_vector(mesh: &Mesh, l: &BoundaryLoop) -> Vector {
    let o = l.centre(mesh);
    let at = |i: usize| mesh.points()[l.points[i % l.points.len()] as usize] - o;
    (0..l.points.len())
        .map(|i| at(i).cross(&at(i + 1)) / 2.0)
        .sum()
}

/// The largest area among sections of the facets by planes parallel to the loop, mm². Sections
/// are summed segment by segment about their own middle, so that one that a hole leaves open
/// still has nearly its area.
fn largest_section_mm2(mesh: &Mesh, facets: &[u32], turning: &Turning, l: &BoundaryLoop) -> f64 {
    let Some(n) = area_vector(mesh, l).try_normalize(1e-300) else {
        return f64::INFINITY;
    };
    let height = |p: &Point| n.dot(&p.coords);
    let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
    for &f in facets {
        for h in mesh.corners(f as usize).iter().map(height) {
            lo = lo.min(h);
            hi = hi.max(h);
        }
    }
    let step = (hi - lo) / (PLANES as f64 + 1.0);
    if step <= 0.0 {
        return 0.0; // a flat part has no sections
    }
    let mut segments: Vec<Vec<(Point, Point)>> = vec![Vec::new(); PLANES];
    for &f in facets {
        let corners = mesh.corners(f as usize);
        let h = corners.map(|p| (height(&p) - lo) / step);
        let first = h[0].min(h[1]).min(h[2]).ceil().max(1.0) as usize;
        let last = (h[0].max(h[1]).max(h[2]).floor() as usize).min(PLANES);
        for k in first..=last {
            if let Some((a, b)) = cut(&corners, &h, k as f64) {
                let flip = turning.turned[f as usize];
                segments[k - 1].push(if flip { (b, a) } else { (a, b) });
            }
        }
    }
    let area = |s: &Vec<(Point, Point)>| section_area_mm2(s, &n);
    segments.iter().map(area).fold(0.0, f64::max)
}

/// The segment that the plane at height `level` cuts from a facet, with the inside on its left.
fn cut(corners: &[Point; 3], h: &[f64; 3], level: f64) -> Option<(Point, Point)> {
    let above = h.map(|x| x >= level);
    let (mut enter, mut leave) = (None, None);
    for e in 0..3 {
        let g = (e + 1) % 3;
        if above[e] != above[g] {
            let at = corners[e] + (corners[g] - corners[e]) * ((level - h[e]) / (h[g] - h[e]));
            if above[g] {
                enter = Some(at);
            } else {
                leave = Some(at);
            }
        }
    }
    Some((enter?, leave?))
}

fn section_area_mm2(segments: &[(Point, Point)], n: &Vector) -> f64 {
    let sum: Vector = segments.iter().map(|(a, b)| a.coords + b.coords).sum();
    let o = Point::from(sum / (2 * segments.len()).max(1) as f64);
    let twice: f64 = segments
        .iter()
        .map(|(a, b)| n.dot(&(a - o).cross(&(b - o))))
        .sum();
    twice.abs() / 2.0
}

/// Does the rim say that the missing piece closes the surface off?
fn is_an_end(mesh: &Mesh, facets: &[u32], hole: &Hole) -> bool {
    let around_mm = 0.25 * (4.0 * hole.area_mm2 / PI).sqrt();
    let near = points_near(mesh, facets, hole, around_mm);
    let mut angle_at: HashMap<u32, f64> = HashMap::new();
    for &f in facets {
        let corners = mesh.facets()[f as usize];
        if !corners.iter().any(|p| near[*p as usize]) {
            continue;
        }
        let at = mesh.corners(f as usize);
        for e in 0..3 {
            let (ahead, behind) = (at[(e + 1) % 3] - at[e], at[(e + 2) % 3] - at[e]);
            *angle_at.entry(corners[e]).or_default() += ahead.angle(&behind);
        }
    }
    let rim: HashSet<u32> = hole.rim.iter().copied().collect();
    let turn = |p: &u32| PI - angle_at.get(p).copied().unwrap_or(PI);
    let at_rim = TAU + hole.rim.iter().map(turn).sum::<f64>();
    let mut within: Vec<u32> = angle_at.keys().copied().collect();
    within.retain(|p| near[*p as usize] && !rim.contains(p));
    within.sort_unstable();
    let around = at_rim + within.iter().map(|p| TAU - angle_at[p]).sum::<f64>();
    at_rim >= CAP_SHARE_AT_RIM * TAU || around >= CAP_SHARE_AROUND * TAU
}

/// For every mesh point, whether it lies within a distance of the rim (asked of rim points about
/// a third of the distance apart). Points of another hole nearby count as if it were curvature.
fn points_near(mesh: &Mesh, facets: &[u32], hole: &Hole, within_mm: f64) -> Vec<bool> {
    let step = ((within_mm / 3.0) / (hole.length_mm / hole.rim.len() as f64)) as usize;
    let rim: Vec<Point> = hole
        .rim
        .iter()
        .step_by(step.max(1))
        .map(|&p| mesh.points()[p as usize])
        .collect();
    let pad = Vector::repeat(within_mm);
    let lo = rim.iter().fold(rim[0], |x, p| x.inf(p)) - pad;
    let hi = rim.iter().fold(rim[0], |x, p| x.sup(p)) + pad;
    let mut asked = vec![false; mesh.points().len()];
    let mut near = vec![false; mesh.points().len()];
    for &p in facets.iter().flat_map(|&f| &mesh.facets()[f as usize]) {
        let at = mesh.points()[p as usize];
        if !std::mem::replace(&mut asked[p as usize], true) && at >= lo && at <= hi {
            near[p as usize] = rim
                .iter()
                .any(|r| (r - at).norm_squared() <= within_mm * within_mm);
        }
    }
    for &p in &hole.rim {
        near[p as usize] = true;
    }
    near
}

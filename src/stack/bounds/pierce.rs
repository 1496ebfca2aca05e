//! Piercing points. If a box, wherever it may stand alone, comes nearer to a point than half the
//! clearance, no two such boxes find room: one point a chamber, and no more boxes than chambers.
//!
//! A box that keeps off the point p has a face that p lies beyond, by 1/√3 of the distance or more. So
//! the face opposite lies in the cavity's cap {x: (x − p)·n ≥ s}, n across the faces and s the width
//! of the box between them and that much more; and it is a rectangle square to n, whose diagonal with
//! the wall clearance at both ends lies in the cap. Where no cap in any direction is so wide, the box
//! holds p. Directions are covered by patches, each cap taken large enough for the whole patch.

use std::sync::atomic::Ordering;

use rayon::prelude::*;

use super::spread::{Patch, across, patches};
use super::{BoundKind, Facts, Proof, SAFETY_MM};
use crate::mesh::{Point, Vector};
use crate::stack::grid::NODE_ERROR_MM;

/// Patches are halved until they reach this far, rad. Smaller ones gain less than 0.1 mm.
const FINEST_RAD: f64 = 0.012;
/// Points tried in a chamber, each moved towards the cap that the last one failed at, and how far, mm.
const TRIES: usize = 6;
const MOVE_MM: f64 = 0.25;
/// One edge in so many is looked at first: a cap that is wide enough is wide enough by them.
const FEW: usize = 16;
/// Directions in a cap that its width is read along.
const WIDTHS: usize = 24;
/// Edges looked at before the bound is given up, over all caps: about a second.
const MOST_EDGES: usize = 400_000_000;
/// More chambers than this are crumbs of a region's rim.
const MOST_CHAMBERS: usize = 6;

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let mut parts = facts.free();
    let bulk = |i: usize| facts.stack.parts[i].volume_mm3();
    parts.sort_by(|&a, &b| bulk(b).total_cmp(&bulk(a)));
    // Each of the first n parts must hold its chamber's point: n more than chambers.
    let thinnest = |n: usize| {
        let depths = parts[..n].iter().map(|&i| facts.core_depth_mm(i));
        depths.fold(f64::INFINITY, f64::min)
    };
    for n in 2..=parts.len().min(MOST_CHAMBERS + 1) {
        let part = *parts[..n]
            .iter()
            .find(|&&i| facts.core_depth_mm(i) <= thinnest(n))?;
        // The nodes that are deep enough tell how many chambers there are to look at.
        let groups = facts.deep_groups(facts.core_depth_mm(part)).len();
        if n > 2 && groups < 2 {
            return None; // the first two would have been refused
        }
        if groups > 1 {
            if groups > MOST_CHAMBERS || groups >= n {
                continue;
            }
            let core = facts.core(part);
            let chambers = core.components();
            if !(2..n.min(MOST_CHAMBERS + 1)).contains(&chambers) {
                continue;
            }
            let rooms: Vec<Room> = (0..chambers)
                .map(|k| {
                    Room::new(
                        facts,
                        &parts[..n],
                        Some((&core.rim(Some(k)), core.reach_mm)),
                    )
                })
                .collect();
            if rooms.iter().all(|r| r.pierced(facts, &parts[..n])) {
                return Some(proof(&parts[..n], chambers));
            }
            continue;
        }
        if Room::new(facts, &parts[..n], None).pierced(facts, &parts[..n]) {
            return Some(proof(&parts[..n], 1));
        }
    }
    None
}

fn proof(parts: &[usize], chambers: usize) -> Proof {
    Proof {
        bound: BoundKind::Pierce,
        need: parts.len() as f64,
        have: chambers as f64,
        parts: parts.to_vec(),
    }
}

/// What a part whose middle lies in one chamber can reach of the cavity.
struct Room {
    /// Pieces of the surface: an edge's two ends.
    edges: Vec<[Point; 2]>,
    /// Places on the rim of what can be reached, in the open, each stretched by `more`.
    rim: Vec<Point>,
    more: f64,
    middle: Point,
}

impl Room {
    /// All of the cavity, or what is within the parts' half diagonal of a region's rim points.
    fn new(facts: &Facts, parts: &[usize], core: Option<(&[Point], f64)>) -> Self {
        let mesh = facts.cavity.mesh();
        let half = |i: &usize| Vector::from(facts.stack.parts[*i].half_mm()).norm();
        let far = parts.iter().map(half).fold(0.0, f64::max) + facts.stack.wall_clearance_mm;
        let more = facts.depth.half_diagonal_mm();
        let thin: Vec<Point> = match core {
            Some((rim, _)) => rim.iter().step_by(1 + rim.len() / 400).copied().collect(),
            None => Vec::new(),
        };
        // Every point of the region is as near to one of the few as the few are to each other.
        let grain = core.map_or(0.0, |(rim, reach)| {
            let from = |p: &Point| nearest(&thin, p);
            rim.iter().map(from).fold(0.0, f64::max) + reach
        });
        let within = |p: &Point, d: f64| core.is_none() || nearest(&thin, p) <= far + grain + d;
        // A facet that reaches into the room has all its edges within its longest of that place.
        let long = (0..mesh.facets().len())
            .flat_map(|f| {
                let [a, b, c] = mesh.corners(f);
                [(b - a).norm(), (c - b).norm(), (a - c).norm()]
            })
            .fold(0.0, f64::max);
        let mut edges = Vec::new();
        for f in 0..mesh.facets().len() {
            let c = mesh.corners(f);
            for (a, b) in [(c[0], c[1]), (c[1], c[2]), (c[2], c[0])] {
                // Each edge is met from both sides; a closed surface runs along it both ways.
                let first = (a.x, a.y, a.z) < (b.x, b.y, b.z);
                if first && within(&a, long) {
                    edges.push([a, b]);
                }
            }
        }
        let depth = facts.depth;
        let mut rim = Vec::new();
        if core.is_some() {
            for (i, v) in depth.values().iter().enumerate() {
                let p = depth.node_at(i);
                if f64::from(*v) + NODE_ERROR_MM > -more {
                    let d = nearest(&thin, &p) - far - grain;
                    if d.abs() <= 2.0 * more {
                        rim.push(p);
                    }
                }
            }
        }
        let middle = match core {
            Some((rim, _)) => mean(rim),
            None => mean(mesh.points()),
        };
        Self {
            edges,
            rim,
            more,
            middle,
        }
    }

    /// Is there a point that each of the parts holds wherever it stands here?
    fn pierced(&self, facts: &Facts, parts: &[usize]) -> bool {
        let mut point = self.middle;
        for _ in 0..TRIES {
            let caps: Vec<Cap> = parts
                .iter()
                .flat_map(|&i| self.caps(facts, i, &point))
                .collect();
            // A direction that fails is found by a look at a few, of all parts: showing that none does is
            // the dear part.
            let failed = caps
                .iter()
                .find_map(Cap::plainly_wide)
                .or_else(|| caps.iter().find_map(Cap::wide_enough));
            match failed {
                None => return true,
                Some(way) => point += way * MOVE_MM,
            }
        }
        false
    }

    /// The caps that would hold the part's faces if it stood off the point.
    fn caps<'a>(&'a self, facts: &'a Facts<'a>, part: usize, point: &Point) -> [Cap<'a>; 3] {
        let keep = facts.stack.clearance_mm / 2.0 / 3.0_f64.sqrt() - SAFETY_MM;
        let wall = facts.wall_mm(part);
        let far = |p: &Point| (p - point).norm();
        let ends = self.edges.iter().flatten().map(far);
        let open = self.rim.iter().map(|p| far(p) + self.more);
        let reach = ends.chain(open).fold(0.0, f64::max);
        let size = facts.stack.parts[part].size_mm;
        [0, 1, 2].map(|k| Cap {
            facts,
            room: self,
            point: *point,
            reach,
            over: size[k] + keep,
            need: size[(k + 1) % 3].hypot(size[(k + 2) % 3]) + 2.0 * wall - SAFETY_MM,
        })
    }
}

/// The caps beyond a point that are looked at for a rectangle.
struct Cap<'a> {
    facts: &'a Facts<'a>,
    room: &'a Room,
    point: Point,
    reach: f64,
    over: f64,
    need: f64,
}

impl Cap<'_> {
    /// All directions, in few patches.
    fn patches() -> Vec<(Patch, f64)> {
        let both = |p: Patch| [(p, 1.0), (p, -1.0)];
        patches(4).into_iter().flat_map(both).collect()
    }

    /// One of few directions whose cap holds the diagonal by few of its edges.
    fn plainly_wide(&self) -> Option<Vector> {
        let all = Self::patches();
        let mut ways = all.iter().map(|(patch, sign)| patch.direction() * *sign);
        ways.find(|way| self.width(way, 0.0, FEW) >= self.need)
    }

    /// A direction whose cap may hold the diagonal.
    fn wide_enough(&self) -> Option<Vector> {
        let all = Self::patches();
        let looked = &self.facts.looked;
        let each = self.room.edges.len() + self.room.rim.len();
        all.par_iter().find_map_first(|&(patch, sign)| {
            let mut todo = vec![patch];
            while let Some(patch) = todo.pop() {
                let gone = looked.fetch_add(each, Ordering::Relaxed);
                let off = patch.cosine().acos();
                let way = patch.direction() * sign;
                if self.width(&way, off, 1) < self.need * off.cos() {
                    continue;
                }
                if off < FINEST_RAD || gone > MOST_EDGES || self.facts.over() {
                    return Some(way);
                }
                todo.extend(patch.quarters());
            }
            None
        })
    }

    /// Width across `way` of all caps whose direction is within `off` of it, from above; of one in `few`
    /// of the edges, which is no more than that.
    fn width(&self, way: &Vector, off: f64, few: usize) -> f64 {
        // (x − p)·n ≥ s for some n of the patch: then (x − p)·way ≥ s cos − reach sin.
        let base = self.over * off.cos() - self.reach * off.sin();
        let (u, v) = across(way);
        let axes: [Vector; WIDTHS] = std::array::from_fn(|i| {
            let (s, c) = (std::f64::consts::PI * i as f64 / WIDTHS as f64).sin_cos();
            u * c + v * s
        });
        let mut spans = [[f64::INFINITY, f64::NEG_INFINITY]; WIDTHS];
        let mut put = |p: &Vector, more: f64| {
            for (span, axis) in spans.iter_mut().zip(&axes) {
                let h = p.dot(axis);
                *span = [span[0].min(h - more), span[1].max(h + more)];
            }
        };
        for [a, b] in self.room.edges.iter().step_by(few) {
            let (a, b) = (a - self.point, b - self.point);
            let (ha, hb) = (a.dot(way) - base, b.dot(way) - base);
            if ha >= 0.0 {
                put(&a, 0.0);
            }
            if hb >= 0.0 {
                put(&b, 0.0);
            }
            if (ha >= 0.0) != (hb >= 0.0) {
                put(&(a + (b - a) * (ha / (ha - hb))), 0.0);
            }
        }
        for p in &self.room.rim {
            let p = p - self.point;
            if p.dot(way) - base >= -self.room.more {
                put(&p, self.room.more);
            }
        }
        let wide = spans.iter().map(|s| s[1] - s[0]);
        let between = (std::f64::consts::PI / (2.0 * WIDTHS as f64)).cos();
        wide.fold(0.0, f64::max) / between
    }
}

fn nearest(points: &[Point], p: &Point) -> f64 {
    let sq = points.iter().map(|q| (q - p).norm_squared());
    sq.fold(f64::INFINITY, f64::min).sqrt()
}

fn mean(points: &[Point]) -> Point {
    let n = points.len().max(1) as f64;
    Point::from(points.iter().map(|p| p.coords).sum::<Vector>() / n)
}

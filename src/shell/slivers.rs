//! Edges too short to survive a file are closed up, and needles are turned.
//!
//! STL holds single precision: at 30 mm it rounds by 2e-6 mm, which folds a facet over that is a few
//! of those wide. Cutting one mesh by another leaves such facets where edges nearly meet.

use std::collections::HashSet;

use rayon::prelude::*;

use super::leaning::lay_down;
use crate::mesh::{Mesh, Point, Vector};

/// Edges shorter than this are closed up, mm. Lower: facets stay whose shape is decided by rounding.
/// Higher: points move by more than the drawing's own accuracy (0.005).
pub(super) const SHORT_MM: f64 = 0.005;
/// A facet may turn by this much (cosine), or the edge stays: 37°.
const LEAST_COS: f64 = 0.8;
/// A facet smaller than this has no direction worth keeping, mm².
const SPECK_MM2: f64 = 1e-5;
/// A facet whose height is under this share of its longest edge is a needle: which way it looks is
/// ill-defined, and rims with needles along them read as walls of nothing. Higher: sound facets are
/// turned for nothing. The wall's measure takes no normal from facets under 0.02.
const NEEDLE: f64 = 0.05;
/// A needle may be turned into a neighbour that looks the same way within this cosine (8°).
const SAME_WAY_COS: f64 = 0.99;
/// Passes: each closes edges that touch none closed in it before. The outer surfaces of 17 noisy ears were done
/// after 3 to 11; one cavity was not after 20.
const PASSES: usize = 12;

/// The same surface without edges shorter than [`SHORT_MM`], where they can be closed without
/// turning a facet over or pinching the surface.
pub(super) fn close_slivers(mesh: Mesh) -> Mesh {
    let (mut points, mut facets) = mesh.into_parts();
    for _ in 0..PASSES {
        let closed = close_some(&points, &mut facets);
        let laid = lay_down(&points, &mut facets);
        if turn_needles(&points, &mut facets) + closed + laid == 0 {
            break;
        }
    }
    let mut renumbered = vec![u32::MAX; points.len()];
    let mut kept = Vec::with_capacity(points.len());
    for corner in facets.iter_mut().flatten() {
        let new = &mut renumbered[*corner as usize];
        if *new == u32::MAX {
            *new = kept.len() as u32;
            kept.push(points[*corner as usize]);
        }
        *corner = *new;
    }
    points = kept;
    // Corners were renumbered into the points kept, which were finite.
    Mesh::new(points, facets).unwrap_or_default()
}

pub(super) struct Around {
    start: Vec<u32>,
    facets: Vec<u32>,
}

impl Around {
    pub fn new(points: usize, facets: &[[u32; 3]]) -> Self {
        let mut start = vec![0_u32; points + 1];
        for &c in facets.iter().flatten() {
            start[c as usize + 1] += 1;
        }
        for i in 0..points {
            start[i + 1] += start[i];
        }
        let mut next = start.clone();
        let mut out = vec![0; 3 * facets.len()];
        for (f, corners) in facets.iter().enumerate() {
            for &c in corners {
                out[next[c as usize] as usize] = f as u32;
                next[c as usize] += 1;
            }
        }
        Self { start, facets: out }
    }

    pub fn of(&self, p: u32) -> &[u32] {
        &self.facets[self.start[p as usize] as usize..self.start[p as usize + 1] as usize]
    }
}

fn close_some(points: &[Point], facets: &mut Vec<[u32; 3]>) -> usize {
    let short_sq = SHORT_MM * SHORT_MM;
    let edges = facets.par_iter().with_min_len(1024);
    let mut short: Vec<(f64, u32, u32)> = edges
        .flat_map_iter(|c| (0..3).map(|e| (c[e], c[(e + 1) % 3])))
        .filter(|(a, b)| a < b)
        .map(|(a, b)| {
            (
                (points[a as usize] - points[b as usize]).norm_squared(),
                a,
                b,
            )
        })
        .filter(|(sq, ..)| *sq < short_sq)
        .collect();
    if short.is_empty() {
        return 0;
    }
    short.sort_by(|x, y| x.0.total_cmp(&y.0).then((x.1, x.2).cmp(&(y.1, y.2))));
    let around = Around::new(points.len(), facets);
    let mut touched = vec![false; facets.len()];
    let mut gone = vec![false; facets.len()];
    let mut closed = 0;
    for (_, a, b) in short {
        let both = || around.of(a).iter().chain(around.of(b));
        if both().any(|&f| touched[f as usize]) || pinches(facets, &around, a, b) {
            continue;
        }
        // The one that stands on an edge stays, so that rims stay sharp.
        let (keep, lose) = if bent(points, facets, &around, a) >= bent(points, facets, &around, b) {
            (a, b)
        } else {
            (b, a)
        };
        let order = [(keep, lose), (lose, keep)];
        let Some((keep, lose)) = order
            .into_iter()
            .find(|&(k, l)| stays_flat(points, facets, &around, k, l))
        else {
            continue;
        };
        both().for_each(|&f| touched[f as usize] = true);
        put_together(facets, &around, keep, lose, &mut gone);
        closed += 1;
    }
    drop_gone(facets, &gone);
    closed
}

/// Lets one point of an edge stand for both; what lay along the edge is gone.
pub(super) fn put_together(
    facets: &mut [[u32; 3]],
    around: &Around,
    keep: u32,
    lose: u32,
    gone: &mut [bool],
) {
    for &f in around.of(lose) {
        let corners = &mut facets[f as usize];
        if corners.contains(&keep) {
            gone[f as usize] = true;
        } else {
            let lost = corners.iter_mut().filter(|c| **c == lose);
            lost.for_each(|c| *c = keep);
        }
    }
}

/// Leaves out the facets that are gone.
pub(super) fn drop_gone(facets: &mut Vec<[u32; 3]>, gone: &[bool]) {
    let mut f = 0;
    facets.retain(|_| {
        f += 1;
        !gone[f - 1]
    });
}

/// Turns the longest edge of needles that lie beside a neighbour looking the same way. How many.
fn turn_needles(points: &[Point], facets: &mut [[u32; 3]]) -> usize {
    let needles: Vec<usize> = (0..facets.len())
        .into_par_iter()
        .with_min_len(1024)
        .filter(|&f| shape(points, &facets[f]) < NEEDLE)
        .collect();
    if needles.is_empty() {
        return 0;
    }
    let around = Around::new(points.len(), facets);
    let mut touched: HashSet<u32> = HashSet::new();
    let mut turned = 0;
    for f in needles {
        let corners = longest_first(points, &facets[f]);
        let Some(turn) = Turn::of(facets, &around, f, corners) else {
            continue;
        };
        let way = area(points, &facets[turn.facets[1]]);
        let fits = turn.new.iter().all(|t| {
            let n = area(points, t);
            n.dot(&way) > SAME_WAY_COS * n.norm() * way.norm()
                && shape(points, t) > shape(points, &facets[f])
        });
        if fits && turn.ring.iter().all(|p| !touched.contains(p)) {
            turn.done(facets);
            touched.extend(turn.ring);
            turned += 1;
        }
    }
    turned
}

/// An edge turned: two facets on it become two on the edge across.
pub(super) struct Turn {
    pub facets: [usize; 2],
    /// The edge's ends, and the corners opposite in the two facets.
    pub ring: [u32; 4],
    pub new: [[u32; 3]; 2],
}

impl Turn {
    /// Of the first edge of a facet with its corners told from there on; `None` where there is no facet across,
    /// or its turned edge is one already.
    pub fn of(facets: &[[u32; 3]], around: &Around, f: usize, [a, b, c]: [u32; 3]) -> Option<Self> {
        let mut beside = around.of(a).iter().map(|&g| g as usize);
        let g = beside.find(|&g| g != f && facets[g].contains(&b) && facets[g].contains(&a))?;
        let d = *facets[g].iter().find(|&&p| p != a && p != b)?;
        let joined = around
            .of(c)
            .iter()
            .any(|&h| facets[h as usize].contains(&d));
        (d != c && !joined).then_some(Self {
            facets: [f, g],
            ring: [a, b, c, d],
            new: [[c, a, d], [d, b, c]],
        })
    }

    pub fn done(&self, facets: &mut [[u32; 3]]) {
        for (f, corners) in self.facets.into_iter().zip(self.new) {
            facets[f] = corners;
        }
    }
}

/// Height over the longest edge, as a share of that edge.
pub(super) fn shape(points: &[Point], c: &[u32; 3]) -> f64 {
    let [p, q, r] = c.map(|i| points[i as usize]);
    let longest_sq = (q - p)
        .norm_squared()
        .max((r - q).norm_squared())
        .max((p - r).norm_squared());
    2.0 * area(points, c).norm() / longest_sq.max(1e-300)
}

/// The corners, turned so that the longest edge comes first.
fn longest_first(points: &[Point], c: &[u32; 3]) -> [u32; 3] {
    let length =
        |k: usize| (points[c[k] as usize] - points[c[(k + 1) % 3] as usize]).norm_squared();
    let k = (0..3).fold(0, |best, k| if length(k) > length(best) { k } else { best });
    [c[k], c[(k + 1) % 3], c[(k + 2) % 3]]
}

/// Closing an edge pinches the surface unless its ends have exactly two neighbours in common.
pub(super) fn pinches(facets: &[[u32; 3]], around: &Around, a: u32, b: u32) -> bool {
    let ring = |p: u32| {
        let mut ring: Vec<u32> = around
            .of(p)
            .iter()
            .flat_map(|&f| facets[f as usize])
            .filter(|&q| q != p)
            .collect();
        ring.sort_unstable();
        ring.dedup();
        ring
    };
    let (of_a, of_b) = (ring(a), ring(b));
    let common = of_a
        .iter()
        .filter(|q| of_b.binary_search(q).is_ok())
        .count();
    common != 2 || of_a.len() + of_b.len() < 8
}

pub(super) fn area(points: &[Point], c: &[u32; 3]) -> Vector {
    let [p, q, r] = c.map(|i| points[i as usize]);
    (q - p).cross(&(r - p)) / 2.0
}

/// How sharply the surface is bent at a point: largest angle between facets there, as 1 − cosine.
fn bent(points: &[Point], facets: &[[u32; 3]], around: &Around, p: u32) -> f64 {
    let normals: Vec<Vector> = around
        .of(p)
        .iter()
        .map(|&f| area(points, &facets[f as usize]))
        .filter(|n| n.norm() > SPECK_MM2)
        .map(|n| n.normalize())
        .collect();
    let mut most = 0.0_f64;
    for (i, n) in normals.iter().enumerate() {
        for m in &normals[..i] {
            most = most.max(1.0 - n.dot(m));
        }
    }
    most
}

/// Whether no facet worth the name turns over when `lose` goes to `keep`.
fn stays_flat(
    points: &[Point],
    facets: &[[u32; 3]],
    around: &Around,
    keep: u32,
    lose: u32,
) -> bool {
    around.of(lose).iter().all(|&f| {
        let old = facets[f as usize];
        if old.contains(&keep) {
            return true;
        }
        let new = old.map(|c| if c == lose { keep } else { c });
        let (was, is) = (area(points, &old), area(points, &new));
        was.norm() < SPECK_MM2 || was.dot(&is) > LEAST_COS * was.norm() * is.norm()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::Topology;
    use crate::shell::wall::shapes::sphere;

    /// A square whose side has a point all but on it: the needle there is turned into its neighbour.
    #[test]
    fn a_needle_beside_a_rim_is_turned() {
        let points = vec![
            Point::new(0.0, 0.0, 0.0),
            Point::new(1.0, 0.0, 0.0),
            Point::new(1.0, 1.0, 0.0),
            Point::new(0.0, 1.0, 0.0),
            Point::new(0.5, -0.001, 0.0),
        ];
        let mut facets = [[0, 4, 1], [0, 1, 2], [0, 2, 3]];
        assert_eq!(turn_needles(&points, &mut facets), 1);
        assert!(facets.iter().all(|f| shape(&points, f) > 0.2), "{facets:?}");
        let all: f64 = facets.iter().map(|f| area(&points, f).z).sum();
        assert!((all - 1.0005).abs() < 1e-12, "{all}");
    }

    /// A point of a ball doubled a thousandth away: the ball comes back closed, of the same volume.
    #[test]
    fn a_split_point_is_closed_again() {
        let ball = sphere(Point::origin(), 5.0, 3);
        let volume = ball.signed_volume_mm3();
        let (count, (mut points, mut facets)) = (ball.facets().len(), ball.into_parts());
        // Split point 20 along two of its edges.
        let at = points[20];
        let fan: Vec<usize> = (0..facets.len())
            .filter(|&f| facets[f].contains(&20))
            .collect();
        let next = |c: [u32; 3]| {
            let k = (0..3).find(|&k| c[k] == 20).expect("in the fan");
            (c[(k + 1) % 3], c[(k + 2) % 3])
        };
        // Half of the fan, in order, goes to the new point.
        let mut order = vec![fan[0]];
        while order.len() < fan.len() {
            let end = next(facets[order[order.len() - 1]]).1;
            let f = fan.iter().find(|&&f| next(facets[f]).0 == end);
            order.push(*f.expect("the fan closes"));
        }
        let new = points.len() as u32;
        points.push(at + Vector::new(1e-3, 0.0, 0.0).cross(&at.coords.normalize()));
        let moved = &order[..fan.len() / 2];
        let (first, last) = (
            next(facets[moved[0]]).0,
            next(facets[moved[moved.len() - 1]]).1,
        );
        for &f in moved {
            facets[f]
                .iter_mut()
                .filter(|c| **c == 20)
                .for_each(|c| *c = new);
        }
        facets.extend([[20, new, last], [new, 20, first]]);
        let split = Mesh::new(points, facets).expect("in range");
        assert_eq!(Topology::new(&split).open_edges, 0);
        let closed = close_slivers(split);
        let topology = Topology::new(&closed);
        assert_eq!((topology.open_edges, topology.flipped_edges), (0, 0));
        assert_eq!(closed.facets().len(), count);
        assert!((closed.signed_volume_mm3() - volume).abs() < 0.01);
    }
}

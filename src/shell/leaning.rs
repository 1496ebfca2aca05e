//! Facets that stand on edge: where a crease is followed by points on one side of an edge and not on the
//! other, or by two rows of points, facets a few micrometres high stand between them. Nothing is wrong
//! with the places, but a wall read along such a facet's lean is none.

use rayon::prelude::*;

use super::slivers::{Around, Turn, area, drop_gone, pinches, put_together, shape};
use crate::mesh::{Point, Vector, nearest_on_triangle};

/// A facet lower than this share of its longest edge, and leaning by more than this cosine (26°) off what
/// lies about it, stands for micrometres between a long edge and points drawn beside it: the wall would
/// be read along its lean.
const LOW: f64 = 0.3;
const LEANING_COS: f64 = 0.9;
/// Closing an edge or turning one may move the surface by no more than this, mm: what a facet's middle may be
/// off. The points that are left stay.
const MOVED_MM: f64 = 0.015;
/// Edges up to this long are closed beside such facets, mm. At 0.08, two of 17 noisy ears kept folds 10 µm
/// high whose wall was read as 0.00 mm. Longer, half a facet and more: a crease loses points that it needs.
const CLOSE_MM: f64 = 0.15;
/// What stays leaning may lean so much more (cosine) for one that goes.
const LESS_UPRIGHT: f64 = 0.05;
/// A facet higher than this looks a way that micrometres do not change, mm.
const TOLD_MM: f64 = 0.02;
/// Where such facets differ by more than this cosine (60°), there is a rim, which would be rounded: a lid
/// whose border goes down by 10 µm is level no more. Creases are flatter.
const RIM_COS: f64 = 0.5;
/// Such a facet turns by no more than this when an edge beside it is closed, as cosine (14°).
const KEPT_COS: f64 = 0.97;
/// Turning an edge lays its facets down by so much at least, as cosine.
const GAIN: f64 = 0.02;

/// The way that the surface about some points looks: larger facets say more.
fn way(points: &[Point], facets: &[[u32; 3]], around: &Around, ring: &[u32]) -> Option<Vector> {
    let all = ring.iter().flat_map(|&p| around.of(p));
    let sum: Vector = all.map(|&f| area(points, &facets[f as usize])).sum();
    sum.try_normalize(1e-12)
}

/// Cosine of how far a facet leans off a way.
fn upright(points: &[Point], c: &[u32; 3], way: &Vector) -> f64 {
    let n = area(points, c);
    n.dot(way) / n.norm().max(1e-300)
}

/// The way that a facet looks, where it is high enough to tell.
fn told_way(points: &[Point], c: &[u32; 3]) -> Option<Vector> {
    let n = area(points, c);
    // Twice the area over the longest edge, which is the root of twice the area over the shape.
    let height = (2.0 * n.norm() * shape(points, c)).sqrt();
    n.try_normalize(1e-12).filter(|_| height > TOLD_MM)
}

/// Do facets about some points that tell their way differ as at a rim?
fn at_rim(points: &[Point], facets: &[[u32; 3]], around: &Around, ring: &[u32]) -> bool {
    let all = ring.iter().flat_map(|&p| around.of(p));
    let sides: Vec<Vector> = all
        .filter_map(|&f| told_way(points, &facets[f as usize]))
        .collect();
    let differs = |n: &Vector| sides.iter().any(|m| n.dot(m) < RIM_COS);
    sides.iter().any(differs)
}

/// The facets that stand on edge, if any, and what lies about each point.
fn standing(points: &[Point], facets: &[[u32; 3]]) -> Option<(Around, Vec<usize>)> {
    let low: Vec<usize> = (0..facets.len())
        .into_par_iter()
        .with_min_len(1024)
        .filter(|&f| shape(points, &facets[f]) < LOW)
        .collect();
    if low.is_empty() {
        return None;
    }
    let around = Around::new(points.len(), facets);
    let leans = |f: &usize| {
        let w = way(points, facets, &around, &facets[*f]);
        w.is_some_and(|w| upright(points, &facets[*f], &w) < LEANING_COS)
    };
    let all: Vec<usize> = low
        .into_par_iter()
        .with_min_len(256)
        .filter(leans)
        .collect();
    Some((around, all)).filter(|(_, all)| !all.is_empty())
}

/// Lays down facets that stand on edge: edges are turned, and then short ones closed, each apart from what changed
/// before. How many; again until none is left to change.
pub(super) fn lay_down(points: &[Point], facets: &mut Vec<[u32; 3]>) -> usize {
    let Some(standing) = standing(points, facets) else {
        return 0;
    };
    let mut touched = vec![false; points.len()];
    let turned = turn_edges(points, facets, &standing, &mut touched);
    turned + close_edges(points, facets, &standing, &mut touched)
}

/// Closes short edges of facets that stand on edge, where what tells its way keeps it, fewer lean than before,
/// and the surface stays in place. Points of facets that changed are `touched`. How many.
fn close_edges(
    points: &[Point],
    facets: &mut Vec<[u32; 3]>,
    (around, all): &(Around, Vec<usize>),
    touched: &mut [bool],
) -> usize {
    let mut gone = vec![false; facets.len()];
    let mut closed = 0;
    for &f in all {
        let corners = facets[f];
        let length = |[a, b]: [u32; 2]| (points[a as usize] - points[b as usize]).norm();
        let mut edges = [0, 1, 2].map(|k| [corners[k], corners[(k + 1) % 3]]);
        edges.sort_by(|x, y| length(*x).total_cmp(&length(*y)));
        let chosen = (edges.into_iter())
            .filter(|e| length(*e) < CLOSE_MM && e.iter().all(|&p| !touched[p as usize]))
            .flat_map(|[a, b]| [[a, b], [b, a]])
            .find(|&[keep, lose]| {
                !pinches(facets, around, keep, lose)
                    && may_close(points, facets, around, keep, lose)
            });
        if let Some([keep, lose]) = chosen {
            for &g in around.of(keep).iter().chain(around.of(lose)) {
                for p in facets[g as usize] {
                    touched[p as usize] = true;
                }
            }
            put_together(facets, around, keep, lose, &mut gone);
            closed += 1;
        }
    }
    drop_gone(facets, &gone);
    closed
}

fn may_close(points: &[Point], facets: &[[u32; 3]], around: &Around, keep: u32, lose: u32) -> bool {
    let Some(w) = way(points, facets, around, &[keep, lose]) else {
        return false;
    };
    let old: Vec<[u32; 3]> = (around.of(lose).iter())
        .map(|&f| facets[f as usize])
        .collect();
    let new: Vec<([u32; 3], [u32; 3])> = (old.iter().filter(|c| !c.contains(&keep)))
        .map(|c| (*c, c.map(|p| if p == lose { keep } else { p })))
        .collect();
    let leans = |c: &[u32; 3]| upright(points, c, &w);
    let least = |all: &mut dyn Iterator<Item = f64>| all.fold(1.0, f64::min);
    let worse = least(&mut new.iter().map(|(_, c)| leans(c)))
        < least(&mut old.iter().map(leans)) - LESS_UPRIGHT;
    let left = new.iter().filter(|(_, c)| leans(c) < LEANING_COS).count();
    let fewer = left < old.iter().filter(|c| leans(c) < LEANING_COS).count();
    let keeps_its_way = |(was, is): &([u32; 3], [u32; 3])| {
        told_way(points, was).is_none_or(|n| upright(points, is, &n) > KEPT_COS)
    };
    let lost = points[lose as usize];
    let off = new.iter().map(|(_, c)| {
        let [a, b, c] = c.map(|p| points[p as usize]);
        (nearest_on_triangle(&lost, &a, &b, &c) - lost).norm()
    });
    let rim = at_rim(points, facets, around, &[keep, lose]);
    fewer
        && !worse
        && !rim
        && new.iter().all(keeps_its_way)
        && off.fold(f64::INFINITY, f64::min) < MOVED_MM
}

/// Turns edges of facets that stand on edge, where the surface stays in place and the two new facets lean
/// less and are less low. How many.
fn turn_edges(
    points: &[Point],
    facets: &mut [[u32; 3]],
    (around, all): &(Around, Vec<usize>),
    touched: &mut [bool],
) -> usize {
    let mut turned = 0;
    for &f in all {
        let [a, b, c] = facets[f];
        let turns = [[a, b, c], [b, c, a], [c, a, b]].into_iter();
        let best = turns
            .filter_map(|corners| Turn::of(facets, around, f, corners))
            .filter(|t| t.ring.iter().all(|&p| !touched[p as usize]))
            .filter_map(|t| Some((gain(points, facets, around, &t)?, t)))
            .max_by(|x, y| x.0.total_cmp(&y.0));
        if let Some((_, turn)) = best {
            turn.done(facets);
            turn.ring.iter().for_each(|&p| touched[p as usize] = true);
            turned += 1;
        }
    }
    turned
}

/// By how much turning lays its two facets down, as cosine; `None` where it may not be.
fn gain(points: &[Point], facets: &[[u32; 3]], around: &Around, turn: &Turn) -> Option<f64> {
    let old = turn.facets.map(|f| facets[f]);
    let w = way(points, facets, around, &turn.ring)?;
    let least = |two: [[u32; 3]; 2], of: &dyn Fn(&[u32; 3]) -> f64| of(&two[0]).min(of(&two[1]));
    let lean = |c: &[u32; 3]| upright(points, c, &w);
    let low = |c: &[u32; 3]| shape(points, c);
    let gain = least(turn.new, &lean) - least(old, &lean);
    let [a, b, c, d] = turn.ring.map(|p| points[p as usize]);
    let better = gain > GAIN && least(turn.new, &low) > least(old, &low);
    let rim = || at_rim(points, facets, around, &turn.ring);
    (better && apart(a, b, c, d) < MOVED_MM && !rim()).then_some(gain)
}

/// How far the lines through a, b and through c, d pass each other, mm.
fn apart(a: Point, b: Point, c: Point, d: Point) -> f64 {
    let across = (b - a).cross(&(d - c));
    across
        .try_normalize(1e-18)
        .map_or(f64::INFINITY, |n| (c - a).dot(&n).abs())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Mesh, Topology};

    /// A low hill drawn with a point of its own on one side of an edge, and not on the other: between them a
    /// facet stands on edge. Turned, both sides go up to the point.
    #[test]
    fn a_facet_that_stands_between_a_hill_and_a_long_edge_is_laid_down() {
        let points = vec![
            Point::new(0.0, 0.0, 0.0),
            Point::new(0.24, 0.0, 0.0),
            Point::new(0.15, 0.001, 0.012),
            Point::new(0.1, -0.2, 0.0),
            Point::new(0.1, 0.2, 0.0),
        ];
        let mut facets = vec![[0, 1, 2], [1, 0, 3], [0, 2, 4], [2, 1, 4]];
        let upright = |facets: &[[u32; 3]]| {
            let each = facets.iter().map(|f| area(&points, f));
            each.map(|n| n.z / n.norm()).fold(1.0, f64::min)
        };
        assert!(upright(&facets) < 0.1, "{}", upright(&facets));
        assert_eq!(lay_down(&points, &mut facets), 1);
        assert!(upright(&facets) > 0.98, "{}", upright(&facets));
        let flat: f64 = facets.iter().map(|f| area(&points, f).z).sum();
        assert!((flat - 0.048).abs() < 1e-12, "{flat}");
        assert_eq!(lay_down(&points, &mut facets), 0);
        // A real fold, ten times as high, stays.
        let mut high = points.clone();
        high[2].z = 0.12;
        let mut facets = vec![[0, 1, 2], [1, 0, 3], [0, 2, 4], [2, 1, 4]];
        assert_eq!(lay_down(&high, &mut facets), 0);
    }

    /// A lid, the wall under its rim, and points of the wall 10 µm below the rim: points along the rim may be
    /// put together, but none of the lid's facets goes down to the wall.
    #[test]
    fn the_border_of_a_lid_stays_level() {
        let mut points = Vec::new();
        let rows = [
            (0.5, 0.0, 0.0),
            (0.0, 0.0, 0.0),
            (0.0, -0.010, 0.025),
            (0.0, -0.5, 0.0),
        ];
        for (y, z, on) in rows {
            points.extend((0..6).map(|i| Point::new(0.05 * f64::from(i) + on, y, z)));
        }
        let mut facets = Vec::new();
        for row in 0..3 {
            for a in 6 * row..6 * row + 5 {
                facets.extend([[a, a + 6, a + 1], [a + 1, a + 6, a + 7]]);
            }
        }
        assert!(
            standing(&points, &facets).is_some(),
            "nothing to be tempted by"
        );
        while lay_down(&points, &mut facets) > 0 {}
        let lid = facets.iter().filter(|c| c.iter().any(|&p| p < 6));
        let heights = lid.flat_map(|c| c.map(|p| points[p as usize].z));
        assert_eq!(heights.fold(0.0, f64::min), 0.0, "{facets:?}");
    }

    /// Two rows of points along a crease, 2 µm apart in height and 4 µm across: one row is left, and both
    /// faces keep their way.
    #[test]
    fn two_rows_along_one_crease_become_one() {
        // A roof: z = 0.5 |y| below the crease at y = 0; the rows zigzag about it.
        let roof = |x: f64, y: f64| Point::new(x, y, -0.5 * f64::abs(y));
        let mut points = Vec::new();
        for i in 0..6 {
            points.push(roof(0.06 * f64::from(i), -0.3));
        }
        for i in 0..6 {
            points.push(roof(0.06 * f64::from(i), -0.002));
        }
        for i in 0..6 {
            points.push(roof(0.06 * f64::from(i) + 0.02, 0.002) + Vector::new(0.0, 0.0, -0.004));
        }
        for i in 0..6 {
            points.push(roof(0.06 * f64::from(i), 0.3));
        }
        let mut facets = Vec::new();
        for row in 0..3 {
            for i in 0..5 {
                let a = 6 * row + i;
                facets.extend([[a, a + 1, a + 7], [a, a + 7, a + 6]]);
            }
        }
        let tilted = |facets: &[[u32; 3]]| {
            let bad = |c: &&[u32; 3]| {
                let n = area(&points, c).normalize();
                n.y.abs() > 0.6
            };
            facets.iter().filter(bad).count()
        };
        assert!(tilted(&facets) >= 8, "{}", tilted(&facets));
        while lay_down(&points, &mut facets) > 0 {}
        assert!(tilted(&facets) <= 1, "{}: {facets:?}", tilted(&facets));
        let mesh = Mesh::new(points.clone(), facets).expect("in range");
        let topology = Topology::new(&mesh);
        assert_eq!((topology.flipped_edges, topology.fins.len()), (0, 0));
        assert!(
            (mesh.area_mm2() - 0.6 * 0.3 * 1.25_f64.sqrt()).abs() < 0.002,
            "{}",
            mesh.area_mm2()
        );
    }
}

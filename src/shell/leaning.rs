//! Facets that stand on edge: where a crease is followed by points on one side of an edge and not on the
//! other, or by two rows of points, facets a few micrometres high stand between them. Nothing is wrong
//! with the places, but a wall read along such a facet's lean is none.

use std::collections::HashSet;

use super::slivers::{Around, area, drop_gone, pinches, put_together, shape};
use crate::mesh::{Point, Vector, nearest_on_triangle};

/// A facet lower than this share of its longest edge, and leaning by more than this cosine (26°) off what
/// lies about it, stands for micrometres between a long edge and points drawn beside it: the wall would
/// be read along its lean.
const LOW: f64 = 0.3;
const LEANING_COS: f64 = 0.9;
/// Closing an edge or turning one may move the surface by no more than this, mm: what a facet's middle may be off. Points stay.
const MOVED_MM: f64 = 0.015;
/// Edges up to this long are closed beside such facets, mm. Longer: a crease loses points that it needs.
const CLOSE_MM: f64 = 0.08;
/// What stays leaning may lean so much more (cosine) for one that goes.
const LESS_UPRIGHT: f64 = 0.05;
/// Where sound facets at a point differ by more than this cosine (37°), it stands on a rim.
const RIM_COS: f64 = 0.8;
/// A sound facet turns by no more than this when an edge beside it is closed, as cosine (14°).
const KEPT_COS: f64 = 0.97;

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

/// Closes short edges of low facets that lean off what lies about them, where what is sound keeps its way,
/// fewer lean than before, and the surface stays in place. How many.
pub(super) fn close_leaning(points: &[Point], facets: &mut Vec<[u32; 3]>) -> usize {
    let low: Vec<usize> = (0..facets.len())
        .filter(|&f| shape(points, &facets[f]) < LOW)
        .collect();
    if low.is_empty() {
        return 0;
    }
    let around = Around::new(points.len(), facets);
    let mut touched = vec![false; facets.len()];
    let mut gone = vec![false; facets.len()];
    let mut closed = 0;
    for f in low {
        let corners = facets[f];
        let leans = way(points, facets, &around, &corners)
            .is_some_and(|w| upright(points, &corners, &w) < LEANING_COS);
        if !leans || touched[f] {
            continue;
        }
        let length = |[a, b]: [u32; 2]| (points[a as usize] - points[b as usize]).norm();
        let mut edges = [0, 1, 2].map(|k| [corners[k], corners[(k + 1) % 3]]);
        edges.sort_by(|x, y| length(*x).total_cmp(&length(*y)));
        let chosen = (edges.into_iter())
            .filter(|e| length(*e) < CLOSE_MM)
            .flat_map(|[a, b]| [[a, b], [b, a]])
            .find(|&[keep, lose]| {
                let mut both = around.of(keep).iter().chain(around.of(lose));
                both.all(|&g| !touched[g as usize])
                    && !pinches(facets, &around, keep, lose)
                    && may_close(points, facets, &around, keep, lose)
            });
        if let Some([keep, lose]) = chosen {
            for &g in around.of(keep).iter().chain(around.of(lose)) {
                touched[g as usize] = true;
            }
            put_together(facets, &around, keep, lose, &mut gone);
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
    // A point of a rim stays: closed up, the rim would be rounded.
    let sides: Vec<Vector> = (old.iter().filter(|c| shape(points, c) >= LOW))
        .filter_map(|c| area(points, c).try_normalize(1e-12))
        .collect();
    let on_rim = |n: &Vector| sides.iter().any(|m| n.dot(m) < RIM_COS);
    if sides.iter().any(on_rim) {
        return false;
    }
    let least = |all: &mut dyn Iterator<Item = f64>| all.fold(1.0, f64::min);
    let before = least(&mut old.iter().map(|c| upright(points, c, &w)));
    let new: Vec<([u32; 3], [u32; 3])> = (old.iter().filter(|c| !c.contains(&keep)))
        .map(|c| (*c, c.map(|p| if p == lose { keep } else { p })))
        .collect();
    let after = least(&mut new.iter().map(|(_, c)| upright(points, c, &w)));
    let keeps_its_way = |(was, is): &([u32; 3], [u32; 3])| {
        let (n, m) = (area(points, was), area(points, is));
        let sound = shape(points, was) >= LOW || upright(points, was, &w) > LEANING_COS;
        !sound || n.dot(&m) > KEPT_COS * n.norm() * m.norm()
    };
    let lost = points[lose as usize];
    let off = new.iter().map(|(_, c)| {
        let [a, b, c] = c.map(|p| points[p as usize]);
        (nearest_on_triangle(&lost, &a, &b, &c) - lost).norm()
    });
    let leaning = |c: &[u32; 3]| upright(points, c, &w) < LEANING_COS;
    let fewer =
        new.iter().filter(|(_, c)| leaning(c)).count() < old.iter().filter(|c| leaning(c)).count();
    fewer
        && after > before - LESS_UPRIGHT
        && new.iter().all(keeps_its_way)
        && off.fold(f64::INFINITY, f64::min) < MOVED_MM
}

/// Turns edges of low facets that lean off what lies about them, where the surface stays in place and the
/// two new facets lean less and are less low. How many.
pub(super) fn turn_leaning(points: &[Point], facets: &mut [[u32; 3]]) -> usize {
    let low: Vec<usize> = (0..facets.len())
        .filter(|&f| shape(points, &facets[f]) < LOW)
        .collect();
    if low.is_empty() {
        return 0;
    }
    let around = Around::new(points.len(), facets);
    let way = |facets: &[[u32; 3]], ring: &[u32]| way(points, facets, &around, ring);
    let upright = |c: &[u32; 3], way: &Vector| upright(points, c, way);
    let mut touched: HashSet<u32> = HashSet::new();
    let mut turned = 0;
    for f in low {
        let corners = facets[f];
        if way(facets, &corners).is_none_or(|w| upright(&corners, &w) > LEANING_COS) {
            continue;
        }
        let best = (0..3).filter_map(|k| {
            let [a, b, c] = [corners[k], corners[(k + 1) % 3], corners[(k + 2) % 3]];
            let mut beside = around.of(a).iter().map(|&g| g as usize);
            let g = beside.find(|&g| g != f && facets[g].contains(&b) && facets[g].contains(&a))?;
            let d = *facets[g].iter().find(|&&p| p != a && p != b)?;
            let ring = [a, b, c, d];
            let mut of_c = around.of(c).iter();
            let joined = of_c.any(|&h| facets[h as usize].contains(&d));
            if d == c || joined || ring.iter().any(|p| touched.contains(p)) {
                return None;
            }
            let w = way(facets, &ring)?;
            let (old, new) = ([corners, facets[g]], [[c, a, d], [d, b, c]]);
            let least =
                |two: &[[u32; 3]; 2], of: &dyn Fn(&[u32; 3]) -> f64| of(&two[0]).min(of(&two[1]));
            let lean = |c: &[u32; 3]| upright(c, &w);
            let low = |c: &[u32; 3]| shape(points, c);
            let gain = least(&new, &lean) - least(&old, &lean);
            let better = gain > 0.02 && least(&new, &low) > least(&old, &low);
            let place = |p: u32| points[p as usize];
            let stays = apart(place(a), place(b), place(c), place(d)) < MOVED_MM;
            (better && stays).then_some((gain, g, ring, new))
        });
        let Some((_, g, ring, new)) = best.max_by(|x, y| x.0.total_cmp(&y.0)) else {
            continue;
        };
        facets[f] = new[0];
        facets[g] = new[1];
        touched.extend(ring);
        turned += 1;
    }
    turned
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
        let mut facets = [[0, 1, 2], [1, 0, 3], [0, 2, 4], [2, 1, 4]];
        let upright = |facets: &[[u32; 3]]| {
            let each = facets.iter().map(|f| area(&points, f));
            each.map(|n| n.z / n.norm()).fold(1.0, f64::min)
        };
        assert!(upright(&facets) < 0.1, "{}", upright(&facets));
        assert_eq!(turn_leaning(&points, &mut facets), 1);
        assert!(upright(&facets) > 0.98, "{}", upright(&facets));
        let flat: f64 = facets.iter().map(|f| area(&points, f).z).sum();
        assert!((flat - 0.048).abs() < 1e-12, "{flat}");
        assert_eq!(turn_leaning(&points, &mut facets), 0);
        // A real fold, ten times as high, stays.
        let mut high = points.clone();
        high[2].z = 0.12;
        let mut facets = [[0, 1, 2], [1, 0, 3], [0, 2, 4], [2, 1, 4]];
        assert_eq!(turn_leaning(&high, &mut facets), 0);
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
        while close_leaning(&points, &mut facets) + turn_leaning(&points, &mut facets) > 0 {}
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

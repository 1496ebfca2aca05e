//! Do two triangles meet? Decided by exact orientation predicates (Shewchuk 1997, "Adaptive
//! precision floating-point arithmetic and fast robust geometric predicates"), so that neither
//! scale nor pose nor a plane shared to the last bit changes the answer. Touching counts.

use robust::{Coord, Coord3D, orient2d, orient3d};

use crate::mesh::Point;

/// Three corners.
pub(super) type Triangle = [Point; 3];

fn side(plane: &Triangle, p: &Point) -> f64 {
    let c = |p: &Point| Coord3D {
        x: p.x,
        y: p.y,
        z: p.z,
    };
    orient3d(c(&plane[0]), c(&plane[1]), c(&plane[2]), c(p))
}

/// Do the closed triangles have a point in common? Of two triangles without area: no.
pub(super) fn meet(a: &Triangle, b: &Triangle) -> bool {
    let from_a = b.map(|p| side(a, &p));
    if strictly_one_side(&from_a) {
        return false;
    }
    let from_b = a.map(|p| side(b, &p));
    if strictly_one_side(&from_b) {
        return false;
    }
    (has_area(b) && edges_meet(a, &from_b, b)) || (has_area(a) && edges_meet(b, &from_a, a))
}

fn strictly_one_side(s: &[f64; 3]) -> bool {
    s.iter().all(|&x| x > 0.0) || s.iter().all(|&x| x < 0.0)
}

/// Does an edge of `edged` meet `plane`? `sides` are those of the edged corners.
fn edges_meet(edged: &Triangle, sides: &[f64; 3], plane: &Triangle) -> bool {
    (0..3).any(|e| {
        let g = (e + 1) % 3;
        let (p, q) = (&edged[e], &edged[g]);
        if sides[e] == 0.0 && sides[g] == 0.0 {
            return segment_meets_in_plane(p, q, plane);
        }
        if (sides[e] > 0.0) == (sides[g] > 0.0) && sides[e] != 0.0 && sides[g] != 0.0 {
            return false;
        }
        let round = [0, 1, 2].map(|k| side(&[*p, *q, plane[k]], &plane[(k + 1) % 3]));
        round.iter().all(|&x| x >= 0.0) || round.iter().all(|&x| x <= 0.0)
    })
}

/// The two coordinates left when one is dropped; dropping is exact, so in-plane tests are too.
fn flat(p: &Point, dropped: usize) -> Coord<f64> {
    Coord {
        x: p[(dropped + 1) % 3],
        y: p[(dropped + 2) % 3],
    }
}

fn flat_area(t: &Triangle, dropped: usize) -> f64 {
    orient2d(
        flat(&t[0], dropped),
        flat(&t[1], dropped),
        flat(&t[2], dropped),
    )
}

/// Are the corners not in one line?
fn has_area(t: &Triangle) -> bool {
    (0..3).any(|k| flat_area(t, k) != 0.0)
}

/// A segment against a triangle with area in the same plane.
fn segment_meets_in_plane(p: &Point, q: &Point, t: &Triangle) -> bool {
    let Some(k) = (0..3).max_by(|&i, &j| flat_area(t, i).abs().total_cmp(&flat_area(t, j).abs()))
    else {
        return false;
    };
    let (p, q, t) = (flat(p, k), flat(q, k), t.map(|c| flat(&c, k)));
    inside(p, &t) || (0..3).any(|e| segments_meet(p, q, t[e], t[(e + 1) % 3]))
}

fn inside(p: Coord<f64>, t: &[Coord<f64>; 3]) -> bool {
    let s = [0, 1, 2].map(|e| orient2d(t[e], t[(e + 1) % 3], p));
    s.iter().all(|&x| x >= 0.0) || s.iter().all(|&x| x <= 0.0)
}

fn segments_meet(p: Coord<f64>, q: Coord<f64>, r: Coord<f64>, s: Coord<f64>) -> bool {
    let (a, b) = (orient2d(p, q, r), orient2d(p, q, s));
    let (c, d) = (orient2d(r, s, p), orient2d(r, s, q));
    if a == 0.0 && b == 0.0 && c == 0.0 && d == 0.0 {
        let over =
            |lo: f64, hi: f64, x: f64, y: f64| lo.min(hi) <= x.max(y) && x.min(y) <= lo.max(hi);
        return over(p.x, q.x, r.x, s.x) && over(p.y, q.y, r.y, s.y);
    }
    let apart = |x: f64, y: f64| (x > 0.0 && y > 0.0) || (x < 0.0 && y < 0.0);
    !apart(a, b) && !apart(c, d)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tri(c: [[f64; 3]; 3]) -> Triangle {
        c.map(|[x, y, z]| Point::new(x, y, z))
    }

    const FLOOR: [[f64; 3]; 3] = [[0.0, 0.0, 0.0], [4.0, 0.0, 0.0], [0.0, 4.0, 0.0]];

    #[test]
    fn known_pairs() {
        let floor = tri(FLOOR);
        let cases = [
            (
                "stabs through",
                [[1.0, 1.0, -1.0], [1.0, 1.0, 1.0], [5.0, 5.0, 1.0]],
                true,
            ),
            (
                "stands on it",
                [[1.0, 1.0, 0.0], [1.0, 1.0, 1.0], [2.0, 1.0, 1.0]],
                true,
            ),
            (
                "stops short",
                [[1.0, 1.0, 1e-12], [1.0, 1.0, 1.0], [2.0, 1.0, 1.0]],
                false,
            ),
            (
                "beside it",
                [[3.0, 3.0, -1.0], [3.0, 3.0, 1.0], [5.0, 5.0, 1.0]],
                false,
            ),
            (
                "same plane, over",
                [[1.0, 1.0, 0.0], [9.0, 1.0, 0.0], [9.0, 2.0, 0.0]],
                true,
            ),
            (
                "same plane, within",
                [[1.0, 1.0, 0.0], [1.5, 1.0, 0.0], [1.0, 1.5, 0.0]],
                true,
            ),
            (
                "same plane, round",
                [[-9.0, -9.0, 0.0], [30.0, -9.0, 0.0], [-9.0, 30.0, 0.0]],
                true,
            ),
            (
                "same plane, apart",
                [[5.0, 1.0, 0.0], [9.0, 1.0, 0.0], [9.0, 2.0, 0.0]],
                false,
            ),
            (
                "parallel",
                [[0.0, 0.0, 1.0], [4.0, 0.0, 1.0], [0.0, 4.0, 1.0]],
                false,
            ),
            (
                "a line through",
                [[1.0, 1.0, -1.0], [1.0, 1.0, 0.5], [1.0, 1.0, 2.0]],
                true,
            ),
            (
                "a line in it",
                [[1.0, 1.0, 0.0], [1.5, 1.0, 0.0], [2.0, 1.0, 0.0]],
                true,
            ),
            (
                "a line past it",
                [[5.0, 5.0, -1.0], [5.0, 5.0, 0.5], [5.0, 5.0, 2.0]],
                false,
            ),
            (
                "a point on it",
                [[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [1.0, 1.0, 0.0]],
                true,
            ),
            (
                "a point off it",
                [[1.0, 1.0, 0.1], [1.0, 1.0, 0.1], [1.0, 1.0, 0.1]],
                false,
            ),
        ];
        for (name, corners, expected) in cases {
            assert_eq!(meet(&floor, &tri(corners)), expected, "{name}");
            assert_eq!(meet(&tri(corners), &floor), expected, "{name}, swapped");
        }
    }

    prop_compose! {
        fn corner()(c in prop::array::uniform3(-4_i32..5)) -> [f64; 3] { c.map(f64::from) }
    }

    /// Meeting by brute force on integer corners: minimise the distance between the triangles by
    /// the exact nearest point from densely placed points of one, both ways. Only used to say
    /// "surely apart" and "surely deep"; what lies between is left to symmetry.
    fn gap(a: &Triangle, b: &Triangle) -> f64 {
        let mut least = f64::INFINITY;
        for (s, t) in [(a, b), (b, a)] {
            for i in 0..=40 {
                for j in 0..=40 - i {
                    let (u, v) = (f64::from(i) / 40.0, f64::from(j) / 40.0);
                    let p = s[0] + (s[1] - s[0]) * u + (s[2] - s[0]) * v;
                    let q = crate::mesh::nearest_on_triangle(&p, &t[0], &t[1], &t[2]);
                    least = least.min((p - q).norm());
                }
            }
        }
        least
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(300))]

        #[test]
        fn agrees_with_distance(c in prop::array::uniform6(corner())) {
            let (a, b) = (tri([c[0], c[1], c[2]]), tri([c[3], c[4], c[5]]));
            prop_assume!(has_area(&a) && has_area(&b));
            let met = meet(&a, &b);
            prop_assert_eq!(met, meet(&b, &a));
            prop_assert_eq!(met, meet(&[a[1], a[2], a[0]], &[b[2], b[1], b[0]]));
            // samples lie at most 12/40 apart along a side of at most 8·√3
            let gap = gap(&a, &b);
            if met {
                prop_assert!(gap < 0.4, "said to meet, but {gap} apart");
            } else {
                prop_assert!(gap > 0.0, "said to be apart, but a sample touches");
            }
        }
    }
}

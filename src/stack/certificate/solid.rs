//! Boxes as solids, and the margin between two of them: the exact distance where they are apart,
//! minus the smallest translation that parts them where they overlap.

use super::segments::segment_distance;
use crate::mesh::{Point, Vector};
use crate::stack::pose::Pose;

/// A box in space: middle, unit axes, half sides.
#[derive(Debug, Clone, Copy)]
pub struct Solid {
    pub middle: Point,
    pub axes: [Vector; 3],
    pub half: [f64; 3],
}

/// Corner pairs (as bit patterns of signs) that make the twelve edges.
pub const EDGES: [(usize, usize); 12] = [
    (0, 1),
    (2, 3),
    (4, 5),
    (6, 7),
    (0, 2),
    (1, 3),
    (4, 6),
    (5, 7),
    (0, 4),
    (1, 5),
    (2, 6),
    (3, 7),
];

impl Solid {
    /// The box `own` (middle and half sides in the part's frame) of a part that stands at `pose`.
    pub fn placed(pose: &Pose, own_middle: &Vector, half: [f64; 3]) -> Self {
        Self {
            middle: pose.place(own_middle),
            axes: [0, 1, 2].map(|k| pose.turn.column(k).into_owned()),
            half,
        }
    }

    /// The eight corners; bit k of the index says on which side along axis k.
    pub fn corners(&self) -> [Point; 8] {
        std::array::from_fn(|i| {
            (0..3).fold(self.middle, |p, k| {
                let side = if i >> k & 1 == 1 { 1.0 } else { -1.0 };
                p + self.axes[k] * (side * self.half[k])
            })
        })
    }

    /// Half width seen along a unit direction.
    pub fn reach(&self, dir: &Vector) -> f64 {
        (0..3)
            .map(|k| self.half[k] * self.axes[k].dot(dir).abs())
            .sum()
    }

    /// The point in the box's own frame.
    pub fn own(&self, p: &Point) -> Vector {
        let d = p - self.middle;
        Vector::new(
            self.axes[0].dot(&d),
            self.axes[1].dot(&d),
            self.axes[2].dot(&d),
        )
    }

    /// Distance of a point from the solid box, mm; 0 inside.
    pub fn distance(&self, p: &Point) -> f64 {
        let own = self.own(p);
        let out = |k: usize| (own[k].abs() - self.half[k]).max(0.0);
        Vector::new(out(0), out(1), out(2)).norm()
    }
}

/// Margin between two boxes, mm.
pub fn pair_margin(a: &Solid, b: &Solid) -> f64 {
    let widest = separating_gap(a, b);
    if widest <= 0.0 {
        return widest;
    }
    let (ca, cb) = (a.corners(), b.corners());
    let mut least = f64::INFINITY;
    for p in &ca {
        least = least.min(b.distance(p));
    }
    for p in &cb {
        least = least.min(a.distance(p));
    }
    for (i, j) in EDGES {
        for (k, l) in EDGES {
            least = least.min(segment_distance(&ca[i], &ca[j], &cb[k], &cb[l]));
        }
    }
    least
}

/// The widest gap over the fifteen axes that can separate two boxes. Negative: they overlap, and
/// this is minus the smallest translation that parts them (the faces of their Minkowski
/// difference have no other normals).
fn separating_gap(a: &Solid, b: &Solid) -> f64 {
    let between = b.middle - a.middle;
    let gap = |dir: &Vector| between.dot(dir).abs() - a.reach(dir) - b.reach(dir);
    let faces = a.axes.iter().chain(&b.axes).map(&gap);
    let edges = a.axes.iter().flat_map(|u| {
        b.axes.iter().filter_map(|v| {
            // Parallel edges have no common normal of their own; a face axis stands for it.
            u.cross(v).try_normalize(1e-9).map(|dir| gap(&dir))
        })
    });
    faces.chain(edges).fold(f64::NEG_INFINITY, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{Rotation3, Unit};

    fn at(x: f64, y: f64, z: f64) -> Solid {
        Solid::placed(
            &Pose::upright(Point::new(x, y, z)),
            &Vector::zeros(),
            [1.0, 2.0, 3.0],
        )
    }

    #[test]
    fn face_edge_and_corner_distances_of_upright_boxes() {
        let a = at(0.0, 0.0, 0.0);
        let cases = [
            (at(2.5, 0.0, 0.0), 0.5),
            (at(2.3, 4.4, 0.0), 0.5),
            (at(3.0, 6.0, 8.0), 3.0),
            (at(1.5, 0.0, 0.0), -0.5),
            (at(0.0, 0.0, 0.0), -2.0),
        ];
        for (b, want) in cases {
            assert!((pair_margin(&a, &b) - want).abs() < 1e-12, "{want}");
            assert!((pair_margin(&b, &a) - want).abs() < 1e-12, "{want}");
        }
    }

    #[test]
    fn crossed_edges() {
        // Two long bars, each turned 45° about its own length so that an edge points at the other.
        let bar = |dir: Vector, middle: Point| {
            let up = Vector::z();
            let side = up.cross(&dir);
            let s = 0.5_f64.sqrt();
            Solid {
                middle,
                axes: [dir, (up + side) * s, (up - side) * s],
                half: [5.0, 0.5, 0.5],
            }
        };
        let a = bar(Vector::x(), Point::origin());
        let reach = 0.5_f64.sqrt();
        for gap in [0.7, 0.1, 0.0, -0.2] {
            let b = bar(Vector::y(), Point::new(0.4, 0.3, 2.0 * reach + gap));
            assert!((pair_margin(&a, &b) - gap).abs() < 1e-12, "{gap}");
        }
    }

    #[test]
    fn slow_twin_alternating_projections() {
        let mut rng = crate::stack::search::rng::Rng::new(7);
        let mut seen = 0;
        for _ in 0..1000 {
            let make = |rng: &mut crate::stack::search::rng::Rng, spread: f64| {
                let axis = Unit::new_normalize(rng.direction());
                let turn = Rotation3::from_axis_angle(&axis, rng.within(0.0, 6.0)).into_inner();
                let middle = Point::origin() + rng.direction() * spread;
                let half = [0, 1, 2].map(|_| rng.within(0.3, 3.0));
                Solid::placed(&Pose { turn, middle }, &Vector::zeros(), half)
            };
            let a = make(&mut rng, 0.0);
            let b = make(&mut rng, 5.0);
            let got = pair_margin(&a, &b);
            let mut p = a.middle;
            for _ in 0..200_000 {
                let q = clamp_into(&a, &clamp_into(&b, &p));
                if (q - p).norm() < 1e-12 {
                    break;
                }
                p = q;
            }
            let twin = (clamp_into(&b, &p) - p).norm();
            if got > 0.0 {
                seen += 1;
                assert!((got - twin).abs() < 1e-4, "{got} {twin}");
                assert!(got <= twin + 1e-9);
            } else {
                assert!(twin < 2e-2, "overlapping boxes share a point: {twin}");
                // Moved by the depth along some axis they must just touch.
                assert!(got > -6.0 * 3.0_f64.sqrt());
            }
        }
        assert!(seen > 300);
    }

    fn clamp_into(s: &Solid, p: &Point) -> Point {
        let own = s.own(p);
        (0..3).fold(s.middle, |q, k| {
            q + s.axes[k] * own[k].clamp(-s.half[k], s.half[k])
        })
    }
}

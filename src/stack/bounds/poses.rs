//! Does a box hold one of some points in all poses of a cell in which it stands? So it is where one place of
//! the box is too near the wall in all of them, where one point is in the box in all of them, or where
//! what standing asks and what keeping off the points asks contradict each other.
//!
//! The contradictions (`farkas.rs`, over the linear parts; the second order counted against us) let cells
//! be as wide as the root of the margin, where one place alone asks for cells as narrow as the margin.

use super::body::{Body, to_box_mm};
use super::cell::{Cell, Spread};
use super::farkas::{Row, contradict};
use super::outer::Outer;
use crate::mesh::{Point, Vector};

/// Ways round the points that are looked at in one cell, at most; more are left to its halves.
const MOST_WAYS: usize = 12;

/// One size of box, where it must not stand, and what it should hold.
#[derive(Clone, Copy)]
pub(super) struct Question<'a> {
    pub outer: &'a Outer,
    pub body: &'a Body,
    pub points: &'a [Point],
}

/// What a look at a cell came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Seen {
    /// None of its poses stands, or each that does holds a point.
    Done,
    /// Its middle stands and holds nothing, or nearly so.
    Stands,
    Open,
}

impl Question<'_> {
    /// Looks at a cell. Its middle stands if it fails by less than `close_mm`.
    pub fn look(&self, cell: &Cell, close_mm: f64) -> Seen {
        let spread = cell.spread();
        let mut rows = Vec::with_capacity(40);
        let Some(lacks) = self.walls(&spread, &mut rows) else {
            return Seen::Done;
        };
        let mut ways = Vec::with_capacity(self.points.len());
        let Some(held) = self.ways(&spread, &mut ways) else {
            return Seen::Done;
        };
        if lacks.max(held) < close_mm {
            return Seen::Stands;
        }
        // Few faces first, and as many points as do not make too many ways.
        ways.sort_by_key(Vec::len);
        let mut count = 1;
        let few = |faces: &&Vec<Row>| {
            count *= faces.len();
            count <= MOST_WAYS
        };
        let taken = ways.iter().take_while(few).count();
        if all_contradict(&mut rows, &ways[..taken]) {
            Seen::Done
        } else {
            Seen::Open
        }
    }

    /// What standing asks, as rows; and what the worst place lacks in the middle, mm. `None`: no pose stands.
    fn walls(&self, spread: &Spread, rows: &mut Vec<Row>) -> Option<f64> {
        let mut worst = f64::MIN;
        for place in &self.body.places {
            let v = spread.turn * place.at;
            let above = self.outer.above(&(spread.middle + v));
            let lacks = place.need_mm - above.depth_mm;
            let moved = spread.moved_mm(place.far_mm);
            if lacks > moved {
                return None;
            }
            worst = worst.max(lacks);
            if lacks + moved > 0.0 {
                let row = spread.off_ball(&v, &above.slope, above.far_mm, lacks);
                if row.says_something() {
                    rows.push(row);
                }
            }
        }
        Some(worst)
    }

    /// For each point that may be held, the faces it may lie beyond; and by how much one is held in the
    /// middle, mm. `None`: one is held in all poses.
    fn ways(&self, spread: &Spread, ways: &mut Vec<Vec<Row>>) -> Option<f64> {
        let mut most = f64::MIN;
        for point in self.points {
            let d = point - spread.middle;
            let own = spread.turn.tr_mul(&d);
            let held = self.body.hold_mm - to_box_mm(&own, &self.body.half);
            let moved = spread.moved_mm(d.norm());
            if held > moved {
                return None;
            }
            most = most.max(held);
            if held + moved > 0.0 {
                let faces = self.faces(spread, &d, &own, moved);
                if faces.is_empty() {
                    return None;
                }
                ways.push(faces);
            }
        }
        Some(most)
    }

    /// The faces that a point may lie beyond in some pose of the cell, each as a row.
    fn faces(&self, spread: &Spread, d: &Vector, own: &Vector, moved: f64) -> Vec<Row> {
        let Body { half, hold_mm, .. } = self.body;
        let most_sq = (own.abs() - half).map(|b| (b + moved).max(0.0).powi(2));
        let mut faces = Vec::with_capacity(6);
        for k in 0..3 {
            // How far it lies beyond the face that it is farthest beyond: a third of the square of its
            // distance, and what the others leave of it.
            let need = if *hold_mm > 0.0 {
                let left = hold_mm * hold_mm - (most_sq.sum() - most_sq[k]);
                left.max(hold_mm * hold_mm / 3.0).sqrt()
            } else {
                *hold_mm
            };
            for sign in [1.0, -1.0] {
                let over = sign * own[k] - half[k];
                if over + moved < need {
                    continue;
                }
                let e = spread.turn.column(k) * sign;
                faces.push(spread.beyond(&e, d, need - over));
            }
        }
        faces
    }
}

/// Do the rows contradict each other whichever face is taken for each point?
fn all_contradict(rows: &mut Vec<Row>, ways: &[Vec<Row>]) -> bool {
    let Some((first, rest)) = ways.split_first() else {
        return contradict(rows);
    };
    first.iter().all(|row| {
        rows.push(*row);
        let none = all_contradict(rows, rest);
        rows.pop();
        none
    })
}

#[cfg(test)]
mod tests {
    use super::super::Facts;
    use super::*;
    use crate::stack::search::rng::Rng;
    use crate::stack::shapes::{block, sphere};
    use crate::stack::{Cavity, Depth, Stack};

    /// Boxes that touch what they may touch at every corner, in rooms made for them or by chance; points just off
    /// their sides. No cell that has such a pose may be done.
    #[test]
    fn a_cell_with_a_pose_that_stands_and_holds_nothing_is_never_done() {
        let mut rng = Rng::new(41);
        let (size, wall, hold) = ([4.0, 3.0, 2.0], 0.25, 0.075);
        let body = Body::new(size, wall, hold);
        let ball = sphere(body.reach_mm + 0.02 + wall, 48);
        for (mesh, turn) in [
            (
                block(4.0 + 0.5, 3.0 + 0.5, 2.0 + 0.5),
                nalgebra::Matrix3::identity(),
            ),
            (ball, rng.turn()),
        ] {
            let (lain, off) = (rng.turn(), Vector::repeat(0.123));
            let placed = |p: &Point| Point::from(lain * p.coords + off);
            let cavity = Cavity::new(mesh.mapped(placed).unwrap()).unwrap();
            let stack = Stack::of_boxes(&[size], 0.15, wall);
            let depth = Depth::new(&cavity);
            let facts = Facts::new(&cavity, &stack, &depth);
            let outer = Outer::new(&facts).unwrap();
            let turn = lain * turn;
            let mut open = 0;
            for _ in 0..20_000 {
                let points: Vec<Point> = (0..rng.below(4))
                    .map(|_| Point::from(off + turn * beside(&body, hold + 1e-6, &mut rng)))
                    .collect();
                let cell = round(&turn, &off, &mut rng);
                let (outer, body) = (&outer, &body);
                let question = Question {
                    outer,
                    body,
                    points: &points,
                };
                // The ball has facets, and the poses are rounded: a hair is let go.
                let seen = question.look(&cell, -1e-3);
                assert!(seen != Seen::Done, "{cell:?} {points:?}");
                open += usize::from(seen == Seen::Open);
            }
            assert!(open > 5_000, "{open}");
        }
    }

    /// A place so far from the box's nearest side, edge or corner.
    fn beside(body: &Body, off_mm: f64, rng: &mut Rng) -> Vector {
        let side = [0; 3].map(|_| [-1.0, 1.0][rng.below(2)]);
        let beyond = rng.below(3);
        let over = [0; 3].map(|_| rng.unit() * [0.0, 1.0][rng.below(2)]);
        let over = Vector::from_fn(|k, _| if k == beyond { 1.0 } else { over[k] });
        let way = over.normalize() * off_mm;
        Vector::from_fn(|k, _| {
            let within = if way[k] > 0.0 {
                1.0
            } else {
                rng.within(-1.0, 1.0)
            };
            side[k] * (within * body.half[k] + way[k])
        })
    }

    /// A cell of any width that has this pose in it, one of the box's half turns aside.
    fn round(turn: &nalgebra::Matrix3<f64>, middle: &Vector, rng: &mut Rng) -> Cell {
        loop {
            let half = nalgebra::Rotation3::new(
                [Vector::zeros(), Vector::x(), Vector::y(), Vector::z()][rng.below(4)]
                    * std::f64::consts::PI,
            );
            let q = nalgebra::UnitQuaternion::from_matrix(&(turn * half));
            let u = q.imag() / q.w;
            if u.amax() < 1.5 {
                let wide = rng.unit().powi(3);
                let half_x = [0; 3].map(|_| wide * rng.unit());
                let half_u = [0; 3].map(|_| 0.4 * wide * rng.unit());
                let mut within = |half: f64| half * rng.within(-1.0, 1.0);
                return Cell {
                    x: [0, 1, 2].map(|k| middle[k] + within(half_x[k])),
                    u: [0, 1, 2].map(|k| u[k] + within(half_u[k])),
                    half_x,
                    half_u,
                };
            }
        }
    }
}

//! Arrangements that were polished already. Starts come back to the same dead end from many sides: of five
//! parts with tubes in a close room 100 of 300 polishes ended in the same place, 0.057 mm short each time,
//! and half of the search's time went into them (30 November 2026).

use super::Run;
use crate::mesh::Vector;
use crate::stack::pose::Pose;

/// Placements of which no part stands further off than this, mm, nor is turned by more (rad) are one
/// arrangement: they are polished into one.
const OFF_MM: f64 = 0.5;
const TURNED_RAD: f64 = 0.2;
/// So often one arrangement is polished. Once: what is a hair short and wants another beginning is missed.
const MOST: usize = 3;

/// One arrangement, in the model it was polished in, and how often.
struct Known {
    lane: usize,
    poses: Vec<Pose>,
    times: usize,
}

/// The arrangements polished since the search last began anew.
#[derive(Default)]
pub struct Tried {
    known: Vec<Known>,
}

impl Tried {
    /// Has this been polished often enough?
    pub fn enough(&self, lane: usize, poses: &[Pose]) -> bool {
        self.find(lane, poses)
            .is_some_and(|k| self.known[k].times >= MOST)
    }

    /// Counts the runs that were polished and ended short.
    pub fn keep(&mut self, runs: &[Run]) {
        let short = |r: &&Run| r.spare_mm.is_some_and(|s| s < 0.0);
        for run in runs.iter().filter(short) {
            self.count(run.lane, &run.poses);
        }
    }

    /// One more polish that ended short, there.
    fn count(&mut self, lane: usize, poses: &[Pose]) {
        match self.find(lane, poses) {
            Some(k) => self.known[k].times += 1,
            None => self.known.push(Known {
                lane,
                poses: poses.to_vec(),
                times: 1,
            }),
        }
    }

    /// Lays all aside.
    pub fn clear(&mut self) {
        self.known.clear();
    }

    fn find(&self, lane: usize, poses: &[Pose]) -> Option<usize> {
        self.known
            .iter()
            .position(|k| k.lane == lane && alike(&k.poses, poses))
    }
}

/// Are two placements one arrangement?
fn alike(a: &[Pose], b: &[Pose]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| near(a, b))
}

fn near(a: &Pose, b: &Pose) -> bool {
    let off: Vector = a.middle - b.middle;
    // The trace of a turn is 1 + 2 cos of its angle.
    let trace = a.turn.dot(&b.turn);
    off.norm_squared() < OFF_MM * OFF_MM && trace > 1.0 + 2.0 * TURNED_RAD.cos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::Point;

    #[test]
    fn what_was_polished_thrice_and_is_alike_is_enough() {
        let at = |x: f64, turned: f64| {
            let turn = nalgebra::Rotation3::new(Vector::z() * turned);
            vec![
                Pose::upright(Point::origin()),
                Pose {
                    turn: turn.into_inner(),
                    middle: Point::new(x, 0.0, 0.0),
                },
            ]
        };
        let mut tried = Tried::default();
        for n in 0..MOST {
            assert!(!tried.enough(0, &at(3.0, 0.0)), "{n}");
            tried.count(0, &at(3.0 + 0.1 * n as f64, 0.05));
        }
        assert!(tried.enough(0, &at(3.0, 0.0)));
        assert!(!tried.enough(1, &at(3.0, 0.0)), "another lane");
        assert!(!tried.enough(0, &at(4.0, 0.0)), "a part further off");
        assert!(!tried.enough(0, &at(3.0, 0.4)), "a part turned");
        tried.clear();
        assert!(!tried.enough(0, &at(3.0, 0.0)));
    }
}

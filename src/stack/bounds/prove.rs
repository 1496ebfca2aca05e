//! Goes through all poses of a box, cell by cell, for one that stands and holds none of some points. What it
//! tells hangs on the question alone, not on the threads; only where time or cells run out it tells nothing.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use rayon::prelude::*;

use super::cell::Cell;
use super::poses::{Question, Seen};
use crate::stack::Pose;

/// Cells that it begins with, and how many of them are gone through at once.
const ROOTS: usize = 512;
const AT_ONCE: usize = 64;
/// Poses that are enough to find points anew.
const ENOUGH: usize = 32;
/// Cells between two looks at the clock.
const BREATH: usize = 128;

/// What may be spent.
pub(super) struct Budget {
    pub until: Option<Instant>,
    pub cells: usize,
    spent: AtomicUsize,
}

impl Budget {
    pub fn new(until: Option<Instant>, cells: usize) -> Self {
        Self {
            until,
            cells,
            spent: AtomicUsize::new(0),
        }
    }

    pub fn over(&self) -> bool {
        self.spent.load(Ordering::Relaxed) > self.cells
            || self.until.is_some_and(|t| Instant::now() >= t)
    }

    fn spend(&self, cells: usize) -> Option<()> {
        self.spent.fetch_add(cells, Ordering::Relaxed);
        (!self.over()).then_some(())
    }
}

/// Poses that fail by less than `close_mm` to stand and to hold nothing. None: wherever the box stands it holds
/// a point. `None` at all: the budget ran out.
pub(super) fn unheld(
    question: &Question,
    all: Cell,
    close_mm: f64,
    budget: &Budget,
) -> Option<Vec<Pose>> {
    let mut roots = vec![all];
    while !roots.is_empty() && roots.len() < ROOTS {
        budget.spend(roots.len())?;
        let mut next = Vec::with_capacity(2 * roots.len());
        for cell in &roots {
            match question.look(cell, close_mm) {
                Seen::Done => {}
                Seen::Stands => return Some(vec![cell.pose()]),
                Seen::Open => next.extend(cell.halves(question.body.reach_mm)),
            }
        }
        roots = next;
    }
    let mut found = Vec::new();
    // Each share has cells of all places, so that what is found is, too.
    let shares = roots.len().div_ceil(AT_ONCE);
    for first in 0..shares {
        let share: Vec<&Cell> = roots.iter().skip(first).step_by(shares).collect();
        let seen: Vec<Option<Option<Pose>>> = share
            .par_iter()
            .map(|cell| first_unheld(question, **cell, close_mm, budget))
            .collect();
        for pose in seen {
            found.extend(pose?);
        }
        if found.len() >= ENOUGH {
            break;
        }
    }
    Some(found)
}

/// The first of such poses in a cell, depth first.
fn first_unheld(
    question: &Question,
    cell: Cell,
    close_mm: f64,
    budget: &Budget,
) -> Option<Option<Pose>> {
    let mut todo = vec![cell];
    let mut gone = 0;
    while let Some(cell) = todo.pop() {
        gone += 1;
        if gone % BREATH == 0 {
            budget.spend(BREATH)?;
        }
        match question.look(&cell, close_mm) {
            Seen::Done => {}
            Seen::Stands => return Some(Some(cell.pose())),
            Seen::Open => todo.extend(cell.halves(question.body.reach_mm)),
        }
    }
    budget.spend(gone % BREATH)?;
    Some(None)
}

#[cfg(test)]
mod tests {
    use super::super::Facts;
    use super::super::body::Body;
    use super::super::outer::Outer;
    use super::*;
    use crate::mesh::{Mesh, Point, Vector};
    use crate::stack::search::rng::Rng;
    use crate::stack::shapes::{block, sphere};
    use crate::stack::{Cavity, Depth, Stack};

    const SIZE_MM: [f64; 3] = [4.0, 3.0, 2.0];
    const WALL_MM: f64 = 0.25;
    const HOLD_MM: f64 = 0.075;

    /// All poses in a room, turned any way, with points told in the box's own frame where it lies about the room's
    /// middle, turned by `turn`.
    fn asked(room: &Mesh, own: &[Vector], free: bool, rng: &mut Rng) -> Option<Vec<Pose>> {
        let (lain, off) = (rng.turn(), Vector::repeat(0.123));
        let turn = if free { rng.turn() } else { lain };
        let placed = |p: &Point| Point::from(lain * p.coords + off);
        let cavity = Cavity::new(room.mapped(placed).unwrap()).unwrap();
        let stack = Stack::of_boxes(&[SIZE_MM], 2.0 * HOLD_MM, WALL_MM);
        let depth = Depth::new(&cavity);
        let outer = Outer::new(&Facts::new(&cavity, &stack, &depth)).unwrap();
        let body = Body::new(SIZE_MM, WALL_MM, HOLD_MM);
        let points: Vec<Point> = own.iter().map(|p| Point::from(off + turn * p)).collect();
        let question = Question {
            outer: &outer,
            body: &body,
            points: &points,
        };
        let all = Cell {
            x: off.into(),
            half_x: [2.0; 3],
            u: [0.0; 3],
            half_u: [1.0; 3],
        };
        unheld(&question, all, 0.002, &Budget::new(None, 100_000))
    }

    /// A room with a hair to spare, and points a hair off the box's sides: the one pose there is may be missed
    /// where the budget runs out, and never denied. By a hair in the box, they are held.
    #[test]
    fn the_only_pose_that_stands_off_the_points_is_never_denied() {
        let mut rng = Rng::new(61);
        let half = Vector::from(SIZE_MM) / 2.0;
        let made_for_it = block(4.5 + 1e-3, 3.5 + 1e-3, 2.5 + 1e-3);
        let ball = sphere(half.norm() + WALL_MM + 0.01, 48);
        let (mut found, mut held) = (0, 0);
        for n in 0..40 {
            let (room, free) = [(&made_for_it, false), (&ball, true)][n % 2];
            let mut on_a_side = |off: f64| {
                let (k, side) = (rng.below(3), [-1.0, 1.0][rng.below(2)]);
                let mut at = half.map(|h| h * rng.within(-0.9, 0.9));
                at[k] = side * (half[k] + off);
                at
            };
            let off: Vec<Vector> = (0..1 + n % 3).map(|_| on_a_side(HOLD_MM + 1e-3)).collect();
            let told = asked(room, &off, free, &mut rng);
            assert!(told.as_ref().is_none_or(|t| !t.is_empty()), "{n} {off:?}");
            found += usize::from(told.is_some());
            if !free {
                let told = asked(room, &[half.map(|h| h - 0.3)], free, &mut rng);
                assert!(told.as_ref().is_some_and(Vec::is_empty), "{n} {told:?}");
                held += 1;
            }
        }
        assert!(found > 20 && held == 20, "{found} {held}");
    }
}

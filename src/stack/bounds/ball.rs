//! The largest ball in the cavity, from above: depth changes by no more than the way one goes, so
//! a cell is no deeper anywhere than at its middle plus its half diagonal.

use std::collections::BinaryHeap;

use super::{BoundKind, Facts, Proof, SAFETY_MM};
use crate::mesh::{Point, Vector};
use crate::stack::grid::{NODE_ERROR_MM, exact_depth};

/// The bound is drawn to within this of the true radius, mm.
const CLOSE_MM: f64 = 0.002;
/// Exact depths asked for at most; what is left open by then stays in the bound.
const MOST_QUERIES: usize = 20_000;

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let (part, need) = facts
        .free()
        .into_iter()
        .map(|i| (i, facts.core_depth_mm(i)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let deepest = facts.depth.values().iter().copied().fold(f32::MIN, f32::max);
    if need <= f64::from(deepest) - NODE_ERROR_MM {
        return None;
    }
    let have = largest_ball(facts);
    (need > have + SAFETY_MM).then(|| Proof {
        bound: BoundKind::Ball,
        need,
        have,
        parts: vec![part],
    })
}

struct Cell {
    bound: f64,
    middle: Point,
    side: f64,
}

impl PartialEq for Cell {
    fn eq(&self, other: &Self) -> bool {
        self.bound == other.bound
    }
}
impl Eq for Cell {}
impl PartialOrd for Cell {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Cell {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.bound.total_cmp(&other.bound)
    }
}

/// No ball in the cavity has a larger radius than this, mm.
pub(super) fn largest_ball(facts: &Facts) -> f64 {
    let depth = facts.depth;
    let reach = |side: f64| side * 3.0_f64.sqrt() / 2.0;
    let mut found = depth.values().iter().map(|v| f64::from(*v)).fold(0.0, f64::max);
    let mut open: BinaryHeap<Cell> = depth
        .values()
        .iter()
        .enumerate()
        .map(|(i, v)| Cell {
            bound: f64::from(*v) + NODE_ERROR_MM + reach(depth.step_mm()),
            middle: depth.node_at(i),
            side: depth.step_mm(),
        })
        .filter(|c| c.bound >= found)
        .collect();
    let mut asked = 0;
    while let Some(cell) = open.pop() {
        if cell.bound <= found + CLOSE_MM || asked >= MOST_QUERIES {
            return cell.bound.max(found);
        }
        let side = cell.side / 2.0;
        for i in 0..8 {
            let at = Vector::from_fn(|k, _| if i >> k & 1 == 1 { 0.5 } else { -0.5 });
            let middle = cell.middle + at * side;
            let d = exact_depth(&facts.queries, &middle);
            asked += 1;
            found = found.max(d);
            open.push(Cell {
                bound: (d + reach(side)).min(cell.bound),
                middle,
                side,
            });
        }
    }
    found
}

//! The largest ball in the cavity, from above: depth changes by no more than the way one goes, so
//! a cell is no deeper anywhere than at its middle plus its half diagonal.

use rayon::prelude::*;

use super::{BoundKind, Facts, Proof, SAFETY_MM};
use crate::mesh::{Point, Vector};
use crate::stack::grid::{NODE_ERROR_MM, exact_depth};

/// The bound is drawn to within this of the true radius, mm.
const CLOSE_MM: f64 = 0.002;
/// Exact depths asked for at most; what is left open by then stays in the bound.
const MOST_QUERIES: usize = 400_000;

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let (part, need) = facts
        .free()
        .into_iter()
        .map(|i| (i, facts.core_depth_mm(i)))
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let deepest = facts
        .depth
        .values()
        .iter()
        .copied()
        .fold(f32::MIN, f32::max);
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

#[derive(Clone, Copy)]
struct Cell {
    bound: f64,
    middle: Point,
}

/// No ball in the cavity has a larger radius than this, mm.
pub(super) fn largest_ball(facts: &Facts) -> f64 {
    let depth = facts.depth;
    let mut side = depth.step_mm();
    let reach = |side: f64| side * 3.0_f64.sqrt() / 2.0;
    let mut found = depth
        .values()
        .iter()
        .map(|v| f64::from(*v))
        .fold(0.0, f64::max);
    let mut open: Vec<Cell> = depth
        .values()
        .iter()
        .enumerate()
        .map(|(i, v)| Cell {
            bound: f64::from(*v) + NODE_ERROR_MM + reach(side),
            middle: depth.node_at(i),
        })
        .collect();
    let mut asked = 0;
    loop {
        open.retain(|c| c.bound > found + CLOSE_MM);
        asked += 8 * open.len();
        if open.is_empty() || asked > MOST_QUERIES {
            return open
                .iter()
                .map(|c| c.bound)
                .fold(found + CLOSE_MM, f64::max);
        }
        side /= 2.0;
        open = open
            .par_iter()
            .flat_map_iter(|cell| {
                (0..8).map(move |i| {
                    let at = Vector::from_fn(|k, _| if i >> k & 1 == 1 { 0.5 } else { -0.5 });
                    let middle = cell.middle + at * side;
                    let d = exact_depth(&facts.queries, &middle);
                    Cell {
                        bound: (d + reach(side)).min(cell.bound),
                        middle,
                    }
                })
            })
            .collect();
        found = open
            .iter()
            .map(|c| c.bound - reach(side))
            .fold(found, f64::max);
    }
}

//! Parts that fit and leave a tube no way: the tubes are laid as if each part were alone, and the parts
//! are moved off those lanes; then the tubes are laid again.

use super::contact::Block;
use super::descent::{Plan, Scratch, descend};
use super::model::{Fixed, Model};
use super::polish::polish;
use crate::mesh::{MeshQueries, Point, Vector};
use crate::stack::placement::Tube;
use crate::stack::pose::Pose;
use crate::stack::route::curve::across;
use crate::stack::route::{NoWay, Plumbing};

/// Times that parts are moved off lanes before a placement is given up. Not tuned.
const ROUNDS: usize = 3;
/// Length of the straight pieces that stand for a lane, mm.
const PIECE_MM: f64 = 1.0;
/// A square bar for a round tube: between the one in it and the one round it.
const SQUARE: f64 = 0.85;

/// The placement with its tubes, or the tube that finds no way.
pub fn give_way(
    model: &mut Model,
    plumbing: &Plumbing,
    queries: &MeshQueries,
    poses: &mut Vec<Pose>,
    over: &dyn Fn() -> bool,
) -> Result<Vec<Tube>, NoWay> {
    let mut scratch = Scratch::new(model);
    let mut trial = poses.clone();
    let mut last = None;
    for _ in 0..ROUNDS {
        let lanes = plumbing.lanes(&trial, over)?;
        model.fixed = lanes.iter().flat_map(|t| pieces(model, t)).collect();
        let plan = Plan {
            from: 1.0,
            growing: 0,
            full: 40,
            fine: true,
        };
        let weights = model.flat_weights();
        let faults = descend(model, &mut trial, plan, &weights, &mut scratch);
        if faults.worst_mm > 0.3 || over() {
            break;
        }
        // The lanes may be left a little: what counts is whether tubes find a way.
        let spare = polish(model, queries, &mut trial, over);
        model.fixed.clear();
        if spare < 0.0 && polish(model, queries, &mut trial, over) < 0.0 {
            break;
        }
        let printed: Vec<Pose> = trial.iter().map(Pose::as_printed).collect();
        match plumbing.lay(&printed, false, over) {
            Ok(tubes) => {
                poses.clone_from(&trial);
                return Ok(tubes);
            }
            Err(no_way) => last = Some(no_way),
        }
    }
    model.fixed.clear();
    Err(last.unwrap_or(NoWay { part: 0, laid: 0 }))
}

/// Straight pieces that stand for a tube.
fn pieces(model: &Model, tube: &Tube) -> Vec<Fixed> {
    let Some(own) = model.stack.parts.iter().position(|p| p.name == tube.part) else {
        return Vec::new();
    };
    let mut marks: Vec<Point> = Vec::new();
    for p in &tube.centreline {
        if marks.last().is_none_or(|q| (p - q).norm() >= PIECE_MM) {
            marks.push(*p);
        }
    }
    marks.extend(tube.centreline.last());
    let piece = |w: &[Point]| {
        let along: Vector = w[1] - w[0];
        let way = along.try_normalize(1e-6)?;
        let (u, v) = across(&way);
        let half = tube.outer_mm / 2.0 * SQUARE;
        Some(Fixed {
            block: Block {
                middle: nalgebra::center(&w[0], &w[1]),
                turn: nalgebra::Matrix3::from_columns(&[way, u, v]),
                half: [along.norm() / 2.0, half, half],
            },
            own,
            need: model.stack.clearance_mm,
        })
    };
    marks.windows(2).filter_map(piece).collect()
}

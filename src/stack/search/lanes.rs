//! Parts that fit and leave a tube no way: tubes settle among the parts as well as they can, the parts
//! are moved off them, and so on by turns, until what is missing is so little that laying is worth it.

use super::contact::Block;
use super::descent::{Plan, Scratch, descend};
use super::model::{Fixed, Model};
use super::polish::polish;
use super::wall::Wall;
use crate::mesh::{Point, Vector};
use crate::stack::placement::Tube;
use crate::stack::pose::Pose;
use crate::stack::route::curve::across;
use crate::stack::route::{NoWay, Plumbing};

/// Times that parts are moved off lanes before a placement is given up, and how often laying is tried on
/// the way. More: a placement that does not come right holds up the search. Not tuned.
const ROUNDS: usize = 24;
const MOST_LAID: usize = 3;
/// A placement is given up where the tightest bend has not gained so much of its radius in so many rounds.
const GAIN: (usize, f64) = (5, 0.03);
/// After so many rounds a placement is given up where a tube bends tighter than this share of its radius.
/// In the large ear none of ten that began under 0.08 came over 0.3 (five drivers, November 2026).
const HOPELESS: [(usize, f64); 2] = [(1, 0.08), (4, 0.15)];
/// Length of the straight pieces that stand for a lane, mm.
const PIECE_MM: f64 = 1.0;
/// A square bar for a round tube: between the one in it and the one round it.
const SQUARE: f64 = 0.85;

/// Tubes that found no way, and how near they came.
#[derive(Debug, Clone)]
pub struct Missed {
    /// The tube that found no way.
    pub no_way: NoWay,
    /// The tightest bend that settled as a share of its radius, where that was most.
    pub share: f64,
    /// The parts as they stood then.
    pub poses: Vec<Pose>,
    /// What each part's tube lacked then of its radius, 0 to 1.
    pub lacking: Vec<f64>,
}

/// Lays the tubes of parts in place, or says which finds no way. While nothing promising settles, the
/// parts are moved off the lanes; `poses` are then those that the tubes were laid for.
///
/// # Errors
/// The tube that finds no way, and how near the tubes came.
pub fn laid(
    model: &mut Model,
    plumbing: &Plumbing,
    wall: &Wall,
    poses: &mut Vec<Pose>,
    thorough: bool,
    over: &dyn Fn() -> bool,
) -> Result<Vec<Tube>, Missed> {
    // As they will be printed, so that the tubes begin at the spouts to the digit.
    let printed = |poses: &[Pose]| -> Vec<Pose> { poses.iter().map(Pose::as_printed).collect() };
    let mut missed = Missed {
        no_way: NoWay { part: 0, laid: 0 },
        share: 0.0,
        poses: poses.clone(),
        lacking: vec![0.0; poses.len()],
    };
    match plumbing.lay(&printed(poses), &[], false, over) {
        Ok(tubes) => return Ok(tubes),
        Err(no_way) => missed.no_way = no_way,
    }
    let mut scratch = Scratch::new(model);
    let mut trial = poses.clone();
    let mut tries = 0;
    let mut before: Vec<Tube> = Vec::new();
    let mut best = (0, 0.0);
    for round in 0..ROUNDS {
        if over() {
            break;
        }
        let lanes = match plumbing.settled(&printed(&trial), &before, over) {
            Ok(lanes) => lanes,
            Err(no_way) => return Err(Missed { no_way, ..missed }),
        };
        let share = lanes.bend_share();
        if share > missed.share {
            missed.share = share;
            missed.poses.clone_from(&trial);
            for (part, share) in model.stack.piped().zip(&lanes.shares) {
                missed.lacking[part] = 1.0 - share;
            }
        }
        model.fixed = (lanes.tubes.iter())
            .flat_map(|t| pieces(model, t))
            .collect();
        if lanes.promising {
            // Off the tubes too, if that can be; else the parts alone must keep what they keep.
            let mut beside = trial.clone();
            if round > 0 && polish(model, wall, &mut beside, over) < 0.0 {
                let fixed = std::mem::take(&mut model.fixed);
                beside.clone_from(&trial);
                if polish(model, wall, &mut beside, over) < 0.0 {
                    break;
                }
                model.fixed = fixed;
            }
            trial = beside;
            match plumbing.lay(&printed(&trial), &lanes.tubes, false, over) {
                Ok(tubes) => {
                    poses.clone_from(&trial);
                    return Ok(tubes);
                }
                Err(no_way) => missed.no_way = no_way,
            }
            tries += 1;
        }
        if share > best.1 + GAIN.1 {
            best = (round, share);
        }
        if round >= best.0 + GAIN.0 {
            break;
        }
        let hopeless = HOPELESS
            .iter()
            .any(|&(rounds, least)| round + 1 == rounds && share < least);
        if tries == MOST_LAID || hopeless {
            break;
        }
        let plan = Plan {
            from: 1.0,
            growing: 0,
            full: 40,
            fine: true,
        };
        let weights = model.flat_weights();
        plumbing.follow(&lanes.tubes, &mut trial);
        descend(model, &mut trial, plan, &weights, &mut scratch);
        before = lanes.tubes;
    }
    if thorough && !over() {
        return (plumbing.lay(&printed(poses), &[], true, over))
            .map_err(|no_way| Missed { no_way, ..missed });
    }
    Err(missed)
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

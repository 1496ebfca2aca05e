//! Poses in which a box stands (and keeps off some points), found by chance and mended until they do. They
//! tell where points might be, and, where as many boxes as there are parts stand clear of each other,
//! that there are none.

use nalgebra::{Matrix3, Rotation3};

use super::body::{Body, Read};
use crate::mesh::{Point, Vector};
use crate::stack::Pose;
use crate::stack::search::contact::{Block, contact};
use crate::stack::search::rng::Rng;

/// Steps of mending at most, each a little beyond what the linear part asks, so that it ends.
const STEPS: usize = 60;
const BEYOND: f64 = 1.2;

/// The pose mended until it fails by no more than `close_mm`, if it comes to that.
pub(super) fn mended(
    body: &Body,
    read: Read,
    points: &[Point],
    mut pose: Pose,
    close_mm: f64,
) -> Option<Pose> {
    for _ in 0..STEPS {
        let (shift, turn, by) = body.mend(read, points, &pose);
        if by <= close_mm {
            return Some(pose);
        }
        pose.middle += shift * BEYOND;
        pose.turn = turned(&pose.turn, &(turn * BEYOND));
    }
    None
}

/// Any turn at any of the places.
pub(super) fn anyhow(places: &[Point], rng: &mut Rng) -> Pose {
    Pose {
        turn: rng.turn(),
        middle: places[rng.below(places.len())],
    }
}

/// The pose a little off: as far as a tenth of the box's reach.
pub(super) fn jolted(pose: &Pose, body: &Body, rng: &mut Rng) -> Pose {
    let by = |rng: &mut Rng| rng.direction() * (0.1 * rng.unit());
    Pose {
        turn: turned(&pose.turn, &by(rng)),
        middle: pose.middle + by(rng) * body.reach_mm,
    }
}

fn turned(turn: &Matrix3<f64>, by: &Vector) -> Matrix3<f64> {
    Rotation3::new(*by).into_inner() * turn
}

/// Are there so many poses in which boxes of one size are pairwise apart? Few tries; no is no proof.
pub(super) fn apart(poses: &[Pose], body: &Body, clear_mm: f64, count: usize) -> bool {
    let block = |p: &Pose| Block {
        middle: p.middle,
        turn: p.turn,
        half: body.half.into(),
    };
    let blocks: Vec<Block> = poses.iter().map(block).collect();
    let clear = |a: &Block, b: &Block| contact(a, b, clear_mm).is_none();
    blocks.iter().any(|first| {
        let mut open: Vec<&Block> = blocks.iter().filter(|b| clear(first, b)).collect();
        let mut taken = 1;
        // The nearest that is clear leaves most room for the others.
        while taken < count {
            let far = |b: &&&Block| (b.middle - first.middle).norm_squared();
            let Some(next) = open
                .iter()
                .min_by(|a, b| far(a).total_cmp(&far(b)))
                .copied()
            else {
                break;
            };
            taken += 1;
            open.retain(|b| clear(next, b));
        }
        taken >= count
    })
}

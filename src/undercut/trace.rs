//! How deep every surface point goes on a way out, for the map and for trimming: read off the
//! search's grid in small steps. The figure that counts is the replay's; this one colours.

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::mesh::{Point, Vector};

use super::body::Body;
use super::pose::{Pose, PoseRows, Screw, from_rows};
use super::replay::Seat;
use super::tissue::Tissue;

/// No point moves further than this between two looks, mm. 0.2 left the map up to 0.05 too low on
/// hooks; 0.05 takes twice the time and changed nothing over the grid's own 0.02.
const STEP_MM: f64 = 0.1;

/// Deepest of every point of the body on the way, mm (0 where it is not seated).
pub(super) fn deepest_of_each(
    body: &Body,
    tissue: &Tissue,
    seat: &Seat,
    poses: &[PoseRows],
) -> Vec<f64> {
    let into: Vec<Pose> = small_steps(seat, poses)
        .iter()
        .map(|pose| tissue.into * pose)
        .collect();
    let each: Vec<f64> = seat
        .par_iter()
        .map(|(_, p)| {
            let depth = |pose: &Pose| -> f64 {
                let place: Vector3<f64> = (pose * p).coords;
                tissue.depth(&place)
            };
            into.iter().map(depth).fold(0.0, f64::max)
        })
        .collect();
    let mut out = vec![0.0; body.mesh.points().len()];
    for ((of, _), d) in seat.iter().zip(each) {
        out[*of as usize] = d;
    }
    out
}

/// Poses so close that no point of the seat moves further than a step from one to the next.
fn small_steps(seat: &Seat, poses: &[PoseRows]) -> Vec<Pose> {
    let poses: Vec<Pose> = poses.iter().map(from_rows).collect();
    let (mut low, mut high) = (
        Vector::repeat(f64::INFINITY),
        Vector::repeat(f64::NEG_INFINITY),
    );
    for (_, p) in seat {
        (low, high) = (low.inf(&p.coords), high.sup(&p.coords));
    }
    let corner = |k: usize| {
        Point::from(Vector::from_fn(|axis, _| {
            if k >> axis & 1 == 0 {
                low[axis]
            } else {
                high[axis]
            }
        }))
    };
    let corners: [Point; 8] = std::array::from_fn(corner);
    let mut out = Vec::new();
    for pair in poses.windows(2) {
        let moved = corners
            .iter()
            .map(|c| (pair[0] * c - pair[1] * c).norm())
            .fold(0.0, f64::max);
        let parts = (moved / STEP_MM).ceil().clamp(1.0, 10_000.0) as usize;
        let screw = Screw::between(&pair[0], &pair[1]);
        out.extend((0..parts).map(|s| screw.at(s as f64 / parts as f64)));
    }
    out.extend(poses.last());
    out
}

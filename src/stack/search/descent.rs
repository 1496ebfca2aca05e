//! One descent: parts grown from small to full size while damped Gauss–Newton steps push them
//! apart and inward, then full steps until nothing improves.

use nalgebra::Rotation3;

use super::model::{Faults, Model, Weights};
use super::system::System;
use crate::mesh::Vector;
use crate::stack::pose::Pose;

/// Largest way a part's corner may go in one step, mm. Less: parts grown in the wrong order cannot
/// get past each other; more: they jump through walls.
const STEP_MM: f64 = 0.6;
/// Cost below which a placement is handed to the certificate at once.
pub const NOTHING: f64 = 1e-9;

/// How one descent is run.
#[derive(Clone, Copy)]
pub struct Plan {
    /// Size of the parts at the start, as a share of the full one.
    pub from: f64,
    /// Steps while they grow.
    pub growing: usize,
    /// Steps at full size, at most.
    pub full: usize,
    /// Use the closer points.
    pub fine: bool,
}

impl Plan {
    /// The same at full size from the start, for a placement that only one part has been turned in.
    pub fn settled(self) -> Self {
        Self {
            from: 1.0,
            growing: 0,
            ..self
        }
    }
}

/// Scratch kept from descent to descent.
pub struct Scratch {
    system: System,
    trial: System,
}

impl Scratch {
    pub fn new(model: &Model) -> Self {
        Self {
            system: System::new(model.parts()),
            trial: System::new(model.parts()),
        }
    }
}

/// Runs a descent from `poses`, in place; returns the faults that are left.
pub fn descend(
    model: &Model,
    poses: &mut [Pose],
    plan: Plan,
    weights: &Weights,
    scratch: &mut Scratch,
) -> Faults {
    for step in 0..plan.growing {
        let grown = plan.from + (1.0 - plan.from) * (step as f64 + 1.0) / plan.growing as f64;
        assemble(model, poses, grown, plan.fine, weights, &mut scratch.system);
        if scratch.system.solve(0.3, &model.radius) {
            let moved = stepped(model, poses, &scratch.system.step);
            poses.copy_from_slice(&moved);
        }
    }
    settle(model, poses, plan, weights, scratch);
    let mut faults = Faults::default();
    model.cost(poses, 1.0, plan.fine, weights, None, Some(&mut faults));
    faults
}

/// Levenberg–Marquardt at full size.
fn settle(model: &Model, poses: &mut [Pose], plan: Plan, weights: &Weights, scratch: &mut Scratch) {
    let Scratch { system, trial } = scratch;
    let mut cost = assemble(model, poses, 1.0, plan.fine, weights, system);
    let (mut damp, mut stalled) = (0.1, 0);
    for _ in 0..plan.full {
        if cost <= NOTHING || stalled >= 4 || damp > 1e5 {
            break;
        }
        if !system.solve(damp, &model.radius) {
            damp *= 10.0;
            continue;
        }
        let moved = stepped(model, poses, &system.step);
        let next = assemble(model, &moved, 1.0, plan.fine, weights, trial);
        if next < cost {
            // Under one part in a hundred a step, four times in a row, it is a dead end.
            stalled = if next > 0.99 * cost { stalled + 1 } else { 0 };
            poses.copy_from_slice(&moved);
            std::mem::swap(system, trial);
            cost = next;
            damp = (damp * 0.3).max(1e-6);
        } else {
            damp *= 5.0;
            stalled += usize::from(damp > 30.0);
        }
    }
}

fn assemble(
    model: &Model,
    poses: &[Pose],
    grown: f64,
    fine: bool,
    weights: &Weights,
    system: &mut System,
) -> f64 {
    system.clear();
    let cost = model.cost(poses, grown, fine, weights, Some(system), None);
    for part in 0..model.parts() {
        if let Some(plate) = model.seated(part) {
            system.tie(part, &plate.outward);
        }
    }
    cost
}

/// The poses after a step, each part's held to [`STEP_MM`].
fn stepped(model: &Model, poses: &[Pose], step: &[f64]) -> Vec<Pose> {
    let part = |i: usize| {
        let s = &step[6 * i..6 * i + 6];
        let (v, w) = (Vector::new(s[0], s[1], s[2]), Vector::new(s[3], s[4], s[5]));
        let way = v.norm() + w.norm() * model.radius[i];
        let share = if way > STEP_MM { STEP_MM / way } else { 1.0 };
        shifted(model, i, &poses[i], &(v * share), &(w * share))
    };
    (0..poses.len()).map(part).collect()
}

/// A pose after a shift and a turn about its middle, still rigid and still seated.
pub fn shifted(model: &Model, part: usize, pose: &Pose, shift: &Vector, turn: &Vector) -> Pose {
    let turn = Rotation3::new(*turn).into_inner() * pose.turn;
    let mut moved = Pose {
        turn: squared(&turn),
        middle: pose.middle + shift,
    };
    model.seat(part, &mut moved);
    moved
}

/// Axes made square again (rounding drifts by 1e-16 a step).
fn squared(turn: &nalgebra::Matrix3<f64>) -> nalgebra::Matrix3<f64> {
    let x = turn.column(0).normalize();
    let y = turn.column(1) - x * x.dot(&turn.column(1));
    let y = y.normalize();
    nalgebra::Matrix3::from_columns(&[x, y, x.cross(&y)])
}

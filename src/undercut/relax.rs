//! Finding the least squeeze of one pose: small turns and shifts until the deepest places give.
//!
//! The depths of a cloud of surface points are squared, later raised to higher powers, so that the
//! fit ends close to the least *largest* depth (Levenberg-Marquardt on depth to the q-th power).
//! One direction is pinned, so that a pose cannot slip back home: the mean height of the cloud in
//! the search, the route's own direction when a route is sharpened.

use nalgebra::{Matrix6, Vector3, Vector6};

use super::pose::{Pose, nudge};
use super::tissue::Tissue;

/// Depths below this are grid noise and not worth pushing against.
pub(super) const NOISE_MM: f64 = 0.004;
/// Powers, one after the other. Ending at 6, a hook whose shaft has twenty times the surface of its
/// foot stayed a third over the least it can have; jumping to 24 at once gets stuck.
const POWERS: [i32; 4] = [1, 4, 10, 24];
/// Steps for each power.
const STEPS: usize = 12;

/// Turns count by the arm they work at, mm: half the length of a canal.
pub(super) const ARM_MM: f64 = 8.0;

/// What stays: a direction in (turn × arm, shift), of length 1.
pub(super) fn height_pinned() -> Vector6<f64> {
    Vector6::ith(5, 1.0)
}

/// Where a relaxation stops and which direction is pinned.
#[derive(Clone, Copy)]
pub(super) struct Rule {
    pub pinned: Vector6<f64>,
    /// A squeeze that is good enough, mm.
    pub enough: f64,
}

/// Surface points of the body in the frame of the base plane, seated.
pub(super) struct Cloud {
    pub points: Vec<Vector3<f64>>,
    pub centre: Vector3<f64>,
}

impl Cloud {
    pub fn new(points: Vec<Vector3<f64>>) -> Self {
        let centre = points.iter().sum::<Vector3<f64>>() / points.len().max(1) as f64;
        Self { points, centre }
    }

    /// Largest depth of any point in this pose (0 when free).
    pub fn squeeze(&self, tissue: &Tissue, pose: &Pose) -> f64 {
        let turn = pose.rotation.to_rotation_matrix();
        let depth = |p: &Vector3<f64>| tissue.depth(&(turn * p + pose.translation.vector));
        self.points.iter().map(depth).fold(0.0, f64::max)
    }

    /// Lowest point in this pose.
    pub fn lowest(&self, pose: &Pose) -> f64 {
        let turn = pose.rotation.to_rotation_matrix();
        let height = |p: &Vector3<f64>| (turn * p + pose.translation.vector).z;
        self.points.iter().map(height).fold(f64::INFINITY, f64::min)
    }

    /// Mean height of the cloud over its seat.
    pub fn progress(&self, pose: &Pose) -> f64 {
        (pose.rotation * self.centre + pose.translation.vector).z - self.centre.z
    }
}

/// Sum of powers of the depths over `scale`, the largest depth, and for the step the normal equations.
struct Push {
    cost: f64,
    deepest: f64,
    normal: Matrix6<f64>,
    slope: Vector6<f64>,
}

fn push(cloud: &Cloud, tissue: &Tissue, pose: &Pose, scale: f64, power: i32, whole: bool) -> Push {
    let turn = pose.rotation.to_rotation_matrix();
    let pivot = turn * cloud.centre + pose.translation.vector;
    let mut out = Push {
        cost: 0.0,
        deepest: 0.0,
        normal: Matrix6::zeros(),
        slope: Vector6::zeros(),
    };
    for p in &cloud.points {
        let x = turn * p + pose.translation.vector;
        if x.z >= -NOISE_MM {
            continue;
        }
        let (d, g) = if whole {
            tissue.depth_and_slope(&x)
        } else {
            (tissue.depth(&x), Vector3::zeros())
        };
        if d <= NOISE_MM {
            continue;
        }
        out.deepest = out.deepest.max(d);
        let share = (d - NOISE_MM) / scale;
        let r = share.powi(power);
        out.cost += r * r;
        // The higher the power, the fewer points have a say worth the work.
        if whole && r > 1e-6 {
            let lean = f64::from(power) * share.powi(power - 1) / scale;
            let arm = (x - pivot).cross(&g);
            let arm = arm / ARM_MM;
            let row = Vector6::new(arm.x, arm.y, arm.z, g.x, g.y, g.z) * lean;
            out.normal.ger(1.0, &row, &row, 1.0);
            out.slope += row * r;
        }
    }
    out
}

/// Moves a pose to where it squeezes less. Returns the pose and its squeeze.
pub(super) fn relax(cloud: &Cloud, tissue: &Tissue, start: Pose, rule: Rule) -> (Pose, f64) {
    let enough = rule.enough.max(2.0 * NOISE_MM);
    let rule = Rule { enough, ..rule };
    let mut best = (start, cloud.squeeze(tissue, &start));
    for power in POWERS {
        if best.1 <= enough {
            break;
        }
        descend(cloud, tissue, &mut best, power, &rule);
    }
    best
}

/// Steps for one power, from the best pose so far; the best is replaced by any that is better.
fn descend(cloud: &Cloud, tissue: &Tissue, best: &mut (Pose, f64), power: i32, rule: &Rule) {
    let (mut pose, scale) = *best;
    let mut damping = 1e-2;
    let mut here = push(cloud, tissue, &pose, scale, power, true);
    for _ in 0..STEPS {
        let Some(next) = step(cloud, &pose, &here, &rule.pinned, damping) else {
            return;
        };
        let there = push(cloud, tissue, &next, scale, power, false);
        if there.deepest < best.1 {
            *best = (next, there.deepest);
            if there.deepest <= rule.enough {
                return;
            }
        }
        if there.cost < here.cost {
            let gain = (here.cost - there.cost) / here.cost.max(1e-300);
            pose = next;
            damping = (damping * 0.3).max(1e-6);
            if gain < 1e-3 {
                return;
            }
            here = push(cloud, tissue, &pose, scale, power, true);
        } else {
            damping *= 8.0;
            if damping > 1e4 {
                return;
            }
        }
    }
}

/// Longest turn (radians) and shift (mm) of one step: depths are only straight nearby.
const MOST_TURN: f64 = 0.06;
const MOST_SHIFT_MM: f64 = 0.5;

fn step(
    cloud: &Cloud,
    pose: &Pose,
    push: &Push,
    pinned: &Vector6<f64>,
    damping: f64,
) -> Option<Pose> {
    let free = Matrix6::identity() - pinned * pinned.transpose();
    let mut normal = free * push.normal * free;
    let size = normal.diagonal().max().max(1e-12);
    for k in 0..6 {
        normal[(k, k)] += damping * (normal[(k, k)] + 1e-3 * size);
    }
    normal += pinned * pinned.transpose() * size;
    let by = -(free * normal.cholesky()?.solve(&(free * push.slope)));
    let spin: Vector3<f64> = by.fixed_rows::<3>(0) / ARM_MM;
    let shift: Vector3<f64> = by.fixed_rows::<3>(3).into();
    let share = (MOST_TURN / spin.norm().max(1e-12))
        .min(MOST_SHIFT_MM / shift.norm().max(1e-12))
        .min(1.0);
    let pivot = pose.rotation * cloud.centre + pose.translation.vector;
    Some(nudge(pose, &pivot, &(spin * share), &(shift * share)))
}

/// The direction of a motion as a direction to pin; the height where there is next to no motion.
pub(super) fn direction(cloud: &Cloud, from: &Pose, to: &Pose) -> Vector6<f64> {
    let spin = (to.rotation * from.rotation.inverse()).scaled_axis() * ARM_MM;
    let place = |p: &Pose| p.rotation * cloud.centre + p.translation.vector;
    let shift = place(to) - place(from);
    let v = Vector6::new(spin.x, spin.y, spin.z, shift.x, shift.y, shift.z);
    v.try_normalize(1e-6).unwrap_or_else(height_pinned)
}

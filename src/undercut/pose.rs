//! Poses of the pulled body and the motion between two of them.

use nalgebra::{Isometry3, Matrix4, UnitQuaternion, UnitVector3, Vector3};

/// A pose as four rows, row after row: `x' = M · (x, 1)`, from the pose of the input file.
pub type PoseRows = [[f64; 4]; 4];

pub(super) type Pose = Isometry3<f64>;

/// The pose with a turn of length 1. A product of turns is a little off it, and a motion that is
/// taken from two poses and put to the second grows what it is off by 2.4 times a step: by an eighth
/// after forty levels, beyond all use after 45.
pub(super) fn rigid(pose: Pose) -> Pose {
    let turn = UnitQuaternion::new_normalize(pose.rotation.into_inner());
    Isometry3::from_parts(pose.translation, turn)
}

pub(super) fn rows(pose: &Pose) -> PoseRows {
    let m: Matrix4<f64> = rigid(*pose).to_homogeneous();
    std::array::from_fn(|i| std::array::from_fn(|j| m[(i, j)]))
}

/// The pose that four rows describe; rows that are no rigid motion give the nearest one.
pub(super) fn from_rows(rows: &PoseRows) -> Pose {
    let turn = nalgebra::Matrix3::from_fn(|i, j| rows[i][j]);
    let shift = Vector3::from_fn(|i, _| rows[i][3]);
    Isometry3::from_parts(shift.into(), UnitQuaternion::from_matrix(&turn))
}

/// Angle that a pose has turned the body by, radians.
pub(super) fn turn(pose: &Pose) -> f64 {
    pose.rotation.angle()
}

/// The screw motion from one pose to another: a turn about and a shift along one fixed axis
/// (Chasles). It does not depend on where the origin lies.
pub(super) struct Screw {
    from: Pose,
    /// Unit axis and angle, radians; no turn where `None`.
    turn: Option<(UnitVector3<f64>, f64)>,
    /// A place on the axis.
    centre: Vector3<f64>,
    /// The shift along it, or the whole shift where there is no turn.
    shift: Vector3<f64>,
}

impl Screw {
    pub fn between(from: &Pose, to: &Pose) -> Self {
        let step = to * from.inverse();
        let shift = step.translation.vector;
        let Some((axis, angle)) = step.rotation.axis_angle().filter(|(_, w)| *w > 1e-9) else {
            return Self {
                from: *from,
                turn: None,
                centre: Vector3::zeros(),
                shift,
            };
        };
        let along = axis.into_inner() * axis.dot(&shift);
        let aside = shift - along;
        Self {
            from: *from,
            turn: Some((axis, angle)),
            // the axis runs through the point that the turn alone leaves in place
            centre: 0.5 * (aside + axis.cross(&aside) / (0.5 * angle).tan()),
            shift: along,
        }
    }

    /// The pose at the share `t` of the way.
    pub fn at(&self, t: f64) -> Pose {
        let part = match self.turn {
            None => UnitQuaternion::identity(),
            Some((axis, angle)) => UnitQuaternion::from_axis_angle(&axis, angle * t),
        };
        let shift = self.shift * t + self.centre - part * self.centre;
        rigid(Isometry3::from_parts(shift.into(), part) * self.from)
    }

    /// How long the way of a place is that lies at `x` when the screw begins.
    pub fn length(&self, x: &Vector3<f64>) -> f64 {
        let round = self.turn.map_or(0.0, |(axis, angle)| {
            axis.cross(&(x - self.centre)).norm() * angle
        });
        round.hypot(self.shift.norm())
    }
}

/// The pose at the share `t` of the screw motion between two.
pub(super) fn between(a: &Pose, b: &Pose, t: f64) -> Pose {
    Screw::between(a, b).at(t)
}

/// A small motion about `pivot`: turn by the vector `spin` (radians), then shift.
pub(super) fn nudge(
    pose: &Pose,
    pivot: &Vector3<f64>,
    spin: &Vector3<f64>,
    shift: &Vector3<f64>,
) -> Pose {
    let turn = UnitQuaternion::from_scaled_axis(*spin);
    rigid(Isometry3::from_parts((pivot - turn * pivot + shift).into(), turn) * pose)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_screw_meets_both_ends_and_turns_evenly() {
        let a = Isometry3::new(Vector3::new(1.0, 2.0, 3.0), Vector3::new(0.3, -0.2, 0.9));
        let b = Isometry3::new(Vector3::new(-4.0, 2.5, 9.0), Vector3::new(-0.5, 0.4, 0.1));
        let p = nalgebra::Point3::new(3.0, -7.0, 2.0);
        assert!((between(&a, &b, 0.0) * p - a * p).norm() < 1e-12);
        assert!((between(&a, &b, 1.0) * p - b * p).norm() < 1e-12);
        let half = between(&a, &b, 0.5);
        // the second half is the same motion as the first
        let again = half * a.inverse() * half;
        assert!((again * p - b * p).norm() < 1e-9);
        assert!((from_rows(&rows(&b)) * p - b * p).norm() < 1e-12);
        let off = UnitQuaternion::new_unchecked(b.rotation.into_inner() * (1.0 + 1e-7));
        let off = rows(&Isometry3::from_parts(b.translation, off));
        let length = (0..3).map(|k| off[0][k] * off[0][k]).sum::<f64>();
        assert!((length - 1.0).abs() < 1e-14);
        // and its length is that of a thousand straight bits of it
        let screw = Screw::between(&a, &b);
        let bits = (0..1000).map(|k| {
            (screw.at(f64::from(k) / 1000.0) * p - screw.at(f64::from(k + 1) / 1000.0) * p).norm()
        });
        let length = screw.length(&(a * p).coords);
        assert!((bits.sum::<f64>() - length).abs() < 1e-4 * length);
    }
}

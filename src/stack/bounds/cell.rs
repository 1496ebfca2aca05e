//! A cell of poses of one box, and what can be said of all of them at once: the middle x in an upright
//! box, the turn by the unit quaternion along (1, u) with u in another. The box's half turns about its
//! own axes permute the four such charts of all turns, so u in [−1, 1]³ is enough for a box.
//!
//! Against the turn at the cell's middle, a turn of the cell is one by at most φ about some axis, with
//! tan(φ/2) at most √s |du| / (s − |u·du|), s = 1 + u². It moves a point v of the box by ω × v, but for
//! φ²/2 |v|; and ω is 2 (du + u × du) / s, but for 2 g |u·du| / s + 2/3 g³ with g = tan(φ/2). So what a
//! pose must keep is linear in (x, u), but for terms of second order that are counted against us.

use nalgebra::Matrix3;

use super::farkas::Row;
use crate::mesh::{Point, Vector};
use crate::stack::Pose;

/// Middles and turns.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    pub x: [f64; 3],
    pub half_x: [f64; 3],
    pub u: [f64; 3],
    pub half_u: [f64; 3],
}

/// The turn by the quaternion along (1, u).
pub(super) fn turn_of(u: &Vector) -> Matrix3<f64> {
    let [x, y, z] = [u.x, u.y, u.z];
    let s = 2.0 / (1.0 + u.norm_squared());
    Matrix3::new(
        1.0 - s * (y * y + z * z),
        s * (x * y - z),
        s * (x * z + y),
        s * (x * y + z),
        1.0 - s * (x * x + z * z),
        s * (y * z - x),
        s * (x * z - y),
        s * (y * z + x),
        1.0 - s * (x * x + y * y),
    )
}

/// How far the poses of a cell are from its middle.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spread {
    pub turn: Matrix3<f64>,
    pub middle: Point,
    /// Of the middles, mm.
    pub shift_mm: f64,
    /// How far a point one millimetre from the middle is moved by turns, mm.
    pub chord: f64,
    /// 1 − cos φ, and φ − sin φ.
    bend: [f64; 2],
    /// What ω may be off its linear part.
    pub skew: f64,
    u: Vector,
    scale: f64,
    half_x: [f64; 3],
    half_u: [f64; 3],
}

impl Cell {
    /// All turns, about middles within `more_mm` of the box round some places.
    pub fn holding(places: &[Point], more_mm: f64) -> Self {
        let ends = [0, 1, 2].map(|k| {
            let along = places.iter().map(|p| p[k]);
            let least = along.clone().fold(f64::INFINITY, f64::min);
            (least, along.fold(f64::NEG_INFINITY, f64::max))
        });
        Self {
            x: ends.map(|e| (e.0 + e.1) / 2.0),
            half_x: ends.map(|e| (e.1 - e.0) / 2.0 + more_mm),
            u: [0.0; 3],
            half_u: [1.0; 3],
        }
    }

    pub fn spread(&self) -> Spread {
        let u = Vector::from(self.u);
        let s = 1.0 + u.norm_squared();
        let along: f64 = (0..3).map(|k| self.u[k].abs() * self.half_u[k]).sum();
        let far = Vector::from(self.half_u).norm();
        // Charts are never so wide that the middle of another lies in them.
        let g = s.sqrt() * far / (s - along).max(1e-9);
        let sine = 2.0 * g / (1.0 + g * g);
        Spread {
            turn: turn_of(&u),
            middle: Point::from(self.x),
            shift_mm: Vector::from(self.half_x).norm(),
            chord: 2.0 * g / (1.0 + g * g).sqrt(),
            bend: [g * sine, 2.0 * g.atan() - sine],
            skew: 2.0 * g * along / s + 2.0 / 3.0 * g * g * g,
            u,
            scale: 2.0 / s,
            half_x: self.half_x,
            half_u: self.half_u,
        }
    }

    /// In two, across the side that moves a box of that half diagonal the most.
    pub fn halves(&self, reach_mm: f64) -> [Self; 2] {
        let lever = 2.0 * reach_mm / (1.0 + Vector::from(self.u).norm_squared()).sqrt();
        let moves = |k: usize| {
            if k < 3 {
                self.half_x[k]
            } else {
                self.half_u[k - 3] * lever
            }
        };
        let k = (1..6).fold(0, |best, k| if moves(k) > moves(best) { k } else { best });
        let (mut a, mut b) = (*self, *self);
        for (cell, sign) in [(&mut a, -0.5), (&mut b, 0.5)] {
            let (at, half) = if k < 3 {
                (&mut cell.x[k], &mut cell.half_x[k])
            } else {
                (&mut cell.u[k - 3], &mut cell.half_u[k - 3])
            };
            *at += sign * *half;
            *half /= 2.0;
        }
        [a, b]
    }

    pub fn pose(&self) -> Pose {
        Pose {
            turn: turn_of(&Vector::from(self.u)),
            middle: Point::from(self.x),
        }
    }
}

impl Spread {
    /// How far a point that is `from_middle_mm` off the box's middle is moved at most, mm.
    #[inline]
    pub fn moved_mm(&self, from_middle_mm: f64) -> f64 {
        self.shift_mm + self.chord * from_middle_mm
    }

    /// What n·(R v) may be more than n·v + ω·(v × n), mm: (1 − cos φ) times −n·v + (a·n)(a·v) for the axis a,
    /// which is (|v| − n·v) / 2 at most, and (φ − sin φ) |v|.
    #[inline]
    fn bent_mm(&self, length: f64, along: f64) -> f64 {
        self.bend[0] * (length - along) / 2.0 + self.bend[1] * length
    }

    /// What a place `v` of the box, as it is turned, must keep from a ball outside whose middle it is `far_mm` from in
    /// the direction `slope`: to come `need_mm` further off. |q + Δ| ≤ |q| + slope·Δ + Δ² / (2 |q|).
    #[inline]
    pub fn off_ball(&self, v: &Vector, slope: &Vector, far_mm: f64, need_mm: f64) -> Row {
        let length = v.norm();
        let moved = self.moved_mm(length);
        let lost = moved * moved / (2.0 * far_mm) + self.bent_mm(length, v.dot(slope));
        self.row(slope, &v.cross(slope), need_mm, lost)
    }

    /// What a point `d` from the middle must keep to lie `need_mm` further beyond the face with the normal `e`:
    /// e·(p − x), where e turns and x shifts, and the turned e differs from e by the chord.
    #[inline]
    pub fn beyond(&self, e: &Vector, d: &Vector, need_mm: f64) -> Row {
        let lost = self.bent_mm(d.norm(), d.dot(e)) + self.chord * self.shift_mm;
        self.row(&-e, &e.cross(d), need_mm, lost)
    }

    /// `along`·(x − x₀) + `about`·ω ≥ `need`, as a row over the cell; `lost` is what the second order may add.
    #[inline]
    fn row(&self, along: &Vector, about: &Vector, need: f64, lost: f64) -> Row {
        // about·(du + u × du) = (about + about × u)·du
        let turning = (about + about.cross(&self.u)) * self.scale;
        let mut a = [0.0; 6];
        for k in 0..3 {
            a[k] = along[k] * self.half_x[k];
            a[k + 3] = turning[k] * self.half_u[k];
        }
        Row {
            a,
            b: need - lost - self.skew * about.norm(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::search::rng::Rng;
    use nalgebra::{Rotation3, UnitQuaternion};

    fn any_cell(rng: &mut Rng) -> Cell {
        let wide = rng.within(0.0, 1.0).powi(2);
        Cell {
            x: [0; 3].map(|_| rng.within(-3.0, 3.0)),
            half_x: [0; 3].map(|_| wide * rng.within(0.0, 2.0)),
            u: [0; 3].map(|_| rng.within(-1.0, 1.0)),
            half_u: [0; 3].map(|_| wide * rng.within(0.0, 0.5)),
        }
    }

    /// Where in the cell, in [−1, 1]⁶, and the pose there; often in a corner.
    fn any_pose(cell: &Cell, rng: &mut Rng) -> ([f64; 6], Pose) {
        let z = [0; 6].map(|_| rng.within(-1.6, 1.6).clamp(-1.0, 1.0));
        let pose = Cell {
            x: [0, 1, 2].map(|k| cell.x[k] + z[k] * cell.half_x[k]),
            u: [0, 1, 2].map(|k| cell.u[k] + z[k + 3] * cell.half_u[k]),
            ..*cell
        };
        (z, pose.pose())
    }

    /// What the left side of a row has beyond the right side.
    fn spare(row: &Row, z: &[f64; 6]) -> f64 {
        row.a.iter().zip(z).map(|(a, z)| a * z).sum::<f64>() - row.b
    }

    #[test]
    fn no_pose_of_a_cell_is_farther_than_its_spread_tells() {
        let mut rng = Rng::new(11);
        let (mut nearest, mut skewed) = (f64::INFINITY, f64::INFINITY);
        for _ in 0..20_000 {
            let cell = any_cell(&mut rng);
            let spread = cell.spread();
            let (z, pose) = any_pose(&cell, &mut rng);
            let v = rng.direction() * rng.within(0.1, 4.0);
            let moved = (pose.place(&v) - (spread.middle + spread.turn * v)).norm();
            let to_spare = spread.moved_mm(v.norm()) - moved;
            assert!(to_spare > -1e-9, "{to_spare} {cell:?}");
            nearest = nearest.min(to_spare / (1e-3 + moved));
            // The turn itself, read about any axis.
            let turn = Rotation3::from_matrix_unchecked(pose.turn * spread.turn.transpose());
            let omega = UnitQuaternion::from_rotation_matrix(&turn).scaled_axis();
            let axis = rng.direction();
            let row = spread.row(&Vector::zeros(), &axis, omega.dot(&axis), 0.0);
            let left = spare(&row, &z);
            assert!(left >= -1e-9, "{left} {cell:?}");
            skewed = skewed.min(left / (1e-6 + spread.skew));
        }
        assert!(
            nearest < 0.2 && skewed < 0.6,
            "{nearest} {skewed}: too wide"
        );
    }

    #[test]
    fn a_pose_that_keeps_off_meets_its_row() {
        let mut rng = Rng::new(14);
        let mut least = [f64::INFINITY; 2];
        for n in 0..40_000 {
            let cell = any_cell(&mut rng);
            let spread = cell.spread();
            let (z, pose) = any_pose(&cell, &mut rng);
            let size = spread.shift_mm + spread.chord + 1e-3;
            if n % 2 == 0 {
                let v = rng.direction() * rng.within(0.1, 4.0);
                let (slope, far) = (rng.direction(), rng.within(0.2, 5.0));
                let middle = spread.middle + spread.turn * v - slope * far;
                let further = (pose.place(&v) - middle).norm() - far;
                let left = spare(
                    &spread.off_ball(&(spread.turn * v), &slope, far, further),
                    &z,
                );
                assert!(left >= -1e-9, "{left} {cell:?}");
                least[0] = least[0].min(left / size);
            } else {
                let (own, d) = (rng.direction(), rng.direction() * rng.within(0.1, 4.0));
                let (e, p) = (spread.turn * own, spread.middle + d);
                let further = (pose.turn * own).dot(&(p - pose.middle)) - e.dot(&d);
                let left = spare(&spread.beyond(&e, &d, further), &z);
                assert!(left >= -1e-9, "{left} {cell:?}");
                least[1] = least[1].min(left / size);
            }
        }
        assert!(least[0] < 0.01 && least[1] < 0.01, "{least:?}: too wide");
    }

    #[test]
    fn one_chart_and_half_turns_make_all_turns() {
        let mut rng = Rng::new(12);
        for _ in 0..2_000 {
            let turn = rng.turn();
            let charted = (0..4).any(|i| {
                let about = [Vector::zeros(), Vector::x(), Vector::y(), Vector::z()][i];
                let half = Rotation3::new(about * std::f64::consts::PI).into_inner();
                let q = UnitQuaternion::from_matrix(&(turn * half));
                let u = q.imag() / q.w;
                let same = (turn_of(&u) - turn * half).norm() < 1e-6;
                same && u.amax() <= 1.0 + 1e-9
            });
            assert!(charted, "{turn}");
        }
    }

    #[test]
    fn halves_are_the_whole() {
        let mut rng = Rng::new(13);
        for _ in 0..2_000 {
            let cell = any_cell(&mut rng);
            let (z, _) = any_pose(&cell, &mut rng);
            let at = |k: usize| match k {
                0..3 => cell.x[k] + z[k] * cell.half_x[k],
                _ => cell.u[k - 3] + z[k] * cell.half_u[k - 3],
            };
            let holds = |c: &Cell| {
                (0..3).all(|k| {
                    (at(k) - c.x[k]).abs() <= c.half_x[k] + 1e-12
                        && (at(k + 3) - c.u[k]).abs() <= c.half_u[k] + 1e-12
                })
            };
            assert!(cell.halves(3.0).iter().any(holds));
        }
    }
}

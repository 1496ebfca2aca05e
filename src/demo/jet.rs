//! A number that carries its gradient, so that the surface is projected onto with exact slopes.
//!
//! Finite differences would need six more evaluations a point and lose half the digits.

use std::ops::{Add, Mul, Neg, Sub};

use crate::mesh::Vector;

/// A value and its gradient in space.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Jet {
    pub v: f64,
    pub g: Vector,
}

impl Jet {
    pub fn constant(v: f64) -> Self {
        Self {
            v,
            g: Vector::zeros(),
        }
    }

    /// Square root; flat where the value is not positive, so that a centre has no infinite slope.
    pub fn sqrt(self) -> Self {
        let root = self.v.max(1e-18).sqrt();
        Self {
            v: root,
            g: self.g * (0.5 / root),
        }
    }

    pub fn scaled(self, k: f64) -> Self {
        Self {
            v: self.v * k,
            g: self.g * k,
        }
    }

    /// Smaller of two, rounded where they differ by less than `k` and exact elsewhere: a join that
    /// leaves the canal untouched away from the concha. Twice continuously differentiable.
    pub fn smooth_min(self, other: Self, k: f64) -> Self {
        let (low, high) = if self.v <= other.v {
            (self, other)
        } else {
            (other, self)
        };
        let h = (k - (high.v - low.v)).max(0.0) / k;
        let share = h * h / 2.0;
        Self {
            v: low.v - k * h * h * h / 6.0,
            g: low.g * (1.0 - share) + high.g * share,
        }
    }

    /// Larger of two, rounded within `k`.
    pub fn smooth_max(self, other: Self, k: f64) -> Self {
        -((-self).smooth_min(-other, k))
    }

    /// This solid without the other, the new edge rounded within `k`.
    pub fn without(self, other: Self, k: f64) -> Self {
        self.smooth_max(-other, k)
    }
}

impl Add for Jet {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Self {
            v: self.v + o.v,
            g: self.g + o.g,
        }
    }
}

impl Sub for Jet {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        Self {
            v: self.v - o.v,
            g: self.g - o.g,
        }
    }
}

impl Mul for Jet {
    type Output = Self;
    fn mul(self, o: Self) -> Self {
        Self {
            v: self.v * o.v,
            g: self.g * o.v + o.g * self.v,
        }
    }
}

impl Neg for Jet {
    type Output = Self;
    fn neg(self) -> Self {
        self.scaled(-1.0)
    }
}

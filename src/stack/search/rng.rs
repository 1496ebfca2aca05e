//! A small repeatable source of chance, so that a seed gives the same answer on every machine and
//! thread count (splitmix64; constants of Steele, Lea, Flood 2014, from memory).

use nalgebra::{Matrix3, Quaternion, UnitQuaternion};

use crate::mesh::Vector;

/// The source. Streams of different seeds are unrelated.
#[derive(Debug, Clone)]
pub struct Rng(u64);

impl Rng {
    /// Starts a stream.
    pub fn new(seed: u64) -> Self {
        let mut rng = Self(seed ^ 0x5851_F42D_4C95_7F2D);
        rng.next();
        rng
    }

    /// A stream of its own for each pair of numbers.
    pub fn stream(seed: u64, round: u64, start: u64) -> Self {
        let mut mix = Self::new(seed);
        mix.0 = mix.next() ^ round.wrapping_mul(0xA076_1D64_78BD_642F);
        mix.0 = mix.next() ^ start.wrapping_mul(0xE703_7ED1_A0B4_28DB);
        mix.next();
        mix
    }

    /// Next 64 bits.
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Evenly in [0, 1).
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Evenly in [lo, hi).
    pub fn within(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }

    /// Evenly among 0..n; 0 when n is 0.
    pub fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// Standard normal (Box and Muller).
    pub fn normal(&mut self) -> f64 {
        let r = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        r * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// Unit vector, evenly over the sphere.
    pub fn direction(&mut self) -> Vector {
        loop {
            let v = Vector::new(self.normal(), self.normal(), self.normal());
            if let Some(u) = v.try_normalize(1e-6) {
                return u;
            }
        }
    }

    /// Turn, evenly over all of them.
    pub fn turn(&mut self) -> Matrix3<f64> {
        loop {
            let [w, i, j, k] = [0; 4].map(|_| self.normal());
            let q = Quaternion::new(w, i, j, k);
            if q.norm_squared() > 1e-6 {
                return *UnitQuaternion::from_quaternion(q)
                    .to_rotation_matrix()
                    .matrix();
            }
        }
    }
}

//! Repeatable chance: the same seed gives the same ear on every machine.

use crate::mesh::{Point, Vector};

use super::jet::Jet;

/// A small generator of evenly spread numbers (splitmix64: Steele, Lea, Flood 2014).
#[derive(Debug, Clone)]
pub(crate) struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 up to, not including, 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Evenly between two bounds.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Normal deviate of unit spread.
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// Evenly spread direction.
    pub fn direction(&mut self) -> Vector {
        let z = self.between(-1.0, 1.0);
        let turn = self.between(0.0, std::f64::consts::TAU);
        let r = (1.0 - z * z).sqrt();
        Vector::new(r * turn.cos(), r * turn.sin(), z)
    }
}

/// Gentle unevenness: a few plane waves of random direction. Flesh has no straight lines.
#[derive(Debug, Clone)]
pub(crate) struct Waves(Vec<(Vector, f64, f64)>);

impl Waves {
    /// Waves with lengths between `shortest_mm` and twice that, whose sum has about the given
    /// root-mean-square height.
    pub fn new(chance: &mut Chance, height_mm: f64, shortest_mm: f64) -> Self {
        const COUNT: usize = 7;
        let share = height_mm * (2.0 / COUNT as f64).sqrt();
        let waves = (0..COUNT).map(|_| {
            let length_mm = shortest_mm * chance.between(1.0, 2.0);
            let wave = chance.direction() * (std::f64::consts::TAU / length_mm);
            (wave, chance.between(0.0, std::f64::consts::TAU), share)
        });
        Self(waves.collect())
    }

    /// The waves never rise over this.
    pub fn bound(&self) -> f64 {
        self.0.iter().map(|w| w.2.abs()).sum()
    }

    pub fn at(&self, p: &Point) -> Jet {
        let mut sum = Jet::constant(0.0);
        for (wave, phase, height) in &self.0 {
            let (sin, cos) = (wave.dot(&p.coords) + phase).sin_cos();
            sum.v += height * sin;
            sum.g += wave * (height * cos);
        }
        sum
    }
}

//! Normal equations of the descent: six unknowns a part (shift, then turn about its middle),
//! dense, solved by Cholesky. Forty unknowns take ten microseconds, as much as one cost.

#![allow(clippy::needless_range_loop)] // a matrix is read best by row and column

use crate::mesh::Vector;

/// Gauss–Newton matrix and gradient of half the cost.
#[derive(Clone)]
pub struct System {
    n: usize,
    matrix: Vec<f64>,
    gradient: Vec<f64>,
    work: Vec<f64>,
    /// The step found by [`System::solve`].
    pub step: Vec<f64>,
}

/// What one part's points beyond the wall add, gathered before it is put in its place.
#[derive(Default)]
pub struct Share {
    matrix: [[f64; 6]; 6],
    gradient: [f64; 6],
}

impl Share {
    /// One point short of its depth by `short`; depth grows along `slope` (and `turn` for a turn).
    #[inline]
    pub fn push(&mut self, slope: &Vector, turn: &Vector, short: f64, weight: f64) {
        let j = [slope.x, slope.y, slope.z, turn.x, turn.y, turn.z];
        for a in 0..6 {
            let wa = weight * j[a];
            self.gradient[a] -= wa * short;
            for b in 0..6 {
                self.matrix[a][b] += wa * j[b];
            }
        }
    }
}

impl System {
    pub fn new(parts: usize) -> Self {
        let n = 6 * parts;
        Self {
            n,
            matrix: vec![0.0; n * n],
            gradient: vec![0.0; n],
            work: vec![0.0; n * n],
            step: vec![0.0; n],
        }
    }

    pub fn clear(&mut self) {
        self.matrix.fill(0.0);
        self.gradient.fill(0.0);
    }

    /// Adds what one part's points ask for.
    pub fn push_share(&mut self, part: usize, share: &Share) {
        let base = 6 * part;
        for a in 0..6 {
            self.gradient[base + a] += share.gradient[a];
            let row = (base + a) * self.n + base;
            for b in a..6 {
                self.matrix[row + b] += share.matrix[a][b];
            }
        }
    }

    /// Two parts short of their gap by `short`; the gap grows as the second moves along `axis`.
    #[allow(clippy::too_many_arguments)] // one row of the matrix, written out
    pub fn push_pair(
        &mut self,
        first: usize,
        second: usize,
        axis: &Vector,
        turn_first: &Vector,
        turn_second: &Vector,
        short: f64,
        weight: f64,
    ) {
        let ja = [
            -axis.x,
            -axis.y,
            -axis.z,
            -turn_first.x,
            -turn_first.y,
            -turn_first.z,
        ];
        let jb = [
            axis.x,
            axis.y,
            axis.z,
            turn_second.x,
            turn_second.y,
            turn_second.z,
        ];
        let (low, high) = ((first, &ja), (second, &jb));
        for (part, j) in [low, high] {
            let base = 6 * part;
            for a in 0..6 {
                let wa = weight * j[a];
                self.gradient[base + a] -= wa * short;
                let row = (base + a) * self.n + base;
                for b in a..6 {
                    self.matrix[row + b] += wa * j[b];
                }
            }
        }
        let ((lower, jl), (upper, ju)) = if first < second {
            (low, high)
        } else {
            (high, low)
        };
        for a in 0..6 {
            let row = (6 * lower + a) * self.n + 6 * upper;
            for b in 0..6 {
                self.matrix[row + b] += weight * jl[a] * ju[b];
            }
        }
    }

    /// Ties a seated part: no shift along `normal`, no turn but about it.
    pub fn tie(&mut self, part: usize, normal: &Vector) {
        const STIFF: f64 = 1e6;
        let base = 6 * part;
        for a in 0..3 {
            for b in a..3 {
                let nn = normal[a] * normal[b];
                self.matrix[(base + a) * self.n + base + b] += STIFF * nn;
                let one = if a == b { 1.0 } else { 0.0 };
                self.matrix[(base + 3 + a) * self.n + base + 3 + b] += STIFF * (one - nn);
            }
        }
    }

    /// Change of the whole cost for a small shift and turn of one part.
    #[cfg(test)]
    pub fn slope_of(&self, part: usize, shift: &Vector, turn: &Vector) -> f64 {
        let g = &self.gradient[6 * part..6 * part + 6];
        2.0 * (g[0] * shift.x
            + g[1] * shift.y
            + g[2] * shift.z
            + g[3] * turn.x
            + g[4] * turn.y
            + g[5] * turn.z)
    }

    /// The damped step; turns are damped by the square of the part's size, so that a damping of
    /// `damp` weighs a shift of one mm and a turn that moves the part's corners by one mm alike.
    /// False if the matrix cannot be split (then the step is the old one).
    pub fn solve(&mut self, damp: f64, radius: &[f64]) -> bool {
        let n = self.n;
        self.work.copy_from_slice(&self.matrix);
        for (i, r) in radius.iter().enumerate() {
            for a in 0..6 {
                let d = (6 * i + a) * (n + 1);
                let unit = if a < 3 { 1.0 } else { r * r };
                self.work[d] += damp * unit + 1e-3 * self.matrix[d];
            }
        }
        if !cholesky(&mut self.work, n) {
            return false;
        }
        for (s, g) in self.step.iter_mut().zip(&self.gradient) {
            *s = -g;
        }
        substitute(&self.work, n, &mut self.step);
        true
    }
}

/// Splits the upper half in place, row by row; false where a pivot is not positive. Whole rows are
/// taken off each other, so that nothing waits for a sum, and parts that do not touch are skipped.
pub fn cholesky(m: &mut [f64], n: usize) -> bool {
    for k in 0..n {
        let (head, tail) = m.split_at_mut((k + 1) * n);
        let row = &mut head[k * n..];
        let pivot = row[k];
        if pivot <= 0.0 || !pivot.is_finite() {
            return false;
        }
        let root = pivot.sqrt();
        let inverse = 1.0 / root;
        row[k] = root;
        for x in &mut row[k + 1..] {
            *x *= inverse;
        }
        for (i, below) in tail.chunks_exact_mut(n).enumerate() {
            let i = k + 1 + i;
            let share = row[i];
            if share != 0.0 {
                for (x, r) in below[i..].iter_mut().zip(&row[i..]) {
                    *x -= share * r;
                }
            }
        }
    }
    true
}

/// Solves with the split matrix, in place.
pub fn substitute(u: &[f64], n: usize, x: &mut [f64]) {
    for i in 0..n {
        let row = &u[i * n..(i + 1) * n];
        x[i] /= row[i];
        let xi = x[i];
        for (y, r) in x[i + 1..].iter_mut().zip(&row[i + 1..]) {
            *y -= r * xi;
        }
    }
    for i in (0..n).rev() {
        let row = &u[i * n..(i + 1) * n];
        let dot: f64 = row[i + 1..]
            .iter()
            .zip(&x[i + 1..])
            .map(|(a, b)| a * b)
            .sum();
        x[i] = (x[i] - dot) / row[i];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_what_it_splits() {
        let n = 7;
        let mut rng = crate::stack::search::rng::Rng::new(1);
        let a: Vec<f64> = (0..n * n).map(|_| rng.normal()).collect();
        let mut m = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..n {
                m[i * n + j] = (0..n).map(|k| a[i * n + k] * a[j * n + k]).sum::<f64>()
                    + if i == j { 0.1 } else { 0.0 };
            }
        }
        let x: Vec<f64> = (0..n).map(|i| i as f64 - 2.5).collect();
        let mut b: Vec<f64> = (0..n)
            .map(|i| (0..n).map(|j| m[i * n + j] * x[j]).sum())
            .collect();
        assert!(cholesky(&mut m, n));
        substitute(&m, n, &mut b);
        for (got, want) in b.iter().zip(&x) {
            assert!((got - want).abs() < 1e-8);
        }
    }
}

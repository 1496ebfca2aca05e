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

    /// One point short of its depth by `short`; depth grows along `slope` (and `turn` for a turn).
    pub fn push_wall(
        &mut self,
        part: usize,
        slope: &Vector,
        turn: &Vector,
        short: f64,
        weight: f64,
    ) {
        let j = [slope.x, slope.y, slope.z, turn.x, turn.y, turn.z];
        let base = 6 * part;
        for a in 0..6 {
            let wa = weight * j[a];
            self.gradient[base + a] -= wa * short;
            let row = (base + a) * self.n + base;
            for b in 0..=a {
                self.matrix[row + b] += wa * j[b];
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
                for b in 0..=a {
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
            let row = (6 * upper + a) * self.n + 6 * lower;
            for b in 0..6 {
                self.matrix[row + b] += weight * ju[a] * jl[b];
            }
        }
    }

    /// Ties a seated part: no shift along `normal`, no turn but about it.
    pub fn tie(&mut self, part: usize, normal: &Vector) {
        const STIFF: f64 = 1e6;
        let base = 6 * part;
        for a in 0..3 {
            for b in 0..=a {
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

/// Splits the lower half in place; false where a pivot is not positive.
pub fn cholesky(m: &mut [f64], n: usize) -> bool {
    for i in 0..n {
        for j in 0..=i {
            let (head, tail) = m.split_at(i * n);
            let row_i = &tail[..n];
            let row_j = if j == i {
                row_i
            } else {
                &head[j * n..j * n + n]
            };
            let dot: f64 = row_i[..j].iter().zip(&row_j[..j]).map(|(a, b)| a * b).sum();
            let left = row_i[j] - dot;
            if i == j {
                if left <= 0.0 || !left.is_finite() {
                    return false;
                }
                m[i * n + i] = left.sqrt();
            } else {
                m[i * n + j] = left / m[j * n + j];
            }
        }
    }
    true
}

/// Solves with the split matrix, in place.
pub fn substitute(l: &[f64], n: usize, x: &mut [f64]) {
    for i in 0..n {
        let dot: f64 = l[i * n..i * n + i]
            .iter()
            .zip(&x[..i])
            .map(|(a, b)| a * b)
            .sum();
        x[i] = (x[i] - dot) / l[i * n + i];
    }
    for i in (0..n).rev() {
        x[i] /= l[i * n + i];
        let xi = x[i];
        for j in 0..i {
            x[j] -= l[i * n + j] * xi;
        }
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

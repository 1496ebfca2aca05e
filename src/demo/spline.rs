//! Natural cubic splines: the canal's sections change without a kink (twice differentiable).

/// A smooth curve through given values, straight beyond its ends.
#[derive(Debug, Clone)]
pub(crate) struct Spline {
    at: Vec<f64>,
    value: Vec<f64>,
    /// Second derivatives at the knots.
    second: Vec<f64>,
}

impl Spline {
    /// Through `(at, value)`, sorted by `at`; knots closer than a nanometre are one.
    pub fn through(knots: &[(f64, f64)]) -> Self {
        let mut knots = knots.to_vec();
        knots.sort_by(|a, b| a.0.total_cmp(&b.0));
        knots.dedup_by(|a, b| (a.0 - b.0).abs() < 1e-6);
        if knots.is_empty() {
            knots.push((0.0, 0.0));
        }
        let (at, value): (Vec<f64>, Vec<f64>) = knots.into_iter().unzip();
        let second = second_derivatives(&at, &value);
        Self { at, value, second }
    }

    /// Value and slope.
    pub fn at(&self, x: f64) -> (f64, f64) {
        let n = self.at.len();
        if n == 1 {
            return (self.value[0], 0.0);
        }
        let inside = x.clamp(self.at[0], self.at[n - 1]);
        let i = self.at[1..n - 1].partition_point(|&k| k <= inside);
        let h = self.at[i + 1] - self.at[i];
        let (a, b) = ((self.at[i + 1] - inside) / h, (inside - self.at[i]) / h);
        let (ma, mb) = (self.second[i], self.second[i + 1]);
        let (va, vb) = (self.value[i], self.value[i + 1]);
        let value = a * va + b * vb + ((a * a * a - a) * ma + (b * b * b - b) * mb) * h * h / 6.0;
        let slope = (vb - va) / h + ((3.0 * b * b - 1.0) * mb - (3.0 * a * a - 1.0) * ma) * h / 6.0;
        (value + slope * (x - inside), slope)
    }
}

/// Solves the tridiagonal system of the natural spline by elimination.
fn second_derivatives(at: &[f64], value: &[f64]) -> Vec<f64> {
    let n = at.len();
    let mut second = vec![0.0; n];
    if n < 3 {
        return second;
    }
    let (mut upper, mut right) = (vec![0.0; n], vec![0.0; n]);
    for i in 1..n - 1 {
        let (before, after) = (at[i] - at[i - 1], at[i + 1] - at[i]);
        let jump = (value[i + 1] - value[i]) / after - (value[i] - value[i - 1]) / before;
        let pivot = 2.0 * (before + after) - before * upper[i - 1];
        upper[i] = after / pivot;
        right[i] = (6.0 * jump - before * right[i - 1]) / pivot;
    }
    for i in (1..n - 1).rev() {
        second[i] = right[i] - upper[i] * second[i + 1];
    }
    second
}

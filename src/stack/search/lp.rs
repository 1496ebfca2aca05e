//! The small linear programme of the polish: raise the least of many margins, each a linear
//! function of the parts' small moves, within a box of trust. Primal–dual interior point (Boyd,
//! Vandenberghe, Convex Optimization, 2004, §11.7), started strictly inside.

use super::system::{cholesky, substitute};

/// One margin: what it has to spare, and how it changes with the moves of one or two parts.
#[derive(Debug, Clone)]
pub struct Row {
    pub spare: f64,
    pub first: (usize, [f64; 6]),
    pub second: Option<(usize, [f64; 6])>,
}

/// Steps of Newton at most; 12 to 25 are usual.
const MOST_STEPS: usize = 60;

/// The moves (six a part, each within `trust`) that raise the least spare the most, and that
/// spare by the linear model. `None` if the numbers break down.
pub fn raise_least(rows: &[Row], parts: usize, trust: f64) -> Option<(Vec<f64>, f64)> {
    let n = 6 * parts + 1;
    let least = rows.iter().map(|r| r.spare).fold(f64::INFINITY, f64::min);
    if !least.is_finite() {
        return None;
    }
    let mut y = vec![0.0; n];
    y[n - 1] = least - 1.0;
    let m = rows.len() + 2 * (n - 1);
    let mut slack = slacks(rows, &y, trust);
    let mut dual: Vec<f64> = slack.iter().map(|s| 1.0 / s).collect();
    let mut matrix = vec![0.0; n * n];
    for _ in 0..MOST_STEPS {
        let gap: f64 = slack.iter().zip(&dual).map(|(s, l)| s * l).sum();
        if gap < 1e-8 {
            break;
        }
        let mu = 0.1 * gap / m as f64;
        matrix.fill(0.0);
        let mut dy = vec![0.0; n];
        dy[n - 1] = 1.0;
        for (k, row) in rows.iter().enumerate() {
            add_row(row, dual[k] / slack[k], mu / slack[k], &mut matrix, &mut dy);
        }
        for j in 0..n - 1 {
            let (up, down) = (rows.len() + 2 * j, rows.len() + 2 * j + 1);
            matrix[j * n + j] += dual[up] / slack[up] + dual[down] / slack[down];
            dy[j] += mu / slack[down] - mu / slack[up];
        }
        if !cholesky(&mut matrix, n) {
            return None;
        }
        substitute(&matrix, n, &mut dy);
        let change = changes(rows, &dy);
        let mut share = 1.0_f64;
        let mut d_dual = vec![0.0; m];
        for k in 0..m {
            // A·dy, as the slack loses it.
            d_dual[k] = -dual[k] + mu / slack[k] + dual[k] / slack[k] * change[k];
            if d_dual[k] < 0.0 {
                share = share.min(-0.99 * dual[k] / d_dual[k]);
            }
            if change[k] > 0.0 {
                share = share.min(0.99 * slack[k] / change[k]);
            }
        }
        for k in 0..m {
            dual[k] += share * d_dual[k];
        }
        for (a, d) in y.iter_mut().zip(&dy) {
            *a += share * d;
        }
        slack = slacks(rows, &y, trust);
        if slack.iter().any(|s| s.is_nan() || *s <= 0.0) {
            return None;
        }
    }
    let raised = y[n - 1];
    y.truncate(n - 1);
    Some((y, raised))
}

fn each(row: &Row) -> impl Iterator<Item = (usize, f64)> + '_ {
    std::iter::once(&row.first)
        .chain(&row.second)
        .flat_map(|(part, g)| g.iter().enumerate().map(move |(a, x)| (6 * part + a, *x)))
}

/// How much a row's margin grows by the moves `y`.
#[inline]
fn growth(row: &Row, y: &[f64]) -> f64 {
    let dot = |(part, g): &(usize, [f64; 6])| -> f64 {
        let y = &y[6 * part..6 * part + 6];
        g.iter().zip(y).map(|(g, y)| g * y).sum()
    };
    dot(&row.first) + row.second.as_ref().map_or(0.0, dot)
}

/// Rows read −g·x + t ≤ spare; then x ≤ trust and −x ≤ trust by turns.
fn slacks(rows: &[Row], y: &[f64], trust: f64) -> Vec<f64> {
    let t = y[y.len() - 1];
    let of_rows = rows.iter().map(|r| r.spare - t + growth(r, y));
    let moves = y[..y.len() - 1].iter();
    let held = moves.flat_map(|x| [trust - x, trust + x]);
    of_rows.chain(held).collect()
}

fn changes(rows: &[Row], dy: &[f64]) -> Vec<f64> {
    let t = dy[dy.len() - 1];
    let of_rows = rows.iter().map(|r| t - growth(r, dy));
    let moves = dy[..dy.len() - 1].iter();
    of_rows.chain(moves.flat_map(|x| [*x, -x])).collect()
}

fn add_row(row: &Row, weight: f64, push: f64, matrix: &mut [f64], right: &mut [f64]) {
    let n = right.len();
    let t = n - 1;
    // One block of six by six for each two parts of the row, in the upper half.
    let mut block = |(p, g): &(usize, [f64; 6]), (q, h): &(usize, [f64; 6])| {
        for (a, ga) in g.iter().enumerate() {
            let at = (6 * p + a) * n + 6 * q;
            for (m, hb) in matrix[at..at + 6].iter_mut().zip(h) {
                *m += weight * ga * hb;
            }
        }
    };
    block(&row.first, &row.first);
    if let Some(second) = &row.second {
        block(second, second);
        let (low, high) = if row.first.0 < second.0 {
            (&row.first, second)
        } else {
            (second, &row.first)
        };
        block(low, high);
    }
    for (i, gi) in each(row) {
        matrix[i * n + t] -= weight * gi;
        right[i] += push * gi;
    }
    matrix[t * n + t] += weight;
    right[t] -= push;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_two_walls_the_middle_is_best() {
        let mut left = [0.0; 6];
        left[0] = 1.0;
        let right = left.map(|x: f64| -x);
        let rows = [
            Row {
                spare: -0.03,
                first: (0, left),
                second: None,
            },
            Row {
                spare: 0.05,
                first: (0, right),
                second: None,
            },
        ];
        let (x, raised) = raise_least(&rows, 1, 0.1).unwrap();
        assert!(
            (raised - 0.01).abs() < 1e-6 && (x[0] - 0.04).abs() < 1e-6,
            "{raised} {}",
            x[0]
        );
        let (x, raised) = raise_least(&rows, 1, 0.02).unwrap();
        assert!((raised + 0.01).abs() < 1e-6 && (x[0] - 0.02).abs() < 1e-6);
    }

    #[test]
    fn random_programmes_end_at_a_point_no_move_improves() {
        let mut rng = crate::stack::search::rng::Rng::new(4);
        for _ in 0..20 {
            let rows: Vec<Row> = (0..60)
                .map(|k| Row {
                    spare: rng.within(-0.05, 0.1),
                    first: (k % 3, [0; 6].map(|_| rng.normal())),
                    second: (k % 2 == 0).then(|| ((k + 1) % 3, [0; 6].map(|_| rng.normal()))),
                })
                .collect();
            let (x, raised) = raise_least(&rows, 3, 0.1).unwrap();
            let least = |x: &[f64]| {
                let of = |r: &Row| r.spare + each(r).map(|(j, g)| g * x[j]).sum::<f64>();
                rows.iter().map(of).fold(f64::INFINITY, f64::min)
            };
            assert!((least(&x) - raised).abs() < 1e-5);
            for _ in 0..300 {
                let y: Vec<f64> = x
                    .iter()
                    .map(|v| (v + 0.01 * rng.normal()).clamp(-0.1, 0.1))
                    .collect();
                assert!(least(&y) <= raised + 1e-6);
            }
        }
    }
}

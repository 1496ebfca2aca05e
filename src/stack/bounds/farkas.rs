//! Linear conditions that contradict each other within a cube. Rows a·z ≥ b for z in [−1, 1]⁶ have no
//! common point if some weights λ ≥ 0 give Σ λ b > ‖Σ λ a‖₁ (the most that the left side can be): that
//! is looked for by the simplex method on the weights, seven in use at a time, and then checked by
//! itself, so that no fault of the search makes a contradiction.

/// Steps at most; four to ten are usual.
const MOST_STEPS: usize = 40;
/// A contradiction counts from here, mm: far above rounding.
const CLEAR_MM: f64 = 1e-7;

/// a·z ≥ b.
#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    pub a: [f64; 6],
    pub b: f64,
}

impl Row {
    /// Is there a place in the cube that does not meet it?
    pub fn says_something(&self) -> bool {
        self.b + self.a.iter().map(|a| a.abs()).sum::<f64>() > 0.0
    }
}

/// A column of the simplex table: a row's weight, or what one coordinate of Σ λ a comes to.
#[derive(Clone, Copy, PartialEq)]
enum Column {
    Row(usize),
    Over(usize),
    Under(usize),
}

impl Column {
    fn cost(self, rows: &[Row]) -> f64 {
        match self {
            Self::Row(j) => -rows[j].b,
            _ => 1.0,
        }
    }

    fn entries(self, rows: &[Row]) -> [f64; 7] {
        let mut out = [0.0; 7];
        match self {
            Self::Row(j) => {
                out[..6].copy_from_slice(&rows[j].a);
                out[6] = 1.0;
            }
            Self::Over(k) => out[k] = 1.0,
            Self::Under(k) => out[k] = -1.0,
        }
        out
    }
}

/// Do the rows contradict each other?
pub(super) fn contradict(rows: &[Row]) -> bool {
    if rows.iter().all(|r| r.b <= 0.0) {
        return false; // the cube's middle meets them all
    }
    let most = |r: &Row| r.a.iter().map(|a| a.abs()).sum::<f64>();
    let Some((first, excess)) = (rows.iter().enumerate())
        .map(|(j, r)| (j, r.b - most(r)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
    else {
        return false;
    };
    if excess > CLEAR_MM {
        return true;
    }
    let (mut basis, mut inverse) = start(rows, first);
    for _ in 0..MOST_STEPS {
        let prices = prices(rows, &basis, &inverse);
        if prices[6] < -CLEAR_MM {
            return checked(rows, &basis, &inverse);
        }
        let Some(enters) = cheapest(rows, &prices) else {
            return false;
        };
        if !pivot(rows, &mut basis, &mut inverse, enters) {
            return false;
        }
    }
    false
}

type Inverse = [[f64; 7]; 7];

fn start(rows: &[Row], first: usize) -> ([Column; 7], Inverse) {
    let mut basis = [Column::Row(first); 7];
    let mut inverse = [[0.0; 7]; 7];
    inverse[6][6] = 1.0;
    for k in 0..6 {
        let a = rows[first].a[k];
        let sign = if a > 0.0 { -1.0 } else { 1.0 };
        basis[k] = if a > 0.0 {
            Column::Under(k)
        } else {
            Column::Over(k)
        };
        inverse[k][k] = sign;
        inverse[k][6] = -sign * a;
    }
    (basis, inverse)
}

fn prices(rows: &[Row], basis: &[Column; 7], inverse: &Inverse) -> [f64; 7] {
    let mut out = [0.0; 7];
    for (column, line) in basis.iter().zip(inverse) {
        let cost = column.cost(rows);
        for (o, x) in out.iter_mut().zip(line) {
            *o += cost * x;
        }
    }
    out
}

/// The column that lowers the cost the most.
fn cheapest(rows: &[Row], prices: &[f64; 7]) -> Option<Column> {
    let (mut best, mut least) = (None, -1e-9);
    for (j, row) in rows.iter().enumerate() {
        let paid: f64 = row.a.iter().zip(prices).map(|(a, y)| a * y).sum();
        let reduced = -row.b - paid - prices[6];
        if reduced < least {
            (best, least) = (Some(Column::Row(j)), reduced);
        }
    }
    for (k, y) in prices[..6].iter().enumerate() {
        if 1.0 - y.abs() < least {
            let column = if *y > 0.0 {
                Column::Over(k)
            } else {
                Column::Under(k)
            };
            (best, least) = (Some(column), 1.0 - y.abs());
        }
    }
    best
}

fn pivot(rows: &[Row], basis: &mut [Column; 7], inverse: &mut Inverse, enters: Column) -> bool {
    let entries = enters.entries(rows);
    let step: [f64; 7] =
        std::array::from_fn(|i| inverse[i].iter().zip(&entries).map(|(x, e)| x * e).sum());
    let (mut leaves, mut ratio) = (7, f64::INFINITY);
    for i in 0..7 {
        if step[i] > 1e-9 && inverse[i][6].max(0.0) / step[i] < ratio {
            (leaves, ratio) = (i, inverse[i][6].max(0.0) / step[i]);
        }
    }
    if leaves == 7 {
        return false;
    }
    let mut line = inverse[leaves];
    for x in &mut line {
        *x /= step[leaves];
    }
    for i in 0..7 {
        if i != leaves {
            for k in 0..7 {
                inverse[i][k] -= step[i] * line[k];
            }
        }
    }
    inverse[leaves] = line;
    basis[leaves] = enters;
    true
}

/// Takes the weights alone and sums the rows anew.
fn checked(rows: &[Row], basis: &[Column; 7], inverse: &Inverse) -> bool {
    let (mut a, mut b) = ([0.0; 6], 0.0);
    for (column, line) in basis.iter().zip(inverse) {
        if let Column::Row(j) = column {
            let weight = line[6].max(0.0);
            b += weight * rows[*j].b;
            for (sum, x) in a.iter_mut().zip(&rows[*j].a) {
                *sum += weight * x;
            }
        }
    }
    b > a.iter().map(|x: &f64| x.abs()).sum::<f64>() + CLEAR_MM / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::search::rng::Rng;

    fn any_row(rng: &mut Rng, size: f64) -> Row {
        Row {
            a: [0; 6].map(|_| size * rng.normal()),
            b: 0.0,
        }
    }

    fn left(row: &Row, z: &[f64; 6]) -> f64 {
        row.a.iter().zip(z).map(|(a, z)| a * z).sum()
    }

    #[test]
    fn rows_with_a_common_point_never_contradict() {
        let mut rng = Rng::new(21);
        for _ in 0..20_000 {
            let z = [0; 6].map(|_| rng.within(-1.5, 1.5).clamp(-1.0, 1.0));
            let n = 1 + rng.below(14);
            let rows: Vec<Row> = (0..n)
                .map(|_| {
                    let size = rng.within(0.01, 1.0);
                    let mut row = any_row(&mut rng, size);
                    row.b = left(&row, &z) - if rng.unit() < 0.7 { 0.0 } else { rng.unit() };
                    row
                })
                .collect();
            assert!(!contradict(&rows), "{rows:?}");
        }
    }

    #[test]
    fn a_sum_that_cannot_be_is_found() {
        let mut rng = Rng::new(22);
        let mut found = 0;
        for _ in 0..2_000 {
            // Some rows, and one that asks for more than the opposite of a mixture of them leaves.
            let n = 1 + rng.below(6);
            let mut rows: Vec<Row> = (0..n)
                .map(|_| {
                    let mut row = any_row(&mut rng, 0.3);
                    row.b = rng.within(-0.3, 0.3);
                    row
                })
                .collect();
            let mut last = Row {
                a: [0.0; 6],
                b: 0.01,
            };
            for row in &rows {
                let weight = rng.unit();
                last.b -= weight * row.b;
                for (l, a) in last.a.iter_mut().zip(&row.a) {
                    *l -= weight * a;
                }
            }
            rows.push(last);
            found += usize::from(contradict(&rows));
            // A hundredth less on one side and there may be a place; at least the cube's own limit stays.
            rows.truncate(n);
            for row in &mut rows {
                row.b = -row.a.iter().map(|a| a.abs()).sum::<f64>();
            }
            assert!(!contradict(&rows));
        }
        assert!(found == 2_000, "{found} of 2000 found");
    }
}

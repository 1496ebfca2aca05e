//! Brings a vertex onto the level: straight down the gradient where the surface is smooth, onto
//! the crease where two or three sheets of it meet.
//!
//! A field of distances has creases where the nearest point jumps. The field is a black box here:
//! a branch that is not the active one at the crease is asked a little to the side, where it is.

use nalgebra::{Matrix3, Vector3};

use super::super::{Implicit, Sample};
use crate::mesh::{Point, Vector};

/// Gradients further apart than this (cosine of 25°) may belong to two sheets. At 10° every
/// bend of 1 mm radius is tried in vain (five extra questions each); at 45° flat creases stay cut.
pub(super) const SAME_SHEET: f64 = 0.906;
/// How far beside a crease its branches are asked, in cells. 0.01: a crease of 1 µm error can hide
/// the branch; 0.3: on a sheet of 0.5 mm radius the plane taken there is off by 4 µm.
const BESIDE: f64 = 0.08;
/// A vertex is on the level when the field there is below this share of a cell (0.2 mm: 0.4 µm).
pub(super) const ON_LEVEL: f64 = 0.002;
/// A crease point is taken when the field there is below this share of a cell (0.2 mm: 1 µm).
const ON_CREASE: f64 = 0.005;

/// A vertex with the field there.
#[derive(Debug, Clone, Copy)]
pub(super) struct Vertex {
    pub sample: Sample,
    /// True where two sheets meet in it.
    pub crease: bool,
}

/// Places a vertex from a first guess and samples round about; within `reach_mm` of the guess
/// where it goes onto a crease.
pub(super) fn place<F: Implicit + ?Sized>(
    f: &F,
    guess: &Point,
    around: &[Sample],
    cell_mm: f64,
    reach_mm: f64,
) -> Vertex {
    let on_crease = branches(around, guess).and_then(|b| crease(f, guess, b, cell_mm, reach_mm));
    on_crease.unwrap_or_else(|| Vertex {
        sample: settle(f, guess, around.first(), cell_mm),
        crease: false,
    })
}

/// Newton steps down the gradient; keeps the best point seen.
pub(super) fn settle<F: Implicit + ?Sized>(
    f: &F,
    guess: &Point,
    near: Option<&Sample>,
    cell_mm: f64,
) -> Sample {
    let mut best = f.sample(guess, near);
    let mut now = best;
    for _ in 0..6 {
        if best.value_mm.abs() <= ON_LEVEL * cell_mm {
            break;
        }
        let steep = now.gradient.norm_squared().max(0.25);
        let step = (now.gradient * (-now.value_mm / steep)).cap_magnitude(0.5 * cell_mm);
        now = f.sample(&(now.at + step), Some(&now));
        if now.value_mm.abs() < best.value_mm.abs() {
            best = now;
        } else {
            // Overshot a fold: go on from half way.
            now = f.sample(&nalgebra::center(&best.at, &now.at), Some(&best));
            if now.value_mm.abs() < best.value_mm.abs() {
                best = now;
            }
        }
    }
    best
}

/// One sample for each sheet among `around`, or `None` where all agree.
fn branches(around: &[Sample], guess: &Point) -> Option<Vec<Sample>> {
    let mut worst = (SAME_SHEET, 0, 0);
    for (i, a) in around.iter().enumerate() {
        for (j, b) in around.iter().enumerate().skip(i + 1) {
            let d = a.gradient.dot(&b.gradient);
            if d < worst.0 {
                worst = (d, i, j);
            }
        }
    }
    let (_, i, j) = worst;
    if j == 0 {
        return None;
    }
    let mut out = vec![around[i], around[j]];
    let third = around
        .iter()
        .map(|s| {
            (
                s,
                out.iter()
                    .map(|o| o.gradient.dot(&s.gradient))
                    .fold(-1.0, f64::max),
            )
        })
        .min_by(|x, y| x.1.total_cmp(&y.1));
    if let Some((s, d)) = third
        && d < SAME_SHEET
    {
        out.push(*s);
    }
    // The sample nearest to the guess speaks for its sheet.
    let away = |s: &Sample| (s.at - guess).norm_squared();
    for s in around {
        let mine = out
            .iter()
            .enumerate()
            .max_by(|x, y| {
                x.1.gradient
                    .dot(&s.gradient)
                    .total_cmp(&y.1.gradient.dot(&s.gradient))
            })
            .map_or(0, |(k, _)| k);
        if out[mine].gradient.dot(&s.gradient) > SAME_SHEET && away(s) < away(&out[mine]) {
            out[mine] = *s;
        }
    }
    Some(out)
}

/// The point next to `guess` where all branches are on the level, if the field agrees.
fn crease<F: Implicit + ?Sized>(
    f: &F,
    guess: &Point,
    mut sheets: Vec<Sample>,
    cell_mm: f64,
    reach_mm: f64,
) -> Option<Vertex> {
    let mut x = *guess;
    for round in 0..4 {
        x += meet(&sheets, &x)?;
        if (x - guess).norm() > reach_mm {
            return None;
        }
        if round > 0 {
            let s = f.sample(&x, Some(&sheets[0]));
            if s.value_mm.abs() <= ON_CREASE * cell_mm {
                return Some(Vertex {
                    sample: s,
                    crease: true,
                });
            }
        }
        beside(f, &x, &mut sheets, cell_mm);
    }
    None
}

/// Asks every branch anew beside `x`, on the side where it is the active one.
fn beside<F: Implicit + ?Sized>(f: &F, x: &Point, sheets: &mut Vec<Sample>, cell_mm: f64) {
    let old = sheets.clone();
    for i in 0..old.len() {
        for j in i + 1..old.len() {
            let Some(apart) = (old[i].gradient - old[j].gradient).try_normalize(1e-6) else {
                continue;
            };
            for way in [BESIDE, -BESIDE] {
                let s = f.sample(&(x + apart * (way * cell_mm)), Some(&old[i]));
                let (mine, d) = sheets
                    .iter()
                    .enumerate()
                    .map(|(k, o)| (k, o.gradient.dot(&s.gradient)))
                    .max_by(|a, b| a.1.total_cmp(&b.1))
                    .unwrap_or((0, -1.0));
                if d > SAME_SHEET || sheets.len() == 3 {
                    sheets[mine] = s;
                } else {
                    sheets.push(s);
                }
            }
        }
    }
}

/// The shortest step from `x` to where all planes are zero.
fn meet(sheets: &[Sample], x: &Point) -> Option<Vector> {
    let g = |i: usize| sheets.get(i).map_or_else(Vector::zeros, |s| s.gradient);
    let miss = |i: usize| {
        sheets
            .get(i)
            .map_or(0.0, |s| s.value_mm + s.gradient.dot(&(x - s.at)))
    };
    let rows = [g(0), g(1), g(2)];
    let mut gram = Matrix3::from_fn(|i, j| rows[i].dot(&rows[j]));
    if sheets.len() < 3 {
        gram[(2, 2)] = 1.0;
    }
    // Planes that hardly differ have no crease worth the name.
    let y = if gram.determinant().abs() > 1e-3 {
        gram.try_inverse()? * Vector3::new(-miss(0), -miss(1), -miss(2))
    } else if sheets.len() == 3 {
        return meet(&sheets[..2], x);
    } else {
        return None;
    };
    Some(rows[0] * y.x + rows[1] * y.y + rows[2] * y.z)
}

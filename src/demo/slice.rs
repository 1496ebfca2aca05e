//! A section of the implicit solid, by direct evaluation: no mesh is asked.
//!
//! Rays run from the middle outward in the section's plane and stop at every crossing of the
//! surface, found to rounding by Newton's method. Area and centroid are then integrals over the
//! angle, and since the outline is smooth and closed, equal angles converge faster than any power.

use std::f64::consts::TAU;

use crate::mesh::{Point, Vector};

use super::polygonise::Field;

/// The connected piece of a section that holds the point it was asked at.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Slice {
    pub area_mm2: f64,
    pub centroid: Point,
}

/// How far apart a ray is sampled before a crossing is searched for. Too coarse: a thin gap is
/// stepped over; the thinnest gap of a made ear (the crus) is over 1 mm.
const MARCH_MM: f64 = 0.4;

/// Two unit directions square to `normal`.
pub(crate) fn across(normal: &Vector) -> (Vector, Vector) {
    let help = if normal.z.abs() < 0.7 {
        Vector::z()
    } else {
        Vector::y()
    };
    let u = normal.cross(&help).normalize();
    (u, normal.cross(&u))
}

/// Distances along a ray at which it passes the surface, nearest first.
pub(crate) fn crossings(field: Field, from: &Point, along: &Vector, reach_mm: f64) -> Vec<f64> {
    let mut found = Vec::new();
    let (mut r, mut before) = (0.0, field(from).v);
    while r < reach_mm {
        // The field's slope stays under 2.5 (2.03 was the steepest met, on the hollow side of a
        // bend), so two fifths of it is a safe stride.
        let next = r + (before.abs() * 0.4).max(MARCH_MM);
        let value = field(&(from + along * next)).v;
        if (before < 0.0) != (value < 0.0) {
            found.push(root(field, from, along, r, next, before));
        }
        (r, before) = (next, value);
    }
    found
}

/// Newton's method kept within a bracket.
fn root(field: Field, from: &Point, along: &Vector, low: f64, high: f64, at_low: f64) -> f64 {
    let (mut low, mut high) = (low, high);
    let mut r = (low + high) / 2.0;
    for _ in 0..60 {
        let j = field(&(from + along * r));
        if (j.v < 0.0) == (at_low < 0.0) {
            low = r;
        } else {
            high = r;
        }
        let newton = r - j.v / j.g.dot(along);
        let next = if newton > low && newton < high {
            newton
        } else {
            (low + high) / 2.0
        };
        let step = (next - r).abs();
        r = next;
        if step < 1e-11 {
            break;
        }
    }
    r
}

/// The section through `at`, square to `normal`; `None` where `at` is outside the solid.
pub(crate) fn slice(field: Field, at: &Point, normal: &Vector, rays: usize) -> Option<Slice> {
    if field(at).v >= 0.0 {
        return None;
    }
    let (u, v) = across(normal);
    let spans: Vec<Vec<(f64, f64)>> = (0..rays)
        .map(|i| {
            let (sin, cos) = (TAU * i as f64 / rays as f64).sin_cos();
            inside_spans(&crossings(field, at, &(u * cos + v * sin), 30.0))
        })
        .collect();
    let (mut area, mut moment) = (0.0, Vector::zeros());
    for (i, held) in connected(&spans).iter().enumerate() {
        let (sin, cos) = (TAU * i as f64 / rays as f64).sin_cos();
        for &(a, b) in held {
            area += (b * b - a * a) / 2.0;
            moment += (u * cos + v * sin) * ((b.powi(3) - a.powi(3)) / 3.0);
        }
    }
    let share = TAU / rays as f64;
    Some(Slice {
        area_mm2: area * share,
        centroid: at + moment / area,
    })
}

/// Pairs of crossings between which the ray is inside (it starts inside; what runs on is dropped).
fn inside_spans(crossings: &[f64]) -> Vec<(f64, f64)> {
    let mut ends = vec![0.0];
    ends.extend_from_slice(crossings);
    ends.chunks_exact(2).map(|c| (c[0], c[1])).collect()
}

/// Of all spans, those that hang together with the middle: neighbours on adjacent rays that overlap.
fn connected(spans: &[Vec<(f64, f64)>]) -> Vec<Vec<(f64, f64)>> {
    let n = spans.len();
    let mut held: Vec<Vec<bool>> = spans
        .iter()
        .map(|s| (0..s.len()).map(|k| k == 0).collect())
        .collect();
    let mut open: Vec<(usize, usize)> = (0..n).map(|i| (i, 0)).collect();
    while let Some((i, k)) = open.pop() {
        let Some(&(a, b)) = spans[i].get(k) else {
            continue;
        };
        for j in [(i + 1) % n, (i + n - 1) % n] {
            for (m, &(c, d)) in spans[j].iter().enumerate() {
                if !held[j][m] && a < d && c < b {
                    held[j][m] = true;
                    open.push((j, m));
                }
            }
        }
    }
    let keep = |(s, h): (&Vec<(f64, f64)>, &Vec<bool>)| {
        let kept = s.iter().zip(h).filter(|(_, h)| **h);
        kept.map(|(s, _)| *s).collect()
    };
    spans.iter().zip(&held).map(keep).collect()
}

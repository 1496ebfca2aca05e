//! Facets that lie folded over their neighbours are turned or collapsed flat.
//!
//! A facet's corners are all on the level, yet it can face the wrong way: two vertices too near
//! each other, or a four-cornered facet that is hollow. Its normal against the field's own
//! gradient tells.

use rayon::prelude::*;

use super::super::{Implicit, Sample};
use super::net::{NONE, Net};
use crate::mesh::Point;

/// Least cosine between a facet's normal and the gradient at its middle. At 0 facets stand on
/// edge; at 0.5 facets that bridge a sharp crease on purpose are taken for folds.
pub(super) const FACING: f64 = 0.15;
/// A facet whose corners' gradients clear this is not asked about at its middle.
const CLEARLY: f64 = 0.6;
const ROUNDS: usize = 4;

/// How many folds were mended, and how many are left.
pub(super) fn untangle<F: Implicit + ?Sized>(f: &F, net: &mut Net, cell_mm: f64) -> (usize, usize) {
    let mut mended = 0;
    for round in 0.. {
        let folded: Vec<u32> = (0..net.facets.len() as u32)
            .into_par_iter()
            .with_min_len(512)
            .filter(|&t| !net.gone(t) && suspect(net, t))
            .filter(|&t| !faces_out(f, net, net.facets[t as usize]))
            .collect();
        let before = mended;
        if round < ROUNDS {
            for &t in &folded {
                if !net.gone(t) && !faces_out(f, net, net.facets[t as usize]) {
                    mended += usize::from(turn(f, net, t) || collapse(f, net, t, cell_mm));
                }
            }
        }
        if mended == before {
            return (mended, folded.len());
        }
    }
    (mended, 0)
}

fn suspect(net: &Net, t: u32) -> bool {
    let corners = net.facets[t as usize];
    let n = net.normal(corners);
    let long = n.norm();
    corners
        .iter()
        .any(|&v| net.vertices[v as usize].sample.gradient.dot(&n) < CLEARLY * long)
}

fn faces_out<F: Implicit + ?Sized>(f: &F, net: &Net, corners: [u32; 3]) -> bool {
    cosine(f, net, corners) > FACING
}

fn cosine<F: Implicit + ?Sized>(f: &F, net: &Net, corners: [u32; 3]) -> f64 {
    let near = &net.vertices[corners[0] as usize].sample;
    facing(f, corners.map(|v| *net.at(v)), near)
}

/// Cosine between a facet's normal and the field's gradient at its middle.
pub(super) fn facing<F: Implicit + ?Sized>(f: &F, [a, b, c]: [Point; 3], near: &Sample) -> f64 {
    let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
    let s = f.sample(&middle, Some(near));
    let n = (b - a).cross(&(c - a));
    let long = n.norm() * s.gradient.norm();
    if long > 0.0 {
        n.dot(&s.gradient) / long
    } else {
        -1.0
    }
}

/// Turns the edge that leaves both facets facing out most clearly, if any does.
fn turn<F: Implicit + ?Sized>(f: &F, net: &mut Net, t: u32) -> bool {
    let mut best = (FACING, None);
    for e in 0..3 {
        let [a, b, c] = net.corners(t, e);
        let (g, _, d) = net.opposite(t, e);
        if g == NONE || c == d || net.joined(t, c, d) {
            continue;
        }
        let worse = cosine(f, net, [c, d, b]).min(cosine(f, net, [d, c, a]));
        if worse > best.0 {
            best = (worse, Some(e));
        }
    }
    if let Some(e) = best.1 {
        net.turn(t, e);
    }
    best.1.is_some()
}

/// Collapses the shortest edge of a folded facet that leaves everything about it facing out.
fn collapse<F: Implicit + ?Sized>(f: &F, net: &mut Net, t: u32, cell_mm: f64) -> bool {
    let mut ways: Vec<(f64, u32, usize)> = Vec::with_capacity(6);
    for e in 0..3 {
        let [a, b, _] = net.corners(t, e);
        let (g, k, _) = net.opposite(t, e);
        let length = (net.at(b) - net.at(a)).norm();
        if g == NONE || length > cell_mm {
            continue;
        }
        // A vertex on a crease is worth more than one that is not.
        let lost = |v: u32| f64::from(u8::from(net.vertices[v as usize].crease)) * cell_mm;
        ways.push((length + lost(a), t, e));
        ways.push((length + lost(b), g, k));
    }
    ways.sort_by(|x, y| x.0.total_cmp(&y.0).then((x.1, x.2).cmp(&(y.1, y.2))));
    for (_, t, e) in ways {
        if let Some(after) = net.after_collapse(t, e)
            && after.iter().all(|&(_, corners)| faces_out(f, net, corners))
        {
            net.collapse(t, e, &after);
            return true;
        }
    }
    false
}

//! Facets that lie folded over their neighbours are turned, evened out or collapsed.
//!
//! A facet's corners are all on the level, yet it can face the wrong way: two vertices too near
//! each other, or a four-cornered facet that is hollow. Its normal against the field's own
//! gradient tells.

use rayon::prelude::*;

use super::super::{Implicit, Sample};
use super::net::Net;
use super::place::{self, Vertex};
use crate::mesh::{Point, Vector};

/// Least cosine between a facet's normal and the gradient at its middle. Below 0 folds pass; a
/// facet that bridges a wedge of 15° has 0.13, and at 0.15 all such were taken for folds.
pub(super) const FACING: f64 = 0.02;
/// A facet whose corners' gradients clear this is not asked about at its middle.
const CLEARLY: f64 = 0.6;
/// Rounds of mending; each leaves fewer folds. Patches of folds at a spike were gone after 4.
const ROUNDS: usize = 8;

/// How many folds were mended, and how many are left.
pub(super) fn untangle<F: Implicit + ?Sized>(f: &F, net: &mut Net, cell_mm: f64) -> (usize, usize) {
    let mut mended = 0;
    for round in 0.. {
        let folded = folded(f, net);
        let before = mended;
        if round < ROUNDS {
            for &t in &folded {
                if !net.gone(t) && !net.frozen(t) && !faces_out(f, net, net.facets[t as usize]) {
                    let done = turn(f, net, t)
                        || relax(f, net, t, cell_mm)
                        || collapse(f, net, t, cell_mm);
                    mended += usize::from(done);
                }
            }
        }
        if mended == before {
            return (mended, folded.len());
        }
    }
    (mended, 0)
}

/// Facets that do not face out.
pub(super) fn folded<F: Implicit + ?Sized>(f: &F, net: &Net) -> Vec<u32> {
    (0..net.facets.len() as u32)
        .into_par_iter()
        .with_min_len(512)
        .filter(|&t| !net.gone(t) && suspect(net, t))
        .filter(|&t| !faces_out(f, net, net.facets[t as usize]))
        .collect()
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
        let (_, _, d) = net.opposite(t, e);
        if !net.is_free(t, e) || c == d || net.joined(t, c, d) {
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

/// Moves a corner into the middle of its neighbours, on the level, where that leaves fewer folds.
fn relax<F: Implicit + ?Sized>(f: &F, net: &mut Net, t: u32, cell_mm: f64) -> bool {
    for v in net.facets[t as usize] {
        let was = net.vertices[v as usize];
        let Some(ring) = net.ring(t, v) else {
            continue;
        };
        if ring.iter().any(|&r| net.frozen(r)) {
            continue;
        }
        let folds = |net: &Net| {
            let folded = |&&r: &&u32| !faces_out(f, net, net.facets[r as usize]);
            ring.iter().filter(folded).count()
        };
        let others = ring.iter().flat_map(|&r| net.facets[r as usize]);
        let sum: Vector = others
            .filter(|&o| o != v)
            .map(|o| net.at(o).coords)
            .sum::<Vector>();
        let middle = Point::from(sum / (2 * ring.len()) as f64);
        let before = folds(net);
        net.vertices[v as usize] = Vertex {
            sample: place::settle(f, &middle, Some(&was.sample), cell_mm),
            crease: false,
        };
        if folds(net) < before {
            net.changed(&ring);
            return true;
        }
        net.vertices[v as usize] = was;
    }
    false
}

/// Collapses the edge of a folded facet that leaves the fewest folds about it, if fewer than now;
/// among equals the shortest.
fn collapse<F: Implicit + ?Sized>(f: &F, net: &mut Net, t: u32, cell_mm: f64) -> bool {
    let mut ways: Vec<(f64, u32, usize)> = Vec::with_capacity(6);
    for e in 0..3 {
        let [a, b, _] = net.corners(t, e);
        let (g, k, _) = net.opposite(t, e);
        let length = (net.at(b) - net.at(a)).norm();
        if !net.is_free(t, e) || length > cell_mm {
            continue;
        }
        // A vertex on a crease is worth more than one that is not.
        let lost = |v: u32| f64::from(u8::from(net.vertices[v as usize].crease)) * cell_mm;
        ways.push((length + lost(a), t, e));
        ways.push((length + lost(b), g, k));
    }
    ways.sort_by(|x, y| x.0.total_cmp(&y.0).then((x.1, x.2).cmp(&(y.1, y.2))));
    let folded = |net: &Net, corners: [u32; 3]| !faces_out(f, net, corners);
    let (mut least, mut best) = (usize::MAX, None);
    for (_, t, e) in ways {
        let Some(after) = net.after_collapse(t, e) else {
            continue;
        };
        let (g, ..) = net.opposite(t, e);
        let left = after.iter().filter(|(_, c)| folded(net, *c)).count();
        let before = after
            .iter()
            .map(|&(r, _)| r)
            .chain([t, g])
            .filter(|&r| folded(net, net.facets[r as usize]))
            .count();
        if left < before && left < least {
            least = left;
            best = Some((t, e, after));
        }
    }
    if let Some((t, e, after)) = &best {
        net.collapse(*t, *e, after);
    }
    best.is_some()
}

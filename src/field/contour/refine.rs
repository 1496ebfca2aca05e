//! Facets whose middle is off the level are turned or split until it is on it.
//!
//! Most are on the level at once. What is left are facets across a crease, or on a bend tighter
//! than the cell: an edge is turned onto the crease where that serves, else it gets a new point,
//! on the crease or on the level.

use rayon::prelude::*;

use super::super::{Implicit, Sample};
use super::net::{NONE, Net};
use super::place::{self, Vertex};
use super::untangle;
use crate::mesh::{Point, Vector};

/// A facet's middle may be this far off, in cells (0.2 mm: 8 µm; the promise is 15 µm at the
/// worst and 3 µm rms). 0.02 doubles the facets at tight bends; 0.07 misses the promise.
const MIDDLE_OFF: f64 = 0.04;
/// A facet is looked at when its corners' gradients foretell this share of that. At 1.0 facets
/// that the estimate flatters are missed; at 0.2 half of all facets are asked about.
const LOOK_AT: f64 = 0.5;
/// Edges shorter than this, in cells, are not split: what is still off there stays off.
const SHORTEST: f64 = 0.08;
/// Rounds of turning and splitting. Creases are done after 4; spikes of a medial axis take 8.
const ROUNDS: usize = 12;
/// Least cosine between a facet and what takes its place. Below 0 facets fold over; at 0.5 the
/// walls of a wedge can no longer be told from the facet that bridges them.
const UPRIGHT: f64 = 0.1;

enum Remedy {
    Turn {
        facet: u32,
        edge: usize,
    },
    Split {
        facet: u32,
        edge: usize,
        vertex: Vertex,
    },
}

pub(super) fn refine<F: Implicit + ?Sized>(
    f: &F,
    vertices: Vec<Vertex>,
    facets: Vec<[u32; 3]>,
    cell_mm: f64,
) -> (Vec<Vertex>, Vec<[u32; 3]>, [usize; 2]) {
    let mut net = Net::new(vertices, facets);
    untangle::untangle(f, &mut net, cell_mm);
    let limit = MIDDLE_OFF * cell_mm;
    let mut queue: Vec<u32> = (0..net.facets.len() as u32)
        .into_par_iter()
        .filter(|&t| !net.gone(t) && net.foretold(t) > LOOK_AT * limit)
        .collect();
    let mut touched = 0;
    for _ in 0..ROUNDS {
        let mut bad: Vec<(f64, u32)> = queue
            .par_iter()
            .with_min_len(32)
            .map(|&t| (net.middle(f, t).value_mm.abs(), t))
            .filter(|&(off, _)| off > limit)
            .collect();
        if bad.is_empty() {
            break;
        }
        bad.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
        let remedies: Vec<Option<Remedy>> = bad
            .par_iter()
            .with_min_len(8)
            .map(|&(_, t)| net.remedy(f, t, cell_mm))
            .collect();
        let mut used = vec![false; net.facets.len()];
        let mut next = Vec::new();
        for ((_, t), remedy) in bad.into_iter().zip(remedies) {
            let Some(remedy) = remedy else { continue };
            let (facet, edge) = match &remedy {
                Remedy::Turn { facet, edge } | Remedy::Split { facet, edge, .. } => (*facet, *edge),
            };
            let other = net.across[facet as usize][edge];
            let is_used = |t: u32| used.get(t as usize).is_none_or(|&u| u);
            // Turns of this round may have made the edge that this one would make.
            let stale = matches!(remedy, Remedy::Turn { .. }) && !net.may_turn(facet, edge);
            if is_used(facet) || is_used(other) || stale {
                next.push(t);
                continue;
            }
            used[facet as usize] = true;
            used[other as usize] = true;
            touched += 1;
            match remedy {
                Remedy::Turn { .. } => {
                    net.turn(facet, edge);
                    next.extend([facet, other]);
                }
                Remedy::Split { vertex, .. } => {
                    let made = net.facets.len() as u32;
                    net.split(facet, edge, vertex);
                    next.extend([facet, other, made, made + 1]);
                }
            }
        }
        next.sort_unstable();
        next.dedup();
        queue = next;
    }
    let folded = untangle::untangle(f, &mut net, cell_mm);
    let (vertices, facets) = net.compact();
    (vertices, facets, [touched, folded])
}

impl Net {
    /// How far off the middle is if the field is quadratic between the corners.
    fn foretold(&self, t: u32) -> f64 {
        let s = self.facets[t as usize].map(|v| &self.vertices[v as usize].sample);
        let off = |a: &Sample, b: &Sample| (b.gradient - a.gradient).dot(&(b.at - a.at)).abs();
        (off(s[0], s[1]) + off(s[1], s[2]) + off(s[2], s[0])) / 18.0
    }

    fn middle<F: Implicit + ?Sized>(&self, f: &F, t: u32) -> Sample {
        let [a, b, c] = self.facets[t as usize].map(|v| &self.vertices[v as usize].sample);
        let mid = Point::from((a.at.coords + b.at.coords + c.at.coords) / 3.0);
        f.sample(&mid, Some(a))
    }

    fn between<F: Implicit + ?Sized>(&self, f: &F, a: u32, b: u32, t: f64) -> Sample {
        let (p, q) = (
            &self.vertices[a as usize].sample,
            &self.vertices[b as usize].sample,
        );
        f.sample(&(p.at + (q.at - p.at) * t), Some(p))
    }

    fn remedy<F: Implicit + ?Sized>(&self, f: &F, t: u32, cell_mm: f64) -> Option<Remedy> {
        let corners = self.facets[t as usize];
        let mut edges: Vec<(f64, usize, Sample)> = Vec::with_capacity(3);
        let mut best_turn: Option<(f64, usize)> = None;
        for e in 0..3 {
            let (a, b, c) = (corners[e], corners[(e + 1) % 3], corners[(e + 2) % 3]);
            let (g, _, d) = self.opposite(t, e);
            if g == NONE {
                continue;
            }
            let mid = self.between(f, a, b, 0.5);
            let off = mid.value_mm.abs();
            if off > 0.25 * MIDDLE_OFF * cell_mm && self.may_turn(t, e) {
                let turned = self.between(f, c, d, 0.5).value_mm.abs();
                if turned < 0.4 * off && best_turn.is_none_or(|(gain, _)| off - turned > gain) {
                    best_turn = Some((off - turned, e));
                }
            }
            let long = (self.at(b) - self.at(a)).norm() > SHORTEST * cell_mm;
            if long {
                edges.push((off, e, mid));
            }
        }
        if let Some((_, edge)) = best_turn {
            return Some(Remedy::Turn { facet: t, edge });
        }
        edges.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
        edges.into_iter().find_map(|(_, edge, mid)| {
            let (a, b) = (corners[edge], corners[(edge + 1) % 3]);
            let fits = |v: &Vertex| self.may_split(t, edge, &v.sample.at);
            let placed = Some(self.new_vertex(f, a, b, mid, cell_mm)).filter(fits);
            let vertex = placed.or_else(|| {
                let sample = place::settle(f, &mid.at, Some(&mid), cell_mm);
                Some(Vertex {
                    sample,
                    crease: false,
                })
                .filter(fits)
            })?;
            Some(Remedy::Split {
                facet: t,
                edge,
                vertex,
            })
        })
    }

    /// Whether a point `m` on edge `e` of facet `t` leaves all four new facets upright.
    fn may_split(&self, t: u32, e: usize, m: &Point) -> bool {
        let (g, k, _) = self.opposite(t, e);
        [(t, e), (g, k)].into_iter().all(|(t, e)| {
            let c = self.facets[t as usize];
            let [a, b, c] = [c[e], c[(e + 1) % 3], c[(e + 2) % 3]].map(|v| *self.at(v));
            let old = (b - a).cross(&(c - a));
            [(m - a).cross(&(c - a)), (b - m).cross(&(c - m))]
                .iter()
                .all(|n| n.dot(&old) > UPRIGHT * n.norm() * old.norm())
        })
    }

    fn new_vertex<F: Implicit + ?Sized>(
        &self,
        f: &F,
        a: u32,
        b: u32,
        mid: Sample,
        cell_mm: f64,
    ) -> Vertex {
        let length = (self.at(b) - self.at(a)).norm();
        let around = [
            mid,
            self.between(f, a, b, 0.1),
            self.between(f, a, b, 0.3),
            self.between(f, a, b, 0.7),
            self.between(f, a, b, 0.9),
        ];
        place::place(f, &mid.at, &around, cell_mm, 0.75 * length)
    }

    /// Whether edge `e` of facet `t` can be turned without folding anything over.
    fn may_turn(&self, t: u32, e: usize) -> bool {
        let (g, _, d) = self.opposite(t, e);
        if g == NONE {
            return false;
        }
        let corners = self.facets[t as usize];
        let (a, b, c) = (corners[e], corners[(e + 1) % 3], corners[(e + 2) % 3]);
        let [pa, pb, pc, pd] = [a, b, c, d].map(|v| *self.at(v));
        let normal = |x: &Point, y: &Point, z: &Point| (y - x).cross(&(z - x));
        let (n1, n2) = (normal(&pa, &pb, &pc), normal(&pb, &pa, &pd));
        let (m1, m2) = (normal(&pc, &pd, &pb), normal(&pd, &pc, &pa));
        let mean: Vector = n1 + n2;
        let span = (pd - pc).norm_squared();
        let flat = |m: &Vector| m.norm() < 1e-3 * span;
        let upright = |m: &Vector| m.dot(&mean) > UPRIGHT * m.norm() * mean.norm();
        !flat(&m1) && !flat(&m2) && upright(&m1) && upright(&m2) && !self.joined(t, c, d)
    }
}

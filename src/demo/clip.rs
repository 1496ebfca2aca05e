//! Cuts a mesh along a level surface so that the new rim lies exactly on both surfaces.
//!
//! Points near the cut are moved onto it first; otherwise the rim would be lined with slivers
//! that no scanner gives.

use std::collections::HashMap;

use crate::mesh::{Point, Vector};

use super::polygonise::{Field, Net};

/// Points nearer to the cut than this share of their shortest edge are moved onto it. Too low:
/// slivers along the rim; too high: facets fold over. Rims were looked at with 0.3 only.
const SNAP: f64 = 0.3;

/// Where both fields are zero, by Newton steps of least length.
pub(crate) fn onto_both(field: Field, level: Field, mut p: Point) -> Point {
    for _ in 0..30 {
        let (a, b) = (field(&p), level(&p));
        let (aa, ab, bb) = (a.g.norm_squared(), a.g.dot(&b.g), b.g.norm_squared());
        let det = aa * bb - ab * ab;
        if det.abs() < 1e-9 {
            break;
        }
        let step = a.g * ((a.v * bb - b.v * ab) / det) + b.g * ((b.v * aa - a.v * ab) / det);
        let long = step.norm();
        p -= if long > 0.5 {
            step * (0.5 / long)
        } else {
            step
        };
        if long < 1e-11 {
            break;
        }
    }
    p
}

/// Keeps the part of the net where `level` is negative.
pub(crate) fn keep_below(net: &mut Net, field: Field, level: Field) {
    let mut height: Vec<f64> = net.points.iter().map(|p| level(p).v).collect();
    let shortest = shortest_edges(net);
    for i in 0..net.points.len() {
        if height[i].abs() < SNAP * shortest[i] {
            net.points[i] = onto_both(field, level, net.points[i]);
            height[i] = 0.0;
        }
    }
    let mut cut = Cut {
        field,
        level,
        rim: HashMap::new(),
        points: std::mem::take(&mut net.points),
    };
    let mut kept = Vec::with_capacity(net.facets.len());
    for &f in &net.facets {
        cut.facet(f, &height, &mut kept);
    }
    net.points = cut.points;
    net.facets = kept;
    compact(net);
}

fn shortest_edges(net: &Net) -> Vec<f64> {
    let mut shortest = vec![f64::INFINITY; net.points.len()];
    for f in &net.facets {
        for k in 0..3 {
            let (a, b) = (f[k] as usize, f[(k + 1) % 3] as usize);
            let long = (net.points[a] - net.points[b]).norm();
            shortest[a] = shortest[a].min(long);
            shortest[b] = shortest[b].min(long);
        }
    }
    shortest
}

struct Cut<'a> {
    field: Field<'a>,
    level: Field<'a>,
    rim: HashMap<(u32, u32), u32>,
    points: Vec<Point>,
}

impl Cut<'_> {
    /// The kept part of one facet: whole, a triangle, or a quadrilateral in two.
    fn facet(&mut self, f: [u32; 3], height: &[f64], kept: &mut Vec<[u32; 3]>) {
        let h = f.map(|i| height[i as usize]);
        if h.iter().all(|&x| x >= 0.0) {
            return;
        }
        if h.iter().all(|&x| x <= 0.0) {
            kept.push(f);
            return;
        }
        let mut ring = Vec::with_capacity(4);
        for k in 0..3 {
            let (a, b) = (k, (k + 1) % 3);
            if h[a] <= 0.0 {
                ring.push(f[a]);
            }
            if h[a] * h[b] < 0.0 {
                ring.push(self.crossing(f[a], f[b], h[a] / (h[a] - h[b])));
            }
        }
        for k in 1..ring.len().saturating_sub(1) {
            kept.push([ring[0], ring[k], ring[k + 1]]);
        }
    }

    fn crossing(&mut self, a: u32, b: u32, t: f64) -> u32 {
        let key = (a.min(b), a.max(b));
        if let Some(&i) = self.rim.get(&key) {
            return i;
        }
        let (pa, pb) = (self.points[a as usize], self.points[b as usize]);
        let p = onto_both(self.field, self.level, pa + (pb - pa) * t);
        let i = self.points.len() as u32;
        self.points.push(p);
        self.rim.insert(key, i);
        i
    }
}

/// Drops points that no facet names.
fn compact(net: &mut Net) {
    let mut new = vec![u32::MAX; net.points.len()];
    let mut points = Vec::with_capacity(net.points.len());
    for f in &mut net.facets {
        for i in f.iter_mut() {
            let slot = &mut new[*i as usize];
            if *slot == u32::MAX {
                *slot = points.len() as u32;
                points.push(net.points[*i as usize]);
            }
            *i = *slot;
        }
    }
    net.points = points;
}

/// The curve where a ball about `centre` (on the surface) meets the surface, at equal angles.
pub(crate) fn rim(field: Field, centre: &Point, radius_mm: f64, count: usize) -> Vec<Point> {
    let level = ball(*centre, radius_mm);
    let (u, v) = super::slice::across(&field(centre).g.normalize());
    let at = |i: usize| {
        let (sin, cos) = (std::f64::consts::TAU * i as f64 / count as f64).sin_cos();
        onto_both(field, &level, centre + (u * cos + v * sin) * radius_mm)
    };
    (0..count).map(at).collect()
}

/// Positive within the ball: a level that, kept below zero, makes a hole.
pub(crate) fn ball(centre: Point, radius_mm: f64) -> impl Fn(&Point) -> super::jet::Jet + Sync {
    move |p: &Point| {
        let away: Vector = p - centre;
        let distance = away.norm().max(1e-9);
        super::jet::Jet {
            v: radius_mm - distance,
            g: away / -distance,
        }
    }
}

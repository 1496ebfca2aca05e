//! Parts given as convex surfaces, as the search sees them: points and facet directions. The gap of
//! two bodies along the best of some axes is never more than their distance, so that what the search
//! takes for clear is clear; the certificate measures it by other means.

use super::contact::{Block, Contact, reach_of, support};
use crate::mesh::{Mesh, Point, Vector};

/// Directions of facets kept. More cost time in every step; fewer leave gaps unseen, which only makes
/// the search cautious.
const MOST_NORMALS: usize = 60;
/// Points of the hull kept.
const MOST_POINTS: usize = 300;
/// Points within this of the furthest share the push, mm, so that a face does not rock.
const SOFT_MM: f64 = 0.03;

/// A convex surface in the part's own frame.
pub struct Hull {
    points: Vec<Vector>,
    normals: Vec<Vector>,
    /// What leaving points out may hide, mm.
    hidden: f64,
}

impl Hull {
    pub fn new(surface: &Mesh) -> Self {
        let all: Vec<Vector> = surface.points().iter().map(|p| p.coords).collect();
        let mut by_area: Vec<Vector> = (0..surface.facets().len())
            .map(|f| surface.area_vector(f))
            .collect();
        by_area.sort_by(|a, b| b.norm_squared().total_cmp(&a.norm_squared()));
        let mut normals: Vec<Vector> = Vec::new();
        for v in by_area {
            let Some(n) = v.try_normalize(1e-12) else {
                continue;
            };
            if normals.len() < MOST_NORMALS && normals.iter().all(|m| m.dot(&n) < 0.998) {
                normals.push(n);
            }
        }
        // Points spread out as far as they can be; all, where they are few.
        let mut points: Vec<Vector> = all.first().copied().into_iter().collect();
        let mut far: Vec<f64> = vec![f64::INFINITY; all.len()];
        let mut hidden = 0.0;
        while let Some(&last) = points.last() {
            for (d, p) in far.iter_mut().zip(&all) {
                *d = d.min((p - last).norm());
            }
            let next = (0..all.len()).max_by(|&a, &b| far[a].total_cmp(&far[b]));
            let Some(next) = next.filter(|&i| far[i] > 1e-9) else {
                break;
            };
            if points.len() >= MOST_POINTS {
                hidden = far[next];
                break;
            }
            points.push(all[next]);
        }
        Self {
            points,
            normals,
            hidden,
        }
    }

    /// Points on the surface no further apart than `spacing`, each with its way from the one before.
    pub fn felt(&self, surface: &Mesh, spacing: f64) -> Vec<(Vector, f64)> {
        let mut points = self.points.clone();
        for f in 0..surface.facets().len() {
            let [a, b, c] = surface.corners(f).map(|p| p.coords);
            let long = (b - a).norm().max((c - b).norm()).max((a - c).norm());
            let n = (long / spacing).ceil() as usize;
            for i in 0..=n {
                for j in 0..=n - i {
                    if n > 1 && i + j > 0 && i < n && j < n {
                        let (u, v) = (i as f64 / n as f64, j as f64 / n as f64);
                        points.push(a + (b - a) * u + (c - a) * v);
                    }
                }
            }
        }
        let mut last = points.first().copied().unwrap_or_default();
        let with_way = points.into_iter().map(|p| {
            let way = (p - last).norm();
            last = p;
            (p, way)
        });
        with_way.collect()
    }
}

/// A body: its box, and its surface in it, if it has one.
#[derive(Clone, Copy)]
pub struct Shape<'a> {
    pub block: &'a Block,
    pub hull: Option<&'a Hull>,
    pub grown: f64,
}

impl Shape<'_> {
    /// Height of the furthest point along a direction, over the body's middle, and that point.
    fn furthest(&self, dir: &Vector) -> (f64, Point) {
        let b = self.block;
        let Some(hull) = self.hull else {
            return (reach_of(b, dir), support(b, dir));
        };
        let own = b.turn.tr_mul(dir);
        let top = hull.points.iter().map(|p| p.dot(&own));
        let top = top.fold(f64::NEG_INFINITY, f64::max);
        let (mut sum, mut n) = (Vector::zeros(), 0.0);
        for p in &hull.points {
            if p.dot(&own) > top - SOFT_MM {
                sum += p;
                n += 1.0;
            }
        }
        let height = (top + hull.hidden) * self.grown;
        (height, b.middle + b.turn * (sum * (self.grown / n)))
    }

    /// Heights of all points over the body's middle that are within `more` of the furthest, and the points.
    pub fn outer(&self, dir: &Vector, more: f64) -> Vec<Point> {
        let b = self.block;
        let own = b.turn.tr_mul(dir);
        let corners: Vec<Vector> = match self.hull {
            Some(hull) => hull.points.iter().map(|p| p * self.grown).collect(),
            None => (0..8)
                .map(|i| {
                    Vector::from_fn(|k, _| {
                        if i >> k & 1 == 1 {
                            b.half[k]
                        } else {
                            -b.half[k]
                        }
                    })
                })
                .collect(),
        };
        let top = corners.iter().map(|p| p.dot(&own));
        let top = top.fold(f64::NEG_INFINITY, f64::max);
        let near = corners.iter().filter(|p| p.dot(&own) > top - more);
        near.map(|p| b.middle + b.turn * p).collect()
    }

    fn axes(&self) -> impl Iterator<Item = Vector> + '_ {
        let turn = self.block.turn;
        let own = (0..3).map(move |k| turn.column(k).into_owned());
        let facets = self.hull.map_or(&[][..], |h| &h.normals);
        own.chain(facets.iter().map(move |n| turn * n))
    }
}

/// The contact of two bodies of which one at least has a surface, or `None` where they are `reach`
/// apart or more.
pub fn contact(a: Shape, b: Shape, reach: f64) -> Option<Contact> {
    let between = b.block.middle - a.block.middle;
    let mut best: Option<(f64, Vector, bool)> = None;
    let edges = (0..9).filter_map(|i| {
        let (u, v) = (a.block.turn.column(i / 3), b.block.turn.column(i % 3));
        u.cross(&v).try_normalize(1e-3)
    });
    let of_a = a.axes().map(|x| (x, true));
    let all = of_a.chain(b.axes().chain(edges).map(|x| (x, false)));
    for (axis, first) in all {
        for axis in [axis, -axis] {
            let gap = between.dot(&axis) - a.furthest(&axis).0 - b.furthest(&-axis).0;
            if best.is_none_or(|(most, ..)| gap > most) {
                best = Some((gap, axis, first));
            }
            if gap >= reach {
                return None;
            }
        }
    }
    let (gap, axis, first) = best?;
    let at = if first {
        b.furthest(&-axis).1
    } else {
        a.furthest(&axis).1
    };
    Some(Contact { gap, axis, at })
}

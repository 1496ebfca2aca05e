//! Last of all, facets still off the level are split or turned one at a time, and vertices that stuck
//! beside it go to it from another side; each change looked at for folds and crossings before it stays.
//!
//! Refining as a whole gives a place up when its changes cross; most of them, one by one, do not.

use std::collections::{BTreeSet, HashMap};

use super::super::Implicit;
use super::super::crossing::cross;
use super::PROMISED_MM;
use super::net::{NONE, Net};
use super::place::{ON_LEVEL, Vertex, settle};
use super::refine::{Remedy, SHORTEST};
use super::untangle::{FACING, facing};
use crate::mesh::{Point, Vector};

/// A facet's middle may be this far off, in cells: at 0.2 mm 12 µm, where 15 are promised.
const ENOUGH: f64 = 0.06;
/// Changes tried at most, worst facets first: each asks the facets round about whether they cross.
const MOST: usize = 600;
const ROUNDS: usize = 6;

struct Polish<'a, F: ?Sized> {
    f: &'a F,
    net: &'a mut Net,
    cell_mm: f64,
    near: Near,
}

/// Facets that a change may meet, by the cubes of a cell that their boxes lie in. One that has
/// changed since stays where it was too.
struct Near {
    width_mm: f64,
    facets: HashMap<[i64; 3], Vec<u32>>,
}

impl Near {
    fn cubes(&self, corners: &[Point; 3]) -> impl Iterator<Item = [i64; 3]> + use<> {
        let [a, b, c] = corners;
        let key = |p: Point| [0, 1, 2].map(|k| (p[k] / self.width_mm).floor() as i64);
        let (l, h) = (key(a.inf(b).inf(c)), key(a.sup(b).sup(c)));
        (l[0]..=h[0]).flat_map(move |x| {
            (l[1]..=h[1]).flat_map(move |y| (l[2]..=h[2]).map(move |z| [x, y, z]))
        })
    }

    fn add(&mut self, net: &Net, t: u32) {
        for cube in self.cubes(&net.places(t)) {
            self.facets.entry(cube).or_default().push(t);
        }
    }

    fn of(&self, corners: &[Point; 3]) -> BTreeSet<u32> {
        let all = self.cubes(corners).filter_map(|c| self.facets.get(&c));
        all.flatten().copied().collect()
    }
}

pub(super) fn polish<F: Implicit + ?Sized>(f: &F, net: &mut Net, cell_mm: f64) {
    net.unfreeze();
    let mut bad = net.off_level(f, ENOUGH * cell_mm);
    bad.truncate(MOST / 2);
    let stray = stray(net, cell_mm);
    if bad.is_empty() && stray.is_empty() {
        return;
    }
    let mut near = Near {
        width_mm: cell_mm,
        facets: HashMap::new(),
    };
    let about = bad.iter().map(|(_, t)| net.middle_of(*t));
    let about = about.chain(stray.iter().map(|(_, v)| *net.at(*v)));
    for t in region(net, about.collect(), cell_mm) {
        near.add(net, t);
    }
    let mut polish = Polish {
        f,
        net,
        cell_mm,
        near,
    };
    for (t, v) in stray {
        let moved = polish.bring_home(t, v);
        let off = moved.into_iter().map(|t| (polish.off(&[t]), t));
        bad.extend(off.filter(|(off, _)| *off > ENOUGH * cell_mm));
    }
    let (mut tried, mut stayed) = (0, 0);
    for round in 0..ROUNDS {
        let before = stayed;
        let mut next = BTreeSet::new();
        for &(_, t) in &bad {
            if tried < MOST {
                tried += 1;
                let touched = polish.mend(t, round < 2);
                stayed += usize::from(!touched.is_empty());
                next.extend(touched);
                next.insert(t);
            }
        }
        if stayed == before {
            break;
        }
        bad = next.into_iter().map(|t| (polish.off(&[t]), t)).collect();
        bad.retain(|(off, _)| *off > ENOUGH * cell_mm);
        bad.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
    }
}

/// Vertices off the level by more than is promised, each with one of its facets.
fn stray(net: &Net, cell_mm: f64) -> Vec<(u32, u32)> {
    let off = |v: u32| net.vertices[v as usize].sample.value_mm.abs();
    let limit_mm = PROMISED_MM.min(0.1 * cell_mm);
    let mut seen = BTreeSet::new();
    let live = (0..net.facets.len() as u32).filter(|&t| !net.gone(t));
    let all = live.flat_map(|t| net.facets[t as usize].map(|v| (t, v)));
    let out = all.filter(|&(_, v)| off(v) > limit_mm && seen.insert(v));
    out.take(MOST).collect()
}

/// Facets within about two cells of these places.
fn region(net: &Net, about: Vec<Point>, cell_mm: f64) -> Vec<u32> {
    let key = |p: &Point| [0, 1, 2].map(|k| (p[k] / (2.0 * cell_mm)).floor() as i64);
    let mut near: BTreeSet<[i64; 3]> = BTreeSet::new();
    for place in about {
        let k = key(&place);
        near.extend((0..27).map(|n| [k[0] + n % 3 - 1, k[1] + n / 3 % 3 - 1, k[2] + n / 9 - 1]));
    }
    let live = (0..net.facets.len() as u32).filter(|&t| !net.gone(t));
    live.filter(|&t| {
        let corners = net.facets[t as usize];
        corners.iter().any(|&v| near.contains(&key(net.at(v))))
    })
    .collect()
}

impl<F: Implicit + ?Sized> Polish<'_, F> {
    /// The facets that a change which stayed has touched.
    fn mend(&mut self, t: u32, turns: bool) -> Vec<u32> {
        let usual = [turns, false].map(|turns| self.net.remedy(self.f, t, self.cell_mm, turns));
        let plain = (0..3).map(|e| self.plain_split(t, e));
        for way in usual.into_iter().chain(plain).flatten().collect::<Vec<_>>() {
            let touched = self.attempt(way);
            if !touched.is_empty() {
                return touched;
            }
        }
        Vec::new()
    }

    /// A vertex that stuck beside the level, as on a ridge of the field, goes to where a walk from the middle of
    /// its neighbours, or from near one of them, meets it, if its facets are sound then; of such places the best.
    /// The facets that it moved.
    fn bring_home(&mut self, t: u32, v: u32) -> Vec<u32> {
        let Some(ring) = self.net.ring(t, v) else {
            return Vec::new();
        };
        let was = self.net.vertices[v as usize];
        let corners = ring.iter().flat_map(|&r| self.net.facets[r as usize]);
        let others: BTreeSet<u32> = corners.filter(|&o| o != v).collect();
        let places: Vec<Point> = others.iter().map(|&o| *self.net.at(o)).collect();
        let sum: Vector = places.iter().map(|p| p.coords).sum();
        let middle = Point::from(sum / places.len().max(1) as f64);
        let toward = |share: f64| {
            let each = places.iter();
            each.map(move |p| p + (was.sample.at - p) * share)
        };
        let starts: Vec<Point> = std::iter::once(middle)
            .chain(toward(0.8))
            .chain(toward(0.5))
            .collect();
        let mut best: Option<(f64, Vertex)> = None;
        for start in starts {
            let sample = settle(self.f, &start, Some(&was.sample), self.cell_mm);
            if sample.value_mm.abs() > ON_LEVEL * self.cell_mm {
                continue;
            }
            let crease = false;
            let vertex = Vertex { sample, crease };
            self.net.vertices[v as usize] = vertex;
            let off = self.off(&ring);
            if best.is_none_or(|b| off < b.0) && self.is_sound(&ring) {
                best = Some((off, vertex));
            }
        }
        self.net.vertices[v as usize] = best.map_or(was, |b| b.1);
        if best.is_none() {
            return Vec::new();
        }
        self.net.changed(&ring);
        for &r in &ring {
            self.near.add(self.net, r);
        }
        ring
    }

    /// How far the middles of some facets are off the level at most, mm.
    fn off(&self, facets: &[u32]) -> f64 {
        let off = |&t: &u32| self.net.middle(self.f, t).value_mm.abs();
        facets.iter().map(off).fold(0.0, f64::max)
    }

    /// The middle of an edge, straight onto the level.
    fn plain_split(&self, t: u32, edge: usize) -> Option<Remedy> {
        let [a, b, _] = self.net.corners(t, edge);
        let long = (self.net.at(b) - self.net.at(a)).norm() > SHORTEST * self.cell_mm;
        (long && self.net.is_free(t, edge)).then(|| {
            let near = &self.net.vertices[a as usize].sample;
            let middle = nalgebra::center(self.net.at(a), self.net.at(b));
            let sample = settle(self.f, &middle, Some(near), self.cell_mm);
            let crease = false;
            Remedy::Split {
                facet: t,
                edge,
                vertex: Vertex { sample, crease },
            }
        })
    }

    fn attempt(&mut self, way: Remedy) -> Vec<u32> {
        let (t, e) = match &way {
            Remedy::Turn { facet, edge } | Remedy::Split { facet, edge, .. } => (*facet, *edge),
        };
        let (g, ..) = self.net.opposite(t, e);
        if g == NONE {
            return Vec::new();
        }
        let (made, vertices) = (self.net.facets.len() as u32, self.net.vertices.len());
        let beside = [t, g].map(|t| self.net.across[t as usize]);
        let kept: Vec<(u32, [u32; 3], [u32; 3])> = beside
            .into_iter()
            .flatten()
            .chain([t, g])
            .filter(|&t| t != NONE)
            .map(|t| (t, self.net.facets[t as usize], self.net.across[t as usize]))
            .collect();
        let was_off = self.off(&[t, g]);
        let mut touched = vec![t, g];
        match way {
            Remedy::Turn { .. } => self.net.turn(t, e),
            Remedy::Split { vertex, .. } => {
                self.net.split(t, e, vertex);
                touched.extend([made, made + 1]);
            }
        }
        // A split may leave two facets as far off as before, to be split again.
        if self.off(&touched) <= was_off && self.is_sound(&touched) {
            for &t in &touched {
                self.near.add(self.net, t);
            }
            return touched;
        }
        self.net.truncate(vertices, made as usize);
        for (t, corners, across) in kept {
            self.net.facets[t as usize] = corners;
            self.net.across[t as usize] = across;
        }
        Vec::new()
    }

    /// Whether these facets face out and cross nothing.
    fn is_sound(&self, facets: &[u32]) -> bool {
        let net = &*self.net;
        let out = |&t: &u32| {
            let near = &net.vertices[net.facets[t as usize][0] as usize].sample;
            facing(self.f, net.places(t), near) > FACING
        };
        let own = |t: u32| (net.facets[t as usize], net.places(t));
        facets.iter().all(out)
            && facets.iter().all(|&t| {
                let (mine, at) = own(t);
                let mut others = self.near.of(&at);
                others.extend(facets);
                others.into_iter().filter(|&o| o != t).all(|o| {
                    let (other, its) = own(o);
                    !cross((mine, &at), (other, &its))
                })
            })
    }
}

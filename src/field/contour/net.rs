//! A closed, manifold net of facets that can be turned, split and collapsed edge by edge.

use rayon::prelude::*;

use super::place::Vertex;
use crate::mesh::{Point, Vector};

pub(super) const NONE: u32 = u32::MAX;
/// Facets round a vertex at most; a ring of more is not walked to its end.
const RING: usize = 10_000;

#[derive(Clone)]
pub(super) struct Net {
    pub vertices: Vec<Vertex>,
    /// Corners; all `NONE` once a facet has been collapsed away.
    pub facets: Vec<[u32; 3]>,
    /// Facet across the edge from corner k to corner k + 1.
    pub across: Vec<[u32; 3]>,
    marks: Vec<Mark>,
    /// For each facet of the base that this net was made from, another that it changed together
    /// with, towards the one that stands for all of them.
    groups: Vec<u32>,
    /// Facets of this range stay as they are.
    frozen: std::ops::Range<u32>,
}

/// What became of a facet.
#[derive(Clone, Copy)]
pub(super) struct Mark {
    /// It was turned, split or moved by a collapse.
    pub worked: bool,
    /// It was not there, or not so, when crossings were last looked for.
    pub fresh: bool,
    /// A facet of the base that it came from, or changed together with.
    pub of: u32,
}

impl Net {
    pub fn new(vertices: Vec<Vertex>, facets: Vec<[u32; 3]>) -> Self {
        let marks = (0..facets.len() as u32).map(|of| Mark {
            worked: false,
            fresh: true,
            of,
        });
        Self {
            vertices,
            across: neighbours(&facets),
            marks: marks.collect(),
            groups: (0..facets.len() as u32).collect(),
            facets,
            frozen: 0..0,
        }
    }

    pub fn mark(&self, t: u32) -> Mark {
        self.marks[t as usize]
    }

    /// Sets marks and groups of a net made from others.
    pub fn remark(&mut self, marks: Vec<Mark>, groups: Vec<u32>) {
        (self.marks, self.groups) = (marks, groups);
    }

    /// Makes this the base: from here on what changes together is told anew.
    pub fn into_base(mut self) -> Self {
        self.groups = (0..self.facets.len() as u32).collect();
        for (of, mark) in self.marks.iter_mut().enumerate() {
            mark.of = of as u32;
        }
        self
    }

    /// The facet of the base that stands for all that changed together with this one of it.
    pub fn group(&self, base: u32) -> u32 {
        let mut at = base;
        while self.groups[at as usize] != at {
            at = self.groups[at as usize];
        }
        at
    }

    fn change_together(&mut self, t: u32, g: u32) {
        let both = [t, g].map(|t| self.marks[t as usize].of);
        let (a, b) = (self.group(both[0]), self.group(both[1]));
        let first = a.min(b);
        // Both ways are shortened as they are gone, so that none grows long.
        for mut at in both {
            while at != first {
                at = std::mem::replace(&mut self.groups[at as usize], first);
            }
        }
        self.groups[a.max(b) as usize] = first;
    }

    /// Notes that all these change with the first of them.
    pub fn changed(&mut self, facets: &[u32]) {
        for &t in facets {
            self.change_together(facets[0], t);
            self.marks[t as usize].fresh = true;
        }
    }

    fn worked(&mut self, facets: &[u32]) {
        self.changed(facets);
        for &t in facets {
            self.marks[t as usize].worked = true;
        }
    }

    /// Takes back what was added last.
    pub fn truncate(&mut self, vertices: usize, facets: usize) {
        self.vertices.truncate(vertices);
        self.facets.truncate(facets);
        self.across.truncate(facets);
        self.marks.truncate(facets);
    }

    /// Freezes all facets from this one on.
    pub fn freeze(&mut self, from: usize) {
        self.frozen = from as u32..self.facets.len() as u32;
    }

    pub fn unfreeze(&mut self) {
        self.frozen = 0..0;
    }

    pub fn frozen(&self, t: u32) -> bool {
        self.frozen.contains(&t)
    }

    /// Whether edge `e` of facet `t` may be turned, split or collapsed.
    pub fn is_free(&self, t: u32, e: usize) -> bool {
        let g = self.across[t as usize][e];
        g != NONE && !self.frozen(t) && !self.frozen(g)
    }

    pub fn gone(&self, t: u32) -> bool {
        self.facets[t as usize][0] == NONE
    }

    /// Corners of a facet, from edge `e` on.
    pub fn corners(&self, t: u32, e: usize) -> [u32; 3] {
        let c = self.facets[t as usize];
        [c[e], c[(e + 1) % 3], c[(e + 2) % 3]]
    }

    /// Where the corners of a facet are.
    pub fn places(&self, t: u32) -> [Point; 3] {
        self.facets[t as usize].map(|v| *self.at(v))
    }

    /// (b − a) × (c − a) of three vertices.
    pub fn normal(&self, t: [u32; 3]) -> Vector {
        let [a, b, c] = t.map(|v| self.at(v));
        (b - a).cross(&(c - a))
    }

    pub fn at(&self, v: u32) -> &Point {
        &self.vertices[v as usize].sample.at
    }

    /// Edge of the neighbour that lies along edge `e` of facet `t`, and its far corner.
    pub fn opposite(&self, t: u32, e: usize) -> (u32, usize, u32) {
        let g = self.across[t as usize][e];
        if g == NONE {
            return (NONE, 0, NONE);
        }
        let a = self.facets[t as usize][e];
        let b = self.facets[t as usize][(e + 1) % 3];
        let c = self.facets[g as usize];
        let k = (0..3)
            .find(|&k| c[k] == b && c[(k + 1) % 3] == a)
            .unwrap_or(0);
        (g, k, c[(k + 2) % 3])
    }

    /// Whether corner `c` of facet `start` already has an edge to `d`.
    pub fn joined(&self, start: u32, c: u32, d: u32) -> bool {
        let mut t = start;
        // A ring of more than this is no ring.
        for _ in 0..10_000 {
            let corners = self.facets[t as usize];
            if corners.contains(&d) {
                return true;
            }
            let Some(k) = corners.iter().position(|&v| v == c) else {
                return true;
            };
            t = self.across[t as usize][k];
            if t == NONE {
                return true;
            }
            if t == start {
                return false;
            }
        }
        true
    }

    /// The facets round corner `c` of facet `start`; `None` where they close no ring.
    pub fn ring(&self, start: u32, c: u32) -> Option<Vec<u32>> {
        let mut out = vec![start];
        let mut t = start;
        while out.len() < RING {
            let k = self.facets[t as usize].iter().position(|&v| v == c)?;
            t = self.across[t as usize][k];
            if t == start {
                return Some(out);
            }
            if t == NONE {
                return None;
            }
            out.push(t);
        }
        None
    }

    /// The facets that stay when the first corner of edge `e` is moved into the second, as they
    /// will be; `None` where that would pinch the net.
    pub fn after_collapse(&self, t: u32, e: usize) -> Option<Vec<(u32, [u32; 3])>> {
        let [a, b, c] = self.corners(t, e);
        let (g, _, d) = self.opposite(t, e);
        if g == NONE {
            return None;
        }
        if self.ring(t, a)?.iter().any(|&r| self.frozen(r)) {
            return None;
        }
        let (of_a, of_b) = (self.ring(t, a)?, self.ring(t, b)?);
        let around = |ring: &[u32], v: u32| {
            let all = ring.iter().flat_map(|&r| self.facets[r as usize]);
            all.filter(|&x| x != v)
                .collect::<std::collections::BTreeSet<u32>>()
        };
        let common: Vec<u32> = around(&of_a, a)
            .intersection(&around(&of_b, b))
            .copied()
            .collect();
        let only = c != d && common.len() == 2 && common.contains(&c) && common.contains(&d);
        // A corner of three facets would leave its two neighbours back to back.
        if !only || of_a.len() < 4 {
            return None;
        }
        let moved = |f: [u32; 3]| f.map(|v| if v == a { b } else { v });
        Some(
            of_a.into_iter()
                .filter(|&r| r != t && r != g)
                .map(|r| (r, moved(self.facets[r as usize])))
                .collect(),
        )
    }

    /// Moves the first corner of edge `e` into the second; `after` is [`Net::after_collapse`].
    pub fn collapse(&mut self, t: u32, e: usize, after: &[(u32, [u32; 3])]) {
        let (g, k, _) = self.opposite(t, e);
        let ring = after.iter().map(|&(r, _)| r);
        self.worked(&[t, g].into_iter().chain(ring).collect::<Vec<u32>>());
        for &(r, f) in after {
            self.facets[r as usize] = f;
        }
        for (t, e) in [(t, e), (g, k)] {
            let (x, y) = (
                self.across[t as usize][(e + 1) % 3],
                self.across[t as usize][(e + 2) % 3],
            );
            self.replace_across(x, t, y);
            self.replace_across(y, t, x);
            self.facets[t as usize] = [NONE; 3];
        }
    }

    /// The net without collapsed facets and the vertices that only they had.
    pub fn compact(self) -> (Vec<Vertex>, Vec<[u32; 3]>) {
        let facets: Vec<[u32; 3]> = self.facets.into_iter().filter(|f| f[0] != NONE).collect();
        let mut number = vec![NONE; self.vertices.len()];
        for &v in facets.iter().flatten() {
            number[v as usize] = 0;
        }
        let mut vertices = Vec::with_capacity(self.vertices.len());
        for (v, n) in self.vertices.into_iter().zip(&mut number) {
            if *n != NONE {
                *n = vertices.len() as u32;
                vertices.push(v);
            }
        }
        let facets = facets
            .into_iter()
            .map(|f| f.map(|v| number[v as usize]))
            .collect();
        (vertices, facets)
    }

    fn replace_across(&mut self, t: u32, old: u32, new: u32) {
        if t != NONE
            && let Some(k) = self.across[t as usize].iter().position(|&g| g == old)
        {
            self.across[t as usize][k] = new;
        }
    }

    pub fn turn(&mut self, t: u32, e: usize) {
        let (g, k, d) = self.opposite(t, e);
        self.worked(&[t, g]);
        let c = self.facets[t as usize];
        let (a, b, c) = (c[e], c[(e + 1) % 3], c[(e + 2) % 3]);
        let (bc, ca) = (
            self.across[t as usize][(e + 1) % 3],
            self.across[t as usize][(e + 2) % 3],
        );
        let (ad, db) = (
            self.across[g as usize][(k + 1) % 3],
            self.across[g as usize][(k + 2) % 3],
        );
        self.facets[t as usize] = [c, d, b];
        self.across[t as usize] = [g, db, bc];
        self.facets[g as usize] = [d, c, a];
        self.across[g as usize] = [t, ca, ad];
        self.replace_across(db, g, t);
        self.replace_across(ca, t, g);
    }

    pub fn split(&mut self, t: u32, e: usize, vertex: Vertex) {
        let (g, k, d) = self.opposite(t, e);
        let c = self.facets[t as usize];
        let (a, b, c) = (c[e], c[(e + 1) % 3], c[(e + 2) % 3]);
        let (bc, ca) = (
            self.across[t as usize][(e + 1) % 3],
            self.across[t as usize][(e + 2) % 3],
        );
        let (ad, db) = (
            self.across[g as usize][(k + 1) % 3],
            self.across[g as usize][(k + 2) % 3],
        );
        let m = self.vertices.len() as u32;
        self.vertices.push(vertex);
        let t2 = self.facets.len() as u32;
        let g2 = t2 + 1;
        self.facets[t as usize] = [a, m, c];
        self.across[t as usize] = [g, t2, ca];
        self.facets[g as usize] = [m, a, d];
        self.across[g as usize] = [t, ad, g2];
        self.facets.push([m, b, c]);
        self.across.push([g2, bc, t]);
        self.facets.push([b, m, d]);
        self.across.push([t2, g, db]);
        let like = self.marks[t as usize];
        self.marks.extend([like, like]);
        self.worked(&[t, g, t2, g2]);
        self.replace_across(bc, t, t2);
        self.replace_across(db, g, g2);
    }
}

/// The facet across each edge of each facet; the mesh is closed and manifold.
fn neighbours(facets: &[[u32; 3]]) -> Vec<[u32; 3]> {
    let mut halves: Vec<(u64, u32)> = Vec::with_capacity(facets.len() * 3);
    for (t, c) in facets.iter().enumerate() {
        for e in 0..3 {
            let (a, b) = (c[e], c[(e + 1) % 3]);
            let key = u64::from(a.min(b)) << 32 | u64::from(a.max(b));
            halves.push((key, (t * 3 + e) as u32));
        }
    }
    halves.par_sort_unstable();
    let mut across = vec![[NONE; 3]; facets.len()];
    for pair in halves.chunk_by(|x, y| x.0 == y.0) {
        if let [(_, x), (_, y)] = *pair {
            across[x as usize / 3][x as usize % 3] = y / 3;
            across[y as usize / 3][y as usize % 3] = x / 3;
        }
    }
    across
}

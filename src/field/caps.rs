//! Virtual facets across the openings of a scan, so that it bounds a solid at all.
//!
//! Every closed boundary loop, the base opening first of all, is spanned by facets between its
//! own points (ears clipped in the loop's mean plane; a fan about its middle where the loop
//! crosses itself in that plane). They are geometry of ours, not of the ear: whoever is nearest
//! to one is told so.

use std::collections::HashSet;

use crate::mesh::{BoundaryLoop, Link, Mesh, Point, Topology, Vector};

/// Points added to the mesh's own, and the facets that close its loops.
#[derive(Debug, Clone, Default)]
pub(crate) struct Caps {
    pub points: Vec<Point>,
    pub facets: Vec<[u32; 3]>,
    pub loops: usize,
    pub area_mm2: f64,
}

impl Caps {
    pub fn new(mesh: &Mesh, topology: &Topology) -> Self {
        let mut out = Self::default();
        if topology.open_edges == 0 {
            return out;
        }
        let mut open = HashSet::new();
        for (f, corners) in mesh.facets().iter().enumerate() {
            for e in 0..3 {
                if topology.links[f][e] == Link::Open {
                    open.insert((corners[e], corners[(e + 1) % 3]));
                }
            }
        }
        for l in topology.boundary_loops(mesh) {
            out.close(mesh, &l, &open);
        }
        out
    }

    fn close(&mut self, mesh: &Mesh, l: &BoundaryLoop, open: &HashSet<(u32, u32)>) {
        let mut ring = l.points.clone();
        if ring.len() < 3 {
            return;
        }
        let n = ring.len();
        let along = (0..n)
            .filter(|&i| open.contains(&(ring[i], ring[(i + 1) % n])))
            .count();
        if 2 * along > n {
            ring.reverse(); // a cap runs against the facets it joins
        }
        let at = |i: u32| mesh.points()[i as usize];
        let middle = l.centre(mesh);
        let normal: Vector = (0..n)
            .map(|i| (at(ring[i]) - middle).cross(&(at(ring[(i + 1) % n]) - middle)))
            .sum();
        self.loops += 1;
        self.area_mm2 += normal.norm() / 2.0;
        let clipped = normal
            .try_normalize(1e-300)
            .and_then(|z| clip_ears(&flatten(&ring, &at, &middle, &z)));
        if let Some(ears) = clipped {
            self.facets.extend(ears.iter().map(|e| e.map(|k| ring[k])));
        } else {
            let hub = (mesh.points().len() + self.points.len()) as u32;
            self.points.push(middle);
            self.facets
                .extend((0..n).map(|i| [ring[i], ring[(i + 1) % n], hub]));
        }
    }
}

fn flatten(ring: &[u32], at: &dyn Fn(u32) -> Point, o: &Point, z: &Vector) -> Vec<[f64; 2]> {
    let x = any_normal_to(z);
    let y = z.cross(&x);
    ring.iter()
        .map(|&i| at(i) - o)
        .map(|d| [d.dot(&x), d.dot(&y)])
        .collect()
}

/// A unit vector square to `z`.
pub(crate) fn any_normal_to(z: &Vector) -> Vector {
    let mut e = Vector::zeros();
    e[z.iamin()] = 1.0;
    z.cross(&e).normalize()
}

/// Triangles of a simple, counter-clockwise polygon; `None` where no ear is left to clip.
/// The ear with the shortest cut goes first, which keeps the facets from fanning out.
fn clip_ears(p: &[[f64; 2]]) -> Option<Vec<[usize; 3]>> {
    let turn = |a: usize, b: usize, c: usize| {
        (p[b][0] - p[a][0]) * (p[c][1] - p[a][1]) - (p[b][1] - p[a][1]) * (p[c][0] - p[a][0])
    };
    let mut ring: Vec<usize> = (0..p.len()).collect();
    let mut out = Vec::with_capacity(p.len());
    let ear = |ring: &[usize], i: usize| -> Option<f64> {
        let n = ring.len();
        let (a, b, c) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]);
        if turn(a, b, c) <= 0.0 {
            return None;
        }
        let holds = |q: usize| {
            ![a, b, c].contains(&q)
                && turn(a, b, q) >= 0.0
                && turn(b, c, q) >= 0.0
                && turn(c, a, q) >= 0.0
        };
        let cut = (p[a][0] - p[c][0]).hypot(p[a][1] - p[c][1]);
        (!ring.iter().any(|&q| holds(q))).then_some(cut)
    };
    let mut cuts: Vec<Option<f64>> = (0..ring.len()).map(|i| ear(&ring, i)).collect();
    while ring.len() > 3 {
        let (i, _) = cuts
            .iter()
            .enumerate()
            .filter_map(|(i, c)| c.map(|c| (i, c)))
            .min_by(|x, y| x.1.total_cmp(&y.1))?;
        let n = ring.len();
        out.push([ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]]);
        ring.remove(i);
        cuts.remove(i);
        let n = ring.len();
        for k in [(i + n - 1) % n, i % n] {
            cuts[k] = ear(&ring, k);
        }
    }
    (turn(ring[0], ring[1], ring[2]) > 0.0).then(|| {
        out.push([ring[0], ring[1], ring[2]]);
        out
    })
}

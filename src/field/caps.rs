//! Virtual facets across the openings of a scan, so that it bounds a solid at all.
//!
//! Wherever the facets' edges do not cancel (an open edge runs one way only, a fin's once too
//! often), virtual facets are added until every edge of all facets together cancels. Then the
//! winding number is a whole number everywhere off the facets, so a side never changes in empty
//! space: spanning only closed chains of open edges left a sample ear, whose facets were partly
//! wound the wrong way round, with a side that jumped 0.3 mm off its surface. The facets added are
//! geometry of ours, not of the ear: whoever is nearest to one is told so.

use std::collections::{BTreeMap, HashMap};

use crate::mesh::{Link, Mesh, Point, Topology, Vector};

/// The facets that close a mesh.
#[derive(Debug, Clone, Default)]
pub(crate) struct Caps {
    pub facets: Vec<[u32; 3]>,
    pub loops: usize,
    pub area_mm2: f64,
}

impl Caps {
    /// `topology` is that of `mesh`.
    pub fn new(mesh: &Mesh, topology: &Topology) -> Self {
        let mut out = Self::default();
        for ring in loops(wanting(mesh, topology)) {
            out.span(mesh, &ring);
        }
        out
    }

    fn span(&mut self, mesh: &Mesh, ring: &[u32]) {
        let n = ring.len();
        let at = |k: usize| mesh.points()[ring[k % n] as usize];
        let middle = Point::from((0..n).map(|k| at(k).coords).sum::<Vector>() / n as f64);
        let normal: Vector = (0..n)
            .map(|k| (at(k) - middle).cross(&(at(k + 1) - middle)))
            .sum();
        self.loops += 1;
        self.area_mm2 += normal.norm() / 2.0;
        let z = normal.try_normalize(1e-300).unwrap_or_else(Vector::z);
        let flat: Vec<[f64; 2]> = flatten((0..n).map(at), &middle, &z);
        let ears = clip_ears(&flat);
        self.facets.extend(ears.iter().map(|e| e.map(|k| ring[k])));
    }
}

/// The directed edges, as often as they are wanted, that make every edge of the mesh cancel.
fn wanting(mesh: &Mesh, topology: &Topology) -> BTreeMap<u32, Vec<u32>> {
    let mut over: HashMap<(u32, u32), i32> = HashMap::new();
    for (f, c) in mesh.facets().iter().enumerate() {
        for e in 0..3 {
            let (a, b) = (c[e], c[(e + 1) % 3]);
            if a != b && !matches!(topology.links[f][e], Link::Facet(_)) {
                *over.entry((a.min(b), a.max(b))).or_default() += if a < b { 1 } else { -1 };
            }
        }
    }
    let mut after: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
    for ((a, b), n) in over {
        let (from, to) = if n > 0 { (b, a) } else { (a, b) };
        for _ in 0..n.abs() {
            after.entry(from).or_default().push(to);
        }
    }
    after.values_mut().for_each(|v| v.sort_unstable());
    after
}

/// Directed edges as closed chains, none of which meets a point twice. As many edges lead to every
/// point as away from it, since every facet's own three do.
fn loops(mut after: BTreeMap<u32, Vec<u32>>) -> Vec<Vec<u32>> {
    let mut out = Vec::new();
    let mut place: HashMap<u32, usize> = HashMap::new();
    while let Some((&start, _)) = after.first_key_value() {
        let mut chain = vec![start];
        place.clear();
        place.insert(start, 0);
        while let Some(here) = chain.last() {
            let Some(next) = after.get_mut(here).and_then(Vec::pop) else {
                break;
            };
            if after.get(here).is_some_and(Vec::is_empty) {
                after.remove(here);
            }
            if let Some(&first) = place.get(&next) {
                let closed = chain.split_off(first + 1);
                for p in &closed {
                    place.remove(p);
                }
                out.push([next].into_iter().chain(closed).collect());
            } else {
                place.insert(next, chain.len());
                chain.push(next);
            }
        }
    }
    out
}

fn flatten(ring: impl Iterator<Item = Point>, o: &Point, z: &Vector) -> Vec<[f64; 2]> {
    let x = any_normal_to(z);
    let y = z.cross(&x);
    ring.map(|p| p - o)
        .map(|d| [d.dot(&x), d.dot(&y)])
        .collect()
}

/// A unit vector square to `z`.
pub(crate) fn any_normal_to(z: &Vector) -> Vector {
    let mut e = Vector::zeros();
    e[z.iamin()] = 1.0;
    z.cross(&e).normalize()
}

/// Triangles of a counter-clockwise polygon. The ear with the shortest cut goes first, which keeps
/// the facets from fanning out. Where the polygon crosses itself there may be no ear: then the
/// shortest cut of all goes, which folds a facet over but keeps the edges cancelling.
fn clip_ears(p: &[[f64; 2]]) -> Vec<[usize; 3]> {
    let turn = |a: usize, b: usize, c: usize| {
        (p[b][0] - p[a][0]) * (p[c][1] - p[a][1]) - (p[b][1] - p[a][1]) * (p[c][0] - p[a][0])
    };
    let mut ring: Vec<usize> = (0..p.len()).collect();
    let mut out = Vec::with_capacity(p.len());
    // Ears before what is none, then by the length of the cut.
    let ear = |ring: &[usize], i: usize| -> (bool, f64) {
        let n = ring.len();
        let (a, b, c) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]);
        let cut = (p[a][0] - p[c][0]).hypot(p[a][1] - p[c][1]);
        let holds = |q: usize| {
            ![a, b, c].contains(&q)
                && turn(a, b, q) >= 0.0
                && turn(b, c, q) >= 0.0
                && turn(c, a, q) >= 0.0
        };
        let none = turn(a, b, c) <= 0.0 || ring.iter().any(|&q| holds(q));
        (none, cut)
    };
    let mut cuts: Vec<(bool, f64)> = (0..ring.len()).map(|i| ear(&ring, i)).collect();
    while ring.len() > 3 {
        let best = cuts
            .iter()
            .enumerate()
            .min_by(|x, y| x.1.0.cmp(&y.1.0).then(x.1.1.total_cmp(&y.1.1)));
        let i = best.map_or(0, |(i, _)| i);
        let n = ring.len();
        out.push([ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]]);
        ring.remove(i);
        cuts.remove(i);
        let n = ring.len();
        for k in [(i + n - 1) % n, i % n] {
            cuts[k] = ear(&ring, k);
        }
    }
    if let [a, b, c] = ring[..] {
        out.push([a, b, c]);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::test_shapes::*;
    use super::*;

    fn closed(mesh: &Mesh) -> Mesh {
        let caps = Caps::new(mesh, &Topology::new(mesh));
        let (points, mut facets) = mesh.clone().into_parts();
        facets.extend(&caps.facets);
        Mesh::new(points, facets).expect("caps join points that exist")
    }

    /// Whatever is torn, turned over or added, all edges cancel in the end.
    #[test]
    fn every_edge_cancels() {
        let (mut points, mut facets) = torus(5.0, 2.0, 24).into_parts();
        for k in [3, 4, 90, 91, 92, 500] {
            facets[k].reverse();
        }
        facets.retain(|f| f.iter().sum::<u32>() % 7 != 0);
        points.push(Point::new(0.0, 0.0, 9.0));
        facets.push([facets[0][0], facets[0][1], points.len() as u32 - 1]);
        facets.push([5, 5, 6]);
        let mesh = closed(&Mesh::new(points, facets).expect("indices kept"));
        assert!(wanting(&mesh, &Topology::new(&mesh)).is_empty());
    }

    #[test]
    fn a_loop_that_crosses_itself_is_closed_too() {
        let eight = [[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]];
        assert_eq!(clip_ears(&eight).len(), 2);
        assert!(clip_ears(&[]).is_empty());
    }
}

//! Who meets whom across an edge: neighbours, open edges, fins, boundary loops and parts.
//!
//! Edges are found by sorting half-edges, which stays exact for any soup: an edge may have one
//! facet (open), two (sound), or more (a fin). Nothing is assumed to be manifold.

use rayon::prelude::*;

use super::{Mesh, Point};

/// What lies across one edge of a facet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Link {
    /// Nothing: the edge is open.
    Open,
    /// One facet, and the two agree which way is out.
    Facet(u32),
    /// One facet, wound the other way round.
    Flipped(u32),
    /// Two or more other facets.
    Fin,
}

/// A closed chain of open edges.
#[derive(Debug, Clone, PartialEq)]
pub struct BoundaryLoop {
    /// Point indices in order; the last joins the first.
    pub points: Vec<u32>,
}

impl BoundaryLoop {
    /// Length of the chain, mm.
    #[must_use]
    pub fn length_mm(&self, mesh: &Mesh) -> f64 {
        self.edges(mesh).map(|(a, b)| (b - a).norm()).sum()
    }

    /// Area of the flat fan across it (half the norm of the chain's area vector), mm².
    #[must_use]
    pub fn area_mm2(&self, mesh: &Mesh) -> f64 {
        let centre = self.centre(mesh);
        self.edges(mesh)
            .map(|(a, b)| (a - centre).cross(&(b - centre)))
            .sum::<super::Vector>()
            .norm()
            / 2.0
    }

    /// Middle of the chain, every edge weighted by its length.
    #[must_use]
    pub fn centre(&self, mesh: &Mesh) -> Point {
        let (mut sum, mut weight) = (super::Vector::zeros(), 0.0);
        for (a, b) in self.edges(mesh) {
            let w = (b - a).norm();
            sum += w * (a.coords + b.coords) / 2.0;
            weight += w;
        }
        if weight > 0.0 {
            Point::from(sum / weight)
        } else {
            mesh.points()[self.points[0] as usize]
        }
    }

    /// Largest distance between two of its points, mm (exact up to 600 points, then from every k-th).
    #[must_use]
    pub fn span_mm(&self, mesh: &Mesh) -> f64 {
        let step = self.points.len().div_ceil(600).max(1);
        let chosen: Vec<Point> = self
            .points
            .iter()
            .step_by(step)
            .map(|&i| mesh.points()[i as usize])
            .collect();
        let mut best = 0.0_f64;
        for (i, a) in chosen.iter().enumerate() {
            for b in &chosen[i + 1..] {
                best = best.max((b - a).norm_squared());
            }
        }
        best.sqrt()
    }

    fn edges<'a>(&'a self, mesh: &'a Mesh) -> impl Iterator<Item = (Point, Point)> + 'a {
        let n = self.points.len();
        (0..n).map(move |i| {
            let at = |k: usize| mesh.points()[self.points[k % n] as usize];
            (at(i), at(i + 1))
        })
    }
}

/// Neighbourhood of every facet.
#[derive(Debug, Clone)]
pub struct Topology {
    /// For facet `f`, what lies across the edges (0→1), (1→2), (2→0).
    pub links: Vec<[Link; 3]>,
    /// Number of different edges.
    pub edges: usize,
    /// Edges with exactly one facet.
    pub open_edges: usize,
    /// Edges with three facets or more, as point pairs, sorted.
    pub fins: Vec<[u32; 2]>,
    /// Edges whose two facets disagree which way is out.
    pub flipped_edges: usize,
}

impl Topology {
    /// Finds the neighbours of every facet. A facet that names a point twice has no area and no
    /// side, so it takes no part: counted with its edges it would make a fin where there is none.
    #[must_use]
    pub fn new(mesh: &Mesh) -> Self {
        let mut halves: Vec<(u64, u32)> = Vec::with_capacity(mesh.facets().len() * 3);
        for (f, corners) in mesh.facets().iter().enumerate() {
            if collapsed(corners) {
                continue;
            }
            for e in 0..3 {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                halves.push((edge_key(a, b), (f * 3 + e) as u32));
            }
        }
        halves.par_sort_unstable();
        let mut out = Self {
            links: vec![[Link::Open; 3]; mesh.facets().len()],
            edges: 0,
            open_edges: 0,
            fins: Vec::new(),
            flipped_edges: 0,
        };
        for same in halves.chunk_by(|x, y| x.0 == y.0) {
            out.edges += 1;
            match *same {
                [_] => out.open_edges += 1,
                [(_, x), (_, y)] => out.join(mesh, x, y),
                _ => {
                    out.fins.push([(same[0].0 >> 32) as u32, same[0].0 as u32]);
                    for &(_, h) in same {
                        out.links[h as usize / 3][h as usize % 3] = Link::Fin;
                    }
                }
            }
        }
        out
    }

    fn join(&mut self, mesh: &Mesh, x: u32, y: u32) {
        let (fx, ex) = (x as usize / 3, x as usize % 3);
        let (fy, ey) = (y as usize / 3, y as usize % 3);
        let flipped = mesh.facets()[fx][ex] == mesh.facets()[fy][ey];
        let link = if flipped { Link::Flipped } else { Link::Facet };
        self.flipped_edges += usize::from(flipped);
        self.links[fx][ex] = link(fy as u32);
        self.links[fy][ey] = link(fx as u32);
    }

    /// The part (connected through shared edges, fins included) of every facet, numbered from 0
    /// in order of their first facet; and how many parts there are.
    #[must_use]
    pub fn parts(&self, mesh: &Mesh) -> (Vec<u32>, usize) {
        let mut part = vec![u32::MAX; self.links.len()];
        let mut across_fin: std::collections::HashMap<u64, Vec<u32>> =
            std::collections::HashMap::new();
        for (f, corners) in mesh.facets().iter().enumerate() {
            for e in 0..3 {
                if self.links[f][e] == Link::Fin {
                    let key = edge_key(corners[e], corners[(e + 1) % 3]);
                    across_fin.entry(key).or_default().push(f as u32);
                }
            }
        }
        let mut parts = 0;
        let mut todo = Vec::new();
        for seed in 0..part.len() {
            if part[seed] != u32::MAX || collapsed(&mesh.facets()[seed]) {
                continue;
            }
            part[seed] = parts;
            todo.push(seed as u32);
            while let Some(f) = todo.pop() {
                let corners = mesh.facets()[f as usize];
                for e in 0..3 {
                    let mut visit = |g: u32| {
                        if part[g as usize] == u32::MAX {
                            part[g as usize] = parts;
                            todo.push(g);
                        }
                    };
                    match self.links[f as usize][e] {
                        Link::Facet(g) | Link::Flipped(g) => visit(g),
                        Link::Fin => across_fin[&edge_key(corners[e], corners[(e + 1) % 3])]
                            .iter()
                            .for_each(|&g| visit(g)),
                        Link::Open => {}
                    }
                }
            }
            parts += 1;
        }
        // facets without a side belong to nothing; the first part takes them
        part.iter_mut()
            .filter(|p| **p == u32::MAX)
            .for_each(|p| *p = 0);
        (part, parts as usize)
    }

    /// Every closed chain of open edges, longest first; where chains touch in one point they are
    /// told apart by walking round the surface, so that a bow-tie makes two loops.
    #[must_use]
    pub fn boundary_loops(&self, mesh: &Mesh) -> Vec<BoundaryLoop> {
        let mut after: std::collections::HashMap<u32, Vec<u32>> = std::collections::HashMap::new();
        let mut starts = Vec::new();
        for (f, corners) in mesh.facets().iter().enumerate() {
            for e in 0..3 {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                if !collapsed(corners) && self.links[f][e] == Link::Open {
                    after.entry(a).or_default().push(b);
                    after.entry(b).or_default().push(a);
                    starts.push((a, b));
                }
            }
        }
        let mut used = std::collections::HashSet::new();
        let mut loops = Vec::new();
        for (a, b) in starts {
            if !used.insert(edge_key(a, b)) {
                continue;
            }
            let mut chain = vec![a, b];
            let mut place = std::collections::HashMap::from([(a, 0_usize), (b, 1)]);
            loop {
                let here = chain[chain.len() - 1];
                let next = after[&here]
                    .iter()
                    .copied()
                    .find(|&n| !used.contains(&edge_key(here, n)));
                let Some(next) = next else { break };
                used.insert(edge_key(here, next));
                if let Some(&first) = place.get(&next) {
                    let closed = chain.split_off(first);
                    for p in &closed[1..] {
                        place.remove(p);
                    }
                    loops.push(BoundaryLoop { points: closed });
                    chain.push(next);
                    if chain.len() == 1 {
                        break;
                    }
                } else {
                    place.insert(next, chain.len());
                    chain.push(next);
                }
            }
        }
        loops.retain(|l| l.points.len() > 1);
        let mut keyed: Vec<(f64, BoundaryLoop)> =
            loops.into_iter().map(|l| (l.length_mm(mesh), l)).collect();
        keyed.sort_by(|x, y| {
            y.0.total_cmp(&x.0)
                .then_with(|| x.1.points.cmp(&y.1.points))
        });
        keyed.into_iter().map(|(_, l)| l).collect()
    }
}

fn collapsed(corners: &[u32; 3]) -> bool {
    corners[0] == corners[1] || corners[1] == corners[2] || corners[2] == corners[0]
}

fn edge_key(a: u32, b: u32) -> u64 {
    (u64::from(a.min(b)) << 32) | u64::from(a.max(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_facet_that_names_a_point_twice_makes_no_fin_and_no_hole() {
        let points = [
            [0.0, 0.0, 0.0],
            [1.0, 0.0, 0.0],
            [0.0, 1.0, 0.0],
            [1.0, 1.0, 0.0],
        ];
        let points = points.map(|p| Point::new(p[0], p[1], p[2])).to_vec();
        let sound = Mesh::new(points.clone(), vec![[0, 1, 2], [1, 3, 2]]).expect("in range");
        let with = Mesh::new(points, vec![[0, 1, 2], [1, 1, 2], [1, 3, 2]]).expect("in range");
        let (a, b) = (Topology::new(&sound), Topology::new(&with));
        assert_eq!(
            (a.edges, a.open_edges, a.fins.len()),
            (b.edges, b.open_edges, b.fins.len())
        );
        assert_eq!(a.boundary_loops(&sound), b.boundary_loops(&with));
        assert_eq!(b.parts(&with).1, 1);
    }
}

//! A thinned graph of the surface for geodesic distances. Points are gathered in cells of about
//! half a millimetre, so that finding the canal costs the same for 10k and for 1.6M facets, and
//! scan noise does not lengthen the paths.

use std::cmp::Ordering;
use std::collections::{BinaryHeap, HashMap};

use crate::mesh::{Mesh, Point, Vector};

/// Nodes with places and edges, as adjacency lists in one array.
pub(super) struct Graph {
    pub places: Vec<Point>,
    /// Surface area that each node stands for, mm².
    pub areas: Vec<f64>,
    /// Sum of the area vectors of the surface that each node stands for, mm²: the mean normal,
    /// in which scan noise cancels.
    pub facing: Vec<Vector>,
    starts: Vec<u32>,
    links: Vec<(u32, f64)>,
}

impl Graph {
    /// Gathers the points of the chosen facets in cubes of side `cell_mm`. Cells that hold two
    /// sheets of surface (a thin wall) are kept apart by the normal's main direction; where one
    /// smooth sheet turns from one main direction to the next a cell makes two nodes, which is harmless.
    pub(super) fn new(mesh: &Mesh, wanted: impl Fn(usize) -> bool, cell_mm: f64) -> Self {
        let normals = mesh.point_normals();
        let mut node_of_cell: HashMap<[i64; 4], u32> = HashMap::new();
        let mut node_of_point = vec![u32::MAX; mesh.points().len()];
        let mut sums: Vec<(Vector, f64)> = Vec::new();
        let mut areas = Vec::new();
        let mut facing = Vec::new();
        let mut pairs: Vec<u64> = Vec::new();
        for (f, corners) in mesh.facets().iter().enumerate() {
            if !wanted(f) {
                continue;
            }
            let area_vector = mesh.area_vector(f) / 6.0;
            let third = area_vector.norm();
            let nodes = corners.map(|c| {
                let slot = &mut node_of_point[c as usize];
                if *slot == u32::MAX {
                    let p = mesh.points()[c as usize];
                    let key = cell_key(&p, &normals[c as usize], cell_mm);
                    *slot = *node_of_cell.entry(key).or_insert_with(|| {
                        sums.push((Vector::zeros(), 0.0));
                        areas.push(0.0);
                        facing.push(Vector::zeros());
                        (sums.len() - 1) as u32
                    });
                    sums[*slot as usize].0 += p.coords;
                    sums[*slot as usize].1 += 1.0;
                }
                *slot
            });
            for e in 0..3 {
                areas[nodes[e] as usize] += third;
                facing[nodes[e] as usize] += area_vector;
                let (a, b) = (
                    nodes[e].min(nodes[(e + 1) % 3]),
                    nodes[e].max(nodes[(e + 1) % 3]),
                );
                if a != b {
                    pairs.push((u64::from(a) << 32) | u64::from(b));
                }
            }
        }
        pairs.sort_unstable();
        pairs.dedup();
        let places: Vec<Point> = sums.iter().map(|(s, n)| Point::from(s / *n)).collect();
        Self::linked(places, areas, facing, &pairs)
    }

    fn linked(places: Vec<Point>, areas: Vec<f64>, facing: Vec<Vector>, pairs: &[u64]) -> Self {
        let ends = |p: u64| ((p >> 32) as usize, p as u32 as usize);
        let mut starts = vec![0_u32; places.len() + 1];
        for &p in pairs {
            let (a, b) = ends(p);
            starts[a + 1] += 1;
            starts[b + 1] += 1;
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        let mut fill = starts.clone();
        let mut links = vec![(0_u32, 0.0_f64); pairs.len() * 2];
        for &p in pairs {
            let (a, b) = ends(p);
            let d = (places[a] - places[b]).norm();
            links[fill[a] as usize] = (b as u32, d);
            fill[a] += 1;
            links[fill[b] as usize] = (a as u32, d);
            fill[b] += 1;
        }
        Self {
            places,
            areas,
            facing,
            starts,
            links,
        }
    }

    pub(super) fn len(&self) -> usize {
        self.places.len()
    }

    pub(super) fn neighbours(&self, node: u32) -> &[(u32, f64)] {
        &self.links[self.starts[node as usize] as usize..self.starts[node as usize + 1] as usize]
    }

    /// Shortest distance along edges from any of `from` (Dijkstra 1959); infinite where unreached.
    pub(super) fn distances(&self, from: &[u32]) -> Vec<f64> {
        let mut distance = vec![f64::INFINITY; self.len()];
        let mut queue = BinaryHeap::new();
        for &f in from {
            distance[f as usize] = 0.0;
            queue.push(Entry(0.0, f));
        }
        while let Some(Entry(d, node)) = queue.pop() {
            if d > distance[node as usize] {
                continue;
            }
            for &(next, step) in self.neighbours(node) {
                let reached = d + step;
                if reached < distance[next as usize] {
                    distance[next as usize] = reached;
                    queue.push(Entry(reached, next));
                }
            }
        }
        distance
    }
}

fn cell_key(p: &Point, n: &Vector, cell_mm: f64) -> [i64; 4] {
    let main = n.iamax();
    let facing = (main as i64 + 1) * if n[main] < 0.0 { -1 } else { 1 };
    let c = |k: usize| (p[k] / cell_mm).floor() as i64;
    [c(0), c(1), c(2), facing]
}

/// Nearest first; ties by node, so that the order never depends on the heap.
struct Entry(f64, u32);

impl PartialEq for Entry {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Entry {
    fn cmp(&self, other: &Self) -> Ordering {
        other
            .0
            .total_cmp(&self.0)
            .then_with(|| other.1.cmp(&self.1))
    }
}

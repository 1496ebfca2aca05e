//! A closed surface round `{f ≤ 0}` by marching tetrahedra: slow and plain, every vertex moved
//! onto the level set by bisection, every edge shared by two facets.

use std::collections::HashMap;

use secondbend::mesh::{Mesh, Point};

/// The closed box between two corners.
pub fn between(lo: &Point, hi: &Point) -> Mesh {
    let at = |i: usize| {
        let pick = |k: usize| if i >> k & 1 == 1 { hi[k] } else { lo[k] };
        Point::new(pick(0), pick(1), pick(2))
    };
    let facets = vec![
        [0, 2, 1],
        [1, 2, 3],
        [4, 5, 6],
        [5, 7, 6],
        [0, 1, 4],
        [1, 5, 4],
        [2, 6, 3],
        [3, 6, 7],
        [0, 4, 2],
        [2, 4, 6],
        [1, 3, 5],
        [3, 7, 5],
    ];
    Mesh::new((0..8).map(at).collect(), facets).expect("indices below 8")
}

/// Six tetrahedra that fill a cube, by corner numbers (bit k: along axis k).
const TETRAHEDRA: [[usize; 4]; 6] = [
    [0, 1, 3, 7],
    [0, 3, 2, 7],
    [0, 2, 6, 7],
    [0, 6, 4, 7],
    [0, 4, 5, 7],
    [0, 5, 1, 7],
];

/// The surface of `{f ≤ 0}` within a box, its facets about `step` in size.
pub fn surface(lo: Point, hi: Point, step: f64, f: &dyn Fn(&Point) -> f64) -> Mesh {
    let counts: Vec<usize> = (0..3)
        .map(|k| ((hi[k] - lo[k]) / step).ceil() as usize + 1)
        .collect();
    let (nx, ny, nz) = (counts[0], counts[1], counts[2]);
    let index = |i: usize, j: usize, k: usize| (k * ny + j) * nx + i;
    let at = |n: usize| {
        let (i, j, k) = (n % nx, n / nx % ny, n / (nx * ny));
        Point::new(
            lo.x + i as f64 * step,
            lo.y + j as f64 * step,
            lo.z + k as f64 * step,
        )
    };
    // Every field here falls by no more than the way one goes: no node within what the last one
    // has to spare can lie on the other side.
    let mut values = vec![0.0; nx * ny * nz];
    let mut spare = 0.0;
    for n in 0..values.len() {
        if n % nx > 0 && spare > step {
            spare -= step;
            values[n] = values[n - 1];
        } else {
            values[n] = f(&at(n));
            spare = values[n].abs();
        }
    }
    let mut made = Made {
        points: Vec::new(),
        on_edge: HashMap::new(),
    };
    let mut facets = Vec::new();
    for k in 0..nz - 1 {
        for j in 0..ny - 1 {
            for i in 0..nx - 1 {
                let corner = |c: usize| index(i + (c & 1), j + (c >> 1 & 1), k + (c >> 2));
                let inside = (0..8).filter(|&c| values[corner(c)] <= 0.0).count();
                if inside == 0 || inside == 8 {
                    continue;
                }
                for tet in TETRAHEDRA {
                    let n = tet.map(corner);
                    let (low, high): (Vec<usize>, Vec<usize>) =
                        n.iter().partition(|&&m| values[m] <= 0.0);
                    let mut edge = |a: usize, b: usize| made.edge(a, b, &at, f);
                    let ring: Vec<u32> = match low.len() {
                        1 => high.iter().map(|&h| edge(low[0], h)).collect(),
                        3 => low.iter().map(|&l| edge(l, high[0])).collect(),
                        2 => vec![
                            edge(low[0], high[0]),
                            edge(low[0], high[1]),
                            edge(low[1], high[1]),
                            edge(low[1], high[0]),
                        ],
                        _ => continue,
                    };
                    let out = at(high[0]) - at(low[0]);
                    for t in 1..ring.len() - 1 {
                        let tri = [ring[0], ring[t], ring[t + 1]];
                        let [a, b, c] = tri.map(|v| made.points[v as usize]);
                        let up = (b - a).cross(&(c - a)).dot(&out) > 0.0;
                        facets.push(if up { tri } else { [tri[0], tri[2], tri[1]] });
                    }
                }
            }
        }
    }
    oriented(made.points, facets, f)
}

struct Made {
    points: Vec<Point>,
    on_edge: HashMap<(usize, usize), u32>,
}

impl Made {
    fn edge(
        &mut self,
        a: usize,
        b: usize,
        at: &dyn Fn(usize) -> Point,
        f: &dyn Fn(&Point) -> f64,
    ) -> u32 {
        let key = (a.min(b), a.max(b));
        if let Some(&v) = self.on_edge.get(&key) {
            return v;
        }
        let (p, q) = (at(key.0), at(key.1));
        let first_low = f(&p) <= 0.0;
        let (mut lo, mut hi) = (0.0, 1.0);
        for _ in 0..24 {
            let mid = (lo + hi) / 2.0;
            if (f(&(p + (q - p) * mid)) <= 0.0) == first_low {
                lo = mid;
            } else {
                hi = mid;
            }
        }
        let t: f64 = (lo + hi) / 2.0;
        // Kept off the nodes, so that no facet loses its area.
        self.points.push(p + (q - p) * t.clamp(1e-4, 1.0 - 1e-4));
        let v = self.points.len() as u32 - 1;
        self.on_edge.insert(key, v);
        v
    }
}

/// Facets turned outward by walking from neighbour to neighbour (a facet seen edge-on by its
/// tetrahedron's low–high direction may have come out wrong).
fn oriented(points: Vec<Point>, facets: Vec<[u32; 3]>, f: &dyn Fn(&Point) -> f64) -> Mesh {
    let mut turned = facets.clone();
    for (t, tri) in facets.iter().enumerate() {
        let [a, b, c] = tri.map(|v| points[v as usize]);
        let n = (b - a).cross(&(c - a));
        if n.norm() < 1e-12 {
            continue;
        }
        let mid = Point::from((a.coords + b.coords + c.coords) / 3.0);
        let e = n.normalize() * 1e-3;
        if f(&(mid + e)) < f(&(mid - e)) {
            turned[t] = [tri[0], tri[2], tri[1]];
        }
    }
    let mesh = Mesh::new(points, facets).expect("indices in range");
    if secondbend::mesh::Topology::new(&mesh).flipped_edges == 0 {
        return mesh;
    }
    let (points, _) = mesh.into_parts();
    Mesh::new(points, turned).expect("indices in range")
}

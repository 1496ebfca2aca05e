//! Bodies with undercuts known in closed form, for the tests of this room.

use std::collections::HashMap;
use std::f64::consts::TAU;

use crate::mesh::{Mesh, Point, Topology, Vector};

use super::{BasePlane, Body};

/// A tube swept through rings: `at(s, φ)` for s in 0..=1, both ends closed by rings of discs.
pub fn swept(rings: usize, sides: usize, at: impl Fn(f64, f64, f64) -> Point) -> Mesh {
    let discs = 6;
    let mut points = Vec::new();
    let mut rows: Vec<Vec<u32>> = Vec::new();
    let mut ring = |s: f64, share: f64| {
        let row = (0..sides).map(|k| {
            points.push(at(s, TAU * k as f64 / sides as f64, share));
            points.len() as u32 - 1
        });
        rows.push(row.collect());
    };
    for d in 1..discs {
        ring(0.0, d as f64 / discs as f64);
    }
    for i in 0..=rings {
        ring(i as f64 / rings as f64, 1.0);
    }
    for d in (1..discs).rev() {
        ring(1.0, d as f64 / discs as f64);
    }
    let mut facets = Vec::new();
    for pair in rows.windows(2) {
        for k in 0..sides {
            let n = (k + 1) % sides;
            facets.push([pair[0][k], pair[0][n], pair[1][k]]);
            facets.push([pair[0][n], pair[1][n], pair[1][k]]);
        }
    }
    for (s, row, turned) in [(0.0, &rows[0], true), (1.0, &rows[rows.len() - 1], false)] {
        points.push(at(s, 0.0, 0.0));
        let hub = points.len() as u32 - 1;
        for k in 0..sides {
            let (a, b) = (row[k], row[(k + 1) % sides]);
            facets.push(if turned { [b, a, hub] } else { [a, b, hub] });
        }
    }
    Mesh::new(points, facets).expect("finite")
}

/// A tube of radius `r` along an arc of radius `big` over `turn` radians. The outer end lies in
/// z = 0 and faces +z; the arc's centre is the origin.
pub fn arc(big: f64, r: f64, turn: f64, edge: f64) -> Mesh {
    let rings = ((big + r) * turn / edge).ceil() as usize;
    let sides = (TAU * r / edge).ceil().max(24.0) as usize;
    swept(rings, sides, |s, phi, share| {
        let rho = big + r * share * phi.cos();
        Point::new(
            rho * (s * turn).cos(),
            r * share * phi.sin(),
            -rho * (s * turn).sin(),
        )
    })
}

/// A straight round body of length `length` below z = 0, its radius going from `outer` to `inner`.
pub fn cone(outer: f64, inner: f64, length: f64, edge: f64) -> Mesh {
    let sides = (TAU * outer.max(inner) / edge).ceil() as usize;
    let rings = (length / edge).ceil() as usize;
    swept(rings, sides, |s, phi, share| {
        let r = share * (outer + (inner - outer) * s);
        Point::new(r * phi.cos(), r * phi.sin(), -s * length)
    })
}

/// The surface of the filled cells of a rectilinear grid.
pub fn blocks(
    xs: &[f64],
    ys: &[f64],
    zs: &[f64],
    filled: impl Fn(usize, usize, usize) -> bool,
) -> Mesh {
    let size = [xs.len() - 1, ys.len() - 1, zs.len() - 1];
    let solid = |c: [i64; 3]| {
        (0..3).all(|k| c[k] >= 0 && (c[k] as usize) < size[k])
            && filled(c[0] as usize, c[1] as usize, c[2] as usize)
    };
    let mut index: HashMap<[usize; 3], u32> = HashMap::new();
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for cell in 0..size.iter().product::<usize>() {
        let c = [
            (cell % size[0]) as i64,
            (cell / size[0] % size[1]) as i64,
            (cell / size[0] / size[1]) as i64,
        ];
        if !solid(c) {
            continue;
        }
        for axis in 0..3 {
            for side in 0..2 {
                let mut over = c;
                over[axis] += if side == 1 { 1 } else { -1 };
                if solid(over) {
                    continue;
                }
                let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
                let quad = [(0, 0), (1, 0), (1, 1), (0, 1)].map(|(a, b)| {
                    let mut q = c.map(|k| k as usize);
                    q[axis] += side;
                    q[u] += a;
                    q[v] += b;
                    *index.entry(q).or_insert_with(|| {
                        points.push(Point::new(xs[q[0]], ys[q[1]], zs[q[2]]));
                        points.len() as u32 - 1
                    })
                });
                let [a, b, c, d] = quad;
                let two = if side == 1 {
                    [[a, b, c], [a, c, d]]
                } else {
                    [[a, c, b], [a, d, c]]
                };
                facets.extend(two);
            }
        }
    }
    Mesh::new(points, facets).expect("finite")
}

/// A shaft with a foot that stands out by `depth` at its inner end. Straight up, its undercut is
/// `depth`.
pub fn hook(depth: f64) -> Mesh {
    blocks(
        &[-3.0, 3.0, 3.0 + depth],
        &[-3.0, 3.0],
        &[-15.0, -11.0, 0.0],
        |i, _, k| i == 0 || k == 0,
    )
}

/// The body of a mesh whose outer end lies in z = 0 and faces up.
pub fn body(mesh: &Mesh) -> Body {
    let base = BasePlane::given(Point::origin(), Vector::z()).expect("unit");
    Body::new(mesh, &Topology::new(mesh), base).expect("a body")
}

/// The same body in another pose, its plane with it.
pub fn moved(mesh: &Mesh, pose: &nalgebra::Isometry3<f64>) -> Body {
    let mesh = mesh.mapped(|p| pose * p).expect("finite");
    let base = BasePlane::given(pose * Point::origin(), pose * Vector::z()).expect("unit");
    Body::new(&mesh, &Topology::new(&mesh), base).expect("a body")
}

/// Numbers in 0..1 that look like chance and are the same on every run (splitmix64).
pub struct Dice(pub u64);

impl Dice {
    pub fn roll(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

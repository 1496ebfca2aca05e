//! Meshes with known distances, for the tests of this room.

use crate::mesh::{Mesh, Point, Vector};

/// A surface z = f(u, v) over a grid that closes in both directions.
fn wrapped(nu: usize, nv: usize, f: impl Fn(f64, f64) -> Point) -> Mesh {
    let turn = std::f64::consts::TAU;
    let points = (0..nu * nv)
        .map(|k| {
            f(
                (k / nv) as f64 / nu as f64 * turn,
                (k % nv) as f64 / nv as f64 * turn,
            )
        })
        .collect();
    let at = |i: usize, j: usize| ((i % nu) * nv + j % nv) as u32;
    let facets = (0..nu * nv)
        .flat_map(|k| {
            let (i, j) = (k / nv, k % nv);
            let q = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
            [[q[0], q[1], q[2]], [q[0], q[2], q[3]]]
        })
        .collect();
    Mesh::new(points, facets).expect("grid")
}

/// Torus about z.
pub(crate) fn torus(ring: f64, tube: f64, n: usize) -> Mesh {
    wrapped(3 * n, n, |u, v| {
        let r = ring + tube * v.cos();
        Point::new(r * u.cos(), r * u.sin(), tube * v.sin())
    })
}

/// Sphere by latitude rings, `n` of them.
pub(crate) fn sphere(centre: Point, radius: f64, n: usize) -> Mesh {
    tube(n, 2 * n, |t| {
        let a = t * std::f64::consts::PI;
        let o = centre + Vector::z() * (-radius * a.cos());
        (o, Vector::x(), Vector::y(), radius * a.sin().max(0.0))
    })
}

/// A tube of rings (middle, two directions, radius at t in 0..=1), closed by its ends' middles.
pub(crate) fn tube(
    rings: usize,
    sides: usize,
    f: impl Fn(f64) -> (Point, Vector, Vector, f64),
) -> Mesh {
    let turn = std::f64::consts::TAU;
    let mut points = Vec::new();
    let pole = |r: f64| r < 1e-9;
    let ends = [f(0.0), f(1.0)];
    let (first, last) = (
        usize::from(pole(ends[0].3)),
        rings - usize::from(pole(ends[1].3)),
    );
    for i in first..=last {
        let (o, x, y, r) = f(i as f64 / rings as f64);
        for j in 0..sides {
            let (s, c) = (j as f64 / sides as f64 * turn).sin_cos();
            points.push(o + (x * c + y * s) * r);
        }
    }
    let at = |i: usize, j: usize| (i * sides + j % sides) as u32;
    let mut facets = Vec::new();
    for i in 0..last - first {
        for j in 0..sides {
            facets.push([at(i, j), at(i, j + 1), at(i + 1, j + 1)]);
            facets.push([at(i, j), at(i + 1, j + 1), at(i + 1, j)]);
        }
    }
    let hub = points.len() as u32;
    points.push(ends[0].0);
    points.push(ends[1].0);
    for j in 0..sides {
        facets.push([at(0, j + 1), at(0, j), hub]);
        facets.push([at(last - first, j), at(last - first, j + 1), hub + 1]);
    }
    Mesh::new(points, facets).expect("tube")
}

/// Box from `lo` to `hi`, each face split into `n` × `n` squares.
pub(crate) fn boxed(lo: Point, hi: Point, n: usize) -> Mesh {
    let mut index = std::collections::HashMap::new();
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for axis in 0..3 {
        let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
        for side in 0..2 {
            let mut at = |i: usize, j: usize| {
                let mut k = [0; 3];
                (k[axis], k[u], k[v]) = (side * n, i, j);
                *index.entry(k).or_insert_with(|| {
                    let t = Vector::from_fn(|a, _| k[a] as f64 / n as f64);
                    points.push(lo + t.component_mul(&(hi - lo)));
                    points.len() as u32 - 1
                })
            };
            for i in 0..n {
                for j in 0..n {
                    let mut q = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
                    if side == 0 {
                        q.reverse();
                    }
                    facets.push([q[0], q[1], q[2]]);
                    facets.push([q[0], q[2], q[3]]);
                }
            }
        }
    }
    Mesh::new(points, facets).expect("box")
}

/// Both meshes in one, `b` turned inside out if `hollow`.
pub(crate) fn both(a: &Mesh, b: &Mesh, hollow: bool) -> Mesh {
    let shift = a.points().len() as u32;
    let b = if hollow { b.inverted() } else { b.clone() };
    let (mut points, mut facets) = a.clone().into_parts();
    points.extend(b.points());
    facets.extend(b.facets().iter().map(|f| f.map(|i| i + shift)));
    Mesh::new(points, facets).expect("both")
}

/// Only the facets whose middle passes.
pub(crate) fn kept(mesh: &Mesh, keep: impl Fn(&Point) -> bool) -> Mesh {
    let facets = (0..mesh.facets().len())
        .filter(|&f| {
            let [a, b, c] = mesh.corners(f);
            keep(&Point::from((a.coords + b.coords + c.coords) / 3.0))
        })
        .map(|f| mesh.facets()[f])
        .collect();
    Mesh::new(mesh.points().to_vec(), facets).expect("kept")
}

/// A bent tube of radius `r` whose middle line turns by `angle` on an arc of radius `arc`, with
/// straight ends of 5 mm and round caps left flat.
pub(crate) fn bent_tube(r: f64, arc: f64, angle: f64, sides: usize) -> Mesh {
    let straight = 5.0;
    let length = arc * angle;
    let total = length + 2.0 * straight;
    let rings = (total / (std::f64::consts::TAU * r) * sides as f64).ceil() as usize;
    tube(rings, sides, |t| {
        let s = t * total - straight;
        let on_arc = s.clamp(0.0, length);
        let a = on_arc / arc;
        let out = Vector::new(a.cos(), 0.0, a.sin());
        let along = Vector::new(-a.sin(), 0.0, a.cos());
        let o = Point::origin() + out * arc + along * (s - on_arc);
        (o, out, Vector::y(), r)
    })
}

/// Points spread over a box without pattern, the same ones every time.
pub(crate) fn scattered(lo: Point, hi: Point, n: usize) -> Vec<Point> {
    let mut state = 88_172_645_463_325_252_u64;
    let mut unit = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..n)
        .map(|_| lo + Vector::from_fn(|_, _| unit()).component_mul(&(hi - lo)))
        .collect()
}

/// Points moved along the normals of their facets by up to `by`, as scanner noise does.
pub(crate) fn rough(mesh: &Mesh, by: f64) -> Mesh {
    let (mut points, facets) = mesh.clone().into_parts();
    let mut out = vec![Vector::zeros(); points.len()];
    for (f, corners) in facets.iter().enumerate() {
        for &c in corners {
            out[c as usize] += mesh.area_vector(f);
        }
    }
    let (lo, hi) = (Point::new(-1.0, 0.0, 0.0), Point::new(1.0, 1.0, 1.0));
    let chance = scattered(lo, hi, points.len());
    for ((p, n), c) in points.iter_mut().zip(out).zip(chance) {
        *p += n.try_normalize(1e-12).unwrap_or_else(Vector::zeros) * (by * c.x);
    }
    Mesh::new(points, facets).expect("indices kept")
}

/// A sphere about the origin with noise, a ragged opening at the top, two holes in its side and a
/// patch wound the wrong way.
pub(crate) fn torn_sphere(radius: f64, noise: f64) -> Mesh {
    let whole = rough(&sphere(Point::origin(), radius, 40), noise);
    let ragged = |p: &Point| {
        let round = p.y.atan2(p.x);
        p.z < radius * (0.75 + 0.12 * (5.0 * round).sin())
    };
    let at = |x: f64, y: f64, z: f64| Point::new(x, y, z) * radius;
    let hole = |p: &Point| {
        (p - at(1.0, 0.0, 0.0)).norm() < 0.25 * radius
            || (p - at(0.0, -0.8, -0.6)).norm() < 0.2 * radius
    };
    let (points, mut facets) = kept(&whole, |p| ragged(p) && !hole(p)).into_parts();
    for f in &mut facets {
        if (points[f[0] as usize] - at(0.0, 0.8, -0.6)).norm() < 0.3 * radius {
            f.swap(0, 1);
        }
    }
    Mesh::new(points, facets).expect("indices kept")
}

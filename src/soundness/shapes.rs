//! Shapes whose figures have closed forms, for the tests of this room.

use std::f64::consts::{PI, TAU};

use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};

use super::{Soundness, inspect};

pub(super) fn mesh(points: Vec<Point>, facets: Vec<[u32; 3]>) -> Mesh {
    Mesh::new(points, facets).expect("a test shape is a mesh")
}

pub(super) fn look(mesh: &Mesh) -> Soundness {
    inspect(mesh, &Topology::new(mesh), &MeshQueries::new(mesh))
}

/// Quads of a grid that closes in u or v or neither, as facets whose normal is ∂u × ∂v.
fn grid_facets(nu: usize, nv: usize, close_u: bool, close_v: bool) -> Vec<[u32; 3]> {
    let mut out = Vec::new();
    let (u_end, v_end) = (nu - usize::from(!close_u), nv - usize::from(!close_v));
    for u in 0..u_end {
        for v in 0..v_end {
            let at = |du: usize, dv: usize| (((u + du) % nu) * nv + (v + dv) % nv) as u32;
            let (a, b, c, d) = (at(0, 0), at(1, 0), at(1, 1), at(0, 1));
            if (u + v) % 2 == 0 {
                out.extend([[a, b, c], [a, c, d]]);
            } else {
                out.extend([[a, b, d], [b, c, d]]);
            }
        }
    }
    out
}

/// A surface over a grid, `f(u, v)` with u, v in 0..1 (the end left out where it closes).
pub(super) fn surface(
    nu: usize,
    nv: usize,
    close_u: bool,
    close_v: bool,
    f: impl Fn(f64, f64) -> Point,
) -> Mesh {
    let mut points = Vec::new();
    for u in 0..nu {
        for v in 0..nv {
            let s = u as f64 / (nu - usize::from(!close_u)) as f64;
            let t = v as f64 / (nv - usize::from(!close_v)) as f64;
            points.push(f(s, t));
        }
    }
    mesh(points, grid_facets(nu, nv, close_u, close_v))
}

/// A torus about z; its volume is 2π²Rr², its area 4π²Rr.
pub(super) fn torus(big_mm: f64, small_mm: f64, nu: usize, nv: usize) -> Mesh {
    surface(nu, nv, true, true, |s, t| {
        let (a, b) = (s * TAU, t * TAU);
        let r = big_mm + small_mm * b.cos();
        Point::new(r * a.cos(), r * a.sin(), small_mm * b.sin())
    })
}

/// An ellipsoid from an octahedron split `n` times along every edge.
pub(super) fn ellipsoid(half_mm: [f64; 3], n: usize) -> Mesh {
    let mut numbers = std::collections::HashMap::new();
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for octant in 0..8_i64 {
        let sign = [0, 1, 2].map(|k| if octant >> k & 1 == 0 { 1_i64 } else { -1 });
        let mut number = |i: usize, j: usize| {
            let k = n - i - j;
            let key = [i as i64 * sign[0], j as i64 * sign[1], k as i64 * sign[2]];
            *numbers.entry(key).or_insert_with(|| {
                let d = Vector::new(key[0] as f64, key[1] as f64, key[2] as f64).normalize();
                points.push(Point::new(
                    d.x * half_mm[0],
                    d.y * half_mm[1],
                    d.z * half_mm[2],
                ));
                points.len() as u32 - 1
            })
        };
        for i in 0..n {
            for j in 0..n - i {
                let mut add = |a: u32, b: u32, c: u32| {
                    let right = sign[0] * sign[1] * sign[2] > 0;
                    facets.push(if right { [a, b, c] } else { [a, c, b] });
                };
                let (a, b, c) = (number(i, j), number(i + 1, j), number(i, j + 1));
                add(a, b, c);
                if i + j + 1 < n {
                    let d = number(i + 1, j + 1);
                    add(b, d, c);
                }
            }
        }
    }
    mesh(points, facets)
}

pub(super) fn ball(radius_mm: f64, n: usize) -> Mesh {
    ellipsoid([radius_mm; 3], n)
}

/// A tube about a middle line in the x–z plane that runs along z, then turns by `turn` radians
/// round a bend of radius `bend_mm`, then runs straight; both ends open.
pub(super) fn bent_tube(radius_mm: f64, bend_mm: f64, turn: f64, edge_mm: f64) -> Mesh {
    let straight = 9.0;
    let length = 2.0 * straight + bend_mm * turn;
    let around = ((TAU * radius_mm / edge_mm) as usize / 2 * 2).max(6);
    let along = (length / edge_mm).round() as usize + 1;
    surface(along, around, false, true, |s, t| {
        let (middle, side) = bent_line(s * length, straight, bend_mm, turn);
        let a = -t * TAU;
        middle + side * (radius_mm * a.cos()) + Vector::y() * (radius_mm * a.sin())
    })
}

/// Point of the bent line and the direction across it, in the plane of the bend.
fn bent_line(at: f64, straight: f64, bend_mm: f64, turn: f64) -> (Point, Vector) {
    let angle = ((at - straight) / bend_mm).clamp(0.0, turn);
    let arc = Point::new(
        bend_mm * (1.0 - angle.cos()),
        0.0,
        straight + bend_mm * angle.sin(),
    );
    let ahead = Vector::new(angle.sin(), 0.0, angle.cos());
    let rest = if at < straight {
        at - straight
    } else {
        (at - straight - bend_mm * turn).max(0.0)
    };
    (
        arc + ahead * rest,
        Vector::new(angle.cos(), 0.0, -angle.sin()),
    )
}

/// The tube with the end towards z = 0 or the other closed by a fan to its middle.
pub(super) fn closed_at(tube: &Mesh, first: bool, around: usize) -> Mesh {
    let (mut points, mut facets) = tube.clone().into_parts();
    let n = points.len();
    let ring: Vec<u32> = if first { 0..around } else { n - around..n }
        .map(|i| i as u32)
        .collect();
    let sum: Vector = ring.iter().map(|&i| points[i as usize].coords).sum();
    points.push(Point::from(sum / around as f64));
    for k in 0..around {
        let (a, b) = (ring[k], ring[(k + 1) % around]);
        facets.push(if first {
            [a, b, n as u32]
        } else {
            [b, a, n as u32]
        });
    }
    mesh(points, facets)
}

/// How many points go round a tube made by [`bent_tube`].
pub(super) fn around(radius_mm: f64, edge_mm: f64) -> usize {
    ((TAU * radius_mm / edge_mm) as usize / 2 * 2).max(6)
}

/// Two meshes side by side in one.
pub(super) fn both(a: &Mesh, b: &Mesh) -> Mesh {
    let (mut points, mut facets) = a.clone().into_parts();
    let shift = points.len() as u32;
    points.extend_from_slice(b.points());
    facets.extend(b.facets().iter().map(|f| f.map(|i| i + shift)));
    mesh(points, facets)
}

pub(super) fn moved(m: &Mesh, by: Vector) -> Mesh {
    m.mapped(|p| p + by).expect("finite")
}

/// The mesh without the facets for which `drop` holds.
pub(super) fn without(m: &Mesh, drop: impl Fn(usize) -> bool) -> Mesh {
    let kept = m.facets().iter().enumerate().filter(|&(f, _)| !drop(f));
    mesh(m.points().to_vec(), kept.map(|(_, c)| *c).collect())
}

/// The mesh with some facets turned round.
pub(super) fn with_turned(m: &Mesh, turn: impl Fn(usize) -> bool) -> Mesh {
    let facets = m.facets().iter().enumerate();
    let facets = facets.map(|(f, &[a, b, c])| if turn(f) { [a, c, b] } else { [a, b, c] });
    mesh(m.points().to_vec(), facets.collect())
}

/// Where a facet's middle is.
pub(super) fn middle(m: &Mesh, f: usize) -> Point {
    let sum: Vector = m.corners(f).iter().map(|p| p.coords).sum();
    Point::from(sum / 3.0)
}

/// A flat square wall with a round hole, in the plane z = 0 (an annular grid out to a square).
pub(super) fn wall_with_hole(half_mm: f64, hole_mm: f64, n: usize) -> Mesh {
    surface(12, n, false, true, |s, t| {
        let a = t * TAU;
        let (c, d) = (a.cos(), a.sin());
        let square = half_mm / c.abs().max(d.abs());
        let r = hole_mm + (square - hole_mm) * s;
        Point::new(r * c, r * d, 0.0)
    })
}

/// A rigid motion that lines up with no axis.
pub(super) fn pose(m: &Mesh) -> Mesh {
    let turn = nalgebra::Rotation3::from_euler_angles(0.7, -1.1, 2.3 * PI / 3.0);
    m.mapped(|p| turn * p + Vector::new(17.0, -230.0, 41.0))
        .expect("finite")
}

/// Numbers spread like a normal distribution, the same on every run (splitmix64, Box–Muller).
pub(super) struct Noise(pub u64);

impl Noise {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.unit(), self.unit());
        (-2.0 * u.ln()).sqrt() * (TAU * v).cos()
    }
}

/// Every point moved along its normal by noise of this spread.
pub(super) fn noisy(m: &Mesh, sigma_mm: f64, seed: u64) -> Mesh {
    let mut noise = Noise(seed);
    let normals = m.point_normals();
    let mut i = 0;
    m.mapped(|p| {
        i += 1;
        p + normals[i - 1] * (sigma_mm * noise.normal())
    })
    .expect("finite")
}

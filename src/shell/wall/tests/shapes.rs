//! Solids whose wall is known in closed form.

use std::collections::HashMap;
use std::f64::consts::TAU;

use crate::mesh::{Mesh, Point, Topology, Vector};
use crate::shell::wall::{Wall, WallOptions, wall};

pub fn measure(mesh: &Mesh) -> Wall {
    measure_with(mesh, &WallOptions::default())
}

pub fn measure_with(mesh: &Mesh, options: &WallOptions) -> Wall {
    wall(mesh, &Topology::new(mesh), options).expect("the shape has a wall")
}

/// Points and facets under construction.
#[derive(Default)]
pub struct Build {
    pub points: Vec<Point>,
    pub facets: Vec<[u32; 3]>,
}

impl Build {
    pub fn mesh(self) -> Mesh {
        Mesh::new(self.points, self.facets).expect("built from valid indices")
    }

    pub fn add(&mut self, mesh: &Mesh) {
        let shift = self.points.len() as u32;
        self.points.extend_from_slice(mesh.points());
        let moved = mesh.facets().iter().map(|f| f.map(|p| p + shift));
        self.facets.extend(moved);
    }

    fn loop_of(&mut self, points: impl Iterator<Item = Point>) -> Vec<u32> {
        points
            .map(|p| {
                self.points.push(p);
                self.points.len() as u32 - 1
            })
            .collect()
    }

    pub fn circle(&mut self, centre: [f64; 3], r: f64, n: usize, phase: f64) -> Vec<u32> {
        self.loop_of((0..n).map(|i| {
            let (s, c) = (TAU * i as f64 / n as f64 + phase).sin_cos();
            Point::new(centre[0] + r * c, centre[1] + r * s, centre[2])
        }))
    }

    /// A strip between two loops of equal count, outward to the right of a → b.
    pub fn strip(&mut self, a: &[u32], b: &[u32]) {
        let n = a.len();
        for i in 0..n {
            let j = (i + 1) % n;
            self.facets.push([a[i], a[j], b[j]]);
            self.facets.push([a[i], b[j], b[i]]);
        }
    }

    /// A tube wall of stacked circles, normals outward where `z` rises.
    /// `phase` turns the points, so that they do not happen to face those of another tube.
    pub fn tube(
        &mut self,
        centre: [f64; 2],
        r: f64,
        zs: &[f64],
        n: usize,
        phase: f64,
    ) -> Vec<Vec<u32>> {
        let rings: Vec<Vec<u32>> = zs
            .iter()
            .map(|&z| self.circle([centre[0], centre[1], z], r, n, phase))
            .collect();
        rings.windows(2).for_each(|w| self.strip(&w[0], &w[1]));
        rings
    }

    /// Fills the flat ring between two counter-clockwise loops, both star-shaped about `centre`;
    /// facing +z if `up`.
    pub fn ring(&mut self, outer: &[u32], inner: &[u32], centre: [f64; 2], up: bool) {
        let angle = |p: u32| {
            let q = self.points[p as usize];
            (q.y - centre[1]).atan2(q.x - centre[0]).rem_euclid(TAU)
        };
        let turned = |l: &[u32]| {
            let k = (0..l.len())
                .min_by(|&i, &j| angle(l[i]).total_cmp(&angle(l[j])))
                .unwrap_or(0);
            let mut v: Vec<(f64, u32)> = (0..l.len())
                .map(|i| l[(k + i) % l.len()])
                .map(|p| (angle(p), p))
                .collect();
            v.push((v[0].0 + TAU, v[0].1));
            v
        };
        let (o, i) = (turned(outer), turned(inner));
        let (mut a, mut b) = (0, 0);
        while a + 1 < o.len() || b + 1 < i.len() {
            let step_outer = b + 1 == i.len() || (a + 1 < o.len() && o[a + 1].0 <= i[b + 1].0);
            let t = if step_outer {
                a += 1;
                [o[a - 1].1, o[a].1, i[b].1]
            } else {
                b += 1;
                [o[a].1, i[b].1, i[b - 1].1]
            };
            self.facets.push(if up { t } else { [t[0], t[2], t[1]] });
        }
    }
}

/// A sphere by splitting an icosahedron `level` times, every corner on the sphere.
pub fn sphere(centre: Point, r: f64, level: usize) -> Mesh {
    let g = (1.0 + 5.0_f64.sqrt()) / 2.0;
    let mut points: Vec<Vector> = Vec::new();
    for (a, b) in [(1.0, g), (-1.0, g), (1.0, -g), (-1.0, -g)] {
        points.push(Vector::new(0.0, a, b));
        points.push(Vector::new(a, b, 0.0));
        points.push(Vector::new(b, 0.0, a));
    }
    let mut facets = Vec::new();
    for i in 0..12_u32 {
        for j in 0..i {
            for k in 0..j {
                let [a, b, c] = [i, j, k].map(|x| points[x as usize]);
                let near = |u: Vector, v: Vector| ((u - v).norm() - 2.0).abs() < 1e-9;
                if near(a, b) && near(b, c) && near(c, a) {
                    let out = (b - a).cross(&(c - a)).dot(&a) > 0.0;
                    facets.push(if out { [i, j, k] } else { [i, k, j] });
                }
            }
        }
    }
    for _ in 0..level {
        let mut middle = HashMap::new();
        let mut split = Vec::new();
        for [a, b, c] in facets {
            let [ab, bc, ca] = [(a, b), (b, c), (c, a)].map(|(x, y)| {
                *middle.entry((x.min(y), x.max(y))).or_insert_with(|| {
                    points.push((points[x as usize] + points[y as usize]) / 2.0);
                    points.len() as u32 - 1
                })
            });
            split.extend([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]);
        }
        facets = split;
        points.iter_mut().for_each(|p| *p = p.normalize());
    }
    let points = points.iter().map(|p| centre + r * p.normalize()).collect();
    Mesh::new(points, facets).expect("built from valid indices")
}

/// A sphere turned, so that its corners do not face those of another.
pub fn turned_sphere(centre: Vector, r: f64, level: usize) -> Mesh {
    let turn = nalgebra::Rotation3::from_euler_angles(0.3, 0.5, 0.7);
    let mesh = sphere(Point::origin(), r, level);
    mesh.mapped(|p| turn * p + centre).expect("finite")
}

/// A ball with a ball-shaped hollow, wound as a printable solid.
pub fn hollow(r: f64, hollow_r: f64, off: Vector, level: usize) -> Mesh {
    let mut b = Build::default();
    b.add(&sphere(Point::origin(), r, level));
    b.add(&turned_sphere(off, hollow_r, level).inverted());
    b.mesh()
}

/// Evenly spaced numbers from `a` to `b`, both included, no further apart than `step`.
pub fn even(a: f64, b: f64, step: f64) -> Vec<f64> {
    let n = ((b - a).abs() / step).ceil().max(1.0) as usize;
    (0..=n).map(|i| a + (b - a) * i as f64 / n as f64).collect()
}

/// A cylinder of radius `r` with one bore set off along x.
pub fn bored(r: f64, bore_r: f64, off: f64, length: f64, step: f64) -> Mesh {
    let mut b = Build::default();
    let zs = even(0.0, length, step);
    let n = (TAU * r / step).ceil() as usize;
    let outer = b.tube([0.0, 0.0], r, &zs, n, 0.0);
    let bore = bore(&mut b, off, bore_r, &zs, step);
    let last = zs.len() - 1;
    b.ring(&outer[0], &bore[0], [off, 0.0], false);
    b.ring(&outer[last], &bore[last], [off, 0.0], true);
    b.mesh()
}

/// A bore along z through (`x`, 0): a tube whose normals point into it.
fn bore(b: &mut Build, x: f64, r: f64, zs: &[f64], step: f64) -> Vec<Vec<u32>> {
    let n = (TAU * r / step).ceil().max(48.0) as usize;
    let from = b.facets.len();
    let rings = b.tube([x, 0.0], r, zs, n, 0.37);
    b.facets[from..].iter_mut().for_each(|f| f.swap(1, 2));
    rings
}

/// Fills a disk (radius `r`, round the z axis, its loop counted from angle 0) around the two loops
/// of bores at ±`x`, cutting it along x = 0.
fn disk_with_two(b: &mut Build, disk: &[u32], bores: [&[u32]; 2], x: f64, up: bool, step: f64) {
    let n = disk.len();
    let z = b.points[disk[0] as usize].z;
    let (top, bottom) = (disk[n / 4], disk[3 * n / 4]);
    let (y1, y0) = (b.points[top as usize].y, b.points[bottom as usize].y);
    let ys = even(y0, y1, step);
    let cut: Vec<u32> = b.loop_of(ys[1..ys.len() - 1].iter().map(|&y| Point::new(0.0, y, z)));
    let mut right: Vec<u32> = (3 * n / 4..n).chain(0..=n / 4).map(|i| disk[i]).collect();
    right.extend(cut.iter().rev());
    let mut left: Vec<u32> = disk[n / 4..=3 * n / 4].to_vec();
    left.extend(cut.iter());
    b.ring(&right, bores[0], [x, 0.0], up);
    b.ring(&left, bores[1], [-x, 0.0], up);
}

/// A solid cylinder with two bores at ±`x`.
pub fn twice_bored(r: f64, bore_r: f64, x: f64, length: f64, step: f64) -> Mesh {
    let mut b = Build::default();
    let zs = even(0.0, length, step);
    let n = (TAU * r / step / 4.0).ceil() as usize * 4;
    let outer = b.tube([0.0, 0.0], r, &zs, n, 0.0);
    let one = bore(&mut b, x, bore_r, &zs, step);
    let two = bore(&mut b, -x, bore_r, &zs, step);
    for (k, up) in [(0, false), (zs.len() - 1, true)] {
        disk_with_two(&mut b, &outer[k], [&one[k], &two[k]], x, up, step);
    }
    b.mesh()
}

/// A cup like a shell: outer cylinder r 8 from z = 0 to 12, cavity r 8 − `wall` from z = 5 up to
/// the open top, two bores of diameter 1.5 at ±1.1 from the cavity floor down through the tip.
pub fn cup(wall: f64, step: f64) -> Mesh {
    let (r, top, floor) = (8.0, 12.0, 5.0);
    let mut b = Build::default();
    let n = (TAU * r / step / 4.0).ceil() as usize * 4;
    let outer = b.tube([0.0, 0.0], r, &even(0.0, top, step), n, 0.0);
    let from = b.facets.len();
    let inner = b.tube([0.0, 0.0], r - wall, &even(floor, top, step), n, 0.0);
    b.facets[from..].iter_mut().for_each(|f| f.swap(1, 2));
    let zs = even(0.0, floor, step);
    let one = bore(&mut b, 1.1, 0.75, &zs, step);
    let two = bore(&mut b, -1.1, 0.75, &zs, step);
    let last = zs.len() - 1;
    disk_with_two(&mut b, &outer[0], [&one[0], &two[0]], 1.1, false, step);
    disk_with_two(&mut b, &inner[0], [&one[last], &two[last]], 1.1, true, step);
    let (rim_out, rim_in) = (
        outer[outer.len() - 1].clone(),
        inner[inner.len() - 1].clone(),
    );
    b.ring(&rim_out, &rim_in, [0.0, 0.0], true);
    b.mesh()
}

/// The boundary of the union of cells between coordinate planes, split finely; `full` says which
/// cells are material.
pub fn blocks(planes: [&[f64]; 3], step: f64, full: impl Fn([f64; 3]) -> bool) -> Mesh {
    let axes = planes.map(|p| {
        let mut all = vec![p[0]];
        p.windows(2)
            .for_each(|w| all.extend(&even(w[0], w[1], step)[1..]));
        all
    });
    let cells = axes.clone().map(|a| a.len() as i64 - 1);
    let solid = |c: [i64; 3]| {
        (0..3).all(|k| c[k] >= 0 && c[k] < cells[k])
            && full([0, 1, 2].map(|k| {
                let i = c[k] as usize;
                (axes[k][i] + axes[k][i + 1]) / 2.0
            }))
    };
    let mut b = Build::default();
    let mut at: HashMap<[i64; 3], u32> = HashMap::new();
    for x in 0..cells[0] {
        for y in 0..cells[1] {
            for z in 0..cells[2] {
                for (k, side) in (0..6).map(|i| (i / 2, (i % 2) as i64)) {
                    let mut next = [x, y, z];
                    next[k] += 2 * side - 1;
                    if !solid([x, y, z]) || solid(next) {
                        continue;
                    }
                    let quad = [(0, 0), (1, 0), (1, 1), (0, 1)].map(|(u, v)| {
                        let mut c = [x, y, z];
                        c[k] += side;
                        c[(k + 1) % 3] += u;
                        c[(k + 2) % 3] += v;
                        *at.entry(c).or_insert_with(|| {
                            let [i, j, l] = c.map(|i| i as usize);
                            b.points
                                .push(Point::new(axes[0][i], axes[1][j], axes[2][l]));
                            b.points.len() as u32 - 1
                        })
                    });
                    let [p, q, r, s] = if side == 1 {
                        quad
                    } else {
                        [quad[0], quad[3], quad[2], quad[1]]
                    };
                    b.facets.extend([[p, q, r], [p, r, s]]);
                }
            }
        }
    }
    b.mesh()
}

/// Numbers in −1 … 1 that are the same on every run.
pub struct Noise(pub u64);

impl Noise {
    pub fn even(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    /// Close to a normal deviate of unit spread.
    pub fn bell(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() / 2.0
    }
}

/// Every point moved along its normal by `sigma_mm` of noise.
pub fn noisy(mesh: &Mesh, sigma_mm: f64) -> Mesh {
    let normals = mesh.point_normals();
    let mut noise = Noise(7);
    let mut k = 0;
    mesh.mapped(|p| {
        k += 1;
        p + sigma_mm * noise.bell() * normals[k - 1]
    })
    .expect("noise is finite")
}

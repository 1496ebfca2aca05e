//! Cases with a known answer: parts placed first, a cavity grown round them.

use nalgebra::{Matrix3, Rotation3};
use secondbend::mesh::{Mesh, Point, Vector};
use secondbend::stack::certificate::{certify, pair_margins_of};
use secondbend::stack::{Cavity, Placement, Pose, Stack};

use crate::surface::surface;

/// A small source of chance, so that a case is known by its number.
pub struct Chance(pub u64);

impl Chance {
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let x = self.0 ^ (self.0 >> 33);
        (x.wrapping_mul(0xFF51_AFD7_ED55_8CCD) >> 11) as f64 / (1_u64 << 53) as f64
    }
    pub fn within(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }
    pub fn direction(&mut self) -> Vector {
        loop {
            let v = Vector::from_fn(|_, _| self.within(-1.0, 1.0));
            if v.norm() > 0.1 && v.norm() < 1.0 {
                return v.normalize();
            }
        }
    }
}

/// How the cavity is grown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shape {
    /// The parts' own outline, grown and smoothed: lumpy, as tight as one likes.
    Grown,
    /// Round their hull, as a shell's cavity is.
    Hull,
}

pub struct Case {
    pub cavity: Cavity,
    pub stack: Stack,
    pub planted: Placement,
    pub tightness: f64,
    /// What the planted placement has to spare, mm.
    pub spare_mm: f64,
}

pub const PAIR_MM: f64 = 0.15;
pub const WALL_MM: f64 = 0.25;

/// Five drivers, a socket and a board: the size classes of the trade, each varied by a tenth.
pub fn five_driver_sizes(chance: &mut Chance) -> Vec<[f64; 3]> {
    const CLASSES: [[f64; 3]; 7] = [
        [9.4, 7.2, 4.1],
        [6.3, 4.3, 3.0],
        [6.3, 4.3, 3.0],
        [5.0, 2.7, 2.0],
        [5.0, 2.7, 2.0],
        [5.5, 2.8, 4.0],
        [7.0, 5.0, 1.8],
    ];
    CLASSES.iter().map(|c| c.map(|s| s * chance.within(0.9, 1.1))).collect()
}

/// Parts laid against each other with `slack` over the clearance, as compactly as a few tries do.
fn lay(sizes: &[[f64; 3]], slack: f64, chance: &mut Chance) -> Vec<Pose> {
    let mut poses: Vec<Pose> = Vec::new();
    for n in 0..sizes.len() {
        let mut best: Option<(f64, Pose)> = None;
        for _ in 0..if n == 0 { 1 } else { 60 } {
            let turn = if chance.unit() < 0.8 { upright(chance) } else { free(chance) };
            let tilt = Rotation3::new(chance.direction() * chance.within(0.0, 0.08)).into_inner();
            let mut pose = Pose { turn: tilt * turn, middle: Point::origin() };
            if n > 0 {
                let dir = chance.direction();
                let off = poses[(chance.unit() * n as f64) as usize].middle;
                let (mut near, mut far) = (0.0, 30.0);
                for _ in 0..30 {
                    let mid = (near + far) / 2.0;
                    pose.middle = off + dir * mid;
                    if clear(sizes, &poses, &pose, PAIR_MM + slack) { far = mid } else { near = mid }
                }
                pose.middle = off + dir * far;
                if !clear(sizes, &poses, &pose, PAIR_MM + slack * 0.99) {
                    continue;
                }
            }
            let spread: f64 = poses.iter().map(|p| (p.middle - pose.middle).norm_squared()).sum();
            if best.as_ref().is_none_or(|(b, _)| spread < *b) {
                best = Some((spread, pose));
            }
        }
        poses.push(best.expect("some direction is free").1);
    }
    poses
}

fn upright(chance: &mut Chance) -> Matrix3<f64> {
    let mut m = Matrix3::identity();
    for _ in 0..3 {
        let k = (chance.unit() * 3.0) as usize;
        let mut axis = Vector::zeros();
        axis[k] = std::f64::consts::FRAC_PI_2;
        if chance.unit() < 0.5 {
            m = Rotation3::new(axis).into_inner() * m;
        }
    }
    m
}

fn free(chance: &mut Chance) -> Matrix3<f64> {
    Rotation3::new(chance.direction() * chance.within(0.0, 3.1)).into_inner()
}

fn clear(sizes: &[[f64; 3]], poses: &[Pose], new: &Pose, need: f64) -> bool {
    (0..poses.len()).all(|i| {
        let stack = Stack::of_boxes(&[sizes[i], sizes[poses.len()]], need, 0.0);
        let placement = Placement::of(&stack, &[poses[i], *new]);
        pair_margins_of(&stack, &placement)[0].spare_mm() >= 0.0
    })
}

/// Distance of a point from a solid box.
fn box_distance(pose: &Pose, size: &[f64; 3], p: &Point) -> f64 {
    let own = pose.turn.tr_mul(&(p - pose.middle));
    let q = Vector::from_fn(|k, _| own[k].abs() - size[k] / 2.0);
    q.map(|x| x.max(0.0)).norm() + q.max().min(0.0)
}

/// A case of its number; `tightness` is met within a hundredth where the shape can.
pub fn planted(number: u64, sizes: &[[f64; 3]], shape: Shape, tightness: f64, slack: f64) -> Option<Case> {
    let mut chance = Chance(number.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x1234_5678);
    for _ in 0..7 {
        chance.unit();
    }
    let poses = lay(sizes, slack, &mut chance);
    let stack = Stack::of_boxes(sizes, PAIR_MM, WALL_MM);
    // Chords of a hollow surface cut into the room by a few hundredths.
    let level = WALL_MM + slack + 0.02;
    let dirs: Vec<Vector> = (0..160).map(|_| chance.direction()).collect();
    let heights: Vec<f64> = dirs.iter().map(|d| hull_height(&poses, sizes, d)).collect();
    let field = |p: &Point, loose: f64| match shape {
        Shape::Grown => {
            let d: Vec<f64> = poses.iter().zip(sizes).map(|(b, s)| box_distance(b, s, p)).collect();
            let least = d.iter().copied().fold(f64::INFINITY, f64::min);
            let k = loose.max(0.02);
            least - k * d.iter().map(|x| (-(x - least) / k).exp()).sum::<f64>().ln() - level
        }
        Shape::Hull => {
            let far = dirs.iter().zip(&heights).map(|(d, h)| p.coords.dot(d) - h);
            far.fold(f64::NEG_INFINITY, f64::max) - level - loose
        }
    };
    let (mut lo, mut hi) = (Point::origin(), Point::origin());
    for (pose, size) in poses.iter().zip(sizes) {
        let r = Vector::from(*size).norm() / 2.0 + level + 4.0;
        lo = lo.inf(&(pose.middle - Vector::repeat(r)));
        hi = hi.sup(&(pose.middle + Vector::repeat(r)));
    }
    let made = |loose: f64, step: f64| surface(lo, hi, step, &|p| field(p, loose));
    let share = |m: &Mesh| stack.volume_mm3() / m.signed_volume_mm3().abs();
    let (mut tight, mut wide) = (0.0, 3.0);
    for _ in 0..8 {
        let mid = (tight + wide) / 2.0;
        if share(&made(mid, 1.0)) > tightness { tight = mid } else { wide = mid }
    }
    let mesh = made((tight + wide) / 2.0, 0.4);
    let got = share(&mesh);
    if (got - tightness).abs() > 0.02 {
        return None;
    }
    let cavity = Cavity::new(mesh).expect("marching tetrahedra close");
    let planted = Placement::of(&stack, &poses).as_printed();
    let certificate = certify(&cavity, &stack, &planted).expect("rigid");
    certificate.fits().then(|| Case {
        spare_mm: certificate.worst().map_or(0.0, |m| m.spare_mm()),
        cavity,
        stack,
        planted,
        tightness: got,
    })
}

fn hull_height(poses: &[Pose], sizes: &[[f64; 3]], dir: &Vector) -> f64 {
    let each = poses.iter().zip(sizes).map(|(pose, size)| {
        let reach: f64 = (0..3).map(|k| size[k] / 2.0 * pose.turn.column(k).dot(dir).abs()).sum();
        pose.middle.coords.dot(dir) + reach
    });
    each.fold(f64::NEG_INFINITY, f64::max)
}

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
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
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
    /// Where the parts were laid, and their tubes.
    pub planted: Placement,
    /// Volume of the parts over that of the cavity.
    pub tightness: f64,
}

impl Case {
    /// Kept for a look by hand, and for the program itself, in the folder that `SAVE` names.
    pub fn save(&self, name: &str) {
        let Ok(folder) = std::env::var("SAVE") else {
            return;
        };
        let mesh = self.cavity.mesh();
        let mut off = format!("OFF\n{} {} 0\n", mesh.points().len(), mesh.facets().len());
        for p in mesh.points() {
            off += &format!("{:.12} {:.12} {:.12}\n", p.x, p.y, p.z);
        }
        for f in mesh.facets() {
            off += &format!("3 {} {} {}\n", f[0], f[1], f[2]);
        }
        let folder = std::path::Path::new(&folder);
        let kept = std::fs::create_dir_all(folder)
            .and_then(|()| std::fs::write(folder.join(format!("{name}.off")), off))
            .and_then(|()| std::fs::write(folder.join(format!("{name}.toml")), self.toml()));
        kept.expect("the folder that SAVE names can be written");
    }

    /// The stack as a stack file, each bore's exit told where its planted tube ends.
    fn toml(&self) -> String {
        let mut stack = self.stack.clone();
        for bore in &mut stack.bores {
            let tube = self.planted.tubes.iter().find(|t| t.name == bore.name);
            if let Some([.., before, end]) = tube.map(|t| &t.centreline[..]) {
                bore.exit = Some((*end, (end - before).normalize()));
            }
        }
        toml(&stack)
    }
}

/// The stack as a stack file.
fn toml(stack: &Stack) -> String {
    let mut out = format!(
        "clearance_mm = {:?}\nwall_clearance_mm = {:?}\n",
        stack.clearance_mm, stack.wall_clearance_mm
    );
    let face = |f: secondbend::stack::Face| {
        let sign = if f.positive { '+' } else { '-' };
        format!("{sign}{}", ["x", "y", "z"][f.axis])
    };
    for part in &stack.parts {
        out += &format!(
            "[[part]]\nname = {:?}\nsize_mm = {:?}\n",
            part.name, part.size_mm
        );
        if let Some(s) = &part.spout {
            out += &format!(
                "spout = {{ face = {:?}, at_mm = {:?}, outer_mm = {:?}, length_mm = {:?} }}\n",
                face(s.face),
                s.at_mm,
                s.outer_mm,
                s.length_mm
            );
        }
        if let Some(t) = &part.terminals {
            out += &format!(
                "terminals = {{ face = {:?}, keep_mm = {:?} }}\n",
                face(t.face),
                t.keep_mm
            );
        }
        if let Some(bore) = &part.bore {
            out += &format!("bore = {bore:?}\n");
        }
    }
    for b in &stack.bores {
        out += &format!(
            "[[bore]]\nname = {:?}\ninner_mm = {:?}\nouter_mm = {:?}\nbend_radius_mm = {:?}\n",
            b.name, b.inner_mm, b.outer_mm, b.bend_radius_mm
        );
        if let Some((at, way)) = b.exit {
            let [at, way] = [[at.x, at.y, at.z], [way.x, way.y, way.z]];
            out += &format!("exit_mm = {at:?}\nexit_direction = {way:?}\n");
        }
    }
    out
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
    CLASSES
        .iter()
        .map(|c| c.map(|s| s * chance.within(0.9, 1.1)))
        .collect()
}

/// Parts laid against each other with `slack` over the clearance, as compactly as a few tries do.
fn lay(sizes: &[[f64; 3]], slack: f64, chance: &mut Chance) -> Vec<Pose> {
    let mut poses: Vec<Pose> = Vec::new();
    for n in 0..sizes.len() {
        let mut best: Option<(f64, Pose)> = None;
        for _ in 0..if n == 0 { 1 } else { 60 } {
            let turn = if chance.unit() < 0.8 {
                upright(chance)
            } else {
                free(chance)
            };
            let tilt = Rotation3::new(chance.direction() * chance.within(0.0, 0.08)).into_inner();
            let mut pose = Pose {
                turn: tilt * turn,
                middle: Point::origin(),
            };
            if n > 0 {
                let dir = chance.direction();
                let off = poses[(chance.unit() * n as f64) as usize].middle;
                let (mut near, mut far) = (0.0, 30.0);
                for _ in 0..30 {
                    let mid = (near + far) / 2.0;
                    pose.middle = off + dir * mid;
                    if clear(sizes, &poses, &pose, PAIR_MM + slack) {
                        far = mid
                    } else {
                        near = mid
                    }
                }
                pose.middle = off + dir * far;
                if !clear(sizes, &poses, &pose, PAIR_MM + slack * 0.99) {
                    continue;
                }
            }
            let spread: f64 = poses
                .iter()
                .map(|p| (p.middle - pose.middle).norm_squared())
                .sum();
            if best.as_ref().is_none_or(|(b, _)| spread < *b) {
                best = Some((spread, pose));
            }
        }
        poses.push(best.expect("some direction is free").1);
    }
    poses
}

/// Shakes laid parts closer together: small moves of one part, kept where it stays clear of the
/// others and their hull draws in. Shares nothing with the search.
fn squeeze(sizes: &[[f64; 3]], poses: &mut [Pose], slack: f64, chance: &mut Chance) {
    let dirs: Vec<Vector> = (0..40).map(|_| chance.direction()).collect();
    let spread = |poses: &[Pose]| -> f64 {
        let width = |d: &Vector| hull_height(poses, sizes, d) + hull_height(poses, sizes, &-d);
        dirs.iter().map(|d| width(d).powi(3)).sum()
    };
    let mut have = spread(poses);
    let mut size = 1.0;
    for pass in 0..6000 {
        let i = (chance.unit() * poses.len() as f64) as usize;
        let old = poses[i];
        if chance.unit() < 0.05 {
            poses[i].turn *= upright(chance);
        }
        let tilt = Rotation3::new(chance.direction() * (0.15 * size * chance.unit()));
        poses[i].turn = tilt.into_inner() * poses[i].turn;
        let inward = -poses[i].middle.coords * (0.05 * chance.unit());
        poses[i].middle += chance.direction() * (size * chance.unit()) + inward;
        let next = spread(poses);
        if next < have && clear_of(sizes, poses, i, PAIR_MM + slack) {
            have = next;
        } else {
            poses[i] = old;
        }
        if pass % 100 == 99 {
            size = (size * 0.94_f64).max(0.02);
        }
    }
}

/// Is part `i` clear of all others?
fn clear_of(sizes: &[[f64; 3]], poses: &[Pose], i: usize, need: f64) -> bool {
    let reach = |k: usize| Vector::from(sizes[k]).norm() / 2.0;
    (0..poses.len()).filter(|&k| k != i).all(|k| {
        if (poses[k].middle - poses[i].middle).norm() > reach(i) + reach(k) + need {
            return true;
        }
        let stack = Stack::of_boxes(&[sizes[i], sizes[k]], need, 0.0);
        let placement = Placement::of(&stack, &[poses[i], poses[k]]);
        pair_margins_of(&stack, &placement)[0].spare_mm() >= 0.0
    })
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

pub fn clear(sizes: &[[f64; 3]], poses: &[Pose], new: &Pose, need: f64) -> bool {
    (0..poses.len()).all(|i| {
        let stack = Stack::of_boxes(&[sizes[i], sizes[poses.len()]], need, 0.0);
        let placement = Placement::of(&stack, &[poses[i], *new]);
        pair_margins_of(&stack, &placement)[0].spare_mm() >= 0.0
    })
}

/// Distance of a point from a solid box.
pub fn box_distance(pose: &Pose, size: &[f64; 3], p: &Point) -> f64 {
    let own = pose.turn.tr_mul(&(p - pose.middle));
    let q = Vector::from_fn(|k, _| own[k].abs() - size[k] / 2.0);
    q.map(|x| x.max(0.0)).norm() + q.max().min(0.0)
}

/// A case of its number; `tightness` is met within two hundredths, or there is none.
pub fn planted(
    number: u64,
    sizes: &[[f64; 3]],
    shape: Shape,
    tightness: f64,
    slack: f64,
) -> Option<Case> {
    let mut plan = Plan::new(number, sizes, shape, slack, tightness > 0.475);
    let (mut tight, mut wide) = (0.0, 3.0);
    for _ in 0..8 {
        let mid = (tight + wide) / 2.0;
        if plan.tightness(&plan.surface(mid, 1.0)) > tightness {
            tight = mid
        } else {
            wide = mid
        }
    }
    let loose = (tight + wide) / 2.0;
    let case = plan.first_that_fits(loose)?;
    ((case.tightness - tightness).abs() <= 0.025).then_some(case)
}

/// A case as loose as `loose` makes it, mm.
pub fn planted_any(
    number: u64,
    sizes: &[[f64; 3]],
    shape: Shape,
    loose: f64,
    slack: f64,
) -> Option<Case> {
    Plan::new(number, sizes, shape, slack, false).first_that_fits(loose)
}

/// The same with facets of about `step` mm: quick to make, its chords given back.
pub fn planted_coarse(
    number: u64,
    sizes: &[[f64; 3]],
    shape: Shape,
    loose: f64,
    slack: f64,
    step: f64,
) -> Option<Case> {
    let mut plan = Plan::new(number, sizes, shape, slack, false);
    plan.step = step;
    plan.first_that_fits(loose)
}

struct Plan {
    step: f64,
    poses: Vec<Pose>,
    stack: Stack,
    shape: Shape,
    level: f64,
    dirs: Vec<(Vector, f64)>,
}

impl Plan {
    fn new(number: u64, sizes: &[[f64; 3]], shape: Shape, slack: f64, squeezed: bool) -> Self {
        let mut chance = Chance(number.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x1234_5678);
        for _ in 0..7 {
            chance.unit();
        }
        let mut poses = lay(sizes, slack, &mut chance);
        if squeezed {
            squeeze(sizes, &mut poses, slack, &mut chance);
        }
        let dirs = (0..160).map(|_| chance.direction());
        let dirs = dirs.map(|d| (d, hull_height(&poses, sizes, &d))).collect();
        Self {
            step: 0.35,
            poses,
            stack: Stack::of_boxes(sizes, PAIR_MM, WALL_MM),
            shape,
            level: WALL_MM + slack,
            dirs,
        }
    }

    fn field(&self, p: &Point, loose: f64) -> f64 {
        match self.shape {
            Shape::Grown => {
                let boxes = self.poses.iter().zip(&self.stack.parts);
                let d: Vec<f64> = boxes.map(|(b, s)| box_distance(b, &s.size_mm, p)).collect();
                let least = d.iter().copied().fold(f64::INFINITY, f64::min);
                let k = loose.max(0.02);
                least
                    - k * d.iter().map(|x| (-(x - least) / k).exp()).sum::<f64>().ln()
                    - self.level
            }
            Shape::Hull => {
                let far = self.dirs.iter().map(|(d, h)| p.coords.dot(d) - h);
                far.fold(f64::NEG_INFINITY, f64::max) - self.level - loose
            }
        }
    }

    fn surface(&self, loose: f64, step: f64) -> Mesh {
        let (mut lo, mut hi) = (Point::origin(), Point::origin());
        for (pose, part) in self.poses.iter().zip(&self.stack.parts) {
            let r = Vector::from(part.size_mm).norm() / 2.0 + self.level + 2.0 + 2.0 * loose;
            lo = lo.inf(&(pose.middle - Vector::repeat(r)));
            hi = hi.sup(&(pose.middle + Vector::repeat(r)));
        }
        surface(lo, hi, step, &|p| self.field(p, loose))
    }

    fn tightness(&self, mesh: &Mesh) -> f64 {
        self.stack.volume_mm3() / mesh.signed_volume_mm3().abs()
    }

    /// Chords of a rounded edge cut into the room by some hundredths: given back until the
    /// planted placement passes its own certificate.
    fn first_that_fits(&mut self, loose: f64) -> Option<Case> {
        let planted = Placement::of(&self.stack, &self.poses).as_printed();
        for _ in 0..8 {
            let mesh = self.surface(loose, self.step);
            let tightness = self.tightness(&mesh);
            let cavity = Cavity::new(mesh).expect("marching tetrahedra close");
            let certificate = certify(&cavity, &self.stack, &planted).expect("rigid");
            if certificate.fits() {
                let stack = self.stack.clone();
                return Some(Case {
                    cavity,
                    stack,
                    planted,
                    tightness,
                });
            }
            self.level += certificate.worst().map_or(0.0, |m| -m.spare_mm()) + 0.002;
        }
        None
    }
}

fn hull_height(poses: &[Pose], sizes: &[[f64; 3]], dir: &Vector) -> f64 {
    let each = poses.iter().zip(sizes).map(|(pose, size)| {
        let reach: f64 = (0..3)
            .map(|k| size[k] / 2.0 * pose.turn.column(k).dot(dir).abs())
            .sum();
        pose.middle.coords.dot(dir) + reach
    });
    each.fold(f64::NEG_INFINITY, f64::max)
}

//! Planted cases with tubes: parts side by side with their spouts to the tip, a tube from each to
//! its bore along a cubic curve (nothing here knows how the program lays tubes), and a cavity grown
//! round all of it. What the certificate does not take is thrown away.

use nalgebra::{Matrix3, Rotation3};
use secondbend::mesh::{Mesh, Point, Vector};
use secondbend::stack::certificate::certify;
use secondbend::stack::{Bore, Cavity, Face, Placement, Pose, Spout, Stack, Terminals, Tube};

use crate::make::{Case, Chance, box_distance, clear};
use crate::surface::{between, surface};

const CLASSES: [([f64; 3], f64); 4] = [
    ([9.4, 7.2, 4.1], 1.6),
    ([6.3, 4.3, 3.0], 1.6),
    ([5.0, 2.7, 2.0], 1.2),
    ([7.9, 4.1, 2.8], 1.4),
];

/// A stack of `n` piped parts and a board, bores shared by neighbours.
fn stack(n: usize, chance: &mut Chance) -> Stack {
    let mut stack = Stack::of_boxes(&[], 0.15, 0.25);
    let bores = (n.div_ceil(2)).max(1);
    for b in 0..bores {
        stack.bores.push(Bore {
            name: format!("bore {b}"),
            inner_mm: 1.0,
            outer_mm: 1.6,
            bend_radius_mm: 3.2,
            exit: None,
        });
    }
    let mut sizes = Vec::new();
    for _ in 0..n {
        let (size, outer) = CLASSES[(chance.unit() * 4.0) as usize];
        sizes.push((size.map(|s| s * chance.within(0.9, 1.1)), outer));
    }
    for (i, (size, outer_mm)) in sizes.into_iter().enumerate() {
        let mut part = secondbend::stack::Part::bare(&format!("part {i}"), size);
        part.spout = Some(Spout {
            face: Face {
                axis: 0,
                positive: true,
            },
            at_mm: [0.0, chance.within(-0.3, 0.3)],
            outer_mm,
            length_mm: 1.5,
        });
        part.terminals = Some(Terminals {
            face: Face {
                axis: 0,
                positive: false,
            },
            keep_mm: 0.8,
        });
        part.bore = Some(format!("bore {}", i % bores));
        stack.parts.push(part);
    }
    stack
}

/// A case of its number, or none where the curves do not pass.
pub fn piped(number: u64, parts: usize, loose: f64, slack: f64) -> Option<Case> {
    let mut chance = Chance(number.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x55AA);
    for _ in 0..7 {
        chance.unit();
    }
    let stack = stack(parts, &mut chance);
    for _ in 0..200 {
        let Some(placement) = plant(&stack, slack, &mut chance) else {
            continue;
        };
        if let Some(case) = grow(&stack, placement, loose, slack) {
            return Some(case);
        }
    }
    None
}

fn plant(stack: &Stack, slack: f64, chance: &mut Chance) -> Option<Placement> {
    let poses = side_by_side(stack, slack, chance)?;
    let middle = poses.iter().map(|p| p.middle.coords).sum::<Vector>() / poses.len() as f64;
    let front = poses
        .iter()
        .zip(&stack.parts)
        .map(|(p, s)| p.middle.x + s.size_mm[0] / 2.0)
        .fold(f64::NEG_INFINITY, f64::max);
    let tip = Point::new(front + chance.within(9.0, 12.0), middle.y, middle.z);
    let turn = chance.within(0.0, 6.3);
    let n = stack.bores.len() as f64;
    let exits: Vec<Point> = (0..stack.bores.len())
        .map(|b| {
            let t = turn + std::f64::consts::TAU * b as f64 / n;
            let r = if n > 1.0 {
                1.1 * (n / 2.0).max(1.0)
            } else {
                0.0
            };
            tip + Vector::new(0.0, t.cos(), t.sin()) * (r + slack)
        })
        .collect();
    let mut placement = Placement::of(stack, &poses).as_printed();
    for (i, part) in stack.parts.iter().enumerate() {
        let Some(bore) = &part.bore else { continue };
        let b = stack.bores.iter().position(|x| x.name == *bore)?;
        let (at, way) = part.spout_end()?;
        let pose = &placement.parts[i].pose;
        let (p, d) = (pose.place(&at), pose.turn * way);
        // Later ones of a bore run into the first, somewhere in its last third.
        let first = placement.tubes.iter().find(|t| t.name == *bore);
        let join = 50 + (chance.unit() * 25.0) as usize;
        let (q, out, tail) = match first {
            None => (exits[b], Vector::x(), Vec::new()),
            Some(t) => (
                t.centreline[join],
                (t.centreline[join + 1] - t.centreline[join - 1]).normalize(),
                t.centreline[join + 1..].to_vec(),
            ),
        };
        let h = (q - p).norm() * 0.45;
        let (c1, c2) = (p + d * h, q - out * h);
        let line = (0..=80).map(|k| {
            let t = f64::from(k) / 80.0;
            let s = 1.0 - t;
            Point::from(
                p.coords * s.powi(3)
                    + c1.coords * (3.0 * s * s * t)
                    + c2.coords * (3.0 * s * t * t)
                    + q.coords * t.powi(3),
            )
        });
        let tube = Tube {
            name: bore.clone(),
            part: part.name.clone(),
            outer_mm: stack.bores[b].outer_mm,
            centreline: line.chain(tail).collect(),
        };
        placement.tubes.push(tube);
    }
    Some(placement)
}

/// Parts beside each other with their +x sides the same way, a little tilted.
fn side_by_side(stack: &Stack, slack: f64, chance: &mut Chance) -> Option<Vec<Pose>> {
    let sizes: Vec<[f64; 3]> = stack.parts.iter().map(|p| p.size_mm).collect();
    let mut poses: Vec<Pose> = Vec::new();
    for n in 0..sizes.len() {
        let mut best: Option<(f64, Pose)> = None;
        for _ in 0..30 {
            let quarter = (chance.unit() * 4.0).floor() * std::f64::consts::FRAC_PI_2;
            let roll: Matrix3<f64> = Rotation3::new(Vector::x() * quarter).into_inner();
            let tilt = Rotation3::new(chance.direction() * chance.within(0.0, 0.1)).into_inner();
            let mut pose = Pose {
                turn: tilt * roll,
                middle: Point::origin(),
            };
            if n > 0 {
                let mut dir = chance.direction();
                dir.x *= 0.2;
                let dir = dir.normalize();
                let off = poses[(chance.unit() * n as f64) as usize].middle;
                let (mut near, mut far) = (0.0, 30.0);
                for _ in 0..30 {
                    let mid = (near + far) / 2.0;
                    pose.middle = off + dir * mid;
                    if clear(&sizes, &poses, &pose, stack.clearance_mm + slack) {
                        far = mid
                    } else {
                        near = mid
                    }
                }
                pose.middle = off + dir * far;
                if !clear(&sizes, &poses, &pose, stack.clearance_mm + slack * 0.99) {
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
        poses.push(best?.1);
    }
    Some(poses)
}

fn grow(stack: &Stack, placement: Placement, loose: f64, slack: f64) -> Option<Case> {
    let parts = stack.parts.len();
    let mut level = stack.wall_clearance_mm + slack;
    let field = |p: &Point, level: f64| {
        let boxes = (0..parts).map(|i| {
            let zones = stack.parts[i].zones();
            let pose = &placement.parts[i].pose;
            zones
                .iter()
                .map(|z| {
                    let at = Pose {
                        middle: pose.place(&z.middle),
                        ..*pose
                    };
                    box_distance(&at, &z.half.map(|h| 2.0 * h), p) + stack.wall_clearance_mm
                })
                .fold(box_distance(pose, &stack.parts[i].size_mm, p), f64::min)
        });
        let tubes = placement.tubes.iter().map(|t| {
            let near = t.centreline.iter().map(|q| (q - p).norm_squared());
            near.fold(f64::INFINITY, f64::min).sqrt() - t.outer_mm / 2.0
        });
        let d: Vec<f64> = boxes.chain(tubes).collect();
        let least = d.iter().copied().fold(f64::INFINITY, f64::min);
        let k = loose.max(0.02);
        least - k * d.iter().map(|x| (-(x - least) / k).exp()).sum::<f64>().ln() - level
    };
    let (mut lo, mut hi) = (Point::origin(), Point::origin());
    let ends = placement.tubes.iter().flat_map(|t| t.centreline.iter());
    let middles = placement.parts.iter().map(|p| &p.pose.middle);
    for p in ends.chain(middles) {
        lo = lo.inf(&(p - Vector::repeat(8.5)));
        hi = hi.sup(&(p + Vector::repeat(8.5)));
    }
    // Quick to judge before the cavity is made: all but the wall.
    let free = Cavity::new(room(&lo, &hi)).ok()?;
    let alone = certify(&free, stack, &placement).ok()?;
    if !alone.holds() {
        return None;
    }
    for _ in 0..5 {
        let mesh = surface(lo, hi, 0.4, &|p| field(p, level));
        let volume = mesh.signed_volume_mm3().abs();
        let cavity = Cavity::new(mesh).ok()?;
        let certificate = certify(&cavity, stack, &placement).ok()?;
        if certificate.holds() {
            return Some(Case {
                cavity,
                stack: stack.clone(),
                planted: placement,
                tightness: stack.volume_mm3() / volume,
            });
        }
        level += certificate.worst().map_or(0.0, |m| -m.spare_mm()).max(0.0) + 0.002;
    }
    None
}

fn room(lo: &Point, hi: &Point) -> Mesh {
    let (lo, hi) = (lo - Vector::repeat(5.0), hi + Vector::repeat(5.0));
    between(&lo, &hi)
}

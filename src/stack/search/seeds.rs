//! Where a search begins, and how it leaves a dead end: parts seated one by one where they cost
//! least, then swapped, re-seated, turned by a quarter, or jolted.

use nalgebra::{Matrix3, Rotation3, SymmetricEigen};

use super::model::{Faults, Model};
use super::rng::Rng;
use crate::mesh::{Point, Vector};
use crate::stack::pose::Pose;
use crate::stack::route::Plumbing;

/// Places tried for each part at the start. 8 starts the descent worse, 80 costs as much as it.
const TRIES: usize = 24;
/// How far under its need a node may lie and still seat a part, mm.
const SEAT_SLACK_MM: f64 = 0.1;
/// Turns off the common frame, rad.
const TILT_RAD: f64 = 0.12;

/// Share of starts whose parts are laid against each other, face to face. None: tight stacks are
/// seldom found; all: rooms that hold parts apart are missed. Not tuned further.
const STACKED: f64 = 0.5;

/// Where each part's middle may go.
pub struct Seats<'a> {
    plumbing: Option<&'a Plumbing<'a>>,
    nodes: Vec<Vec<Point>>,
    frame: Matrix3<f64>,
    step: f64,
}

impl<'a> Seats<'a> {
    pub fn new(model: &Model, plumbing: Option<&'a Plumbing<'a>>) -> Self {
        let deep_enough = |need: f64| -> Vec<Point> {
            let values = model.depth.values().iter().enumerate();
            values
                .filter(|(_, v)| f64::from(**v) >= need)
                .map(|(i, _)| model.depth.node_at(i))
                .collect()
        };
        let nodes: Vec<Vec<Point>> = model
            .stack
            .parts
            .iter()
            .map(|p| {
                let need = p.sides_mm()[2] / 2.0 + model.stack.wall_clearance_mm - SEAT_SLACK_MM;
                let mut found = deep_enough(need);
                if found.is_empty() {
                    let deepest = model.depth.values().iter().copied().fold(0.0, f32::max);
                    found = deep_enough(f64::from(deepest) * 0.8);
                }
                found
            })
            .collect();
        let frame = main_axes(&deep_enough(0.0));
        Self {
            plumbing,
            nodes,
            frame,
            step: model.depth.step_mm(),
        }
    }

    /// A fresh start.
    pub fn fresh(&self, model: &Model, rng: &mut Rng) -> Vec<Pose> {
        let frame = if rng.unit() < 0.5 {
            self.frame
        } else {
            rng.turn()
        };
        let mut order: Vec<usize> = (0..model.parts()).collect();
        let rank = |i: usize, noise: f64| model.stack.parts[i].volume_mm3().ln() + noise;
        let keys: Vec<f64> = order.iter().map(|&i| rank(i, 0.7 * rng.normal())).collect();
        order.sort_by(|&a, &b| keys[b].total_cmp(&keys[a]));
        let mut poses = vec![Pose::upright(Point::origin()); model.parts()];
        let mut placed = vec![false; model.parts()];
        let stacked = rng.unit() < STACKED;
        for part in order {
            poses[part] = self.seat(model, part, &poses, &placed, &frame, stacked, rng);
            placed[part] = true;
        }
        poses
    }

    #[allow(clippy::too_many_arguments)] // what a seat hangs on, spelt out
    fn seat(
        &self,
        model: &Model,
        part: usize,
        poses: &[Pose],
        placed: &[bool],
        frame: &Matrix3<f64>,
        stacked: bool,
        rng: &mut Rng,
    ) -> Pose {
        let mut best = (f64::INFINITY, Pose::upright(Point::origin()));
        for t in 0..TRIES {
            let against = (stacked && t % 3 > 0)
                .then(|| against(model, part, poses, placed, rng))
                .flatten();
            let pose = against.unwrap_or_else(|| self.any(model, part, frame, rng));
            let awkward = self.plumbing.map_or(0.0, |p| {
                p.awkward(part, &pose).unwrap_or(0.0) + 2.0 * p.crowds(part, &pose)
            });
            let cost = model.part_cost(part, &pose, poses, placed) + SPOUT_WEIGHT * awkward;
            if cost < best.0 {
                best = (cost, pose);
            }
        }
        best.1
    }

    fn any(&self, model: &Model, part: usize, frame: &Matrix3<f64>, rng: &mut Rng) -> Pose {
        let nodes = &self.nodes[part];
        let node = nodes
            .get(rng.below(nodes.len()))
            .copied()
            .unwrap_or_else(Point::origin);
        let nudge = Vector::from_fn(|_, _| rng.within(-0.5, 0.5) * self.step);
        let turn = if rng.unit() < 0.85 {
            tilted(&(frame * upright(rng.below(24))), rng, TILT_RAD)
        } else {
            rng.turn()
        };
        let mut pose = Pose {
            turn,
            middle: node + nudge,
        };
        model.seat(part, &mut pose);
        pose
    }

    /// Another placement near a known one; what is to `blame` for its failing (a figure a part) is moved
    /// soonest.
    pub fn jump(&self, model: &Model, from: &[Pose], blame: &[f64], rng: &mut Rng) -> Vec<Pose> {
        let mut poses = from.to_vec();
        let n = model.parts();
        let kind = if n < 2 {
            1 + rng.below(3)
        } else {
            rng.below(6)
        };
        match kind {
            0 | 4 => {
                let a = drawn_by(blame, rng);
                let b = (a + 1 + rng.below(n - 1)) % n;
                swap(model, &mut poses, a, b, rng);
            }
            1 | 5 => {
                let mut placed = vec![true; n];
                let worst = drawn_by(blame, rng);
                let mut gone = vec![worst];
                if kind == 5 {
                    gone.push((worst + 1 + rng.below(n - 1)) % n);
                }
                for &g in &gone {
                    placed[g] = false;
                }
                for g in gone {
                    let frame = poses[rng.below(n)].turn;
                    let stacked = rng.unit() < STACKED;
                    poses[g] = self.seat(model, g, &poses, &placed, &frame, stacked, rng);
                    placed[g] = true;
                }
            }
            2 => {
                let a = drawn_by(blame, rng);
                let quarter = upright(rng.below(24));
                poses[a].turn *= quarter;
                model.seat(a, &mut poses[a]);
            }
            _ => jolt(model, &mut poses, rng.within(0.2, 1.2), rng),
        }
        poses
    }
}

/// How much is wrong with each part, mm.
pub fn blame_of(model: &Model, faults: &Faults) -> Vec<f64> {
    let mut blame = vec![0.02; model.parts()];
    for (b, body) in model.bodies.iter().enumerate() {
        blame[body.part] += faults.walls.get(b).copied().unwrap_or(0.0).max(0.0);
    }
    for (k, &(i, j, _)) in model.pairs.iter().enumerate() {
        let wrong = faults.pairs.get(k).copied().unwrap_or(0.0).max(0.0);
        blame[model.bodies[i].part] += wrong;
        blame[model.bodies[j].part] += wrong;
    }
    blame
}

/// A part drawn by how much is wrong with it.
fn drawn_by(blame: &[f64], rng: &mut Rng) -> usize {
    let mut at = rng.unit() * blame.iter().sum::<f64>();
    for (i, b) in blame.iter().enumerate() {
        at -= b;
        if at <= 0.0 {
            return i;
        }
    }
    0
}

/// Moves all parts by up to `size` mm and turns them to match.
pub fn jolt(model: &Model, poses: &mut [Pose], size: f64, rng: &mut Rng) {
    for (i, pose) in poses.iter_mut().enumerate() {
        pose.middle += rng.direction() * (size * rng.unit());
        pose.turn = tilted(&pose.turn, rng, 0.25 * size);
        model.seat(i, pose);
    }
}

/// A pose that lays a part against a placed one: a face along a face, the clearance between, and
/// in the middle of it or flush with one of its edges.
fn against(
    model: &Model,
    part: usize,
    poses: &[Pose],
    placed: &[bool],
    rng: &mut Rng,
) -> Option<Pose> {
    let there: Vec<usize> = (0..placed.len()).filter(|&i| placed[i]).collect();
    let other = *there.get(rng.below(there.len().max(1)))?;
    let quarter = upright(rng.below(24));
    let own = quarter.abs() * Vector::from(model.stack.parts[part].half_mm());
    let theirs = Vector::from(model.stack.parts[other].half_mm());
    let face = rng.below(3);
    let off = Vector::from_fn(|k, _| {
        if k == face {
            let apart = theirs[k] + model.stack.clearance_mm + own[k];
            if rng.unit() < 0.5 { apart } else { -apart }
        } else {
            (rng.below(3) as f64 - 1.0) * (theirs[k] - own[k])
        }
    });
    let mut pose = Pose {
        turn: poses[other].turn * quarter,
        middle: poses[other].middle + poses[other].turn * off,
    };
    model.seat(part, &mut pose);
    Some(pose)
}

/// Two parts trade places; each takes the other's axes, long side for long side, or keeps its own.
fn swap(model: &Model, poses: &mut [Pose], a: usize, b: usize, rng: &mut Rng) {
    let (old_a, old_b) = (poses[a], poses[b]);
    let keep = rng.unit() < 0.3;
    for (part, own, other) in [(a, old_a, old_b), (b, old_b, old_a)] {
        let from = if part == a { b } else { a };
        poses[part].middle = other.middle;
        poses[part].turn = if keep {
            own.turn
        } else {
            aligned(
                &model.stack.parts[part].size_mm,
                &model.stack.parts[from].size_mm,
                &other.turn,
            )
        };
        model.seat(part, &mut poses[part]);
    }
}

/// The turn that lays a box's sides along another's, longest along longest.
fn aligned(size: &[f64; 3], other: &[f64; 3], turn: &Matrix3<f64>) -> Matrix3<f64> {
    let order = |s: &[f64; 3]| {
        let mut k = [0, 1, 2];
        k.sort_by(|&a, &b| s[b].total_cmp(&s[a]));
        k
    };
    let (mine, theirs) = (order(size), order(other));
    let mut out = Matrix3::zeros();
    for r in 0..3 {
        out.set_column(mine[r], &turn.column(theirs[r]));
    }
    if out.determinant() < 0.0 {
        let flipped = -out.column(0);
        out.set_column(0, &flipped);
    }
    out
}

fn tilted(turn: &Matrix3<f64>, rng: &mut Rng, size: f64) -> Matrix3<f64> {
    let w = Vector::new(rng.normal(), rng.normal(), rng.normal()) * size;
    Rotation3::new(w).into_inner() * turn
}

/// Weight of a spout that stands awkwardly against the cost of a part, mm² (see
/// [`Plumbing::awkward`]: 0 to 2). Lower: spouts point anywhere, and their tubes
/// find no way; higher: parts are turned into each other. Not tuned further.
const SPOUT_WEIGHT: f64 = 2.0;

/// Turns each part about its own middle, among the turns that leave its box where it is, so that
/// its spout finds the tip and the room beside it is free.
pub fn point_spouts(model: &Model, plumbing: &Plumbing, poses: &mut [Pose]) {
    let all = vec![true; poses.len()];
    for part in model.stack.piped() {
        if model.seated(part).is_some() {
            continue;
        }
        let mut others = all.clone();
        others[part] = false;
        let cost = |pose: &Pose| {
            let awkward = plumbing.awkward(part, pose).unwrap_or(0.0);
            model.part_cost(part, pose, poses, &others) + SPOUT_WEIGHT * awkward
        };
        let best = same_box(&model.stack.parts[part].size_mm)
            .map(|turn| Pose {
                turn: poses[part].turn * turn,
                ..poses[part]
            })
            .min_by(|a, b| cost(a).total_cmp(&cost(b)));
        if let Some(best) = best {
            poses[part] = best;
        }
    }
}

/// The turns of a cube that leave a box of these sides nearly where it is; the first leaves all.
fn same_box(size: &[f64; 3]) -> impl Iterator<Item = Matrix3<f64>> + '_ {
    let alike = |a: f64, b: f64| (a - b).abs() < 0.05 * a.max(b);
    (0..24).map(upright).filter(move |turn| {
        let turned = turn.abs() * Vector::from(*size);
        (0..3).all(|k| alike(turned[k], size[k]))
    })
}

/// The 24 turns of a cube.
fn upright(i: usize) -> Matrix3<f64> {
    const ORDERS: [[usize; 3]; 6] = [
        [0, 1, 2],
        [1, 2, 0],
        [2, 0, 1],
        [0, 2, 1],
        [2, 1, 0],
        [1, 0, 2],
    ];
    let order = ORDERS[i % 6];
    let signs = i / 6;
    let mut m = Matrix3::zeros();
    m[(order[0], 0)] = if signs & 1 == 1 { -1.0 } else { 1.0 };
    m[(order[1], 1)] = if signs & 2 == 2 { -1.0 } else { 1.0 };
    m[(order[2], 2)] = 1.0;
    if m.determinant() < 0.0 {
        m[(order[2], 2)] = -1.0;
    }
    m
}

fn main_axes(points: &[Point]) -> Matrix3<f64> {
    let n = points.len().max(1) as f64;
    let mean = points.iter().map(|p| p.coords).sum::<Vector>() / n;
    let spread: Matrix3<f64> = points
        .iter()
        .map(|p| (p.coords - mean) * (p.coords - mean).transpose())
        .sum();
    let mut axes = SymmetricEigen::new(spread).eigenvectors;
    if axes.determinant() < 0.0 {
        axes.column_mut(0).neg_mut();
    }
    axes
}

//! Searching the way out: poses from seated to clear, level by level of mean height.
//!
//! From every kept pose a handful of next moves is tried (go on as before, straight out, a little
//! more turn either way about three axes), each relaxed to where it squeezes least; the best few
//! that differ are kept. A wearer's own way, hook first and then a twist, is found like this since
//! the first small moves are a convex problem and every later one starts from a good pose.

use nalgebra::{Isometry3, UnitQuaternion, Vector3};
use rayon::prelude::*;

use super::pose::{Pose, between, rigid};
use super::relax::{Cloud, Rule, height_pinned, relax};
use super::tissue::Tissue;

/// Rise of the mean height from level to level, mm. Above 0.8 an arc of 40 degrees was lost; under
/// 0.3 nothing was gained on hooks, arcs and made ears.
const RISE_MM: f64 = 0.5;
/// Poses kept at a level.
const KEPT: usize = 6;
/// Poses closer than this (mm, at the cloud's edge) are one.
const SAME_MM: f64 = 0.3;
/// No point of the body may move further than this between two levels.
const MOST_MOVE_MM: f64 = 3.0;
/// Extra turn that is tried at every level, radians.
const EXTRA_TURN: f64 = 0.05;
/// Levels after which the search gives up: 60 mm of mean height.
const MOST_LEVELS: usize = 120;

/// One kept pose.
#[derive(Debug, Clone, Copy)]
struct Stand {
    pose: Pose,
    /// Motion that led here from the level before.
    motion: Pose,
    /// Squeeze here, and the largest on the way here.
    squeeze: f64,
    worst: f64,
    from: usize,
}

/// A way out and its largest squeeze on the search's cloud.
#[derive(Debug, Clone)]
pub(super) struct Route {
    pub poses: Vec<Pose>,
    pub squeeze: f64,
}

/// What a search works with.
pub(super) struct Ground<'a> {
    pub cloud: &'a Cloud,
    pub tissue: &'a Tissue,
    /// Straight ways that are tried besides, as unit vectors in the frame of the base plane.
    pub ways: &'a [Vector3<f64>],
}

/// Which way a search runs.
#[derive(Clone, Copy, PartialEq)]
enum Run {
    Out,
    In,
}

fn standing(pose: Pose, squeeze: f64) -> Stand {
    Stand {
        pose,
        motion: Isometry3::identity(),
        squeeze,
        worst: squeeze,
        from: 0,
    }
}

/// Searches from the seat out, then from places on what was found back in.
pub(super) fn search(ground: &Ground) -> Option<Route> {
    let mut best = run(ground, standing(Isometry3::identity(), 0.0), Run::Out)?;
    // Going out, a body first lifted off its seat binds on its own print, which nothing sideways
    // relieves; going in, the same narrow place is entered from a good pose. A hook of 1 mm went
    // from 0.65 to 0.51 by this.
    let squeezes: Vec<f64> = best
        .poses
        .iter()
        .map(|p| ground.cloud.squeeze(ground.tissue, p))
        .collect();
    let binds =
        (0..squeezes.len()).max_by(|&a, &b| squeezes[a].total_cmp(&squeezes[b]).then(b.cmp(&a)))?;
    let whole = best.poses.clone();
    for past in BACK_FROM {
        let k = (binds + past).min(whole.len() - 1);
        let rest = squeezes[k..].iter().copied().fold(0.0, f64::max);
        if k == 0 || rest >= best.squeeze {
            continue;
        }
        let Some(back) = run(ground, standing(whole[k], rest), Run::In) else {
            continue;
        };
        if back.squeeze < best.squeeze {
            let mut poses = back.poses;
            poses.reverse();
            poses.extend(&whole[k + 1..]);
            best = Route {
                poses,
                squeeze: back.squeeze,
            };
        }
    }
    Some(best)
}

/// Levels past the one that binds from which the way back in is sought.
const BACK_FROM: [usize; 2] = [2, 7];

/// Level by level from a start; the best whole way to the other end.
fn run(ground: &Ground, start: Stand, run: Run) -> Option<Route> {
    let corners = reach(ground.cloud);
    let from = ground.cloud.progress(&start.pose);
    let mut levels = vec![vec![start]];
    let mut found: Option<Route> = None;
    for level in 1..MOST_LEVELS {
        let before = &levels[level - 1];
        let rise = match run {
            Run::Out => from + level as f64 * RISE_MM,
            Run::In => from - level as f64 * RISE_MM,
        };
        if rise < 0.25 * RISE_MM {
            break;
        }
        let starts: Vec<(usize, Move)> = before
            .iter()
            .enumerate()
            .flat_map(|(k, s)| moves(ground, s, run).into_iter().map(move |m| (k, m)))
            .collect();
        let next: Vec<Stand> = starts
            .par_iter()
            .filter_map(|(k, m)| {
                let from = &before[*k];
                let enough = if m.lazy { from.worst } else { 0.0 };
                let start = lifted(ground.cloud, m.to, rise);
                let (pose, squeeze) = relax(
                    ground.cloud,
                    ground.tissue,
                    start,
                    Rule {
                        pinned: height_pinned(),
                        enough,
                    },
                );
                stand(ground, &corners, from, *k, pose, squeeze)
            })
            .collect();
        levels.push(chosen(next, &corners));
        let Some(leader) = levels[level].first().copied() else {
            break;
        };
        match run {
            Run::Out => leave(ground, &levels, &mut found),
            Run::In => settle(ground, &levels, &mut found),
        }
        // nothing that is kept can do better than what has been found
        if found
            .as_ref()
            .is_some_and(|f| leader.worst >= f.squeeze - 0.002)
        {
            break;
        }
    }
    found
}

/// A kept pose, with the half-way pose from the one before counted in; `None` where that is too far.
fn stand(
    ground: &Ground,
    corners: &[Vector3<f64>],
    from: &Stand,
    k: usize,
    pose: Pose,
    squeeze: f64,
) -> Option<Stand> {
    if farthest(corners, &from.pose, &pose) > MOST_MOVE_MM {
        return None;
    }
    let half = ground
        .cloud
        .squeeze(ground.tissue, &between(&from.pose, &pose, 0.5));
    Some(Stand {
        pose,
        motion: pose * from.pose.inverse(),
        squeeze,
        worst: from.worst.max(squeeze).max(half),
        from: k,
    })
}

/// A next pose to try, before it is lifted to the level.
struct Move {
    to: Pose,
    /// Relax only as far as the way so far needs it: keeps a route from wandering.
    lazy: bool,
}

fn moves(ground: &Ground, stand: &Stand, run: Run) -> Vec<Move> {
    let on = rigid(stand.motion * stand.pose);
    let mut out = vec![
        Move { to: on, lazy: true },
        Move {
            to: on,
            lazy: false,
        },
    ];
    let sign = if run == Run::Out { RISE_MM } else { -RISE_MM };
    for w in ground.ways {
        let by = w * (sign / w.z.max(0.2));
        let to = Isometry3::translation(by.x, by.y, by.z) * stand.pose;
        out.push(Move { to, lazy: true });
    }
    if run == Run::In {
        let share = RISE_MM / ground.cloud.progress(&stand.pose).max(RISE_MM);
        let to = between(&stand.pose, &Isometry3::identity(), share);
        out.push(Move { to, lazy: true });
    }
    let at = stand.pose.rotation * ground.cloud.centre + stand.pose.translation.vector;
    for axis in 0..3 {
        for sign in [-1.0, 1.0] {
            let turn = UnitQuaternion::from_scaled_axis(Vector3::ith(axis, sign * EXTRA_TURN));
            let about = Isometry3::from_parts((at - turn * at).into(), turn);
            out.push(Move {
                to: rigid(about * on),
                lazy: false,
            });
        }
    }
    out
}

/// The pose shifted up or down so that its mean height is right.
fn lifted(cloud: &Cloud, pose: Pose, rise: f64) -> Pose {
    let by = rise - cloud.progress(&pose);
    Isometry3::translation(0.0, 0.0, by) * pose
}

/// The best few that differ.
fn chosen(mut all: Vec<Stand>, corners: &[Vector3<f64>]) -> Vec<Stand> {
    let grade = |v: f64| (v / 0.005).round();
    all.sort_by(|a, b| {
        grade(a.worst)
            .total_cmp(&grade(b.worst))
            .then(grade(a.squeeze).total_cmp(&grade(b.squeeze)))
            .then(a.pose.rotation.angle().total_cmp(&b.pose.rotation.angle()))
            .then(a.from.cmp(&b.from))
    });
    let mut kept: Vec<Stand> = Vec::new();
    for s in all {
        if kept.len() == KEPT {
            break;
        }
        if kept
            .iter()
            .all(|k| farthest(corners, &k.pose, &s.pose) > SAME_MM)
        {
            kept.push(s);
        }
    }
    kept
}

/// Poses of the last level from which the rest of the way is tried at once.
const TRY_REST: usize = 2;

/// From the best poses of the last level, tries to leave straight; keeps the best whole way.
fn leave(ground: &Ground, levels: &[Vec<Stand>], found: &mut Option<Route>) {
    let last = levels.len() - 1;
    for (k, stand) in levels[last].iter().enumerate().take(TRY_REST) {
        let mut all: Vec<Vector3<f64>> = ground.ways.to_vec();
        all.extend(stand.motion.translation.vector.try_normalize(1e-9));
        for way in all.iter().filter(|w| w.z > 0.3) {
            let rest = (-ground.cloud.lowest(&stand.pose)).max(0.0) / way.z;
            let steps = (rest / RISE_MM).ceil().max(1.0) as usize;
            let rest_of_way = (1..=steps).map(|s| {
                let by = way * (rest * s as f64 / steps as f64 + 1e-6);
                Isometry3::translation(by.x, by.y, by.z) * stand.pose
            });
            take(ground, levels, k, rest_of_way, found);
        }
    }
}

/// From the best poses of the last level, tries to go to the seat at once.
fn settle(ground: &Ground, levels: &[Vec<Stand>], found: &mut Option<Route>) {
    let last = levels.len() - 1;
    for (k, stand) in levels[last].iter().enumerate().take(TRY_REST) {
        let seat = Isometry3::identity();
        let steps = (2.0 * ground.cloud.progress(&stand.pose) / RISE_MM)
            .ceil()
            .max(2.0) as usize;
        let rest = (1..=steps).map(|s| between(&stand.pose, &seat, s as f64 / steps as f64));
        take(ground, levels, k, rest, found);
    }
}

/// Keeps the way to stand `k` of the last level and the rest from there, if it beats what is found.
fn take(
    ground: &Ground,
    levels: &[Vec<Stand>],
    k: usize,
    rest: impl Iterator<Item = Pose>,
    found: &mut Option<Route>,
) {
    let best = found.as_ref().map_or(f64::INFINITY, |f| f.squeeze);
    let last = levels.len() - 1;
    let mut worst = levels[last][k].worst;
    let mut poses = Vec::new();
    for pose in rest {
        worst = worst.max(ground.cloud.squeeze(ground.tissue, &pose));
        if worst >= best {
            return;
        }
        poses.push(pose);
    }
    let mut whole = trail(levels, last, k);
    whole.extend(poses);
    *found = Some(Route {
        poses: whole,
        squeeze: worst,
    });
}

/// The poses from the start to a kept one.
fn trail(levels: &[Vec<Stand>], last: usize, mut k: usize) -> Vec<Pose> {
    let mut out = Vec::new();
    for level in (0..=last).rev() {
        out.push(levels[level][k].pose);
        k = levels[level][k].from;
    }
    out.reverse();
    out
}

/// Corners of the cloud's box: no point moves further than the farthest of them.
pub(super) fn reach(cloud: &Cloud) -> Vec<Vector3<f64>> {
    let low = cloud
        .points
        .iter()
        .fold(Vector3::repeat(f64::INFINITY), |a, p| a.inf(p));
    let high = cloud
        .points
        .iter()
        .fold(Vector3::repeat(f64::NEG_INFINITY), |a, p| a.sup(p));
    (0..8)
        .map(|k| {
            Vector3::from_fn(|axis, _| {
                if k >> axis & 1 == 0 {
                    low[axis]
                } else {
                    high[axis]
                }
            })
        })
        .collect()
}

pub(super) fn farthest(corners: &[Vector3<f64>], a: &Pose, b: &Pose) -> f64 {
    let moved = |p: &Vector3<f64>| {
        (a.rotation * p + a.translation.vector - (b.rotation * p + b.translation.vector)).norm()
    };
    corners.iter().map(moved).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::super::shapes::{arc, body};
    use super::*;

    #[test]
    fn a_body_does_not_swell_on_a_long_way() {
        let b = body(&arc(10.0, 3.0, 0.6, 1.0));
        let tissue = Tissue::new(&b, 1.0).unwrap();
        let cloud = Cloud::new(b.seat().iter().map(|(_, p)| p.coords).collect());
        let ground = Ground {
            cloud: &cloud,
            tissue: &tissue,
            ways: &[Vector3::z()],
        };
        for kind in 0..moves(&ground, &standing(Isometry3::identity(), 0.0), Run::In).len() {
            let turned = Isometry3::new(Vector3::new(0.1, 0.2, 0.5), Vector3::new(0.01, 0.02, 0.0));
            let mut here = standing(turned, 0.0);
            here.motion = turned;
            for level in 1..MOST_LEVELS {
                let to = moves(&ground, &here, Run::In)[kind].to;
                here = Stand {
                    motion: to * here.pose.inverse(),
                    ..standing(to, 0.0)
                };
                let off = (to.rotation.norm() - 1.0).abs();
                assert!(off < 1e-12, "move {kind}, level {level}: {off:e}");
            }
        }
    }
}

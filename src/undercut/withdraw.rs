//! The withdrawal path: the least squeezing way from seated to clear of the base plane.
//!
//! Searched on a thinned cloud of surface points, then again with those points added that turned
//! out deepest among all, and measured by the replay. What is found is a way that works, so its
//! squeeze is an upper bound of the least one.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{Isometry3, Vector3};
use rayon::prelude::*;

use crate::mesh::{MeshQueries, Point, Vector};
use crate::units::{Deg, Measured};

use super::body::Body;
use super::pose::{Pose, PoseRows, between, from_rows, rows, turn};
use super::relax::{Cloud, NOISE_MM, Rule, direction, relax};
use super::replay::{Seat, Walls, replay_in};
use super::route::{Ground, Route, farthest, reach, search};
use super::tissue::Tissue;
use super::trace::deepest_of_each;
use super::{CannotPull, PullSettings};

/// Grid of the tissue's depth for the search, mm.
const COARSE_MM: f64 = 0.5;
/// Grid for the last polish and the map, mm. At 0.4 an arc turned about its centre kept 0.034 mm.
pub(super) const FINE_MM: f64 = 0.3;
/// Cells that the search's cloud holds one point of, mm.
const CLOUD_MM: f64 = 1.3;
/// Rounds of taking in the deepest points and relaxing again, after a search and after a trimming.
const ROUNDS: usize = 16;
const ROUNDS_AGAIN: usize = 4;

/// A way out.
#[derive(Debug, Clone, PartialEq)]
pub struct Withdrawal {
    /// Largest depth of any surface point in the tissue on the way: an upper bound of the least.
    pub squeeze_mm: Measured,
    /// Largest turn of the body on the way.
    pub turn_deg: Deg,
    /// The point that binds, where it sits when seated.
    pub binds_at: Point,
    /// When it binds: number of the pose before, and share of the way to the next.
    pub binds_when: f64,
    /// From seated (the unit matrix) to clear, in the pose of the input file; screw motions between.
    pub poses: Vec<PoseRows>,
    /// Deepest that each point of the input mesh goes into the tissue on the way, mm.
    pub squeeze_at_point_mm: Vec<f64>,
    /// The same at the points of the body.
    pub(super) at_body: Vec<f64>,
}

impl Withdrawal {
    /// One with these figures and no way, for tests of what is said of it.
    #[cfg(test)]
    pub(crate) fn told(squeeze_mm: Measured, binds_at: Point) -> Self {
        Self {
            squeeze_mm,
            turn_deg: Deg(20.0),
            binds_at,
            binds_when: 2.5,
            poses: Vec::new(),
            squeeze_at_point_mm: Vec::new(),
            at_body: Vec::new(),
        }
    }

    /// Is the way found within a limit (mm)? `None`: too close to call. "No" says that none was
    /// found, not that there is none.
    #[must_use]
    pub fn within(&self, limit_mm: f64) -> Option<bool> {
        let s = &self.squeeze_mm;
        ((s.value - limit_mm).abs() > s.plus_minus).then_some(s.value < limit_mm)
    }
}

/// Finds and replays the way out. `ways`: straight pulls worth trying (out of the ear), for
/// example along the axis and the best pull.
///
/// # Errors
/// [`CannotPull`] where nothing is seated or no way was found.
pub fn withdraw(
    body: &Body,
    ways: &[Vector],
    settings: &PullSettings,
) -> Result<Withdrawal, CannotPull> {
    let grounds = Grounds::new(body).ok_or(CannotPull::LeadsIn)?;
    withdraw_in(&grounds, &body.seat(), ways, settings)
}

/// What a body leaves behind when it is seated, made once for all trials.
pub(super) struct Grounds<'b> {
    pub body: &'b Body,
    pub coarse: Tissue,
    pub fine: Tissue,
    pub queries: MeshQueries<'b>,
    /// What the replay measures against; the search does not look at it.
    walls: Walls<'b>,
}

impl<'b> Grounds<'b> {
    pub fn new(body: &'b Body) -> Option<Self> {
        Some(Self {
            body,
            coarse: Tissue::new(body, COARSE_MM)?,
            fine: Tissue::new(body, FINE_MM)?,
            queries: MeshQueries::new(&body.mesh),
            walls: Walls::new(body),
        })
    }
}

pub(super) fn withdraw_in(
    grounds: &Grounds,
    seat: &Seat,
    ways: &[Vector],
    settings: &PullSettings,
) -> Result<Withdrawal, CannotPull> {
    let Grounds { coarse, fine, .. } = grounds;
    let local: Vec<Vector3<f64>> = seat.iter().map(|(_, p)| (fine.into * p).coords).collect();
    let mut straight: Vec<Vector3<f64>> = vec![Vector3::z()];
    straight.extend(
        ways.iter()
            .filter_map(|w| (fine.into * w).try_normalize(1e-9)),
    );
    let cloud = Cloud::new(thinned(&local, CLOUD_MM));
    let found = search(&Ground {
        cloud: &cloud,
        tissue: coarse,
        ways: &straight,
    })
    .ok_or(CannotPull::NoWay)?;
    let route = sharpen(cloud, &local, grounds, found, ROUNDS);
    measured(grounds, seat, &local, &route, settings)
}

/// A way for a trimmed body, not replayed yet.
pub(super) struct Tried {
    pub poses: Vec<PoseRows>,
    /// Deepest of every point of the body, as the grid tells.
    pub at_body: Vec<f64>,
    /// The largest of them, mm.
    pub squeeze_mm: f64,
}

/// The way once more for a trimmed body, starting from poses that were good before: no new search.
/// The leaders are relaxed, all points of the seat are traced.
pub(super) fn again(grounds: &Grounds, leaders: &Seat, seat: &Seat, poses: &[PoseRows]) -> Tried {
    let fine = &grounds.fine;
    let place = |seat: &Seat| -> Vec<Vector3<f64>> {
        let local = seat.iter().map(|(_, p)| (fine.into * p).coords);
        local.collect()
    };
    let back = fine.into.inverse();
    let before = Route {
        poses: poses
            .iter()
            .map(|p| fine.into * from_rows(p) * back)
            .collect(),
        squeeze: f64::INFINITY,
    };
    let led = place(leaders);
    let cloud = Cloud::new(thinned(&led, CLOUD_MM));
    let route = sharpen(cloud, &led, grounds, before, ROUNDS_AGAIN);
    let poses = spelled_out(fine, &place(seat), &route);
    let at_body = deepest_of_each(grounds.body, fine, seat, &poses);
    Tried {
        squeeze_mm: at_body.iter().copied().fold(0.0, f64::max),
        poses,
        at_body,
    }
}

/// The squeeze of a trimmed body on its way; `None` where it does not come clear.
pub(super) fn replayed(
    grounds: &Grounds,
    seat: &Seat,
    poses: &[PoseRows],
    settings: &PullSettings,
) -> Option<Measured> {
    let replayed = replay_in(&grounds.walls, seat, poses);
    let doubt = settings.plus_minus_mm().hypot(replayed.unseen_mm);
    replayed
        .clear
        .then(|| Measured::at_most(replayed.squeeze_mm, doubt))
}

/// The route spelled out as poses, replayed, and told.
fn measured(
    grounds: &Grounds,
    seat: &Seat,
    local: &[Vector3<f64>],
    route: &Route,
    settings: &PullSettings,
) -> Result<Withdrawal, CannotPull> {
    let poses = spelled_out(&grounds.fine, local, route);
    let replayed = replay_in(&grounds.walls, seat, &poses);
    if !replayed.clear {
        return Err(CannotPull::NoWay);
    }
    let body = grounds.body;
    let at_body = deepest_of_each(body, &grounds.fine, seat, &poses);
    let most = route.poses.iter().map(turn).fold(0.0, f64::max);
    let doubt = settings.plus_minus_mm().hypot(replayed.unseen_mm);
    Ok(Withdrawal {
        squeeze_mm: Measured::at_most(replayed.squeeze_mm, doubt),
        turn_deg: Deg(most.to_degrees()),
        binds_at: replayed.at,
        binds_when: replayed.when,
        poses,
        squeeze_at_point_mm: body.to_input(&at_body),
        at_body,
    })
}

/// One point for every cell that holds any: the one farthest from the middle, so that corners and
/// ends, which bind, are among them.
fn thinned(points: &[Vector3<f64>], cell: f64) -> Vec<Vector3<f64>> {
    let middle = points.iter().sum::<Vector3<f64>>() / points.len().max(1) as f64;
    let mut farthest: BTreeMap<[i64; 3], (f64, usize)> = BTreeMap::new();
    for (i, p) in points.iter().enumerate() {
        let key = [0, 1, 2].map(|k| (p[k] / cell).floor() as i64);
        let far = (p - middle).norm_squared();
        let held = farthest.entry(key).or_insert((far, i));
        if far > held.0 {
            *held = (far, i);
        }
    }
    farthest.values().map(|(_, i)| points[*i]).collect()
}

/// Points of a pose that are looked at exactly, and taken in where the cloud may not see them.
const TAKEN_IN: usize = 6;
/// Poses this close to the largest depth are worked on, mm and as a share of it.
const NEAR_MM: f64 = 0.03;
const NEAR_SHARE: f64 = 0.85;
/// Under this everything is relaxed as far as it goes, mm: what is left is the grid's doing.
const SMALL_MM: f64 = 0.1;
/// A round that gains less than this counts as idle, mm …
const GAIN_MM: f64 = 0.004;
/// … and so many in a row end it.
const IDLE: usize = 4;
/// Poses are looked at this close together, mm. With looks only half-way a turn of 20 degrees at
/// the very end hid 0.1 mm.
const LOOK_MM: f64 = 0.3;
/// A pose may be relaxed by this much, mm; more would tear the route.
const MOST_GIVE_MM: f64 = 1.0;

/// A pose looked at: is it one of the route's own, how deep it goes, and which points do.
struct Look {
    pose: Pose,
    own: bool,
    depth: f64,
    points: Vec<u32>,
}

/// Looks at all points all along the way; takes the deepest into the cloud, puts in poses where the
/// way between two squeezes most, and relaxes what binds; keeps the best route seen.
fn sharpen(
    mut cloud: Cloud,
    local: &[Vector3<f64>],
    grounds: &Grounds,
    route: Route,
    rounds: usize,
) -> Route {
    let corners = reach(&cloud);
    let mut known = BTreeSet::new();
    let mut best = Route {
        poses: route.poses.clone(),
        squeeze: f64::INFINITY,
    };
    let mut poses = route.poses;
    let mut idle = 0;
    for round in 0..=rounds {
        let looks = look_along(&poses, &corners, local, grounds);
        let worst = looks.iter().map(|l| l.depth).fold(0.0, f64::max);
        idle = if worst < best.squeeze - GAIN_MM {
            0
        } else {
            idle + 1
        };
        if worst < best.squeeze {
            best = Route {
                poses: poses.clone(),
                squeeze: worst,
            };
        }
        if round == rounds || idle == IDLE || worst <= 2.0 * NOISE_MM {
            break;
        }
        let near = (worst - NEAR_MM).min(worst * NEAR_SHARE);
        for look in looks.iter().filter(|l| l.depth > near) {
            let fresh = look.points.iter().filter(|i| known.insert(**i));
            cloud.points.extend(fresh.map(|&i| local[i as usize]));
        }
        let last = looks.len() - 1;
        poses = looks
            .par_iter()
            .enumerate()
            .filter(|(_, l)| l.own || l.depth > worst - NEAR_MM)
            .map(|(k, l)| {
                if k == 0 || k == last || l.depth <= near {
                    return l.pose;
                }
                let pinned = direction(&cloud, &looks[k - 1].pose, &looks[k + 1].pose);
                let enough = if worst < SMALL_MM { 0.0 } else { near };
                let (pose, _) = relax(&cloud, &grounds.fine, l.pose, Rule { pinned, enough });
                let gave = farthest(&corners, &pose, &l.pose);
                if gave <= MOST_GIVE_MM {
                    pose
                } else {
                    between(&l.pose, &pose, MOST_GIVE_MM / gave)
                }
            })
            .collect();
        straighten(&mut poses, &cloud, &grounds.fine, worst - NEAR_MM);
    }
    best
}

/// Sweeps of straightening after each round.
const SWEEPS: usize = 4;

/// Draws every pose half-way towards the middle of its neighbours where it may lie there without
/// squeezing more than `limit`. Poses that were each relaxed alone may sit in different hollows
/// with a ridge between them; a straighter route goes round it.
fn straighten(poses: &mut [Pose], cloud: &Cloud, tissue: &Tissue, limit: f64) {
    for sweep in 0..SWEEPS {
        for start in [1, 2] {
            let drawn: Vec<(usize, Pose)> = (start..poses.len().saturating_sub(1))
                .step_by(2)
                .collect::<Vec<_>>()
                .par_iter()
                .filter_map(|&k| {
                    let middle = between(&poses[k - 1], &poses[k + 1], 0.5);
                    let to = between(&poses[k], &middle, if sweep % 2 == 0 { 0.5 } else { 1.0 });
                    (cloud.squeeze(tissue, &to) <= limit).then_some((k, to))
                })
                .collect();
            for (k, to) in drawn {
                poses[k] = to;
            }
        }
    }
}

/// The poses and, where they are far apart, some between.
fn look_along(
    poses: &[Pose],
    corners: &[Vector3<f64>],
    local: &[Vector3<f64>],
    grounds: &Grounds,
) -> Vec<Look> {
    let mut all = Vec::new();
    for pair in poses.windows(2) {
        let parts = (farthest(corners, &pair[0], &pair[1]) / LOOK_MM)
            .ceil()
            .clamp(1.0, 20.0);
        all.push((pair[0], true));
        all.extend(
            (1..parts as usize).map(|s| (between(&pair[0], &pair[1], s as f64 / parts), false)),
        );
    }
    all.extend(poses.last().map(|p| (*p, true)));
    all.into_par_iter()
        .map(|(pose, own)| {
            let (depth, points) = deepest(local, grounds, &pose);
            Look {
                pose,
                own,
                depth,
                points,
            }
        })
        .collect()
}

/// Largest depth over all points in a pose, exact at the deepest few, which are spread out.
fn deepest(local: &[Vector3<f64>], grounds: &Grounds, pose: &Pose) -> (f64, Vec<u32>) {
    let turn = pose.rotation.to_rotation_matrix();
    let place = |i: u32| turn * local[i as usize] + pose.translation.vector;
    let mut all: Vec<(f64, u32)> = (0..local.len() as u32)
        .map(|i| (grounds.fine.depth(&place(i)), i))
        .filter(|(d, _)| *d > 0.0)
        .collect();
    let deeper = |a: &(f64, u32), b: &(f64, u32)| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1));
    if all.len() > 500 {
        all.select_nth_unstable_by(500, deeper);
        all.truncate(500);
    }
    all.sort_by(deeper);
    let mut kept: Vec<u32> = Vec::new();
    for &(_, i) in &all {
        let apart = |k: &u32| (local[*k as usize] - local[i as usize]).norm() > 0.5 * CLOUD_MM;
        if kept.iter().all(apart) {
            kept.push(i);
        }
        if kept.len() == TAKEN_IN {
            break;
        }
    }
    let back = grounds.fine.into.inverse();
    let exact = |i: &u32| {
        exact_depth(
            grounds.body,
            &grounds.queries,
            &(back * Point::from(place(*i))),
        )
    };
    (kept.iter().map(exact).fold(0.0, f64::max), kept)
}

/// The route in the pose of the input file, with the end lifted until all points are clear.
fn spelled_out(tissue: &Tissue, local: &[Vector3<f64>], route: &Route) -> Vec<PoseRows> {
    let back = tissue.into.inverse();
    let mut poses = route.poses.clone();
    if let Some(last) = poses.last().copied() {
        let low = local
            .iter()
            .map(|p| (last * Point::from(*p)).z)
            .fold(f64::INFINITY, f64::min);
        if low < 1e-6 {
            poses.push(Isometry3::translation(0.0, 0.0, 1e-3 - low) * last);
        }
    }
    let mut out: Vec<PoseRows> = poses
        .iter()
        .map(|p| rows(&(back * p * tissue.into)))
        .collect();
    // Seated is seated, to the last bit.
    if let Some(first) = out.first_mut() {
        *first = rows(&Pose::identity());
    }
    out
}

/// Exact depth of a place in the tissue: 0 beyond the base plane or in the seated body, else the
/// distance to the nearer of the two.
fn exact_depth(body: &Body, queries: &MeshQueries, place: &Point) -> f64 {
    let under = -body.base.height(place);
    if under <= 0.0 || inside(body, queries, place) {
        return 0.0;
    }
    queries
        .nearest(place, under)
        .map_or(under, |n| n.distance_mm.min(under))
}

/// By the facets that a ray out of the ear meets, a little askew so that it runs along no wall.
fn inside(body: &Body, queries: &MeshQueries, place: &Point) -> bool {
    let askew = Vector::new(0.013_37, 0.007_19, 0.010_71);
    let hits = queries.ray_hits(place, &(body.base.normal + askew));
    if body.by_parity {
        return hits.len() % 2 == 1;
    }
    hits.iter()
        .map(|h| if h.leaving { 1 } else { -1 })
        .sum::<i32>()
        > 0
}

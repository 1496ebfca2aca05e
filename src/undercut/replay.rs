//! Replaying a way out and measuring its squeeze anew, densely.
//!
//! Shares nothing with the search: all points of the surface, not a cloud; the poses as they are
//! written out, with screw motions in between, in steps small enough that no point moves further
//! than a tenth of a millimetre; and at the deepest places the exact distance to the seated surface
//! in place of the grid's, which only tells where to look.

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::mesh::{MeshQueries, Point, Vector};

use super::body::Body;
use super::pose::{Pose, PoseRows, between, from_rows};
use super::tissue::Tissue;

/// What a replay found.
#[derive(Debug, Clone, PartialEq)]
pub struct Replay {
    /// The largest depth of any surface point in the tissue on the way, mm.
    pub squeeze_mm: f64,
    /// The point that goes deepest, where it sits when seated.
    pub at: Point,
    /// How far along it does: the number of the pose before it, and the share of the way to the next.
    pub when: f64,
    /// The body is clear of the base plane at the end.
    pub clear: bool,
    /// Deepest that each point of the input mesh goes, mm.
    pub squeeze_at_point_mm: Vec<f64>,
    /// How many poses were looked at, those in between included.
    pub poses: usize,
    /// As `squeeze_at_point_mm`, at the points of the body.
    pub(super) at_body: Vec<f64>,
}

/// The grid is believed to this much, mm, when it says where to look exactly.
const GRID_DOUBT_MM: f64 = 0.06;
/// Most places looked at exactly: where a body slides along its own walls all are about as deep.
const MOST_EXACT: usize = 25_600;

/// A place on the way that may be the deepest.
struct Deep {
    grid: f64,
    point: u32,
    when: f64,
    pose: Pose,
}

/// Moves the body through the poses (from the input's pose, seated first) and measures its squeeze.
/// `step_mm`: no point moves further than this between two looks. Fewer than one pose, or a body
/// with nothing seated, gives a squeeze of 0 that is not clear.
#[must_use]
pub fn replay(body: &Body, poses: &[PoseRows], step_mm: f64) -> Replay {
    let tissue = Tissue::new(body, super::withdraw::FINE_MM);
    let queries = MeshQueries::new(&body.mesh);
    match tissue {
        Some(tissue) => replay_in(body, &tissue, &queries, &body.seat(), poses, step_mm),
        None => Replay {
            squeeze_mm: 0.0,
            at: body.base.point,
            when: 0.0,
            clear: false,
            squeeze_at_point_mm: vec![0.0; body.place.len()],
            poses: 0,
            at_body: vec![0.0; body.mesh.points().len()],
        },
    }
}

/// Surface points that are moved: number in the body, and place (which trimming may have changed).
pub(super) type Seat = Vec<(u32, Point)>;

pub(super) fn replay_in(
    body: &Body,
    tissue: &Tissue,
    queries: &MeshQueries,
    seat: &Seat,
    poses: &[PoseRows],
    step_mm: f64,
) -> Replay {
    let poses: Vec<Pose> = poses.iter().map(from_rows).collect();
    let steps = small_steps(seat, &poses, step_mm);
    let worst = exactly_deepest(body, queries, seat, &deep_places(tissue, seat, &steps));
    let last = poses.last().copied().unwrap_or_else(Pose::identity);
    let clear = seat
        .iter()
        .all(|(_, p)| body.base.height(&(last * p)) >= 0.0);
    let at_body = deepest_of_each(body, tissue, seat, &steps);
    Replay {
        squeeze_mm: worst.0,
        at: worst.1,
        when: worst.2,
        clear: clear && !poses.is_empty(),
        squeeze_at_point_mm: body.to_input(&at_body),
        poses: steps.len(),
        at_body,
    }
}

/// Poses so close that no point of the seat moves further than `step_mm` from one to the next.
fn small_steps(seat: &Seat, poses: &[Pose], step_mm: f64) -> Vec<(f64, Pose)> {
    let (mut low, mut high) = (
        Point::from(Vector::repeat(f64::INFINITY)),
        Point::from(Vector::repeat(f64::NEG_INFINITY)),
    );
    for (_, p) in seat {
        (low, high) = (low.inf(p), high.sup(p));
    }
    let corners: Vec<Point> = (0..8)
        .map(|k| {
            Point::from(Vector::from_fn(|axis, _| {
                if k >> axis & 1 == 0 {
                    low[axis]
                } else {
                    high[axis]
                }
            }))
        })
        .collect();
    let mut out = Vec::new();
    for (k, pair) in poses.windows(2).enumerate() {
        let moved = corners
            .iter()
            .map(|c| (pair[0] * c - pair[1] * c).norm())
            .fold(0.0, f64::max);
        let parts = (moved / step_mm.max(1e-3)).ceil().clamp(1.0, 10_000.0) as usize;
        for s in 0..parts {
            let t = s as f64 / parts as f64;
            out.push((k as f64 + t, between(&pair[0], &pair[1], t)));
        }
    }
    out.extend(poses.last().map(|p| (poses.len() as f64 - 1.0, *p)));
    out
}

fn local(tissue: &Tissue, seat: &Seat, pose: &Pose) -> impl Fn(usize) -> Vector3<f64> {
    let whole = tissue.into * pose;
    let turn = whole.rotation.to_rotation_matrix();
    let points: Vec<Vector3<f64>> = seat
        .iter()
        .map(|(_, p)| turn * p.coords + whole.translation.vector)
        .collect();
    move |k| points[k]
}

/// Places that may be the deepest of all, by the grid, deepest first.
fn deep_places(tissue: &Tissue, seat: &Seat, steps: &[(f64, Pose)]) -> Vec<Deep> {
    let deepest = |pose: &Pose| {
        let place = local(tissue, seat, pose);
        (0..seat.len())
            .map(|k| tissue.depth(&place(k)))
            .fold(f64::NEG_INFINITY, f64::max)
    };
    let of_step: Vec<f64> = steps.par_iter().map(|(_, pose)| deepest(pose)).collect();
    let most = of_step.iter().copied().fold(0.0, f64::max);
    let floor = most - 2.0 * GRID_DOUBT_MM;
    let mut all: Vec<Deep> = steps
        .par_iter()
        .zip(&of_step)
        .filter(|(_, d)| **d >= floor)
        .flat_map_iter(|((when, pose), _)| {
            let place = local(tissue, seat, pose);
            (0..seat.len())
                .map(move |k| (k, place(k)))
                .filter_map(move |(k, p)| {
                    let grid = tissue.depth(&p);
                    (grid >= floor).then_some(Deep {
                        grid,
                        point: k as u32,
                        when: *when,
                        pose: *pose,
                    })
                })
        })
        .collect();
    all.sort_unstable_by(|a, b| {
        b.grid
            .total_cmp(&a.grid)
            .then(a.when.total_cmp(&b.when))
            .then(a.point.cmp(&b.point))
    });
    all
}

/// The exactly deepest of the places: depth, point when seated, when.
fn exactly_deepest(
    body: &Body,
    queries: &MeshQueries,
    seat: &Seat,
    places: &[Deep],
) -> (f64, Point, f64) {
    let mut worst = (0.0, body.base.point, 0.0);
    for some in places.chunks(512).take(MOST_EXACT / 512) {
        if some[0].grid + GRID_DOUBT_MM < worst.0 {
            break;
        }
        let exact: Vec<f64> = some
            .par_iter()
            .map(|c| exact_depth(body, queries, &(c.pose * seat[c.point as usize].1)))
            .collect();
        for (c, d) in some.iter().zip(exact) {
            if d > worst.0 {
                let of = seat[c.point as usize].0;
                worst = (d, body.mesh.points()[of as usize], c.when);
            }
        }
    }
    worst
}

fn deepest_of_each(body: &Body, tissue: &Tissue, seat: &Seat, steps: &[(f64, Pose)]) -> Vec<f64> {
    let into: Vec<Pose> = steps.iter().map(|(_, pose)| tissue.into * pose).collect();
    let each: Vec<f64> = seat
        .par_iter()
        .map(|(_, p)| {
            into.iter()
                .map(|pose| tissue.depth(&(pose * p).coords))
                .fold(0.0, f64::max)
        })
        .collect();
    let mut out = vec![0.0; body.mesh.points().len()];
    for ((of, _), d) in seat.iter().zip(each) {
        out[*of as usize] = d;
    }
    out
}

/// Exact depth of a place in the tissue: 0 beyond the base plane or in the seated body, else the
/// distance to the nearer of the two.
pub(super) fn exact_depth(body: &Body, queries: &MeshQueries, place: &Point) -> f64 {
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

impl Body {
    /// Every real surface point below the base plane.
    pub(super) fn seat(&self) -> Seat {
        let points = self.mesh.points().iter().enumerate();
        points
            .filter(|(i, p)| self.real[*i] && self.base.height(p) < 0.0)
            .map(|(i, p)| (i as u32, *p))
            .collect()
    }
}

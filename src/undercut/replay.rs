//! Replaying a way out and measuring its squeeze anew.
//!
//! Shares nothing with the search: the poses as they are written out; every surface point, not a
//! cloud; the exact signed distance of `crate::field` (its own tree, its own rule for the side) in
//! place of the search's grid. Depth in the tissue changes by no more than a point moves, so
//! between two looks it can't be more than half of what both and the way between add up to: every
//! point is looked at as often as that takes, and nothing deeper can hide between two looks.

use rayon::prelude::*;

use crate::field::{Sample, SignRule, SignedDistance};
use crate::mesh::{Point, Topology};

use super::body::Body;
use super::pose::{Pose, PoseRows, Screw, from_rows};

/// What a replay found.
#[derive(Debug, Clone, PartialEq)]
pub struct Replay {
    /// The largest depth of any surface point in the tissue that was seen on the way, mm.
    pub squeeze_mm: f64,
    /// No surface point goes deeper than `squeeze_mm` by more than this, mm.
    pub unseen_mm: f64,
    /// The point that goes deepest, where it sits when seated.
    pub at: Point,
    /// How far along it does: the number of the pose before it, and the share of the way to the next.
    pub when: f64,
    /// The body is clear of the base plane at the end.
    pub clear: bool,
    /// How many places were looked at.
    pub looks: u64,
}

/// Surface points that are moved: number in the body, and place (which trimming may have changed).
pub(super) type Seat = Vec<(u32, Point)>;

/// What may be missed between two looks, mm. Smaller: the looks at what slides along its own walls
/// grow as its inverse; larger: more than the rest of a squeeze's doubt.
const MISSED_MM: f64 = 0.01;
/// About so many looks are spent at most: where a body slides out all but free, what may be missed
/// grows instead. An ear of 100k facets with 1.7 mm of squeeze needs a tenth of it.
const MOST_LOOKS: f64 = 8e6;
/// Every so manieth point is looked at first, so that the others need not be looked at as closely.
const FIRST_LOOK: usize = 16;

/// Moves the body through the poses (from the input's pose, seated first) and measures its squeeze.
/// Between two poses it moves as a screw does. Without poses the squeeze is 0 and not clear.
#[must_use]
pub fn replay(body: &Body, poses: &[PoseRows]) -> Replay {
    replay_in(&Walls::new(body), &body.seat(), poses)
}

/// The seated solid and the base plane, as the replay sees them.
pub(super) struct Walls<'b> {
    body: &'b Body,
    solid: SignedDistance,
}

impl<'b> Walls<'b> {
    pub fn new(body: &'b Body) -> Self {
        Self {
            body,
            // By winding number, not by the normal of the nearest feature: fans over openings may
            // cross the surface, and one wrong side is a squeeze of a whole canal's width.
            solid: SignedDistance::new(&body.mesh, &Topology::new(&body.mesh))
                .with_rule(SignRule::Winding),
        }
    }

    /// Depth of a place in the tissue, mm: the way back into the seated body or out through the
    /// base plane, whichever is shorter; negative in the body, and beyond the plane.
    fn depth(&self, place: &Point, near: &mut Option<Sample>) -> f64 {
        let under = -self.body.base.height(place);
        if under < 0.0 {
            return under;
        }
        let sample = self.solid.distance(place, near.as_ref());
        *near = Some(sample);
        sample.value_mm.min(under)
    }
}

pub(super) fn replay_in(walls: &Walls, seat: &Seat, poses: &[PoseRows]) -> Replay {
    let poses: Vec<Pose> = poses.iter().map(from_rows).collect();
    let way: Vec<Screw> = poses
        .windows(2)
        .map(|pair| Screw::between(&pair[0], &pair[1]))
        .collect();
    let last = poses.last().copied().unwrap_or_else(Pose::identity);
    let clear = |p: &Point| walls.body.base.height(&(last * p)) >= 0.0;
    let middle = seat
        .iter()
        .map(|(_, p)| p.coords)
        .sum::<crate::mesh::Vector>();
    let middle = Point::from(middle / seat.len().max(1) as f64);
    let path: f64 = (way.iter())
        .map(|screw| screw.length(&(screw.at(0.0) * middle).coords))
        .sum();
    let floor = path * seat.len() as f64 / (2.0 * MOST_LOOKS);
    let few: Seat = seat.iter().step_by(FIRST_LOOK).copied().collect();
    let first = look_at(walls, &few, &way, 0.1_f64.max(floor));
    let known = first.depth.max(floor);
    let all = look_at(walls, seat, &way, known);
    Replay {
        squeeze_mm: all.depth,
        unseen_mm: known.max(all.depth) - all.depth + MISSED_MM,
        at: all.point.map_or(walls.body.base.point, |of| {
            walls.body.mesh.points()[of as usize]
        }),
        when: all.when,
        clear: !poses.is_empty() && seat.iter().all(|(_, p)| clear(p)),
        looks: first.looks + all.looks,
    }
}

/// The deepest that was seen.
#[derive(Clone, Copy)]
struct Deepest {
    depth: f64,
    point: Option<u32>,
    when: f64,
    looks: u64,
}

/// All of these points along the whole way. What lies under `known` is of no interest.
fn look_at(walls: &Walls, seat: &Seat, way: &[Screw], known: f64) -> Deepest {
    let nothing = Deepest {
        depth: 0.0,
        point: None,
        when: 0.0,
        looks: 0,
    };
    let each: Vec<Deepest> = seat
        .par_iter()
        .map(|(of, p)| follow(walls, *of, p, way, known))
        .collect();
    each.into_iter().fold(nothing, |a, b| Deepest {
        looks: a.looks + b.looks,
        ..if b.depth > a.depth { b } else { a }
    })
}

/// One point along the whole way, by the length of its own path.
fn follow(walls: &Walls, of: u32, p: &Point, way: &[Screw], known: f64) -> Deepest {
    let mut ends = Vec::with_capacity(way.len());
    let mut total = 0.0;
    for screw in way {
        total += screw.length(&(screw.at(0.0) * p).coords);
        ends.push(total);
    }
    // The number of the screw, and the share of it, after so much path.
    let place = |s: f64| -> (usize, f64) {
        let k = ends.partition_point(|&end| end < s).min(ends.len() - 1);
        let begin = if k == 0 { 0.0 } else { ends[k - 1] };
        (
            k,
            ((s - begin) / (ends[k] - begin).max(1e-300)).clamp(0.0, 1.0),
        )
    };
    let mut found = Deepest {
        depth: 0.0,
        point: Some(of),
        when: 0.0,
        looks: 0,
    };
    let mut near = None;
    let mut look = |s: f64, found: &mut Deepest| {
        let (k, t) = place(s);
        let depth = walls.depth(&(way[k].at(t) * p), &mut near);
        found.looks += 1;
        if depth > found.depth {
            (found.depth, found.when) = (depth, k as f64 + t);
        }
        depth
    };
    if way.is_empty() {
        return found;
    }
    let (mut here, mut s) = (look(0.0, &mut found), 0.0);
    while s < total {
        let most = known.max(found.depth) + MISSED_MM;
        // as far as it may go if it is no deeper there than here
        let mut to = (s + (2.0 * (most - here)).max(MISSED_MM)).min(total);
        loop {
            let there = look(to, &mut found);
            let most = known.max(found.depth) + MISSED_MM;
            if 0.5 * (here + there + (to - s)) <= most || to - s <= MISSED_MM {
                (here, s) = (there, to);
                break;
            }
            to = s + 0.5 * (to - s);
        }
    }
    found
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

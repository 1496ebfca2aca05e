//! Replaying a way out and measuring its squeeze anew.
//!
//! Shares nothing with the search: the poses as they are written out; every surface point, not a
//! cloud; the exact signed distance of `crate::field` (its own tree, its own rule for the side) in
//! place of the search's grid. Depth in the tissue changes by no more than a point moves, so
//! between two looks it can't be more than half of what both and the way between add up to: every
//! point is looked at as often as that takes, and nothing deeper can hide between two looks.

use rayon::prelude::*;

use crate::field::{Sample, SignedDistance};
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
            solid: SignedDistance::new(&body.mesh, &Topology::new(&body.mesh)),
        }
    }

    /// Depth of a place in the tissue, mm: the way back into the seated body or out through the
    /// base plane, whichever is shorter; negative in either.
    fn depth(&self, place: &Point, near: Option<&Sample>) -> (f64, Sample) {
        let sample = self.solid.distance(place, near);
        let under = -self.body.base.height(place);
        (sample.value_mm.min(under), sample)
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

/// One point along the whole way.
fn follow(walls: &Walls, of: u32, p: &Point, way: &[Screw], known: f64) -> Deepest {
    let Some(start) = way.first().map(|screw| screw.at(0.0) * p) else {
        return Deepest {
            depth: 0.0,
            point: None,
            when: 0.0,
            looks: 0,
        };
    };
    let (mut here, mut near) = walls.depth(&start, None);
    let mut found = Deepest {
        depth: here.max(0.0),
        point: Some(of),
        when: 0.0,
        looks: 1,
    };
    for (k, screw) in way.iter().enumerate() {
        let length = screw.length(&(screw.at(0.0) * p).coords);
        let mut t = 0.0;
        while t < 1.0 {
            let most = known.max(found.depth) + MISSED_MM;
            // as far as it may go if it is no deeper there than here
            let wanted = (2.0 * (most - here)).max(MISSED_MM);
            let mut to = if length > 0.0 {
                t + wanted / length
            } else {
                1.0
            };
            loop {
                to = to.min(1.0);
                let (there, sample) = walls.depth(&(screw.at(to) * p), Some(&near));
                found.looks += 1;
                if there > found.depth {
                    (found.depth, found.when) = (there, k as f64 + to);
                }
                let between = (to - t) * length;
                let most = known.max(found.depth) + MISSED_MM;
                if 0.5 * (here + there + between) <= most || between <= MISSED_MM {
                    (here, near, t) = (there, sample, to);
                    break;
                }
                to = t + 0.5 * (to - t);
            }
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

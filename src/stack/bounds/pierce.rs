//! Piercing points. If every box of some parts, wherever it may stand alone in the cavity, holds one
//! of k points (or comes nearer to it than half the clearance), and the parts are more than k, two of
//! them would hold the same point. That each box holds one is shown for all turns and all places:
//! cells of turns and places are halved until the whole cell either puts a point of the box too near
//! to the wall or keeps one of the k points in the box.
//!
//! A turn is a quaternion; those of one box that differ by half turns about its own axes are one, so
//! the quaternions whose first figure is the largest are all: (1, x, y, z) with x, y, z in [-1, 1].

use std::sync::atomic::{AtomicUsize, Ordering};

use nalgebra::{Matrix3, Quaternion, UnitQuaternion};
use rayon::prelude::*;

use super::{BoundKind, Facts, Proof, SAFETY_MM};
use crate::mesh::{Point, Vector};
use crate::stack::grid::{NODE_ERROR_MM, exact_depth};
use crate::stack::search::rng::Rng;

/// Poses drawn for the guess where the points should be, and kept of them a part.
const DRAWN: usize = 60_000;
const KEPT: usize = 150;
/// In how few points so many parts are tried; more would need rooms with as many chambers.
const MOST_POINTS: usize = 3;
/// Cells looked at before the bound is given up: a second or two.
const MOST_CELLS: usize = 4_000_000;
/// A cell whose points all move less than this, mm, is halved no more.
const FINEST_MM: f64 = 0.06;
/// Sets of points tried, each mended by the pose that the last one failed at.
const TRIES: usize = 6;

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let mut parts = facts.free();
    // The thickest first: they have the least play.
    let play = |i: usize| facts.stack.parts[i].sides_mm().iter().product::<f64>();
    parts.sort_by(|&a, &b| play(b).total_cmp(&play(a)));
    let most = parts.len().min(MOST_POINTS + 1);
    let bodies: Vec<Body> = parts[..most].iter().map(|&i| Body::new(facts, i)).collect();
    let mut rng = Rng::new(1);
    let drawn: Vec<Vec<Stand>> = bodies.iter().map(|b| b.drawn(facts, &mut rng)).collect();
    let looked = AtomicUsize::new(0);
    for n in 2..=most {
        let mut poses: Vec<Stand> = drawn[..n].concat();
        for _ in 0..TRIES {
            let (points, worst) = pierced(&poses, n - 1);
            if worst > facts.stack.clearance_mm / 2.0 - 2.0 * FINEST_MM {
                break;
            }
            let failed = bodies[..n]
                .iter()
                .find_map(|b| b.missed(facts, &points, &looked));
            match failed {
                None => {
                    return Some(Proof {
                        bound: BoundKind::Pierce,
                        need: n as f64,
                        have: (n - 1) as f64,
                        parts: parts[..n].to_vec(),
                    });
                }
                Some(Some(pose)) => poses.push(pose),
                Some(None) => break,
            }
        }
    }
    None
}

/// A box somewhere.
#[derive(Clone, Copy)]
struct Stand {
    half: Vector,
    turn: Matrix3<f64>,
    middle: Point,
}

impl Stand {
    /// Signed distance of a place from the box, mm; negative inside.
    fn distance(&self, p: &Point) -> f64 {
        let over = self.turn.tr_mul(&(p - self.middle)).abs() - self.half;
        over.sup(&Vector::zeros()).norm() + over.max().min(0.0)
    }

    /// The way in which that grows.
    fn slope(&self, p: &Point) -> Vector {
        let own = self.turn.tr_mul(&(p - self.middle));
        let over = own.abs() - self.half;
        let mut way = over.sup(&Vector::zeros());
        if way.norm() < 1e-12 {
            way[over.imax()] = 1.0;
        }
        self.turn * way.zip_map(&own, |w, o| w.copysign(o)).normalize()
    }
}

/// One part, and the points of it that are held against the wall.
struct Body {
    half: Vector,
    radius: f64,
    /// Point of the box, and the depth that it needs.
    felt: Vec<(Vector, f64)>,
}

/// Turns within `turn_half` of a quaternion's figures, places within `place_half` of a place.
#[derive(Clone, Copy)]
struct Cell {
    turn_at: Vector,
    turn_half: f64,
    place_at: Point,
    place_half: f64,
}

impl Cell {
    /// Largest angle from the middle of the turns, rad. All figures' lengths are 1 or more, so the
    /// sine of half of it is at most their distance.
    fn angle(&self) -> f64 {
        2.0 * (3.0_f64.sqrt() * self.turn_half).min(1.0).asin()
    }

    fn reach(&self) -> f64 {
        3.0_f64.sqrt() * self.place_half
    }

    fn turn(&self) -> Matrix3<f64> {
        turn_of(&self.turn_at)
    }
}

fn turn_of(at: &Vector) -> Matrix3<f64> {
    let q = Quaternion::new(1.0, at.x, at.y, at.z);
    UnitQuaternion::from_quaternion(q)
        .to_rotation_matrix()
        .into_inner()
}

impl Body {
    fn new(facts: &Facts, part: usize) -> Self {
        let half = Vector::from(facts.stack.parts[part].half_mm());
        let wall = facts.wall_mm(part) - SAFETY_MM;
        let thin = half.min();
        let mut felt = vec![(Vector::zeros(), thin + wall)];
        for i in 0..8 {
            let side = Vector::from_fn(|k, _| if i >> k & 1 == 1 { 1.0 } else { -1.0 });
            felt.push((half.component_mul(&side), wall));
            // Middles of its inscribed balls, at the corners of their rectangle.
            felt.push(((half.add_scalar(-thin)).component_mul(&side), thin + wall));
        }
        Self {
            half,
            radius: half.norm(),
            felt,
        }
    }

    /// Poses that the grid takes for possible.
    fn drawn(&self, facts: &Facts, rng: &mut Rng) -> Vec<Stand> {
        let depth = facts.depth;
        let deep: Vec<usize> = (0..depth.values().len())
            .filter(|&i| f64::from(depth.values()[i]) >= self.felt[0].1 - 0.2)
            .collect();
        let mut out = Vec::new();
        for _ in 0..DRAWN {
            let Some(&node) = deep.get(rng.below(deep.len())) else {
                break;
            };
            let nudge = Vector::from_fn(|_, _| rng.within(-0.5, 0.5)) * depth.step_mm();
            let stand = Stand {
                half: self.half,
                turn: rng.turn(),
                middle: depth.node_at(node) + nudge,
            };
            let stands = self
                .felt
                .iter()
                .all(|(q, need)| depth.depth(&(stand.middle + stand.turn * q)) >= need - 0.05);
            if stands {
                out.push(stand);
                if out.len() == KEPT {
                    break;
                }
            }
        }
        out
    }

    /// A pose, possible as far as it was looked at, that holds none of the points; `Some(None)` where
    /// it was not found out in time.
    #[allow(clippy::option_option)] // shown to hold one; a pose that does not; not found out
    fn missed(
        &self,
        facts: &Facts,
        points: &[Point],
        looked: &AtomicUsize,
    ) -> Option<Option<Stand>> {
        let (lo, hi) = facts.cavity.mesh().bounds()?;
        let size = (hi - lo).max() / 2.0;
        let whole = Cell {
            turn_at: Vector::zeros(),
            turn_half: 1.0,
            place_at: nalgebra::center(&lo, &hi),
            place_half: size,
        };
        let mut cells = vec![whole];
        while cells.len() < 4000 {
            let before = cells.len();
            cells = cells
                .iter()
                .filter(|c| !self.settled(facts, points, c))
                .flat_map(|c| self.halved(c))
                .collect();
            if cells.is_empty() {
                return None;
            }
            if cells.len() <= before {
                break;
            }
        }
        cells.par_iter().find_map_first(|cell| {
            let mut todo = vec![*cell];
            while let Some(cell) = todo.pop() {
                if looked.fetch_add(1, Ordering::Relaxed) > MOST_CELLS {
                    return Some(None);
                }
                if self.settled(facts, points, &cell) {
                    continue;
                }
                if cell.reach() + self.radius * cell.angle() < FINEST_MM {
                    return Some(Some(Stand {
                        half: self.half,
                        turn: cell.turn(),
                        middle: cell.place_at,
                    }));
                }
                todo.extend(self.halved(&cell));
            }
            None
        })
    }

    /// Does every pose of the cell hold one of the points, or none keep clear of the wall?
    fn settled(&self, facts: &Facts, points: &[Point], cell: &Cell) -> bool {
        let (turn, angle, reach) = (cell.turn(), cell.angle(), cell.reach());
        let stand = Stand {
            half: self.half,
            turn,
            middle: cell.place_at,
        };
        let near = facts.stack.clearance_mm / 2.0 - SAFETY_MM;
        let held = points.iter().any(|p| {
            let moved = reach + (p - cell.place_at).norm() * angle;
            stand.distance(p) + moved < near
        });
        held || self.felt.iter().any(|(q, need)| {
            let p = cell.place_at + turn * q;
            let moved = reach + q.norm() * angle;
            self.too_near(facts, &p, need - moved, moved)
        })
    }

    /// Is the place surely less deep than `need`? By the nodes round it, and where these leave it
    /// open and little else is, by its exact depth.
    fn too_near(&self, facts: &Facts, p: &Point, need: f64, moved: f64) -> bool {
        let depth = facts.depth;
        let most = depth
            .cell_nodes(p)
            .into_iter()
            .map(|n| f64::from(depth.values()[n]) + NODE_ERROR_MM + (depth.node_at(n) - p).norm());
        let most = most.fold(f64::INFINITY, f64::min);
        if most < need {
            return true;
        }
        let slack = most - 2.0 * depth.half_diagonal_mm();
        moved < 0.8 && slack < need && exact_depth(&facts.queries, p) < need
    }

    /// Halves the turns or the places, whichever move the box further.
    fn halved(&self, cell: &Cell) -> Vec<Cell> {
        let turns = self.radius * cell.angle() > cell.reach();
        let half = if turns {
            cell.turn_half
        } else {
            cell.place_half
        } / 2.0;
        let each = (0..8).map(|i| {
            let off = Vector::from_fn(|k, _| if i >> k & 1 == 1 { half } else { -half });
            if turns {
                Cell {
                    turn_at: cell.turn_at + off,
                    turn_half: half,
                    ..*cell
                }
            } else {
                Cell {
                    place_at: cell.place_at + off,
                    place_half: half,
                    ..*cell
                }
            }
        });
        each.collect()
    }
}

/// `k` points such that each pose holds one as deep as can be; and how far the worst pose is from
/// holding one, mm (negative: all do).
fn pierced(poses: &[Stand], k: usize) -> (Vec<Point>, f64) {
    let mut points: Vec<Point> = Vec::new();
    let Some(first) = poses.first() else {
        return (points, f64::INFINITY);
    };
    points.push(first.middle);
    let gap = |p: &Stand, points: &[Point]| {
        let each = points.iter().map(|q| p.distance(q));
        each.fold(f64::INFINITY, f64::min)
    };
    while points.len() < k {
        let far = poses
            .iter()
            .max_by(|a, b| gap(a, &points).total_cmp(&gap(b, &points)));
        points.extend(far.map(|p| p.middle));
    }
    let mut best = (points.clone(), f64::INFINITY);
    let mut step = 0.5;
    for _ in 0..400 {
        let worst = poses
            .iter()
            .map(|p| (gap(p, &points), p))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((have, pose)) = worst else { break };
        if have < best.1 {
            best = (points.clone(), have);
        }
        let nearest = (0..points.len()).min_by(|&a, &b| {
            pose.distance(&points[a])
                .total_cmp(&pose.distance(&points[b]))
        });
        if let Some(j) = nearest {
            let slope = pose.slope(&points[j]);
            points[j] -= slope * step;
        }
        step = (step * 0.985_f64).max(0.01);
    }
    best
}

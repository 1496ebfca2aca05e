//! Points that poses hold: where to begin, and how to move them until the pose that holds least holds as
//! much as can be. None of this is part of a proof.

use rayon::prelude::*;

use super::body::{Body, Read};
use crate::mesh::{Point, Vector};
use crate::stack::Pose;
use crate::stack::search::lp::{Row, raise_least};
use crate::stack::search::rng::Rng;

/// Steps of moving, the first and the last, mm: they shrink by the square of what is left.
const STEPS: usize = 400;
const FIRST_MM: f64 = 0.3;
const LAST_MM: f64 = 0.002;
/// Rounds of sharpening after that, and how far a point may go in the first, mm; in each later one, this
/// share of it.
const SHARPENED: usize = 12;
const TRUST_MM: f64 = 0.3;
const LESS: f64 = 0.75;
/// Places that points are begun from, at most.
const PLACES: usize = 1500;

/// A pose that stands or nearly so: of which body, and by how much it fails.
pub(super) struct Gathered {
    pub body: usize,
    pub pose: Pose,
    pub lacks_mm: f64,
}

impl Gathered {
    pub fn new(number: usize, body: &Body, read: Read, pose: Pose) -> Self {
        Self {
            body: number,
            lacks_mm: body.lacks_mm(read, &pose),
            pose,
        }
    }

    /// The point that is held best, and how much: or how much the pose fails to stand, if that is more.
    pub fn margin_mm(&self, bodies: &[Body], points: &[Point]) -> (usize, f64) {
        let held = points
            .iter()
            .map(|p| bodies[self.body].holds_mm(&self.pose, p));
        let best = held.enumerate().max_by(|a, b| a.1.total_cmp(&b.1));
        let (i, held) = best.unwrap_or((0, f64::MIN));
        (i, held.max(self.lacks_mm))
    }
}

/// So many points, each the place that most of those poses hold that hold no earlier one.
pub(super) fn covering(
    gathered: &[Gathered],
    bodies: &[Body],
    places: &[Point],
    count: usize,
) -> Vec<Point> {
    let few: Vec<Point> = places
        .iter()
        .step_by(1 + places.len() / PLACES)
        .copied()
        .collect();
    let held: Vec<Vec<bool>> = few
        .par_iter()
        .map(|p| {
            let holds = |g: &Gathered| bodies[g.body].holds_mm(&g.pose, p) > 0.0;
            gathered.iter().map(holds).collect()
        })
        .collect();
    let mut left = vec![true; gathered.len()];
    let mut points = Vec::new();
    while points.len() < count {
        let rate = |h: &Vec<bool>| h.iter().zip(&left).filter(|(h, l)| **h && **l).count();
        let Some(best) = (0..few.len()).max_by_key(|&i| rate(&held[i])) else {
            break;
        };
        for (l, h) in left.iter_mut().zip(&held[best]) {
            *l &= !h;
        }
        points.push(few[best]);
    }
    points
}

/// So many points, each the mean of a group of the poses' middles (k-means, begun far apart).
pub(super) fn grouped(gathered: &[Gathered], count: usize, seed: u64) -> Vec<Point> {
    let mut rng = Rng::new(seed);
    let mut any = || gathered[rng.below(gathered.len())].pose.middle;
    let mut points = vec![any()];
    while points.len() < count {
        let drawn: [Point; 8] = std::array::from_fn(|_| any());
        let far = |p: &&Point| nearest(&points, p).1;
        let farthest = drawn.iter().max_by(|a, b| far(a).total_cmp(&far(b)));
        points.push(*farthest.unwrap_or(&drawn[0]));
    }
    for _ in 0..8 {
        let mut sums = vec![(Vector::zeros(), 0.0); count];
        for g in gathered {
            let sum = &mut sums[nearest(&points, &g.pose.middle).0];
            *sum = (sum.0 + g.pose.middle.coords, sum.1 + 1.0);
        }
        for (point, (sum, n)) in points.iter_mut().zip(sums) {
            if n > 0.0 {
                *point = Point::from(sum / n);
            }
        }
    }
    points
}

fn nearest(points: &[Point], to: &Point) -> (usize, f64) {
    let far = points.iter().map(|p| (p - to).norm_squared()).enumerate();
    far.min_by(|a, b| a.1.total_cmp(&b.1))
        .unwrap_or((0, f64::INFINITY))
}

/// The points moved, the worst pose's best point into it at a time; and what the worst pose then holds, mm.
pub(super) fn moved(
    gathered: &[Gathered],
    bodies: &[Body],
    points: Vec<Point>,
) -> (Vec<Point>, f64) {
    let mut at = points;
    let mut best = (at.clone(), f64::MIN);
    for step in 0..STEPS {
        let margins = gathered.iter().map(|g| (g, g.margin_mm(bodies, &at)));
        let Some((worst, (i, margin))) = margins.min_by(|a, b| a.1.1.total_cmp(&b.1.1)) else {
            return best;
        };
        if margin > best.1 {
            best = (at.clone(), margin);
        }
        let left = 1.0 - step as f64 / STEPS as f64;
        let way = inwards(&worst.pose, &bodies[worst.body].half, &at[i]);
        at[i] += way * (FIRST_MM * left * left + LAST_MM);
    }
    sharpened(gathered, bodies, best)
}

/// The points moved to where the poses that each of them serves hold it best, by linear programmes.
fn sharpened(
    gathered: &[Gathered],
    bodies: &[Body],
    mut best: (Vec<Point>, f64),
) -> (Vec<Point>, f64) {
    let (mut at, mut trust) = (best.0.clone(), TRUST_MM);
    for _ in 0..SHARPENED {
        let mut rows = vec![Vec::new(); at.len()];
        for g in gathered {
            let (i, margin) = g.margin_mm(bodies, &at);
            if margin < best.1 + 2.0 * trust && g.lacks_mm < best.1 + trust {
                rows[i].extend(sides(g, &bodies[g.body], &at[i]));
            }
        }
        for (point, rows) in at.iter_mut().zip(&rows) {
            let moves = if rows.is_empty() {
                None
            } else {
                raise_least(rows, 1, trust)
            };
            if let Some((by, _)) = moves {
                *point += Vector::new(by[0], by[1], by[2]);
            }
        }
        let margins = gathered.iter().map(|g| g.margin_mm(bodies, &at).1);
        let least = margins.fold(f64::INFINITY, f64::min);
        if least > best.1 {
            best = (at.clone(), least);
        }
        trust *= LESS;
    }
    best
}

/// How deep a place lies below each side of a box, and how that changes as the place moves.
fn sides(g: &Gathered, body: &Body, place: &Point) -> impl Iterator<Item = Row> {
    let own = g.pose.turn.tr_mul(&(place - g.pose.middle));
    let (turn, half, hold) = (g.pose.turn, body.half, body.hold_mm);
    (0..6).map(move |n| {
        let (k, sign) = (n / 2, [-1.0, 1.0][n % 2]);
        let way = turn.column(k) * -sign;
        Row {
            spare: hold + half[k] - sign * own[k],
            first: (0, [way.x, way.y, way.z, 0.0, 0.0, 0.0]),
            second: None,
        }
    })
}

/// The way from a place into a box.
fn inwards(pose: &Pose, half: &Vector, place: &Point) -> Vector {
    let own = pose.turn.tr_mul(&(place - pose.middle));
    let over = own.abs() - half;
    let k = over.imax();
    let way = if over[k] > 0.0 {
        Vector::from_fn(|k, _| -over[k].max(0.0) * own[k].signum())
    } else {
        Vector::from_fn(|i, _| if i == k { -own[k].signum() } else { 0.0 })
    };
    pose.turn * way.try_normalize(1e-12).unwrap_or_else(Vector::zeros)
}

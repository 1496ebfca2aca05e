//! Several piercing points. If there are k points of which each of more than k boxes holds one wherever it
//! may stand alone (or comes nearer to it than half the clearance), two of them hold the same one.
//! The points are looked for against poses that stand; whatever pose chance or the proof comes upon that
//! stands and holds none is added, until there are no such poses, or no such points.

use std::ops::Range;
use std::time::{Duration, Instant};

use rayon::prelude::*;

use super::body::Body;
use super::cell::Cell;
use super::outer::Outer;
use super::points::{Gathered, covering, grouped, moved};
use super::poses::Question;
use super::prove::{Budget, unheld};
use super::standing::{anyhow, apart, jolted, mended};
use super::{BoundKind, Facts, Proof, SAFETY_MM};
use crate::mesh::Point;
use crate::stack::Pose;
use crate::stack::search::rng::Rng;

/// Points at most.
const MOST_POINTS: usize = 4;
/// Of the time that is left, this share is the bound's at most, and no more than so long.
const SHARE: f64 = 0.2;
const MOST_TIME: Duration = Duration::from_secs(4);
/// Cells looked at in all, at most: some seconds.
const MOST_CELLS: usize = 3_000_000;
/// Poses tried before anything else: where more of them stand apart than there are points, there are none.
const FIRST_TRIES: usize = 150;
/// Poses tried by chance a round, and how many of those that hold least are tried anew, a little off.
const TRIES: usize = 300;
const AGAIN: usize = 600;
/// Poses taken from the tries of one round.
const TAKEN: usize = 32;
/// Times that points are looked for.
const ROUNDS: usize = 60;
/// Starts a little off the last points, and how far, mm.
const JOLTS: u64 = 3;
const JOLT_MM: f64 = 0.4;
/// Starts where those do not serve, or before a look through all poses: points that hold so many times more
/// are taken instead.
const STARTS: u64 = 10;
const MORE: f64 = 1.15;
/// A pose that fails by less than this share of what the poses gathered hold is added to them …
const CLOSE: f64 = 0.5;
/// … but by no more than this, mm. Points that hold less than twice the least are none.
const MOST_CLOSE_MM: f64 = 0.1;
const LEAST_CLOSE_MM: f64 = 0.001;

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let mut parts = facts.free();
    let bulk = |i: usize| facts.stack.parts[i].volume_mm3();
    parts.sort_by(|&a, &b| bulk(b).total_cmp(&bulk(a)));
    let budget = Budget::new(until(facts), MOST_CELLS);
    let mut outer = None;
    for n in 2..=parts.len().min(MOST_POINTS + 1) {
        let task = Task::new(facts, &parts[..n], &budget)?;
        if task.hopeless() {
            continue;
        }
        if outer.is_none() {
            outer = Some(Outer::new(facts)?);
        }
        if outer.as_ref().is_some_and(|o| task.proven(o)) {
            return Some(Proof {
                bound: BoundKind::Several,
                need: n as f64,
                have: (n - 1) as f64,
                parts: parts[..n].to_vec(),
            });
        }
        if budget.over() {
            return None;
        }
    }
    None
}

fn until(facts: &Facts) -> Option<Instant> {
    let now = Instant::now();
    let share = |t: Instant| t.saturating_duration_since(now).mul_f64(SHARE);
    facts.until.map(|t| now + share(t).min(MOST_TIME))
}

/// One point less than parts.
struct Task<'a> {
    facts: &'a Facts<'a>,
    budget: &'a Budget,
    bodies: Vec<Body>,
    /// For each body, the places where its middle may be, each stretched by a cell of the grid.
    deep: Vec<Vec<Point>>,
    count: usize,
}

impl<'a> Task<'a> {
    fn new(facts: &'a Facts<'a>, parts: &[usize], budget: &'a Budget) -> Option<Self> {
        let sizes: Vec<[f64; 3]> = parts
            .iter()
            .map(|&i| facts.stack.parts[i].sides_mm())
            .collect();
        let wall = facts.stack.wall_clearance_mm - SAFETY_MM;
        let hold = facts.stack.clearance_mm / 2.0 - SAFETY_MM;
        let bodies: Vec<Body> = least(&sizes)
            .into_iter()
            .map(|s| Body::new(s, wall, hold))
            .collect();
        let depth = facts.depth;
        let more = depth.half_diagonal_mm();
        if bodies.iter().any(|b| b.half.min() + wall <= more) {
            return None; // a hollow for them may lie between all nodes
        }
        let deep = |body: &Body| -> Vec<Point> {
            let need = body.half.min() + wall - more;
            let nodes = depth.values().iter().enumerate();
            nodes
                .filter(|(_, v)| f64::from(**v) + super::NODE_ERROR_MM >= need)
                .map(|(i, _)| depth.node_at(i))
                .collect()
        };
        let deep: Vec<Vec<Point>> = bodies.iter().map(deep).collect();
        // Where there is none, the ball's own bound refuses.
        deep.iter().all(|d| !d.is_empty()).then_some(Self {
            facts,
            budget,
            bodies,
            deep,
            count: parts.len() - 1,
        })
    }

    /// Do as many boxes of one size as there are parts stand apart, by the grid? Then there are no such points.
    fn hopeless(&self) -> bool {
        let read = |p: &Point| self.facts.depth.depth_and_slope(p);
        let clear = self.facts.stack.clearance_mm;
        self.bodies.iter().zip(&self.deep).any(|(body, deep)| {
            let mut rng = Rng::new(1);
            let poses: Vec<Pose> = (0..FIRST_TRIES)
                .filter_map(|_| mended(body, &read, &[], anyhow(deep, &mut rng), 0.0))
                .collect();
            apart(&poses, body, clear, self.count + 1)
        })
    }

    fn proven(&self, outer: &Outer) -> bool {
        let mut gathered = Vec::new();
        self.gather(outer, &[], 0.0, 0, &mut gathered);
        if gathered.is_empty() {
            return false; // a single part does not stand: for other bounds to say
        }
        let mut points = covering(&gathered, &self.bodies, &self.deep[0], self.count);
        let mut close = MOST_CLOSE_MM;
        for round in 1..ROUNDS as u64 {
            let (at, margin) = self.settled(&gathered, &points);
            points = at;
            close = close.min(margin * CLOSE);
            if close < LEAST_CLOSE_MM || self.budget.over() {
                return false;
            }
            if self.gather(outer, &points, close, round, &mut gathered) {
                continue;
            }
            // Looking through all poses is dear: points that hold clearly more are worth a few starts.
            let other = self.anew(&gathered);
            if other.1 > MORE * margin {
                points = other.0;
                continue;
            }
            match self.unheld(outer, &points, close) {
                Some(new) if new.is_empty() => return true,
                Some(new) => gathered.extend(new),
                None => return false,
            }
        }
        false
    }

    /// The points moved to hold all poses, from where they are and from a little off; begun anew where that is
    /// not enough.
    fn settled(&self, gathered: &[Gathered], points: &[Point]) -> (Vec<Point>, f64) {
        let best = self.best(gathered, 0..1 + JOLTS, |seed| {
            let mut rng = Rng::new(seed);
            let off = if seed == 0 { 0.0 } else { JOLT_MM };
            let jolted = points.iter().map(|p| p + rng.direction() * off);
            jolted.collect()
        });
        if best.1 * CLOSE >= LEAST_CLOSE_MM {
            return best;
        }
        let other = self.anew(gathered);
        if other.1 > best.1 { other } else { best }
    }

    /// The best of points begun in several ways.
    fn anew(&self, gathered: &[Gathered]) -> (Vec<Point>, f64) {
        self.best(gathered, 0..STARTS, |seed| match seed {
            0 => covering(gathered, &self.bodies, &self.deep[0], self.count),
            _ => grouped(gathered, self.count, seed),
        })
    }

    fn best(
        &self,
        gathered: &[Gathered],
        seeds: Range<u64>,
        start: impl Fn(u64) -> Vec<Point> + Sync,
    ) -> (Vec<Point>, f64) {
        let moved = |seed| moved(gathered, &self.bodies, start(seed));
        let all: Vec<(Vec<Point>, f64)> = seeds.into_par_iter().map(moved).collect();
        let best = all.into_iter().max_by(|a, b| a.1.total_cmp(&b.1));
        best.unwrap_or((Vec::new(), f64::MIN))
    }

    /// Adds poses that stand and hold none of the points, found by chance. Are there any?
    fn gather(
        &self,
        outer: &Outer,
        points: &[Point],
        close_mm: f64,
        round: u64,
        gathered: &mut Vec<Gathered>,
    ) -> bool {
        let read = outer.read();
        let before = gathered.len();
        let most = if points.is_empty() { TRIES } else { TAKEN };
        let slack = self.slack(gathered, points);
        for (k, body) in self.bodies.iter().enumerate() {
            let mut rng = Rng::stream(round, k as u64, 0);
            let again = slack.iter().filter(|&&i| gathered[i].body == k);
            let mut starts: Vec<Pose> = again
                .map(|&i| jolted(&gathered[i].pose, body, &mut rng))
                .collect();
            starts.extend((0..TRIES).map(|_| anyhow(&self.deep[k], &mut rng)));
            let found = starts
                .into_iter()
                .filter_map(|pose| mended(body, &read, points, pose, close_mm))
                .take(most);
            gathered.extend(found.map(|pose| Gathered::new(k, body, &read, pose)));
        }
        gathered.len() > before
    }

    /// Those of the poses that hold least of the points, by number: others that hold none are near them.
    fn slack(&self, gathered: &[Gathered], points: &[Point]) -> Vec<usize> {
        let margins = gathered.iter().map(|g| g.margin_mm(&self.bodies, points).1);
        let mut least: Vec<(f64, usize)> = margins.zip(0..).collect();
        least.sort_by(|a, b| a.0.total_cmp(&b.0));
        least.truncate(if points.is_empty() { 0 } else { AGAIN });
        least.into_iter().map(|l| l.1).collect()
    }

    /// Poses that stand and hold none of the points, of all poses; none is the proof.
    fn unheld(&self, outer: &Outer, points: &[Point], close_mm: f64) -> Option<Vec<Gathered>> {
        let mut all = Vec::new();
        for (k, body) in self.bodies.iter().enumerate() {
            let question = Question {
                outer,
                body,
                points,
            };
            let root = Cell::holding(&self.deep[k], self.facts.depth.half_diagonal_mm());
            let poses = unheld(&question, root, close_mm, self.budget)?;
            let poses = poses.into_iter();
            all.extend(poses.map(|pose| Gathered::new(k, body, &outer.read(), pose)));
        }
        Some(all)
    }
}

/// The sizes that hold no other one: a box that holds another (side by side, longest first) holds whatever
/// that one holds.
fn least(sizes: &[[f64; 3]]) -> Vec<[f64; 3]> {
    let within = |a: &[f64; 3], b: &[f64; 3]| (0..3).all(|k| a[k] <= b[k]);
    let mut out: Vec<[f64; 3]> = Vec::new();
    for s in sizes {
        if !out.iter().any(|o| within(o, s)) {
            out.retain(|o| !within(s, o));
            out.push(*s);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Mesh, Vector};
    use crate::stack::shapes::block;
    use crate::stack::{Cavity, Depth, Stack};

    fn told(mesh: &Mesh, sizes: &[[f64; 3]], rng: &mut Rng) -> Option<Proof> {
        let turn = rng.turn();
        let placed = |p: &Point| Point::from(turn * p.coords + Vector::repeat(0.123));
        let cavity = Cavity::new(mesh.mapped(placed).unwrap()).unwrap();
        let stack = Stack::of_boxes(sizes, 0.15, 0.25);
        let depth = Depth::new(&cavity);
        refuse(&Facts::new(&cavity, &stack, &depth))
    }

    #[test]
    fn a_hair_more_room_than_boxes_side_by_side_need_is_never_refused() {
        let mut rng = Rng::new(51);
        for [x, y, z] in [
            [4.0, 4.0, 2.6],
            [4.6, 3.1, 2.2],
            [3.0, 3.0, 3.0],
            [2.2, 5.1, 1.9],
        ] {
            for n in [2, 3, 4, 5] {
                for _ in 0..2 {
                    let row = n as f64 * x + (n - 1) as f64 * 0.15 + 0.5 + 1e-3;
                    let room = block(row, y + 0.5 + 1e-3, z + 0.5 + 1e-3);
                    assert_eq!(told(&room, &vec![[x, y, z]; n], &mut rng), None);
                }
            }
        }
    }

    #[test]
    fn a_room_too_short_for_boxes_in_a_row_is_refused() {
        let mut rng = Rng::new(52);
        for n in [2, 3, 4, 5] {
            let row = n as f64 * 4.0 + (n - 1) as f64 * 0.15 + 0.5 - 0.3;
            let proof = told(&block(row, 4.8, 3.4), &vec![[4.0, 4.0, 2.6]; n], &mut rng);
            assert_eq!(
                proof.map(|p| (p.need, p.have)),
                Some((n as f64, n as f64 - 1.0))
            );
        }
    }

    #[test]
    fn a_box_that_holds_another_need_not_be_asked() {
        let sizes = [
            [4.0, 3.0, 2.0],
            [5.0, 3.0, 2.0],
            [6.0, 2.0, 2.0],
            [4.0, 3.0, 2.0],
        ];
        assert_eq!(least(&sizes), [[4.0, 3.0, 2.0], [6.0, 2.0, 2.0]]);
    }
}

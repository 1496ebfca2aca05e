//! Looks for a placement: rounds of starts in parallel, the best kept and jumped from, what comes
//! near polished on exact margins, and what is polished put before the certificate.
//!
//! Every start draws from a stream of its own, and rounds end before the next begins, so that the
//! answer hangs on the seed and the effort alone, not on the threads. Only a time limit cuts it.

pub(crate) mod contact;
mod descent;
mod hull;
mod jobs;
mod lanes;
mod leads;
pub(crate) mod lp;
mod model;
mod nearly;
mod polish;
pub(crate) mod rng;
mod seeds;
mod system;
mod tried;
mod wall;
mod witness;
mod yields;

use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use rayon::prelude::*;

use super::cavity::Cavity;
use super::certificate::{Certificate, certify};
use super::grid::Depth;
use super::parts::Stack;
use super::placement::Placement;
use super::placement::Tube;
use super::pose::Pose;
use super::route::{NoWay, Plumbing};
use crate::mesh::MeshQueries;
use descent::{Plan, Scratch, descend};
use jobs::{Batch, Bench, Polished};
use lanes::Missed;
use model::{Faults, Model, Weights};
use nearly::Nearly;
use rng::Rng;
use seeds::{Seats, blame_of, point_spouts};
use tried::Tried;
use wall::Wall;
use yields::Yields;

/// Starts a round.
const STARTS: usize = 16;
/// Placements that are jumped from.
const POOL: usize = 14;
/// A start that comes this near by the grid is polished, mm. Less: in a room with sharp corners the
/// grid reads up to 0.14 too shallow there, and parts that stand right were never looked at; more:
/// polishing takes the time that new starts need.
const NEAR_MM: f64 = 0.2;
/// Polished in one round at most, nearest first.
const POLISHED: usize = 8;
/// With tubes: laying them takes as long as two to eight starts. Of five drivers in the large ear the tubes of
/// 6 of 21 placements came to nine tenths of their radius where no spout was more awkward than 0.8, of none of
/// the 56 others (30 November 2026).
const POLISHED_PIPED: usize = 4;
/// Once in so many rounds starts begin from nothing. Of 76 planted cases of five parts with tubes 64 were found;
/// with 8 here 54, with 2 57 (30 November 2026).
const FRESH_EVERY: usize = 4;
/// Starts a round that begin from parts a little short. With tubes few: in the same order of the parts the
/// tubes mostly stay shut in (2 of 156 such placements of five parts took their tubes, of 199 others 21).
const BEGUN: usize = 6;
const BEGUN_PIPED: usize = 2;
/// What a tube costs, as a share of the square of what it meets on its way (see [`Plumbing::shut`]), when
/// placements are ranked: more than parts that are short. Of three hard planted cases with two seeds each 2 of 6
/// were found with 0.01, 2 with 0.05, 4 with 0.2, 5 with 1 and 5 with 5; of 32 with one seed 27 with 0.01, 28
/// with 0.05, 30 with 1 and 29 with 5 (1 December 2026).
const SHUT_COST: f64 = 1.0;
/// What meets more than this on its way, mm, is polished in one round of so many only.
const SHUT_MM: f64 = 1.5;
const SHUT_SELDOM: usize = 8;
/// Free lengths kept before the spouts, mm, by turns: none but the tube's beginning, so that no
/// placement is ruled out; then room for a tube to get away and turn before it meets a part or a
/// wall.
const LANES_MM: [f64; 3] = [0.0, 2.5, 4.5];
/// Once in so many rounds tubes are looked for among lines of arcs too: in an ear that takes half a second
/// or more for one placement. Not tuned.
const THOROUGH_EVERY: usize = 4;
/// … for so many of those that are polished, the last.
const THOROUGH: usize = 2;
/// Rounds that are begun before what was polished of one must be done. None: a thread waits for the last of
/// each round's; more: starts know less.
const LAG: usize = 1;
/// How a start that was jumped to is run: it need not grow as far as a fresh one.
const JUMPED: Plan = Plan {
    from: 0.85,
    growing: 12,
    full: 40,
    fine: false,
};
/// How often the weights on what stays stuck are raised before a start is given up.
const GUIDED: usize = 3;
/// A start that has settled further off than this, mm, is given up before. On ten planted cases with five tubes
/// 243 of 1906 nearer ones that were jumped to came near, none of 3908 others, and none of 2184 fresh ones, near
/// or not; guiding all took 37 % of the starts' time. Of 64 such cases (the ten among them), with two seeds each,
/// 109 of 128 are found so, 93 without; of 32 with one seed 27 with 0.5 (30 with 0.8), of the other 32 22 with
/// 1.2 (25) (30 November 2026).
const GUIDED_FROM_MM: f64 = 0.8;

/// How hard to look.
#[derive(Debug, Clone, Copy)]
pub struct Effort {
    /// Same seed and effort, same answer.
    pub seed: u64,
    /// Rounds of 16 starts, at most.
    pub rounds: usize,
    /// Time at which to stop, if it comes first.
    pub until: Option<Instant>,
}

/// What the search came to.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// The best placement.
    pub placement: Placement,
    /// Its certificate.
    pub certificate: Option<Certificate>,
    /// Where the parts fit and a tube finds no way: which.
    pub no_way: Option<NoWay>,
    /// Starts made.
    pub starts: usize,
    /// Ended by the time limit or by a call to stop, before its rounds were done.
    pub cut_short: bool,
}

/// One start, run to its end.
struct Run {
    /// Which model it was run in.
    lane: usize,
    poses: Vec<Pose>,
    faults: Faults,
    /// How far the tube of each part is shut in, mm (see [`Plumbing::shut`]); 0 without one.
    shut: Vec<f64>,
    /// Where closer points leave it, and how short, if that is near.
    closer: Option<(f64, Vec<Pose>)>,
    /// What the polish found to spare, where it ran.
    spare_mm: Option<f64>,
    /// The tubes, where the parts fit and the stack asks for any.
    tubes: Option<Result<Vec<Tube>, Missed>>,
}

impl Run {
    /// The tube that is shut in furthest, mm.
    fn shut_mm(&self) -> f64 {
        self.shut.iter().copied().fold(0.0, f64::max)
    }

    fn near_mm(&self) -> f64 {
        self.closer.as_ref().map_or(f64::INFINITY, |c| c.0)
    }

    /// What it is judged by among those to be jumped from, mm²: what the parts lack, and how far they shut
    /// their tubes in.
    fn cost(&self) -> f64 {
        let shut = self.shut.iter().map(|s| s * s).sum::<f64>();
        self.faults.cost + SHUT_COST * shut
    }

    /// Which is polished first: with tubes, those of which none is shut in far.
    fn before(&self, other: &Self) -> std::cmp::Ordering {
        (self.shut_mm().total_cmp(&other.shut_mm()))
            .then(self.near_mm().total_cmp(&other.near_mm()))
    }

    fn no_way(&self) -> Option<NoWay> {
        Some(self.tubes.as_ref()?.as_ref().err()?.no_way.clone())
    }

    /// Is nothing missing, tubes included?
    fn holds(&self) -> bool {
        let laid = self.tubes.as_ref().is_none_or(Result::is_ok);
        laid && self.spare_mm.is_some_and(|s| s >= 0.0)
    }

    /// Shortfall by the best measure at hand, mm.
    fn short_mm(&self) -> f64 {
        self.spare_mm.map_or(self.faults.worst_mm.max(0.0), |s| -s)
    }
}

/// Rounds of a first look, which finds what is easy within a second; what else is to be asked before
/// a long search is asked then.
const FIRST_LOOK: usize = 4;
const FIRST_SECOND: Duration = Duration::from_secs(1);

/// Rounds after which all that was found is laid aside and the search begins anew, and how much
/// longer it goes each time. Of planted cases at 0.45 half were found within 15 rounds and nearly all
/// within 60; what was not found by then was not in 400 either: the pool had drawn together.
const EPOCH: f64 = 30.0;
const EPOCH_GROWTH: f64 = 1.25;

/// Looks for a placement of the stack in the cavity. After a first look `give_up` is asked once
/// whether to go on.
pub fn search(
    cavity: &Cavity,
    stack: &Stack,
    depth: &Depth,
    effort: Effort,
    stop: &AtomicBool,
    give_up: &mut dyn FnMut() -> bool,
) -> Outcome {
    let beside = cavity
        .faceplate
        .filter(|_| stack.parts.iter().any(|p| p.on_faceplate))
        .map(|plate| Depth::beside(cavity, &plate, depth));
    let lanes = if stack.asks_for_tubes() {
        &LANES_MM[..]
    } else {
        &LANES_MM[..1]
    };
    let models: Vec<Model> = lanes
        .iter()
        .map(|lane| Model::new(stack, cavity, depth, beside.as_ref(), *lane))
        .collect();
    let queries = MeshQueries::new(cavity.mesh());
    let wall = Wall::new(&queries);
    let plumbing = Plumbing::new(stack, depth, &queries, cavity.tip);
    let plumbing = plumbing.as_ref();
    let seats = Seats::new(&models[0], plumbing);
    let begun = if plumbing.is_some() {
        BEGUN_PIPED
    } else {
        BEGUN
    };
    let over = || stop.load(Ordering::Relaxed) || effort.until.is_some_and(|t| Instant::now() >= t);
    let bench = Bench::new(&models, &wall, plumbing, &over);
    let mut known = Known::new(models.len());
    let mut starts = 0;
    let mut cut_short = false;
    let (began, mut looked) = (Instant::now(), false);
    let (mut epoch, mut anew) = (EPOCH, EPOCH as usize);
    let found = rayon::in_place_scope(|scope| {
        let mut queue: VecDeque<Batch> = VecDeque::new();
        for round in 0..effort.rounds.max(1) {
            if round > 0 && over() {
                cut_short = true;
                break;
            }
            // A proof says the same whenever it is asked for: the clock may choose the time.
            if !looked && round > 0 && (round >= FIRST_LOOK || began.elapsed() > FIRST_SECOND) {
                looked = true;
                if give_up() {
                    bench.end();
                    break;
                }
            }
            if round == anew {
                epoch *= EPOCH_GROWTH;
                anew += epoch as usize;
                known.lay_aside();
            }
            let runs: Vec<Run> = (0..STARTS)
                .into_par_iter()
                .filter_map(|start| {
                    // A start that is not begun when the time is up is not missed.
                    if over() && (round, start) != (0, 0) {
                        return None;
                    }
                    let mut rng = Rng::stream(effort.seed, round as u64, start as u64);
                    let lane = known.yields.lane(start + round);
                    let model = &models[lane];
                    let from = (known.nearly).run(model, &seats, (start, round), begun, &mut rng);
                    let run = from.unwrap_or_else(|| {
                        run(model, &seats, plumbing, &known.pool, round, &mut rng)
                    });
                    let shut = plumbing.map_or_else(Vec::new, |p| p.shut(&run.poses));
                    Some(Run { lane, shut, ..run })
                })
                .collect();
            starts += runs.len();
            let near = known.started(runs, round, plumbing.is_some());
            let thorough = round % THOROUGH_EVERY == THOROUGH_EVERY - 1;
            queue.push_back(bench.begin(scope, near, thorough, known.epoch));
            if queue.len() > LAG
                && let Some(fits) = known.ended(&mut queue, &bench, cavity, stack, starts)
            {
                return Some(fits);
            }
        }
        while !queue.is_empty() {
            let fits = known.ended(&mut queue, &bench, cavity, stack, starts);
            if fits.is_some() {
                return fits;
            }
        }
        None
    });
    if let Some(fits) = found {
        return fits;
    }
    let (poses, no_way) = known.best.map(|b| (b.poses, b.no_way)).unwrap_or_default();
    Outcome {
        no_way,
        cut_short,
        ..close(cavity, stack, &poses, Vec::new(), starts)
    }
}

/// What the rounds have come to.
struct Known {
    pool: Vec<Run>,
    nearly: Nearly,
    tried: Tried,
    yields: Yields,
    best: Option<Best>,
    /// How often all was laid aside.
    epoch: usize,
}

impl Known {
    fn new(lanes: usize) -> Self {
        Self {
            pool: Vec::new(),
            nearly: Nearly::default(),
            tried: Tried::default(),
            yields: Yields::new(lanes),
            best: None,
            epoch: 0,
        }
    }

    /// Begins anew.
    fn lay_aside(&mut self) {
        self.pool.clear();
        self.nearly.clear();
        self.tried.clear();
        self.epoch += 1;
    }

    /// Takes the starts of a round in; those to be polished, in their order, are handed out.
    fn started(&mut self, mut runs: Vec<Run>, round: usize, piped: bool) -> Vec<Run> {
        for run in &runs {
            self.yields.started(run.lane, run.closer.is_some());
        }
        runs.sort_by(Run::before);
        let most = if piped { POLISHED_PIPED } else { POLISHED };
        let (mut near, mut others) = (Vec::new(), Vec::new());
        for run in runs {
            let worth = near.len() < most
                && run.closer.as_ref().is_some_and(|(near_mm, poses)| {
                    self.yields.worth(*near_mm, round)
                        && (run.shut_mm() < SHUT_MM || round % SHUT_SELDOM == SHUT_SELDOM / 2)
                        && !self.tried.enough(run.lane, poses)
                });
            (if worth { &mut near } else { &mut others }).push(run);
        }
        self.keep(others);
        near
    }

    /// Waits for the oldest batch and takes it in; the answer, if one of its placements holds.
    fn ended(
        &mut self,
        queue: &mut VecDeque<Batch>,
        bench: &Bench,
        cavity: &Cavity,
        stack: &Stack,
        starts: usize,
    ) -> Option<Outcome> {
        let batch = queue.pop_front()?;
        let epoch = batch.epoch;
        let (mut runs, first) = batch.wait();
        if let Some(first) = first {
            let tubes = runs[first].run.tubes.clone().and_then(Result::ok);
            let poses = &runs[first].run.poses;
            let outcome = close(cavity, stack, poses, tubes.unwrap_or_default(), starts);
            if outcome.certificate.as_ref().is_some_and(Certificate::fits) {
                return Some(outcome);
            }
            // What came behind may have been cut short: as if it had not been polished.
            runs[first + 1..].iter_mut().for_each(Polished::undo);
            let behind: Vec<Batch> = queue.drain(..).collect();
            queue.extend(behind.into_iter().map(|b| b.undone()));
            bench.go_on();
        }
        for done in &runs {
            if let Some(spare_mm) = done.run.spare_mm {
                self.yields.polished(done.near_mm, spare_mm >= 0.0);
            }
        }
        let runs: Vec<Run> = runs.into_iter().map(|p| p.run).collect();
        if epoch == self.epoch {
            self.keep(runs);
        } else {
            self.note_best(&runs);
        }
        None
    }

    fn note_best(&mut self, runs: &[Run]) {
        let rank = |b: &Best| (b.short_mm.max(0.0), usize::MAX - b.laid());
        for run in runs {
            let new = Best {
                short_mm: run.short_mm(),
                poses: run.poses.clone(),
                no_way: run.no_way(),
            };
            if self.best.as_ref().is_none_or(|b| rank(&new) < rank(b)) {
                self.best = Some(new);
            }
        }
    }

    fn keep(&mut self, runs: Vec<Run>) {
        self.note_best(&runs);
        self.tried.keep(&runs);
        self.nearly.keep(&runs);
        keep_best(&mut self.pool, runs);
    }
}

/// The best placement so far.
struct Best {
    short_mm: f64,
    poses: Vec<Pose>,
    no_way: Option<NoWay>,
}

impl Best {
    fn laid(&self) -> usize {
        self.no_way.as_ref().map_or(0, |n| n.laid + 1)
    }
}

fn close(
    cavity: &Cavity,
    stack: &Stack,
    poses: &[Pose],
    tubes: Vec<Tube>,
    starts: usize,
) -> Outcome {
    let mut placement = Placement::of(stack, poses);
    placement.tubes = tubes;
    let placement = placement.as_printed();
    let certificate = certify(cavity, stack, &placement).ok();
    Outcome {
        placement,
        certificate,
        no_way: None,
        starts,
        cut_short: false,
    }
}

fn run(
    model: &Model,
    seats: &Seats,
    plumbing: Option<&Plumbing>,
    pool: &[Run],
    round: usize,
    rng: &mut Rng,
) -> Run {
    let fresh = pool.is_empty() || round.is_multiple_of(FRESH_EVERY);
    let (poses, plan) = if fresh {
        let plan = Plan {
            from: 0.6,
            growing: 40,
            full: 40,
            fine: false,
        };
        (seats.fresh(model, rng), plan)
    } else {
        // The better half is drawn more often.
        let from = &pool[rng.below(pool.len()).min(rng.below(pool.len()))];
        let blame = blame_of(model, &from.faults);
        (seats.jump(model, &from.poses, &blame, rng), JUMPED)
    };
    brought_in(model, poses, plan, plumbing)
}

/// From where a start begins to where it ends. With `plumbing` spouts are turned to the tip on the way.
fn brought_in(model: &Model, mut poses: Vec<Pose>, plan: Plan, plumbing: Option<&Plumbing>) -> Run {
    let mut scratch = Scratch::new(model);
    let mut weights = model.flat_weights();
    let mut faults = descend(model, &mut poses, plan, &weights, &mut scratch);
    if let Some(plumbing) = plumbing {
        point_spouts(model, plumbing, &mut poses);
        faults = descend(model, &mut poses, plan.settled(), &weights, &mut scratch);
    }
    if faults.worst_mm < GUIDED_FROM_MM {
        guide(model, &mut poses, &mut faults, &mut weights, &mut scratch);
    }
    closed_in(model, poses, faults, &mut scratch)
}

/// Looks closer at what came near.
fn closed_in(model: &Model, poses: Vec<Pose>, faults: Faults, scratch: &mut Scratch) -> Run {
    let mut closer = None;
    if faults.worst_mm < 1.5 * NEAR_MM {
        let fine = Plan {
            from: 1.0,
            growing: 0,
            full: 15,
            fine: true,
        };
        let mut fine_poses = poses.clone();
        let flat = model.flat_weights();
        let found = descend(model, &mut fine_poses, fine, &flat, scratch);
        closer = (found.worst_mm < NEAR_MM).then_some((found.worst_mm, fine_poses));
    }
    Run {
        lane: 0,
        shut: Vec::new(),
        poses,
        faults,
        closer,
        spare_mm: None,
        tubes: None,
    }
}

/// Raises the weight of whatever is still wrong and descends again, while that helps.
fn guide(
    model: &Model,
    poses: &mut Vec<Pose>,
    faults: &mut Faults,
    weights: &mut Weights,
    scratch: &mut Scratch,
) {
    let plan = Plan {
        from: 1.0,
        growing: 0,
        full: 25,
        fine: false,
    };
    let mut trial = poses.clone();
    let mut wrong = faults.clone();
    for _ in 0..GUIDED {
        if wrong.worst_mm < 0.02 {
            break;
        }
        let raise = |w: &mut [f64], f: &[f64]| {
            for (w, f) in w.iter_mut().zip(f) {
                if *f > 0.3 * wrong.worst_mm {
                    *w *= 3.0;
                }
            }
        };
        raise(&mut weights.walls, &wrong.walls);
        raise(&mut weights.pairs, &wrong.pairs);
        wrong = descend(model, &mut trial, plan, weights, scratch);
        let mut plain = Faults::default();
        model.cost(
            &trial,
            1.0,
            false,
            &model.flat_weights(),
            None,
            Some(&mut plain),
        );
        if plain.cost < faults.cost {
            poses.clone_from(&trial);
            *faults = plain;
        }
    }
}

fn keep_best(pool: &mut Vec<Run>, runs: Vec<Run>) {
    pool.extend(runs);
    pool.sort_by(|a, b| a.cost().total_cmp(&b.cost()));
    // Two that cost the same to a millionth are one dead end found twice.
    pool.dedup_by(|a, b| (a.cost() - b.cost()).abs() < 1e-6 * (1.0 + b.cost()));
    pool.truncate(POOL);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A start whose parts came so near, and whose tube is shut in so far.
    fn run(near_mm: f64, shut_mm: f64) -> Run {
        Run {
            lane: 0,
            shut: vec![0.0, shut_mm],
            poses: Vec::new(),
            faults: Faults {
                cost: near_mm,
                ..Faults::default()
            },
            closer: (near_mm < NEAR_MM).then(|| (near_mm, Vec::new())),
            spare_mm: None,
            tubes: None,
        }
    }

    #[test]
    fn what_shuts_a_tube_in_is_polished_seldom_and_jumped_from_last() {
        let runs = || {
            [
                (0.01, 2.9),
                (0.05, 0.4),
                (0.02, 0.9),
                (0.5, 0.0),
                (0.03, 1.6),
            ]
            .map(|(near, shut)| run(near, shut))
            .into_iter()
            .collect::<Vec<_>>()
        };
        let polished = |round: usize| -> Vec<f64> {
            let near = Known::new(1).started(runs(), round, true);
            near.iter().map(Run::shut_mm).collect()
        };
        assert_eq!(polished(1), [0.4, 0.9]);
        assert_eq!(polished(SHUT_SELDOM / 2), [0.4, 0.9, 1.6, 2.9]);
        let mut pool = Vec::new();
        keep_best(&mut pool, runs());
        let ranked: Vec<f64> = pool.iter().map(Run::shut_mm).collect();
        assert_eq!(ranked, [0.4, 0.0, 0.9, 1.6, 2.9]);
    }
}

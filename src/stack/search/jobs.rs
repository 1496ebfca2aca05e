//! Polishing and laying, which go on beside the starts of the next rounds: one takes from a few milliseconds
//! to half a second, and a round that waited for its last left a thread idle for a quarter of the time.
//!
//! What a job comes to hangs on its start alone, and batches are taken in in their order, so that the answer
//! does not hang on who is done first.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, TryRecvError, channel};
use std::time::Duration;

use super::Run;
use super::lanes::laid;
use super::model::{Faults, Model};
use super::polish::polish;
use super::wall::Wall;
use crate::stack::pose::Pose;
use crate::stack::route::Plumbing;

/// How long one who waits for a job sleeps where there is nothing else to do.
const NAP: Duration = Duration::from_micros(50);

/// What jobs are done with.
pub struct Bench<'a> {
    models: &'a [Model<'a>],
    wall: &'a Wall<'a>,
    plumbing: Option<&'a Plumbing<'a>>,
    over: &'a (dyn Fn() -> bool + Sync),
    /// The number of the next job, from 1.
    begun: AtomicUsize,
    /// The first job, in the order they were begun, that ended with nothing missing. Those behind it
    /// give up: who came first on the clock does not matter.
    found: AtomicUsize,
}

impl<'a> Bench<'a> {
    pub fn new(
        models: &'a [Model<'a>],
        wall: &'a Wall<'a>,
        plumbing: Option<&'a Plumbing<'a>>,
        over: &'a (dyn Fn() -> bool + Sync),
    ) -> Self {
        Self {
            models,
            wall,
            plumbing,
            over,
            begun: AtomicUsize::new(1),
            found: AtomicUsize::new(usize::MAX),
        }
    }

    /// Begins to polish some starts of a round, in this order.
    pub fn begin<'s>(
        &'s self,
        scope: &rayon::Scope<'s>,
        runs: Vec<Run>,
        thorough: bool,
        epoch: usize,
    ) -> Batch {
        let (tell, told) = channel();
        let count = runs.len();
        let first = self.begun.fetch_add(count, Ordering::Relaxed);
        let last = count.saturating_sub(super::THOROUGH);
        for (n, run) in runs.into_iter().enumerate() {
            let tell = tell.clone();
            let thorough = thorough && n >= last;
            scope.spawn(move |_| {
                let mut done = Polished::new(run);
                let too_late = || (self.over)() || self.found.load(Ordering::Relaxed) < first + n;
                if !too_late() {
                    polish_one(self, &mut done.run, thorough, &too_late);
                    if done.run.holds() {
                        self.found.fetch_min(first + n, Ordering::Relaxed);
                    }
                }
                // Nobody listens any more once an answer was found.
                let _ = tell.send((n, done));
            });
        }
        Batch {
            epoch,
            count,
            told,
            undone: false,
        }
    }

    /// Nothing more is wanted of any job.
    pub fn end(&self) {
        self.found.store(0, Ordering::Relaxed);
    }

    /// What was found does not stand: jobs are done again.
    pub fn go_on(&self) {
        self.found.store(usize::MAX, Ordering::Relaxed);
    }
}

/// A start, polished, and as it was before.
pub struct Polished {
    pub run: Run,
    /// How near it had come before, mm.
    pub near_mm: f64,
    before: (Vec<Pose>, Faults),
}

impl Polished {
    fn new(run: Run) -> Self {
        Self {
            near_mm: run.near_mm(),
            before: (run.poses.clone(), run.faults.clone()),
            run,
        }
    }

    /// Back to what it was.
    pub fn undo(&mut self) {
        (self.run.poses, self.run.faults) = self.before.clone();
        (self.run.spare_mm, self.run.tubes) = (None, None);
    }
}

/// The jobs of one round.
pub struct Batch {
    /// When they were begun, counted by how often all was laid aside.
    pub epoch: usize,
    count: usize,
    told: Receiver<(usize, Polished)>,
    undone: bool,
}

impl Batch {
    /// The same, as if nothing had been polished.
    pub fn undone(self) -> Self {
        Self {
            undone: true,
            ..self
        }
    }

    /// Waits for all jobs and tells them in their order, with the first of which nothing is missing. One
    /// who waits does other jobs.
    pub fn wait(self) -> (Vec<Polished>, Option<usize>) {
        let mut done: Vec<(usize, Polished)> = Vec::new();
        while done.len() < self.count {
            match self.told.try_recv() {
                Ok(one) => done.push(one),
                Err(TryRecvError::Disconnected) => break,
                Err(TryRecvError::Empty) => {
                    if rayon::yield_now() != Some(rayon::Yield::Executed) {
                        std::thread::sleep(NAP);
                    }
                }
            }
        }
        done.sort_by_key(|(n, _)| *n);
        let mut done: Vec<Polished> = done.into_iter().map(|d| d.1).collect();
        if self.undone {
            done.iter_mut().for_each(Polished::undo);
        }
        let first = done.iter().position(|p| p.run.holds());
        (done, first)
    }
}

/// Polishes one start, and lays its tubes where its parts fit; where a tube finds no way, the parts are
/// to make way.
fn polish_one(bench: &Bench, run: &mut Run, thorough: bool, over: &dyn Fn() -> bool) {
    let Some((_, poses)) = run.closer.take() else {
        return;
    };
    let model = &bench.models[run.lane];
    run.poses = poses;
    let spare = polish(model, bench.wall, &mut run.poses, over);
    run.spare_mm = Some(spare);
    let Some(plumbing) = bench.plumbing.filter(|_| spare >= 0.0) else {
        return;
    };
    let mut poses = run.poses.clone();
    let tubes = laid(
        &mut model.again(),
        plumbing,
        bench.wall,
        &mut poses,
        thorough,
        over,
    );
    if tubes.is_ok() {
        run.poses = poses;
    }
    if let Err(missed) = &tubes {
        // The part whose tube is stuck is the one to move next.
        let stuck = missed.no_way.part;
        let own = model.bodies.iter().position(|b| b.part == stuck);
        if let Some(wrong) = own.and_then(|b| run.faults.walls.get_mut(b)) {
            *wrong = 0.5;
        }
    }
    run.tubes = Some(tubes);
}

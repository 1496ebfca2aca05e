//! `secondbend vet`: scans in, reports out. A batch goes on past a bad file; its order is that
//! of the command line whatever the thread count; files are written whole, at the end, and
//! never over an input.

use std::io::IsTerminal;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rayon::prelude::*;

use crate::canal::{self, Canal, NoCanal};
use crate::checks::Verdict;
use crate::limits::{Limits, rows};
use crate::mesh::{MeshQueries, Point, Topology};
use crate::read::{ReadOptions, Scan, read_file};
use crate::report::{self, Command, Line, Report};
use crate::soundness::{self, Soundness};
use crate::undercut::{self, Asked, CannotTell, PullSettings, Quick};
use crate::write::{refuse_inputs, whole_file};

use super::args::Vet;
use super::{Ending, Failure, print};

/// Measures a scan and answers every check: the whole of `vet`, in one call.
#[must_use]
pub fn vet_scan(scan: &Scan, command: &Command, limits: &Limits) -> Report {
    let topology = Topology::new(&scan.mesh);
    let queries = MeshQueries::new(&scan.mesh);
    let mut soundness = soundness::inspect(&scan.mesh, &topology, &queries);
    // Without a unit a length would be a number in nobody's unit, and the canal's search knows
    // how large ears are.
    let mut canal = match scan.unit {
        Some(_) => canal::measure(&scan.mesh, &topology, &queries, &soundness),
        None => Err(NoCanal::UnitUnknown),
    };
    // The largest piece may be the plate that the impression stands on: holes and the base are
    // those of the piece that the canal is on.
    if let Ok(part) = canal.as_ref().map(|c| c.part)
        && part != soundness.main_part
    {
        soundness = soundness::inspect_about(&scan.mesh, &topology, &queries, Some(part));
        canal = canal::measure(&scan.mesh, &topology, &queries, &soundness);
    }
    let pull = match &canal {
        Ok(canal) => pulls(scan, &topology, &soundness, canal, limits),
        Err(_) => return report::vet(scan, &soundness, &canal, command, limits),
    };
    report::vet_pulled(scan, &soundness, &canal, &pull, command, limits)
}

/// Straight pull and best pull, quickly: the way out takes seconds and is `undercut`'s.
fn pulls(
    scan: &Scan,
    topology: &Topology,
    soundness: &Soundness,
    canal: &Canal,
    limits: &Limits,
) -> Result<Quick, CannotTell> {
    let region_of = |p: &Point| canal::region_of(canal, p).0;
    undercut::quick(
        &scan.mesh,
        topology,
        &Asked {
            outward: -canal.aperture.normal,
            pull: None,
            base: None,
            face: canal.face,
            part: Some(canal.part),
            region_of: &region_of,
            relief: false,
            settings: PullSettings {
                limit_mm: limits.number(&rows::UNDERCUT),
                noise_mm: soundness.noise_mm,
                edge_mm: soundness.edge_mm,
                ..PullSettings::default()
            },
        },
    )
}

struct Settings {
    read: ReadOptions,
    command: Command,
    limits: Limits,
}

/// What became of one scan: its report, or why there is none.
struct Done {
    path: PathBuf,
    result: Result<Report, Failure>,
}

pub(super) fn run(args: Vet) -> Result<Ending, Failure> {
    refuse_clashes(&args)?;
    let settings = Settings {
        read: ReadOptions {
            unit: args.unit.map(Into::into),
            ..ReadOptions::default()
        },
        command: Command {
            order: args.order.clone(),
            side: args.side.map(Into::into),
        },
        limits: args
            .limits
            .as_deref()
            .map_or_else(|| Ok(Limits::default()), Limits::read)?,
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(args.jobs.map_or(0, usize::from))
        .build()
        .map_err(|e| Failure::new(format!("no threads can be started: {e}"), "try `--jobs 1`"))?;
    let mut collected = Collected::new(&args);
    let progress = Progress::new(args.scans.len());
    // So many at a time: the output comes in order and early, and memory does not grow with
    // the length of the batch.
    for some in args.scans.chunks(pool.current_num_threads().max(1)) {
        let done: Vec<Done> =
            pool.install(|| some.par_iter().map(|path| one(path, &settings)).collect());
        progress.aside(|| done.into_iter().try_for_each(|done| collected.take(done)))?;
        progress.step(some.len());
    }
    collected.write()
}

fn one(path: &Path, settings: &Settings) -> Done {
    let work = || {
        let scan = read_file(path, &settings.read)?;
        Ok(vet_scan(&scan, &settings.command, &settings.limits))
    };
    // No input should panic; should one do so all the same, the other scans still go on.
    let result = catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|_| {
        Err(Failure::new(
            format!(
                "{}: a fault of this program stopped the measurement",
                path.display()
            ),
            "please report it with the scan; the other scans are not concerned",
        ))
    });
    Done {
        path: path.to_path_buf(),
        result,
    }
}

pub(super) fn is_stdout(path: &Path) -> bool {
    path.as_os_str() == "-"
}

fn refuse_clashes(args: &Vet) -> Result<(), Failure> {
    let outputs: Vec<&PathBuf> = args.json.iter().chain(&args.csv).collect();
    if let [a, b] = outputs[..] {
        let same = a == b
            || std::fs::canonicalize(a)
                .ok()
                .is_some_and(|a| std::fs::canonicalize(b).ok() == Some(a));
        if same {
            return Err(Failure::new(
                format!("{}: --json and --csv name the same file", a.display()),
                "give each its own",
            ));
        }
    }
    let inputs: Vec<&PathBuf> = args.scans.iter().chain(&args.limits).collect();
    for output in outputs {
        if !is_stdout(output) {
            refuse_inputs(output, &inputs)?;
        }
    }
    Ok(())
}

/// What is gathered for the files, and printed on the way.
struct Collected<'a> {
    args: &'a Vet,
    json: String,
    csv: Vec<Kept>,
    ending: Ending,
    printed: usize,
    failure: Option<Failure>,
}

/// What the CSV needs of a scan.
enum Kept {
    Report(Box<Report>),
    Unread { path: String, error: String },
}

impl<'a> Collected<'a> {
    fn new(args: &'a Vet) -> Self {
        Self {
            args,
            json: String::new(),
            csv: Vec::new(),
            ending: Ending::AllHold,
            printed: 0,
            failure: None,
        }
    }

    fn several(&self) -> bool {
        self.args.scans.len() > 1
    }

    fn text_wanted(&self) -> bool {
        let taken = self
            .args
            .json
            .iter()
            .chain(&self.args.csv)
            .any(|path| is_stdout(path));
        !self.args.quiet && !taken
    }

    fn take(&mut self, done: Done) -> Result<(), Failure> {
        let path = done.path.to_string_lossy().into_owned();
        match done.result {
            Ok(report) => self.take_report(report),
            Err(failure) => self.take_failure(path, failure),
        }
    }

    fn take_report(&mut self, mut report: Report) -> Result<(), Failure> {
        if self.text_wanted() {
            let gap = if self.printed > 0 { "\n\n" } else { "" };
            print(&format!("{gap}{}", report::text(&report)))?;
            self.printed += 1;
        }
        if self.args.json.is_some() {
            let several = self.several();
            let made = if several {
                report::json_line(&report)
            } else {
                report::json(&report)
            };
            self.json.push_str(&made?);
        }
        self.ending = self.ending.max(ending(report.verdict));
        if self.args.csv.is_some() {
            // The long lists are not in the CSV; a batch need not hold them.
            if let Some(canal) = &mut report.canal {
                canal.axis_mm.clear();
                canal.sections.clear();
            }
            self.csv.push(Kept::Report(Box::new(report)));
        }
        Ok(())
    }

    fn take_failure(&mut self, path: String, failure: Failure) -> Result<(), Failure> {
        self.ending = Ending::CannotTell;
        if !self.several() {
            // Nothing else is to be said or written: one scan, one error.
            self.failure = Some(failure);
            return Ok(());
        }
        failure.print();
        if self.args.json.is_some() {
            let order = self.args.order.as_deref();
            self.json.push_str(&report::unread_line(
                &path,
                order,
                &failure.fact,
                &failure.help,
            )?);
        }
        if self.args.csv.is_some() {
            self.csv.push(Kept::Unread {
                path,
                error: failure.fact,
            });
        }
        Ok(())
    }

    fn write(self) -> Result<Ending, Failure> {
        if let Some(failure) = self.failure {
            return Err(failure);
        }
        if let Some(path) = &self.args.json {
            deliver(path, &self.json)?;
        }
        if let Some(path) = &self.args.csv {
            let order = self.args.order.as_deref();
            let lines = self.csv.iter().map(|kept| match kept {
                Kept::Report(report) => Line::Report(report),
                Kept::Unread { path, error } => Line::Unread { path, order, error },
            });
            deliver(path, &report::csv(lines))?;
        }
        Ok(self.ending)
    }
}

pub(super) fn deliver(path: &Path, text: &str) -> Result<(), Failure> {
    if is_stdout(path) {
        return print(text);
    }
    Ok(whole_file(path, |out| out.write_all(text.as_bytes()))?)
}

/// The exit code follows the verdict.
const fn ending(verdict: Verdict) -> Ending {
    match verdict {
        Verdict::Design => Ending::AllHold,
        Verdict::Repair | Verdict::Retake => Ending::SomethingBreaks,
        Verdict::CannotTell => Ending::CannotTell,
    }
}

/// A bar on the error output: for several scans, on a terminal, once the work has taken a second.
struct Progress {
    bar: ProgressBar,
    since: Instant,
    wanted: bool,
}

impl Progress {
    fn new(scans: usize) -> Self {
        let bar = ProgressBar::with_draw_target(Some(scans as u64), ProgressDrawTarget::hidden());
        if let Ok(style) = ProgressStyle::with_template("{pos} of {len} scans, {eta} left {bar:30}")
        {
            bar.set_style(style);
        }
        Self {
            bar,
            since: Instant::now(),
            wanted: scans > 1 && std::io::stderr().is_terminal(),
        }
    }

    fn step(&self, by: usize) {
        if self.wanted && self.bar.is_hidden() && self.since.elapsed() > Duration::from_secs(1) {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        self.bar.inc(by as u64);
    }

    /// Prints with the bar out of the way.
    fn aside<T>(&self, print: impl FnOnce() -> T) -> T {
        self.bar.suspend(print)
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

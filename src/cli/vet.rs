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
use crate::checks::Outcome;
use crate::intake::named_side;
use crate::limits::{Limits, rows};
use crate::mesh::{MeshQueries, Point, Topology};
use crate::read::{ReadOptions, Scan, read_file};
use crate::report::page::{PageModel, vet_page};
use crate::report::{self, Command, HEADLINES, Line, Report, Unread};
use crate::soundness::{self, Soundness};
use crate::undercut::{self, Asked, CannotTell, PullSettings, Pulls};
use crate::write::{refuse_inputs, whole_file};

use super::args::Vet;
use super::{Ending, Failure, print, threads};

/// A scan measured: the report, and what pages and pictures are drawn from besides.
pub struct Vetted {
    /// The report.
    pub report: Report,
    /// The canal, or why there is none.
    pub canal: Result<Canal, NoCanal>,
    /// The surface as a surface.
    pub soundness: Soundness,
    /// How it is pulled; `None` without a canal, or where that cannot be told.
    pub pulls: Option<Pulls>,
}

impl Vetted {
    /// What a page or a picture of it shows. `scan` and `limits` are those it was measured with.
    #[must_use]
    pub fn page(&self, scan: &Scan, limits: &Limits) -> PageModel {
        vet_page(
            scan,
            &self.soundness,
            self.canal.as_ref().ok(),
            self.pulls.as_ref(),
            limits,
            &self.report,
        )
    }
}

/// Measures a scan and answers every check: the whole of `vet`, in one call.
#[must_use]
pub fn vet_scan(scan: &Scan, command: &Command, limits: &Limits) -> Report {
    vetted(scan, command, limits).report
}

/// As [`vet_scan`], with what was measured on the way.
#[must_use]
pub fn vetted(scan: &Scan, command: &Command, limits: &Limits) -> Vetted {
    let (topology, queries) = rayon::join(
        || Topology::new(&scan.mesh),
        || MeshQueries::new(&scan.mesh),
    );
    let first = soundness::inspect(&scan.mesh, &topology, &queries);
    // Without a unit a length would be a number in nobody's unit, and the canal's search knows
    // how large ears are.
    let (soundness, canal) = match scan.unit {
        Some(_) => canal::with_its_piece(&scan.mesh, &topology, &queries, first),
        None => (first, Err(NoCanal::UnitUnknown)),
    };
    let pull = canal.as_ref().ok().map(|canal| {
        pulls(
            scan,
            &topology,
            &soundness,
            canal,
            command.withdrawal,
            limits,
        )
    });
    let report = match &pull {
        Some(pull) => report::vet_pulled(scan, &soundness, &canal, pull, command, limits),
        None => report::vet(scan, &soundness, &canal, command, limits),
    };
    Vetted {
        report,
        canal,
        soundness,
        pulls: pull.and_then(Result::ok),
    }
}

/// Straight pull and best pull, quickly; or finely, with the way out, which takes seconds.
fn pulls(
    scan: &Scan,
    topology: &Topology,
    soundness: &Soundness,
    canal: &Canal,
    withdrawal: bool,
    limits: &Limits,
) -> Result<Pulls, CannotTell> {
    let region_of = |p: &Point| canal::region_of(canal, p).0;
    let measure = if withdrawal {
        undercut::fine
    } else {
        undercut::quick
    };
    measure(
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
    page: Option<PathBuf>,
    picture: Option<PathBuf>,
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
            side_by_name: false,
            named: None,
            withdrawal: args.withdrawal,
        },
        limits: args
            .limits
            .as_deref()
            .map_or_else(|| Ok(Limits::default()), Limits::read)?,
        page: args.page.clone(),
        picture: args.picture.clone(),
    };
    let pool = threads(args.jobs)?;
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
        let command = Command {
            named: named_side(path),
            ..settings.command.clone()
        };
        let vetted = vetted(&scan, &command, &settings.limits);
        if settings.page.is_some() || settings.picture.is_some() {
            looks(
                &vetted.page(&scan, &settings.limits),
                settings.page.as_deref(),
                settings.picture.as_deref(),
            )?;
        }
        Ok(vetted.report)
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

/// Writes the page and the picture that are wanted.
pub(super) fn looks(
    model: &PageModel,
    page: Option<&Path>,
    picture: Option<&Path>,
) -> Result<(), Failure> {
    if let Some(path) = page {
        let html = report::page::page(model);
        whole_file(path, |out| out.write_all(html.as_bytes()))?;
    }
    if let Some(path) = picture {
        let png = report::picture::picture(model);
        whole_file(path, |out| out.write_all(&png))?;
    }
    Ok(())
}

pub(super) fn is_stdout(path: &Path) -> bool {
    path.as_os_str() == "-"
}

fn refuse_clashes(args: &Vet) -> Result<(), Failure> {
    if args.scans.len() > 1 && (args.page.is_some() || args.picture.is_some()) {
        return Err(Failure::new(
            "a page or a picture is of one scan, and several were given",
            "give one scan, or a folder to `secondbend intake`",
        ));
    }
    let inputs: Vec<&PathBuf> = args.scans.iter().chain(&args.limits).collect();
    refuse_outputs(
        &[
            ("--json", args.json.as_deref()),
            ("--csv", args.csv.as_deref()),
            ("--page", args.page.as_deref()),
            ("--picture", args.picture.as_deref()),
        ],
        &inputs,
    )
}

/// Refuses outputs that are inputs, or the same file twice; pages and pictures go to files only.
pub(super) fn refuse_outputs(
    outputs: &[(&str, Option<&Path>)],
    inputs: &[&PathBuf],
) -> Result<(), Failure> {
    let given: Vec<(&str, &Path)> = outputs
        .iter()
        .filter_map(|&(name, path)| Some((name, path?)))
        .collect();
    for (i, &(name, path)) in given.iter().enumerate() {
        let real = std::fs::canonicalize(path).ok();
        let clash = given[..i].iter().find(|&&(_, other)| {
            other == path || (real.is_some() && std::fs::canonicalize(other).ok() == real)
        });
        if let Some((other, _)) = clash {
            return Err(Failure::new(
                format!("{}: {other} and {name} name the same file", path.display()),
                "give each its own",
            ));
        }
        if !is_stdout(path) {
            refuse_inputs(path, inputs)?;
        } else if !matches!(name, "--json" | "--csv") {
            return Err(Failure::new(
                format!("{name} cannot go to the output"),
                "name a file",
            ));
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
    /// How often each verdict was given, in the order of [`HEADLINES`].
    told: [usize; HEADLINES.len()],
    unread: usize,
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
            told: [0; HEADLINES.len()],
            unread: 0,
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
        self.ending = self.ending.max(ending(&report));
        let (_, words) = report.headline();
        for (n, _) in self.told.iter_mut().zip(HEADLINES).filter(|t| t.1 == words) {
            *n += 1;
        }
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
        self.unread += 1;
        if !self.several() {
            // Nothing else is to be said or written: one scan, one error.
            self.failure = Some(failure);
            return Ok(());
        }
        failure.print();
        if self.args.json.is_some() {
            let unread = unread(self.args, &path, &failure.fact, &failure.help);
            self.json.push_str(&report::unread_line(&unread)?);
        }
        if self.args.csv.is_some() {
            self.csv.push(Kept::Unread {
                path,
                error: failure.fact,
            });
        }
        Ok(())
    }

    /// The batch in a line.
    fn tally(&self) -> String {
        let told = HEADLINES.iter().zip(self.told);
        let mut parts: Vec<String> = told
            .filter(|&(_, n)| n > 0)
            .map(|(words, n)| format!("{n} {words}"))
            .collect();
        if self.unread > 0 {
            parts.push(format!("{} cannot read", self.unread));
        }
        format!("{} scans: {}", self.args.scans.len(), parts.join("; "))
    }

    fn write(self) -> Result<Ending, Failure> {
        if let Some(failure) = self.failure {
            return Err(failure);
        }
        if self.several() && self.text_wanted() {
            print(&format!("\n\n{}\n", self.tally()))?;
        }
        if let Some(path) = &self.args.json {
            deliver(path, &self.json)?;
        }
        if let Some(path) = &self.args.csv {
            let lines = self.csv.iter().map(|kept| match kept {
                Kept::Report(report) => Line::Report(report),
                Kept::Unread { path, error } => Line::Unread(unread(self.args, path, error, "")),
            });
            deliver(path, &report::csv(lines))?;
        }
        Ok(self.ending)
    }
}

fn unread<'a>(args: &'a Vet, path: &'a str, error: &'a str, help: &'a str) -> Unread<'a> {
    Unread {
        path,
        order: args.order.as_deref(),
        side: args.side.map(Into::into),
        error,
        help,
        same_content_as: None,
    }
}

pub(super) fn deliver(path: &Path, text: &str) -> Result<(), Failure> {
    if is_stdout(path) {
        return print(text);
    }
    Ok(whole_file(path, |out| out.write_all(text.as_bytes()))?)
}

/// The exit code follows the verdict; where what breaks makes the rest untold (another side than
/// ordered, no ear's figures), something breaks all the same.
pub(super) fn ending(report: &Report) -> Ending {
    match report.headline().0 {
        Outcome::Holds => Ending::AllHold,
        Outcome::Breaks => Ending::SomethingBreaks,
        Outcome::CannotTell => Ending::CannotTell,
    }
}

/// A bar on the error output: for several scans, on a terminal, once the work has taken a second.
pub(super) struct Progress {
    bar: ProgressBar,
    since: Instant,
    wanted: bool,
}

impl Progress {
    pub(super) fn new(scans: usize) -> Self {
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

    pub(super) fn step(&self, by: usize) {
        if self.wanted && self.bar.is_hidden() && self.since.elapsed() > Duration::from_secs(1) {
            self.bar.set_draw_target(ProgressDrawTarget::stderr());
        }
        self.bar.inc(by as u64);
    }

    /// Prints with the bar out of the way.
    pub(super) fn aside<T>(&self, print: impl FnOnce() -> T) -> T {
        self.bar.suspend(print)
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

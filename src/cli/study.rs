//! `secondbend study`: the same stacks asked of many ears, one after the other; which share they fit, and what
//! limits the rest. A scan that cannot be read, or has to be taken again, is told and does not count.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;

use crate::checks::Verdict as ScanVerdict;
use crate::intake::scans_in;
use crate::limits::Limits;
use crate::report::study::{EarAnswer, EarReport, StudySettings, study, study_csv, study_text};
use crate::report::{FileUsed, Finite, document, plan_report};
use crate::stack::{Depth, FitOptions, Stack, fit_in, read_stack};

use super::args::Study as Args;
use super::room::Measured;
use super::shell::{file_used, plan_of};
use super::vet::{Progress, deliver, is_stdout, refuse_outputs};
use super::{Ending, Failure, print, threads};

pub(super) fn run(args: &Args) -> Result<Ending, Failure> {
    if !(args.seconds.is_finite() && args.seconds > 0.0) {
        let fact = format!("--seconds cannot be {}", args.seconds);
        return Err(Failure::new(fact, "give a number of seconds over 0"));
    }
    let scans = all_scans(&args.scans)?;
    if let Some(path) = scans.iter().find(|p| is_toml(p)) {
        return Err(Failure::new(
            format!("{}: that is no scan", path.display()),
            "say `--stack` before each stack",
        ));
    }
    refuse_clashes(args, &scans)?;
    let limits = (args.limits.as_deref()).map_or_else(|| Ok(Limits::default()), Limits::read)?;
    let stacks = (args.stacks.iter())
        .map(|path| Ok((read_stack(path)?, file_used(path)?)))
        .collect::<Result<Vec<_>, Failure>>()?;
    // The plan and its limits are the same for every ear: what is wrong with them is no ear's fault.
    let plan = plan_of(&args.shape, &limits)?;
    plan.check()
        .map_err(|e| Failure::new(e.to_string(), "mend that option"))?;
    let stop = Arc::new(AtomicBool::new(false));
    let called = Arc::clone(&stop);
    // A second handler in one process is refused; then Ctrl-C ends the program as it always does.
    let _ = ctrlc::set_handler(move || called.store(true, Ordering::Relaxed));
    let pool = threads(args.jobs)?;
    let ears = pool.install(|| {
        let progress = Progress::new(if args.quiet { 1 } else { scans.len() });
        let mut ears: Vec<EarReport> = Vec::new();
        for path in &scans {
            if stop.load(Ordering::Relaxed) {
                break;
            }
            let sha256 = file_used(path).ok().map(|f| f.sha256);
            let same = ears.iter().find(|e| sha256.is_some() && e.sha256 == sha256);
            if let Some(same) = same.map(|e| e.path.clone()) {
                // One ear counts once, by whatever names it lies there.
                ears.push(EarReport {
                    not_asked: Some(format!("the same bytes as {same}")),
                    ..unasked(path, sha256)
                });
                continue;
            }
            let asked = || ear(args, &limits, &stacks, unasked(path, sha256.clone()), &stop);
            // A fault of the program with one ear is no reason to lose the others.
            let asked = catch_unwind(AssertUnwindSafe(asked));
            ears.push(asked.unwrap_or_else(|_| EarReport {
                not_asked: Some("measuring it failed; please report this as a bug".to_owned()),
                ..unasked(path, sha256)
            }));
            progress.step(1);
        }
        ears
    });
    let settings = StudySettings {
        seconds: Finite(args.seconds),
        seed: args.seed,
        effort: args.effort as usize,
        plan: plan_report(&plan),
        plan_from: args.shape.plan.as_deref().map(file_used).transpose()?,
        limits_from: args.limits.as_deref().map(file_used).transpose()?,
        stopped: stop.load(Ordering::Relaxed),
    };
    let report = study(&stacks, ears, settings);
    if let Some(path) = &args.json {
        deliver(path, &document(&report)?)?;
    }
    if let Some(path) = &args.csv {
        deliver(path, &study_csv(&report))?;
    }
    let to_output = [&args.json, &args.csv].into_iter().flatten();
    if !args.quiet && !to_output.clone().any(|p| is_stdout(p)) {
        print(&study_text(&report))?;
    }
    Ok(report
        .ears
        .iter()
        .map(ending)
        .max()
        .unwrap_or(Ending::CannotTell))
}

fn ending(ear: &EarReport) -> Ending {
    let of = |a: &EarAnswer| match a.verdict.as_str() {
        "fits" => Ending::AllHold,
        "cannot_fit" => Ending::SomethingBreaks,
        _ => Ending::CannotTell,
    };
    ear.answers
        .iter()
        .map(of)
        .max()
        .unwrap_or(Ending::CannotTell)
}

fn is_toml(path: &Path) -> bool {
    path.extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("toml"))
}

/// Files as named, and those within folders.
fn all_scans(named: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut out = Vec::new();
    for path in named {
        if path.is_dir() {
            let found = scans_in(path, Path::new(""))
                .map_err(|e| Failure::new(e.to_string(), "see that it may be read"))?;
            out.extend(found);
        } else {
            out.push(path.clone());
        }
    }
    if out.is_empty() {
        return Err(Failure::new(
            "there is no scan in what was named",
            "name scans, or a folder that holds some",
        ));
    }
    Ok(out)
}

fn refuse_clashes(args: &Args, scans: &[PathBuf]) -> Result<(), Failure> {
    let inputs = scans
        .iter()
        .chain(&args.stacks)
        .chain(&args.limits)
        .chain(&args.shape.plan);
    let outputs = [
        ("--json", args.json.as_deref()),
        ("--csv", args.csv.as_deref()),
    ];
    refuse_outputs(&outputs, &inputs.collect::<Vec<_>>())
}

/// Asks one ear about every stack; what concerns that ear alone stops no other.
fn ear(
    args: &Args,
    limits: &Limits,
    stacks: &[(Stack, FileUsed)],
    mut report: EarReport,
    stop: &AtomicBool,
) -> EarReport {
    let unit = args.unit.map(Into::into);
    let path = PathBuf::from(&report.path);
    let name = format!("{}: ", path.display());
    let why = |failure: Failure| Some(failure.fact.replace(&name, ""));
    let scan = match Measured::read(&args.shape, limits.clone(), unit, &path) {
        Ok(scan) => scan,
        Err(failure) => {
            report.not_asked = why(failure);
            return report;
        }
    };
    let (verdict, said) = scan.vetted();
    report.scan_verdict = (verdict != ScanVerdict::Design).then(|| said.clone());
    if !matches!(verdict, ScanVerdict::Design | ScanVerdict::Repair) {
        report.not_asked = Some(format!("the scan's verdict: {said}"));
        return report;
    }
    let room = match scan.room() {
        Ok(room) => room,
        Err(failure) => {
            report.not_asked = why(failure);
            return report;
        }
    };
    report.cavity_mm3 = Some(Finite(room.cavity.volume_mm3()));
    let depth = Depth::new(&room.cavity);
    for (stack, _) in stacks {
        let began = Instant::now();
        let options = FitOptions {
            seed: args.seed,
            effort: args.effort as usize,
            seconds: Some(args.seconds),
        };
        let answer = fit_in(&room.cavity, &depth, stack, options, stop);
        let took = began.elapsed().as_secs_f64();
        report.answers.push(EarAnswer::of(stack, &answer, took));
    }
    report
}

fn unasked(path: &Path, sha256: Option<String>) -> EarReport {
    EarReport {
        path: path.to_string_lossy().into_owned(),
        sha256,
        scan_verdict: None,
        not_asked: None,
        cavity_mm3: None,
        answers: Vec::new(),
    }
}

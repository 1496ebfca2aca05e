//! `secondbend fit`: the stack into the cavity, or the proof that it cannot, or what is in the way.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::mesh::{Mesh, Point, Vector};
use crate::report::document;
use crate::report::fit::{self as report, FitTrace, fit_text, verify_text};
use crate::report::page::{fit_page, verify_page};
use crate::stack::certificate::certify;
use crate::stack::{
    Depth, FitOptions, Helps, Placement, Stack, Tip, Verdict, fit_in, found_in, helps, part_meshes,
    read_stack,
};
use crate::write::{ply, threemf, whole_file};

use super::args::Fit;
use super::room::Room;
use super::shell::{file_used, form, write_mesh};
use super::vet::{looks, refuse_outputs};
use super::{Ending, Failure, print, threads};

/// Share of the time left that the search may take; the rest is for trying what would help. Less:
/// tight stacks are missed; more: nothing is tried.
const SEARCH_SHARE: f64 = 0.85;
/// The same where every change means another shell.
const SHELL_SEARCH_SHARE: f64 = 0.8;

pub(super) fn run(args: &Fit) -> Result<Ending, Failure> {
    refuse_clashes(args)?;
    if !(args.seconds.is_finite() && args.seconds >= 0.0) {
        let fact = format!("--seconds cannot be {}", args.seconds);
        return Err(Failure::new(fact, "give a number of seconds, 0 or more"));
    }
    let began = Instant::now();
    let stack = read_stack(&args.stack)?;
    let pool = threads(args.jobs)?;
    pool.install(|| {
        let (room, trace) = read_room(args)?;
        if let Some(path) = &args.cavity_out {
            write_mesh(path, room.cavity.mesh(), "cavity")?;
        }
        match &args.verify {
            Some(path) => verify(args, &stack, &room, path, &trace),
            None => place(args, &stack, &room, &trace, began),
        }
    })
}

fn refuse_clashes(args: &Fit) -> Result<(), Failure> {
    let inputs: Vec<&PathBuf> = std::iter::once(&args.stack)
        .chain(&args.scan)
        .chain(&args.cavity)
        .chain(&args.shape.plan)
        .chain(&args.limits)
        .chain(&args.verify)
        .collect();
    if let Some(path) = &args.cavity_out {
        form(path)?;
    }
    refuse_outputs(
        &[
            ("--json", args.json.as_deref()),
            ("--parts", args.parts.as_deref()),
            ("--cavity-out", args.cavity_out.as_deref()),
            ("--page", args.page.as_deref()),
            ("--picture", args.picture.as_deref()),
        ],
        &inputs,
    )
}

/// The room, and what the answer will be traced by.
fn read_room(args: &Fit) -> Result<(Room, FitTrace), Failure> {
    let mut room = Room::read(args)?;
    let mut inputs = vec![room.input.clone()];
    let others = std::iter::once(&args.stack)
        .chain(&args.shape.plan)
        .chain(&args.limits)
        .chain(&args.verify);
    for path in others {
        inputs.push(file_used(path)?);
    }
    if let Some(tip) = told_tip(args)? {
        room.cavity = room.cavity.with_tip(tip);
    }
    let effort = match args.verify {
        Some(_) => None,
        None => Some(format!("seed {}, effort {}", args.seed, args.effort)),
    };
    let trace = FitTrace {
        order: args.order.clone(),
        inputs,
        effort,
        plan: room.plan(),
        found_in: None,
    };
    Ok((room, trace))
}

fn told_tip(args: &Fit) -> Result<Option<Tip>, Failure> {
    let (Some(at), Some(way)) = (args.tip, args.tip_direction) else {
        return Ok(None);
    };
    let outward = Vector::from(way).try_normalize(1e-9);
    match outward {
        Some(outward) => Ok(Some(Tip {
            at: Point::from(at),
            outward,
            told: true,
        })),
        None => Err(Failure::new(
            "--tip and --tip-direction are no point and no direction",
            "give three figures each, such as `--tip 1,2,-9 --tip-direction 0,0,-1`",
        )),
    }
}

fn place(
    args: &Fit,
    stack: &Stack,
    room: &Room,
    trace: &FitTrace,
    start: Instant,
) -> Result<Ending, Failure> {
    let cavity = &room.cavity;
    let stop = Arc::new(AtomicBool::new(false));
    let called = Arc::clone(&stop);
    // A second handler in one process is refused; then Ctrl-C ends the program as it always does.
    let _ = ctrlc::set_handler(move || called.store(true, Ordering::Relaxed));
    let progress = progress(args);
    let remake = room.remake();
    let share = if remake.is_some() {
        SHELL_SEARCH_SHARE
    } else {
        SEARCH_SHARE
    };
    let depth = Depth::new(cavity);
    let left = args.seconds - start.elapsed().as_secs_f64();
    let options = FitOptions {
        seed: args.seed,
        effort: args.effort as usize,
        seconds: Some((share * left).max(0.0)),
    };
    let mut answer = fit_in(cavity, &depth, stack, options, &stop);
    answer.scan_verdict.clone_from(&room.scan_verdict);
    answer.notes.extend(room.notes.iter().cloned());
    let helps = if answer.verdict == Verdict::Fits || stop.load(Ordering::Relaxed) {
        Helps::default()
    } else {
        let until = Duration::try_from_secs_f64(args.seconds)
            .ok()
            .and_then(|d| start.checked_add(d));
        let remake = remake.map(|r| (r, room.made_in_s));
        helps(cavity, &depth, stack, options, until, remake, &stop)
    };
    if let Some(bar) = progress {
        bar.finish_and_clear();
    }
    let seconds = start.elapsed().as_secs_f64();
    let report = report::fit(cavity, stack, &answer, &helps, trace, seconds);
    let text = || fit_text(cavity, stack, &answer, &helps, trace);
    write(args, &document(&report)?, text)?;
    if args.page.is_some() || args.picture.is_some() {
        let model = fit_page(cavity, stack, &answer, &helps, room.canal(), trace);
        looks(&model, args.page.as_deref(), args.picture.as_deref())?;
    }
    if let (Some(path), Some(placement)) = (&args.parts, &answer.placement) {
        let meshes = part_meshes(stack, placement);
        let named: Vec<_> = meshes.iter().map(|(n, m)| (n.as_str(), m)).collect();
        let is_ply = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("ply"));
        if is_ply {
            ply(path, &one_mesh(&meshes)?, &[])?;
        } else {
            threemf(path, &named)?;
        }
    }
    Ok(match answer.verdict {
        Verdict::Fits => Ending::AllHold,
        Verdict::CannotFit(_) => Ending::SomethingBreaks,
        Verdict::NotFound => Ending::CannotTell,
    })
}

/// What is going on and since when, where a person is looking.
fn progress(args: &Fit) -> Option<indicatif::ProgressBar> {
    if args.quiet || !std::io::stderr().is_terminal() {
        return None;
    }
    let bar = indicatif::ProgressBar::new_spinner();
    bar.set_message(format!(
        "looking for a placement, {} s at most; Ctrl-C gives the best so far",
        args.seconds
    ));
    bar.enable_steady_tick(Duration::from_millis(200));
    Some(bar)
}

/// All parts as one mesh, for a file that holds no more.
fn one_mesh(meshes: &[(String, Mesh)]) -> Result<Mesh, Failure> {
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for (_, mesh) in meshes {
        let before = points.len() as u32;
        points.extend_from_slice(mesh.points());
        facets.extend(mesh.facets().iter().map(|f| f.map(|i| i + before)));
    }
    Mesh::new(points, facets).map_err(|e| {
        Failure::new(
            format!("the parts make no mesh: {e}"),
            "report this as a bug",
        )
    })
}

fn verify(
    args: &Fit,
    stack: &Stack,
    room: &Room,
    path: &Path,
    trace: &FitTrace,
) -> Result<Ending, Failure> {
    let cavity = &room.cavity;
    let placement = Placement::read(path)?;
    let certificate = certify(cavity, stack, &placement)
        .map_err(|e| Failure::new(format!("{}: {e}", path.display()), e.help()))?;
    let holds = certificate.fits();
    let found = std::fs::read_to_string(path)
        .ok()
        .and_then(|text| found_in(&text));
    let elsewhere = found.filter(|(_, sha256)| *sha256 != room.input.sha256);
    let trace = &FitTrace {
        found_in: elsewhere.map(|(path, _)| path),
        ..trace.clone()
    };
    let report = report::verified(cavity, stack, &certificate, trace);
    let text = || verify_text(cavity, stack, &certificate, trace);
    write(args, &document(&report)?, text)?;
    if args.page.is_some() || args.picture.is_some() {
        let model = verify_page(cavity, stack, &placement, &certificate, room.canal(), trace);
        looks(&model, args.page.as_deref(), args.picture.as_deref())?;
    }
    Ok(if holds {
        Ending::AllHold
    } else {
        Ending::SomethingBreaks
    })
}

fn write(args: &Fit, json: &str, text: impl Fn() -> String) -> Result<(), Failure> {
    match &args.json {
        Some(path) if path.as_os_str() == "-" => return print(json),
        Some(path) => whole_file(path, |w| w.write_all(json.as_bytes()))?,
        None => {}
    }
    if args.quiet { Ok(()) } else { print(&text()) }
}

//! `secondbend fit`: the stack into the cavity, or the proof that it cannot, or what is in the way.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::mesh::{Mesh, Point, Vector};
use crate::report::page::{FitTrace, fit_page, verify_page};
use crate::report::{CAUTION, shown};
use crate::stack::certificate::certify;
use crate::stack::{
    FitOptions, Placement, Remake, Stack, Tip, Verdict, fit, fit_json, fit_text, helps,
    margins_json, part_meshes, read_stack, verify_text,
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
        let used = file_used(path)?;
        inputs.push((used.path, used.sha256));
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

/// The answer's JSON with what it can be traced by.
fn traced(key: &str, value: &Value, trace: &FitTrace) -> Value {
    let inputs: Vec<Value> = trace
        .inputs
        .iter()
        .map(|(path, sha256)| json!({ "path": path, "sha256": sha256 }))
        .collect();
    json!({
        key: value,
        "tool": { "name": env!("CARGO_PKG_NAME"), "version": env!("CARGO_PKG_VERSION") },
        "inputs": inputs,
        "order": trace.order,
        "caution": CAUTION,
    })
}

/// The same, below the text.
fn traced_text(trace: &FitTrace) -> String {
    let mut out = String::new();
    for (path, sha256) in &trace.inputs {
        out.push_str(&format!("  {path}: sha256 {sha256}\n"));
    }
    if let Some(order) = &trace.order {
        out.push_str(&format!("  order {order}\n"));
    }
    let (name, version) = (env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"));
    out.push_str(&format!("  made by {name} {version}\n  {CAUTION}\n"));
    out
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
    let left = args.seconds - start.elapsed().as_secs_f64();
    let options = FitOptions {
        seed: args.seed,
        effort: args.effort as usize,
        seconds: Some((share * left).max(0.0)),
    };
    let mut answer = fit(cavity, stack, options, &stop);
    answer.scan_verdict.clone_from(&room.scan_verdict);
    answer.notes.extend(room.notes.iter().cloned());
    let tried = if answer.verdict == Verdict::Fits || stop.load(Ordering::Relaxed) {
        Vec::new()
    } else {
        let until = Duration::try_from_secs_f64(args.seconds)
            .ok()
            .and_then(|d| start.checked_add(d));
        let remake = remake.as_ref().map(|r| r as &Remake);
        helps(cavity, stack, options, until, remake, room.made_in_s, &stop)
    };
    if let Some(bar) = progress {
        bar.finish_and_clear();
    }
    let mut value = fit_json(stack, &answer, &tried);
    value["effort"]["seconds"] = json!((start.elapsed().as_secs_f64() * 1e3).round() / 1e3);
    write(
        args,
        &traced("fit", &value, trace),
        &format!("{}{}", fit_text(stack, &answer, &tried), traced_text(trace)),
    )?;
    if args.page.is_some() || args.picture.is_some() {
        let model = fit_page(cavity, stack, &answer, &tried, room.canal(), trace);
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
    let value = json!({ "holds": holds, "margins": margins_json(&certificate) });
    let text = format!(
        "{}{}",
        verify_text(stack, cavity.tip, &certificate),
        traced_text(trace)
    );
    write(args, &traced("verify", &value, trace), &text)?;
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

fn write(args: &Fit, value: &Value, text: &str) -> Result<(), Failure> {
    let json = format!("{value:#}\n");
    match &args.json {
        Some(path) if path.as_os_str() == "-" => return print(&json),
        Some(path) => whole_file(path, |w| w.write_all(json.as_bytes()))?,
        None => {}
    }
    if args.quiet {
        Ok(())
    } else {
        print(&shown_lines(text))
    }
}

/// Columns that the text is laid out for.
const COLUMNS: usize = 80;

/// Names come from a file: nothing in them may steer a terminal.
fn shown_lines(text: &str) -> String {
    text.lines().map(|l| laid_out(&shown(l))).collect()
}

/// A line broken at its spaces to fit the columns, what follows set in under it. A word that is
/// longer than a line (a path, mostly) stays whole, so that it can be copied.
fn laid_out(line: &str) -> String {
    let set_in = line.len() - line.trim_start_matches(' ').len();
    let (mut out, mut wide) = (" ".repeat(set_in), set_in);
    let mut begun = false;
    for word in line.trim_start_matches(' ').split(' ') {
        let more = word.chars().count();
        if begun && wide + 1 + more > COLUMNS {
            out.push('\n');
            out.push_str(&" ".repeat(set_in + 2));
            wide = set_in + 2;
        } else if begun {
            out.push(' ');
            wide += 1;
        }
        out.push_str(word);
        wide += more;
        begun = true;
    }
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_keep_to_the_columns_and_lose_no_word() {
        let words = "the cavity reaches 11.9 mm into the canal; from there 2.0 mm of solid canal ";
        let text = format!("fits\n  note: {words}{words}\n  {}: x\n", "p".repeat(90));
        let laid = shown_lines(&text);
        let long: Vec<&str> = laid
            .lines()
            .filter(|l| l.chars().count() > COLUMNS)
            .collect();
        // Only the word that is longer than a line.
        assert_eq!(long, [format!("  {}:", "p".repeat(90))]);
        assert!(laid.lines().nth(2).is_some_and(|l| l.starts_with("    ")));
        let each = |t: &str| t.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
        assert_eq!(each(&laid), each(&text));
        assert_eq!(laid_out("  short"), "  short\n");
    }
}

//! The answer for people: what it is, the margins with whose they are, what is in the way, what would help,
//! and what it can be traced by. 80 columns, laid out as every other report is.

use std::fmt::Write;

use super::build::{FitTrace, tightest};
use crate::checks::{Outcome, number};
use crate::limits::wrapped;
use crate::report::text::{INDENT, WIDTH, counted, labelled, outcome_style, shown};
use crate::report::{CAUTION, FileUsed};
use crate::stack::certificate::{Certificate, Margin, MarginKind, TOLERANCE_MM};
use crate::stack::{
    Blocker, Cavity, FitAnswer, Help, Helps, Stack, Untried, Verdict, end_not_judged,
};

/// Widths of the columns of the margins: what is measured, what it is, what is asked.
const COLUMNS: [usize; 3] = [28, 9, 9];

/// The answer as text, with colour.
#[must_use]
pub fn fit_text(
    cavity: &Cavity,
    stack: &Stack,
    answer: &FitAnswer,
    helps: &Helps,
    trace: &FitTrace,
) -> String {
    let mut out = String::new();
    let (outcome, words) = match &answer.verdict {
        Verdict::Fits => (Outcome::Holds, "fits"),
        Verdict::CannotFit(_) => (Outcome::Breaks, "cannot fit"),
        Verdict::NotFound => (Outcome::CannotTell, "not found"),
    };
    head(&mut out, outcome, words, trace);
    line(&mut out, &because(stack, answer));
    if let Some(way) = guessed_way(answer) {
        line(&mut out, &way);
    }
    if let Some(said) = &answer.scan_verdict {
        let of = format!("of the scan as it is, of which `vet` says: {}", shown(said));
        line(&mut out, &of);
    }
    out.push('\n');
    filling(&mut out, cavity, stack);
    if let Some(certificate) = &answer.certificate {
        let label = match answer.verdict {
            Verdict::Fits => "margins",
            _ => "nearest",
        };
        rows(&mut out, label, stack, &tightest(certificate));
        let true_to = "of the cavity's mesh and the stack's sizes as given: how true scan, print and drivers are to \
                       them comes on top";
        labelled(&mut out, "", true_to);
    }
    if let Some(b) = &answer.blocker {
        labelled(&mut out, "in the way", &in_the_way(stack, b));
    }
    would_help(&mut out, answer, helps);
    for note in &answer.notes {
        labelled(&mut out, "note", &shown(note));
    }
    traced(&mut out, stack, trace);
    out
}

fn head(out: &mut String, outcome: Outcome, words: &str, trace: &FitTrace) {
    let style = outcome_style(outcome).bold();
    let whose = trace.inputs.first().map(|f| shown(&f.path));
    let whose = whose.unwrap_or_else(|| "a cavity".to_owned());
    let _ = writeln!(out, "{style}{words}{style:#}: {whose}");
    if let Some(order) = &trace.order {
        let _ = writeln!(out, "order {}", shown(order));
    }
}

fn line(out: &mut String, says: &str) {
    let _ = writeln!(out, "{}", wrapped(says, "", WIDTH));
}

fn because(stack: &Stack, answer: &FitAnswer) -> String {
    match &answer.verdict {
        Verdict::Fits => {
            "a placement was found, and every margin measured again by other code".to_owned()
        }
        Verdict::CannotFit(p) => {
            let unit = p.bound.unit();
            let who = stack.names(&p.parts).join(", ");
            let who = if who.is_empty() {
                who
            } else {
                format!(" ({})", shown(&who))
            };
            format!(
                "proven ({}): {}{who}: needs {:.3} {unit}, has at most {:.3} {unit}",
                p.bound.name().replace('_', " "),
                p.bound.because(),
                p.need,
                p.have
            )
        }
        Verdict::NotFound => format!(
            "no placement in {}, and no proof that there is none",
            counted(answer.starts, "start")
        ),
    }
}

/// Where the tubes leave and what that was taken for, where nobody told it.
fn guessed_way(answer: &FitAnswer) -> Option<String> {
    let (tip, guess) = answer.tip.zip(answer.tip_guess)?;
    let so = match answer.verdict {
        Verdict::Fits => "only if the tubes may leave at",
        Verdict::NotFound => "tubes were led to",
        Verdict::CannotFit(_) => return None,
    };
    let [x, y, z] = [tip.at.x, tip.at.y, tip.at.z];
    let way = tip.outward;
    let through = guess.through();
    Some(format!(
        "{so} ({x:.1}, {y:.1}, {z:.1}), out along ({:.2}, {:.2}, {:.2}), {through}: nobody told it \
         (`--tip` and `--tip-direction` would)",
        way.x, way.y, way.z
    ))
}

fn filling(out: &mut String, cavity: &Cavity, stack: &Stack) {
    let (room, boxes) = (cavity.volume_mm3(), stack.boxes_mm3());
    let says = format!(
        "{} ({} parts, {} as boxes: {:.0} % of the cavity's {})",
        shown(&stack.name),
        stack.parts.len(),
        number(boxes, "mm3"),
        100.0 * boxes / room,
        number(room, "mm3")
    );
    labelled(out, "stack", &says);
}

/// Margins with whose they are, one a line.
fn rows(out: &mut String, label: &str, stack: &Stack, margins: &[&Margin]) {
    let [what, have, need] = COLUMNS;
    let mut lead = format!("{label:0$}", INDENT.len());
    let _ = writeln!(
        out,
        "{lead}{:what$}{:>have$}{:>need$}  whose",
        if label == "short" {
            "margin"
        } else {
            "tightest"
        },
        "mm",
        "asked"
    );
    lead = INDENT.to_owned();
    for m in margins {
        // Kept as minus what they are off.
        let off = matches!(m.kind, MarginKind::Seat | MarginKind::TubeEnds);
        let mm = if off { (-m.have.0).max(0.0) } else { m.have.0 };
        let asked = format!("{:.2}", m.need.0);
        let row = format!(
            "{lead}{:what$}{:>have$}{asked:>need$}  {}",
            m.kind.label(),
            rounded(mm, m.need.0, off),
            shown(&stack.names(&m.parts).join(" and "))
        );
        let _ = writeln!(out, "{}", row.trim_end());
    }
}

/// To thousandths, toward what is asked where it is short of it by less: a margin that is missed is never
/// printed as one that is kept.
fn rounded(mm: f64, need_mm: f64, off: bool) -> String {
    let short = if off { mm > 0.0 } else { mm < need_mm } && (mm - need_mm).abs() > TOLERANCE_MM;
    let digits = if short && (mm - need_mm).abs() < 6e-4 {
        6
    } else {
        3
    };
    // No minus before nothing.
    let scale = 10_f64.powi(digits as i32);
    format!("{:.digits$}", (mm * scale).round() / scale + 0.0)
}

fn in_the_way(stack: &Stack, b: &Blocker) -> String {
    let who = shown(&stack.names(&b.parts).join(" and "));
    match b.short {
        Some(short) => format!(
            "{who}: too near to {}, by {:.3} mm",
            super::build::against(b.kind),
            short.0
        ),
        None => format!("{who}: the parts fit, but no way was found for the tube to its bore"),
    }
}

fn would_help(out: &mut String, answer: &FitAnswer, helps: &Helps) {
    let said = |h: &Help| format!("{}: {}", h.words(), h.verdict.name().replace('_', " "));
    let tried = helps.tried.iter().map(said);
    let not = |u: &Untried| format!("not tried: {}", u.words());
    let all = tried.chain(helps.untried.iter().map(not));
    for (i, says) in all.enumerate() {
        labelled(out, if i == 0 { "would help?" } else { "" }, &shown(&says));
    }
    if answer.cut_short {
        let says = "the search was cut short: more `--seconds` may find more";
        labelled(out, "time", says);
    }
}

fn traced(out: &mut String, stack: &Stack, trace: &FitTrace) {
    let asked = format!(
        "{} mm between parts, {} mm from the wall, webs of {} mm (stack file)",
        stack.clearance_mm, stack.wall_clearance_mm, stack.web_mm
    );
    labelled(out, "asked", &asked);
    if let Some(plan) = &trace.plan {
        labelled(out, "shell by", &plan.brief());
    }
    for FileUsed { path, sha256 } in &trace.inputs {
        labelled(out, "file", &format!("{}: sha256 {sha256}", shown(path)));
    }
    let effort = trace.effort.iter().map(|e| format!(", {e}"));
    let made = format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION"));
    labelled(out, "made by", &effort.fold(made, |made, e| made + &e));
    labelled(out, "caution", CAUTION);
}

/// What is said of a placement that was found in another file than it was measured in.
#[must_use]
pub fn found_elsewhere(trace: &FitTrace) -> Option<String> {
    let path = trace.found_in.as_deref()?;
    Some(format!(
        "this placement was found in another file, {}: unless this is the cavity of that very scan, it is another \
         ear",
        shown(path)
    ))
}

/// The parts that belong on a faceplate where none is known.
fn lidless<'s>(cavity: &Cavity, stack: &'s Stack) -> Vec<&'s str> {
    let on_it = stack.parts.iter().filter(|p| p.on_faceplate);
    let on_it = on_it.filter(|_| cavity.faceplate.is_none());
    on_it.map(|p| p.name.as_str()).collect()
}

/// What a placement that was measured again comes to: what fails; where nothing does, the tightest margin of
/// each kind.
#[must_use]
pub fn verify_text(
    cavity: &Cavity,
    stack: &Stack,
    certificate: &Certificate,
    trace: &FitTrace,
) -> String {
    let mut out = String::new();
    let (outcome, words, because) = match (certificate.fits(), certificate.holds()) {
        (true, _) if end_not_judged(stack, cavity.tip).is_some() => (
            Outcome::Holds,
            "holds",
            "every margin that was judged reaches what is asked of it",
        ),
        (true, _) => (
            Outcome::Holds,
            "holds",
            "every margin reaches what is asked of it",
        ),
        (false, false) => (
            Outcome::Breaks,
            "does not hold",
            "these margins are short of what is asked",
        ),
        (false, true) => (
            Outcome::Breaks,
            "does not hold",
            "the margins do, but tubes are missing",
        ),
    };
    head(&mut out, outcome, words, trace);
    line(&mut out, because);
    out.push('\n');
    filling(&mut out, cavity, stack);
    for name in stack.names(&certificate.unlaid) {
        labelled(&mut out, "missing", &format!("tube of {}", shown(name)));
    }
    if certificate.holds() {
        rows(&mut out, "margins", stack, &tightest(certificate));
    } else {
        let short = certificate.margins.iter();
        let short: Vec<&Margin> = short.filter(|m| m.spare_mm() < -TOLERANCE_MM).collect();
        rows(&mut out, "short", stack, &short);
    }
    if let Some(says) = found_elsewhere(trace) {
        labelled(&mut out, "note", &says);
    }
    if let Some(says) = end_not_judged(stack, cavity.tip) {
        labelled(&mut out, "note", says);
    }
    for name in lidless(cavity, stack) {
        let says = format!(
            "{} belongs on the faceplate, but this cavity has none known: it is judged as if it stood free; name \
             the scan, and its shell's faceplate is known",
            shown(name)
        );
        labelled(&mut out, "note", &says);
    }
    traced(&mut out, stack, trace);
    out
}

//! The report for people: 80 columns, the verdict first, then what breaks and what could not be
//! told with what to do, then what holds, then the figures. Colour is put in here always and
//! taken out again on the way to anything that is no terminal (or under `NO_COLOR`).

use std::fmt::Write;

use anstyle::{AnsiColor, Style};

use crate::checks::{Outcome, Sense, Verdict, figure, number, region_words};
use crate::limits::wrapped;

use super::{CheckReport, Figure, FindingReport, Report, SideWord};

pub(super) const WIDTH: usize = 80;
/// Where the text of a labelled line begins.
pub(super) const INDENT: &str = "             ";
/// Places listed of one check; the rest is in the JSON.
const MOST_PLACES: usize = 4;

/// The report as text, with colour.
#[must_use]
pub fn text(report: &Report) -> String {
    let mut out = String::new();
    head(&mut out, report);
    let these = report.checks.iter().filter(|c| c.because.is_none());
    faults(&mut out, these, |check| {
        let weighs = match check.weighs {
            Verdict::Design => "does not hold the verdict back",
            Verdict::CannotTell if check.outcome == Outcome::Breaks => "so nothing else counts",
            verdict => verdict.words(),
        };
        format!(" ({weighs})")
    });
    following(&mut out, report);
    holding(&mut out, &report.checks);
    canal(&mut out, report);
    surface(&mut out, report);
    if report
        .checks
        .iter()
        .flat_map(|c| &c.findings)
        .any(|f| f.point_mm.is_some())
    {
        labelled(
            &mut out,
            "places",
            "(x, y, z) in mm, in the pose of the file",
        );
    }
    trace(&mut out, report);
    out
}

fn head(out: &mut String, report: &Report) {
    let (outcome, words) = report.headline();
    let style = outcome_style(outcome).bold();
    let _ = writeln!(
        out,
        "{style}{words}{style:#}: {}",
        shown(&report.input.path)
    );
    if let Some(order) = &report.order {
        let _ = writeln!(out, "order {}", shown(order));
    }
    let deciding = |c: &&CheckReport| c.weighs == report.verdict && c.because.is_none();
    if report.verdict != Verdict::Design {
        let ids: Vec<&str> = report
            .checks
            .iter()
            .filter(deciding)
            .map(|c| c.id.as_str())
            .collect();
        let _ = writeln!(
            out,
            "{}",
            wrapped(&format!("decided by {}", ids.join(", ")), "", WIDTH)
        );
    }
    if let Some(stop) = wrong_side(report) {
        let _ = writeln!(out, "{}", wrapped(&stop, "", WIDTH));
    }
}

/// Whatever the verdict hangs on: a scan of the other ear is said at the top.
pub(super) fn wrong_side(report: &Report) -> Option<String> {
    let check = report.checks.iter().find(|c| c.id == "side-unlike-order")?;
    let else_decided = report.verdict != check.weighs && check.outcome == Outcome::Breaks;
    else_decided.then(|| format!("and stop: {}", check.answer))
}

/// Those of these checks that do not hold, what breaks first; `weighs` goes behind each one's id. Long advice
/// is given once.
pub(super) fn faults<'a>(
    out: &mut String,
    checks: impl Iterator<Item = &'a CheckReport>,
    weighs: impl Fn(&CheckReport) -> String,
) {
    let all: Vec<&CheckReport> = checks.collect();
    let of = |o: Outcome| all.iter().filter(move |c| c.outcome == o);
    let mut told: Vec<&CheckReport> = Vec::new();
    for check in of(Outcome::Breaks).chain(of(Outcome::CannotTell)) {
        let long = check.advice.as_ref().is_some_and(|a| a.len() > WIDTH);
        let mut same = told.iter().filter(|t| long && t.advice == check.advice);
        let said = same.next().map(|t| t.id.as_str());
        fault(out, check, &weighs(check), said);
        told.push(check);
    }
}

/// A check that does not hold; where its advice was `said` under another check, that one's name.
fn fault(out: &mut String, check: &CheckReport, weighs: &str, said: Option<&str>) {
    let style = outcome_style(check.outcome);
    let label = check.outcome.words();
    let gap = INDENT.len() - label.len();
    let _ = writeln!(
        out,
        "\n{style}{label}{style:#}{:gap$}{}{weighs}",
        "", check.id
    );
    para(out, &check.question);
    para(out, &sentence(check));
    for finding in check.findings.iter().take(MOST_PLACES) {
        para(out, &place(finding));
    }
    if check.findings.len() > MOST_PLACES {
        para(
            out,
            &match check.findings.len() - MOST_PLACES {
                1 => "and one place more (it is in the JSON)".to_owned(),
                more => format!("and {more} places more (all are in the JSON)"),
            },
        );
    }
    if let Some(advice) = &check.advice {
        let advice = match said {
            Some(id) => format!("as for {id}"),
            None => advice.clone(),
        };
        let body = wrapped(&advice, "", WIDTH - INDENT.len() - 3);
        for (i, line) in body.lines().enumerate() {
            let _ = writeln!(out, "{INDENT}{} {line}", if i == 0 { "->" } else { "  " });
        }
    }
}

/// Checks that can't be told for a reason that another check has just told: their names suffice.
fn following(out: &mut String, report: &Report) {
    for reason in &report.checks {
        let these: Vec<&str> = report
            .checks
            .iter()
            .filter(|c| c.because.as_ref() == Some(&reason.id))
            .map(|c| c.id.as_str())
            .collect();
        if !these.is_empty() {
            let style = outcome_style(Outcome::CannotTell);
            let label = Outcome::CannotTell.words();
            let says = format!("for the reason told by {}: {}", reason.id, these.join(", "));
            let body = wrapped(&says, INDENT, WIDTH);
            let gap = INDENT.len() - label.len();
            let _ = writeln!(
                out,
                "\n{style}{label}{style:#}{:gap$}{}",
                "",
                body.trim_start()
            );
        }
    }
}

/// The answer, and the limit unless the answer names it already.
fn sentence(check: &CheckReport) -> String {
    tied(&format!("{}{}", shown(&check.answer), limit_words(check)))
}

/// The limit as it stands behind an answer; empty where the answer names it already.
pub(super) fn limit_words(check: &CheckReport) -> String {
    let named = check.answer.contains(" against ");
    match (check.limit, check.limit_is) {
        (Some(limit), Some(sense)) if !named => {
            let side = match sense {
                Sense::AtLeast => "at least",
                Sense::AtMost => "at most",
            };
            let unit = check.unit.as_deref().unwrap_or("");
            format!(" ({side} {})", number(limit.0, unit))
        }
        _ => String::new(),
    }
}

/// A figure is not broken over two lines: not before its unit, nor about its `±`.
fn tied(says: &str) -> String {
    let mut out = says.replace(" ± ", "\u{a0}±\u{a0}");
    for unit in ["mm", "mm2", "mm3", "deg"] {
        for after in [" ", ",", ";", ")", "."] {
            out = out.replace(&format!(" {unit}{after}"), &format!("\u{a0}{unit}{after}"));
        }
        if let Some(cut) = out.strip_suffix(&format!(" {unit}")) {
            out = format!("{cut}\u{a0}{unit}");
        }
    }
    out
}

fn place(finding: &FindingReport) -> String {
    let mut says = format!(
        "- {}: {}",
        region_words(finding.region),
        shown(&finding.says)
    );
    if let Some(at) = finding.at_mm {
        let way = if at.0 < 0.0 { "outside" } else { "from" };
        let _ = write!(says, ", {:.1} mm {way} the aperture", at.0.abs());
    }
    if let Some([x, y, z]) = finding.point_mm {
        let _ = write!(
            says,
            ", at\u{a0}({:.1},\u{a0}{:.1},\u{a0}{:.1})",
            x.0, y.0, z.0
        );
    }
    tied(&says)
}

pub(super) fn holding(out: &mut String, checks: &[CheckReport]) {
    let style = outcome_style(Outcome::Holds);
    let mut label = Outcome::Holds.words();
    if !checks.iter().any(|c| c.outcome == Outcome::Holds) {
        return;
    }
    // Checks are named for the fault they look for; under "holds" that fault was not found.
    let _ = writeln!(
        out,
        "\n{:2$}{:24}found instead",
        "",
        "looked for",
        INDENT.len()
    );
    for check in checks.iter().filter(|c| c.outcome == Outcome::Holds) {
        let _ = write!(out, "{style}{label}{style:#}");
        // The id and its answer on one line where they fit, else the answer goes on below.
        let room = format!("{:1$}", "", INDENT.len() + 24);
        let body = wrapped(&sentence(check), &room, WIDTH);
        let gap = INDENT.len() - label.len();
        let _ = writeln!(out, "{:gap$}{:24}{}", "", check.id, body.trim_start());
        label = "";
    }
}

fn canal(out: &mut String, report: &Report) {
    out.push('\n');
    let Some(canal) = &report.canal else {
        labelled(out, "canal", "none was measured");
        return;
    };
    let widths =
        |large: &Figure, small: &Figure| format!("{:.2} x {:.2} mm", large.value.0, small.value.0);
    labelled(
        out,
        "canal",
        &format!("{} long", show(&canal.length_mm, "mm")),
    );
    let a = &canal.aperture;
    let reached = if a.reached {
        ""
    } else {
        " (no flare: only where the canal ends)"
    };
    para(
        out,
        &format!(
            "aperture {}, {}{reached}",
            show(&a.area_mm2, "mm2"),
            widths(&a.largest_mm, &a.smallest_mm)
        ),
    );
    let n = &canal.narrowest.section;
    para(
        out,
        &format!(
            "narrowest {}, {}, {:.1} mm from the aperture",
            show(&n.area_mm2, "mm2"),
            widths(&n.largest_mm, &n.smallest_mm),
            n.at_mm.0
        ),
    );
    side(out, report);
    if canal.bends.is_empty() {
        para(out, "no bend was told");
        return;
    }
    let row = |out: &mut String, cells: [&str; 5]| {
        let line = format!(
            "{INDENT}{:6}{:16}{:15}{:16}{}",
            cells[0], cells[1], cells[2], cells[3], cells[4]
        );
        let _ = writeln!(out, "{}", line.trim_end());
    };
    row(
        out,
        ["bend", "at, mm", "turn, deg", "peak-tip, mm", "end-tip, mm"],
    );
    for bend in &canal.bends {
        let cells = [
            bend.order.to_string(),
            cell(&bend.at_mm, 2),
            cell(&bend.turn_deg, 1),
            cell(&bend.past_mm, 2),
            cell(&bend.past_from_span_end_mm, 2),
        ];
        row(out, cells.each_ref().map(String::as_str));
    }
    para(
        out,
        "lengths to the tip, from the peak of the bend and from its inner end",
    );
    if !canal.bends_sure {
        para(
            out,
            "one of them is barely a bend: noise could add or drop it",
        );
    }
}

/// A table cell: `≥` and `≤` mark bounds, since words would not fit.
fn cell(f: &Figure, digits: usize) -> String {
    use crate::units::Bound;
    let mark = match f.bound {
        Bound::Exact => "",
        Bound::AtLeast => "≥ ",
        Bound::AtMost => "≤ ",
    };
    format!("{mark}{:.digits$} ± {:.digits$}", f.value.0, f.plus_minus.0)
}

fn side(out: &mut String, report: &Report) {
    // Right is red and left is blue by the trade's convention.
    let (word, style) = match report.side.value {
        SideWord::Left => ("left", Style::new().fg_color(Some(AnsiColor::Blue.into()))),
        SideWord::Right => ("right", Style::new().fg_color(Some(AnsiColor::Red.into()))),
        SideWord::Unknown => ("not told", Style::new()),
    };
    let margin = report.side.margin.map_or_else(String::new, |m| {
        format!(" (evidence {:+.2}, left -1 to right +1)", m.0)
    });
    let _ = writeln!(out, "{INDENT}side {style}{word}{style:#}{margin}");
}

fn surface(out: &mut String, report: &Report) {
    let s = &report.soundness;
    let holes = s.holes.iter().filter(|h| !h.base).count();
    let base = if s.holes.iter().any(|h| h.base) {
        "base open"
    } else {
        "base closed"
    };
    let mut line = format!(
        "{}, {}, {base}",
        counted(s.parts, "part"),
        counted(holes, "hole")
    );
    if s.watertight {
        line.push_str(", watertight");
    }
    if let Some(area) = &s.area_mm2 {
        let _ = write!(line, "; area {}", number(area.value.0, "mm2"));
    }
    if let Some(volume) = &s.volume_mm3 {
        let _ = write!(line, ", volume {}", number(volume.value.0, "mm3"));
    }
    labelled(out, "surface", &line);
    let i = &report.input;
    let unit = serde_json::to_value(i.unit).unwrap_or_default();
    let unit = unit.as_str().unwrap_or("unknown").to_owned();
    labelled(
        out,
        "scan",
        &format!(
            "{} facets, {} points, {} bytes, unit {unit}",
            i.facets, i.points, i.bytes
        ),
    );
    for note in &i.notes {
        para(out, &format!("- {}", shown(note)));
    }
}

/// `1 part`, `2 parts`.
pub(super) fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

fn trace(out: &mut String, report: &Report) {
    labelled(out, "sha256", &report.input.sha256);
    let limits = report
        .limits_from
        .as_deref()
        .map_or_else(|| "defaults".to_owned(), shown);
    labelled(
        out,
        "made by",
        &format!(
            "{} {}, limits: {limits}",
            report.tool.name, report.tool.version
        ),
    );
    labelled(out, "caution", &report.caution);
}

pub(super) fn labelled(out: &mut String, label: &str, body: &str) {
    let body = wrapped(&tied(body), INDENT, WIDTH);
    let _ = writeln!(out, "{label:0$}{1}", INDENT.len(), body.trim_start());
}

pub(super) fn para(out: &mut String, body: &str) {
    let _ = writeln!(out, "{}", wrapped(&tied(body), INDENT, WIDTH));
}

fn show(f: &Figure, unit: &str) -> String {
    figure(&f.measured(), unit)
}

/// Not red for "breaks": red is the right ear.
pub(crate) const fn outcome_style(outcome: Outcome) -> Style {
    let colour = match outcome {
        Outcome::Holds => AnsiColor::Green,
        Outcome::Breaks => AnsiColor::Magenta,
        Outcome::CannotTell => AnsiColor::Yellow,
    };
    Style::new().fg_color(Some(anstyle::Color::Ansi(colour)))
}

/// Text from outside (file names, order numbers) made harmless for a terminal: control
/// characters and those that turn the writing direction are written as escapes.
#[must_use]
pub fn shown(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}');
    text.chars()
        .flat_map(|c| {
            let escape = c.is_control() || turns(c);
            let escaped = escape.then(|| c.escape_default());
            escaped.into_iter().flatten().chain((!escape).then_some(c))
        })
        .collect()
}

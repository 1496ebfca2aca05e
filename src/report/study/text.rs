//! A study for people: of each stack the share first, what limits the rest, then a line an ear.

use std::fmt::Write;

use super::model::{EarAnswer, EarReport, StackShare, StudyReport};
use crate::checks::Outcome;
use crate::limits::wrapped;
use crate::report::text::{INDENT, WIDTH, counted, labelled, outcome_style, para, shown};

/// The report as text, with colour.
#[must_use]
pub fn study_text(report: &StudyReport) -> String {
    let mut out = String::new();
    for (i, share) in report.stacks.iter().enumerate() {
        of_stack(&mut out, report, i, share);
    }
    for ear in report.ears.iter().filter(|e| e.not_asked.is_some()) {
        not_asked(&mut out, ear);
    }
    if report.ears.iter().any(|e| e.not_asked.is_some()) {
        out.push('\n');
    }
    if report.settings.stopped {
        labelled(
            &mut out,
            "stopped",
            "before all ears were asked; the shares are of those that were",
        );
    }
    labelled(
        &mut out,
        "shares",
        "of all ears whose scan can be designed on: 95 % interval, if these were drawn of them by chance (Clopper, \
         Pearson 1934); both ears of one person count as two, though they are alike",
    );
    let s = &report.settings;
    let effort = format!(
        "about {} s for bounds and search an ear and stack, seed {}",
        s.seconds.0, s.seed
    );
    labelled(&mut out, "asked", &effort);
    labelled(&mut out, "shell by", &s.plan.brief());
    let fits = "tubes end within the cavity: bores from there to the tip are not measured; `fit` tells more of an ear";
    labelled(&mut out, "note", fits);
    for stack in &report.stacks {
        let says = format!(
            "{}: sha256 {}",
            shown(&stack.input.path),
            stack.input.sha256
        );
        labelled(&mut out, "file", &says);
    }
    labelled(
        &mut out,
        "made by",
        &format!("{} {}", report.tool.name, report.tool.version),
    );
    labelled(&mut out, "caution", &report.caution);
    out
}

fn of_stack(out: &mut String, report: &StudyReport, i: usize, share: &StackShare) {
    let ears = share.fits + share.cannot_fit + share.not_found;
    let outcome = match (share.cannot_fit, share.not_found) {
        (0, 0) if ears > 0 => Outcome::Holds,
        (0, _) => Outcome::CannotTell,
        _ => Outcome::Breaks,
    };
    let style = outcome_style(outcome).bold();
    let left_out = report.ears.len() - ears;
    let head = match (ears, left_out) {
        (0, _) => "no ear could be asked".to_owned(),
        (_, 0) => format!("fits {} of {ears} ears", share.fits),
        _ => format!(
            "fits {} of {ears} ears asked ({left_out} left out)",
            share.fits
        ),
    };
    let _ = writeln!(out, "{style}{head}{style:#}: {}", shown(&share.stack));
    let percent = |x: f64| format!("{:.0}", 100.0 * x);
    if let (Some([a, b]), Some([c, d])) = (share.share_of_these, share.share_of_all) {
        let these = match a == b {
            true => format!("{} %", percent(a.0)),
            false => format!(
                "{} to {} % (not found in {})",
                percent(a.0),
                percent(b.0),
                share.not_found
            ),
        };
        let says = format!(
            "of these ears {these}, proven not to fit {}; of all ears {} to {} %",
            share.cannot_fit,
            percent(c.0),
            percent(d.0)
        );
        let _ = writeln!(out, "{}", wrapped(&says, "", WIDTH));
    }
    out.push('\n');
    for proven in [true, false] {
        let these = share.limits.iter().filter(|l| l.proven == proven);
        for (k, limit) in these.enumerate() {
            let label = match (k, proven) {
                (0, true) => "proven",
                (0, false) => "nearest try",
                _ => "",
            };
            let says = format!("{} ({})", shown(&limit.what), counted(limit.ears, "ear"));
            labelled(out, label, &says);
        }
    }
    if share.cut_short > 0 {
        let says = format!(
            "{} of {} searches that found nothing were cut short: more `--seconds` may find more",
            share.cut_short, share.not_found
        );
        labelled(out, "time", &says);
    }
    for ear in &report.ears {
        if let Some(answer) = ear.answers.get(i) {
            line(out, ear, answer);
        }
    }
    out.push('\n');
}

fn line(out: &mut String, ear: &EarReport, a: &EarAnswer) {
    let (outcome, word) = match a.verdict.as_str() {
        "fits" => (Outcome::Holds, "fits"),
        "cannot_fit" => (Outcome::Breaks, "cannot fit"),
        _ => (Outcome::CannotTell, "not found"),
    };
    let style = outcome_style(outcome);
    let gap = INDENT.len() - word.len();
    let _ = writeln!(out, "{style}{word}{style:#}{:gap$}{}", "", shown(&ear.path));
    let spare = a
        .least_spare_mm
        .map(|x| format!("least to spare {:.3} mm", x.0));
    let short = a
        .short_mm
        .map(|x| format!(" in the nearest try, by {:.3} mm", x.0));
    let limit = a
        .limited_by
        .as_ref()
        .map(|what| shown(what) + &short.unwrap_or_default());
    let scan = ear
        .scan_verdict
        .as_ref()
        .map(|v| format!("of the scan as it is: {}", shown(v)));
    let says: Vec<String> = spare.into_iter().chain(limit).chain(scan).collect();
    if !says.is_empty() {
        para(out, &says.join("; "));
    }
}

fn not_asked(out: &mut String, ear: &EarReport) {
    let style = outcome_style(Outcome::CannotTell);
    let word = "not asked";
    let gap = INDENT.len() - word.len();
    let _ = writeln!(out, "{style}{word}{style:#}{:gap$}{}", "", shown(&ear.path));
    if let Some(why) = &ear.not_asked {
        para(out, &shown(why));
    }
}

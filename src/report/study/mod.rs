//! The report of a study: over many ears, which share a stack fits and what limits the rest.

mod model;
mod text;

use crate::report::csv::table;
use crate::report::{CAUTION, Finite, Tool};
use crate::stack::certificate::{Certificate, Margin};
use crate::stack::{FitAnswer, Stack, Tally, Verdict};

pub use model::*;
pub use text::study_text;

impl EarAnswer {
    /// An answer for one ear, in brief.
    #[must_use]
    pub fn of(stack: &Stack, answer: &FitAnswer, seconds: f64) -> Self {
        let certificate = answer.certificate.as_ref();
        let spare = certificate
            .and_then(Certificate::worst)
            .map(Margin::spare_mm);
        let fits = answer.verdict == Verdict::Fits;
        Self {
            stack: stack.name.clone(),
            verdict: answer.verdict.name().to_owned(),
            least_spare_mm: spare.filter(|_| fits).map(Finite),
            limited_by: limited_by(stack, answer),
            short_mm: (answer.blocker.as_ref().filter(|_| !fits))
                .and_then(|b| b.short)
                .map(|s| Finite(s.0)),
            cut_short: answer.cut_short,
            seconds: Finite((seconds * 1e3).round() / 1e3),
            notes: answer.notes.clone(),
        }
    }
}

/// What is proven to keep the stack out, or in the way of the nearest try, in words that are the same for every
/// ear that they hold of.
fn limited_by(stack: &Stack, answer: &FitAnswer) -> Option<String> {
    match &answer.verdict {
        Verdict::Fits => None,
        Verdict::CannotFit(p) => {
            let who = stack.names(&p.parts).join(" and ");
            let who = if who.is_empty() { "all parts" } else { &who };
            Some(format!("{who}: {}", p.bound.name().replace('_', " ")))
        }
        Verdict::NotFound => {
            let b = answer.blocker.as_ref()?;
            let who = stack.names(&b.parts).join(" and ");
            Some(match b.short {
                Some(_) => format!("{who}: too near to {}", super::fit::against(b.kind)),
                None => format!("{who}: no way was found for the tube"),
            })
        }
    }
}

/// Gathers the report of a study of ears that were all asked about the same stacks.
#[must_use]
pub fn study(
    stacks: &[(Stack, super::FileUsed)],
    ears: Vec<EarReport>,
    settings: StudySettings,
) -> StudyReport {
    let each = stacks.iter().enumerate();
    let shares = each.map(|(i, (stack, file))| share(stack, file, i, &ears));
    StudyReport {
        schema: STUDY_SCHEMA.to_owned(),
        tool: Tool {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        command: "study".to_owned(),
        stacks: shares.collect(),
        ears,
        settings,
        caution: CAUTION.to_owned(),
    }
}

fn share(stack: &Stack, file: &super::FileUsed, i: usize, ears: &[EarReport]) -> StackShare {
    let answers = || ears.iter().filter_map(move |e| e.answers.get(i));
    let many = |verdict: &str| answers().filter(|a| a.verdict == verdict).count();
    let tally = Tally {
        fits: many("fits"),
        cannot_fit: many("cannot_fit"),
        not_found: many("not_found"),
    };
    let mut limits: Vec<LimitedBy> = Vec::new();
    for (a, what) in answers().filter_map(|a| Some((a, a.limited_by.as_ref()?))) {
        match limits.iter_mut().find(|l| l.what == *what) {
            Some(known) => known.ears += 1,
            None => limits.push(LimitedBy {
                proven: a.verdict == "cannot_fit",
                what: what.clone(),
                ears: 1,
            }),
        }
    }
    limits.sort_by(|a, b| {
        let by = |l: &LimitedBy| (!l.proven, usize::MAX - l.ears);
        by(a).cmp(&by(b)).then(a.what.cmp(&b.what))
    });
    let two = |ends: Option<(f64, f64)>| ends.map(|(a, b)| [Finite(a), Finite(b)]);
    StackShare {
        stack: stack.name.clone(),
        input: file.clone(),
        fits: tally.fits,
        cannot_fit: tally.cannot_fit,
        not_found: tally.not_found,
        share_of_these: two(tally.of_these()),
        share_of_all: two(tally.of_all()),
        cut_short: answers()
            .filter(|a| a.verdict == "not_found" && a.cut_short)
            .count(),
        limits,
    }
}

/// One line an ear and stack, for a spreadsheet.
#[must_use]
pub fn study_csv(report: &StudyReport) -> String {
    const HEAD: [&str; 10] = [
        "path",
        "stack",
        "answer",
        "least_spare_mm",
        "limited_by",
        "short_mm",
        "cut_short",
        "scan_verdict",
        "not_asked",
        "sha256",
    ];
    let number = |x: Option<Finite>| x.map_or_else(String::new, |x| format!("{:.4}", x.0 + 0.0));
    let mut rows = Vec::new();
    for ear in &report.ears {
        for (i, stack) in report.stacks.iter().enumerate() {
            let a = ear.answers.get(i);
            let text = |x: Option<&String>| x.cloned().unwrap_or_default();
            rows.push([
                ear.path.clone(),
                stack.stack.clone(),
                a.map_or_else(String::new, |a| a.verdict.clone()),
                number(a.and_then(|a| a.least_spare_mm)),
                text(a.and_then(|a| a.limited_by.as_ref())),
                number(a.and_then(|a| a.short_mm)),
                a.map_or_else(String::new, |a| a.cut_short.to_string()),
                text(ear.scan_verdict.as_ref()),
                text(ear.not_asked.as_ref()),
                text(ear.sha256.as_ref()),
            ]);
        }
    }
    table(&HEAD, rows)
}

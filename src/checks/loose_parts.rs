//! Loose parts: dust, threads and turntable that the scanner took for ear.

use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Finding, Verdict, number};

pub static CHECK: Check = Check {
    id: "loose-parts",
    asks: "Is the scan one connected piece?",
    explains: "Everything that hangs on nothing is counted: specks of dust, a piece of stand, a \
        closed bubble inside. Figures are those of the largest part alone. Loose parts are to be \
        deleted, after a look that none of them is a torn-off piece of the ear.",
    worst: Verdict::Repair,
    limits: &[&rows::LOOSE_PARTS],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let floaters = &facts.soundness.floaters;
    let value = count(floaters.len());
    let bar = Bar::at_most(&rows::LOOSE_PARTS, limits);
    let findings: Vec<Finding> = floaters
        .iter()
        .map(|part| {
            let size = facts.scan.unit.map_or_else(String::new, |_| {
                format!(", {} long", number(part.size_mm, "mm"))
            });
            facts.finding(
                &part.point,
                format!("a loose part of {} facets{size}", part.facets),
            )
        })
        .collect();
    let says = match floaters.len() {
        0 => "no loose part".to_owned(),
        1 => "one loose part beside the main piece".to_owned(),
        n => format!("{n} loose parts beside the main piece"),
    };
    let answer = if bar.judge(&value) == Some(true) {
        Answer::holds(says)
    } else {
        Answer::breaks(
            Verdict::Repair,
            says,
            "delete what is not ear; keep the largest piece",
        )
    };
    answer.value(value, "").limit(bar).findings(findings)
}

/// `1 edge`, `3 edges`.
pub(super) fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// A count as a figure: it has no `±`.
pub(super) fn count(n: usize) -> Measured {
    // Counts of facets are far below 2^53, where this is exact.
    #[allow(clippy::cast_precision_loss)]
    Measured::exact(n as f64, 0.0)
}

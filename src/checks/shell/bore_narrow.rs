//! Holes print smaller than drawn, and close up when they are small.

use crate::checks::{Answer, Bar, Verdict, number};
use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "bore-too-narrow",
    asks: "Will every bore and vent stay open in print, as planned?",
    explains: "The planned diameter, less what holes print smaller by, against the least hole.",
    worst: Verdict::Repair,
    limits: &[&rows::HOLE_LEAST, &rows::HOLE_SHRINK],
    run,
};

fn run(facts: &ShellFacts, limits: &Limits) -> Answer {
    let bar = Bar::at_least(&rows::HOLE_LEAST, limits);
    let less = limits.number(&rows::HOLE_SHRINK);
    let printed = |d: f64| Measured::exact((d - less).max(0.0), 0.0);
    let bores = &facts.shell.bores;
    let Some(worst) = bores
        .iter()
        .min_by(|a, b| a.diameter_mm.total_cmp(&b.diameter_mm))
    else {
        return Answer::holds("no bore was asked for");
    };
    let value = printed(worst.diameter_mm);
    let says = format!(
        "narrowest {}, printed about {}",
        number(worst.diameter_mm, "mm"),
        number(value.value, "mm")
    );
    let narrow = bores
        .iter()
        .enumerate()
        .filter(|(_, b)| bar.judge(&printed(b.diameter_mm)) != Some(true));
    let findings = narrow
        .map(|(k, b)| {
            let says = format!("bore {}: {}", k + 1, number(b.diameter_mm, "mm"));
            facts.finding(&b.place(b.material_mm.0), says)
        })
        .collect();
    let answer = if bar.judge(&value) == Some(true) {
        Answer::holds(says)
    } else {
        Answer::breaks(
            Verdict::Repair,
            says,
            "make it wider, or drill it after printing",
        )
    };
    answer.value(value, "mm").limit(bar).findings(findings)
}

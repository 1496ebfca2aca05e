//! Holes narrower than a printer can keep open close up.

use crate::checks::{Answer, Bar, Verdict, figure, number, undecided};
use crate::limits::{Limits, rows};
use crate::shell::wall::Bore;
use crate::units::Measured;

use super::{WallCheck, WallFacts, decide};

pub static CHECK: WallCheck = WallCheck {
    id: "hole-too-small",
    asks: "Will every bore and vent stay open in print?",
    explains: "The narrowest place of every bore, vent or other passage of the inner surface that \
        was found. Holes print smaller than drawn by 0.1 to 0.2 on the diameter (general resin \
        guides), which is not taken off here.",
    worst: Verdict::Repair,
    limits: &[&rows::HOLE_LEAST],
    run,
};

fn run(facts: &WallFacts, limits: &Limits) -> Answer {
    let bar = Bar::at_least(&rows::HOLE_LEAST, limits);
    let value = |bore: &Bore| Measured::exact(bore.least_mm, bore.plus_minus_mm);
    let bores = &facts.wall.bores;
    let Some((k, told)) = decide(bores.iter().map(|bore| (value(bore), bar))) else {
        return Answer::holds("there is none to look at: no bore, vent or other passage was found");
    };
    let worst = &bores[k];
    let middle = |bore: &Bore| nalgebra::center(&bore.from, &bore.to);
    let findings = bores
        .iter()
        .filter(|bore| bar.judge(&value(bore)) != Some(true))
        .map(|bore| {
            let says = format!(
                "{} wide, {} long",
                figure(&value(bore), "mm"),
                number(bore.length_mm, "mm")
            );
            facts.finding(&middle(bore), says)
        })
        .collect();
    let says = format!("narrowest {}", figure(&value(worst), "mm"));
    let answer = match told {
        Some(true) => Answer::holds(says),
        Some(false) => Answer::breaks(
            Verdict::Repair,
            says,
            "widen it, or drill it after printing",
        ),
        None => Answer::cannot_tell(undecided(&value(worst), &bar), "widen it a little"),
    };
    answer
        .value(value(worst), "mm")
        .limit(bar)
        .findings(findings)
}

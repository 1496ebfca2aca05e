//! Where the outer surface flares towards the faceplate it ends in a lip, whatever wall was asked for.

use crate::checks::wall::RIM_ADVICE;
use crate::checks::{Answer, Bar, Verdict, figure, number, undecided};
use crate::limits::{Limits, rows};

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "rim-sharp",
    asks: "Does the outer surface meet the faceplate without a sharp lip?",
    explains: "The angle inside the material between the faceplate's plane and the outer surface 0.15 to \
        0.6 mm below it, all along the border; 90 deg is square. In a wedge under the limit the \
        wall runs out to nothing at the lip, whatever wall was asked for, and is read as thin; as \
        printed, such an edge can hurt whoever handles or wears it. The outer surface flares so where the plane cuts a hollow of the \
        concha, at the crus above all. Raising the faceplate draws the sides out straight and leaves a \
        square rim; a plane further down or tilted mostly cuts the hollow as sharply elsewhere.",
    worst: Verdict::Repair,
    limits: &[&rows::RIM_LEAST],
    run,
};

fn run(facts: &ShellFacts, limits: &Limits) -> Answer {
    let bar = Bar::at_least(&rows::RIM_LEAST, limits);
    let rim = &facts.shell.rim;
    let Some(sharpest) = rim.sharpest() else {
        return Answer::cannot_tell(
            "no border of the outer surface was found in the faceplate's plane",
            "look at the faceplate's plane on the page",
        );
    };
    let value = sharpest.angle();
    let says = format!("least {}", figure(&value, "deg"));
    let finding = facts.finding(
        &sharpest.point,
        format!("sharpest, {}", figure(&value, "deg")),
    );
    let answer = match bar.judge(&value) {
        Some(true) => return Answer::holds(says).value(value, "deg").limit(bar),
        Some(false) => Answer::breaks(
            Verdict::Repair,
            format!(
                "{says}; {} of the rim's {} are under the limit",
                number(rim.under_mm(bar.value), "mm"),
                number(rim.length_mm(), "mm")
            ),
            RIM_ADVICE,
        ),
        None => Answer::cannot_tell(undecided(&value, &bar), RIM_ADVICE),
    };
    answer
        .value(value, "deg")
        .limit(bar)
        .findings(vec![finding])
}

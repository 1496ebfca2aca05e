//! What a straight pull would need. An impression is of a soft ear and nearly always has undercuts:
//! no fault of it, but what the modeller must trim or block out, so the verdict does not hang on it.

use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, figure, number, undecided};

pub static CHECK: Check = Check {
    id: "undercut-straight",
    asks: "Would a hard piece of this shape come out by a straight pull?",
    explains: "The undercut depth of a point is how far it must go sideways on its way out, if the \
        tissue reaches up to the outer face. Held against the limit is the largest depth along the \
        best straight pull within 45 degrees of the canal's axis, measured coarsely. Hardly any full \
        impression passes, and wearers turn the piece as they draw it: breaking this holds \
        no verdict back. `secondbend undercut` measures finely, finds the way it really comes out, \
        and tries what must be trimmed.",
    worst: Verdict::Design,
    limits: &[&rows::UNDERCUT],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    if let Err(answer) = facts.canal(limits) {
        return *answer;
    }
    let pull = match facts.pull {
        Some(Ok(pull)) => pull,
        Some(Err(why)) => {
            return Answer::cannot_tell(why.to_string(), why.help()).not_deciding();
        }
        None => {
            return Answer::cannot_tell("it was not measured", "run `secondbend undercut`")
                .not_deciding();
        }
    };
    let bar = Bar::at_most(&rows::UNDERCUT, limits);
    let value = pull.best.largest_mm;
    let area = number(pull.best.area_mm2.value, "mm2");
    let says = format!("best straight pull found {}", figure(&value, "mm"));
    // Of the direction found the figure is exact, and the question is whether one was found.
    let of_it = Measured::exact(value.value, value.plus_minus);
    let answer = match bar.judge(&of_it) {
        Some(true)
            if facts.soundness.crossing_pairs > 0 || !facts.soundness.flipped_spots.is_empty() =>
        {
            Answer::cannot_tell(
                format!("{says}, but the surface crosses itself or is partly turned"),
                "repair the surface, then measure again",
            )
            .not_deciding()
        }
        Some(true) => Answer::holds(says),
        Some(false) => Answer::breaks(
            Verdict::Design,
            format!("{says}; {area} over the limit"),
            "see `secondbend undercut` for the way it comes out with turning, and what to trim",
        )
        .findings(vec![facts.finding(&pull.held_at, "held most")]),
        None => Answer::cannot_tell(
            undecided(&of_it, &bar),
            "`secondbend undercut` measures it finely",
        )
        .not_deciding(),
    };
    answer.value(value, "mm").limit(bar)
}

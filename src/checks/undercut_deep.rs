//! Does a hard piece of this shape come out? Of an impression that is no fault: the ear was soft,
//! and nearly every one has undercuts that the modeller trims or blocks out, so no verdict hangs on
//! it. Of a finished shell it is the question whether it can be worn (see
//! [`super::shell`], which asks with the same function).

use crate::limits::{Limits, rows};
use crate::mesh::Point;
use crate::soundness::Soundness;
use crate::undercut::{CannotTell, Pulls, Withdrawal};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Finding, Verdict, figure, number, undecided};

pub static CHECK: Check = Check {
    id: "undercut-deep",
    asks: "Was a way found for a hard piece of this shape to come out of the ear?",
    explains: "The undercut depth of a point is how far it must go sideways on its way out, if the \
        tissue reaches up to the outer face. It holds where the largest depth along the best straight \
        pull within 45 degrees of the canal's axis, measured coarsely, is within the limit. Hardly any \
        full impression passes that, and wearers turn the piece as they draw it; so a deeper one tells \
        nothing yet. With `--withdrawal` the way out with turning is looked for too, and what it \
        squeezes decides. Of an impression it holds no verdict back. `secondbend undercut` measures \
        finely and tries what must be trimmed.",
    worst: Verdict::Design,
    limits: &[&rows::UNDERCUT],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    if let Err(answer) = facts.canal(limits) {
        return *answer;
    }
    let Some(pulls) = facts.pull else {
        return Answer::cannot_tell("it was not measured", "run `secondbend undercut`")
            .not_deciding();
    };
    let found = |point: &Point, says: &str| facts.finding(point, says);
    let mut answer = comes_out(pulls, faults(facts.soundness), limits, &found);
    answer.weighs = Verdict::Design;
    answer
}

fn faults(soundness: &Soundness) -> bool {
    soundness.crossing_pairs > 0 || !soundness.flipped_spots.is_empty()
}

/// Answers from what was measured: the way out where it was looked for, else the straight pulls. On
/// a surface with `faults` nothing that looks free is believed.
pub(super) fn comes_out(
    pulls: Result<&Pulls, &CannotTell>,
    faults: bool,
    limits: &Limits,
    found: &dyn Fn(&Point, &str) -> Finding,
) -> Answer {
    let pulls = match pulls {
        Ok(pulls) => pulls,
        Err(why) => return Answer::cannot_tell(why.to_string(), why.help()).not_deciding(),
    };
    let answer = match &pulls.way {
        Some(Ok(way)) => {
            let advice = "`secondbend undercut` tries what must be trimmed";
            turned(way, advice, limits, found)
        }
        Some(Err(why)) => Answer::cannot_tell(
            why.to_string(),
            "look whether the surface is closed and sound",
        ),
        None => straight(pulls, limits, found),
    };
    if faults && answer.outcome == super::Outcome::Holds {
        let says = format!(
            "{}, but the surface crosses itself or is partly turned",
            answer.says
        );
        return Answer::cannot_tell(says, "repair the surface, then measure again").not_deciding();
    }
    answer
}

/// What the way out squeezes decides; `advice` is for one that is too tight.
pub(super) fn turned(
    way: &Withdrawal,
    advice: impl Into<String>,
    limits: &Limits,
    found: &dyn Fn(&Point, &str) -> Finding,
) -> Answer {
    let bar = Bar::at_most(&rows::UNDERCUT, limits);
    let value = way.squeeze_mm;
    let angle = number(way.turn_deg.value(), "deg");
    let says = format!("squeeze {}, {angle} turned", figure(&value, "mm"));
    let binds = || vec![found(&way.binds_at, "it binds here")];
    let answer = if bar.judge(&value) == Some(true) {
        Answer::holds(says)
    } else if value.value - value.plus_minus > bar.value {
        Answer::breaks(Verdict::Repair, says, advice).findings(binds())
    } else {
        Answer::cannot_tell(
            undecided(&value, &bar),
            "trim a tenth of a millimetre where it binds, or try it on",
        )
        .findings(binds())
    };
    answer.value(value, "mm").limit(bar)
}

/// A shallow straight pull is a way out; a deep one says nothing of ways with turning.
fn straight(pulls: &Pulls, limits: &Limits, found: &dyn Fn(&Point, &str) -> Finding) -> Answer {
    let bar = Bar::at_most(&rows::UNDERCUT, limits);
    let value = pulls.best.largest_mm;
    // Of the direction found the figure is exact, and the question is whether one was found.
    let of_it = Measured::exact(value.value, value.plus_minus);
    let answer = if bar.judge(&of_it) == Some(true) {
        Answer::holds(format!("best straight pull found {}", figure(&value, "mm")))
    } else {
        let area = number(pulls.best.area_mm2.value, "mm2");
        let says = format!(
            "best straight pull found {}, {area} over the limit; turning was not tried",
            figure(&value, "mm")
        );
        Answer::cannot_tell(
            says,
            "`--withdrawal` looks for the way out with turning (takes up to half a minute)",
        )
        .findings(vec![found(&pulls.held_at, "held most")])
        .not_deciding()
    };
    answer.value(value, "mm").limit(bar)
}

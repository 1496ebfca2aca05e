//! Is what was scanned an impression at all? A finished shell has a canal, bends and a side as well, and
//! would be judged as the ear that it was made for: told by how thick it is, for an impression is solid.

use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, figure, number, undecided};

pub static CHECK: Check = Check {
    id: "not-an-impression",
    asks: "Is it as solid as an impression?",
    explains: "A closed surface holds twice its volume over its area: a plate or a thin shell as \
        much as it is thick, a ball of radius r two thirds of r. Under `scan.thickness_least_mm` \
        it is a finished shell, or a scan that was hollowed out, and no other check then judges a \
        length. An open surface is taken with its openings closed flat; where that is too thin it \
        can't be told.",
    worst: Verdict::CannotTell,
    limits: &[&rows::THICKNESS_LEAST],
    run,
};

/// Twice a volume over the area that it lies within, openings closed flat.
fn thickness(facts: &Facts, volume_mm3: f64) -> Measured {
    let sound = facts.soundness;
    let openings_mm2: f64 = sound.holes.iter().map(|h| h.area_mm2).sum();
    let area_mm2 = (sound.enclosing_mm2 + openings_mm2).max(f64::MIN_POSITIVE);
    facts.length(2.0 * volume_mm3.abs() / area_mm2)
}

/// How thin a closed surface is, where that is surely too thin for an impression.
pub(super) fn hollow(facts: &Facts, limits: &Limits) -> Option<String> {
    let value = thickness(facts, facts.soundness.volume_mm3?);
    let bar = Bar::at_least(&rows::THICKNESS_LEAST, limits);
    let thin = bar.judge(&value) == Some(false);
    thin.then(|| format!("{} thick on the whole: hollow", figure(&value, "mm")))
}

fn run(facts: &Facts, limits: &Limits) -> Answer {
    if let Err(answer) = facts.unit(limits) {
        return *answer;
    }
    let sound = facts.soundness;
    let value = thickness(
        facts,
        sound.volume_mm3.unwrap_or(sound.volume_if_capped_mm3),
    );
    let bar = Bar::at_least(&rows::THICKNESS_LEAST, limits);
    let says = format!("{} thick on the whole", figure(&value, "mm"));
    // What an opening held is not measured, so no ± is told.
    let closed = format!(
        "about {} thick on the whole with its openings closed",
        number(value.value, "mm")
    );
    let advice = "give the scan of the impression; a finished shell is for `secondbend wall`";
    let answer = match (bar.judge(&value), hollow(facts, limits)) {
        (Some(true), _) if sound.volume_mm3.is_some() => Answer::holds(format!("solid, {says}")),
        (Some(true), _) => Answer::holds(format!("solid, {closed}")),
        (_, Some(says)) => Answer::breaks(Verdict::CannotTell, says, advice),
        (Some(false), None) => {
            Answer::cannot_tell(format!("{closed}: too thin for an impression"), advice)
        }
        (None, None) => Answer::cannot_tell(undecided(&value, &bar), advice),
    };
    answer.value(value, "mm").limit(bar)
}

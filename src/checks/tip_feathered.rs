//! A feathered tip: material that ran past the block as a thin tongue. It bends when touched,
//! so it is trimmed, and it must not count as canal length.

use crate::canal::Canal;
use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, figure, undecided};

pub static CHECK: Check = Check {
    id: "tip-feathered",
    asks: "Does the canal keep a full section up to its tip?",
    explains: "Past the last full section (over 8 mm2 and wider than 1.8 mm, common practice, no \
        source) the material is a feather. Up to `tip.feather_mm` it is trimmed in passing; over \
        it, trim it back and measure again. The lengths past the bends are judged without it.",
    worst: Verdict::Repair,
    limits: &[&rows::FEATHER],
    run,
};

fn length(canal: &Canal) -> Option<Measured> {
    let feather = canal.feather.as_ref()?;
    Some(Measured::exact(
        feather.length_mm,
        canal.length_mm.plus_minus,
    ))
}

/// How much of the canal's length is feather that has to go, mm; 0 where it is let pass.
/// "Too close to call" counts as feather: a length may read short for it, never long.
pub(super) fn lost_mm(canal: &Canal, limits: &Limits) -> f64 {
    let bar = Bar::at_most(&rows::FEATHER, limits);
    length(canal)
        .filter(|value| bar.judge(value) != Some(true))
        .map_or(0.0, |value| value.value)
}

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let canal = match facts.canal(limits) {
        Ok(canal) => canal,
        Err(answer) => return *answer,
    };
    let (Some(value), Some(feather)) = (length(canal), canal.feather.as_ref()) else {
        return Answer::holds("a full section up to the tip");
    };
    let bar = Bar::at_most(&rows::FEATHER, limits);
    let says = format!("{} past the last full section", figure(&value, "mm"));
    let place = facts.finding(
        &feather.point,
        format!(
            "the last full section; halfway to the tip {}",
            figure(
                &Measured::exact(feather.smallest_mm, canal.width_plus_minus_mm),
                "mm wide"
            )
        ),
    );
    let answer = match bar.judge(&value) {
        Some(true) => Answer::holds(says),
        Some(false) => Answer::breaks(
            Verdict::Repair,
            says,
            "trim it back to a full section, then vet it again: the length that is left decides",
        ),
        None => Answer::cannot_tell(undecided(&value, &bar), "look at the tip"),
    };
    answer.value(value, "mm").limit(bar).findings(vec![place])
}

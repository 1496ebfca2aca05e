//! Are the canal's figures those of an ear? Not a fault of the ear but a guard against us:
//! figures that no ear has mean a wrong unit, a wrong end taken for the canal, or no ear at all.

use crate::canal::Canal;
use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, figure, number, undecided};

/// Area at the first bend within two standard deviations of Voss et al. 2020 (63.4, sd 13.5).
const USUAL_MM2: (f64, f64) = (36.0, 90.0);

pub static CHECK: Check = Check {
    id: "figures-doubtful",
    asks: "Are the canal's figures within what is published of ears?",
    explains: "The section at the first bend is held against casts of 169 people (Voss et al. 2020: \
        63.4 mm2, sd 13.5), widened, and the canal's length against CT of 66 ears (Balouch et al. \
        2023: 31.4 mm, sd 3.1). A break does not say that the ear is wrong: it says that a person \
        has to look whether this is a canal in this unit before any other figure is believed. A \
        canal that widens again after a waist is no defect (5 of 10 ears of Wulbusch et al. 2023) \
        and is not looked at here.",
    worst: Verdict::CannotTell,
    limits: &[&rows::AREA_LEAST, &rows::AREA_MOST, &rows::LENGTH_MOST],
    run,
};

const LOOK: &str = "look at the picture: is the canal the canal, and is the unit right?";

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let canal = match facts.canal(limits) {
        Ok(canal) => canal,
        Err(answer) => return *answer,
    };
    let length = (canal.length_mm, Bar::at_most(&rows::LENGTH_MOST, limits));
    if length.1.judge(&length.0) == Some(false) {
        let says = format!("a canal of {} is longer than any", figure(&length.0, "mm"));
        return Answer::breaks(Verdict::CannotTell, says, LOOK)
            .value(length.0, "mm")
            .limit(length.1);
    }
    let Some(area) = area_at_first_bend(canal) else {
        return Answer::cannot_tell(
            "no first bend was told, so its section can't be compared",
            "nothing hangs on it",
        )
        .not_deciding();
    };
    let least = Bar::at_least(&rows::AREA_LEAST, limits);
    let most = Bar::at_most(&rows::AREA_MOST, limits);
    // One of the two is nearer; the far one then holds as well.
    let bar = if area.value < f64::midpoint(least.value, most.value) {
        least
    } else {
        most
    };
    let says = format!(
        "{} at the first bend, held against {} to {}",
        figure(&area, "mm2"),
        format_args!("{:.1}", least.value),
        number(most.value, "mm2")
    );
    let answer = match bar.judge(&area) {
        Some(true) => Answer::holds(says).and(&unusual(area.value)),
        Some(false) => Answer::breaks(Verdict::CannotTell, says, LOOK),
        None => Answer::cannot_tell(undecided(&area, &bar), LOOK),
    };
    answer.value(area, "mm2").limit(bar)
}

fn unusual(area_mm2: f64) -> String {
    if area_mm2 < USUAL_MM2.0 || area_mm2 > USUAL_MM2.1 {
        format!(
            "rare: beyond two standard deviations, {:.0}-{:.0} mm2",
            USUAL_MM2.0, USUAL_MM2.1
        )
    } else {
        String::new()
    }
}

fn area_at_first_bend(canal: &Canal) -> Option<Measured> {
    let at = canal.bends.first()?.at_mm.value;
    let far = |mm: f64| (mm - at).abs();
    let section = canal
        .sections
        .iter()
        .min_by(|a, b| far(a.at_mm).total_cmp(&far(b.at_mm)))?;
    Some(Measured::exact(
        section.area_mm2,
        canal.area_share * section.area_mm2,
    ))
}

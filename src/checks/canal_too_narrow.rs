//! Do the sound bores fit through the narrowest place of the canal? It is better known before
//! the shell is drawn than when the second bore breaks into the first.

use crate::canal::{Canal, Section};
use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::bore_bundle::{Bundle, Oval, largest_bore};
use super::{Answer, Bar, Check, Facts, Sense, Verdict, figure, undecided};

pub static CHECK: Check = Check {
    id: "canal-too-narrow",
    asks: "Do the sound bores fit through the narrowest place of the canal, with webs and walls?",
    explains: "The narrowest section is taken as the ellipse of its area and its ratio of widths. \
        The value is the widest bore of which `bores.count` fit in it with `bores.web_mm` between \
        them and `bores.wall_mm` round about; exact for one and two bores. For three or more it \
        is a lower bound (a row, or a ring), and this breaks only where two of them do not fit. \
        Build-up would give a little more, and is not counted.",
    worst: Verdict::Repair,
    limits: &[
        &rows::BORE_DIAMETER,
        &rows::BORES,
        &rows::BORE_WEB,
        &rows::BORE_WALL,
    ],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let canal = match facts.canal(limits) {
        Ok(canal) => canal,
        Err(answer) => return *answer,
    };
    let bundle = Bundle {
        count: limits.count(&rows::BORES),
        web_mm: limits.number(&rows::BORE_WEB),
        wall_mm: limits.number(&rows::BORE_WALL),
    };
    let bar = Bar {
        row: &rows::BORE_DIAMETER,
        value: limits.number(&rows::BORE_DIAMETER),
        sense: Sense::AtLeast,
    };
    let place = &canal.narrowest;
    let Some((surely, never_over)) = bounds(bundle, place, canal) else {
        return Answer::cannot_tell("the narrowest section has no area", "look at the canal");
    };
    let says = |value: &Measured| {
        let n = bundle.count;
        let bores = if n == 1 {
            "one bore".to_owned()
        } else {
            format!("{n} bores")
        };
        format!(
            "room for {bores} of {} at {:.1} mm from the aperture",
            figure(value, "mm"),
            place.at_mm
        )
    };
    let finding = || {
        let (large, small) = (
            width(place.largest_mm, canal),
            width(place.smallest_mm, canal),
        );
        vec![facts.finding(
            &place.centre,
            format!(
                "narrowest: {} by {}",
                figure(&large, "mm"),
                figure(&small, "mm")
            ),
        )]
    };
    if bar.judge(&surely) == Some(true) {
        return Answer::holds(says(&surely)).value(surely, "mm").limit(bar);
    }
    if bar.judge(&never_over) == Some(false) {
        return Answer::breaks(
            Verdict::Repair,
            says(&never_over),
            "agree on fewer or thinner bores, or on a shorter canal, before designing",
        )
        .value(never_over, "mm")
        .limit(bar)
        .findings(finding());
    }
    Answer::cannot_tell(
        undecided(&surely, &bar),
        "try the layout on the section itself",
    )
    .value(surely, "mm")
    .limit(bar)
    .findings(finding())
}

fn width(mm: f64, canal: &Canal) -> Measured {
    Measured::exact(mm, canal.width_plus_minus_mm)
}

/// The bore that surely fits and the one that is surely not exceeded, each with the `±` that
/// the section's widths give it. They are one exact figure for one and two bores.
fn bounds(bundle: Bundle, place: &Section, canal: &Canal) -> Option<(Measured, Measured)> {
    let oval = Oval::of(place.area_mm2, place.largest_mm, place.smallest_mm)?;
    let by = canal.width_plus_minus_mm;
    let (low, high) = largest_bore(bundle, oval);
    let (low_less, high_less) = largest_bore(bundle, oval.widened(-by));
    let (low_more, high_more) = largest_bore(bundle, oval.widened(by));
    let low_pm = (low - low_less).max(low_more - low);
    let high_pm = (high - high_less).max(high_more - high);
    Some(if bundle.count <= 2 {
        (Measured::exact(low, low_pm), Measured::exact(high, high_pm))
    } else {
        (
            Measured::at_least(low, low_pm),
            Measured::at_most(high, high_pm),
        )
    })
}

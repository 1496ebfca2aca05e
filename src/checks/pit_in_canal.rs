//! Pits in the canal wall: bubbles, voids and weld lines of the cast. On the shell each would
//! be a bump that presses, or a groove that leaks once it is smoothed the wrong way.

use crate::limits::{Limits, rows};
use crate::soundness::{Pit, Region};

use super::{Answer, Bar, Check, Facts, Finding, Verdict, figure, undecided};

pub static CHECK: Check = Check {
    id: "pit-in-canal",
    asks: "Is the canal wall free of deep pits?",
    explains: "A pit is an inward depression of the canal wall (bubble, void, fold). One deeper \
        than `pits.depth_mm` breaks this check. Up to `pits.fill_mm` across and outside the seal \
        zone it may be filled; wider, or where the seal is made, the impression is taken again. A \
        place where the canal is narrower and widens again is anatomy, found in half of ears, and \
        no pit.",
    worst: Verdict::Retake,
    limits: &[&rows::PIT_DEPTH, &rows::PIT_FILL],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let canal = match facts.canal(limits) {
        Ok(canal) => canal,
        Err(answer) => return *answer,
    };
    let bar = Bar::at_most(&rows::PIT_DEPTH, limits);
    let pits: Vec<&Pit> = canal.pits.iter().filter(|pit| pit.depth_mm > 0.0).collect();
    let Some(deepest) = pits.iter().max_by(|a, b| a.depth_mm.total_cmp(&b.depth_mm)) else {
        return Answer::holds("no pit in the canal wall");
    };
    let value = facts.length(deepest.depth_mm);
    let says = format!("deepest pit {}", figure(&value, "mm"));
    let of = |wanted: Option<bool>| -> Vec<&Pit> {
        let these = pits
            .iter()
            .filter(|pit| bar.judge(&facts.length(pit.depth_mm)) == wanted);
        these.copied().collect()
    };
    let deep = of(Some(false));
    let answer = if deep.is_empty() {
        match bar.judge(&value) {
            Some(true) => Answer::holds(says),
            _ => Answer::cannot_tell(undecided(&value, &bar), "look at it")
                .findings(places(facts, &of(None))),
        }
    } else {
        let fillable = deep.iter().all(|pit| may_be_filled(facts, pit, limits));
        let (weighs, advice) = if fillable {
            (Verdict::Repair, "fill it flush with the wall round about")
        } else {
            (
                Verdict::Retake,
                "take the impression again: it is too wide to fill, or where the seal is made",
            )
        };
        Answer::breaks(weighs, says, advice).findings(places(facts, &deep))
    };
    answer.value(value, "mm").limit(bar)
}

fn may_be_filled(facts: &Facts, pit: &Pit, limits: &Limits) -> bool {
    let fill = Bar::at_most(&rows::PIT_FILL, limits);
    let (region, _) = facts.region(&pit.point);
    let away = !matches!(region, Region::SealZone | Region::Canal | Region::Unknown);
    away && fill.judge(&facts.length(pit.width_mm)) == Some(true)
}

fn places(facts: &Facts, pits: &[&Pit]) -> Vec<Finding> {
    let say = |pit: &Pit| {
        let (deep, wide) = (facts.length(pit.depth_mm), facts.length(pit.width_mm));
        format!(
            "a pit {} deep and {} wide",
            figure(&deep, "mm"),
            figure(&wide, "mm")
        )
    };
    pits.iter()
        .map(|pit| facts.finding(&pit.point, say(pit)))
        .collect()
}

//! Holes outside the seal zone: small ones are filled in passing, larger ones are missing ear.

use crate::limits::{Limits, rows};
use crate::soundness::Region;

use super::{Answer, Bar, Check, Facts, Finding, Verdict, figure, undecided};

pub static CHECK: Check = Check {
    id: "hole-elsewhere",
    asks: "Outside the seal zone, is every hole small enough to fill in passing?",
    explains: "Every boundary loop but the base opening is a hole. Up to `holes.span_mm` across it \
        is filled in passing. A wider one in the concha or on the outer face is filled with care; \
        a wider one in the canal or at the tip is a torn cast or a missing piece of scan, and the \
        impression is scanned or taken again.",
    worst: Verdict::Retake,
    limits: &[&rows::HOLE],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let elsewhere: Vec<_> = facts
        .soundness
        .holes
        .iter()
        .filter(|hole| !hole.base)
        .map(|hole| (facts.length(hole.span_mm), facts.finding(&hole.point, "")))
        .filter(|(_, place)| place.region != Region::SealZone)
        .collect();
    let Some((widest, _)) = elsewhere
        .iter()
        .max_by(|a, b| a.0.value.total_cmp(&b.0.value))
    else {
        return Answer::holds(
            "no hole outside the seal zone but the base opening, if there is one",
        );
    };
    let widest = *widest;
    if let Err(answer) = facts.lengths(limits) {
        return answer.and("the scan has holes of unknown size");
    }
    let bar = Bar::at_most(&rows::HOLE, limits);
    let judged = |wanted: Option<bool>| -> Vec<Finding> {
        let these = elsewhere
            .iter()
            .filter(|(span, _)| bar.judge(span) == wanted);
        these
            .map(|(span, place)| Finding {
                says: format!("a hole {} across", figure(span, "mm")),
                ..place.clone()
            })
            .collect()
    };
    let too_wide = judged(Some(false));
    let answer = if !too_wide.is_empty() {
        let canal = too_wide.iter().any(|finding| in_canal(finding.region));
        let (weighs, advice) = if canal {
            (
                Verdict::Retake,
                "scan the impression again from that side; if the cast is torn, take it again",
            )
        } else {
            (
                Verdict::Repair,
                "fill it along the curve of the surface round about, then look at it",
            )
        };
        let says = format!(
            "{} too wide to fill in passing, {} across",
            holes_words(too_wide.len()),
            figure(&widest, "mm")
        );
        Answer::breaks(weighs, says, advice).findings(too_wide)
    } else if bar.judge(&widest).is_none() {
        Answer::cannot_tell(undecided(&widest, &bar), "look at it").findings(judged(None))
    } else {
        let says = format!(
            "{} to fill in passing, {} across",
            holes_words(elsewhere.len()),
            figure(&widest, "mm")
        );
        Answer::holds(says).findings(judged(Some(true)))
    };
    answer.value(widest, "mm").limit(bar)
}

const fn in_canal(region: Region) -> bool {
    matches!(
        region,
        Region::Tip | Region::PastSecondBend | Region::BetweenBends | Region::Canal
    )
}

fn holes_words(count: usize) -> String {
    match count {
        1 => "one hole".to_owned(),
        n => format!("{n} holes, the widest"),
    }
}

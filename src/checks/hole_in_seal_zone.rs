//! Holes where the seal is made. The band from aperture to first bend must touch skin all
//! round, so a patch put there by a program is a guess at exactly the wrong place.

use crate::limits::{Limits, rows};
use crate::soundness::Region;

use super::{Answer, Bar, Check, Facts, Finding, Verdict, figure};

pub static CHECK: Check = Check {
    id: "hole-in-seal-zone",
    asks: "Is the surface whole from the aperture to the first bend, where the seal is made?",
    explains: "Any hole between aperture and first bend breaks this check. Up to \
        `holes.seal_zone_fill_mm` across it may be filled; over that the impression is scanned \
        again, or taken again if the cast itself is torn. A hole in a canal whose bends were not \
        told may lie in the seal zone or not: that can't be told.",
    worst: Verdict::Retake,
    limits: &[&rows::SEAL_HOLE],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let holes: Vec<_> = facts
        .soundness
        .holes
        .iter()
        .filter(|hole| !hole.base)
        .collect();
    if holes.is_empty() {
        return Answer::holds("no hole anywhere but the base opening, if there is one");
    }
    if let Err(answer) = facts.canal(limits) {
        return answer.and("the scan has holes, and whether one is in the seal zone is unknown");
    }
    let bar = Bar::at_most(&rows::SEAL_HOLE, limits);
    let mut inside: Vec<(f64, Finding)> = Vec::new();
    let mut perhaps: Vec<Finding> = Vec::new();
    for hole in holes {
        let span = facts.length(hole.span_mm);
        let finding = facts.finding(
            &hole.point,
            format!("a hole {} across", figure(&span, "mm")),
        );
        match finding.region {
            Region::SealZone => inside.push((hole.span_mm, finding)),
            Region::Canal | Region::Unknown => perhaps.push(finding),
            _ => {}
        }
    }
    let Some(widest) = inside.iter().map(|(span, _)| *span).max_by(f64::total_cmp) else {
        return none_inside(perhaps);
    };
    let value = facts.length(widest);
    let count = match inside.len() {
        1 => "one hole".to_owned(),
        n => format!("{n} holes, the widest"),
    };
    let says = format!("in the seal zone {count} {} across", figure(&value, "mm"));
    let (weighs, advice) = match bar.judge(&value) {
        Some(false) => (
            Verdict::Retake,
            "scan the impression again from that side; if the cast is torn, take it again",
        ),
        _ => (
            Verdict::Repair,
            "fill it flush with the surface round about, then look at it",
        ),
    };
    Answer::breaks(weighs, says, advice)
        .value(value, "mm")
        .limit(bar)
        .findings(inside.into_iter().map(|(_, finding)| finding).collect())
}

fn none_inside(perhaps: Vec<Finding>) -> Answer {
    if perhaps.is_empty() {
        return Answer::holds("no hole in the seal zone");
    }
    Answer::cannot_tell(
        "a hole in a canal whose first bend was not told",
        "look whether it lies where the seal will be",
    )
    .findings(perhaps)
}

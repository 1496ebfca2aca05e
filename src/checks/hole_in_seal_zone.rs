//! Holes where the seal is made. The band from aperture to first bend must touch skin all
//! round, so a patch put there by a program is a guess at exactly the wrong place.

use crate::canal::Canal;
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
    let canal = match facts.canal(limits) {
        Ok(canal) => canal,
        Err(answer) => {
            return answer
                .and("the scan has holes, and whether one is in the seal zone is unknown");
        }
    };
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
            Region::Canal | Region::Unknown => perhaps.push(finding),
            // The first bend told may be none; then the seal zone goes on to the next.
            Region::BetweenBends if !canal.bends_sure => perhaps.push(finding),
            _ if reaches_in(&finding, hole.span_mm, canal) => {
                inside.push((hole.span_mm, finding));
            }
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

/// Is a hole in the seal zone, or its middle so little past the first bend that it reaches in?
fn reaches_in(finding: &Finding, span_mm: f64, canal: &Canal) -> bool {
    let inward = matches!(
        finding.region,
        Region::BetweenBends | Region::PastSecondBend | Region::Tip
    );
    let bend_mm = canal.bends.first().map(|bend| bend.at_mm.value);
    let reaches = |at_mm: f64| bend_mm.is_some_and(|bend| at_mm - span_mm / 2.0 < bend);
    finding.region == Region::SealZone || (inward && finding.at_mm.is_some_and(reaches))
}

fn none_inside(perhaps: Vec<Finding>) -> Answer {
    if perhaps.is_empty() {
        return Answer::holds("no hole in the seal zone");
    }
    Answer::cannot_tell(
        "a hole in a canal whose first bend is not told for sure",
        "look whether it lies where the seal will be",
    )
    .findings(perhaps)
}

//! A scan that stops before the canal flares into the concha has no place to count lengths
//! from: its figures are lower bounds, and the seal zone may be cut off.

use crate::limits::{Limits, rows};

use super::{Answer, Check, Facts, Verdict};

/// An opening up to this many times the canal's width is the cut end of a canal.
/// Too low: a canal cut off at 45° (1.41 times wider) is missed. Too high: the base opening of an
/// ear with its concha (2.28 to 2.55 times the aperture's width on four made ears) is taken for it.
const CUT_END_WIDTHS: f64 = 1.8;

pub static CHECK: Check = Check {
    id: "scan-ends-in-canal",
    asks: "Does the scan go on past the aperture into the concha, and end as the shop expects?",
    explains: "Lengths count from the aperture, where the canal flares into the concha. A scan \
        that is open and no wider there than the canal stops within the canal: there is no \
        concha to build on, and every length from the aperture is only a lower bound. Where no \
        flare into something as wide as a concha is found on a closed surface it can't be told whether the concha is missing or \
        unusually slim. With `scan.base` a shop can also ask that the outer face be open (as \
        scanned) or closed (capped).",
    worst: Verdict::Retake,
    limits: &[&rows::BASE],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let canal = match facts.canal(limits) {
        Ok(canal) => canal,
        Err(answer) => return *answer,
    };
    let base = facts.soundness.holes.iter().find(|hole| hole.base);
    if !canal.aperture_reached {
        return match base {
            Some(hole) if hole.span_mm <= CUT_END_WIDTHS * canal.aperture.largest_mm => {
                Answer::breaks(
                    Verdict::Retake,
                    "the scan stops within the canal",
                    "scan the whole impression, with its concha",
                )
                .findings(vec![facts.finding(&hole.point, "the surface ends here")])
            }
            _ => Answer::cannot_tell(
                "no concha was found that the canal would open into",
                "lengths from the aperture are lower bounds; look whether the concha is on the scan",
            )
            .findings(vec![facts.finding(&canal.aperture.centre, "the outermost canal section")]),
        };
    }
    let ends = if base.is_some() { "open" } else { "closed" };
    let expected = limits.word(&rows::BASE);
    if expected != "any" && expected != ends {
        return Answer::breaks(
            Verdict::Repair,
            format!("the outer face is {ends}, the shop expects it {expected}"),
            "export the scan the other way",
        );
    }
    Answer::holds(format!(
        "the canal flares into the concha; the outer face is {ends}"
    ))
}

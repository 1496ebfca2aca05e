//! Winding: which way the facets face. A surface inside out has a negative volume, and shells
//! built on it grow the wrong way.

use crate::limits::{Limits, rows};

use super::fin_edges::spots;
use super::loose_parts::{count, counted};
use super::{Answer, Bar, Check, Facts, Verdict};

pub static CHECK: Check = Check {
    id: "winding-inverted",
    asks: "Do all facets face outward?",
    explains: "Facets must run counter-clockwise seen from outside. The whole surface may be \
        inside out (often after mirroring: then look whether the file is meant to be mirrored), \
        or some facets only. Figures here are taken as if all faced outward; other programs may \
        not do so. A surface with one side only (a Möbius band) has no outside: it breaks too.",
    worst: Verdict::Repair,
    limits: &[&rows::TURNED],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let bar = Bar::at_most(&rows::TURNED, limits);
    let n = facts.soundness.flipped_facets;
    let value = count(n);
    let (one, many) = ("facet faces inward", "facets face inward");
    let findings = spots(facts, &facts.soundness.flipped_spots, one, many);
    if facts.soundness.one_sided_edges > 0 {
        return Answer::breaks(
            Verdict::Repair,
            format!(
                "the surface has one side only: {} edges disagree however the facets are turned",
                facts.soundness.one_sided_edges
            ),
            "cut the twist out in a mesh program, then vet the scan again",
        );
    }
    let answer = match (bar.judge(&value), facts.soundness.inverted) {
        (Some(true), false) => Answer::holds(counted(n, one, many)),
        (_, true) => Answer::breaks(
            Verdict::Repair,
            "the whole surface is inside out",
            "turn all facets round; if the file was mirrored, make sure that it should have been",
        ),
        (_, false) => Answer::breaks(
            Verdict::Repair,
            counted(n, one, many),
            "let a mesh program orient the facets alike, then vet the scan again",
        ),
    };
    answer.value(value, "").limit(bar).findings(findings)
}

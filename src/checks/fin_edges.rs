//! Fins: edges with more than two facets. Inside and outside are not defined there, and
//! offsets and cuts go astray.

use crate::limits::{Limits, rows};
use crate::soundness::Spot;

use super::loose_parts::{count, counted};
use super::{Answer, Bar, Check, Facts, Finding, Verdict};

pub static CHECK: Check = Check {
    id: "fin-edges",
    asks: "Has every edge of the surface at most two facets?",
    explains: "An edge with three or more facets is where a fin or an inner wall hangs on the \
        surface. It does not change the canal's figures, but later steps (offset, hollowing) need \
        an inside and an outside.",
    worst: Verdict::Repair,
    limits: &[&rows::FINS],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let bar = Bar::at_most(&rows::FINS, limits);
    let n = facts.soundness.fin_edges;
    let findings = spots(
        facts,
        &facts.soundness.fin_spots,
        "edge with more than two facets",
        "edges with more than two facets",
    );
    let says = counted(
        n,
        "edge with more than two facets",
        "edges with more than two facets",
    );
    let answer = if bar.judge(&count(n)) == Some(true) {
        Answer::holds(says)
    } else {
        Answer::breaks(
            Verdict::Repair,
            says,
            "delete the fins in a mesh program, then vet the scan again",
        )
    };
    answer.value(count(n), "").limit(bar).findings(findings)
}

/// Findings at the places where something was counted.
pub(super) fn spots(facts: &Facts, spots: &[Spot], one: &str, many: &str) -> Vec<Finding> {
    spots
        .iter()
        .map(|spot| facts.finding(&spot.point, counted(spot.count, one, many)))
        .collect()
}

//! Crossings: facets that cut through each other, where a scan folds over itself.

use crate::limits::{Limits, rows};

use super::fin_edges::spots;
use super::loose_parts::{count, counted};
use super::{Answer, Bar, Check, Facts, Verdict};

pub static CHECK: Check = Check {
    id: "crossing-facets",
    asks: "Does the surface nowhere cut through itself?",
    explains: "Two facets that cross without sharing a corner bound no solid. Usual causes: a fold \
        in the deep undercut between concha and helix, or two scans not merged well.",
    worst: Verdict::Repair,
    limits: &[&rows::CROSSINGS],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let bar = Bar::at_most(&rows::CROSSINGS, limits);
    let n = facts.soundness.crossing_pairs;
    let (one, many) = ("pair of facets that cross", "pairs of facets that cross");
    let says = counted(n, one, many);
    let answer = if bar.judge(&count(n)) == Some(true) {
        Answer::holds(says)
    } else {
        Answer::breaks(
            Verdict::Repair,
            says,
            "remove the fold there in a mesh program (where many lie scattered, the scan is too noisy: \
             scan again or smooth it), then vet it again",
        )
    };
    let findings = spots(facts, &facts.soundness.crossing_spots, one, many);
    answer.value(count(n), "").limit(bar).findings(findings)
}

//! Crossings: facets that cut through each other, where a scan folds over itself.

use crate::limits::{Limits, rows};

use super::fin_edges::spots;
use super::loose_parts::count;
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
    let says = format!("{n} pairs of facets that cross");
    let answer = if bar.judge(&count(n)) == Some(true) {
        Answer::holds(says)
    } else {
        Answer::breaks(
            Verdict::Repair,
            says,
            "remove the fold in a mesh program, then vet the scan again",
        )
    };
    let findings = spots(
        facts,
        &facts.soundness.crossing_spots,
        "pairs of facets that cross",
    );
    answer.value(count(n), "").limit(bar).findings(findings)
}

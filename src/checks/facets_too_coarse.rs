//! Facet size: a scan thinned too far for sending has lost its bends and its faults.

use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, figure};

pub static CHECK: Check = Check {
    id: "facets-too-coarse",
    asks: "Are the facets fine enough?",
    explains: "The median edge of the facets. A facet lies inside the round wall that it stands \
        for by edge squared over eight radii: 0.03 mm at 1 mm edges on a canal of 8 mm. Coarser \
        scans are exported again, finer.",
    worst: Verdict::Retake,
    limits: &[&rows::EDGE],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    if let Err(answer) = facts.lengths(limits) {
        return *answer;
    }
    let bar = Bar::at_most(&rows::EDGE, limits);
    let value = Measured::exact(facts.soundness.edge_mm, 0.0);
    let says = format!("median edge {}", figure(&value, "mm"));
    let answer = if bar.judge(&value) == Some(true) {
        Answer::holds(says)
    } else {
        Answer::breaks(
            Verdict::Retake,
            says,
            "export the scan with more facets, or scan again",
        )
    };
    answer.value(value, "mm").limit(bar)
}

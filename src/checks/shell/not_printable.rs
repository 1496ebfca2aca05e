//! A mesh that a slicer would have to repair is not handed out as printable.

use crate::checks::{Answer, Verdict};
use crate::limits::Limits;

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "not-printable",
    asks: "Is the shell's mesh closed, wound one way, of one body, and nowhere crossing itself?",
    explains: "Counted on the mesh that is written. Closed hollows do not count as bodies; \
        `trapped-volume` tells of them.",
    worst: Verdict::Repair,
    limits: &[],
    run,
};

fn run(facts: &ShellFacts, _: &Limits) -> Answer {
    let m = &facts.mesh;
    let mut wrong = Vec::new();
    for (count, what) in [
        (m.open_edges, "open edges"),
        (m.fin_edges, "edges with over two facets"),
        (m.flipped_edges, "edges wound two ways"),
        (m.crossing_pairs, "pairs of facets that cross"),
    ] {
        if count > 0 {
            wrong.push(format!("{count} {what}"));
        }
    }
    if m.bodies != 1 {
        wrong.push(format!("{} bodies", m.bodies));
    }
    if wrong.is_empty() {
        return Answer::holds("closed, wound one way, one body, no crossings");
    }
    Answer::breaks(
        Verdict::Repair,
        wrong.join("; "),
        "take another facet size, or repair the scan",
    )
}

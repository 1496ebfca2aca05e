//! Does it come out at all, and does the ear give that much? The question that undercuts are
//! measured for.

use crate::checks::undercut_deep::turned;
use crate::checks::{Answer, Verdict, figure, number, region_words};
use crate::limits::{Limits, rows};
use crate::undercut::{Relief, WayOut};

use super::{PullCheck, PullFacts};

pub static CHECK: PullCheck = PullCheck {
    id: "withdrawal-tight",
    asks: "Was a way out found that squeezes no more than the ear gives?",
    explains: "The piece is moved as a whole, turned as well as drawn, until it is clear of the base \
        plane. The squeeze of a way is how deep any point of its surface goes into the tissue, and the \
        least one found, replayed by exact distances, is held against the limit. It is an upper bound: \
        breaking says that no better way was found, not that there is none. What must be trimmed was \
        tried, not guessed.",
    worst: Verdict::Repair,
    limits: &[&rows::UNDERCUT],
    run,
};

fn run(facts: &PullFacts, limits: &Limits) -> Answer {
    match &facts.undercut.withdrawal {
        Ok(out) => turned(&out.way, advice(out), limits, &|at, says| {
            facts.finding(at, says)
        }),
        Err(why) => Answer::cannot_tell(
            why.to_string(),
            "look whether the scan's surface is closed and sound",
        ),
    }
}

fn advice(out: &WayOut) -> String {
    let enough = |r: &&Relief| r.enough;
    match out.relief.iter().find(enough) {
        Some(relief) => format!(
            "trim or block out: {} (tried: {} of squeeze left){}",
            words(relief),
            figure(&relief.squeeze_mm, "mm"),
            if relief.trims_seal() {
                "; in the seal zone it will leak until that is built up again"
            } else {
                ""
            }
        ),
        None => "trim or block out where it binds, and measure again".to_owned(),
    }
}

fn words(relief: &Relief) -> String {
    let trims = relief.trims.iter().map(|t| {
        let deep = number(t.deepest.value(), "mm");
        format!("{} up to {deep} deep", region_words(t.region))
    });
    trims.collect::<Vec<_>>().join(", ")
}

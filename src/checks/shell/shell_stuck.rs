//! Can the finished shell be worn: does it come out of the ear it was made for?

use crate::checks::undercut_deep::comes_out;
use crate::checks::{Answer, Verdict};
use crate::limits::{Limits, rows};
use crate::mesh::Point;

use super::{ShellCheck, ShellFacts};

pub const ID: &str = "shell-stuck";

pub static CHECK: ShellCheck = ShellCheck {
    id: ID,
    asks: "Was a way found for the finished shell to come out of the ear?",
    explains: "Of the outer surface, built up and trimmed, and with tissue up to the faceplate: it \
        holds where a straight pull needs no more than the limit. A deeper one tells nothing yet, for \
        wearers turn the piece as they draw it, and nothing hangs on it until the way out is looked \
        for: with `--withdrawal` that is done, and what it squeezes decides; breaking then says that \
        no better way was found, not that there is none. `secondbend undercut` \
        on the shell written tries what must be trimmed.",
    worst: Verdict::Repair,
    limits: &[&rows::UNDERCUT],
    run,
};

fn run(facts: &ShellFacts, limits: &Limits) -> Answer {
    match facts.pulls {
        Some(pulls) => comes_out(pulls, false, limits, &|at: &Point, says| {
            facts.finding(at, says)
        }),
        None => Answer::cannot_tell("it was not measured", "run `secondbend undercut` on it")
            .not_deciding(),
    }
}

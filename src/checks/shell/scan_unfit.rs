//! Was the scan one to design on at all? A shell with a good wall on a bad impression is a good wall
//! in the wrong place.

use crate::checks::{Answer, Verdict};
use crate::limits::Limits;

use super::{ShellCheck, ShellFacts};

/// Its name.
pub const ID: &str = "scan-unfit";

pub static CHECK: ShellCheck = ShellCheck {
    id: ID,
    asks: "Was it made on a scan to design on?",
    explains: "The scan is vetted before anything is made of it, with the same limits and no side \
        ordered. Where the impression must be taken again, the shell is told to be unfit whatever its \
        wall; where that can't be told, neither can this. What would have to be repaired on the scan \
        first is named, and does not hold the answer back: the shell may have been cut clear of it. A \
        file's name that tells the other side counts as in `vet`.",
    worst: Verdict::Retake,
    limits: &[],
    run,
};

fn run(facts: &ShellFacts, _: &Limits) -> Answer {
    let Some(scan) = &facts.scan else {
        return Answer::cannot_tell("it was not vetted", "run `secondbend vet` on the scan")
            .not_deciding();
    };
    let says = format!("the scan's verdict: {}", scan.words());
    let advice = "see `secondbend vet` on the scan";
    match scan.verdict {
        Verdict::Design => Answer::holds(says),
        Verdict::Retake => Answer::breaks(Verdict::Retake, says, advice),
        Verdict::Repair => Answer::cannot_tell(says, advice).not_deciding(),
        Verdict::CannotTell => Answer::cannot_tell(says, advice),
    }
}

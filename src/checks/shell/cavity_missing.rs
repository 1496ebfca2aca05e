//! Without a cavity there is nothing to build into.

use crate::checks::{Answer, Verdict, number};
use crate::limits::Limits;

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "cavity-missing",
    asks: "Do the walls leave a cavity?",
    explains: "The cavity is what lies deeper than the wall below the built-up, trimmed surface and \
        below the faceplate. Rooms that the walls part from it are left solid and are mentioned.",
    worst: Verdict::Repair,
    limits: &[],
    run,
};

fn run(facts: &ShellFacts, _: &Limits) -> Answer {
    if facts.shell.cavity.is_some() && facts.shell.cavity_volume_mm3 > 0.0 {
        return Answer::holds(number(facts.shell.cavity_volume_mm3, "mm3"));
    }
    Answer::breaks(
        Verdict::Repair,
        "the walls meet in the middle: it is solid",
        "make the wall thinner, or raise the faceplate",
    )
}

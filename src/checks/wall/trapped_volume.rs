//! A closed hollow keeps its liquid resin.

use crate::checks::{Answer, Verdict, number};
use crate::limits::Limits;

use super::{WallCheck, WallFacts};

pub static CHECK: WallCheck = WallCheck {
    id: "trapped-volume",
    asks: "Can liquid resin run out of every hollow?",
    explains: "A closed surface that lies wholly inside another bounds a hollow without an opening. \
        General resin guides ask for two drain holes of 2 to 3.5 mm (size from memory).",
    worst: Verdict::Repair,
    limits: &[],
    run,
};

fn run(facts: &WallFacts, _: &Limits) -> Answer {
    let trapped = &facts.wall.trapped;
    if trapped.is_empty() {
        return Answer::holds("no hollow is closed");
    }
    let all: f64 = trapped.iter().map(|t| t.volume_mm3).sum();
    let findings = trapped
        .iter()
        .map(|t| {
            facts.finding(
                &t.point,
                format!("a hollow of {}", number(t.volume_mm3, "mm3")),
            )
        })
        .collect();
    let says = format!(
        "{} closed in, in {} hollow{}",
        number(all, "mm3"),
        trapped.len(),
        if trapped.len() == 1 { "" } else { "s" }
    );
    Answer::breaks(
        Verdict::Repair,
        says,
        "open it with a bore, a vent or a drain hole",
    )
    .findings(findings)
}

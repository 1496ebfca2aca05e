//! Bores that come too near each other or the outside break through in polishing or drilling.

use crate::checks::{Answer, Bar, Verdict, figure, undecided};
use crate::limits::{Limits, rows};
use crate::shell::wall::{Between, Web};
use crate::units::Measured;

use super::{WallCheck, WallFacts, decide};

pub static CHECK: WallCheck = WallCheck {
    id: "web-too-thin",
    asks: "Is there enough material between bores, and between bores and the outside?",
    explains: "The least inscribed ball between every two bores, and between each bore and the \
        outer surface. Bores are found where the inner surface is a passage that closes round an \
        axis; two bores that run into each other are one passage.",
    worst: Verdict::Repair,
    limits: &[&rows::BORE_WEB, &rows::BORE_WALL],
    run,
};

fn run(facts: &WallFacts, limits: &Limits) -> Answer {
    let bar_of = |web: &Web| {
        let outside = web.between.contains(&Between::Outer);
        Bar::at_least(
            if outside {
                &rows::BORE_WALL
            } else {
                &rows::BORE_WEB
            },
            limits,
        )
    };
    let value = |web: &Web| Measured::exact(web.least_mm, web.plus_minus_mm);
    let webs = &facts.wall.webs;
    let Some((k, told)) = decide(webs.iter().map(|web| (value(web), bar_of(web)))) else {
        let says = match facts.wall.bores.len() {
            0 => "there is none to look at: no bore was found",
            _ => "no inscribed ball lies between a bore and another surface",
        };
        return Answer::holds(says);
    };
    let worst = &webs[k];
    let bar = bar_of(worst);
    let says = format!("{} {}", figure(&value(worst), "mm"), between(worst));
    let findings = webs
        .iter()
        .filter(|web| bar_of(web).judge(&value(web)) != Some(true))
        .map(|web| {
            let says = format!("{} {}", figure(&value(web), "mm"), between(web));
            facts.finding(&web.point, says)
        })
        .collect();
    let answer = match told {
        Some(true) => Answer::holds(says),
        Some(false) => Answer::breaks(Verdict::Repair, says, "move the bores or make them thinner"),
        None => Answer::cannot_tell(
            undecided(&value(worst), &bar),
            "look at the bores in section",
        ),
    };
    answer
        .value(value(worst), "mm")
        .limit(bar)
        .findings(findings)
}

fn between(web: &Web) -> String {
    let name = |b: Between| match b {
        Between::Outer => "the outside".to_owned(),
        Between::Cavity => "the cavity".to_owned(),
        Between::Bore(k) => format!("bore {}", k + 1),
        Between::Unclear => "a surface not told".to_owned(),
    };
    let [a, b] = web.between;
    // Bores first: "between bore 1 and the outside".
    let (a, b) = if matches!(b, Between::Bore(_)) && !matches!(a, Between::Bore(_)) {
        (b, a)
    } else {
        (a, b)
    };
    format!("between {} and {}", name(a), name(b))
}

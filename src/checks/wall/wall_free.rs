//! Thin walls that stand free, such as lips and fins, need more than walls held all round.

use crate::checks::{Answer, Bar, Verdict, area, figure, undecided};
use crate::limits::{Limits, rows};
use crate::shell::wall::ThinSpot;

use super::{RIM_ADVICE, WallCheck, WallFacts, at_rim, decide};

pub static CHECK: WallCheck = WallCheck {
    id: "wall-free-too-thin",
    asks: "Are walls that stand free thick enough to print?",
    explains: "A thin place counts as standing free where more than half of its border runs along \
        an edge or rim. It is held against the limit as printed, before polishing.",
    worst: Verdict::Repair,
    limits: &[&rows::WALL_FREE],
    run,
};

/// Share of the border along an edge from which a place stands free. A wall that only touches a
/// rim has less than a third of its border there, the two faces of a fin over half (tests).
const FREE: f64 = 0.5;

fn run(facts: &WallFacts, limits: &Limits) -> Answer {
    let bar = Bar::at_least(&rows::WALL_FREE, limits);
    // Looked for a little over the limit, so that what is too close to call is seen too.
    let spots = facts.wall.thin_spots(facts.mesh, bar.value * 1.1);
    let free: Vec<&ThinSpot> = spots.iter().filter(|s| s.free_border > FREE).collect();
    let bad = |s: &&&ThinSpot| bar.judge(&s.least_mm) != Some(true);
    let findings = free.iter().filter(bad).map(|s| {
        let says = format!(
            "{} before polishing over {}, free along {:.0} % of its border",
            figure(&s.least_mm, "mm"),
            area(s.area_mm2),
            100.0 * s.free_border
        );
        facts.finding(&s.point, says)
    });
    let findings = findings.collect();
    let Some((k, told)) = decide(free.iter().map(|s| (s.least_mm, bar))) else {
        return Answer::holds("no thin wall stands free");
    };
    let worst = free[k];
    let says = format!("{} before polishing", figure(&worst.least_mm, "mm"));
    let rim = facts.rim_of(&worst.points);
    let answer = match told {
        Some(true) => Answer::holds(says),
        Some(false) => {
            let usual = "thicken or support it, or cut it off";
            let advice = rim.map_or(usual, |_| RIM_ADVICE);
            let more = rim.map(|s| at_rim(&s)).unwrap_or_default();
            Answer::breaks(Verdict::Repair, says, advice).and(&more)
        }
        None => Answer::cannot_tell(
            undecided(&worst.least_mm, &bar),
            "print a trial of that part",
        ),
    };
    answer
        .value(worst.least_mm, "mm")
        .limit(bar)
        .findings(findings)
}

//! Resin shrinks as it cures; a wall that only just holds on the screen does not in the hand.

use crate::checks::wall::{RIM_ADVICE, at_rim};
use crate::checks::{Answer, Bar, Verdict, figure, number, undecided};
use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "wall-thin-after-shrink",
    asks: "Is every wall still thick enough once the print has shrunk and was polished?",
    explains: "The least wall less the stated linear shrinkage and the finishing stock, against the \
        limit of its place. The meshes are written as designed, without an allowance: whoever \
        prints scales them, or lives with the stated share.",
    worst: Verdict::Repair,
    limits: &[
        &rows::SHRINK,
        &rows::WALL_BODY,
        &rows::WALL_CANAL,
        &rows::WALL_SOFT_CANAL,
        &rows::WALL_STOCK,
    ],
    run,
};

fn run(facts: &ShellFacts, limits: &Limits) -> Answer {
    let share = limits.number(&rows::SHRINK) / 100.0;
    let Some(wall) = facts.wall else {
        return Answer::cannot_tell("no wall was measured", "see `cavity-missing`");
    };
    let left = |p: usize| {
        let at = wall.wall.at(p);
        let shrunk = at.value * (1.0 - share) - limits.number(&rows::WALL_STOCK);
        let bar = Bar::at_least(wall.least_at(p, limits).0, limits);
        (Measured::exact(shrunk.max(0.0), at.plus_minus), bar)
    };
    let counted = (0..wall.wall.wall_mm.len()).filter(|&p| wall.wall.counts(p));
    let margin = |p: &usize| {
        let (value, bar) = left(*p);
        value.value - bar.value
    };
    let Some(worst) = counted.min_by(|a, b| margin(a).total_cmp(&margin(b))) else {
        return Answer::cannot_tell("no outer wall was measured", "see `surface-open`");
    };
    let (value, bar) = left(worst);
    let says = format!(
        "least {} after {} % of shrinkage",
        figure(&value, "mm"),
        number(limits.number(&rows::SHRINK), "mm").trim_end_matches(" mm")
    );
    let findings = vec![facts.finding(&wall.mesh.points()[worst], figure(&value, "mm"))];
    let answer = match bar.judge(&value) {
        Some(true) => return Answer::holds(says).value(value, "mm").limit(bar),
        Some(false) => {
            let rim = wall.rim_of(&[worst as u32]);
            let advice = rim.map_or("thicken the wall, or scale the print up", |_| RIM_ADVICE);
            let more = rim.map(|s| at_rim(&s)).unwrap_or_default();
            Answer::breaks(Verdict::Repair, says, advice).and(&more)
        }
        None => Answer::cannot_tell(
            undecided(&value, &bar),
            "scale the print up by the shrinkage",
        ),
    };
    answer.value(value, "mm").limit(bar).findings(findings)
}

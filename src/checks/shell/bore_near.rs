//! Bores too near each other or the outside, from their own middle lines.

use crate::checks::{Answer, Bar, Finding, Verdict, figure, undecided};
use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "bore-too-near",
    asks: "Do the bores keep their webs and their wall, as planned?",
    explains: "Between two bores: the least distance of their middle lines less both radii. To the \
        outside: the least depth of the middle line below the built-up surface, less the radius and \
        the finishing stock. `web-too-thin` measures the same on the finished mesh.",
    worst: Verdict::Repair,
    limits: &[&rows::BORE_WEB, &rows::BORE_WALL, &rows::WALL_STOCK],
    run,
};

/// Bores are as round as their 48 sides, and drawn surfaces stand this near to what was asked, mm.
const DRAWN_MM: f64 = 0.01;

fn run(facts: &ShellFacts, limits: &Limits) -> Answer {
    let bores = &facts.shell.bores;
    let (web, wall) = (
        Bar::at_least(&rows::BORE_WEB, limits),
        Bar::at_least(&rows::BORE_WALL, limits),
    );
    let mut all: Vec<(Measured, Bar, String, usize)> = Vec::new();
    for (k, bore) in bores.iter().enumerate() {
        if let Some(beside) = bore.wall_mm {
            let left = (beside - limits.number(&rows::WALL_STOCK)).max(0.0);
            let says = format!("between bore {} and the outside", k + 1);
            all.push((Measured::exact(left, DRAWN_MM), wall, says, k));
        }
        for (j, other) in bores[..k].iter().enumerate() {
            let between = Measured::exact(bore.web_to(other).max(0.0), DRAWN_MM);
            let says = format!("between bores {} and {}", j + 1, k + 1);
            all.push((between, web, says, k));
        }
    }
    let margin = |x: &(Measured, Bar, String, usize)| x.0.value - x.1.value;
    let Some(worst) = all.iter().min_by(|a, b| margin(a).total_cmp(&margin(b))) else {
        return Answer::holds("no bore runs through material");
    };
    let says = format!("tightest: {} {}", figure(&worst.0, "mm"), worst.2);
    let findings: Vec<Finding> = all
        .iter()
        .filter(|(value, bar, _, _)| bar.judge(value) != Some(true))
        .map(|(value, _, says, k)| {
            let bore = &bores[*k];
            let middle = bore.place((bore.material_mm.0 + bore.material_mm.1) / 2.0);
            facts.finding(&middle, format!("{} {says}", figure(value, "mm")))
        })
        .collect();
    let answer = match worst.1.judge(&worst.0) {
        Some(true) => Answer::holds(says),
        Some(false) => Answer::breaks(
            Verdict::Repair,
            says,
            "take fewer or thinner bores, or cut the canal further out",
        ),
        None => Answer::cannot_tell(
            undecided(&worst.0, &worst.1),
            "make the bores a little thinner",
        ),
    };
    answer
        .value(worst.0, "mm")
        .limit(worst.1)
        .findings(findings)
}

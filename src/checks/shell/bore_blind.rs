//! A bore that ends in material carries no sound.

use crate::checks::{Answer, Verdict};
use crate::limits::Limits;

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "bore-blind",
    asks: "Does every bore reach from the cavity to the outside?",
    explains: "The inner end of every bore must lie in the cavity, by half its radius at least, and \
        its outer end outside.",
    worst: Verdict::Repair,
    limits: &[],
    run,
};

fn run(facts: &ShellFacts, _: &Limits) -> Answer {
    let bores = &facts.shell.bores;
    if bores.is_empty() {
        return Answer::holds("no bore was asked for");
    }
    let blind: Vec<usize> = (0..bores.len())
        .filter(|&k| !bores[k].reaches_cavity || bores[k].length_mm() == 0.0 || !bores[k].comes_out)
        .collect();
    if blind.is_empty() {
        return Answer::holds(format!("all {} bores reach", bores.len()));
    }
    let findings = blind.iter().map(|&k| {
        let bore = &bores[k];
        let (end, says) = if bore.reaches_cavity {
            (bore.line[bore.line.len() - 1], "does not come out")
        } else {
            (bore.line[0], "ends in material, or in no material at all")
        };
        facts.finding(&end, format!("bore {} {says}", k + 1))
    });
    Answer::breaks(
        Verdict::Repair,
        format!("{} of {} bores do not reach", blind.len(), bores.len()),
        "make the bore longer or thinner, or the wall there thinner",
    )
    .findings(findings.collect())
}

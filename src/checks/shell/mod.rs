//! The checks of a shell made from an impression. What its wall is like is answered by
//! [`super::wall`], measured on the finished mesh; here is what only its maker knows (the plan, the
//! cavity, the bores' middle lines), and whether the mesh can be printed.

mod bore_blind;
mod bore_narrow;
mod bore_near;
mod canal_solid;
mod cavity_missing;
mod not_printable;
mod rim_sharp;
mod scan_unfit;
mod shell_stuck;
mod shrink;

use crate::canal::{self, Canal};
use crate::limits::{Limits, Row};
use crate::mesh::Point;
use crate::shell::{Plan, Shell};
use crate::undercut::{CannotTell, Pulls};

use super::wall::WallFacts;
use super::{Answer, Facts, Finding, Outcome, Verdict};

pub use canal_solid::open_to_words;
/// The name of the check that answers for the scan and not for the plan.
pub use scan_unfit::ID as SCAN_UNFIT;
/// The name of the check whose question is asked in full only with the way out looked for.
pub use shell_stuck::ID as SHELL_STUCK;

/// A check of a shell: a row and a function, as [`super::Check`] is for a scan.
pub struct ShellCheck {
    /// Its name, for the fault.
    pub id: &'static str,
    /// The question it answers, whose good answer is yes.
    pub asks: &'static str,
    /// Why it matters, how it is judged, when it can't be told.
    pub explains: &'static str,
    /// The worst that breaking it means.
    pub worst: Verdict,
    /// The limits that it is judged by.
    pub limits: &'static [&'static Row],
    /// Answers it.
    pub run: fn(&ShellFacts, &Limits) -> Answer,
}

/// All checks of `shell` beside those of the wall, in the order in which they are reported.
pub static SHELL_CHECKS: &[&ShellCheck] = &[
    &scan_unfit::CHECK,
    &cavity_missing::CHECK,
    &canal_solid::CHECK,
    &bore_blind::CHECK,
    &bore_near::CHECK,
    &bore_narrow::CHECK,
    &rim_sharp::CHECK,
    &shrink::CHECK,
    &not_printable::CHECK,
    &shell_stuck::CHECK,
];

/// What is wrong with the printable mesh as a mesh.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct MeshFaults {
    /// Edges with one facet.
    pub open_edges: usize,
    /// Edges with over two.
    pub fin_edges: usize,
    /// Edges whose facets disagree which way is out.
    pub flipped_edges: usize,
    /// Pairs of facets that cross.
    pub crossing_pairs: usize,
    /// Bodies that hang together with nothing else.
    pub bodies: usize,
}

/// What vetting said of the scan.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanSays {
    /// Its verdict.
    pub verdict: Verdict,
    /// Names of the checks that decided it, with commas between.
    pub decided_by: String,
    /// Did one that breaks decide it?
    pub breaks: bool,
    /// The places of what breaks: the check's name, and where on the scan.
    pub faults: Vec<(&'static str, Point)>,
}

impl ScanSays {
    /// Vets a scan as it was measured.
    #[must_use]
    pub fn of(scan: &Facts, limits: &Limits) -> Self {
        let answers = super::run_all(scan, limits);
        let verdict = super::verdict(answers.iter().map(|(_, answer)| answer));
        let deciding = |a: &Answer| a.weighs == verdict && a.because.is_none();
        let decide = || answers.iter().filter(|(_, a)| deciding(a));
        let ids: Vec<&str> = decide().map(|(check, _)| check.id).collect();
        Self {
            verdict,
            decided_by: ids.join(", "),
            breaks: decide().any(|(_, a)| a.outcome == Outcome::Breaks),
            faults: (answers.iter())
                .filter(|(_, a)| a.outcome == Outcome::Breaks)
                .flat_map(|(check, a)| a.findings.iter().map(|f| (check.id, f.point)))
                .filter_map(|(id, point)| Some((id, point?)))
                .collect(),
        }
    }

    /// The verdict and what decided it, in the words of `vet`.
    #[must_use]
    pub fn words(&self) -> String {
        let words = self.verdict.words_where(self.breaks);
        if self.decided_by.is_empty() || self.verdict == Verdict::Design {
            return words.to_owned();
        }
        format!("{words} ({})", self.decided_by)
    }
}

/// What the checks of a shell work from.
pub struct ShellFacts<'a> {
    /// The shell.
    pub shell: &'a Shell,
    /// What was asked of it.
    pub plan: &'a Plan,
    /// The canal it was made on.
    pub canal: &'a Canal,
    /// Its wall, where one could be measured.
    pub wall: Option<&'a WallFacts<'a>>,
    /// Faults of its printable mesh.
    pub mesh: MeshFaults,
    /// What vetting said of the scan; `None` where it was not vetted.
    pub scan: Option<ScanSays>,
    /// How its outer surface is pulled; `None` where that was not measured.
    pub pulls: Option<Result<&'a Pulls, &'a CannotTell>>,
}

impl ShellFacts<'_> {
    /// A finding at a place.
    #[must_use]
    pub fn finding(&self, point: &Point, says: impl Into<String>) -> Finding {
        let (region, at_mm) = canal::region_of(self.canal, point);
        Finding {
            says: says.into(),
            region,
            at_mm,
            point: Some(*point),
        }
    }
}

/// Answers every check of a shell.
#[must_use]
pub fn run_shell(facts: &ShellFacts, limits: &Limits) -> Vec<(&'static ShellCheck, Answer)> {
    SHELL_CHECKS
        .iter()
        .map(|&check| (check, (check.run)(facts, limits)))
        .collect()
}

#[cfg(test)]
mod tests;

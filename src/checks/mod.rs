//! Checks: a table of rows, and one file a check. A check asks one question, answers it from
//! what was measured (it measures nothing itself) against the shop's limits, and says what to do.
//!
//! The list, the explanations, the reports and `docs/checks.md` are printed from the rows. A
//! check is named for the fault that it looks for.

mod answer;
mod bore_bundle;
mod canal_missing;
mod canal_too_narrow;
mod crossing_facets;
mod facets_too_coarse;
mod facts;
mod figures_doubtful;
mod fin_edges;
mod hole_elsewhere;
mod hole_in_seal_zone;
mod loose_parts;
mod not_an_impression;
mod pit_in_canal;
mod print;
pub mod pull;
mod scan_ends_in_canal;
mod scan_too_noisy;
pub mod shell;
mod short_of_bend;
mod side_unlike_order;
mod tip_feathered;
mod undercut_deep;
mod unit_doubtful;
pub mod wall;
mod winding_inverted;

pub use answer::{
    Answer, Bar, Finding, Outcome, Sense, Verdict, area, figure, number, region_words, undecided,
};
pub use facts::Facts;
pub use print::{explain, explain_id, list, markdown};

use crate::limits::{Limits, Row, rows};

/// A check: a row and a function.
pub struct Check {
    /// Its name, for the fault: `short-past-first-bend`.
    pub id: &'static str,
    /// The question it answers, whose good answer is yes.
    pub asks: &'static str,
    /// Why it matters, how it is judged, when it can't be told.
    pub explains: &'static str,
    /// The worst that breaking it means for the verdict.
    pub worst: Verdict,
    /// The limits that it is judged by.
    pub limits: &'static [&'static Row],
    /// Answers it.
    pub run: fn(&Facts, &Limits) -> Answer,
}

/// All checks of `vet`, in the order in which they are reported.
pub static CHECKS: &[&Check] = &[
    &unit_doubtful::CHECK,
    &not_an_impression::CHECK,
    &canal_missing::CHECK,
    &scan_ends_in_canal::CHECK,
    &short_of_bend::FIRST,
    &short_of_bend::SECOND,
    &side_unlike_order::CHECK,
    &hole_in_seal_zone::CHECK,
    &hole_elsewhere::CHECK,
    &tip_feathered::CHECK,
    &pit_in_canal::CHECK,
    &canal_too_narrow::CHECK,
    &undercut_deep::CHECK,
    &figures_doubtful::CHECK,
    &winding_inverted::CHECK,
    &fin_edges::CHECK,
    &crossing_facets::CHECK,
    &loose_parts::CHECK,
    &scan_too_noisy::CHECK,
    &facets_too_coarse::CHECK,
];

/// Answers every check.
#[must_use]
pub fn run_all(facts: &Facts, limits: &Limits) -> Vec<(&'static Check, Answer)> {
    CHECKS
        .iter()
        .map(|&check| (check, (check.run)(facts, limits)))
        .collect()
}

/// The worst of the answers (see [`Verdict`] for the order); nothing asked is *cannot tell*.
#[must_use]
pub fn verdict<'a>(answers: impl IntoIterator<Item = &'a Answer>) -> Verdict {
    answers
        .into_iter()
        .map(|a| a.weighs)
        .max()
        .unwrap_or(Verdict::CannotTell)
}

/// The check with this id.
#[must_use]
pub fn find(id: &str) -> Option<&'static Check> {
    CHECKS.iter().copied().find(|check| check.id == id)
}

/// The id most like `wrong`; `None` where nothing is like it.
#[must_use]
pub fn nearest_id(wrong: &str) -> Option<&'static str> {
    let walls = wall::WALL_CHECKS.iter().map(|check| check.id);
    CHECKS
        .iter()
        .map(|check| check.id)
        .chain(walls)
        .chain(pull::PULL_CHECKS.iter().map(|check| check.id))
        .chain(shell::SHELL_CHECKS.iter().map(|check| check.id))
        .map(|id| (strsim::jaro_winkler(id, wrong), id))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|&(likeness, _)| likeness > rows::LIKE)
        .map(|(_, id)| id)
}

#[cfg(test)]
pub(crate) mod fixtures;
#[cfg(test)]
mod tests;

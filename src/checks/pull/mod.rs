//! The checks of `secondbend undercut`: can what was measured come out of the ear?

mod not_an_earpiece;
mod withdrawal_tight;

use crate::canal::{self, Canal};
use crate::limits::{Limits, Row};
use crate::mesh::Point;
use crate::soundness::{Region, Soundness};
use crate::undercut::Undercut;

use super::{Answer, Finding, Outcome, Verdict};

/// A check of a pull: a row and a function, as [`super::Check`] is for a scan.
pub struct PullCheck {
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
    pub run: fn(&PullFacts, &Limits) -> Answer,
}

/// All checks of `undercut`, in the order in which they are reported.
pub static PULL_CHECKS: &[&PullCheck] = &[&not_an_earpiece::CHECK, &withdrawal_tight::CHECK];

/// What they work from.
pub struct PullFacts<'a> {
    /// The undercuts.
    pub undercut: &'a Undercut,
    /// What is wrong with the surface.
    pub soundness: &'a Soundness,
    /// The canal, where one was told.
    pub canal: Option<&'a Canal>,
    /// Greatest distance across the piece that was pulled, mm.
    pub size_mm: f64,
    /// Share of the surface of a hollow shell of which it could not be told whether it is outside.
    pub unclear_share: f64,
}

impl PullFacts<'_> {
    /// Where a point lies along the ear.
    #[must_use]
    pub fn region(&self, point: &Point) -> (Region, Option<f64>) {
        self.canal
            .map_or((Region::Unknown, None), |c| canal::region_of(c, point))
    }

    /// A finding at a place.
    #[must_use]
    pub fn finding(&self, point: &Point, says: impl Into<String>) -> Finding {
        let (region, at_mm) = self.region(point);
        Finding {
            says: says.into(),
            region,
            at_mm,
            point: Some(*point),
        }
    }
}

/// Answers every check. Where it is doubtful what was measured at all, nothing is told to be good;
/// where the unit can't be right, nothing to be bad either.
#[must_use]
pub fn run_pull(facts: &PullFacts, limits: &Limits) -> Vec<(&'static PullCheck, Answer)> {
    let doubt = not_an_earpiece::doubt(facts, limits);
    PULL_CHECKS
        .iter()
        .map(|&check| {
            let answer = (check.run)(facts, limits);
            let own = check.id == not_an_earpiece::CHECK.id;
            let answer = match &doubt {
                Some(d) if !own && (d.of_all || answer.outcome == Outcome::Holds) => {
                    Answer::because(d.says.clone(), not_an_earpiece::CHECK.id)
                }
                _ => answer,
            };
            (check, answer)
        })
        .collect()
}

/// The answers where nothing could be measured at all.
#[must_use]
pub fn untold(why: &str, help: &str) -> Vec<(&'static PullCheck, Answer)> {
    let own = not_an_earpiece::CHECK.id;
    PULL_CHECKS
        .iter()
        .map(|&check| match check.id == own {
            true => (check, Answer::cannot_tell(why, help)),
            false => (check, Answer::because("nothing could be measured", own)),
        })
        .collect()
}

#[cfg(test)]
mod tests;

//! Is what was pulled one sound piece as large as an earpiece? In a wrong unit every undercut is far
//! under the limit, a hole hides the very hook that would hold, and where a surface crosses itself
//! nobody knows what is tissue.

use crate::checks::{Answer, Verdict, number};
use crate::limits::{Limits, rows};

use super::{PullCheck, PullFacts};

pub static CHECK: PullCheck = PullCheck {
    id: "not-an-earpiece",
    asks: "Was one sound piece as large as an earpiece measured?",
    explains: "A size that no earpiece has (a wrong unit), facets that cross or are partly turned \
        inside out, fins, or a hole that is larger than what may be filled in passing: then nothing \
        that looks free can be relied on, and no other check holds. In a wrong unit none breaks either.",
    worst: Verdict::CannotTell,
    limits: &[&rows::SHELL_SIZE_LEAST, &rows::SHELL_SIZE_MOST, &rows::HOLE],
    run,
};

/// Why the figures do not speak for an earpiece.
pub(super) struct Doubt {
    pub says: String,
    advice: &'static str,
    /// Not even a tight way is to be believed.
    pub of_all: bool,
}

/// Unclear surface of a hollow shell that is let pass: rims of bores are.
const UNCLEAR_SHARE: f64 = 0.05;

pub(super) fn doubt(facts: &PullFacts, limits: &Limits) -> Option<Doubt> {
    let sizes = limits.number(&rows::SHELL_SIZE_LEAST)..=limits.number(&rows::SHELL_SIZE_MOST);
    if !sizes.contains(&facts.size_mm) {
        return Some(Doubt {
            says: format!(
                "{} across is no size of an earpiece",
                number(facts.size_mm, "mm")
            ),
            advice: "say the right unit with `--unit`",
            of_all: true,
        });
    }
    let s = facts.soundness;
    let (says, advice) = if s.crossing_pairs > 0 {
        let says = format!("{} pairs of facets cross", s.crossing_pairs);
        (says, "repair the surface, then measure again")
    } else if s.fin_edges > 0 || s.one_sided_edges > 0 {
        (
            "some edges have more than two facets".to_owned(),
            "repair the surface, then measure again",
        )
    } else if !s.flipped_spots.is_empty() {
        (
            format!("{} facets face inward", s.flipped_facets),
            "turn them round, then measure again",
        )
    } else if facts.unclear_share > UNCLEAR_SHARE {
        (
            "which side of the shell is outside could not be told everywhere".to_owned(),
            "give the outer surface by itself",
        )
    } else {
        let most = limits.number(&rows::HOLE);
        let holes = s.holes.iter().filter(|h| !h.base && h.span_mm > most);
        let widest = holes.map(|h| h.span_mm).fold(0.0, f64::max);
        if widest <= 0.0 {
            return None;
        }
        let says = format!(
            "a hole {} across may hide an undercut",
            number(widest, "mm")
        );
        (says, "scan that place again, or fill it")
    };
    Some(Doubt {
        says,
        advice,
        of_all: false,
    })
}

fn run(facts: &PullFacts, limits: &Limits) -> Answer {
    match doubt(facts, limits) {
        Some(doubt) => Answer::cannot_tell(doubt.says, doubt.advice),
        None => Answer::holds(format!("one piece, {} across", number(facts.size_mm, "mm"))),
    }
}

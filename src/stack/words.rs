//! Margins in the words of reports, and what measuring a placement again does not judge.

use super::certificate::MarginKind;
use super::parts::Stack;
use super::tip::Tip;

/// The margins of tubes that are told in an answer.
pub(crate) const OF_TUBES: [MarginKind; 5] = [
    MarginKind::TubeWall,
    MarginKind::TubePart,
    MarginKind::TubePair,
    MarginKind::Bend,
    MarginKind::Web,
];

/// The tightest margin of a kind, in words. Bores ask for widths and radii of their own, and a tube less of its own
/// part: the least need not be the tightest.
pub(crate) fn tightest_words(kind: MarginKind) -> String {
    match kind {
        kind if OF_TUBES.contains(&kind) => format!("{}, nearest to what is asked", kind.words()),
        _ => format!("least {}", kind.words()),
    }
}

/// What is said where a placement was measured and where its tubes leave was not judged, since neither the
/// stack nor a `told` tip says where they should.
#[must_use]
pub fn end_not_judged(stack: &Stack, told: Option<Tip>) -> Option<&'static str> {
    let untold = stack.bores_in_use().any(|b| b.exit.is_none());
    (untold && !told.is_some_and(|tip| tip.told)).then_some(
        "where the tubes leave was not judged: `--tip` with `--tip-direction` has it judged",
    )
}

//! The questions of a stack's page and what was found: parts, margins, tubes, and what would help.

use super::super::model::{AnswerRow, Finding};
use crate::checks::Outcome;
use crate::mesh::Point;
use crate::stack::certificate::{Certificate, Margin, MarginKind, TOLERANCE_MM};
use crate::stack::{FitAnswer, Help, NotTried, Placement, Stack, Untried, Verdict};

/// The margins that parts keep, whatever becomes of the tubes.
const OF_PARTS: [MarginKind; 5] = [
    MarginKind::Pair,
    MarginKind::Wall,
    MarginKind::ZonePair,
    MarginKind::ZoneWall,
    MarginKind::Seat,
];

fn names(stack: &Stack, parts: &[usize]) -> String {
    stack.names(parts).join(" and ")
}

fn short(m: &Margin) -> bool {
    m.spare_mm() < -TOLERANCE_MM
}

/// Do the parts alone keep their clearances in the placement that was measured?
fn parts_hold(answer: &FitAnswer) -> bool {
    let of_parts = |c: &Certificate| {
        let mut these = c.margins.iter().filter(|m| OF_PARTS.contains(&m.kind));
        !these.any(short)
    };
    answer.certificate.as_ref().is_some_and(of_parts)
}

pub(super) fn parts_row(stack: &Stack, answer: &FitAnswer) -> AnswerRow {
    let alone = answer.verdict == Verdict::NotFound && parts_hold(answer);
    let (outcome, says) = match &answer.verdict {
        Verdict::Fits => (Outcome::Holds, "all parts are placed".to_owned()),
        Verdict::CannotFit(proof) => {
            let who = names(stack, &proof.parts);
            let who = if who.is_empty() {
                who
            } else {
                format!(" ({who})")
            };
            (Outcome::Breaks, format!("{}{who}", proof.bound.because()))
        }
        Verdict::NotFound if alone => (
            Outcome::Holds,
            "all parts are placed; what is missing is the way of their tubes".to_owned(),
        ),
        Verdict::NotFound => (
            Outcome::CannotTell,
            format!("no placement in {} starts", answer.starts),
        ),
    };
    AnswerRow {
        outcome,
        id: "parts".to_owned(),
        question: "Is there a placement in which every part keeps its clearance?".to_owned(),
        answer: says,
        advice: cut_short(answer).filter(|_| !alone),
        findings: blocker(stack, answer)
            .filter(|_| !alone)
            .into_iter()
            .collect(),
    }
}

fn cut_short(answer: &FitAnswer) -> Option<String> {
    answer
        .cut_short
        .then(|| "the search was cut short: give it more time".to_owned())
}

/// What is most in the way, at its place.
fn blocker(stack: &Stack, answer: &FitAnswer) -> Option<Finding> {
    let b = answer.blocker.as_ref()?;
    Some(Finding {
        number: 0,
        says: match b.short {
            Some(short) => format!(
                "{}: {:.3} mm of clearance missing",
                names(stack, &b.parts),
                short.0
            ),
            None => format!("{}: no way was found for its tube", names(stack, &b.parts)),
        },
        point: middle(answer.placement.as_ref(), &b.parts),
        at_mm: None,
    })
}

/// Midway between the parts named.
fn middle(placement: Option<&Placement>, parts: &[usize]) -> Option<Point> {
    let placed = &placement?.parts;
    let at: Vec<_> = parts
        .iter()
        .filter_map(|&i| Some(placed.get(i)?.pose.middle.coords))
        .collect();
    let n = at.len() as f64;
    (!at.is_empty()).then(|| Point::from(at.into_iter().sum::<crate::mesh::Vector>() / n))
}

/// The margins of the placement asked for.
pub(super) fn margins_row(
    stack: &Stack,
    certificate: &Certificate,
    placement: Option<&Placement>,
) -> AnswerRow {
    let under: Vec<&Margin> = certificate.margins.iter().filter(|m| short(m)).collect();
    let worst = certificate.worst().map_or_else(
        || "nothing was measured".to_owned(),
        |m| {
            format!(
                "least to spare {:.3} mm: {}",
                tidy(m.spare_mm()),
                margin_words(stack, m)
            )
        },
    );
    AnswerRow {
        outcome: if under.is_empty() {
            Outcome::Holds
        } else {
            Outcome::Breaks
        },
        id: "margins".to_owned(),
        question: "Does every margin of this placement reach its clearance?".to_owned(),
        answer: worst,
        advice: None,
        findings: under
            .iter()
            .map(|m| Finding {
                number: 0,
                says: margin_words(stack, m),
                point: middle(placement, &m.parts),
                at_mm: None,
            })
            .collect(),
    }
}

/// The same of the nearest placement where none was found: that its margins are short tells nothing of
/// others.
pub(super) fn nearest_row(
    stack: &Stack,
    certificate: &Certificate,
    placement: Option<&Placement>,
) -> AnswerRow {
    let row = margins_row(stack, certificate, placement);
    if row.outcome == Outcome::Holds {
        return AnswerRow {
            question: "Does every margin that was measured reach its clearance?".to_owned(),
            ..row
        };
    }
    AnswerRow {
        outcome: Outcome::CannotTell,
        question: "Can every margin reach its clearance?".to_owned(),
        answer: format!("not in the nearest placement found; {}", row.answer),
        ..row
    }
}

fn margin_words(stack: &Stack, m: &Margin) -> String {
    let kind = match m.kind {
        MarginKind::Pair => "between them",
        MarginKind::Wall => "from the wall",
        MarginKind::ZonePair => "of the room one keeps free",
        MarginKind::ZoneWall => "of its kept room from the wall",
        MarginKind::Seat => "off the faceplate",
        MarginKind::Bend => "as the radius of a tube's middle line",
        MarginKind::TubeWall => "of a tube from the wall",
        MarginKind::TubePart => "of a tube from a part",
        MarginKind::TubePair => "between tubes",
        MarginKind::Web => "of material between bores",
        MarginKind::TubeEnds => "off a tube's ends",
    };
    format!(
        "{} {kind}: {:.3} mm, asked {:.2}",
        names(stack, &m.parts),
        tidy(m.have.0),
        m.need.0
    )
}

/// To the thousandth that is shown, and no minus before nothing.
fn tidy(mm: f64) -> f64 {
    (mm * 1000.0).round() / 1000.0 + 0.0
}

const TUBES_ASKED: &str = "Does a tube lead from every spout to its bore?";
const BY_HAND: &str = "look at the spouts, and lay the tubes by hand";

/// Tubes of an answer.
pub(super) fn tubes_row(stack: &Stack, answer: &FitAnswer) -> AnswerRow {
    let unlaid = answer.certificate.as_ref().map(|c| &c.unlaid[..]);
    let alone = answer.verdict == Verdict::NotFound && parts_hold(answer);
    let (outcome, says) = match unlaid {
        None => (Outcome::CannotTell, "no tube was laid".to_owned()),
        Some([]) => (Outcome::Holds, "every tube is laid".to_owned()),
        Some(parts) => (
            Outcome::CannotTell,
            format!("not laid: {}", names(stack, parts)),
        ),
    };
    let by_hand = || BY_HAND.to_owned();
    AnswerRow {
        outcome,
        id: "tubes".to_owned(),
        question: TUBES_ASKED.to_owned(),
        answer: says,
        advice: match outcome {
            Outcome::Holds => None,
            _ => cut_short(answer)
                .filter(|_| alone)
                .or_else(|| Some(by_hand())),
        },
        // Where the parts hold, what is in the way is in the way of tubes.
        findings: blocker(stack, answer)
            .filter(|_| alone)
            .into_iter()
            .collect(),
    }
}

/// Tubes of a placement that was given: one that is missing is surely missing.
pub(super) fn laid_row(stack: &Stack, certificate: &Certificate) -> AnswerRow {
    let missing = !certificate.unlaid.is_empty();
    AnswerRow {
        outcome: if missing {
            Outcome::Breaks
        } else {
            Outcome::Holds
        },
        id: "tubes".to_owned(),
        question: TUBES_ASKED.to_owned(),
        answer: if missing {
            format!("no tube for {}", names(stack, &certificate.unlaid))
        } else {
            "every tube is laid".to_owned()
        },
        advice: missing.then(|| BY_HAND.to_owned()),
        findings: Vec::new(),
    }
}

pub(super) fn help_row(help: &Help) -> AnswerRow {
    AnswerRow {
        outcome: match help.verdict {
            Verdict::Fits => Outcome::Holds,
            Verdict::CannotFit(_) => Outcome::Breaks,
            Verdict::NotFound => Outcome::CannotTell,
        },
        id: "what would help".to_owned(),
        question: format!("Would it go in with: {}?", help.words()),
        answer: help.verdict.name().replace('_', " "),
        advice: None,
        findings: Vec::new(),
    }
}

pub(super) fn untried_row(untried: &Untried) -> AnswerRow {
    AnswerRow {
        outcome: Outcome::CannotTell,
        id: "what would help".to_owned(),
        question: "What was not tried?".to_owned(),
        answer: untried.words(),
        advice: (untried.why == NotTried::NoTime).then(|| "give it more time".to_owned()),
        findings: Vec::new(),
    }
}

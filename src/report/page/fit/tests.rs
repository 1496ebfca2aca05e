//! What a stack's page says, against placements whose margins are laid out by hand.

use super::*;
use crate::mesh::{Point, Vector};
use crate::stack::Blocker;
use crate::stack::certificate::certify;
use crate::stack::shapes::one_above_the_other;
use crate::units::Mm;

fn not_found(mm: f64, blocker: Blocker) -> PageModel {
    let (stack, room, placement) = one_above_the_other(mm);
    let certificate = certify(&room, &stack, &placement).expect("judged");
    let answer = FitAnswer {
        verdict: Verdict::NotFound,
        placement: Some(placement),
        certificate: Some(certificate),
        blocker: Some(blocker),
        starts: 3,
        cut_short: true,
        tip: None,
        tip_guess: None,
        scan_verdict: Some("repair, then design (fin-edges)".to_owned()),
        notes: Vec::new(),
    };
    fit_page(
        &room,
        &stack,
        &answer,
        &Helps::default(),
        None,
        &FitTrace::default(),
    )
}

fn row<'a>(page: &'a PageModel, id: &str) -> &'a AnswerRow {
    let mut these = page.answers.iter().filter(|r| r.id == id);
    these.next().expect("asked")
}

#[test]
fn a_scan_to_be_repaired_is_said_beside_the_verdict() {
    let blocker = Blocker {
        parts: vec![0],
        kind: MarginKind::Wall,
        short: Some(Mm(0.1)),
    };
    let because = not_found(3.0, blocker).verdict.because;
    assert!(
        because.ends_with("of which `vet` says: repair, then design (fin-edges)"),
        "{because}"
    );
}

#[test]
fn parts_that_fit_without_their_tubes_are_said_to() {
    let page = not_found(
        3.0,
        Blocker {
            parts: vec![0],
            kind: MarginKind::TubeEnds,
            short: None,
        },
    );
    assert_eq!(page.verdict.tone, Outcome::CannotTell);
    let parts = row(&page, "parts");
    assert_eq!(parts.outcome, Outcome::Holds, "{parts:?}");
    assert!(parts.findings.is_empty() && parts.advice.is_none());
    // What is in the way stands where it belongs, and so does what may help.
    let tubes = row(&page, "tubes");
    assert_eq!(tubes.outcome, Outcome::CannotTell);
    assert!(tubes.findings[0].says.contains("a: no way was found"));
    assert!(
        tubes
            .advice
            .as_ref()
            .is_some_and(|a| a.contains("cut short"))
    );
    assert_eq!(row(&page, "margins").outcome, Outcome::Holds);
}

#[test]
fn parts_too_near_to_each_other_are_not_said_to_fit() {
    let page = not_found(
        2.1,
        Blocker {
            parts: vec![0, 1],
            kind: MarginKind::Pair,
            short: Some(Mm(0.05)),
        },
    );
    let parts = row(&page, "parts");
    assert_eq!(parts.outcome, Outcome::CannotTell);
    assert!(parts.findings[0].says.contains("a and c: 0.050 mm"));
    let margins = row(&page, "margins");
    assert_eq!(margins.outcome, Outcome::CannotTell);
    assert!(margins.answer.starts_with("not in the nearest placement"));
    assert!(row(&page, "tubes").findings.is_empty());
}

#[test]
fn a_placement_measured_again_says_what_was_not_judged_and_what_is_missing() {
    let (stack, room, placement) = one_above_the_other(3.0);
    let certificate = certify(&room, &stack, &placement).expect("judged");
    let of = |room: &Cavity| {
        let trace = FitTrace::default();
        verify_page(room, &stack, &placement, &certificate, None, &trace)
    };
    let page = of(&room);
    let unjudged = "where the tubes leave was not judged";
    assert!(
        page.verdict.because.contains(unjudged),
        "{:?}",
        page.verdict
    );
    assert_eq!(page.verdict.tone, Outcome::Breaks);
    // The margins hold; it is a tube that is missing.
    assert_eq!(row(&page, "margins").outcome, Outcome::Holds);
    let tubes = row(&page, "tubes");
    assert_eq!(tubes.outcome, Outcome::Breaks);
    assert_eq!(tubes.answer, "no tube for a");
    let told = room.with_tip(crate::stack::Tip {
        at: Point::new(11.0, 0.0, 0.0),
        outward: Vector::x(),
        told: true,
    });
    assert!(!of(&told).verdict.because.contains(unjudged));
}

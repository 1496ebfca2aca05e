use std::sync::atomic::AtomicBool;

use super::*;
use crate::mesh::Point;
use crate::report::{FileUsed, document};
use crate::stack::certificate::certify;
use crate::stack::search::rng::Rng;
use crate::stack::shapes::{block, one_above_the_other};
use crate::stack::{Cavity, FitAnswer, FitOptions, Helps, Placement, Pose, Stack, Tube, Verdict};

fn trace() -> FitTrace {
    let path = format!("{}/PIT-0417 \u{1b}[31mroom.stl", "p".repeat(90));
    FitTrace {
        order: Some("PIT-0417".to_owned()),
        inputs: vec![FileUsed {
            path,
            sha256: "ab".repeat(32),
        }],
        effort: Some("seed 1, effort 20".to_owned()),
        plan: None,
        found_in: None,
    }
}

fn asked(boxes: &[[f64; 3]], room: [f64; 3]) -> (Stack, Cavity, FitAnswer) {
    let stack = Stack::of_boxes(boxes, 0.1, 0.2);
    let [x, y, z] = room;
    let cavity = Cavity::new(block(x, y, z)).expect("a block is a cavity");
    let options = FitOptions {
        effort: 3,
        seconds: None,
        ..FitOptions::default()
    };
    let answer = crate::stack::fit(&cavity, &stack, options, &AtomicBool::new(false));
    (stack, cavity, answer)
}

#[test]
fn each_answer_has_its_outcome_and_its_evidence() {
    let (stack, room, answer) = asked(&[[3.0, 2.0, 1.0]], [6.0, 6.0, 6.0]);
    let report = fit(&room, &stack, &answer, &Helps::default(), &trace(), 0.12345);
    assert_eq!(report.outcome, crate::checks::Outcome::Holds);
    let spare = report.fit.margins.and_then(|m| m.least_spare_mm);
    assert!(spare.is_some_and(|s| s.0 >= 0.0));
    assert_eq!(report.fit.effort.seconds.0, 0.123);
    approx::assert_relative_eq!(report.fit.room.cavity_mm3.0, 216.0, epsilon = 1e-9);
    approx::assert_relative_eq!(report.fit.room.parts_mm3.0, 6.0, epsilon = 1e-9);

    let (stack, room, answer) = asked(&[[12.0, 2.0, 1.0]], [6.0, 6.0, 6.0]);
    let report = fit(&room, &stack, &answer, &Helps::default(), &trace(), 0.0);
    assert_eq!(report.outcome, crate::checks::Outcome::Breaks);
    let proof = report.fit.proof.expect("a part longer than its room");
    assert!(proof.need.0 > proof.have.0, "{proof:?}");
    let text = fit_text(&room, &stack, &answer, &Helps::default(), &trace());
    assert!(text.contains("needs ") && text.contains(&format!("{:.3}", proof.need.0)));
}

#[test]
fn text_keeps_to_the_columns_and_steers_no_terminal() {
    let (stack, room, answer) = asked(&[[3.0, 2.0, 1.0], [2.0; 3]], [6.0, 6.0, 6.0]);
    let text = fit_text(&room, &stack, &answer, &Helps::default(), &trace());
    let plain = anstream::adapter::strip_str(&text).to_string();
    assert!(!plain.contains('\u{1b}'), "{plain}");
    // Only a path is longer than a line: it stays whole, so that it can be copied.
    for line in plain.lines().filter(|l| !l.contains("ppp")) {
        assert!(line.chars().count() <= 80, "{line}");
    }
    assert!(plain.contains("order PIT-0417"), "{plain}");
    assert!(plain.contains("part to part"), "{plain}");
}

#[test]
fn a_report_read_back_is_the_placement_that_was_measured() {
    let stack = Stack::of_boxes(&[[3.0, 2.0, 1.0], [1.0, 1.0, 1.0]], 0.1, 0.2);
    let mut rng = Rng::new(3);
    let mut pose = || Pose {
        turn: rng.turn(),
        middle: Point::origin() + rng.direction() * 12.0,
    };
    let mut placement = Placement::of(&stack, &[pose(), pose()]);
    placement.tubes.push(Tube {
        name: "lows".to_owned(),
        part: "part 1".to_owned(),
        outer_mm: 1.6,
        centreline: vec![Point::new(1.0 / 3.0, 0.0, -2.0 / 7.0), Point::origin()],
    });
    let placement = placement.as_printed();
    let (_, room, answer) = asked(&[[3.0, 2.0, 1.0]], [6.0, 6.0, 6.0]);
    let answer = FitAnswer {
        placement: Some(placement.clone()),
        certificate: None,
        ..answer
    };
    let report = fit(&room, &stack, &answer, &Helps::default(), &trace(), 0.0);
    let back = Placement::parse(&document(&report).expect("finite")).expect("a placement");
    assert_eq!(back, placement);
    let turn = back.parts[0].pose.turn;
    let off = (turn.transpose() * turn - nalgebra::Matrix3::identity()).abs();
    assert!(off.max() < 1e-9);
}

#[test]
fn what_is_short_is_named_and_what_is_not_is_left_out() {
    let told = |apart: f64| {
        let (stack, room, placement) = one_above_the_other(apart);
        let certificate = certify(&room, &stack, &placement).expect("judged");
        let report = verified(&room, &stack, &certificate, &trace());
        let text = verify_text(&room, &stack, &certificate, &trace());
        (report, anstream::adapter::strip_str(&text).to_string())
    };
    let (report, text) = told(3.0);
    assert!(
        text.contains("where the tubes leave was not judged"),
        "{text}"
    );
    assert!(
        text.contains("the margins do, but tubes are missing"),
        "{text}"
    );
    assert!(text.contains("missing      tube of a"), "{text}");
    assert!(
        text.contains("part to part                    1.000     0.15  a and c"),
        "{text}"
    );
    assert!(report.verify.short.is_empty() && report.verify.unlaid == ["a"]);
    assert!(!text.contains("another file"), "{text}");
    let (report, text) = told(2.1);
    assert!(text.contains("these margins are short"), "{text}");
    assert!(
        text.contains("part to part                    0.100     0.15  a and c"),
        "{text}"
    );
    assert!(!text.contains("part to wall"), "{text}");
    assert_eq!(report.verify.short.len(), 1, "{:?}", report.verify.short);
    assert!(!report.verify.holds);
}

#[test]
fn a_placement_found_in_another_file_says_so() {
    let (stack, room, placement) = one_above_the_other(3.0);
    let certificate = certify(&room, &stack, &placement).expect("judged");
    let trace = FitTrace {
        found_in: Some("PIT-0408-harp-left.ply".to_owned()),
        ..trace()
    };
    let report = verified(&room, &stack, &certificate, &trace);
    assert_eq!(report.verify.found_in, trace.found_in);
    let text = verify_text(&room, &stack, &certificate, &trace);
    assert!(text.contains("found in another file"), "{text}");
    assert!(text.contains("PIT-0408-harp-left.ply"), "{text}");
}

#[test]
fn a_margin_that_is_missed_by_little_is_not_printed_as_kept() {
    let told = |apart: f64| {
        let (stack, room, placement) = one_above_the_other(apart);
        let certificate = certify(&room, &stack, &placement).expect("judged");
        verify_text(&room, &stack, &certificate, &trace())
    };
    // Two boxes 2 mm high stand 0.15 mm apart, less 0.00001.
    let text = told(2.149_99);
    assert!(text.contains("0.149990     0.15"), "{text}");
}

#[test]
fn nothing_was_found_and_nothing_proven_is_no_answer() {
    let (stack, room, answer) = asked(&[[3.0, 2.0, 1.0]], [6.0, 6.0, 6.0]);
    let answer = FitAnswer {
        verdict: Verdict::NotFound,
        ..answer
    };
    let report = fit(&room, &stack, &answer, &Helps::default(), &trace(), 0.0);
    assert_eq!(report.outcome, crate::checks::Outcome::CannotTell);
}

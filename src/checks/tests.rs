use std::collections::BTreeSet;

use super::fixtures::Ear;
use super::*;
use crate::canal::{Feather, NoCanal, Side};
use crate::limits::{Setting, rows};
use crate::mesh::Point;
use crate::read::{Unit, UnitFrom};
use crate::soundness::{Floater, Region, Spot};
use crate::units::Measured;

type Spoil = fn(&mut Ear);

/// One check's proof: an ear that breaks it and nothing else, and what can't be told.
struct Case {
    id: &'static str,
    breaks: Spoil,
    weighs: Verdict,
    cannot_tell: Option<Spoil>,
}

const CASES: &[Case] = &[
    Case {
        id: "unit-doubtful",
        breaks: |e| enlarge(e, 25.4),
        weighs: Verdict::CannotTell,
        cannot_tell: Some(no_unit),
    },
    Case {
        id: "not-an-impression",
        breaks: |e| e.soundness.volume_mm3 = Some(1500.0),
        weighs: Verdict::CannotTell,
        cannot_tell: Some(|e| e.soundness.volume_if_capped_mm3 = 1500.0),
    },
    Case {
        id: "canal-missing",
        breaks: |e| e.canal = Err(NoCanal::NothingTubular),
        weighs: Verdict::CannotTell,
        cannot_tell: Some(|e| e.canal = Err(NoCanal::TwoTips)),
    },
    Case {
        id: "scan-ends-in-canal",
        breaks: |e| {
            e.canal().aperture_reached = false;
            e.soundness.holes[0].span_mm = 10.0;
        },
        weighs: Verdict::Retake,
        cannot_tell: Some(|e| {
            e.canal().aperture_reached = false;
            e.soundness.holes.clear();
        }),
    },
    Case {
        id: "short-past-first-bend",
        breaks: |e| e.past(1, Measured::exact(5.5, 0.15)),
        weighs: Verdict::Retake,
        cannot_tell: Some(|e| e.past(1, Measured::exact(6.1, 0.15))),
    },
    Case {
        id: "short-past-second-bend",
        breaks: |e| e.past(2, Measured::exact(1.2, 0.15)),
        weighs: Verdict::Retake,
        cannot_tell: Some(|e| e.canal().bends.truncate(1)),
    },
    Case {
        id: "side-unlike-order",
        breaks: |e| e.ordered = Some(Side::Right),
        weighs: Verdict::CannotTell,
        cannot_tell: Some(|e| e.canal().side = None),
    },
    Case {
        id: "hole-in-seal-zone",
        breaks: |e| e.hole_at(3.0, 2.0),
        weighs: Verdict::Retake,
        cannot_tell: Some(|e| {
            e.hole_at(3.0, 2.0);
            e.canal().bends.clear();
        }),
    },
    Case {
        id: "hole-elsewhere",
        breaks: |e| e.hole_at(10.0, 4.0),
        weighs: Verdict::Retake,
        cannot_tell: Some(|e| e.hole_at(10.0, 3.01)),
    },
    Case {
        id: "tip-feathered",
        breaks: |e| feather(e, 3.0),
        weighs: Verdict::Repair,
        cannot_tell: Some(|e| feather(e, 1.55)),
    },
    Case {
        id: "pit-in-canal",
        breaks: |e| e.pit_at(3.0, 0.9, 1.5),
        weighs: Verdict::Retake,
        cannot_tell: Some(|e| e.pit_at(10.0, 0.52, 1.5)),
    },
    Case {
        id: "canal-too-narrow",
        breaks: |e| narrow(e, 4.5, 2.2),
        weighs: Verdict::Repair,
        cannot_tell: Some(|e| narrow(e, 5.5, 3.0)),
    },
    Case {
        id: "undercut-deep",
        breaks: |e| e.squeezed_by(2.0),
        weighs: Verdict::Design,
        cannot_tell: Some(|e| e.canal = Err(NoCanal::TwoTips)),
    },
    Case {
        id: "figures-doubtful",
        breaks: |e| e.canal().length_mm = Measured::exact(44.0, 0.2),
        weighs: Verdict::CannotTell,
        cannot_tell: Some(|e| {
            let c = e.canal();
            c.area_share = 0.05;
            for s in &mut c.sections {
                s.area_mm2 = 31.0;
            }
        }),
    },
    Case {
        id: "winding-inverted",
        breaks: |e| {
            e.soundness.inverted = true;
            e.soundness.flipped_facets = 1;
        },
        weighs: Verdict::Repair,
        cannot_tell: None,
    },
    Case {
        id: "fin-edges",
        breaks: |e| {
            e.soundness.fin_edges = 2;
            e.soundness.fin_spots = vec![spot(2)];
        },
        weighs: Verdict::Repair,
        cannot_tell: None,
    },
    Case {
        id: "crossing-facets",
        breaks: |e| {
            e.soundness.crossing_pairs = 5;
            e.soundness.crossing_spots = vec![spot(5)];
        },
        weighs: Verdict::Repair,
        cannot_tell: None,
    },
    Case {
        id: "loose-parts",
        breaks: |e| e.soundness.floaters.push(floater()),
        weighs: Verdict::Repair,
        cannot_tell: None,
    },
    Case {
        id: "scan-too-noisy",
        breaks: |e| e.soundness.noise_mm = 0.3,
        weighs: Verdict::Retake,
        cannot_tell: Some(|e| e.soundness.noise_mm = 0.145),
    },
    Case {
        id: "facets-too-coarse",
        breaks: |e| e.soundness.edge_mm = 1.3,
        weighs: Verdict::Retake,
        cannot_tell: None,
    },
];

fn enlarge(ear: &mut Ear, by: f64) {
    ear.scan.mesh = ear.scan.mesh.mapped(|p| p * by).expect("finite");
}

fn no_unit(ear: &mut Ear) {
    enlarge(ear, 0.1);
    ear.scan.unit = None;
    ear.scan.unit_from = UnitFrom::Unknown;
    ear.canal = Err(NoCanal::UnitUnknown);
}

fn feather(ear: &mut Ear, length_mm: f64) {
    ear.canal().feather = Some(Feather {
        length_mm,
        smallest_mm: 0.8,
        point: Point::new(0.0, 0.0, 20.0 - length_mm),
    });
}

fn narrow(ear: &mut Ear, largest_mm: f64, smallest_mm: f64) {
    let place = &mut ear.canal().narrowest;
    place.largest_mm = largest_mm;
    place.smallest_mm = smallest_mm;
    place.area_mm2 = std::f64::consts::PI * largest_mm * smallest_mm / 4.0;
}

fn spot(count: usize) -> Spot {
    Spot {
        count,
        point: Point::new(4.0, 0.0, 3.0),
    }
}

fn floater() -> Floater {
    Floater {
        facets: 12,
        area_mm2: 1.0,
        size_mm: 0.8,
        point: Point::new(30.0, 0.0, 0.0),
        facet: 0,
    }
}

fn answers(ear: &Ear, limits: &Limits) -> Vec<(&'static Check, Answer)> {
    run_all(
        &Facts::new(&ear.scan, &ear.soundness, &ear.canal, ear.ordered).with_pull(&ear.pull),
        limits,
    )
}

fn answer(ear: &Ear, id: &str) -> Answer {
    let check = find(id).expect("a check of that id");
    (check.run)(
        &Facts::new(&ear.scan, &ear.soundness, &ear.canal, ear.ordered).with_pull(&ear.pull),
        &Limits::default(),
    )
}

fn spoilt(spoil: Spoil) -> Ear {
    let mut ear = Ear::good();
    spoil(&mut ear);
    ear
}

#[test]
fn rows_are_sound() {
    let mut seen = BTreeSet::new();
    for check in CHECKS {
        assert!(seen.insert(check.id), "{} twice", check.id);
        assert!(
            check.id.chars().all(|c| c.is_ascii_lowercase() || c == '-'),
            "{}",
            check.id
        );
        assert!(check.asks.ends_with('?'), "{}", check.id);
        assert!(
            check.explains.len() > 100 && !check.explains.contains("  "),
            "{}",
            check.id
        );
        let said = check.explains.contains("holds no verdict back");
        assert_eq!(check.worst == Verdict::Design, said, "{}", check.id);
    }
}

#[test]
fn every_check_has_its_case() {
    let cases: Vec<&str> = CASES.iter().map(|case| case.id).collect();
    let checks: Vec<&str> = CHECKS.iter().map(|check| check.id).collect();
    assert_eq!(cases, checks);
}

#[test]
fn every_limit_is_used_by_a_check() {
    let walls = super::wall::WALL_CHECKS.iter().flat_map(|c| c.limits);
    let shells = super::shell::SHELL_CHECKS.iter().flat_map(|c| c.limits);
    let pulls = super::pull::PULL_CHECKS.iter().flat_map(|c| c.limits);
    let used: BTreeSet<&str> = CHECKS
        .iter()
        .flat_map(|c| c.limits)
        .chain(walls)
        .chain(shells)
        .chain(pulls)
        .map(|row| row.key)
        .collect();
    let all: BTreeSet<&str> = crate::limits::ROWS.iter().map(|row| row.key).collect();
    assert_eq!(used, all);
}

#[test]
fn a_good_ear_passes_every_check() {
    let answers = answers(&Ear::good(), &Limits::default());
    for (check, answer) in &answers {
        assert_eq!(
            answer.outcome,
            Outcome::Holds,
            "{}: {}",
            check.id,
            answer.says
        );
        assert!(answer.advice.is_none(), "{}", check.id);
    }
    assert_eq!(verdict(answers.iter().map(|(_, a)| a)), Verdict::Design);
}

/// What lies beside a solid impression, however large a sheet, makes it no shell; nearly as thin as one is
/// too close to call.
#[test]
fn only_what_encloses_tells_how_solid_it_is() {
    let solid = |volume_mm3: f64, area_mm2: f64| {
        let mut ear = Ear::good();
        ear.soundness.volume_mm3 = Some(volume_mm3);
        ear.soundness.area_mm2 = area_mm2;
        ear.soundness.holes.clear();
        answer(&ear, "not-an-impression").outcome
    };
    assert_eq!(solid(6000.0, 9000.0), Outcome::Holds);
    assert_eq!(solid(2930.0, 2900.0), Outcome::CannotTell);
    assert_eq!(solid(1500.0, 2900.0), Outcome::Breaks);
}

/// The smallest spoiling of a good ear gives exactly one break, and that of the check it is for.
/// Lost lengths are the exception: without unit, size or canal nothing along it can be told.
#[test]
fn each_break_is_told_by_its_check_alone() {
    for case in CASES {
        let answers = answers(&spoilt(case.breaks), &Limits::default());
        for (check, answer) in &answers {
            if check.id == case.id {
                assert_eq!(
                    answer.outcome,
                    Outcome::Breaks,
                    "{}: {}",
                    case.id,
                    answer.says
                );
                assert_eq!(answer.weighs, case.weighs, "{}", case.id);
                assert!(answer.weighs <= check.worst, "{}", case.id);
                assert!(
                    answer.advice.as_ref().is_some_and(|a| !a.is_empty()),
                    "{}",
                    case.id
                );
            } else {
                assert_ne!(
                    answer.outcome,
                    Outcome::Breaks,
                    "{} for {}: {}",
                    check.id,
                    case.id,
                    answer.says
                );
            }
        }
        assert_eq!(
            verdict(answers.iter().map(|(_, a)| a)),
            case.weighs,
            "{}",
            case.id
        );
    }
}

#[test]
fn what_cannot_be_told_is_not_told() {
    for case in CASES {
        let Some(spoil) = case.cannot_tell else {
            continue;
        };
        let got = answer(&spoilt(spoil), case.id);
        assert_eq!(
            got.outcome,
            Outcome::CannotTell,
            "{}: {}",
            case.id,
            got.says
        );
        assert!(
            got.weighs == Verdict::CannotTell && got.advice.is_some(),
            "{}",
            case.id
        );
    }
}

/// A value decides only when it is further from the limit than its `±`.
#[test]
fn a_limit_within_the_spread_is_too_close_to_call() {
    for (past, expect) in [
        (5.84, Outcome::Breaks),
        (5.86, Outcome::CannotTell),
        (6.0, Outcome::CannotTell),
        (6.14, Outcome::CannotTell),
        (6.16, Outcome::Holds),
    ] {
        let mut ear = Ear::good();
        ear.past(1, Measured::exact(past, 0.15));
        let got = answer(&ear, "short-past-first-bend");
        assert_eq!(got.outcome, expect, "{past}: {}", got.says);
        if expect == Outcome::CannotTell {
            assert!(got.says.starts_with("too close to call: "), "{}", got.says);
        }
    }
}

#[test]
fn a_lower_bound_can_hold_and_never_break() {
    for (past, expect) in [(3.0, Outcome::CannotTell), (7.0, Outcome::Holds)] {
        let mut ear = Ear::good();
        ear.past(1, Measured::at_least(past, 0.1));
        let got = answer(&ear, "short-past-first-bend");
        assert_eq!(got.outcome, expect, "{past}: {}", got.says);
    }
    let bar = Bar {
        row: &rows::NOISE,
        value: 1.0,
        sense: Sense::AtMost,
    };
    assert_eq!(bar.judge(&Measured::at_least(0.5, 0.0)), None);
    assert_eq!(bar.judge(&Measured::at_least(1.5, 0.1)), Some(false));
    assert_eq!(bar.judge(&Measured::at_most(0.5, 0.1)), Some(true));
    assert_eq!(bar.judge(&Measured::at_most(1.5, 0.1)), None);
    assert_eq!(
        bar.judge(&Measured::exact(1.0, 0.0)),
        Some(true),
        "the limit itself is within"
    );
}

#[test]
fn a_feather_does_not_count_as_canal() {
    let mut ear = Ear::good();
    ear.past(2, Measured::exact(4.5, 0.15));
    assert_eq!(
        answer(&ear, "short-past-second-bend").outcome,
        Outcome::Holds
    );
    feather(&mut ear, 3.0);
    let got = answer(&ear, "short-past-second-bend");
    assert_eq!(got.outcome, Outcome::Breaks, "{}", got.says);
    assert!((got.value.expect("a value").value - 1.5).abs() < 1e-12);
    assert!(got.says.contains("feathered tip left out"), "{}", got.says);
}

#[test]
fn enough_but_not_good_is_said() {
    let mut ear = Ear::good();
    ear.past(2, Measured::exact(3.0, 0.15));
    let got = answer(&ear, "short-past-second-bend");
    assert_eq!(got.outcome, Outcome::Holds);
    assert!(
        got.says.contains("short of the 5.00 mm called good"),
        "{}",
        got.says
    );
}

/// A short canal breaks both bend checks even where its bends were not told.
#[test]
fn a_canal_too_short_for_its_bends_breaks_without_them() {
    let mut ear = Ear::good();
    ear.canal().bends.clear();
    ear.canal().length_mm = Measured::exact(5.0, 0.1);
    assert_eq!(
        answer(&ear, "short-past-first-bend").outcome,
        Outcome::Breaks
    );
    assert_eq!(
        answer(&ear, "short-past-second-bend").outcome,
        Outcome::Breaks
    );
    ear.canal().length_mm = Measured::at_least(5.0, 0.1);
    for id in ["short-past-first-bend", "short-past-second-bend"] {
        assert_eq!(answer(&ear, id).outcome, Outcome::CannotTell, "{id}");
    }
}

/// Without a second bend, the length past the first says whether it could have been shown.
#[test]
fn a_second_bend_not_shown_is_judged_by_where_it_would_be() {
    for (past_first, outcome) in [
        (Measured::exact(4.0, 0.1), Outcome::Breaks),
        (Measured::exact(10.8, 0.1), Outcome::Breaks),
        (Measured::exact(10.95, 0.1), Outcome::CannotTell),
        (Measured::exact(14.0, 0.1), Outcome::CannotTell),
        (Measured::at_least(4.0, 0.1), Outcome::CannotTell),
    ] {
        let mut ear = Ear::good();
        ear.canal().bends.truncate(1);
        ear.past(1, past_first);
        let got = answer(&ear, "short-past-second-bend");
        assert_eq!(got.outcome, outcome, "{past_first:?}: {}", got.says);
    }
}

/// A 34 mm scan read as 3.4 mm is a wrong unit, never a confident "too short, take it again".
#[test]
fn a_wrong_unit_is_never_a_short_canal() {
    let mut ear = Ear::good();
    enlarge(&mut ear, 0.1);
    ear.past(1, Measured::exact(1.4, 0.01));
    let answers = answers(&ear, &Limits::default());
    assert_eq!(verdict(answers.iter().map(|(_, a)| a)), Verdict::CannotTell);
    assert!(
        answers
            .iter()
            .all(|(c, a)| a.outcome != Outcome::Breaks || c.id == "unit-doubtful")
    );
    let unit = answer(&ear, "unit-doubtful");
    assert!(
        unit.advice
            .expect("advice")
            .contains("plausible, with `--unit`: cm")
    );
}

#[test]
fn an_unknown_unit_names_the_plausible_ones() {
    let ear = spoilt(no_unit);
    let got = answer(&ear, "unit-doubtful");
    assert_eq!(
        got.advice.as_deref(),
        Some("ask whoever exported it; plausible, with `--unit`: cm")
    );
    let mut ear = Ear::good();
    enlarge(&mut ear, 1.0 / 25.4);
    ear.scan.unit = None;
    assert!(
        answer(&ear, "unit-doubtful")
            .advice
            .expect("advice")
            .ends_with("inch")
    );
}

/// Without a unit even the place of a finding is not a place in millimetres.
#[test]
fn without_a_unit_findings_have_no_place_in_millimetres() {
    let mut ear = spoilt(no_unit);
    ear.soundness.floaters.push(floater());
    let got = answer(&ear, "loose-parts");
    assert_eq!(got.outcome, Outcome::Breaks);
    assert_eq!(
        (got.findings[0].point, got.findings[0].region),
        (None, Region::Unknown)
    );
    assert!(
        !got.findings[0].says.contains("mm"),
        "{}",
        got.findings[0].says
    );
}

#[test]
fn retake_is_over_cannot_tell_is_over_repair() {
    assert!(Verdict::Design < Verdict::Repair && Verdict::Repair < Verdict::CannotTell);
    assert!(Verdict::CannotTell < Verdict::Retake);
    let mut ear = spoilt(|e| e.canal().side = None);
    ear.soundness.floaters.push(floater());
    assert_eq!(
        verdict(answers(&ear, &Limits::default()).iter().map(|(_, a)| a)),
        Verdict::CannotTell
    );
    ear.past(2, Measured::exact(-1.0, 0.1));
    assert_eq!(
        verdict(answers(&ear, &Limits::default()).iter().map(|(_, a)| a)),
        Verdict::Retake
    );
    assert_eq!(verdict([]), Verdict::CannotTell);
}

/// Nobody ordered a side: an untold one is said, and holds nothing back.
#[test]
fn an_unordered_side_holds_nothing_back() {
    let mut ear = Ear::good();
    ear.ordered = None;
    ear.canal().side = None;
    let got = answer(&ear, "side-unlike-order");
    assert_eq!(
        (got.outcome, got.weighs),
        (Outcome::CannotTell, Verdict::Design)
    );
    ear.canal().side = Some(Side::Right);
    let got = answer(&ear, "side-unlike-order");
    assert_eq!(
        got.outcome,
        Outcome::CannotTell,
        "nothing was held against anything"
    );
    assert_eq!(got.weighs, Verdict::Design);
}

/// A file's name is no order either, but where it says the other side nobody can tell which ear it is.
#[test]
fn a_name_of_the_other_side_holds_the_verdict_back() {
    let mut ear = Ear::good();
    ear.ordered = None;
    ear.canal().side = Some(Side::Right);
    let check = find("side-unlike-order").expect("a check of that id");
    for (named, weighs) in [
        (Side::Left, Verdict::CannotTell),
        (Side::Right, Verdict::Design),
    ] {
        let facts = Facts::new(&ear.scan, &ear.soundness, &ear.canal, None).with_named(Some(named));
        let got = (check.run)(&facts, &Limits::default());
        assert_eq!((got.outcome, got.weighs), (Outcome::CannotTell, weighs));
    }
}

#[test]
fn holes_are_judged_by_place_and_width() {
    for (z, span, id, weighs) in [
        (3.0, 0.5, "hole-in-seal-zone", Verdict::Repair),
        (3.0, 2.0, "hole-in-seal-zone", Verdict::Retake),
        (6.9, 2.0, "hole-in-seal-zone", Verdict::Retake),
        (10.0, 1.0, "hole-elsewhere", Verdict::Design),
        (10.0, 5.0, "hole-elsewhere", Verdict::Retake),
        (-5.0, 5.0, "hole-elsewhere", Verdict::Repair),
    ] {
        let mut ear = Ear::good();
        ear.hole_at(z, span);
        let got = answer(&ear, id);
        assert_eq!(got.weighs, weighs, "{z} {span}: {}", got.says);
        assert_eq!(got.findings.len(), 1, "{z} {span}");
    }
    let beyond = answer(&spoilt(|e| e.hole_at(7.1, 2.0)), "hole-in-seal-zone");
    assert_eq!(beyond.outcome, Outcome::Holds);
    let got = answer(&spoilt(|e| e.hole_at(3.0, 2.0)), "hole-in-seal-zone");
    assert_eq!(got.findings[0].region, Region::SealZone);
    assert!((got.findings[0].at_mm.expect("on the axis") - 3.0).abs() < 1e-9);
}

/// Where noise could add a bend, "between the bends" may still be the seal zone.
#[test]
fn a_hole_past_a_doubtful_bend_may_be_in_the_seal_zone() {
    let mut ear = Ear::good();
    ear.hole_at(10.0, 1.0);
    assert_eq!(answer(&ear, "hole-in-seal-zone").outcome, Outcome::Holds);
    ear.canal().bends_sure = false;
    assert_eq!(
        answer(&ear, "hole-in-seal-zone").outcome,
        Outcome::CannotTell
    );
}

#[test]
fn pits_are_judged_by_place_depth_and_width() {
    for (z, depth, width, weighs) in [
        (10.0, 0.3, 5.0, Verdict::Design),
        (10.0, 0.9, 1.2, Verdict::Repair),
        (10.0, 0.9, 2.5, Verdict::Retake),
        (3.0, 0.9, 1.2, Verdict::Retake),
        (10.0, -0.9, 1.2, Verdict::Design),
    ] {
        let mut ear = Ear::good();
        ear.pit_at(z, depth, width);
        assert_eq!(
            answer(&ear, "pit-in-canal").weighs,
            weighs,
            "{z} {depth} {width}"
        );
    }
}

/// A waist and a widening after it are anatomy (5 of 10 ears): no check may call it a fault.
#[test]
fn a_canal_that_widens_after_a_waist_is_no_defect() {
    let mut ear = Ear::good();
    for section in &mut ear.canal().sections {
        let dip = 1.0 - 0.3 * (-((section.at_mm - 3.0) / 1.5).powi(2)).exp();
        section.area_mm2 *= dip;
    }
    let answers = answers(&ear, &Limits::default());
    assert!(answers.iter().all(|(_, a)| a.outcome == Outcome::Holds));
}

#[test]
fn three_bores_hold_by_a_witness_and_break_by_a_proof() {
    let mut limits = Limits::default();
    limits
        .put(&rows::BORES, Setting::Count(3))
        .expect("in range");
    let run = |ear: &Ear| {
        let facts = Facts::new(&ear.scan, &ear.soundness, &ear.canal, None);
        (find("canal-too-narrow").expect("known").run)(&facts, &limits)
    };
    assert_eq!(run(&Ear::good()).outcome, Outcome::Holds);
    let mut ear = Ear::good();
    narrow(&mut ear, 4.5, 2.2);
    assert_eq!(
        run(&ear).outcome,
        Outcome::Breaks,
        "two do not fit, so three do not"
    );
    narrow(&mut ear, 5.4, 4.4);
    let got = run(&ear);
    assert_eq!(got.outcome, Outcome::CannotTell, "{}", got.says);
    assert!(got.says.contains("lower bound"), "{}", got.says);
}

#[test]
fn the_base_is_held_against_what_the_shop_expects() {
    let run = |ear: &Ear, word: &str| {
        let mut limits = Limits::default();
        limits
            .put(&rows::BASE, Setting::Word(word.into()))
            .expect("allowed");
        let facts = Facts::new(&ear.scan, &ear.soundness, &ear.canal, None);
        (find("scan-ends-in-canal").expect("known").run)(&facts, &limits).weighs
    };
    let mut ear = Ear::good();
    assert_eq!(
        (run(&ear, "open"), run(&ear, "closed")),
        (Verdict::Design, Verdict::Repair)
    );
    ear.soundness.holes.clear();
    assert_eq!(
        (run(&ear, "open"), run(&ear, "closed")),
        (Verdict::Repair, Verdict::Design)
    );
}

#[test]
fn a_stated_unit_that_makes_a_giant_breaks() {
    let mut ear = Ear::good();
    enlarge(&mut ear, 25.4);
    ear.scan.unit = Some(Unit::Inch);
    let got = answer(&ear, "unit-doubtful");
    assert_eq!(got.outcome, Outcome::Breaks);
    assert!(got.advice.expect("advice").ends_with("mm"));
}

/// Undercuts are told and hold no verdict back, whatever is known of them.
#[test]
fn undercuts_are_told_and_decide_nothing() {
    use crate::undercut::{CannotTell, NoBase};
    for (depth_mm, expect) in [
        (0.3, Outcome::Holds),
        (0.45, Outcome::CannotTell),
        (0.55, Outcome::CannotTell),
        (0.7, Outcome::CannotTell),
    ] {
        let mut ear = Ear::good();
        ear.held_by(depth_mm);
        let got = answer(&ear, "undercut-deep");
        assert_eq!(
            (got.outcome, got.weighs),
            (expect, Verdict::Design),
            "{}",
            got.says
        );
        ear.soundness.crossing_pairs = 3;
        let crossed = answer(&ear, "undercut-deep").outcome;
        assert!(crossed == expect && crossed != Outcome::Holds || crossed == Outcome::CannotTell);
    }
    for (squeeze_mm, expect) in [
        (0.3, Outcome::Holds),
        (0.45, Outcome::CannotTell),
        (0.55, Outcome::CannotTell),
        (0.7, Outcome::Breaks),
    ] {
        let mut ear = Ear::good();
        ear.squeezed_by(squeeze_mm);
        let got = answer(&ear, "undercut-deep");
        assert_eq!((got.outcome, got.weighs), (expect, Verdict::Design));
    }
    let mut ear = Ear::good();
    ear.pull = Err(CannotTell::Base(NoBase::NotFound));
    let got = answer(&ear, "undercut-deep");
    assert_eq!(
        (got.outcome, got.weighs),
        (Outcome::CannotTell, Verdict::Design)
    );
    assert!(got.says.contains("base plane"), "{}", got.says);
}

#[test]
fn ids_are_found_by_likeness() {
    assert_eq!(
        nearest_id("short-past-frist"),
        Some("short-past-first-bend")
    );
    assert_eq!(nearest_id("banana"), None);
    assert!(find("no-such-check").is_none());
}

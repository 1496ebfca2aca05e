use std::collections::BTreeSet;

use super::*;
use crate::checks::Outcome;
use crate::limits::{Setting, rows};
use crate::mesh::Topology;
use crate::shell::tests::turned::Turned;
use crate::shell::wall::{Wall, WallOptions, wall};
use crate::shell::{Bores, BuildUp, Cut, Lid, Past};
use crate::soundness::Region;
use crate::undercut::{self, Asked, BasePlane, PullFigures, PullSettings, Withdrawal};
use crate::units::Measured;

struct Made {
    ear: Turned,
    plan: Plan,
    shell: Shell,
    wall: Wall,
}

fn made(change: impl FnOnce(&mut Plan)) -> Made {
    made_on(Turned::new(), change)
}

fn made_on(ear: Turned, change: impl FnOnce(&mut Plan)) -> Made {
    let mut plan = Plan {
        cut: Some(Cut {
            past: Past::Aperture,
            by_mm: 15.0,
            round_mm: 0.5,
        }),
        build_up: BuildUp::even(0.2),
        bores: Bores::Count {
            count: 2,
            diameter_mm: 1.5,
        },
        facet_mm: 0.4,
        ..Plan::default()
    };
    plan.walls.solid_tip_mm = 4.0;
    change(&mut plan);
    let shell = ear.shell(&plan).expect("a shell");
    let options = WallOptions::default();
    let wall = wall(&shell.solid, &Topology::new(&shell.solid), &options).expect("a wall");
    Made {
        ear,
        plan,
        shell,
        wall,
    }
}

const SOUND: MeshFaults = MeshFaults {
    open_edges: 0,
    fin_edges: 0,
    flipped_edges: 0,
    crossing_pairs: 0,
    bodies: 1,
};

fn answers(made: &Made, mesh: MeshFaults, limits: &Limits) -> Vec<(&'static str, Answer)> {
    let outward = made.shell.faceplate.outward;
    let asked = Asked {
        outward,
        pull: None,
        base: None,
        face: Some(outward),
        part: None,
        region_of: &|_| Region::Unknown,
        relief: false,
        settings: PullSettings::default(),
    };
    let outer = &made.shell.outer;
    let pulls = undercut::quick(outer, &Topology::new(outer), &asked).expect("a pull");
    answers_pulled(made, mesh, &pulls, limits)
}

fn answers_pulled(
    made: &Made,
    mesh: MeshFaults,
    pulls: &Pulls,
    limits: &Limits,
) -> Vec<(&'static str, Answer)> {
    let wall = wall_facts(made);
    let facts = ShellFacts {
        shell: &made.shell,
        plan: &made.plan,
        canal: &made.ear.canal,
        wall: Some(&wall),
        mesh,
        scan: Some(ScanSays {
            verdict: Verdict::Design,
            decided_by: String::new(),
            breaks: false,
            faults: Vec::new(),
        }),
        pulls: Some(Ok(pulls)),
    };
    let all = run_shell(&facts, limits);
    all.into_iter()
        .map(|(check, answer)| (check.id, answer))
        .collect()
}

fn wall_facts(made: &Made) -> WallFacts<'_> {
    WallFacts::new(&made.shell.solid, &made.wall, Some(&made.ear.canal))
        .with_rim(made.shell.faceplate, &made.shell.rim)
}

fn with(answers: &[(&'static str, Answer)], outcome: Outcome) -> BTreeSet<&'static str> {
    let same = answers.iter().filter(|a| a.1.outcome == outcome);
    same.map(|a| a.0).collect()
}

fn put(row: &'static Row, value: f64) -> Limits {
    let mut limits = Limits::default();
    limits.put(row, Setting::Number(value)).expect("allowed");
    limits
}

#[test]
fn a_good_shell_holds_every_check() {
    let told = answers(&made(|_| {}), SOUND, &Limits::default());
    assert_eq!(
        with(&told, Outcome::Holds).len(),
        SHELL_CHECKS.len(),
        "{told:?}"
    );
}

/// A shell that no way out was found for but a tight one breaks its check; one that only can't be
/// drawn straight is told to be looked at, and nothing hangs on it.
#[test]
fn a_shell_that_squeezes_is_stuck() {
    let good = made(|_| {});
    let at = good.shell.outer.points()[0];
    let told = |squeeze_mm: Option<f64>, straight_mm: f64| {
        let pull = PullFigures {
            direction: good.shell.faceplate.outward,
            largest_mm: Measured::exact(straight_mm, 0.1),
            area_mm2: Measured::exact(10.0, 1.0),
        };
        let way = squeeze_mm.map(|mm| Ok(Withdrawal::told(Measured::at_most(mm, 0.05), at)));
        let base = BasePlane::given(at, pull.direction).expect("a direction");
        let pulls = Pulls {
            base,
            straight: pull,
            best: pull,
            held_at: at,
            depth_mm: None,
            way,
        };
        let all = answers_pulled(&good, SOUND, &pulls, &Limits::default());
        let own = all.into_iter().find(|a| a.0 == "shell-stuck");
        let own = own.expect("its check").1;
        (own.outcome, own.weighs)
    };
    assert_eq!(told(Some(0.8), 2.0), (Outcome::Breaks, Verdict::Repair));
    assert_eq!(
        told(Some(0.5), 2.0),
        (Outcome::CannotTell, Verdict::CannotTell)
    );
    assert_eq!(told(Some(0.4), 2.0).0, Outcome::Holds);
    assert_eq!(told(None, 2.0), (Outcome::CannotTell, Verdict::Design));
    assert_eq!(told(None, 0.3).0, Outcome::Holds);
}

/// A shell on a scan that must be taken again is unfit; one that could be repaired is only told.
#[test]
fn a_bad_scan_is_named() {
    let good = made(|_| {});
    for (verdict, outcome, weighs) in [
        (Verdict::Design, Outcome::Holds, Verdict::Design),
        (Verdict::Repair, Outcome::CannotTell, Verdict::Design),
        (
            Verdict::CannotTell,
            Outcome::CannotTell,
            Verdict::CannotTell,
        ),
        (Verdict::Retake, Outcome::Breaks, Verdict::Retake),
    ] {
        let facts = ShellFacts {
            shell: &good.shell,
            plan: &good.plan,
            canal: &good.ear.canal,
            wall: None,
            mesh: SOUND,
            scan: Some(ScanSays {
                verdict,
                decided_by: "pit-in-canal".to_owned(),
                breaks: outcome == Outcome::Breaks,
                faults: Vec::new(),
            }),
            pulls: None,
        };
        let got = (scan_unfit::CHECK.run)(&facts, &Limits::default());
        assert_eq!((got.outcome, got.weighs), (outcome, weighs));
        assert_eq!(
            got.says.contains("pit-in-canal"),
            verdict != Verdict::Design
        );
    }
    // Where a check that breaks leaves the rest untold, that much is said, as `vet` says it.
    let says = |breaks| {
        let decided_by = "side-unlike-order".to_owned();
        let verdict = Verdict::CannotTell;
        let scan = ScanSays {
            verdict,
            decided_by,
            breaks,
            faults: Vec::new(),
        };
        scan.words()
    };
    assert_eq!(says(true), "breaks, cannot tell (side-unlike-order)");
    assert_eq!(says(false), "cannot tell (side-unlike-order)");
}

/// The smallest change breaks one check and no other.
#[test]
fn each_fault_breaks_its_own_check_alone() {
    let good = made(|_| {});
    let crossed = MeshFaults {
        crossing_pairs: 1,
        ..SOUND
    };
    let loose = MeshFaults { bodies: 2, ..SOUND };
    let cases: [(&str, MeshFaults, Limits); 6] = [
        ("not-printable", crossed, Limits::default()),
        ("not-printable", loose, Limits::default()),
        ("canal-closes-early", SOUND, put(&rows::CANAL_SOLID, 3.0)),
        ("bore-too-near", SOUND, put(&rows::BORE_WEB, 3.0)),
        ("bore-too-narrow", SOUND, put(&rows::HOLE_LEAST, 1.4)),
        ("wall-thin-after-shrink", SOUND, put(&rows::WALL_BODY, 1.2)),
    ];
    for (id, mesh, limits) in cases {
        let told = answers(&good, mesh, &limits);
        assert_eq!(
            with(&told, Outcome::Breaks),
            BTreeSet::from([id]),
            "{told:?}"
        );
    }
    // Bores given beside the cavity end in material.
    let blind = made(|plan| {
        let from = Point::new(0.0, 0.0, 13.0);
        let to = Point::new(0.0, 0.0, 17.0);
        plan.bores = Bores::Given(vec![crate::shell::GivenBore {
            from,
            to,
            diameter_mm: 1.5,
        }]);
    });
    let told = answers(&blind, SOUND, &Limits::default());
    assert_eq!(
        with(&told, Outcome::Breaks),
        BTreeSet::from(["bore-blind"]),
        "{told:?}"
    );
    let finding = &told
        .iter()
        .find(|a| a.0 == "bore-blind")
        .expect("there")
        .1
        .findings[0];
    assert!((finding.at_mm.expect("on the canal") - 13.0).abs() < 0.01);
}

#[test]
fn close_calls_and_what_is_not_there_are_not_decided() {
    let good = made(|_| {});
    let solid = good.shell.canal_end_mm - good.shell.canal_open_to_mm.expect("open");
    let told = answers(&good, SOUND, &put(&rows::CANAL_SOLID, solid + 0.05));
    assert!(with(&told, Outcome::CannotTell).contains("canal-closes-early"));

    let full = made(|plan| {
        plan.walls.body_mm = 9.9;
        plan.walls.canal_mm = 9.9;
        plan.bores = Bores::Given(Vec::new());
        plan.faceplate.lid = Lid::Closed { thickness_mm: 1.0 };
    });
    let told = answers(&full, SOUND, &Limits::default());
    assert!(
        with(&told, Outcome::Breaks).contains("cavity-missing"),
        "{told:?}"
    );
    assert!(
        with(&told, Outcome::CannotTell).contains("canal-closes-early"),
        "{told:?}"
    );
    // Without bores there is nothing to be wrong with them.
    for id in ["bore-blind", "bore-too-near", "bore-too-narrow"] {
        assert!(with(&told, Outcome::Holds).contains(id), "{id}");
    }
    let facts = ShellFacts {
        shell: &full.shell,
        plan: &full.plan,
        canal: &full.ear.canal,
        wall: None,
        mesh: SOUND,
        scan: None,
        pulls: None,
    };
    let shrink = (shrink::CHECK.run)(&facts, &Limits::default());
    assert_eq!(shrink.outcome, Outcome::CannotTell);
}

/// A concha that flares to the faceplate by 7 mm over 10 meets it at 55°: that is told as what it is, and
/// the thin walls in the wedge are said to be there and stay thin. One that flares by 4 over 10 (68°) is
/// held against the limit alone.
#[test]
fn a_flaring_side_is_a_sharp_rim_and_its_thin_walls_are_told_to_be_there() {
    let own = |told: &[(&'static str, Answer)], id: &str| {
        let found = told.iter().find(|a| a.0 == id);
        found.expect("there").1.clone()
    };
    let sharp = made_on(Turned::flared(13.0, 6.0), |plan| plan.facet_mm = 0.3);
    let rim = own(&answers(&sharp, SOUND, &Limits::default()), "rim-sharp");
    let value = rim.value.expect("an angle");
    let want = (10.0_f64 / 7.0).atan().to_degrees();
    assert!((value.value - want).abs() < value.plus_minus, "{value:?}");
    assert_eq!(
        (rim.outcome, rim.weighs),
        (Outcome::Breaks, Verdict::Repair)
    );
    let at = rim.findings[0].point.expect("a place");
    assert!(sharp.shell.faceplate.height(&at).abs() < 0.01, "{at}");
    assert!(sharp.shell.rim.under_mm(60.0) > 0.99 * sharp.shell.rim.length_mm());

    let wall = wall_facts(&sharp);
    let thin = |limits: &Limits| {
        let all = crate::checks::wall::run_wall(&wall, limits);
        let found = all.into_iter().find(|(c, _)| c.id == "wall-too-thin");
        found.expect("there").1
    };
    let told = thin(&Limits::default());
    assert_eq!(told.outcome, Outcome::Breaks, "{told:?}");
    let (all, degrees) = (
        told.says.contains("all of it at the"),
        format!("{:.0} deg", value.value),
    );
    assert!(all && told.says.contains(&degrees), "{}", told.says);
    // One fault, one piece of advice, in the same words.
    assert_eq!(told.advice, rim.advice);
    // A wall that is thin all over is not the rim's fault.
    let told = thin(&put(&rows::WALL_BODY, 1.3));
    assert_eq!(told.outcome, Outcome::Breaks);
    assert!(!told.says.contains("rim"), "{}", told.says);

    let blunt = made_on(Turned::flared(12.0, 8.0), |_| {});
    let told = |limit: f64| answers(&blunt, SOUND, &put(&rows::RIM_LEAST, limit));
    assert_eq!(own(&told(60.0), "rim-sharp").outcome, Outcome::Holds);
    assert_eq!(own(&told(68.5), "rim-sharp").outcome, Outcome::CannotTell);
    let breaks = with(&told(75.0), Outcome::Breaks);
    assert_eq!(breaks, BTreeSet::from(["rim-sharp"]));
}

/// Shrinking by 0.57 % takes 0.005 off a wall of 0.9: it holds 0.78 and no longer 0.81 (after 0.1 of
/// stock).
#[test]
fn shrinkage_is_taken_off() {
    let good = made(|_| {});
    let told = answers(&good, SOUND, &put(&rows::WALL_CANAL, 0.77));
    assert!(
        with(&told, Outcome::Holds).contains("wall-thin-after-shrink"),
        "{told:?}"
    );
    let told = answers(&good, SOUND, &put(&rows::SHRINK, 5.0));
    let answer = &told
        .iter()
        .find(|a| a.0 == "wall-thin-after-shrink")
        .expect("there")
        .1;
    let left = answer.value.expect("a value").value;
    assert!((left - (0.9 * 0.95 - 0.1)).abs() < 0.02, "{left}");
}

#[test]
fn ids_are_unique_and_explained() {
    let scans = crate::checks::CHECKS.iter().map(|c| c.id);
    let walls = crate::checks::wall::WALL_CHECKS.iter().map(|c| c.id);
    let mut ids: BTreeSet<&str> = scans.chain(walls).collect();
    for check in SHELL_CHECKS {
        assert!(ids.insert(check.id), "{}", check.id);
        assert!(
            check.asks.ends_with('?') && check.explains.len() > 60,
            "{}",
            check.id
        );
    }
}

/// A finding names the place on the canal.
#[test]
fn findings_are_placed() {
    let good = made(|_| {});
    let told = answers(&good, SOUND, &put(&rows::BORE_WALL, 5.0));
    let near = &told
        .iter()
        .find(|a| a.0 == "bore-too-near")
        .expect("there")
        .1;
    assert_eq!(near.outcome, Outcome::Breaks);
    for finding in &near.findings {
        let at = finding.at_mm.expect("on the canal");
        assert!(at > 10.5 && at < 15.5, "{at}");
    }
}

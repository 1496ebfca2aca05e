use std::collections::BTreeSet;

use super::*;
use crate::limits::Setting;
use crate::mesh::{Topology, Vector};
use crate::shell::wall::shapes::{blocks, cup, hollow};
use crate::shell::wall::{WallOptions, wall};

fn answers(mesh: &Mesh, limits: &Limits) -> Vec<(&'static str, Answer)> {
    let wall = wall(mesh, &Topology::new(mesh), &WallOptions::default()).expect("a wall");
    let facts = WallFacts::new(mesh, &wall, None);
    run_wall(&facts, limits)
        .into_iter()
        .map(|(check, answer)| (check.id, answer))
        .collect()
}

/// Ids of the checks with this outcome.
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
fn a_good_shell_holds_and_each_fault_breaks_its_own_check_alone() {
    let good = cup(0.8, 0.3);
    let fine = answers(&good, &Limits::default());
    assert_eq!(
        with(&fine, Outcome::Holds).len(),
        WALL_CHECKS.len(),
        "{fine:?}"
    );
    assert_eq!(wall_outcome(fine.iter().map(|a| &a.1)), Outcome::Holds);
    let cases: [(&str, Mesh, Limits); 5] = [
        ("wall-too-thin", cup(0.65, 0.3), Limits::default()),
        // A web of 0.70 between the bores, under a shop's stricter limit.
        ("web-too-thin", good.clone(), put(&rows::BORE_WEB, 0.8)),
        ("hole-too-small", good.clone(), put(&rows::HOLE_LEAST, 1.6)),
        (
            "trapped-volume",
            hollow(10.0, 9.0, Vector::zeros(), 4),
            Limits::default(),
        ),
        ("wall-free-too-thin", fin(0.5), put(&rows::WALL_BODY, 0.3)),
    ];
    for (id, mesh, limits) in cases {
        let told = answers(&mesh, &limits);
        assert_eq!(
            with(&told, Outcome::Breaks),
            BTreeSet::from([id]),
            "{told:?}"
        );
        assert_eq!(wall_outcome(told.iter().map(|a| &a.1)), Outcome::Breaks);
        let answer = &told.iter().find(|a| a.0 == id).expect("it is there").1;
        assert!(
            answer.advice.is_some() && !answer.findings.is_empty(),
            "{id}"
        );
    }
}

/// A wall thinnest at one side, with something broken on the scan there, on the other side, or nowhere: what lies
/// beside it is named, and then the scan is to be mended, not the wall.
#[test]
fn a_thin_place_names_what_breaks_on_the_scan_beside_it() {
    let ball = hollow(10.0, 9.2, Vector::new(0.3, 0.0, 0.0), 4);
    let wall = wall(&ball, &Topology::new(&ball), &WallOptions::default()).expect("a wall");
    let told = |faults: Vec<(&'static str, Point)>| {
        let facts = WallFacts::new(&ball, &wall, None).with_scan_faults(faults);
        let answer = (wall_too_thin::CHECK.run)(&facts, &put(&rows::WALL_BODY, 0.6));
        let says = answer.findings[0].says.clone();
        (says, answer.advice.expect("it breaks"))
    };
    let there = Point::new(10.4, 0.0, 0.0);
    let (says, advice) = told(vec![("fin-edges", there)]);
    assert!(says.contains("beside what `fin-edges` names"), "{says}");
    assert!(advice.starts_with("mend the scan"), "{advice}");
    for faults in [vec![("fin-edges", Point::new(-10.4, 0.0, 0.0))], Vec::new()] {
        let (says, advice) = told(faults);
        assert!(!says.contains("scan"), "{says}");
        assert!(advice.starts_with("thicken"), "{advice}");
    }
}

/// A block with a fin on it.
fn fin(thick: f64) -> Mesh {
    let (a, b) = (4.0 - thick / 2.0, 4.0 + thick / 2.0);
    blocks(
        [&[0.0, a, b, 8.0], &[0.0, 8.0], &[0.0, 5.0, 8.0]],
        0.25,
        |[x, _, z]| z < 5.0 || (x > a && x < b),
    )
}

#[test]
fn an_open_shell_is_not_called_good_and_a_close_call_is_not_decided() {
    let (points, mut facets) = cup(0.8, 0.3).into_parts();
    facets.truncate(facets.len() - 40);
    let open = Mesh::new(points, facets).expect("same indices");
    let told = answers(&open, &Limits::default());
    assert!(with(&told, Outcome::CannotTell).contains("surface-open"));
    // 0.8 less 0.1 of stock against 0.7.
    let close = answers(&cup(0.8, 0.3), &put(&rows::WALL_BODY, 0.7));
    assert!(
        with(&close, Outcome::CannotTell).contains("wall-too-thin"),
        "{close:?}"
    );
}

#[test]
fn ids_are_unique_and_unlike_those_of_scans() {
    let mut ids: BTreeSet<&str> = super::super::CHECKS.iter().map(|c| c.id).collect();
    for check in WALL_CHECKS {
        assert!(ids.insert(check.id), "{}", check.id);
        assert!(
            check.asks.ends_with('?') && check.explains.len() > 60,
            "{}",
            check.id
        );
    }
}

/// What is thick without being a shell's wall never holds.
#[test]
fn solids_wrong_units_and_pairs_that_do_not_belong_are_never_good() {
    use crate::mesh::Point;
    use crate::shell::wall::joined;
    use crate::shell::wall::shapes::{sphere, turned_sphere};

    let told = |mesh: &Mesh, inner_from_facet| {
        let options = WallOptions {
            inner_from_facet,
            ..WallOptions::default()
        };
        let wall = wall(mesh, &Topology::new(mesh), &options).expect("a wall");
        let facts = WallFacts::new(mesh, &wall, None);
        run_wall(&facts, &Limits::default())
    };
    let ball = sphere(Point::origin(), 10.0, 4);
    let scaled = |by: f64| {
        cup(0.8, 0.4)
            .mapped(|p| Point::from(p.coords * by))
            .expect("finite")
    };
    let pair = |inner_mm: f64, off: Vector| {
        let (mesh, from) = joined(&ball, &turned_sphere(off, inner_mm, 4));
        (mesh, Some(from))
    };
    let cases = [
        ("a solid", (ball.clone(), None)),
        ("centimetres", (scaled(10.0), None)),
        ("metres", (scaled(0.001), None)),
        ("an inner 25 times too small", pair(0.37, Vector::zeros())),
        ("an inner elsewhere", pair(9.2, Vector::new(60.0, 0.0, 0.0))),
        ("swapped", {
            let (mesh, from) = joined(&turned_sphere(Vector::zeros(), 9.2, 4), &ball);
            (mesh, Some(from))
        }),
    ];
    for (what, (mesh, from)) in cases {
        let answers = told(&mesh, from);
        for (check, answer) in &answers {
            let of_the_wall = check.id.contains("wall") || check.id == "not-a-shell";
            assert!(
                !of_the_wall || answer.outcome != Outcome::Holds,
                "{what}: {} holds: {}",
                check.id,
                answer.says
            );
        }
        assert_ne!(
            wall_outcome(answers.iter().map(|a| &a.1)),
            Outcome::Holds,
            "{what}"
        );
    }
}

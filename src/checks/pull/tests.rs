use super::*;
use crate::mesh::{Mesh, MeshQueries, Topology, Vector};
use crate::soundness;
use crate::undercut::shapes::{cone, hook};
use crate::undercut::{Asked, PullSettings, measure};

/// Answers for a mesh pulled straight up.
fn answers(mesh: &Mesh, size_mm: f64, spoil: fn(&mut Soundness)) -> Vec<(&'static str, Answer)> {
    let topology = Topology::new(mesh);
    let mut sound = soundness::inspect(mesh, &topology, &MeshQueries::new(mesh));
    spoil(&mut sound);
    let asked = Asked {
        outward: Vector::z(),
        pull: None,
        base: None,
        face: None,
        part: None,
        region_of: &|_| Region::Unknown,
        relief: false,
        settings: PullSettings::default(),
    };
    let undercut = measure(mesh, &topology, &asked).expect("a pull");
    let facts = PullFacts {
        undercut: &undercut,
        soundness: &sound,
        canal: None,
        size_mm,
        unclear_share: 0.0,
    };
    let all = run_pull(&facts, &Limits::default());
    all.into_iter().map(|(check, a)| (check.id, a)).collect()
}

#[test]
fn ids_are_unique_and_unlike_all_others() {
    let mut ids: std::collections::BTreeSet<&str> =
        super::super::CHECKS.iter().map(|c| c.id).collect();
    ids.extend(super::super::wall::WALL_CHECKS.iter().map(|c| c.id));
    for check in PULL_CHECKS {
        assert!(ids.insert(check.id), "{}", check.id);
        assert!(check.asks.ends_with('?') && check.explains.len() > 60);
    }
}

#[test]
fn what_comes_out_holds_what_is_stuck_breaks_and_what_is_doubtful_never_holds() {
    let free = cone(4.0, 3.5, 12.0, 0.8);
    let told = |mesh: &Mesh, size_mm, spoil| {
        let told = answers(mesh, size_mm, spoil);
        assert_eq!(told[1].0, "withdrawal-tight");
        told[1].1.outcome
    };
    assert_eq!(told(&free, 12.0, |_| ()), Outcome::Holds);
    let stuck = hook(2.4);
    assert_eq!(told(&stuck, 17.0, |_| ()), Outcome::Breaks);
    // A wrong unit says nothing either way; a bad surface can't make a tight way good.
    assert_eq!(told(&free, 0.5, |_| ()), Outcome::CannotTell);
    assert_eq!(told(&stuck, 300.0, |_| ()), Outcome::CannotTell);
    let spoils: [fn(&mut Soundness); 4] = [
        |s| s.crossing_pairs = 1,
        |s| s.fin_edges = 1,
        |s| {
            s.flipped_facets = 3;
            s.flipped_spots.push(crate::soundness::Spot {
                count: 3,
                point: Point::origin(),
            });
        },
        |s| {
            s.holes.push(crate::soundness::Hole {
                base: false,
                length_mm: 12.0,
                area_mm2: 9.0,
                span_mm: 4.0,
                point: Point::origin(),
                rim: vec![0, 1, 2],
            });
        },
    ];
    for spoil in spoils {
        assert_eq!(told(&free, 12.0, spoil), Outcome::CannotTell);
    }
    assert_eq!(told(&stuck, 17.0, spoils[0]), Outcome::Breaks);
}

//! Ways out against closed forms and a replay that trusts no grid.

use crate::demo::{EarModel, ear};
use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};
use crate::soundness::Region;
use crate::units::Bound;

use super::pose::{between, from_rows};
use super::replay::{exact_depth, replay};
use super::shapes::{arc, body, cone, hook, moved};
use super::{BasePlane, Body, PullSettings, Withdrawal, relief, withdraw};

fn out_of(b: &Body) -> Withdrawal {
    withdraw(b, &[b.base.normal], &PullSettings::default()).unwrap()
}

pub fn made(model: &EarModel) -> Body {
    let made = ear(model);
    let topology = Topology::new(&made.mesh);
    let out = made
        .truth
        .frame
        .as_ref()
        .map(|f| Vector::from(f.out))
        .unwrap();
    let base = BasePlane::of(&made.mesh, &topology, out).unwrap();
    Body::new(&made.mesh, &topology, base).unwrap()
}

#[test]
fn an_arc_turns_out_about_its_centre() {
    // C17: turned about its centre an arc has no undercut at all (geometry).
    for (big, r, deg) in [(10.0, 3.0, 40.0), (8.0, 2.5, 60.0), (14.0, 4.0, 30.0)] {
        let b = body(&arc(big, r, f64::to_radians(deg), 0.35));
        let got = out_of(&b);
        println!(
            "arc {big} {r} {deg}: {:?} turn {:?} poses {}",
            got.squeeze_mm,
            got.turn_deg,
            got.poses.len()
        );
        assert!(got.squeeze_mm.value <= 0.03, "{:?}", got.squeeze_mm);
        assert!(got.turn_deg.value() > 0.3 * deg && got.turn_deg.value() < 1.5 * deg);
    }
}

#[test]
fn what_widens_outwards_comes_out_free() {
    for mesh in [cone(4.0, 4.0, 15.0, 0.5), cone(5.0, 3.0, 15.0, 0.5)] {
        let got = out_of(&body(&mesh));
        println!("cone {:?} {:?}", got.squeeze_mm, got.turn_deg);
        assert!(got.squeeze_mm.value < 0.01, "{:?}", got.squeeze_mm);
    }
}

#[test]
fn a_hook_need_not_give_more_than_its_depth() {
    // Straight it must give its depth. Moved sideways on the way, half of that suffices; what is
    // found is an upper bound and may lie between the two.
    for depth in [0.5, 1.0, 2.0] {
        let got = out_of(&body(&hook(depth))).squeeze_mm;
        println!("hook {depth}: {got:?}");
        assert_eq!(got.bound, Bound::AtMost);
        assert!(
            got.value < 0.75 * depth && got.value > 0.3 * depth,
            "{depth}: {got:?}"
        );
    }
}

#[test]
fn the_sharper_the_bend_the_more_it_squeezes() {
    let squeeze = |deg: f64| {
        let mut model = EarModel {
            facets: 9_000,
            ..EarModel::default()
        };
        model.canal.bends[0].forward_deg = -deg;
        out_of(&made(&model)).squeeze_mm.value
    };
    let all: Vec<f64> = [15.0, 30.0, 45.0, 60.0].map(squeeze).to_vec();
    println!("squeeze at 15, 30, 45, 60 degrees: {all:.3?}");
    assert!(all.windows(2).all(|p| p[1] > p[0]), "{all:?}");
}

#[test]
fn trimming_brings_it_under_the_limit() {
    // A plug that is 1 mm wider inside: whichever way it is drawn, the opening must give that.
    let b = body(&cone(3.0, 4.0, 12.0, 0.5));
    let settings = PullSettings::default();
    let way = out_of(&b);
    println!("plug: {:?}", way.squeeze_mm);
    assert!((way.squeeze_mm.value - 1.0).abs() < 0.1);
    let region = |p: &Point| {
        if p.z > -6.0 {
            Region::Concha
        } else {
            Region::Canal
        }
    };
    let tried = relief(&b, &way, &region, &settings).unwrap();
    for r in &tried {
        println!("{r:?}");
    }
    assert!(tried[0].enough && tried[0].squeeze_mm.value <= settings.limit_mm);
    // Half of it must go at the inner end, which is the canal's; nothing outside helps.
    let canal = tried[0]
        .trims
        .iter()
        .find(|t| t.region == Region::Canal)
        .unwrap();
    assert!(canal.deepest.value() > 0.45 && canal.deepest.value() < 0.9);
    assert!(
        !tried
            .iter()
            .any(|r| r.enough && r.trims.iter().all(|t| t.region == Region::Concha))
    );
}

#[test]
fn the_way_out_is_the_same_in_any_pose_and_on_any_threads() {
    let mesh = arc(10.0, 3.0, 0.6, 0.5);
    let here = out_of(&body(&mesh));
    let pose = nalgebra::Isometry3::new(Vector::new(4.0, -70.0, 30.0), Vector::new(0.7, -1.9, 0.4));
    let there = out_of(&moved(&mesh, &pose));
    let (a, b) = (here.squeeze_mm.value, there.squeeze_mm.value);
    assert!((a - b).abs() < 0.03, "{a} {b}");
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(3)
        .build()
        .unwrap();
    assert_eq!(pool.install(|| out_of(&body(&mesh))), here);
}

/// Squeeze of a way by exact distances at every point, no grid: slow.
fn replay_by_its_word(mesh: &Mesh, b: &Body, w: &Withdrawal, parts: usize) -> f64 {
    let queries = MeshQueries::new(&b.mesh);
    let seat: Vec<_> = mesh
        .points()
        .iter()
        .filter(|p| b.base.height(p) < 0.0)
        .collect();
    let poses: Vec<_> = w.poses.iter().map(from_rows).collect();
    let mut worst = 0.0_f64;
    for pair in poses.windows(2) {
        for s in 0..parts {
            let pose = between(&pair[0], &pair[1], s as f64 / parts as f64);
            for p in &seat {
                worst = worst.max(exact_depth(b, &queries, &(pose * *p)));
            }
        }
    }
    worst
}

#[test]
fn the_replay_agrees_with_exact_distances_everywhere() {
    let mesh = hook(1.2);
    let b = body(&mesh);
    let w = out_of(&b);
    let slow = replay_by_its_word(&b.mesh, &b, &w, 6);
    println!("hook 1.2: {} slow {}", w.squeeze_mm.value, slow);
    assert!((w.squeeze_mm.value - slow).abs() < 0.01);
    let again = replay(&b, &w.poses, 0.05);
    assert!((again.squeeze_mm - slow).abs() < 0.01 && again.clear);
}

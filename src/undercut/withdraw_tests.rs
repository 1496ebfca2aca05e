//! Ways out against closed forms and a replay that trusts no grid.

use crate::demo::{Base, EarModel, ear};
use crate::mesh::{Point, Topology, Vector};
use crate::soundness::Region;
use crate::units::{Bound, Deg};

use super::picture::Bent;
use super::pose::{between, from_rows};
use super::replay::replay;
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

/// A made ear with its first bend turned by this much, pulled every way.
fn bent(turn_deg: f64, facets: usize) -> Bent {
    let mut model = EarModel {
        facets,
        base: Base::Open,
        ..EarModel::default()
    };
    model.canal.bends[0].forward_deg = -turn_deg;
    let b = made(&model);
    let settings = PullSettings::default();
    // In along the raw curve's own entrance: the made ear's axis at the aperture, near enough.
    let axis = Vector::from(ear(&model).truth.canal.expect("a canal").aperture.normal) * -1.0;
    let best = super::best(&b, &axis, Deg(45.0), &settings).unwrap();
    let way = withdraw(&b, &[axis, best.pull.direction], &settings).unwrap();
    Bent {
        turn_deg,
        straight_mm: super::straight(&b, &axis, &settings)
            .unwrap()
            .largest_mm
            .value,
        best_mm: best.pull.largest_mm.value,
        squeeze_mm: way.squeeze_mm.value,
    }
}

#[test]
fn the_sharper_the_bend_the_more_it_squeezes() {
    let all = [15.0, 35.0, 60.0].map(|deg| bent(deg, 5_000));
    for pair in all.windows(2) {
        assert!(pair[1].squeeze_mm > pair[0].squeeze_mm);
    }
    for ear in &all {
        // Moved straight, every point goes in as far as it must go sideways at most.
        assert!(ear.squeeze_mm < ear.best_mm + 0.03 && ear.best_mm < ear.straight_mm + 0.03);
    }
}

/// Draws the picture of the docs and prints its table, when asked to.
#[test]
fn the_picture_is_drawn_when_the_docs_are_written() {
    if std::env::var_os("SECONDBEND_WRITE_DOCS").is_none() {
        return;
    }
    let ears = [15.0, 25.0, 35.0, 45.0, 55.0, 65.0].map(|deg| bent(deg, 16_000));
    for e in &ears {
        println!(
            "| {} | {:.2} | {:.2} | {:.2} |",
            e.turn_deg, e.straight_mm, e.best_mm, e.squeeze_mm
        );
    }
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/undercut.svg");
    std::fs::write(path, super::picture::svg(&ears)).expect("the docs can be written");
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

/// Squeeze of a way by plain steps and distances to every facet, no tree, no grid: slow.
fn replay_by_its_word(b: &Body, w: &Withdrawal, parts: usize) -> f64 {
    let inside = |p: &Point| {
        // the solid angle of all facets: Van Oosterom, Strackee 1983
        let turned: f64 = (0..b.mesh.facets().len())
            .map(|f| {
                let [u, v, w] = b.mesh.corners(f).map(|c| c - p);
                let (a, b, c) = (u.norm(), v.norm(), w.norm());
                let below = a * b * c + u.dot(&v) * c + v.dot(&w) * a + w.dot(&u) * b;
                2.0 * u.dot(&v.cross(&w)).atan2(below)
            })
            .sum();
        turned > std::f64::consts::TAU
    };
    let depth = |p: &Point| {
        let under = -b.base.height(p);
        if under <= 0.0 || inside(p) {
            return 0.0;
        }
        (0..b.mesh.facets().len())
            .map(|f| {
                let [u, v, w] = b.mesh.corners(f);
                (crate::mesh::nearest_on_triangle(p, &u, &v, &w) - p).norm()
            })
            .fold(under, f64::min)
    };
    let seat = b.seat();
    let poses: Vec<_> = w.poses.iter().map(from_rows).collect();
    let mut worst = 0.0_f64;
    for pair in poses.windows(2) {
        for s in 0..parts {
            let pose = between(&pair[0], &pair[1], s as f64 / parts as f64);
            for (_, p) in seat.iter().step_by(3) {
                worst = worst.max(depth(&(pose * p)));
            }
        }
    }
    worst
}

#[test]
fn the_replay_agrees_with_distances_to_every_facet() {
    let b = body(&hook(1.2));
    let w = out_of(&b);
    let again = replay(&b, &w.poses);
    let slow = replay_by_its_word(&b, &w, 4);
    println!("hook 1.2: {again:?} slow {slow}");
    assert_eq!(again.squeeze_mm, w.squeeze_mm.value);
    assert!(again.clear && again.unseen_mm <= 0.02);
    // The slow one looks at a third of the points in few places, so it can only miss.
    assert!(
        slow <= again.squeeze_mm + again.unseen_mm,
        "{slow} {again:?}"
    );
    assert!(slow > again.squeeze_mm - 0.06, "{slow} {again:?}");
}

/// A way that goes through the wall is found out, wherever between the poses it does.
#[test]
fn the_replay_sees_what_happens_between_two_poses() {
    // A peg with a foot drawn straight up: the foot's rim goes as deep as it stands out.
    let depth = 1.7;
    let b = body(&hook(depth));
    let up = |z: f64| super::pose::rows(&nalgebra::Isometry3::translation(0.0, 0.0, z));
    let once = replay(&b, &[up(0.0), up(20.0)]);
    let often: Vec<_> = (0..=40).map(|k| up(0.5 * f64::from(k))).collect();
    let often = replay(&b, &often);
    println!("{once:?} {often:?}");
    for got in [once, often] {
        assert!(
            got.clear && (got.squeeze_mm - depth).abs() < 0.02,
            "{got:?}"
        );
    }
    let short = replay(&b, &[up(0.0), up(5.0)]);
    assert!(!short.clear);
    assert!(!replay(&b, &[]).clear);
}

//! Ways out against closed forms and a replay that trusts no grid.

use crate::demo::{EarModel, ear};
use crate::mesh::{Mesh, MeshQueries, Topology, Vector};

use super::pose::{between, from_rows};
use super::replay::{exact_depth, replay};
use super::shapes::{arc, body, cone, hook};
use super::{BasePlane, Body, PullSettings, Withdrawal, best, straight, withdraw};
use crate::units::Deg;

fn out_of(b: &Body) -> Withdrawal {
    withdraw(b, &[b.base.normal], &PullSettings::default()).unwrap()
}

pub fn made(model: &EarModel) -> Body {
    let made = ear(model);
    let topology = Topology::new(&made.mesh);
    let out = made.truth.frame.as_ref().map(|f| Vector::from(f.out)).unwrap();
    let base = BasePlane::of(&made.mesh, &topology, out).unwrap();
    Body::new(&made.mesh, &topology, base).unwrap()
}

#[test]
fn an_arc_turns_out_about_its_centre() {
    // C17: turned about its centre an arc has no undercut at all (geometry).
    for (big, r, deg) in [(10.0, 3.0, 40.0), (8.0, 2.5, 60.0), (14.0, 4.0, 30.0)] {
        let b = body(&arc(big, r, f64::to_radians(deg), 0.35));
        let got = out_of(&b);
        println!("arc {big} {r} {deg}: {:?} turn {:?} poses {}", got.squeeze_mm, got.turn_deg, got.poses.len());
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
fn debug_hook_and_ear() {
    for d in [0.5, 1.0, 2.0] {
        let got = out_of(&body(&hook(d)));
        println!("hook {d}: {:?} turn {:?} binds {:?} at {}", got.squeeze_mm, got.turn_deg, got.binds_at, got.binds_when);
    }
}

#[test]
fn dbg_ear() {
    let cpu = || { let s = std::fs::read_to_string("/proc/self/stat").unwrap(); let v: Vec<f64> = s.split(' ').skip(13).take(2).map(|x| x.parse().unwrap()).collect(); (v[0] + v[1]) / 100.0 };
    let c = cpu();
    let t = std::time::Instant::now();
    let b = made(&EarModel { facets: 100_000, ..EarModel::default() });
    println!("cpu {:.2} made {:?} points {}", cpu() - c, t.elapsed(), b.mesh.points().len());
    let t = std::time::Instant::now();
    let s = straight(&b, &b.base.normal, &PullSettings::default()).unwrap();
    println!("cpu {:.2} straight {:?} {:?} {:?}", cpu() - c, s.largest_mm, s.area_mm2, t.elapsed());
    let t = std::time::Instant::now();
    let p = best(&b, &b.base.normal, Deg(45.0), &PullSettings::default()).unwrap();
    println!("cpu {:.2} best {:?} {:?} off {:?} {:?}", cpu() - c, p.pull.largest_mm, p.pull.area_mm2, p.off_outward_deg, t.elapsed());
    let t = std::time::Instant::now();
    let w = withdraw(&b, &[b.base.normal, p.pull.direction], &PullSettings::default()).unwrap();
    println!("cpu {:.2} withdraw {:?} turn {:?} binds {:?} when {} of {} {:?}", cpu() - c, w.squeeze_mm, w.turn_deg, w.binds_at, w.binds_when, w.poses.len(), t.elapsed());
}

/// Squeeze of a way by exact distances at every point, no grid: slow.
fn replay_by_its_word(mesh: &Mesh, b: &Body, w: &Withdrawal, parts: usize) -> f64 {
    let queries = MeshQueries::new(&b.mesh);
    let seat: Vec<_> = mesh.points().iter().filter(|p| b.base.height(p) < 0.0).collect();
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

#[test]
fn dbg_hook() {
    let got = out_of(&body(&hook(1.0)));
    println!("hook: {:?} turn {:?} binds {:?} at {} of {}", got.squeeze_mm, got.turn_deg, got.binds_at, got.binds_when, got.poses.len());
    let got = out_of(&body(&arc(8.0, 2.5, 60_f64.to_radians(), 0.35)));
    println!("arc: {:?} turn {:?} binds {:?} at {} of {}", got.squeeze_mm, got.turn_deg, got.binds_at, got.binds_when, got.poses.len());
}

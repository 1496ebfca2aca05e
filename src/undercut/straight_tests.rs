//! Straight pulls against closed forms, a slow twin, and turning the whole world.

use nalgebra::{Isometry3, Vector2};
use rayon::prelude::*;

use crate::demo::{EarModel, ear};
use crate::mesh::{Mesh, Point, Topology, Vector};
use crate::units::{Deg, Measured};

use super::shapes::{Dice, arc, body, cone, hook, moved};
use super::slices::{Segment, across};
use super::{
    Asked, BasePlane, Body, CannotPull, CannotTell, NoBody, PullSettings, best, quick, straight,
};

fn fine() -> PullSettings {
    PullSettings::default()
}

fn chord(turn: f64) -> Vector {
    Vector::new(1.0 - turn.cos(), 0.0, turn.sin()).normalize()
}

#[test]
fn arcs_have_their_closed_form_along_tangent_and_chord() {
    let cases = [
        (10.0, 3.0, 40.0),
        (10.0, 0.3, 40.0),
        (8.0, 2.5, 60.0),
        (14.0, 4.0, 30.0),
        (12.0, 3.5, 20.0),
    ];
    for (big, r, deg) in cases {
        let t = f64::to_radians(deg);
        let b = body(&arc(big, r, t, 0.25));
        let tangent = straight(&b, &Vector::z(), &fine()).unwrap();
        let expect = (big - r) * (1.0 - t.cos());
        let got = tangent.largest_mm.value;
        // Sides are chords of the round tube: the inner side lies up to r(1 − cos(π/sides)) off.
        assert!(
            (got - expect).abs() < 0.05,
            "R {big} r {r} {deg}°: {got} for {expect}"
        );
        let along = straight(&b, &chord(t), &fine()).unwrap();
        let expect = (big + r) * (1.0 - (t / 2.0).cos());
        let got = along.largest_mm.value;
        assert!(
            (got - expect).abs() < 0.05,
            "chord R {big} r {r} {deg}°: {got} for {expect}"
        );
    }
}

#[test]
fn the_trades_own_figures_for_a_thin_wire() {
    // C17: R = 10, 40°: 2.340 along the tangent, 0.603 along the chord (geometry).
    let t = 40_f64.to_radians();
    let b = body(&arc(10.0, 0.02, t, 0.2));
    let settings = PullSettings {
        cell_mm: 0.1,
        ..fine()
    };
    let tangent = straight(&b, &Vector::z(), &settings)
        .unwrap()
        .largest_mm
        .value;
    let along = straight(&b, &chord(t), &settings).unwrap().largest_mm.value;
    assert!(
        (tangent - 2.340).abs() < 0.05 && (along - 0.603).abs() < 0.05,
        "{tangent} {along}"
    );
}

#[test]
fn what_widens_outwards_has_no_undercut() {
    for mesh in [cone(4.0, 4.0, 15.0, 0.4), cone(5.0, 3.0, 15.0, 0.4)] {
        let got = straight(&body(&mesh), &Vector::z(), &fine()).unwrap();
        assert!(got.largest_mm.value < 1e-6, "{}", got.largest_mm.value);
        assert_eq!(got.area_mm2.value, 0.0);
    }
    // and what narrows by 1 mm has exactly that
    let got = straight(&body(&cone(3.0, 4.0, 15.0, 0.3)), &Vector::z(), &fine()).unwrap();
    assert!(
        (got.largest_mm.value - 1.0).abs() < 0.02,
        "{}",
        got.largest_mm.value
    );
}

#[test]
fn a_hook_has_its_depth_and_its_area() {
    for depth in [0.4, 1.3, 2.2] {
        let got = straight(&body(&hook(depth)), &Vector::z(), &fine()).unwrap();
        assert!(
            (got.largest_mm.value - depth).abs() < 0.05,
            "{}",
            got.largest_mm.value
        );
        assert!((got.at.x - (3.0 + depth)).abs() < 1e-9);
        // over 0.5 mm: the end face, and what of top, bottom and both flanks stands out further
        let over = (depth - 0.5_f64).max(0.0);
        let expect = if depth > 0.5 {
            6.0 * 4.0 + over * (2.0 * 6.0 + 2.0 * 4.0)
        } else {
            0.0
        };
        let area = got.area_mm2.value;
        assert!(
            (area - expect).abs() < 0.06 * expect + 1e-9,
            "{depth}: {area} for {expect}"
        );
    }
}

#[test]
fn a_pull_into_the_ear_is_refused() {
    let b = body(&hook(1.0));
    assert_eq!(
        straight(&b, &-Vector::z(), &fine()),
        Err(CannotPull::LeadsIn)
    );
    assert_eq!(
        straight(&b, &Vector::x(), &fine()),
        Err(CannotPull::LeadsIn)
    );
    assert_eq!(
        straight(&b, &Vector::zeros(), &fine()),
        Err(CannotPull::NoDirection)
    );
}

#[test]
fn the_pose_of_the_scan_changes_nothing() {
    let mesh = arc(9.0, 3.0, 0.8, 0.4);
    let pull = Vector::new(0.2, 0.1, 1.0);
    let here = straight(&body(&mesh), &pull, &fine()).unwrap();
    let pose = Isometry3::new(Vector::new(40.0, -7.0, 300.0), Vector::new(0.7, -1.9, 0.4));
    let there = straight(&moved(&mesh, &pose), &(pose * pull), &fine()).unwrap();
    let (a, b) = (here.largest_mm.value, there.largest_mm.value);
    assert!((a - b).abs() < 0.01, "{a} {b}");
    let (a, b) = (here.area_mm2.value, there.area_mm2.value);
    assert!((a - b).abs() < 0.03 * a + 0.1, "{a} {b}");
}

#[test]
fn density_noise_and_mirror_change_no_more_than_the_doubt() {
    let at = |mesh: &Mesh, pull: Vector| {
        let settings = fine();
        straight(&body(mesh), &pull, &settings)
            .unwrap()
            .largest_mm
            .value
    };
    let truth = (10.0 - 3.0) * (1.0 - 0.7_f64.cos());
    for edge in [0.2, 0.4, 0.7] {
        let settings = PullSettings {
            edge_mm: edge,
            ..fine()
        };
        let got = at(&arc(10.0, 3.0, 0.7, edge), Vector::z());
        assert!(
            (got - truth).abs() < settings.plus_minus_mm(),
            "{edge}: {got} {truth}"
        );
    }
    let smooth = arc(10.0, 3.0, 0.7, 0.4);
    let normals = smooth.point_normals();
    let mut dice = Dice(3);
    let mut k = 0;
    let rough = smooth
        .mapped(|p| {
            // the sum of twelve rolls is all but normal, with a deviation of 1
            let chance: f64 = (0..12).map(|_| dice.roll()).sum::<f64>() - 6.0;
            k += 1;
            p + normals[k - 1] * (0.03 * chance)
        })
        .unwrap();
    let got = at(&rough, Vector::z());
    // The largest of many noisy depths lies over the smooth one, by three deviations and more.
    assert!(got > truth - 0.05 && got < truth + 0.2, "{got} {truth}");
    let pull = Vector::new(0.1, 0.25, 1.0);
    let mirrored = smooth.mapped(|p| Point::new(p.x, -p.y, p.z)).unwrap();
    let there = at(&mirrored, Vector::new(0.1, -0.25, 1.0));
    let here = at(&smooth, pull);
    assert!((here - there).abs() < 0.01, "{here} {there}");
}

#[test]
fn the_quick_figures_are_within_their_doubt() {
    let made = ear(&EarModel {
        facets: 10_000,
        ..EarModel::default()
    });
    let topology = Topology::new(&made.mesh);
    let asked = Asked {
        outward: outward(&made.truth),
        pull: None,
        base: None,
        face: None,
        part: None,
        region_of: &|_| crate::soundness::Region::Unknown,
        relief: false,
        settings: fine(),
    };
    let quick = quick(&made.mesh, &topology, &asked).unwrap();
    let b = Body::new(&made.mesh, &topology, quick.base).unwrap();
    let full = straight(&b, &asked.outward, &fine()).unwrap();
    let best = best(&b, &asked.outward, Deg(45.0), &fine()).unwrap().pull;
    for (quick, full) in [(quick.straight, full), (quick.best, best)] {
        let off = |a: Measured, b: Measured| (a.value - b.value).abs() / a.plus_minus;
        let depth = off(quick.largest_mm, full.largest_mm);
        let area = off(quick.area_mm2, full.area_mm2);
        assert!(depth < 1.0 && area < 1.0, "{depth} {area} {quick:?}");
    }
}

#[test]
fn a_mesh_inside_out_opens_where_it_did_and_a_plate_is_not_taken_for_the_ear() {
    let mesh = cone(5.0, 3.0, 15.0, 0.6);
    let asked = |part| Asked {
        outward: Vector::z(),
        pull: None,
        base: None,
        face: None,
        part,
        region_of: &|_| crate::soundness::Region::Unknown,
        relief: false,
        settings: fine(),
    };
    let of = |mesh: &Mesh, part| quick(mesh, &Topology::new(mesh), &asked(part));
    let (here, turned) = (
        of(&mesh, None).unwrap(),
        of(&mesh.inverted(), None).unwrap(),
    );
    assert!((here.base.point - turned.base.point).norm() < 1e-9);
    assert!(here.base.point.z.abs() < 1e-6 && here.base.normal.z > 0.999);
    let plate = super::shapes::blocks(&[-40.0, -10.0], &[-20.0, 20.0], &[-3.0, 0.0], |_, _, _| {
        true
    });
    let (mut points, mut facets) = plate.into_parts();
    let shift = points.len() as u32;
    points.extend(mesh.points());
    facets.extend(mesh.facets().iter().map(|f| f.map(|c| c + shift)));
    let both = Mesh::new(points, facets).unwrap();
    assert_eq!(
        of(&both, None),
        Err(CannotTell::Body(NoBody::SeveralPieces))
    );
    let ear = of(&both, Some(1)).unwrap();
    assert!((ear.base.point - here.base.point).norm() < 1e-9);
    let giant = mesh.mapped(|p| Point::from(p.coords * 25.4)).unwrap();
    assert_eq!(of(&giant, None), Err(CannotTell::Body(NoBody::TooLarge)));
    assert_eq!(
        of(&Mesh::default(), None),
        Err(CannotTell::Body(NoBody::Empty))
    );
}

#[test]
fn one_thread_and_three_give_the_same_bytes() {
    let b = body(&arc(9.0, 3.0, 0.8, 0.4));
    let with = |threads| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| straight(&b, &Vector::z(), &fine()).unwrap())
    };
    assert_eq!(with(1), with(3));
}

/// Slow twin: the definition taken by its word. Sections every `step`, cut from all facets, the
/// distance to every segment, inside by the angle that the outline turns through.
fn twin(b: &Body, pull: &Vector, chosen: &[usize], step: f64) -> Vec<f64> {
    let axes = across(&pull.normalize());
    let flat = |v: &Vector| Vector2::new(v.dot(&axes[0]), v.dot(&axes[1]));
    let o = b.base.point;
    let n = b.base.normal;
    let lean = flat(&n);
    let points: Vec<(Vector2<f64>, f64)> = b
        .mesh
        .points()
        .iter()
        .map(|p| (flat(&(p - o)), (p - o).dot(&axes[2])))
        .collect();
    let low = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
    let exit = |p: &(Vector2<f64>, f64)| -lean.dot(&p.0) / n.dot(&axes[2]);
    let high = chosen
        .iter()
        .map(|&i| exit(&points[i]))
        .fold(f64::NEG_INFINITY, f64::max);
    let steps = ((high - low) / step).ceil() as usize;
    (0..steps)
        .into_par_iter()
        .map(|k| {
            let h = high - 1e-4 - k as f64 * step;
            let outline = cut_all(b, &points, h);
            let depth = chosen.iter().map(|&i| {
                let (p, z) = points[i];
                let free = lean.dot(&p) + n.dot(&axes[2]) * z >= 0.0;
                if free || h <= z {
                    0.0
                } else {
                    to_section(&outline, &p, h, &lean, n.dot(&axes[2]))
                }
            });
            depth.collect::<Vec<f64>>()
        })
        .reduce(
            || vec![0.0; chosen.len()],
            |a, b| a.iter().zip(&b).map(|(x, y)| x.max(*y)).collect(),
        )
}

fn cut_all(b: &Body, points: &[(Vector2<f64>, f64)], h: f64) -> Vec<Segment> {
    let mut out = Vec::new();
    for f in b.mesh.facets() {
        let mut ends = Vec::new();
        for e in 0..3 {
            let (p, q) = (points[f[e] as usize], points[f[(e + 1) % 3] as usize]);
            if (p.1 > h) != (q.1 > h) {
                let at = p.0 + (q.0 - p.0) * ((h - p.1) / (q.1 - p.1));
                ends.push((at, p.1 > h));
            }
        }
        if let [x, y] = ends[..] {
            out.push(if x.1 { [x.0, y.0] } else { [y.0, x.0] });
        }
    }
    out
}

fn to_section(outline: &[Segment], p: &Vector2<f64>, h: f64, lean: &Vector2<f64>, nz: f64) -> f64 {
    let over = lean.dot(p) + nz * h;
    if over >= 0.0 {
        return 0.0;
    }
    let air = if lean.norm() > 1e-9 {
        -over / lean.norm()
    } else {
        f64::INFINITY
    };
    let mut turned = 0.0;
    let mut least = air;
    for [a, b] in outline {
        let (u, v) = (a - p, b - p);
        turned += u.perp(&v).atan2(u.dot(&v));
        let d = b - a;
        let t = (-(u.dot(&d)) / d.norm_squared().max(1e-300)).clamp(0.0, 1.0);
        least = least.min((u + d * t).norm());
    }
    if turned.abs() > std::f64::consts::PI {
        0.0
    } else {
        least
    }
}

fn judge_by_twin(b: &Body, pull: &Vector, name: &str, (some, step): (f64, f64)) {
    let slices = super::slices::Slices::new(b, &pull.normalize(), 0.1).unwrap();
    let mut fast = super::straight::depths(&slices, 0.2);
    super::exact::polish(&slices, &mut fast);
    let mut dice = Dice(7);
    let chosen: Vec<usize> = (0..b.mesh.points().len())
        .filter(|&i| b.real[i] && dice.roll() < some)
        .take(700)
        .collect();
    let slow = twin(b, pull, &chosen, step);
    let mut off: Vec<f64> = chosen
        .iter()
        .zip(&slow)
        .map(|(&i, s)| (fast.depth[i] - s).abs())
        .collect();
    off.sort_by(f64::total_cmp);
    let at = |share: f64| off[((off.len() - 1) as f64 * share) as usize];
    println!(
        "{name}: {} points, off by {:.4} median, {:.4} at 99 %, {:.4} most",
        off.len(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
    assert!(
        at(0.99) < 0.05,
        "{name}: {} at the 99th percentile",
        at(0.99)
    );
    assert!(
        slow.iter().copied().fold(0.0, f64::max) > 0.3,
        "{name}: nothing to judge"
    );
}

#[test]
fn the_map_agrees_with_its_slow_twin() {
    judge_by_twin(
        &body(&arc(10.0, 3.0, 0.7, 0.4)),
        &Vector::z(),
        "arc, tangent",
        (0.15, 0.02),
    );
    judge_by_twin(
        &body(&arc(10.0, 3.0, 0.7, 0.4)),
        &chord(0.7),
        "arc, chord",
        (0.15, 0.02),
    );
    let made = ear(&EarModel {
        facets: 12_000,
        ..EarModel::default()
    });
    let topology = Topology::new(&made.mesh);
    let out = outward(&made.truth);
    let base = BasePlane::of(&made.mesh, &topology, out).unwrap();
    let b = Body::new(&made.mesh, &topology, base).unwrap();
    judge_by_twin(&b, &base.normal, "made ear", (0.08, 0.02));
    judge_by_twin(
        &b,
        &(base.normal + Vector::new(0.3, -0.2, 0.1)),
        "made ear, askew",
        // Where the body ends, free air comes from the side at 2.7 mm per mm: its own error at
        // steps of 0.02 would be as large as what is asked.
        (0.06, 0.005),
    );
}

fn outward(truth: &crate::demo::Truth) -> Vector {
    truth
        .frame
        .as_ref()
        .map(|f| Vector::from(f.out))
        .expect("a made ear with a concha has a frame")
}

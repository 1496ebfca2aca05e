//! Made ears against closed forms and against what must not change.

use std::collections::HashMap;
use std::f64::consts::PI;

use nalgebra::{Isometry3, UnitQuaternion, Vector3};

use super::chance::Chance;
use super::clip::rim;
use super::curve::{Curve, bends};
use super::jet::Jet;
use super::polygonise::{even_out, polygonise};
use super::slice::slice;
use super::solid::{Lobe, Solid};
use super::volume::volume_mm3;
use super::*;

fn quick(model: EarModel) -> EarModel {
    EarModel {
        facets: 8_000,
        ..model
    }
}

/// How many facets each edge has, by how often.
fn edge_use(mesh: &Mesh) -> HashMap<usize, usize> {
    let mut edges: HashMap<(u32, u32), usize> = HashMap::new();
    for f in mesh.facets() {
        for k in 0..3 {
            let (a, b) = (f[k], f[(k + 1) % 3]);
            *edges.entry((a.min(b), a.max(b))).or_default() += 1;
        }
    }
    let mut by_use = HashMap::new();
    for n in edges.values() {
        *by_use.entry(*n).or_default() += 1;
    }
    by_use
}

/// Points − edges + facets.
fn euler(mesh: &Mesh) -> isize {
    let edges: usize = edge_use(mesh).values().sum();
    mesh.points().len() as isize - edges as isize + mesh.facets().len() as isize
}

/// A path of straights and arcs in one plane: (length, radius or infinity, sense).
fn path(pieces: &[(f64, f64, f64)], step: f64) -> Curve {
    let total: f64 = pieces.iter().map(|p| p.0).sum();
    let n = (total / step).round() as usize;
    let at = |s: f64| {
        let (mut p, mut heading, mut left) = (Vector::zeros(), 0.0_f64, s);
        for &(length, radius, sense) in pieces {
            let run = left.min(length);
            if radius.is_finite() {
                let turned = heading + sense * run / radius;
                let bow = Vector::new(
                    turned.sin() - heading.sin(),
                    heading.cos() - turned.cos(),
                    0.0,
                );
                p += bow * (radius / sense);
                heading = turned;
            } else {
                p += Vector::new(heading.cos(), heading.sin(), 0.0) * run;
            }
            left -= run;
        }
        Point::from(p)
    };
    Curve::new((0..=n).map(|i| at(total * i as f64 / n as f64)).collect())
}

/// The reference tube: straight 9, arc R10 35°, straight 6, arc R12 25°, straight 8.
#[test]
fn two_arc_path_gives_its_closed_form() {
    let arc = |r: f64, deg: f64| r * deg.to_radians();
    let pieces = [
        (9.0, f64::INFINITY, 1.0),
        (arc(10.0, 35.0), 10.0, 1.0),
        (6.0, f64::INFINITY, 1.0),
        (arc(12.0, 25.0), 12.0, -1.0),
        (8.0, f64::INFINITY, 1.0),
    ];
    let curve = path(&pieces, 0.05);
    let length = curve.length_mm();
    // Chords cut the corner: the polyline is short, never long.
    assert!((34.344..=34.345).contains(&length), "{length}");
    let found = bends(&curve, 0.0, length);
    assert_eq!(found.len(), 2);
    for (bend, (at, turn, radius)) in found
        .iter()
        .zip([(12.054, 35.0, 10.0), (23.727, 25.0, 12.0)])
    {
        assert!((bend.at_mm - at).abs() < 0.05, "{}", bend.at_mm);
        assert!((bend.turn_deg - turn).abs() < 0.5, "{}", bend.turn_deg);
        // Smoothing by 2 mm spreads the turn (the peak keeps the arc's share under the bell) and
        // shortens the smoothed arc by exp(-2²/2R²), which sharpens it by as much.
        let half = turn.to_radians() * radius / 2.0;
        let expected = bell_share(half / 2.0) / radius * (2.0 / (radius * radius)).exp();
        let off = bend.curvature_per_mm / expected - 1.0;
        assert!(
            off.abs() < 0.01,
            "{} against {expected}",
            bend.curvature_per_mm
        );
    }
    assert!((length - found[0].at_mm - 22.290).abs() < 0.05);
    assert!((length - found[1].at_mm - 10.618).abs() < 0.05);
}

/// Share of a normal distribution within `z` standard deviations, by Simpson's rule.
fn bell_share(z: f64) -> f64 {
    let n = 200;
    let f = |x: f64| (-0.5 * x * x).exp() / (2.0 * PI).sqrt();
    let h = 2.0 * z / n as f64;
    let weight = |i: usize| match i {
        0 => 1.0,
        i if i == n => 1.0,
        i if i % 2 == 1 => 4.0,
        _ => 2.0,
    };
    (0..=n)
        .map(|i| weight(i) * f(-z + h * i as f64))
        .sum::<f64>()
        * h
        / 3.0
}

/// A circle smoothed along itself shrinks by exp(−σ²/2R²), so its curvature grows by as much.
#[test]
fn smoothed_arc_shrinks_as_a_circle_must() {
    let curve = path(&[(60.0, 10.0, 1.0)], 0.05);
    let smooth = curve.smoothed(2.0);
    let centre = Point::new(0.0, 10.0, 0.0);
    let radius = (smooth[smooth.len() / 2] - centre).norm();
    let expected = 10.0 * (-4.0_f64 / 200.0).exp();
    assert!(
        (radius - expected).abs() < 1e-3,
        "{radius} against {expected}"
    );
}

#[test]
fn a_straight_path_has_no_bend() {
    let curve = path(&[(30.0, f64::INFINITY, 1.0)], 0.25);
    assert!(bends(&curve, 0.0, 30.0).is_empty());
}

#[test]
fn slices_of_a_ball_and_an_oblique_rod_are_exact() {
    let ball = Lobe::new([0.0; 3], [5.0; 3], 0.0, 0.0);
    let cut = slice(
        &|p| ball.at(p),
        &Point::new(0.4, 0.3, 3.0),
        &Vector::z(),
        72,
    )
    .expect("inside");
    assert!((cut.area_mm2 - PI * 16.0).abs() < 1e-7, "{}", cut.area_mm2);
    assert!((cut.centroid - Point::new(0.0, 0.0, 3.0)).norm() < 1e-7);
    let rod = |p: &Point| {
        let r = p.x.hypot(p.y).max(1e-9);
        Jet {
            v: r - 4.0,
            g: Vector::new(p.x / r, p.y / r, 0.0),
        }
    };
    let tilt = 25.0_f64.to_radians();
    let normal = Vector::new(tilt.sin(), 0.0, tilt.cos());
    let cut = slice(&rod, &Point::new(0.0, 0.5, 0.0), &normal, 72).expect("inside");
    assert!(
        (cut.area_mm2 - PI * 16.0 / tilt.cos()).abs() < 1e-6,
        "{}",
        cut.area_mm2
    );
}

/// Twice the rays change nothing that is printed: 72 are enough on a canal.
#[test]
fn more_rays_change_no_section_of_a_canal() {
    let model = EarModel::medium(Side::Right);
    let solid = Solid::new(&model);
    for s in [3.0, 8.5, 13.0, 18.0, 20.5] {
        let (at, along) = (solid.tube.centre(s), solid.tube.direction(s));
        let area = |rays| slice(&|p| solid.at(p), &at, &along, rays).map_or(0.0, |c| c.area_mm2);
        let (few, many) = (area(72), area(288));
        assert!((few - many).abs() < 1e-4, "at {s}: {few} against {many}");
    }
}

/// Without unevenness, away from the concha's rounding, sections are the ellipses put in.
#[test]
fn swept_sections_have_the_areas_put_in() {
    let mut model = EarModel::medium(Side::Right);
    model.canal.uneven_mm = 0.0;
    let solid = Solid::new(&model);
    for knot in &model.canal.sections[3..6] {
        let (at, along) = (
            solid.tube.centre(knot.at_mm),
            solid.tube.direction(knot.at_mm),
        );
        let cut = slice(&|p| solid.at(p), &at, &along, 96).expect("inside");
        assert!(
            (cut.area_mm2 - knot.area_mm2).abs() < 1e-4,
            "{} {}",
            cut.area_mm2,
            knot.area_mm2
        );
        assert!((cut.centroid - at).norm() < 1e-5);
    }
}

/// A straight canal of constant section: the axis is its middle line and the tip its end.
#[test]
fn straight_canal_has_its_own_middle_line() {
    let mut model = EarModel::medium(Side::Right).bare();
    model.canal.bends.clear();
    model.canal.uneven_mm = 0.0;
    model.canal.tip_oblique = 0.0;
    model.canal.sections = vec![Section {
        at_mm: 0.0,
        area_mm2: 55.0,
        aspect: 1.3,
        lean_deg: 20.0,
    }];
    let truth = ear(&quick(model.clone())).truth;
    let canal = truth.canal.expect("a canal");
    let end = Solid::new(&model).tube.centre(model.canal.length_mm);
    assert!((Point::from(canal.tip.point_mm) - end).norm() < 1e-6);
    assert!(!canal.aperture_reached);
    assert!(canal.bends.is_empty());
    // The outer end is cut 1 mm outside the nominal entrance.
    assert!(
        (canal.length_mm - model.canal.length_mm - 1.0).abs() < 1e-6,
        "{}",
        canal.length_mm
    );
    assert!((canal.sections[40].area_mm2 - 55.0).abs() < 1e-4);
    // The tip zone begins where the rounded end is down to 85 %.
    let least = canal.narrowest.area_mm2 / 55.0;
    assert!((0.85..0.95).contains(&least), "{least}");
}

#[test]
fn quadrature_finds_the_volume_of_a_ball() {
    let ball = Lobe::new([3.0, -2.0, 1.0], [6.0; 3], 0.0, 0.0);
    let expected = 4.0 / 3.0 * PI * 216.0;
    // Halving the cells must shrink the error about sixteenfold.
    for (step_mm, within) in [(0.8, 1e-4), (0.4, 7e-6)] {
        let middle = Point::new(3.0, -2.0, 1.0);
        let mut net = polygonise(
            &|p| ball.at(p),
            &middle,
            step_mm,
            Vector::new(0.1, 0.2, 0.3),
        );
        even_out(&mut net, &|p| ball.at(p), 3);
        let off = volume_mm3(&|p| ball.at(p), &net) / expected - 1.0;
        assert!(off.abs() < within, "{off} at {step_mm}");
    }
}

/// A hole of radius 1.5 in a flat wall: rim 9.425, flat area 7.069.
#[test]
fn rim_in_a_flat_wall_is_a_circle() {
    let wall = |p: &Point| Jet {
        v: p.z,
        g: Vector::z(),
    };
    let rim = rim(&wall, &Point::new(1.0, 2.0, 0.0), 1.5, 720);
    let n = rim.len();
    let length: f64 = (0..n).map(|i| (rim[(i + 1) % n] - rim[i]).norm()).sum();
    assert!(
        length < 3.0 * PI && length > 3.0 * PI * (1.0 - 1e-5),
        "{length}"
    );
}

#[test]
fn every_point_lies_on_the_solid() {
    let mut model = quick(EarModel::small(Side::Right));
    for base in [Base::Closed, Base::Open] {
        model.base = base;
        let solid = Solid::new(&model);
        let made = ear(&model);
        let off = made.mesh.points().iter().map(|p| solid.at(p).v.abs());
        let worst = off.fold(0.0, f64::max);
        assert!(worst <= 1e-6, "{base:?}: worst {worst}");
    }
}

#[test]
fn closed_ear_is_one_watertight_piece_of_the_wanted_count() {
    for facets in [3_000, 10_000, 30_000] {
        let made = ear(&EarModel {
            facets,
            ..EarModel::large(Side::Left)
        });
        assert_eq!(edge_use(&made.mesh).keys().collect::<Vec<_>>(), [&2]);
        assert_eq!(euler(&made.mesh), 2);
        let share = made.mesh.facets().len() as f64 / facets as f64;
        assert!((share - 1.0).abs() < 0.15, "{share} of {facets}");
        let volume = made.truth.volume_mm3.expect("closed");
        // Facets lie inside a mostly convex solid: the mesh reads small.
        let off = made.mesh.signed_volume_mm3() / volume - 1.0;
        assert!(
            off < 0.0 && off > -60.0 / facets as f64,
            "{off} at {facets}"
        );
    }
}

#[test]
fn open_ear_has_one_rim_and_each_hole_one_more() {
    let open = EarModel {
        base: Base::Open,
        ..quick(EarModel::medium(Side::Right))
    };
    let made = ear(&open);
    assert_eq!(euler(&made.mesh), 1);
    let share = made.mesh.facets().len() as f64 / open.facets as f64;
    assert!((share - 1.0).abs() < 0.15, "{share}");
    let spot = Spot::Canal {
        at_mm: 11.0,
        around_deg: 30.0,
    };
    let holed = ear(&open.with(Fault::Hole {
        spot,
        radius_mm: 1.5,
    }));
    assert_eq!(euler(&holed.mesh), 0);
    let hole = &holed.truth.holes[0];
    // On a round wall the rim of a ball's cut waves up and down: nearly the flat circle's.
    assert!(
        (hole.length_mm / (3.0 * PI) - 1.0).abs() < 0.03,
        "{}",
        hole.length_mm
    );
    assert!(hole.area_mm2 < PI * 2.25 && hole.area_mm2 > 0.93 * PI * 2.25);
    assert!((hole.at_mm.expect("in the canal") - 11.0).abs() < 1.5);
    let rim = holed
        .mesh
        .points()
        .iter()
        .map(|p| (p - Point::from(hole.point_mm)).norm());
    let nearest = rim.fold(f64::INFINITY, f64::min);
    assert!(
        nearest > 1.2,
        "surface left {nearest} mm from the hole's middle"
    );
}

#[test]
fn left_ear_is_the_mirror_of_the_right() {
    let right = ear(&quick(EarModel::small(Side::Right)));
    let left = ear(&quick(EarModel::small(Side::Left)));
    let turned = |p: &Point| Point::new(-p.x, p.y, p.z);
    assert!(
        right
            .mesh
            .points()
            .iter()
            .zip(left.mesh.points())
            .all(|(a, b)| turned(a) == *b)
    );
    assert!(left.mesh.signed_volume_mm3() > 0.0);
    let (a, b) = (
        right.truth.canal.expect("canal"),
        left.truth.canal.expect("canal"),
    );
    assert_eq!(a.length_mm, b.length_mm);
    assert_eq!(
        turned(&Point::from(a.tip.point_mm)),
        Point::from(b.tip.point_mm)
    );
    for (truth, sign) in [(right.truth.frame, 1.0), (left.truth.frame, -1.0)] {
        let f = truth.expect("frame");
        let [out, up, forward] = [f.out, f.up, f.forward].map(Vector::from);
        assert_eq!(forward.cross(&up).dot(&out), sign);
    }
}

#[test]
fn truth_moves_with_the_ear() {
    let model = quick(EarModel::medium(Side::Left));
    let pose = Isometry3::from_parts(
        Vector3::new(11.0, -52.0, 7.0).into(),
        UnitQuaternion::from_scaled_axis(Vector3::new(0.7, -1.1, 2.0)),
    );
    let still = ear(&model);
    let moved = ear(&EarModel { pose, ..model });
    let (a, b) = (
        still.truth.canal.clone().expect("canal"),
        moved.truth.canal.clone().expect("canal"),
    );
    assert_eq!(a.length_mm, b.length_mm);
    for (p, q) in a.axis_mm.iter().zip(&b.axis_mm) {
        assert!((pose * Point::from(*p) - Point::from(*q)).norm() < 1e-9);
    }
    let normal = pose * Vector::from(a.aperture.normal);
    assert!((normal - Vector::from(b.aperture.normal)).norm() < 1e-9);
    let end = |m: &DemoEar| m.mesh.points()[17];
    assert!((pose * end(&still) - end(&moved)).norm() < 1e-9);
}

/// What the parameters ask for is what the truth finds, within what smoothing takes away.
#[test]
fn truth_agrees_with_the_parameters() {
    for model in [
        EarModel::small(Side::Right),
        EarModel::medium(Side::Left),
        EarModel::large(Side::Left),
    ] {
        let canal = ear(&quick(model.clone())).truth.canal.expect("canal");
        assert!(canal.aperture_reached && canal.settled_mm < 1e-5);
        assert_eq!(canal.bends.len(), 2);
        let entrance = model.canal.length_mm - canal.length_mm;
        assert!(
            (-1.5..1.5).contains(&entrance),
            "aperture {entrance} mm inside the entrance"
        );
        for (bend, put_in) in canal.bends.iter().zip(&model.canal.bends) {
            assert!(
                (bend.at_mm + entrance - put_in.at_mm).abs() < 0.5,
                "{}",
                bend.at_mm
            );
            let asked = put_in.forward_deg.hypot(put_in.up_deg);
            let short = asked - bend.turn_deg;
            assert!((0.0..6.0).contains(&short), "{} of {asked}", bend.turn_deg);
        }
        let steps = canal.axis_mm.windows(2);
        let arc: f64 = steps
            .map(|w| (Point::from(w[1]) - Point::from(w[0])).norm())
            .sum();
        assert!(
            (arc - canal.length_mm).abs() < 1e-3,
            "{arc} {}",
            canal.length_mm
        );
    }
}

#[test]
fn faults_are_what_they_say() {
    let plain = ear(&quick(EarModel::medium(Side::Right)));
    let with = |f: Fault| ear(&quick(EarModel::medium(Side::Right)).with(f));
    let spot = Spot::Canal {
        at_mm: 10.0,
        around_deg: 90.0,
    };
    let inverted = with(Fault::Inverted);
    assert_eq!(
        inverted.mesh.signed_volume_mm3(),
        -plain.mesh.signed_volume_mm3()
    );
    let mirrored = with(Fault::Mirrored);
    assert!(mirrored.mesh.signed_volume_mm3() > 0.0 && mirrored.truth.side == Side::Left);
    let inches = with(Fault::Inches);
    let share = inches.mesh.signed_volume_mm3() / plain.mesh.signed_volume_mm3();
    assert!((share * 25.4_f64.powi(3) - 1.0).abs() < 1e-9);
    let fin = with(Fault::Fin {
        spot,
        height_mm: 1.0,
    });
    assert_eq!(edge_use(&fin.mesh).get(&3), Some(&1));
    let floater = with(Fault::Floater {
        spot,
        gap_mm: 2.0,
        width_mm: 2.0,
    });
    assert_eq!((euler(&floater.mesh), floater.truth.parts), (4, 2));
    let short = with(Fault::NoSecondBend { past_mm: 6.0 });
    assert_eq!(short.truth.canal.expect("canal").bends.len(), 1);
    let pit = with(Fault::Bubble {
        spot,
        width_mm: 2.4,
        depth_mm: 1.0,
    });
    let lost = plain.truth.volume_mm3.expect("closed") - pit.truth.volume_mm3.expect("closed");
    // A cap of height 1 on a circle of radius 1.2 is 2.79 mm³; on a bulging wall it holds less.
    assert!((1.2..3.0).contains(&lost), "{lost}");
    let feather = with(Fault::Feather {
        length_mm: 3.0,
        thick_mm: 1.2,
    });
    let longer = |e: &DemoEar| e.truth.canal.as_ref().map_or(0.0, |c| c.length_mm);
    assert!(longer(&feather) > longer(&plain) + 1.0);
}

#[test]
fn same_model_gives_same_bytes_on_one_thread() {
    let model = EarModel {
        noise_mm: 0.05,
        base: Base::Open,
        ..quick(EarModel::small(Side::Left))
    };
    let many = ear(&model);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("a thread");
    let one = pool.install(|| ear(&model));
    assert_eq!(many.mesh, one.mesh);
    assert_eq!(many.truth, one.truth);
}

#[test]
fn noise_has_the_spread_asked_for() {
    let model = quick(EarModel::medium(Side::Right));
    let noisy = ear(&EarModel {
        noise_mm: 0.05,
        ..model.clone()
    });
    let clean = ear(&model);
    let pairs = clean.mesh.points().iter().zip(noisy.mesh.points());
    let sum: f64 = pairs.map(|(a, b)| (a - b).norm_squared()).sum();
    let spread = (sum / clean.mesh.points().len() as f64).sqrt();
    assert!((spread - 0.05).abs() < 0.002, "{spread}");
}

#[test]
fn chance_is_even_and_normal() {
    let mut chance = Chance::new(7);
    let n = 20_000;
    let mean = (0..n).map(|_| chance.unit()).sum::<f64>() / n as f64;
    assert!((mean - 0.5).abs() < 0.01);
    let spread = (0..n).map(|_| chance.normal().powi(2)).sum::<f64>() / n as f64;
    assert!((spread - 1.0).abs() < 0.05);
}

/// The gradient is what finite differences say, everywhere that matters.
#[test]
fn slopes_are_slopes() {
    let solid = Solid::new(&EarModel::medium(Side::Right));
    let mut chance = Chance::new(3);
    for _ in 0..400 {
        let p = Point::new(
            chance.between(-26.0, 14.0),
            chance.between(-14.0, 9.0),
            chance.between(-11.0, 22.0),
        );
        let j = solid.at(&p);
        // Strides of two fifths of the value rely on this.
        assert!(j.g.norm() < 2.5, "{p}: slope {}", j.g.norm());
        if j.v.abs() > 3.0 {
            continue;
        }
        for k in 0..3 {
            let mut step = Vector::zeros();
            step[k] = 1e-5;
            let slope = (solid.at(&(p + step)).v - solid.at(&(p - step)).v) / 2e-5;
            assert!(
                (slope - j.g[k]).abs() < 1e-4,
                "{p}: {slope} against {}",
                j.g[k]
            );
        }
    }
}

#[test]
fn the_pit_is_a_dozen_orders_that_write_and_read() {
    let orders = pit_orchestra();
    let mut names: Vec<&str> = orders.iter().map(|o| o.name.as_str()).collect();
    names.dedup();
    assert_eq!(names.len(), 12);
    let dir = tempfile::tempdir().expect("a folder for the test");
    let made = ear(&quick(orders[4].model.clone()));
    let [scan, truth] = orchestra::write(dir.path(), &orders[4], &made).expect("written");
    assert!(scan.is_file());
    let text = std::fs::read_to_string(truth).expect("readable");
    let value: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let length = value["canal"]["length_mm"].as_f64().expect("a number");
    assert!((length - made.truth.canal.expect("canal").length_mm).abs() < 1e-5);
}

/// Facets are nearly even, as a scanner's are: few slivers.
#[test]
fn facets_are_nearly_even() {
    let ball = Lobe::new([0.0; 3], [6.0, 5.0, 7.0], 10.0, 20.0);
    let mut net = polygonise(
        &|p| ball.at(p),
        &Point::origin(),
        0.6,
        Vector::new(0.1, 0.2, 0.3),
    );
    even_out(&mut net, &|p| ball.at(p), 4);
    let made = Mesh::new(net.points, net.facets).expect("indices in range");
    let sharp = (0..made.facets().len()).filter(|&f| {
        let [a, b, c] = made.corners(f);
        let angle = (b - a)
            .angle(&(c - a))
            .min((a - b).angle(&(c - b)))
            .min((a - c).angle(&(b - c)));
        angle.to_degrees() < 20.0
    });
    let share = sharp.count() as f64 / made.facets().len() as f64;
    assert!(share < 0.03, "{share}");
}

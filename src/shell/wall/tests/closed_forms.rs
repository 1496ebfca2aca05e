//! Shapes whose inscribed balls are known in closed form.

use approx::assert_abs_diff_eq;

use crate::mesh::{Mesh, Point, Topology, Vector};
use crate::shell::wall::shapes::{blocks, bored, cup, hollow, measure, measure_with, twice_bored};
use crate::shell::wall::{
    Between, Caution, NoWall, Reading, Surface, Wall, WallOptions, joined, wall,
};

/// Largest absolute difference over the outer wall, and how many points it is taken over.
fn worst(mesh: &Mesh, wall: &Wall, truth: impl Fn(&Point) -> Option<f64>) -> (f64, usize) {
    let mut worst = 0.0_f64;
    let mut count = 0;
    for (p, at) in mesh.points().iter().enumerate() {
        if wall.counts(p)
            && let Some(t) = truth(at)
        {
            worst = worst.max((wall.wall_mm[p] - t).abs());
            count += 1;
        }
    }
    (worst, count)
}

#[test]
fn hollow_ball_is_even_everywhere() {
    for level in [4, 5] {
        let mesh = hollow(10.0, 9.2, Vector::zeros(), level);
        let w = measure(&mesh);
        let half = mesh.facets().len() / 2;
        let (worst, count) = worst(&mesh, &w, |_| Some(0.8));
        println!("level {level}: worst {worst:.5} over {count}");
        assert_eq!(
            count,
            mesh.points().len() / 2,
            "every outer point is a wall"
        );
        // Facets of the hollow are chords inside it: the wall reads thick by no more than they cut
        // off, and never thin.
        let cut = (half..mesh.facets().len())
            .map(|f| {
                9.2 - mesh
                    .normal(f)
                    .expect("area")
                    .dot(&mesh.corners(f)[0].coords)
                    .abs()
            })
            .fold(0.0, f64::max);
        assert!(worst < cut + 1e-9, "level {level}: {worst} {cut}");
        assert!(level < 5 || worst < 0.003, "level {level}: {worst}");
        let least = w.least.as_ref().expect("there is a wall");
        assert!(least.wall_mm.value > 0.8 - 1e-9, "{}", least.wall_mm.value);
        assert_eq!(w.trapped.len(), 1, "the hollow has no drain");
        assert!(w.cautions.is_empty(), "{:?}", w.cautions);
        assert!(w.edges.is_empty());
    }
}

#[test]
fn eccentric_hollow_follows_the_closed_form() {
    // Ball at outer point R·u tangent inside: centre (R − r)u, which touches the hollow of radius
    // a at e when |(R − r)u − e| = a + r.
    let (big, a, e) = (10.0_f64, 8.5, Vector::new(0.0, 0.0, 0.7));
    let mesh = hollow(big, a, e, 5);
    let w = measure(&mesh);
    let truth = |p: &Point| {
        let along = p.coords.normalize().dot(&e);
        let r =
            (big * big - 2.0 * big * along + e.norm_squared() - a * a) / (2.0 * (a + big - along));
        Some(2.0 * r)
    };
    let (worst, count) = worst(&mesh, &w, truth);
    println!("eccentric: worst {worst:.5} over {count}");
    assert!(count > 10_000 && worst < 0.01, "{worst}");
    let least = w.least.expect("there is a wall");
    assert_abs_diff_eq!(least.wall_mm.value, 0.8, epsilon = 0.005);
    assert!(
        least.point.z > 9.9,
        "thinnest where the hollow is nearest: {}",
        least.point
    );
}

#[test]
fn bore_set_off_leaves_the_known_wall() {
    let mesh = bored(4.0, 1.0, 1.5, 10.0, 0.15);
    let w = measure(&mesh);
    let least = w.least.as_ref().expect("there is a wall");
    assert_abs_diff_eq!(least.wall_mm.value, 1.5, epsilon = 0.01);
    assert_eq!(w.bores.len(), 1);
    assert!(w.bores[0].round);
    assert_abs_diff_eq!(w.bores[0].diameter_mm, 2.0, epsilon = 0.01);
    assert_abs_diff_eq!(w.bores[0].length_mm, 10.0, epsilon = 1e-3);
    assert!(w.trapped.is_empty());
    let web = &w.webs[0];
    assert_eq!(web.between, [Between::Outer, Between::Bore(0)]);
    assert_abs_diff_eq!(web.least_mm, 1.5, epsilon = 0.01);
    // Bore moved 0.3 nearer the wall: found, placed, measured.
    let moved = measure(&bored(4.0, 1.0, 1.8, 10.0, 0.15));
    let there = moved.least.expect("there is a wall");
    assert_abs_diff_eq!(there.wall_mm.value, 1.2, epsilon = 0.01);
    assert!(there.point.x > 3.9);
}

#[test]
fn two_bores_have_a_web_and_an_outer_wall() {
    let mesh = twice_bored(4.0, 0.75, 1.1, 8.0, 0.15);
    let w = measure(&mesh);
    assert_eq!(w.bores.len(), 2, "{:?}", w.bores);
    let web = |a, b| w.webs.iter().find(|x| x.between == [a, b]).expect("web");
    let mid = web(Between::Bore(0), Between::Bore(1));
    assert_abs_diff_eq!(mid.least_mm, 0.70, epsilon = 0.01);
    assert!(
        mid.point.x.abs() < 0.36 && mid.point.y.abs() < 0.2,
        "{}",
        mid.point
    );
    for k in 0..2 {
        let out = web(Between::Outer, Between::Bore(k));
        assert_abs_diff_eq!(out.least_mm, 2.15, epsilon = 0.01);
    }
}

#[test]
fn inner_corner_of_an_l_is_thicker_by_ball_than_by_facing_walls() {
    let t = 1.0;
    let mesh = blocks(
        [&[0.0, t, 5.0], &[0.0, t, 5.0], &[0.0, 6.0]],
        0.25,
        |[x, y, _]| x < t || y < t,
    );
    let options = WallOptions {
        inner_too: true,
        ..WallOptions::default()
    };
    let w = measure_with(&mesh, &options);
    let ball = 2.0 * 2.0_f64.sqrt() / (1.0 + 2.0_f64.sqrt()) * t;
    let mut corner = 0;
    for (p, at) in mesh.points().iter().enumerate() {
        if (at - Point::new(t, t, at.z)).norm() < 1e-9 && at.z > 1.5 && at.z < 4.5 {
            assert_abs_diff_eq!(w.wall_mm[p], ball, epsilon = 1e-3);
            assert_abs_diff_eq!(w.ray_mm[p], 2.0_f64.sqrt() * t, epsilon = 1e-9);
            assert_eq!(w.reading[p], Reading::Wall);
            corner += 1;
        }
        // Along an arm, clear of corner and ends, all three agree.
        if (at.x - t).abs() < 1e-9 && at.y > 2.5 && at.y < 4.0 && at.z > 1.5 && at.z < 4.5 {
            assert_abs_diff_eq!(w.wall_mm[p], t, epsilon = 1e-6);
            assert_abs_diff_eq!(w.ray_mm[p], t, epsilon = 1e-9);
            assert_abs_diff_eq!(w.opposite_mm[p], t, epsilon = 1e-9);
        }
    }
    assert!(corner >= 8, "{corner}");
}

#[test]
fn plate_reads_its_thickness_and_its_rim_is_an_edge() {
    let mesh = blocks([&[0.0, 10.0], &[0.0, 8.0], &[0.0, 0.8]], 0.2, |_| true);
    let w = measure(&mesh);
    let inside = |at: &Point| at.x > 0.5 && at.x < 9.5 && at.y > 0.5 && at.y < 7.5;
    for (p, at) in mesh.points().iter().enumerate() {
        if inside(at) {
            assert_eq!(w.reading[p], Reading::Wall, "{at}");
            assert_abs_diff_eq!(w.wall_mm[p], 0.8, epsilon = 1e-6);
            assert_abs_diff_eq!(w.opposite_mm[p], 0.8, epsilon = 1e-9);
        }
    }
    assert_eq!(w.edges.len(), 1, "one rim");
    // Four sides twice and four uprights; all of it square.
    assert_abs_diff_eq!(w.edges[0].sharp_mm, 2.0 * 36.0 + 4.0 * 0.8, epsilon = 1e-9);
    assert_abs_diff_eq!(w.edges[0].turn_deg, 90.0, epsilon = 1e-3);
    assert_abs_diff_eq!(w.least.expect("a wall").wall_mm.value, 0.8, epsilon = 1e-6);
    let all: f64 = w.area_mm2.iter().sum();
    let told = w
        .area_mm2
        .iter()
        .zip(&w.reading)
        .filter(|(_, r)| **r == Reading::Wall);
    let told: f64 = told.map(|(a, _)| a).sum();
    assert_abs_diff_eq!(told + w.edges[0].area_mm2, all, epsilon = 1e-9);
}

#[test]
fn wedge_follows_its_angle_and_its_knife_edge_is_told() {
    // A box of height 1 sheared so that its top runs down to nothing at x = 0: wall at x on the
    // floor is the ball between two planes at angle θ: r = x·tan(θ/2).
    let theta = 20.0_f64.to_radians();
    let flat = blocks([&[0.0, 8.0], &[0.0, 8.0], &[0.0, 1.0]], 0.2, |_| true);
    let (points, facets) = flat.into_parts();
    let raised = points
        .iter()
        .map(|p| Point::new(p.x, p.y, p.z * (p.x * theta.tan()).max(1e-9)));
    // The end at x = 0 has shrunk to a line; what is left of its facets has no area.
    let mesh = Mesh::new(raised.collect(), facets).expect("finite");
    let w = measure(&mesh);
    let mut count = 0;
    for (p, at) in mesh.points().iter().enumerate() {
        if at.z < 1e-12 && at.x > 1.0 && at.x < 5.0 && at.y > 2.5 && at.y < 5.5 {
            assert_eq!(w.reading[p], Reading::Wall, "{at}");
            assert_abs_diff_eq!(
                w.wall_mm[p],
                2.0 * at.x * (theta / 2.0).tan(),
                epsilon = 1e-5
            );
            count += 1;
        }
    }
    assert!(count > 100);
    assert!(w.edges.iter().any(|e| e.turn_deg >= 90.0));
}

#[test]
fn cup_with_bores_knows_outside_from_inside() {
    let mesh = cup(0.8, 0.25);
    let w = measure(&mesh);
    let rim = |at: &Point| (at.z - 12.0).abs() < 0.6;
    let (mut wrong, mut told) = (0, 0);
    for (p, at) in mesh.points().iter().enumerate() {
        let rho = at.x.hypot(at.y);
        let expect = if rho > 7.9 || (at.z < 1e-9 && rho < 7.9) {
            Surface::Outer
        } else {
            Surface::Inner
        };
        let on_bore_rim = (at.z < 0.3 || (at.z - 5.0).abs() < 1e-9) && rho < 2.0;
        if rim(at) || on_bore_rim {
            continue;
        }
        told += 1;
        wrong += usize::from(w.surface[p] != expect);
    }
    println!(
        "cup: {wrong} wrong of {told}; bores {:?}; webs {:?}",
        w.bores, w.webs
    );
    assert_eq!(wrong, 0);
    assert_eq!(w.bores.len(), 2);
    assert!(
        !w.cautions
            .iter()
            .any(|c| matches!(c, Caution::UnclearSides { .. }))
    );
    let (worst, count) = worst(&mesh, &w, |at| {
        let side = at.x.hypot(at.y) > 7.9 && at.z > 6.5 && at.z < 11.0;
        side.then_some(0.8)
    });
    println!("cup: side worst {worst:.5} over {count}");
    assert!(count > 1000 && worst < 0.01);
    let web = w
        .webs
        .iter()
        .find(|x| x.between == [Between::Bore(0), Between::Bore(1)]);
    assert_abs_diff_eq!(web.expect("web").least_mm, 0.7, epsilon = 0.015);
    // The faceplate rim and the two bore mouths are edges, whole and separate from the wall.
    let rim = w
        .edges
        .iter()
        .find(|e| (e.point.z - 12.0).abs() < 1e-9)
        .expect("rim");
    let both = std::f64::consts::TAU * (8.0 + 7.2);
    assert!(
        (rim.sharp_mm - both).abs() < 0.1 && (rim.turn_deg - 90.0).abs() < 2.0,
        "{rim:?}"
    );
}

#[test]
fn two_files_wound_any_way_read_like_one_shell() {
    let closed = hollow(10.0, 9.2, Vector::zeros(), 4);
    let truth = measure(&closed);
    let outer = crate::shell::wall::shapes::sphere(Point::origin(), 10.0, 4);
    let inner = crate::shell::wall::shapes::turned_sphere(Vector::zeros(), 9.2, 4);
    for (o, i) in [
        (outer.clone(), inner.clone()),
        (outer.clone(), inner.inverted()),
        (outer.inverted(), inner.clone()),
        (outer.inverted(), inner.inverted()),
    ] {
        let (mesh, from) = joined(&o, &i);
        let given = WallOptions {
            inner_from_facet: Some(from),
            ..WallOptions::default()
        };
        for w in [measure_with(&mesh, &given), measure(&mesh)] {
            assert_eq!(w.surface, truth.surface);
            for (a, b) in w.wall_mm.iter().zip(&truth.wall_mm) {
                assert!((a - b).abs() < 1e-9 || (a.is_nan() && b.is_nan()));
            }
        }
    }
    let (swapped, from) = joined(&inner, &outer);
    let given = WallOptions {
        inner_from_facet: Some(from),
        ..WallOptions::default()
    };
    let told = wall(&swapped, &Topology::new(&swapped), &given);
    let cautions = told.map(|w| w.cautions);
    assert!(
        cautions
            .as_ref()
            .is_ok_and(|c| c.contains(&Caution::InnerNotInside)),
        "{cautions:?}"
    );
}

#[test]
fn flipped_facets_and_inside_out_shells_are_read_right_and_told() {
    let mesh = cup(0.8, 0.4);
    let truth = measure(&mesh);
    let inverted = measure(&mesh.inverted());
    assert_eq!(inverted.cautions, vec![Caution::InsideOut { sheet: 0 }]);
    let (points, mut facets) = mesh.clone().into_parts();
    facets.iter_mut().step_by(97).for_each(|f| f.swap(0, 1));
    let count = facets.len().div_ceil(97);
    let patched = measure(&Mesh::new(points, facets).expect("same indices"));
    assert_eq!(patched.cautions, vec![Caution::Flipped { facets: count }]);
    for w in [inverted, patched] {
        assert_eq!(w.surface, truth.surface);
        for (p, (a, b)) in w.wall_mm.iter().zip(&truth.wall_mm).enumerate() {
            assert!(
                (a - b).abs() < 1e-6 || (a.is_nan() && b.is_nan()),
                "{p}: {a} {b}"
            );
        }
    }
}

#[test]
fn open_cups_in_two_files_are_measured_away_from_their_rims() {
    let cut = |r: f64| {
        let s = crate::shell::wall::shapes::sphere(Point::origin(), r, 5);
        let keep = |f: &[u32; 3]| f.iter().all(|&p| s.points()[p as usize].z < 5.0);
        let facets = s.facets().iter().copied().filter(keep).collect();
        Mesh::new(s.points().to_vec(), facets).expect("same points")
    };
    let (mesh, from) = joined(&cut(10.0), &cut(9.0));
    for inner_from_facet in [Some(from), None] {
        let w = measure_with(
            &mesh,
            &WallOptions {
                inner_from_facet,
                ..WallOptions::default()
            },
        );
        let (worst, count) = worst(&mesh, &w, |at| (at.z < 3.5).then_some(1.0));
        assert!(count > 5000 && worst < 0.01, "{worst} over {count}");
        assert!(w.cautions.iter().any(|c| matches!(c, Caution::Open { .. })));
        assert!(w.trapped.is_empty(), "an open cup drains");
    }
}

#[test]
fn a_spot_thinned_by_two_tenths_is_found_placed_and_measured() {
    // The hollow bulges out by 0.2 in a cap of 1.2 mm round a place of our choice.
    let place = Vector::new(0.48, -0.6, 0.64).normalize();
    let mesh = hollow(10.0, 9.2, Vector::zeros(), 6);
    let half = mesh.points().len() / 2;
    let mut k = 0;
    let bump = |off: f64| 0.2 * (1.0 - (off / 1.2).powi(2)).max(0.0).powi(2);
    let thinned = mesh.mapped(|p| {
        k += 1;
        let dir = p.coords.normalize();
        let off = (dir - place).norm() * 9.2;
        if k > half { p + bump(off) * dir } else { *p }
    });
    let thinned = thinned.expect("finite");
    let w = measure(&thinned);
    let spots = w.thin_spots(&thinned, 0.75);
    assert_eq!(spots.len(), 1);
    let spot = &spots[0];
    println!(
        "thin spot {:?} area {} at {}",
        spot.least_mm, spot.area_mm2, spot.point
    );
    assert_abs_diff_eq!(spot.least_mm.value, 0.6, epsilon = 0.02);
    assert!((spot.point.coords - 10.0 * place).norm() < 0.2);
    assert!((spot.middle.coords.normalize() - place).norm() < 0.01);
    let exact = area_under(0.75, bump);
    println!("area {} exact {exact}", spot.area_mm2);
    assert!((spot.area_mm2 / exact - 1.0).abs() < 0.02);
    assert_eq!(spot.free_border, 0.0);
}

/// Area of the outer surface (r 10) whose ball is under `limit`, over a hollow of radius 9.2 raised
/// by `bump` of the chord to its place: the ball by its definition along the meridian.
fn area_under(limit: f64, bump: impl Fn(f64) -> f64) -> f64 {
    let wall_at = |angle: f64| {
        let p = [10.0 * angle.sin(), 10.0 * angle.cos()];
        let n = [angle.sin(), angle.cos()];
        let ball = |t: f64| {
            let r = 9.2 + bump(2.0 * (t / 2.0).sin() * 9.2);
            let v = [p[0] - r * t.sin(), p[1] - r * t.cos()];
            (v[0] * v[0] + v[1] * v[1]) / (n[0] * v[0] + n[1] * v[1])
        };
        (0..4000)
            .map(|i| ball(f64::from(i) * 5e-5))
            .fold(f64::MAX, f64::min)
    };
    let (mut lo, mut hi) = (0.0, 0.2);
    for _ in 0..40 {
        let mid = (lo + hi) / 2.0;
        if wall_at(mid) < limit {
            lo = mid
        } else {
            hi = mid
        }
    }
    std::f64::consts::TAU * 100.0 * (1.0 - f64::cos(lo))
}

#[test]
fn a_free_standing_fin_is_told_from_a_held_wall() {
    // A block with a fin of 0.4 on top, 3 high.
    let mesh = blocks(
        [&[0.0, 3.8, 4.2, 8.0], &[0.0, 8.0], &[0.0, 5.0, 8.0]],
        0.2,
        |[x, _, z]| z < 5.0 || (x > 3.8 && x < 4.2),
    );
    let w = measure(&mesh);
    let spots = w.thin_spots(&mesh, 0.6);
    assert_eq!(spots.len(), 2, "one on each face of the fin");
    for spot in &spots {
        assert_abs_diff_eq!(spot.least_mm.value, 0.4, epsilon = 1e-6);
        assert!(spot.free_border > 0.5, "{}", spot.free_border);
    }
}

#[test]
fn shares_and_histogram_hold_all_of_the_outer_area() {
    let mesh = hollow(10.0, 8.5, Vector::new(0.0, 0.0, 0.7), 5);
    let w = measure(&mesh);
    let all: f64 = w.histogram.area_mm2.iter().sum();
    assert_abs_diff_eq!(all, w.measured_mm2(), epsilon = 1e-9);
    // t ≈ 1.5 − 0.7·cos is close to even over the sphere: the median is near 1.5.
    let median = w
        .percentiles_mm
        .iter()
        .find(|p| p.0 == 50.0)
        .expect("median")
        .1;
    assert!((median - 1.5).abs() < 0.05, "{median}");
    assert!(w.percentiles_mm.windows(2).all(|v| v[0].1 <= v[1].1));
}

#[test]
fn nothing_to_measure_is_said_so() {
    let empty = Mesh::default();
    let told = |m: &Mesh| wall(m, &Topology::new(m), &WallOptions::default()).map(|_| ());
    assert_eq!(told(&empty), Err(NoWall::Empty));
    let speck = Mesh::new(vec![Point::origin(); 3], vec![[0, 1, 2]]).expect("valid");
    assert_eq!(told(&speck), Err(NoWall::NoArea));
    let one = |x: f64, y: f64| Point::new(x, y, 0.0);
    let lone = Mesh::new(
        vec![one(0.0, 0.0), one(1.0, 0.0), one(0.0, 1.0)],
        vec![[0, 1, 2]],
    );
    assert_eq!(told(&lone.expect("valid")), Err(NoWall::Nothing));
}

//! The room as a whole: closed forms, and the smallest edits to a sound mesh, each of which must
//! show up as exactly one finding and nothing else.

use std::f64::consts::PI;

use super::shapes::surface;
use super::shapes::*;
use super::*;
use crate::mesh::Vector;

/// What is wrong, by name and count, so that a test can demand "this and nothing else".
fn findings(s: &Soundness) -> Vec<(&'static str, usize)> {
    let all = [
        ("holes", s.holes.iter().filter(|h| !h.base).count()),
        ("base", s.holes.iter().filter(|h| h.base).count()),
        ("floater holes", s.floater_holes),
        ("floaters", s.floaters.len()),
        ("fins", s.fin_spots.len()),
        ("crossings", s.crossing_spots.len()),
        ("degenerate", s.degenerate),
        ("flipped", s.flipped_spots.len()),
        ("inverted", usize::from(s.inverted)),
        ("bow-ties", s.bowtie_points),
        ("one-sided", s.one_sided_edges),
    ];
    all.into_iter().filter(|(_, n)| *n > 0).collect()
}

/// Closed form: a torus R 10, r 4 (half a canal's bend, doubled): 3158.3 mm³, 1579.1 mm².
#[test]
fn torus_volume_and_area_read_low_and_converge() {
    let mut last = f64::INFINITY;
    for n in [40, 80, 160] {
        let s = look(&torus(10.0, 4.0, 2 * n, n));
        let volume = s.volume_mm3.expect("closed");
        let short = 1.0 - volume / (2.0 * PI * PI * 10.0 * 16.0);
        assert!(
            short > 0.0 && short < last / 3.5,
            "chords cut the corner: {short}"
        );
        assert!((s.area_mm2 / (4.0 * PI * PI * 40.0) - 1.0).abs() < 0.005);
        assert!(n == 40 || short < 0.005);
        assert!(
            s.watertight && findings(&s).is_empty(),
            "{:?}",
            findings(&s)
        );
        last = short;
    }
}

/// Closed form: a round hole r 1.5 in a flat wall: loop 9.425, cap 7.069.
#[test]
fn a_round_hole_reads_its_circle_from_below() {
    let s = look(&wall_with_hole(10.0, 1.5, 96));
    let hole = s
        .holes
        .iter()
        .min_by(|a, b| a.length_mm.total_cmp(&b.length_mm));
    let hole = hole.expect("a hole");
    let (circle, disc) = (2.0 * PI * 1.5, PI * 2.25);
    assert!(hole.length_mm < circle && hole.length_mm > 0.99 * circle);
    assert!(hole.area_mm2 < disc && hole.area_mm2 > 0.99 * disc);
    assert!((hole.span_mm - 3.0).abs() < 1e-9);
    assert!(hole.point.coords.norm() < 1e-9);
    assert!(!hole.base);
}

/// Closed form: V − E + F of a closed ball, with one hole, with one bore.
#[test]
fn euler_numbers() {
    let number = |m: &Mesh| {
        let used: std::collections::HashSet<u32> = m.facets().iter().flatten().copied().collect();
        used.len() as i64 - Topology::new(m).edges as i64 + m.facets().len() as i64
    };
    let closed = ball(5.0, 8);
    assert_eq!(number(&closed), 2);
    assert_eq!(number(&without(&closed, |f| f == 7)), 1);
    assert_eq!(number(&torus(10.0, 3.0, 30, 12)), 0);
}

/// Closed form: a mirrored mesh without repair has a negative signed volume, and is inverted.
#[test]
fn a_mirrored_mesh_is_inverted_and_keeps_its_volume() {
    let right = ball(5.0, 12);
    let mirrored = right
        .mapped(|p| Point::new(-p.x, p.y, p.z))
        .expect("finite");
    assert!(mirrored.signed_volume_mm3() < 0.0);
    let (a, b) = (look(&right), look(&mirrored));
    assert_eq!(findings(&b), [("inverted", 1)]);
    assert_eq!(b.flipped_facets, mirrored.facets().len());
    assert!(b.watertight, "an inverted mesh is still closed");
    let (a, b) = (a.volume_mm3.expect("closed"), b.volume_mm3.expect("closed"));
    assert!((a - b).abs() < 1e-9 * a);
}

#[test]
fn a_missing_facet_is_one_hole() {
    let whole = ball(5.0, 12);
    let f = 100;
    let s = look(&without(&whole, |g| g == f));
    assert_eq!(findings(&s), [("holes", 1)]);
    assert!((s.holes[0].point - middle(&whole, f)).norm() < 0.05);
    assert_eq!(s.holes[0].rim.len(), 3);
    assert_eq!(s.volume_mm3, None);
    let full = look(&whole).volume_mm3.expect("closed");
    assert!((s.volume_if_capped_mm3 - full).abs() < 1e-9 * full);
}

#[test]
fn a_turned_facet_is_one_spot() {
    let whole = ball(5.0, 12);
    let s = look(&with_turned(&whole, |f| f == 321));
    assert_eq!(findings(&s), [("flipped", 1)]);
    assert_eq!((s.flipped_facets, s.flipped_spots[0].count), (1, 1));
    assert!((s.flipped_spots[0].point - middle(&whole, 321)).norm() < 1e-9);
    assert!(!s.watertight);
    assert_eq!(s.volume_mm3, look(&whole).volume_mm3);
}

#[test]
fn one_right_facet_in_an_inverted_ball_is_the_odd_one() {
    let whole = ball(5.0, 12);
    let s = look(&with_turned(&whole, |f| f != 321));
    assert_eq!(findings(&s), [("flipped", 1), ("inverted", 1)]);
    assert_eq!(s.flipped_facets, whole.facets().len() - 1);
    assert!((s.flipped_spots[0].point - middle(&whole, 321)).norm() < 1e-9);
}

#[test]
fn a_doubled_facet_is_one_fin_spot() {
    let (points, mut facets) = ball(5.0, 12).into_parts();
    facets.push(facets[50]);
    let s = look(&mesh(points, facets));
    assert_eq!(findings(&s), [("fins", 1)]);
    assert_eq!(s.fin_edges, 3);
    assert_eq!(
        s.volume_mm3, None,
        "what is inside a doubled facet is not told"
    );
}

#[test]
fn a_sheet_standing_on_the_surface_is_one_fin_spot() {
    let (mut points, mut facets) = ball(5.0, 12).into_parts();
    let [a, b, _] = facets[50];
    let up = points[a as usize].coords * 1.3;
    points.push(Point::from(up));
    facets.push([a, b, points.len() as u32 - 1]);
    let s = look(&mesh(points, facets));
    assert_eq!(findings(&s), [("fins", 1)]);
    assert_eq!((s.fin_edges, s.flipped_facets), (1, 0));
}

#[test]
fn a_speck_is_one_floater() {
    let whole = ball(5.0, 12);
    let speck = moved(&ball(0.5, 2), Vector::new(9.0, 0.0, 0.0));
    let s = look(&both(&speck, &whole));
    assert_eq!(findings(&s), [("floaters", 1)]);
    assert_eq!((s.parts, s.main_part), (2, 1));
    let f = &s.floaters[0];
    assert_eq!(f.facets, speck.facets().len());
    assert!((f.point - Point::new(9.0, 0.0, 0.0)).norm() < 1e-9);
    assert!((f.size_mm - 3_f64.sqrt()).abs() < 1e-9);
    assert!(s.watertight, "two closed parts apart are both closed");
}

#[test]
fn an_open_speck_is_counted_apart() {
    let speck = without(&moved(&ball(0.5, 2), Vector::new(9.0, 0.0, 0.0)), |f| {
        f == 3
    });
    let s = look(&both(&ball(5.0, 12), &speck));
    assert_eq!(findings(&s), [("floater holes", 1), ("floaters", 1)]);
    assert!(s.volume_mm3.is_some() && !s.watertight);
}

#[test]
fn a_facet_that_names_a_point_twice_is_degenerate() {
    let (points, mut facets) = ball(5.0, 12).into_parts();
    let [a, b, _] = facets[10];
    facets.push([a, b, b]);
    let s = look(&mesh(points, facets));
    assert_eq!(s.degenerate, 1);
}

/// A needle a thousand times as long as wide is honest surface; three points in a line are none.
#[test]
fn needles_are_not_degenerate_at_any_scale() {
    for scale in [1e-3, 1.0, 1e6] {
        let at = |x: f64, y: f64| Point::new(x * scale, y * scale, 7.0 * scale);
        let line = mesh(
            vec![at(0.1, 0.1), at(0.3, 0.3), at(0.7, 0.7)],
            vec![[0, 1, 2]],
        );
        let needle = mesh(
            vec![at(0.0, 0.0), at(1.0, 0.001), at(1.0, 0.0)],
            vec![[0, 1, 2]],
        );
        assert_eq!((look(&line).degenerate, look(&needle).degenerate), (1, 0));
    }
}

#[test]
fn two_balls_joined_in_a_point_are_a_bow_tie() {
    let a = ball(5.0, 6);
    let b = moved(&a, Vector::new(10.0, 0.0, 0.0));
    let touch = Point::new(5.0, 0.0, 0.0);
    let at = |m: &Mesh| m.points().iter().position(|p| (p - touch).norm() < 1e-12);
    let (i, j) = (at(&a).expect("a pole"), at(&b).expect("a pole"));
    let (points, facets) = both(&a, &b).into_parts();
    let weld = |k: u32| {
        if k as usize == a.points().len() + j {
            i as u32
        } else {
            k
        }
    };
    let s = look(&mesh(points, facets.iter().map(|f| f.map(weld)).collect()));
    assert_eq!(s.bowtie_points, 1);
    assert_eq!(s.parts, 2);
}

/// A Möbius band has no outside: it says so, instead of calling half of itself flipped.
#[test]
fn a_moebius_band_is_one_sided() {
    let n = 40;
    let band = surface(n + 1, 3, false, false, |s, t| {
        let (a, w) = (s * 2.0 * PI, (t - 0.5) * 4.0);
        let r = 10.0 + w * (a / 2.0).cos();
        Point::new(r * a.cos(), r * a.sin(), w * (a / 2.0).sin())
    });
    let (points, facets) = band.into_parts();
    let weld = |k: u32| {
        if k >= 3 * n as u32 {
            2 - (k - 3 * n as u32)
        } else {
            k
        }
    };
    let s = look(&mesh(points, facets.iter().map(|f| f.map(weld)).collect()));
    assert_eq!(s.parts, 1);
    assert_eq!(s.holes.len(), 1);
    assert!(s.one_sided_edges > 0 && s.volume_mm3.is_none());
}

#[test]
fn a_cavity_is_taken_off_however_the_file_winds() {
    let (outer, inner) = (ball(5.0, 16), ball(3.0, 16));
    let wall = outer.signed_volume_mm3() - inner.signed_volume_mm3();
    let shell = both(&outer, &inner.inverted());
    for m in [&shell, &shell.inverted()] {
        let s = look(m);
        assert!((s.volume_mm3.expect("closed") - wall).abs() < 1e-9 * wall);
        assert_eq!(s.inverted, m != &shell);
    }
    assert_eq!(look(&shell).flipped_facets, 0);
    let crumb = both(&outer, &inner);
    let s = look(&crumb);
    assert_eq!(s.flipped_facets, 0);
    assert!((s.volume_mm3.expect("closed") - outer.signed_volume_mm3()).abs() < 1e-9);
    let pearl = ball(1.0, 8);
    let s = look(&both(&shell, &pearl));
    let with_pearl = wall + pearl.signed_volume_mm3();
    assert!((s.volume_mm3.expect("closed") - with_pearl).abs() < 1e-9 * wall);
    assert_eq!(s.flipped_facets, 0);
}

#[test]
fn an_open_cup_is_turned_outward_by_its_fan() {
    let cup = without(&ball(5.0, 20), |f| middle(&ball(5.0, 20), f).z < -1.0);
    for m in [cup.clone(), cup.inverted()] {
        let s = look(&m);
        assert_eq!(s.inverted, m != cup);
        assert!(s.volume_if_capped_mm3 > 0.0);
    }
}

#[test]
fn a_cut_end_is_the_base_and_a_tear_is_not() {
    let n = around(3.5, 0.5);
    let tube = bent_tube(3.5, 10.0, 60_f64.to_radians(), 0.5);
    let s = look(&closed_at(&tube, false, n));
    assert_eq!(findings(&s), [("base", 1)], "open at one end");
    assert!(s.holes[0].point.coords.norm() < 0.1);
    let s = look(&tube);
    assert_eq!(
        findings(&s),
        [("holes", 1), ("base", 1)],
        "open at both ends"
    );
    let closed = closed_at(&closed_at(&tube, false, n), true, n);
    let torn = without(&closed, |f| {
        let m = middle(&closed, f);
        m.x < -1.0 && m.z > 2.0 && m.z < 9.0
    });
    let s = look(&torn);
    assert_eq!(findings(&s), [("holes", 1)], "a tear 7 mm long in the side");
    assert!(s.holes[0].span_mm > 7.0);
}

/// A closed outer face with the tip torn off: the opening has a section like a canal's, but it is
/// no base.
#[test]
fn a_torn_tip_behind_a_closed_face_is_a_hole() {
    let body = surface(60, 60, false, true, |s, t| {
        let z = 30.0 * s;
        let r = if z < 10.0 {
            11.0
        } else {
            3.5 + 7.5 * (-(z - 10.0) / 2.0).exp()
        };
        let a = -t * 2.0 * PI;
        Point::new(r * a.cos(), r * a.sin(), z)
    });
    let s = look(&closed_at(&body, true, 60));
    assert_eq!(findings(&s), [("holes", 1)]);
    assert!((s.holes[0].point.z - 30.0).abs() < 1e-9);
    let s = look(&closed_at(&body, false, 60));
    assert_eq!(findings(&s), [("base", 1)]);
}

#[test]
fn pose_and_order_change_nothing() {
    let tube = bent_tube(3.5, 10.0, 0.8, 0.6);
    let speck = moved(&ball(0.5, 2), Vector::new(9.0, 0.0, 0.0));
    let broken = with_turned(&without(&both(&tube, &speck), |f| f == 300), |f| {
        f % 97 == 3
    });
    let (a, b) = (look(&broken), look(&pose(&broken)));
    assert_eq!(findings(&a), findings(&b));
    assert_eq!(a.flipped_facets, b.flipped_facets);
    assert!((a.volume_if_capped_mm3 - b.volume_if_capped_mm3).abs() < 1e-6);
    let (points, mut facets) = broken.into_parts();
    facets.reverse();
    let c = look(&mesh(points, facets));
    assert_eq!(findings(&a), findings(&c));
    assert_eq!(a.flipped_facets, c.flipped_facets);
}

#[test]
fn nothing_and_almost_nothing_do_not_panic() {
    let s = look(&mesh(vec![], vec![]));
    assert!(!s.watertight && s.parts == 0 && s.volume_mm3.is_none());
    let p = Point::new(1.0, 2.0, 3.0);
    let s = look(&mesh(vec![p, p, p], vec![[0, 1, 2], [0, 0, 0]]));
    assert_eq!(s.degenerate, 2);
    assert!(!s.watertight);
}

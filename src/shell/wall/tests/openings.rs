//! Outer surface and cavity given apart, level with each other in an opening: what lies between them
//! there is no wall, and wherever else they meet the wall is 0.

use std::f64::consts::PI;

use approx::assert_abs_diff_eq;

use super::lands::{bell, turned};
use crate::mesh::{Mesh, Point, Vector};
use crate::shell::wall::shapes::{blocks, measure, measure_with};
use crate::shell::wall::{Caution, Reading, Surface, Wall, WallOptions, joined};

/// Measures two surfaces in an odd pose, each wound as a solid, as their files are.
fn pair(outer: &Mesh, cavity: &Mesh) -> (Mesh, Wall) {
    let turn = nalgebra::Rotation3::from_euler_angles(0.4, -1.1, 2.3);
    let posed = |m: &Mesh| m.mapped(|p| turn * p + Vector::new(11.0, -40.0, 23.0));
    let [outer, cavity] = [outer, cavity].map(|m| posed(m).expect("finite"));
    let (mesh, from) = joined(&outer, &cavity);
    let options = WallOptions {
        inner_from_facet: Some(from),
        ..WallOptions::default()
    };
    let wall = measure_with(&mesh, &options);
    (mesh, wall)
}

fn least(wall: &Wall) -> f64 {
    wall.least.as_ref().expect("a wall").wall_mm.value
}

const SIDES: [[f64; 2]; 3] = [[0.0, 20.0], [0.0, 18.0], [0.0, 14.0]];

fn block() -> Mesh {
    let [x, y, z] = &SIDES;
    blocks([x, y, z], 0.5, |_| true)
}

/// A room from `lo` to `hi`.
fn room(lo: [f64; 3], hi: [f64; 3]) -> Mesh {
    let planes = [0, 1, 2].map(|k| [lo[k], hi[k]]);
    blocks([&planes[0], &planes[1], &planes[2]], 0.43, |_| true)
}

/// Walls of 0.8, 0.9 and 1.0 at the sides and 1.1 at the bottom, open at the top: as two files and as
/// one.
#[test]
fn a_flat_lid_in_common_is_the_opening() {
    let (lo, hi) = ([0.8, 0.9, 1.1], [19.0, 17.0, 14.0]);
    let (mesh, w) = pair(&block(), &room(lo, hi));
    assert_abs_diff_eq!(least(&w), 0.8, epsilon = 1e-6);
    let told = w.opening.as_ref().expect("an opening");
    assert_abs_diff_eq!(told.area_mm2, 18.2 * 16.1, epsilon = 1e-6);
    // The cavity's facets in it, by their area, and none of the outer surface beyond it.
    let open = |f: &usize| w.in_opening[*f];
    let side = |outer: bool| {
        let level = (0..mesh.facets().len()).filter(open).filter(|f| {
            let inner = mesh.facets()[*f]
                .iter()
                .all(|&p| w.surface[p as usize] == Surface::Inner);
            inner != outer
        });
        level.map(|f| mesh.area_vector(f).norm() / 2.0).sum::<f64>()
    };
    assert_abs_diff_eq!(side(false), told.area_mm2, epsilon = 1e-6);
    assert!(side(true) > 0.8 * told.area_mm2 && side(true) <= told.area_mm2 + 1e-6);
    assert!(w.trapped.is_empty(), "it is open");
    assert!(w.cautions.is_empty(), "{:?}", w.cautions);

    let planes = [0, 1, 2].map(|k| [0.0, lo[k], hi[k], SIDES[k][1]]);
    let mut planes: [Vec<f64>; 3] = planes.map(Vec::from);
    planes[2].pop();
    let one = blocks([&planes[0], &planes[1], &planes[2]], 0.5, |p| {
        (0..3).any(|k| p[k] < lo[k] || p[k] > hi[k])
    });
    assert_abs_diff_eq!(least(&w), least(&measure(&one)), epsilon = 1e-6);
    // What was measured is the sides and the bottom, and the rim is an edge.
    let lid = |p: usize| (mesh.points()[p] - told.point).norm() < 5.0;
    assert!((0..mesh.points().len()).filter(|&p| lid(p)).count() > 100);
    for p in (0..mesh.points().len()).filter(|&p| lid(p)) {
        assert_eq!(w.reading[p], Reading::NotMeasured);
    }
}

/// A lid that lies deeper than the two could by chance is a wall.
#[test]
fn a_skin_of_0_05_is_a_wall() {
    let (_, w) = pair(&block(), &room([0.8, 0.9, 1.1], [19.0, 17.0, 13.95]));
    assert!(w.opening.is_none());
    assert_abs_diff_eq!(least(&w), 0.05, epsilon = 1e-3);
    assert_eq!(w.trapped.len(), 1);
}

/// A second flat face in common with the outer surface is a wall of 0: an opening has one plane.
#[test]
fn a_second_flat_face_in_common_is_a_wall_of_0() {
    // One that meets the lid in an edge: the two together are no plane, and neither is an opening.
    let (_, w) = pair(&block(), &room([0.8, 0.9, 1.1], [20.0, 17.0, 14.0]));
    assert!(w.opening.is_none());
    assert!(least(&w) < 1e-3, "{}", least(&w));
    // A foot that stands on the bottom: the larger face is the opening, the other is not.
    let [x, y, z] = [
        [0.8, 4.0, 9.0, 19.0],
        [0.9, 4.0, 9.0, 17.0],
        [0.0, 1.1, 7.0, 14.0],
    ];
    let within = |v: f64| (4.0..9.0).contains(&v);
    let footed = blocks([&x, &y, &z], 0.43, |p| {
        p[2] > 1.1 || (within(p[0]) && within(p[1]))
    });
    let (mesh, w) = pair(&block(), &footed);
    let told = w.opening.as_ref().expect("an opening");
    assert_abs_diff_eq!(told.area_mm2, 18.2 * 16.1, epsilon = 1e-6);
    assert!(least(&w) < 1e-3, "{}", least(&w));
    let thin: f64 = w.thin_spots(&mesh, 0.6).iter().map(|s| s.area_mm2).sum();
    assert!((15.0..30.0).contains(&thin), "{thin}");
}

/// A flat touch no larger than a bore is no faceplate's opening.
#[test]
fn a_small_flat_touch_is_a_wall_of_0() {
    let low = room([5.0, 5.0, 2.0], [8.0, 8.0, 14.0]);
    let (_, w) = pair(&block(), &low);
    assert!(w.opening.is_none());
    assert!(least(&w) < 1e-3, "{}", least(&w));
}

/// A room that sticks out of a flat side by 2: nothing of it lies near the side but where it comes through,
/// and squarely at that.
#[test]
fn a_room_that_sticks_out_of_a_side_reads_0() {
    let [x, y, z] = [[0.8, 15.0, 22.0], [0.9, 6.0, 17.0], [1.1, 7.0, 14.0]];
    let out = blocks([&x, &y, &z], 0.43, |p| {
        p[0] < 15.0 || (p[1] < 6.0 && p[2] < 7.0)
    });
    let (mesh, w) = pair(&block(), &out);
    assert!(w.opening.is_some());
    assert_eq!(least(&w), 0.0);
    let thin: f64 = w.thin_spots(&mesh, 0.6).iter().map(|s| s.area_mm2).sum();
    // Round about the hole of 5.1 by 5.9, facets of 0.5.
    assert!((5.0..25.0).contains(&thin), "{thin}");
}

/// The bell of the lands' tests as two files: its leaning rim is an edge here too, and a wall thinned by
/// 0.2 beside it is found.
#[test]
fn the_land_beside_an_opening_is_an_edge() {
    let lean = 35.0_f64.to_radians();
    for thin_mm in [0.0, 0.2] {
        let (outer, cavity) = bell_apart(thin_mm);
        let (_, w) = pair(&outer, &cavity);
        assert_abs_diff_eq!(least(&w), lean.cos() - thin_mm, epsilon = 0.02);
        let one = measure(&bell(thin_mm));
        assert_abs_diff_eq!(least(&w), least(&one), epsilon = 0.005);
        let told = w.opening.as_ref().expect("an opening");
        assert_abs_diff_eq!(told.area_mm2, PI * 25.0, epsilon = 0.1);
    }
}

/// Outer surface and cavity of [`bell`], each closed by a lid.
fn bell_apart(thin_mm: f64) -> (Mesh, Mesh) {
    let lean = 35.0_f64.to_radians().tan();
    let mut outer = vec![[0.0, -9.0]];
    outer.extend([[6.0 + 7.5 * lean, -9.0], [6.0 + 7.5 * lean, -7.5]]);
    outer.extend([[6.0, 0.0], [0.0, 0.0]]);
    let by = thin_mm / 35.0_f64.to_radians().cos();
    let inside = |depth: f64, by: f64| [5.0 + depth * lean + by, -depth];
    let mut cavity = vec![[0.0, -7.5], inside(7.5, 0.0)];
    if thin_mm > 0.0 {
        cavity.extend([inside(2.6, 0.0), inside(2.2, by), inside(1.0, by)]);
        cavity.push(inside(0.6, 0.0));
    }
    cavity.extend([inside(0.0, 0.0), [0.0, 0.0]]);
    (turned(&outer, 0.2), turned(&cavity, 0.23))
}

/// Half a ball with its flat face up.
fn bowl(r: f64, step: f64) -> Mesh {
    let mut profile: Vec<[f64; 2]> = (0..=90)
        .map(|k| f64::from(k).to_radians())
        .map(|t| [r * t.sin(), -r * t.cos()])
        .collect();
    profile[90][1] = 0.0;
    profile.push([0.0, 0.0]);
    turned(&profile, step)
}

/// Half a ball of 10 hollowed by one of 9 that is set off by `off` along x: the wall at the rim is
/// 1 − off.
fn bowls(off: f64) -> (Mesh, Wall) {
    let cavity = bowl(9.0, 0.23).mapped(|p| p + Vector::new(off, 0.0, 0.0));
    pair(&bowl(10.0, 0.2), &cavity.expect("finite"))
}

#[test]
fn a_bowl_reads_the_wall_it_has() {
    for (off, lean) in [(0.0, 0.01), (0.3, 0.03)] {
        let (_, w) = bowls(off);
        assert_abs_diff_eq!(least(&w), 1.0 - off, epsilon = lean);
        let told = w.opening.as_ref().expect("an opening");
        assert_abs_diff_eq!(told.area_mm2, PI * 81.0, epsilon = 0.1);
    }
}

/// Set off by 1.0 it touches the side, and by 1.3 it breaks through.
#[test]
fn a_cavity_that_breaks_through_at_the_rim_reads_0() {
    for off in [1.0, 1.3] {
        let (_, w) = bowls(off);
        assert!(least(&w) < 0.02, "{off}: {}", least(&w));
    }
}

/// The bowl's cavity with a bulge of `by` about the place half way down its side that looks along x.
fn bulging(by: f64) -> Mesh {
    let about = Point::new(
        9.0 * 45.0_f64.to_radians().sin(),
        0.0,
        -9.0 * 0.5_f64.sqrt(),
    );
    let bulged = |p: &Point| {
        let d = (p - about).norm_squared();
        let out = p.coords.try_normalize(1e-9).unwrap_or_else(Vector::zeros);
        p + out * by * (-d / 2.0).exp()
    };
    bowl(9.0, 0.23).mapped(bulged).expect("finite")
}

/// The lid is an opening, and the hole in the round side is found all the same.
#[test]
fn a_cavity_that_breaks_through_a_round_side_reads_0_there() {
    let outer = bowl(10.0, 0.2);
    let (_, sound) = pair(&outer, &bulging(0.4));
    assert_abs_diff_eq!(least(&sound), 0.6, epsilon = 0.02);
    for by in [1.0, 1.3] {
        let (mesh, w) = pair(&outer, &bulging(by));
        let told = w.opening.as_ref().expect("an opening");
        assert_abs_diff_eq!(told.area_mm2, PI * 81.0, epsilon = 0.1);
        assert!(least(&w) < 0.02, "{by}: {}", least(&w));
        let at = w.least.as_ref().expect("a wall").point;
        assert!((at - told.point).norm() > 6.0, "{at}");
        let spots = w.thin_spots(&mesh, 0.6);
        assert!(spots.iter().map(|s| s.area_mm2).sum::<f64>() > 1.0);
    }
}

/// A cavity whose round side is the outer surface itself over an area: no opening, but a wall of 0.
#[test]
fn a_round_side_in_common_is_a_wall_of_0() {
    let outer = bowl(10.0, 0.2);
    let onto = |p: &Point| {
        let side = p.x > 4.0 && p.z < -3.0 && p.y.abs() < 3.0 && p.coords.norm() > 8.9;
        if side {
            Point::from(p.coords * (10.0 / 9.0))
        } else {
            *p
        }
    };
    // Facets of 0.3 stand 0.001 off a ball of 10, so the two are one over the area.
    let cavity = bowl(9.0, 0.18).mapped(onto).expect("finite");
    let (_, w) = pair(&outer, &cavity);
    assert_abs_diff_eq!(
        w.opening.as_ref().expect("the lid").area_mm2,
        PI * 81.0,
        epsilon = 0.1
    );
    assert!(least(&w) < 0.02, "{}", least(&w));
    assert!(!w.cautions.contains(&Caution::NoInner));
}

/// The same in the axes' own pose, where the two are level to the last bit: no edge there either.
#[test]
fn surfaces_that_are_the_same_to_the_bit_are_a_wall_of_0() {
    let [x, y, z] = [
        [0.8, 4.0, 9.0, 19.0],
        [0.9, 4.0, 9.0, 17.0],
        [0.0, 1.1, 7.0, 14.0],
    ];
    let within = |v: f64| (4.0..9.0).contains(&v);
    let footed = blocks([&x, &y, &z], 0.5, |p| {
        p[2] > 1.1 || (within(p[0]) && within(p[1]))
    });
    let (mesh, from) = joined(&block(), &footed);
    let options = WallOptions {
        inner_from_facet: Some(from),
        ..WallOptions::default()
    };
    let w = measure_with(&mesh, &options);
    assert_eq!(least(&w), 0.0);
    let thin: f64 = w.thin_spots(&mesh, 0.6).iter().map(|s| s.area_mm2).sum();
    assert!((20.0..30.0).contains(&thin), "{thin}");
}

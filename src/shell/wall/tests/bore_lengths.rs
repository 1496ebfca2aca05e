//! How long a bore is: the way from the middle of one mouth to the middle of the other.

use approx::assert_abs_diff_eq;

use crate::mesh::{Mesh, Point, Topology, Vector};
use crate::shell::wall::mouths::Tube;
use crate::shell::wall::opening::Opened;
use crate::shell::wall::orient::orient;
use crate::shell::wall::seat::{Seats, facet_normals};
use crate::shell::wall::shapes::{bored, measure, noisy};

/// A plate of radius 6 with a round bore of 1.5 through its middle, askew by `tilt_deg`.
fn plate(thick_mm: f64, tilt_deg: f64) -> Mesh {
    let t = tilt_deg.to_radians();
    let (axis, across) = (
        Vector::new(t.sin(), 0.0, t.cos()),
        Vector::new(t.cos(), 0.0, -t.sin()),
    );
    let upright = bored(6.0, 0.75, 0.0, thick_mm, 0.25);
    // Every point of the upright bore goes along its own line of the tilted one, to the same height.
    let tilted = |p: &Point| {
        if p.x.hypot(p.y) > 0.75 + 1e-9 {
            return *p;
        }
        let foot = p.x * across + p.y * Vector::y() + Vector::z() * (thick_mm / 2.0);
        Point::from(foot + axis * ((p.z - foot.z) / axis.z))
    };
    upright.mapped(tilted).expect("finite")
}

#[test]
fn a_bore_through_a_plate_is_as_long_as_its_middle_line() {
    for thick_mm in [3.0, 4.0] {
        for tilt_deg in [0.0, 30.0_f64] {
            let truth = thick_mm / tilt_deg.to_radians().cos();
            let mesh = plate(thick_mm, tilt_deg);
            let turn = nalgebra::Rotation3::from_euler_angles(0.4, -1.1, 2.3);
            let posed = mesh.mapped(|p| turn * p + Vector::new(11.0, -40.0, 23.0));
            let w = measure(&posed.expect("finite"));
            assert_eq!(w.bores.len(), 1, "{thick_mm} {tilt_deg}");
            let bore = &w.bores[0];
            assert!(bore.round);
            println!("{thick_mm} {tilt_deg}: {} for {truth}", bore.length_mm);
            assert_abs_diff_eq!(bore.length_mm, truth, epsilon = 0.02);
            assert_abs_diff_eq!((bore.to - bore.from).norm(), bore.length_mm, epsilon = 1e-9);
            // Both ends lie in the plate's faces.
            let ends = [bore.from, bore.to]
                .map(|p| (turn.inverse() * (p - Vector::new(11.0, -40.0, 23.0))).z);
            let (lower, upper) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
            assert_abs_diff_eq!(lower, 0.0, epsilon = 0.02);
            assert_abs_diff_eq!(upper, thick_mm, epsilon = 0.02);
        }
    }
}

/// The mouths alone, of plates so thin that the bore sees too much sky to be an inside.
#[test]
fn mouths_of_a_short_bore_are_told() {
    for thick_mm in [0.6, 0.9, 2.0] {
        for tilt_deg in [0.0, 30.0_f64] {
            let mesh = plate(thick_mm, tilt_deg);
            let topology = Topology::new(&mesh);
            let oriented = orient(&mesh, &topology, None, &Opened::default());
            let normals = facet_normals(&mesh, &topology, &oriented.turned);
            let seats = Seats::new(&mesh, &topology, &normals, 40.0);
            let t = tilt_deg.to_radians();
            let tube = Tube {
                centre: Point::new(0.0, 0.0, thick_mm / 2.0),
                axis: Vector::new(t.sin(), 0.0, t.cos()),
                radius: 0.75,
            };
            let off = |p: &Point| (p - tube.centre).cross(&tube.axis).norm();
            let inward = |p: &Point| p.z > 0.1 && p.z < thick_mm - 0.1 && off(p) < 0.76;
            let members: Vec<usize> = (0..mesh.points().len())
                .filter(|&p| inward(&mesh.points()[p]))
                .collect();
            let told = tube.mouths(&mesh, &topology, &normals, &seats, &members);
            let (lo, hi) = told.expect("two mouths");
            let half = thick_mm / t.cos() / 2.0;
            assert_abs_diff_eq!(lo, -half, epsilon = 1e-3);
            assert_abs_diff_eq!(hi, half, epsilon = 1e-3);
        }
    }
}

#[test]
fn noise_does_not_shorten_a_bore() {
    for tilt_deg in [0.0, 30.0_f64] {
        let w = measure(&noisy(&plate(3.0, tilt_deg), 0.01));
        assert_eq!(w.bores.len(), 1, "{tilt_deg}");
        let truth = 3.0 / tilt_deg.to_radians().cos();
        assert_abs_diff_eq!(w.bores[0].length_mm, truth, epsilon = 0.1);
    }
}

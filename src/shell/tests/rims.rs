//! Rims of solids whose angle is known in closed form.

use std::f64::consts::TAU;

use crate::mesh::{Mesh, Point, Vector};
use crate::shell::{Plane, Rim};

/// A solid that the plane z = 0 closes: its side goes down from there along straight lines to 3 mm below.
/// `line` gives the top of each, by azimuth, and its way down for each mm.
fn solid(sides: usize, line: impl Fn(f64) -> (Point, Vector)) -> Mesh {
    let rows = sides / 10;
    let mut points = Vec::new();
    for j in 0..=rows {
        for k in 0..sides {
            // Every other row is turned, so that facets are no quads along the lines.
            let turn = if j % 2 == 1 && j < rows { 0.5 } else { 0.0 };
            let (top, down) = line((k as f64 + turn) / sides as f64 * TAU);
            points.push(top + down * (3.0 * j as f64 / rows as f64));
        }
    }
    let n = sides as u32;
    let mut facets = Vec::new();
    for j in 0..rows as u32 {
        for k in 0..n {
            let (a, b) = (j * n + k, j * n + (k + 1) % n);
            let (c, d) = (a + n, b + n);
            if j % 2 == 0 {
                facets.extend([[a, c, b], [b, c, d]]);
            } else {
                facets.extend([[a, c, d], [a, d, b]]);
            }
        }
    }
    let (top, bottom) = (points.len() as u32, points.len() as u32 + 1);
    points.push(Point::origin());
    points.push(Point::new(0.0, 0.0, -3.0));
    let last = rows as u32 * n;
    for k in 0..n {
        let next = (k + 1) % n;
        facets.push([k, next, top]);
        facets.push([last + next, last + k, bottom]);
    }
    Mesh::new(points, facets).expect("corners in range")
}

fn level() -> Plane {
    Plane {
        point: Point::origin(),
        outward: Vector::z(),
    }
}

/// A cone of radius 8 in the plane, whose side leans so much to the axis; 0 is upright.
fn cone(sides: usize, lean_deg: f64) -> Mesh {
    solid(sides, |at| {
        let (sin, cos) = at.sin_cos();
        let in_by = lean_deg.to_radians().tan();
        let down = Vector::new(-cos * in_by, -sin * in_by, -1.0);
        (Point::new(8.0 * cos, 8.0 * sin, 0.0), down)
    })
}

/// All of it turned: figures do not change.
fn turned(mesh: &Mesh, plate: &Plane) -> (Mesh, Plane) {
    let turn = nalgebra::Rotation3::from_euler_angles(0.7, -1.1, 2.3);
    let by = Vector::new(31.0, -17.0, 8.0);
    let moved = mesh.mapped(|p| turn * p + by).expect("finite");
    let plate = Plane {
        point: turn * plate.point + by,
        outward: turn * plate.outward,
    };
    (moved, plate)
}

#[test]
fn upright_sides_are_square_and_cones_as_sharp_as_they_lean() {
    for sides in [120, 240] {
        for lean in [-30.0_f64, 0.0, 15.0, 30.0, 45.0, 60.0] {
            let (mesh, plate) = (cone(sides, lean), level());
            let length = 16.0 * sides as f64 * (TAU / 2.0 / sides as f64).sin();
            for (mesh, plate) in [turned(&mesh, &plate), (mesh, plate)] {
                let rim = Rim::new(&mesh, &plate);
                assert!((rim.length_mm() - length).abs() < 1e-9, "{sides} {lean}");
                for s in &rim.stations {
                    // A facet's corner lies outside its middle: by 0.003 mm of 8 at 120 sides.
                    let off = (s.angle_deg - (90.0 - lean)).abs();
                    assert!(off < 0.6 * (120.0 / sides as f64), "{sides} {lean}: {s:?}");
                    assert!(off <= s.angle().plus_minus, "{s:?}");
                }
                let under = rim.under_mm(60.0);
                let all = if lean > 30.5 { length } else { 0.0 };
                if lean != 30.0 {
                    assert!((under - all).abs() < 1e-9, "{lean}: {under} of {all}");
                }
            }
        }
    }
}

/// A plane tilted by `t` across an upright cylinder meets it at acos(sin t cos φ): 90° ± t at the ends of
/// the tilt, 90° beside them. Built with the plane level and the cylinder leaning.
#[test]
fn a_tilted_plane_is_as_sharp_as_its_place_on_the_cylinder_says() {
    for (tilt, sides) in [(25.0_f64, 120), (25.0, 240), (40.0, 120), (40.0, 240)] {
        let (sin_t, cos_t) = tilt.to_radians().sin_cos();
        // Down the axis; the section in the plane is longer by 1 / cos t along x.
        let mesh = solid(sides, |at| {
            let (sin, cos) = at.sin_cos();
            let down = Vector::new(-sin_t / cos_t, 0.0, -1.0);
            (Point::new(8.0 * cos / cos_t, 8.0 * sin, 0.0), down)
        });
        let rim = Rim::new(&mesh, &level());
        for s in &rim.stations {
            let at = s.point.y.atan2(s.point.x * cos_t);
            // Outward normals of side and plane; the wedge is what is left of a half turn.
            let between = (-sin_t * at.cos()).acos().to_degrees();
            let want = 180.0 - between;
            // Outlines that curve: a shift of 0.4 mm along a radius of 6 is 0.013 mm aside.
            assert!(
                (s.angle_deg - want).abs() < 1.5,
                "{tilt} {sides}: {s:?} {want}"
            );
        }
        let least = rim.sharpest().expect("a border");
        let value = least.angle();
        assert!(
            (value.value - (90.0 - tilt)).abs() < value.plus_minus,
            "{value:?}"
        );
        assert!(least.point.x > 8.0 / cos_t - 0.3, "{:?}", least.point);
    }
}

/// A lip thinner than the stretch that is looked at is not overlooked, and nothing in the plane is no
/// answer.
#[test]
fn a_thin_lip_and_no_border_are_told() {
    // Upright from 0.1 mm below the plane, a feather of 6° over it: 0.1 mm thick, 1 mm wide.
    let mesh = solid(120, |at| {
        let (sin, cos) = at.sin_cos();
        (
            Point::new(8.0 * cos, 8.0 * sin, 0.0),
            Vector::new(0.0, 0.0, -1.0),
        )
    });
    let lip = |p: &Point| {
        let r = p.x.hypot(p.y);
        if r > 0.0 && p.z == 0.0 {
            Point::new(p.x * 9.0 / r, p.y * 9.0 / r, 0.0)
        } else if r > 0.0 && p.z > -0.3 {
            Point::new(p.x, p.y, -0.1)
        } else {
            *p
        }
    };
    let rim = Rim::new(&mesh.mapped(lip).expect("finite"), &level());
    let least = rim.sharpest().expect("a border").angle_deg;
    assert!(
        (least - 0.6_f64.atan2(1.0).to_degrees()).abs() < 1.0,
        "{least}"
    );

    let none = Rim::new(&cone(120, 0.0), &level().moved(1.0));
    assert!(none.sharpest().is_none() && none.under_mm(60.0) == 0.0);
}

//! The unit is said by the file, or by the user, or plainly a size of an ear; else it is unknown
//! and nothing is scaled.

use std::path::Path;

use secondbend::mesh::Mesh;
use secondbend::read::{ReadOptions, Scan, Trouble, Unit, UnitFrom, read_bytes};

use crate::{cuboid, noted};

/// The cuboid (37.4 mm from corner to corner) as OBJ with all lengths times `scale`.
fn scaled(scale: f64) -> Vec<u8> {
    let mesh = cuboid();
    let mut text = String::new();
    for p in mesh.points() {
        text += &format!("v {} {} {}\n", p.x * scale, p.y * scale, p.z * scale);
    }
    for [a, b, c] in mesh.facets() {
        text += &format!("f {} {} {}\n", a + 1, b + 1, c + 1);
    }
    text.into_bytes()
}

fn read(bytes: &[u8], unit: Option<Unit>) -> Scan {
    let opts = ReadOptions {
        unit,
        ..ReadOptions::default()
    };
    read_bytes(bytes, Path::new("a.obj"), &opts).unwrap()
}

fn volume(mesh: &Mesh) -> f64 {
    mesh.signed_volume_mm3()
}

#[test]
fn an_ear_in_mm_is_taken_as_mm_and_says_so() {
    let scan = read(&scaled(1.0), None);
    assert_eq!(
        (scan.unit, scan.unit_from),
        (Some(Unit::Mm), UnitFrom::PlausibleSize)
    );
    assert!((volume(&scan.mesh) - 6000.0).abs() < 1e-9);
    // A bare canal cast, about 21 mm.
    let scan = read(&scaled(0.56), None);
    assert_eq!(scan.unit_from, UnitFrom::PlausibleSize);
}

#[test]
fn any_other_size_is_unknown_and_left_as_it_stands() {
    for (unit, scale) in [
        (Unit::Cm, 0.1),
        (Unit::Inch, 1.0 / 25.4),
        (Unit::M, 0.001),
        (Unit::Um, 1000.0),
    ] {
        let scan = read(&scaled(scale), None);
        assert_eq!((scan.unit, &scan.unit_from), (None, &UnitFrom::Unknown));
        assert_eq!(scan.plausible_units, [unit]);
        assert!((volume(&scan.mesh) / (6000.0 * scale.powi(3)) - 1.0).abs() < 1e-9);
        assert_eq!(scan.weld.tolerance_mm, 0.0, "no tolerance in mm without mm");
        // Told, it comes out right.
        let scan = read(&scaled(scale), Some(unit));
        assert_eq!(
            (scan.unit, &scan.unit_from),
            (Some(unit), &UnitFrom::Option)
        );
        assert!((volume(&scan.mesh) / 6000.0 - 1.0).abs() < 1e-9);
        assert!(scan.notes.is_empty());
    }
    let scan = read(&scaled(10.0), None);
    assert_eq!(scan.unit, None);
    assert!(scan.plausible_units.is_empty());
}

#[test]
fn a_told_unit_is_used_even_if_the_size_is_odd() {
    let scan = read(&scaled(1.0), Some(Unit::Inch));
    assert_eq!(scan.unit, Some(Unit::Inch));
    assert!((volume(&scan.mesh) / (6000.0 * 25.4f64.powi(3)) - 1.0).abs() < 1e-9);
    noted(&scan, "950.381 mm across");
}

#[test]
fn weld_tolerances_outside_their_range_are_refused() {
    for weld_tolerance_mm in [-1e-9, 0.0011, f64::NAN, f64::INFINITY] {
        let opts = ReadOptions {
            weld_tolerance_mm,
            ..ReadOptions::default()
        };
        let error = read_bytes(&scaled(1.0), Path::new("a.obj"), &opts).unwrap_err();
        assert_eq!(error.trouble, Trouble::BadOption);
    }
    let opts = ReadOptions {
        weld_tolerance_mm: 0.0,
        ..ReadOptions::default()
    };
    assert!(read_bytes(&scaled(1.0), Path::new("a.obj"), &opts).is_ok());
}

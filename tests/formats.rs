//! Every format, well-formed and hostile, from the outside: a file ends in a right reading or in
//! a clear error, and what is written is read back as it was.

#[path = "formats/files.rs"]
mod files;
#[path = "formats/judges.rs"]
mod judges;
#[path = "formats/mutations.rs"]
mod mutations;
#[path = "formats/others.rs"]
mod others;
#[path = "formats/ply.rs"]
mod ply;
#[path = "formats/shared.rs"]
mod shared;
#[path = "formats/stl.rs"]
mod stl;
#[path = "formats/threemf.rs"]
mod threemf;
#[path = "formats/units.rs"]
mod units;

use std::path::Path;

use secondbend::mesh::{Mesh, Point};
use secondbend::read::{ReadError, ReadOptions, Scan, Trouble, Unit, read_bytes};

/// Reads bytes under a name, in millimetres as told.
pub fn read(name: &str, bytes: &[u8]) -> Result<Scan, ReadError> {
    let opts = ReadOptions {
        unit: Some(Unit::Mm),
        ..ReadOptions::default()
    };
    read_bytes(bytes, Path::new(name), &opts)
}

/// Asserts the kind of trouble, that the message says `says`, and that it can be printed.
pub fn refused(name: &str, bytes: &[u8], trouble: Trouble, says: &str) {
    let error = match read(name, bytes) {
        Err(error) => error,
        Ok(scan) => panic!("{name}: read {} facets", scan.mesh.facets().len()),
    };
    let message = error.to_string();
    assert_eq!(error.trouble, trouble, "{message}");
    assert!(message.contains(says), "{message}");
    assert!(message.starts_with(name), "{message}");
    assert!(!message.contains(char::is_control), "{message:?}");
    assert!(error.help().len() > 10);
}

/// Asserts that one of the notes says `says`.
pub fn noted(scan: &Scan, says: &str) {
    let found = scan.notes.iter().any(|n| n.contains(says));
    assert!(found, "no \"{says}\" in {:?}", scan.notes);
}

/// A box of 30 × 20 × 10 with its corner at the origin: 8 points, 12 facets, 6000 mm³.
pub fn cuboid() -> Mesh {
    let points = (0..8u8)
        .map(|i| {
            let far = |bit: u8, side: f64| f64::from(i >> bit & 1) * side;
            Point::new(far(0, 30.0), far(1, 20.0), far(2, 10.0))
        })
        .collect();
    let facets = vec![
        [0, 2, 3],
        [0, 3, 1],
        [4, 5, 7],
        [4, 7, 6],
        [0, 1, 5],
        [0, 5, 4],
        [2, 6, 7],
        [2, 7, 3],
        [0, 4, 6],
        [0, 6, 2],
        [1, 3, 7],
        [1, 7, 5],
    ];
    Mesh::new(points, facets).unwrap()
}

/// The cuboid as binary STL.
pub fn binary() -> Vec<u8> {
    let mesh = cuboid();
    let mut bytes = vec![0; 80];
    bytes.extend(12u32.to_le_bytes());
    for f in 0..12 {
        bytes.extend([0; 12]);
        for c in mesh.corners(f).iter().flat_map(|p| p.iter()) {
            bytes.extend((*c as f32).to_le_bytes());
        }
        bytes.extend([0; 2]);
    }
    bytes
}

/// The cuboid as text STL.
pub fn text() -> String {
    let mesh = cuboid();
    let mut text = String::from("solid box\n");
    for f in 0..12 {
        text += "facet normal 0 0 0\n  outer loop\n";
        for p in mesh.corners(f) {
            text += &format!("    vertex {:e} {:e} {:e}\n", p.x, p.y, p.z);
        }
        text += "  endloop\nendfacet\n";
    }
    text + "endsolid box\n"
}

/// Asserts that this is the cuboid, whatever the order of its points.
pub fn is_cuboid(scan: &Scan) {
    assert_eq!(scan.mesh.facets().len(), 12);
    assert_eq!(scan.mesh.points().len(), 8);
    assert!((scan.mesh.signed_volume_mm3() - 6000.0).abs() < 1e-9);
}

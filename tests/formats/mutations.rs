//! No bytes may make a reader panic, hang or ask for memory that a header promised: random bytes
//! behind every opening, and valid files with bytes changed, cut, doubled and moved.

use std::path::Path;

use proptest::prelude::*;
use secondbend::read::{ReadOptions, Unit, read_bytes};

use crate::{binary, cuboid, text};

/// One valid file of each kind.
fn valid() -> Vec<(&'static str, Vec<u8>)> {
    let folder = tempfile::tempdir().unwrap();
    let (mesh, figures) = (cuboid(), [0.5; 8]);
    let path = folder.path().join("a");
    secondbend::write::ply(&path, &mesh, &[("q", &figures)]).unwrap();
    let ply = std::fs::read(&path).unwrap();
    let big = String::from_utf8_lossy(&ply)
        .replace("little", "big")
        .into_bytes();
    secondbend::write::threemf(&path, &[("a", &mesh)]).unwrap();
    let threemf = std::fs::read(&path).unwrap();
    let points: String = mesh
        .points()
        .iter()
        .map(|p| format!("{} {} {}\n", p.x, p.y, p.z))
        .collect();
    let faces: String = mesh
        .facets()
        .iter()
        .map(|[a, b, c]| format!("3 {a} {b} {c}\n"))
        .collect();
    let off = format!("OFF\n8 12 0\n{points}{faces}");
    let head = "ply\nformat ascii 1.0\nelement vertex 8\nproperty float x\nproperty float y\n\
                property float z\nelement face 12\nproperty list uchar int vertex_indices\nend_header\n";
    let obj: String = points
        .lines()
        .map(|l| format!("v {l}\n"))
        .chain(
            mesh.facets()
                .iter()
                .map(|[a, b, c]| format!("f {} {} {} 1\n", a + 1, b + 1, c + 1)),
        )
        .collect();
    vec![
        ("a.stl", binary()),
        ("a.stl", text().into()),
        ("a.ply", ply),
        ("a.ply", big),
        ("a.ply", format!("{head}{points}{faces}").into()),
        ("a.off", off.into()),
        ("a.obj", obj.into()),
        ("a.3mf", threemf),
    ]
}

fn survives(name: &str, bytes: &[u8]) {
    for unit in [None, Some(Unit::Mm)] {
        let opts = ReadOptions {
            unit,
            ..ReadOptions::default()
        };
        match read_bytes(bytes, Path::new(name), &opts) {
            Ok(scan) => {
                assert!(!scan.mesh.facets().is_empty());
                assert!(
                    scan.mesh
                        .points()
                        .iter()
                        .flat_map(|p| p.iter())
                        .all(|c| c.is_finite())
                );
                assert!(scan.weld.before >= scan.weld.after_exact);
                assert!(scan.weld.after_exact >= scan.weld.after);
            }
            Err(error) => assert!(!error.to_string().contains(char::is_control)),
        }
    }
}

#[derive(Debug, Clone)]
enum Change {
    Set(prop::sample::Index, u8),
    Cut(prop::sample::Index),
    Insert(prop::sample::Index, Vec<u8>),
    Remove(prop::sample::Index, usize),
    Double(prop::sample::Index, usize),
}

fn change() -> impl Strategy<Value = Change> {
    let at = any::<prop::sample::Index>;
    let spice = prop_oneof![
        prop::collection::vec(any::<u8>(), 1..9),
        prop::sample::select(vec![
            "-1",
            "4294967295",
            "1e999",
            "nan",
            ",",
            "\r",
            "\n",
            "\0",
            "\\\n",
            "solid ",
            "facet normal ",
            "<!DOCTYPE a>",
            "/",
            "99999999999999999999"
        ])
        .prop_map(|s| s.as_bytes().to_vec()),
    ];
    prop_oneof![
        4 => (at(), any::<u8>()).prop_map(|(i, b)| Change::Set(i, b)),
        1 => at().prop_map(Change::Cut),
        2 => (at(), spice).prop_map(|(i, v)| Change::Insert(i, v)),
        1 => (at(), 1..200usize).prop_map(|(i, n)| Change::Remove(i, n)),
        1 => (at(), 1..200usize).prop_map(|(i, n)| Change::Double(i, n)),
    ]
}

fn apply(bytes: &mut Vec<u8>, change: &Change) {
    if bytes.is_empty() {
        return;
    }
    let span = |i: &prop::sample::Index, n: usize, len: usize| {
        let from = i.index(len);
        from..(from + n).min(len)
    };
    match change {
        Change::Set(i, b) => {
            let at = i.index(bytes.len());
            bytes[at] = *b;
        }
        Change::Cut(i) => bytes.truncate(i.index(bytes.len())),
        Change::Insert(i, v) => {
            let at = i.index(bytes.len());
            bytes.splice(at..at, v.iter().copied());
        }
        Change::Remove(i, n) => {
            bytes.drain(span(i, *n, bytes.len()));
        }
        Change::Double(i, n) => {
            let span = span(i, *n, bytes.len());
            let part = bytes[span.clone()].to_vec();
            bytes.splice(span.start..span.start, part);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn changed_files_do_not_panic(which in 0..8usize, changes in prop::collection::vec(change(), 1..6)) {
        thread_local!(static FILES: Vec<(&'static str, Vec<u8>)> = valid());
        let (name, mut bytes) = FILES.with(|f| f[which].clone());
        changes.iter().for_each(|c| apply(&mut bytes, c));
        survives(name, &bytes);
    }

    #[test]
    fn random_bytes_do_not_panic(
        opening in prop::sample::select(vec!["", "solid \n", "solid facet normal 0 0 0 outer loop vertex ", "ply\nformat binary_big_endian 1.0\nelement face 3\nproperty list int int vertex_index\nelement vertex 3\nproperty char x\nproperty char y\nproperty char z\nend_header\n", "ply\nformat ascii 1.0\n", "OFF\n", "OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n", "v 0 0 0\nv 1 0 0\nv 1 1 0\nf ", "PK\x03\x04", "\u{feff}"]),
        name in prop::sample::select(vec!["a.stl", "a.obj", "a.off", "a"]),
        bytes in prop::collection::vec(any::<u8>(), 0..400),
    ) {
        survives(name, &[opening.as_bytes(), &bytes].concat());
    }
}

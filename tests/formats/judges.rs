//! Other libraries judge: what is written here they read the same, and what they write, or read
//! of their own, agrees with our readers. Round trips through all three writers.

use std::fs;
use std::io::Cursor;
use std::path::Path;

use secondbend::mesh::Mesh;
use secondbend::read::{Format, ReadOptions, UnitFrom, read_bytes, read_file};
use secondbend::write::{WriteError, ply, refuse_inputs, stl, threemf, whole_file};

use crate::{cuboid, is_cuboid};

/// A bent, lumpy closed sheet with coordinates that need all their digits.
fn lump() -> Mesh {
    let mesh = cuboid();
    let wobble = |p: &secondbend::mesh::Point| {
        let t = 0.01 * (p.x * 1.7 + p.y * 0.3 - p.z).sin();
        p + secondbend::mesh::Vector::new(t, t / 3.0, -t / 7.0)
    };
    mesh.mapped(wobble).unwrap()
}

fn in_folder(run: impl FnOnce(&Path)) {
    let folder = tempfile::tempdir().unwrap();
    run(folder.path());
}

#[test]
fn stl_round_trip_and_stl_io_agrees() {
    in_folder(|folder| {
        let path = folder.join("lump.stl");
        stl(&path, &lump()).unwrap();
        let scan = read_file(&path, &ReadOptions::default()).unwrap();
        assert_eq!((scan.format, scan.bytes), (Format::StlBinary, 684));
        assert_eq!(scan.mesh.facets().len(), 12);
        for f in 0..12 {
            let (got, want) = (scan.mesh.corners(f), lump().corners(f));
            for (g, w) in got.iter().zip(&want) {
                // Half a step of 32 bits at 32: rounding, and no more.
                assert!((g - w).amax() <= 32.0 * f64::from(f32::EPSILON) / 2.0);
            }
        }
        let theirs = stl_io::read_stl(&mut fs::File::open(&path).unwrap()).unwrap();
        assert_eq!((theirs.faces.len(), theirs.vertices.len()), (12, 8));
        for (f, face) in theirs.faces.iter().enumerate() {
            let n = lump().normal(f).unwrap();
            assert!((0..3).all(|i| (f64::from(face.normal[i]) - n[i]).abs() < 1e-6));
        }
    });
}

#[test]
fn ply_round_trip_is_exact_and_keeps_the_order() {
    in_folder(|folder| {
        let path = folder.join("lump.ply");
        let mesh = lump();
        let depth: Vec<f64> = (0..8).map(f64::from).collect();
        ply(&path, &mesh, &[("depth_mm", &depth), ("wall_mm", &depth)]).unwrap();
        let scan = read_file(&path, &ReadOptions::default()).unwrap();
        assert_eq!(scan.format, Format::PlyLittleEndian);
        assert_eq!(scan.mesh, mesh);
        // The figures, by the other library's own element type.
        let mut file = fs::File::open(&path).unwrap();
        let parser = ply_rs_bw::parser::Parser::<ply_rs_bw::ply::DefaultElement>::new();
        let theirs = parser.read_ply(&mut file).unwrap();
        for (i, vertex) in theirs.payload["vertex"].iter().enumerate() {
            let want = ply_rs_bw::ply::Property::Float(i as f32);
            assert_eq!((&vertex["depth_mm"], &vertex["wall_mm"]), (&want, &want));
        }
    });
}

#[test]
fn threemf_round_trip_is_exact_and_the_same_twice() {
    in_folder(|folder| {
        let (one, two) = (folder.join("one.3mf"), folder.join("two.3mf"));
        let mesh = lump();
        threemf(&one, &[("left \"ear\" <&>\n耳", &mesh)]).unwrap();
        threemf(&two, &[("left \"ear\" <&>\n耳", &mesh)]).unwrap();
        assert_eq!(fs::read(&one).unwrap(), fs::read(&two).unwrap());
        let scan = read_file(&one, &ReadOptions::default()).unwrap();
        assert_eq!(
            (scan.format, &scan.unit_from),
            (Format::ThreeMf, &UnitFrom::File)
        );
        assert_eq!(scan.mesh, mesh);
        threemf(&two, &[("a", &mesh), ("b", &mesh)]).unwrap();
        let scan = read_file(&two, &ReadOptions::default()).unwrap();
        assert_eq!(
            (scan.mesh.facets().len(), scan.mesh.points().len()),
            (24, 8)
        );
        // The other library on its own file.
        let bytes = Cursor::new(fs::read(&one).unwrap());
        let theirs =
            threemf2::package::ThreemfPackage::from_reader_with_memory_optimized_deserializer(
                bytes, true,
            )
            .unwrap();
        let meshes: Vec<_> = threemf2::package::query::get_mesh_objects(&theirs).collect();
        assert_eq!(meshes.len(), 1);
        assert_eq!(
            (
                meshes[0].view.vertex_count(),
                meshes[0].view.triangle_count()
            ),
            (8, 12)
        );
        assert_eq!(meshes[0].view.name().unwrap(), "left \"ear\" <&>_耳");
    });
}

/// Facets of every OBJ that `tobj` can read, by our reader and by it: same number, same area.
#[test]
fn tobj_agrees_where_it_can_read() {
    let ours = |text: &str| {
        read_bytes(text.as_bytes(), Path::new("a.obj"), &ReadOptions::default()).unwrap()
    };
    let theirs = |text: &str| {
        let load = tobj::LoadOptions {
            triangulate: true,
            ignore_lines: true,
            ignore_points: true,
            ..Default::default()
        };
        let none = |_: &Path| Err(tobj::LoadError::OpenFileFailed);
        let (models, _) = tobj::load_obj_buf(&mut Cursor::new(text), &load, none).unwrap();
        let mut area = 0.0;
        let mut facets = 0;
        for m in models {
            let at = |i: u32| {
                let p = &m.mesh.positions[3 * i as usize..];
                secondbend::mesh::Point::new(p[0].into(), p[1].into(), p[2].into())
            };
            for t in m.mesh.indices.chunks_exact(3) {
                let [a, b, c] = [at(t[0]), at(t[1]), at(t[2])];
                area += (b - a).cross(&(c - a)).norm() / 2.0;
                facets += 1;
            }
        }
        (facets, area)
    };
    let mesh = lump();
    let points: String = mesh
        .points()
        .iter()
        .map(|p| format!("v {} {} {}\n", p.x, p.y, p.z))
        .collect();
    let plain: String = mesh
        .facets()
        .iter()
        .map(|[a, b, c]| format!("f {} {} {}\n", a + 1, b + 1, c + 1))
        .collect();
    let back: String = mesh
        .facets()
        .iter()
        .map(|[a, b, c]| {
            format!(
                "g g{a}\nf {} {}//1 {}/1\n",
                i64::from(*a) - 8,
                i64::from(*b) - 8,
                i64::from(*c) - 8
            )
        })
        .collect();
    let back = format!("vn 0 0 1\nvt 0 0\n{points}{back}");
    let quads = format!("{points}f 1 3 4 2\nf 5 6 8 7\n");
    for text in [format!("{points}{plain}"), back, quads] {
        let scan = ours(&text);
        let (facets, area) = theirs(&text);
        assert_eq!(scan.mesh.facets().len(), facets);
        assert!((scan.mesh.area_mm2() / area - 1.0).abs() < 1e-5);
    }
}

#[test]
fn nothing_half_written_and_nothing_unfit() {
    in_folder(|folder| {
        let path = folder.join("a.ply");
        fs::write(&path, b"before").unwrap();
        let failed = whole_file(&path, |out| {
            out.write_all(&[0; 100_000])?;
            Err(std::io::Error::from(std::io::ErrorKind::StorageFull))
        });
        let error = failed.unwrap_err();
        assert!(error.to_string().contains("the disk is full"), "{error}");
        assert!(error.help().contains("nothing half-written"));
        assert_eq!(fs::read(&path).unwrap(), b"before");
        assert_eq!(fs::read_dir(folder).unwrap().count(), 1);

        let mesh = cuboid();
        let figures = |v: f64| vec![v; 8];
        for bad in [f64::NAN, f64::INFINITY, 1e300] {
            let error = ply(&path, &mesh, &[("a", &figures(bad))]).unwrap_err();
            assert!(matches!(error, WriteError::NotFinite { .. }), "{error}");
        }
        for name in ["", "x", "1a", "a b", "a\nproperty float q", "é"] {
            let error = ply(&path, &mesh, &[(name, &figures(0.0))]).unwrap_err();
            assert!(matches!(error, WriteError::Unfit { .. }), "{error}");
        }
        assert!(ply(&path, &mesh, &[("a", &[1.0])]).is_err());
        assert!(ply(&path, &mesh, &[("a", &figures(1.0)), ("a", &figures(1.0))]).is_err());
        let far = mesh.mapped(|p| p * 1e40).unwrap();
        assert!(matches!(
            stl(&path, &far).unwrap_err(),
            WriteError::NotFinite { .. }
        ));
        assert!(threemf(&path, &[]).is_err());
        assert!(threemf(&path, &[("a", &Mesh::default())]).is_err());
        assert_eq!(fs::read(&path).unwrap(), b"before");
        stl(&path, &mesh).unwrap();
        is_cuboid(&read_file(&path, &ReadOptions::default()).unwrap());
    });
}

#[test]
fn places_that_cannot_be_written() {
    in_folder(|folder| {
        let mesh = cuboid();
        assert!(matches!(
            stl(folder, &mesh).unwrap_err(),
            WriteError::IsFolder { .. }
        ));
        assert!(matches!(
            stl(Path::new(""), &mesh).unwrap_err(),
            WriteError::IsFolder { .. }
        ));
        let missing = stl(&folder.join("no/a.stl"), &mesh).unwrap_err();
        assert!(
            missing.to_string().contains("folder does not exist"),
            "{missing}"
        );
        let input = folder.join("in.stl");
        stl(&input, &mesh).unwrap();
        let again = folder.join(".").join("in.stl");
        assert!(matches!(
            refuse_inputs(&again, &[&input]).unwrap_err(),
            WriteError::IsInput { .. }
        ));
        assert!(refuse_inputs(&folder.join("out.stl"), &[&input]).is_ok());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            // A device is not replaced by a file; a file that is replaced keeps its rights.
            let device = stl(Path::new("/dev/null"), &mesh).unwrap_err();
            assert!(matches!(device, WriteError::NotAFile { .. }), "{device}");
            let plain = folder.join("plain.txt");
            fs::write(&plain, b"").unwrap();
            let mode = |p: &Path| fs::metadata(p).unwrap().permissions().mode() & 0o777;
            assert_eq!(mode(&input), mode(&plain));
            fs::set_permissions(&input, fs::Permissions::from_mode(0o640)).unwrap();
            stl(&input, &mesh).unwrap();
            assert_eq!(mode(&input), 0o640);
            let link = folder.join("link.stl");
            std::os::unix::fs::symlink(&input, &link).unwrap();
            assert!(refuse_inputs(&link, &[&input]).is_err());
        }
    });
}

/// `/dev/full` is a disk that is always full; where there is none, the test says so.
#[test]
#[cfg(target_os = "linux")]
fn a_full_disk_is_an_error_and_no_file() {
    in_folder(|folder| {
        use std::io::Write as _;
        let Ok(mut full) = fs::OpenOptions::new().write(true).open("/dev/full") else {
            println!("skipped: no /dev/full");
            return;
        };
        let path = folder.join("a.stl");
        let error = whole_file(&path, |_| full.write_all(b"x")).unwrap_err();
        assert!(error.to_string().contains("the disk is full"), "{error}");
        assert!(!path.exists());
    });
}

//! Files that nobody here wrote. They are not part of the project; where they are not at hand,
//! the test says so and is over.

use std::fs;
use std::path::{Path, PathBuf};

use secondbend::read::{ReadOptions, Trouble, Unit, read_file};

const FOLDER: &str = "../shared/data";

/// End of the path, facets, points.
const RIGHT: [(&str, usize, usize); 50] = [
    ("canals/eac_LT143_smooth.stl", 77_484, 38_744),
    ("canals/eac_RT138_smooth.stl", 63_180, 31_592),
    ("ears/mpfb2_left_ear_crop_mm.ply", 713, 372),
    ("ears/mpfb2_left_ear_crop_mm_loop2.stl", 11_408, 5_763),
    ("assimp/STL/triangle_with_two_solids.stl", 2, 6),
    ("assimp/STL/triangle_with_empty_solid.stl", 1, 3),
    ("assimp/STL/triangle.stl", 1, 3),
    ("assimp/STL/formatDetection", 1, 3),
    ("assimp/STL/Wuson.stl", 3732, 2117),
    ("assimp/STL/3DSMaxExport.STL", 2000, 1042),
    ("assimp/STL/sphereWithHole.stl", 285, 146),
    ("assimp/STL/Spider_binary.stl", 1368, 722),
    ("assimp/STL/Spider_ascii.stl", 1368, 722),
    ("assimp/OFF/Wuson.off", 3732, 2117),
    ("assimp/OFF/formatDetection", 12, 8),
    ("assimp/OFF/Cube.off", 12, 8),
    ("assimp/PLY/cube_binary.ply", 12, 8),
    ("assimp/PLY/cube.ply", 12, 8),
    ("assimp/PLY/float-color.ply", 1, 3),
    ("assimp/PLY/cube_uv.ply", 12, 8),
    ("assimp/PLY/cube_binary_header_with_RN_newline.ply", 12, 8),
    ("assimp/PLY/cube_binary_starts_with_nl.ply", 12, 8),
    ("assimp/OBJ/WusonOBJ.obj", 3732, 2117),
    ("assimp/OBJ/spider.obj", 1368, 722),
    ("assimp/OBJ/box.obj", 12, 8),
    ("assimp/OBJ/box_UTF16BE.obj", 12, 8),
    ("assimp/OBJ/box_without_lineending.obj", 12, 8),
    ("assimp/OBJ/testmixed.obj", 12, 8),
    ("assimp/OBJ/concave_polygon.obj", 64, 64),
    ("assimp/OBJ/only_a_part_of_vertexcolors.obj", 3, 5),
    ("assimp/OBJ/cube_with_vertexcolors_uni.obj", 12, 8),
    ("assimp/3MF/box.3mf", 12, 8),
    ("assimp/3MF/production_components.3mf", 8, 8),
    ("assimp/3MF/malformed_property_index_oob.3mf", 1, 3),
    ("numpy_stl/stl_ascii/Moon_Chinese.stl", 116, 60),
    ("numpy_stl/stl_ascii/Moon.stl", 116, 60),
    ("numpy_stl/stl_ascii/HalfDonut.stl", 288, 144),
    ("numpy_stl/stl_binary/StarWithEmptyHeader.stl", 68, 36),
    ("numpy_stl/stl_binary/rear_case.stl", 18_808, 9404),
    ("numpy_stl/stl_binary/HalfDonut.stl", 288, 144),
    ("numpy_stl/stl_binary/CubeInvalidUnicode.stl", 12, 8),
    ("numpy_stl/stl_tests/triamid.stl", 10, 7),
    ("core/box.3mf", 12, 8),
    ("core/cube_gears.3mf", 25_692, 12_852),
    ("core/sphere.3mf", 2880, 1442),
    ("production/box_prod.3mf", 12, 8),
    ("production/cube_gears_prod_req.3mf", 25_692, 12_852),
    ("slices/box_sliced.3mf", 12, 8),
    ("MUSTPASS_Chapter4.2_Components.3mf", 60, 34),
    ("MUSTPASS_Chapter3.2c_MultipleItemsTransform.3mf", 60, 34),
];

const REFUSED: [(&str, Trouble); 16] = [
    ("assimp/invalid/OutOfMemory.off", Trouble::CutShort),
    ("assimp/invalid/malformed.obj", Trouble::Malformed),
    ("assimp/invalid/empty.ply", Trouble::Empty),
    ("assimp/invalid/emptyIrrMesh.xml", Trouble::UnknownKind),
    ("assimp/OFF/invalid.off", Trouble::Malformed),
    ("assimp/PLY/points.ply", Trouble::NoSurface),
    ("assimp/PLY/issue623.ply", Trouble::Malformed),
    ("assimp/PLY/Wuson.ply", Trouble::Malformed),
    ("assimp/OBJ/point_cloud.obj", Trouble::NoSurface),
    ("assimp/OBJ/number_formats.obj", Trouble::Malformed),
    ("beam lattice/pyramid.3mf", Trouble::NoSurface),
    (
        "PartsRelationships_NonExist3DModelPart.3mf",
        Trouble::Malformed,
    ),
    (
        "PartsRelationships_MoreThanOne3DModelPart.3mf",
        Trouble::Malformed,
    ),
    ("DataTypeDefinitionInXMLMarkup.3mf", Trouble::Malformed),
    (
        "MUSTFAIL_Chapter3.4a_MoreThanOneModel.3mf",
        Trouble::Malformed,
    ),
    (
        "MUSTFAIL_Chapter3.4c_MissingResourceElement.3mf",
        Trouble::Malformed,
    ),
];

fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    for path in entries.map(|e| e.path()) {
        if path.is_dir() {
            files(&path, found);
        } else {
            found.push(path);
        }
    }
}

#[test]
fn every_file_ends_in_a_right_reading_or_a_clear_error() {
    let mut found = Vec::new();
    files(Path::new(FOLDER), &mut found);
    if found.is_empty() {
        println!("skipped: no shared data");
        return;
    }
    found.sort();
    // Exact welds only: the counts are those of the files, many of which are a few units across.
    let opts = ReadOptions {
        unit: Some(Unit::Mm),
        weld_tolerance_mm: 0.0,
        ..ReadOptions::default()
    };
    let (mut right, mut refused, mut read) = (0, 0, 0);
    for path in &found {
        let result = read_file(path, &opts);
        let name = path.to_string_lossy();
        if let Some((_, facets, points)) = RIGHT.iter().find(|(end, ..)| name.ends_with(end)) {
            let scan = result.as_ref().unwrap_or_else(|e| panic!("{e}"));
            let got = (scan.mesh.facets().len(), scan.mesh.points().len());
            assert_eq!(got, (*facets, *points), "{name}");
            right += 1;
        }
        if let Some((_, trouble)) = REFUSED.iter().find(|(end, _)| name.ends_with(end)) {
            let error = result.as_ref().expect_err(&name);
            assert_eq!(error.trouble, *trouble, "{error}");
            refused += 1;
        }
        read += usize::from(result.is_ok());
    }
    println!(
        "{} files, {read} read, {right} counted, {refused} refused as stated",
        found.len()
    );
    assert!(
        right >= RIGHT.len() && refused >= REFUSED.len(),
        "{right} {refused}"
    );
}

#[test]
fn the_weld_leaves_real_canals_as_they_are_but_for_slivers() {
    let folder = Path::new(FOLDER).join("canals");
    if !folder.exists() {
        println!("skipped: no shared data");
        return;
    }
    for (name, collapsed) in [("eac_LT143_smooth.stl", 2), ("eac_RT138_smooth.stl", 0)] {
        let scan = read_file(&folder.join(name), &ReadOptions::default()).unwrap();
        assert_eq!(
            (scan.unit, scan.weld.collapsed),
            (Some(Unit::Mm), collapsed),
            "{name}"
        );
    }
}

#[test]
fn the_same_shape_in_several_formats_is_the_same_shape() {
    let folder = Path::new(FOLDER).join("hostile");
    if !folder.exists() {
        println!("skipped: no shared data");
        return;
    }
    let opts = ReadOptions {
        unit: Some(Unit::Mm),
        ..ReadOptions::default()
    };
    for (a, b) in [
        ("assimp/STL/Wuson.stl", "assimp/OBJ/WusonOBJ.obj"),
        (
            "assimp/STL/Spider_ascii.stl",
            "assimp/STL/Spider_binary.stl",
        ),
        (
            "numpy_stl/stl_ascii/Moon.stl",
            "numpy_stl/stl_binary/Moon.stl",
        ),
        (
            "numpy_stl/stl_ascii/HalfDonut.stl",
            "numpy_stl/stl_binary/HalfDonut.stl",
        ),
    ] {
        let [a, b] = [a, b].map(|f| read_file(&folder.join(f), &opts).unwrap().mesh);
        assert_eq!(a.facets().len(), b.facets().len());
        assert!((a.area_mm2() / b.area_mm2() - 1.0).abs() < 1e-4);
        assert!((a.signed_volume_mm3() / b.signed_volume_mm3() - 1.0).abs() < 1e-4);
    }
}

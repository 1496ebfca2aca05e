//! STL as programs really write it, and as accidents leave it.

use secondbend::read::{Format, Trouble};

use crate::{binary, is_cuboid, noted, read, refused, text};

/// A binary file whose header opens as a text file does.
fn binary_with(header: &[u8]) -> Vec<u8> {
    let mut bytes = binary();
    bytes[..header.len()].copy_from_slice(header);
    bytes
}

/// A strip of `n` facets as binary STL.
fn strip(n: u32) -> Vec<u8> {
    let mut bytes = b"solid strip".to_vec();
    bytes.resize(80, b' ');
    bytes.extend(n.to_le_bytes());
    for i in 0..n {
        bytes.extend([0; 12]);
        let x = i as f32 * 0.05;
        for c in [x, 0.0, 0.0, x + 0.05, 0.0, 0.0, x, 20.0, 0.0] {
            bytes.extend(c.to_le_bytes());
        }
        bytes.extend([0; 2]);
    }
    bytes
}

#[test]
fn plain_files_of_both_kinds() {
    let scan = read("a.stl", &binary()).unwrap();
    is_cuboid(&scan);
    assert_eq!(scan.format, Format::StlBinary);
    assert_eq!(
        (scan.weld.before, scan.weld.after_exact, scan.weld.after),
        (36, 8, 8)
    );
    assert_eq!(scan.bytes, 684);
    assert!(scan.notes.is_empty());
    let scan = read("a.stl", text().as_bytes()).unwrap();
    is_cuboid(&scan);
    assert_eq!(scan.format, Format::StlText);
    assert!(scan.notes.is_empty());
}

#[test]
fn a_binary_header_may_say_anything() {
    for header in [
        &b"solid exported by nobody"[..],
        b"solid x\nfacet normal 0 0 1\n",
        b"solid",
        b"ply\nformat ascii 1.0\n",
        b"OFF\n8 6 0\n",
        b"PK\x03\x04",
        b"v 1 2 3\n",
        b"\xff\xfe\x00solid",
    ] {
        let scan = read("a.stl", &binary_with(header)).unwrap();
        is_cuboid(&scan);
        assert_eq!(scan.format, Format::StlBinary);
    }
    // The low byte of the count is a line end.
    for n in [10, 266, 522] {
        let scan = read("a.stl", &strip(n)).unwrap();
        assert_eq!(scan.mesh.facets().len(), n as usize);
        assert_eq!(scan.format, Format::StlBinary);
    }
}

#[test]
fn a_count_is_believed_as_far_as_the_bytes_go() {
    let counted = |n: u32| {
        let mut bytes = binary();
        bytes[80..84].copy_from_slice(&n.to_le_bytes());
        bytes
    };
    // Placeholders that a streaming writer never came back to.
    for n in [0, u32::MAX] {
        let scan = read("a.stl", &counted(n)).unwrap();
        is_cuboid(&scan);
        noted(&scan, "the 12 that are there were read");
    }
    refused(
        "a.stl",
        &counted(13),
        Trouble::CutShort,
        "counts 13 facets, but the file ends after 12",
    );
    refused(
        "a.stl",
        &counted(4_000_000_000),
        Trouble::CutShort,
        "ends after 12",
    );
    refused(
        "a.stl",
        &counted(5),
        Trouble::Malformed,
        "counts 5 facets, but there are bytes for 12",
    );
}

#[test]
fn trailing_bytes_are_counted() {
    for extra in [1, 17, 49] {
        let mut bytes = binary();
        bytes.extend(vec![7; extra]);
        let scan = read("a.stl", &bytes).unwrap();
        is_cuboid(&scan);
        noted(
            &scan,
            &format!("{extra} bytes after the last facet were left out"),
        );
    }
    let mut bytes = binary();
    bytes.extend([7; 333]);
    let scan = read("a.stl", &bytes).unwrap();
    is_cuboid(&scan);
    noted(&scan, "333 bytes after the last facet");
}

#[test]
fn truncated_at_every_length() {
    let whole = binary();
    for length in 0..whole.len() {
        let error = read("a.stl", &whole[..length]).unwrap_err();
        let want = if length == 0 {
            Trouble::Empty
        } else {
            Trouble::CutShort
        };
        assert_eq!(error.trouble, want, "{length}: {error}");
    }
    let whole = text();
    // Every cut that takes away more than the closing line ends inside a facet, or between two,
    // which is noted; a cut number is the one thing no reader can see, so cuts stand at lines.
    let cuts: Vec<usize> = whole.match_indices('\n').map(|(at, _)| at).collect();
    for &cut in &cuts[1..cuts.len() - 1] {
        match read("a.stl", &whole.as_bytes()[..cut]) {
            Ok(scan) => noted(&scan, "no endsolid"),
            Err(e) => assert_eq!(e.trouble, Trouble::CutShort, "{cut}: {e}"),
        }
    }
}

#[test]
fn numbers_that_are_no_place_name_their_facet() {
    for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 3e38] {
        let mut bytes = binary();
        let at = 84 + 50 * 7 + 24;
        bytes[at..at + 4].copy_from_slice(&bad.to_le_bytes());
        refused("a.stl", &bytes, Trouble::NotFinite, "facet 7");
    }
    for bad in ["nan", "-NaN", "inf", "1e999"] {
        let bytes = text().replacen("vertex 0e0", &format!("vertex {bad}"), 1);
        refused("a.stl", bytes.as_bytes(), Trouble::NotFinite, "facet 0");
    }
    // Normals are not used, so theirs may be anything.
    let mut bytes = binary();
    bytes[84..88].copy_from_slice(&f32::NAN.to_le_bytes());
    is_cuboid(&read("a.stl", &bytes).unwrap());
    let nan = text().replace("normal 0 0 0", "normal nan -nan(ind) 1.#QNAN");
    is_cuboid(&read("a.stl", nan.as_bytes()).unwrap());
}

#[test]
fn text_in_every_dress() {
    let plain = text();
    let one_line = plain.replace('\n', " ");
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("no name", plain.replace("solid box", "solid").into()),
        ("leading space", format!(" \t\n {plain}").into()),
        ("upper case", plain.to_uppercase().into()),
        (
            "mixed case",
            plain
                .replace("facet", "Facet")
                .replace("vertex", "Vertex")
                .into(),
        ),
        ("CR only", plain.replace('\n', "\r").into()),
        ("CRLF", plain.replace('\n', "\r\n").into()),
        (
            "byte-order mark",
            [b"\xef\xbb\xbf", plain.as_bytes()].concat(),
        ),
        (
            "Latin-1 name",
            plain
                .replace("box", "M\u{1}ller")
                .bytes()
                .map(|b| if b == 1 { 0xfc } else { b })
                .collect(),
        ),
        (
            "control characters in the name",
            plain.replace("box", "b\u{1}\u{1b}x").into(),
        ),
        ("Chinese name", plain.replace("box", "耳朵 印模").into()),
        (
            "name of keywords",
            plain
                .replace("solid box", "solid facet outer loop vertex 1 2")
                .into(),
        ),
        (
            "name of markup",
            plain
                .replace("box", "<script>alert(\"x\")</script> 'a' b")
                .into(),
        ),
        ("one line", one_line.into()),
        (
            "one word a line",
            plain
                .replace([' ', '\n'], "\n")
                .replace("solid\nbox", "solid box")
                .into(),
        ),
        (
            "several words a line",
            plain
                .replace("\n    vertex", " vertex")
                .replace("loop\n", "loop ")
                .into(),
        ),
        ("no endsolid", plain.replace("endsolid box\n", "").into()),
        ("spaced exponents", plain.replace("e1", "E+01").into()),
        ("no last line end", plain.trim_end().into()),
        ("tabs", plain.replace(' ', "\t").into()),
        (
            "UTF-16",
            [
                &b"\xff\xfe"[..],
                &plain
                    .encode_utf16()
                    .flat_map(u16::to_le_bytes)
                    .collect::<Vec<u8>>(),
            ]
            .concat(),
        ),
    ];
    for (what, bytes) in cases {
        let scan = read("a.stl", &bytes).unwrap_or_else(|e| panic!("{what}: {e}"));
        assert_eq!(scan.format, Format::StlText, "{what}");
        is_cuboid(&scan);
    }
}

#[test]
fn several_solids_are_one_surface() {
    let two = text() + &text().replace("e1", "e2");
    let scan = read("a.stl", two.as_bytes()).unwrap();
    assert_eq!(scan.mesh.facets().len(), 24);
    noted(&scan, "2 solids in one file were joined");
    let with_empty = format!("solid a\nendsolid a\n{}", text());
    let scan = read("a.stl", with_empty.as_bytes()).unwrap();
    is_cuboid(&scan);
    assert!(scan.notes.is_empty(), "{:?}", scan.notes);
    // All of it on one line.
    let scan = read("a.stl", two.replace('\n', " ").as_bytes()).unwrap();
    assert_eq!(scan.mesh.facets().len(), 24);
    noted(&scan, "2 solids");
}

#[test]
fn decimal_commas_are_named_with_their_line() {
    let bytes = text().replacen("vertex 3e1 2e1", "vertex 30,0 20,0", 1);
    let line = bytes.lines().position(|l| l.contains(',')).unwrap() + 1;
    refused(
        "a.stl",
        bytes.as_bytes(),
        Trouble::DecimalComma,
        &format!("line {line}: \"30,0\""),
    );
}

#[test]
fn text_that_breaks_the_rules_names_its_line() {
    let plain = text();
    for (from, to, says) in [
        ("outer loop", "outer lop", "line 3: \"lop\" where loop"),
        (
            "vertex 0e0 0e0 0e0",
            "vertex 0 0",
            "line 5: \"vertex\" where a number",
        ),
        ("endloop", "endfacet", "where vertex or endloop"),
        ("  outer loop\n", "", "where outer loop"),
        (
            "vertex 0e0",
            "vertex zero",
            "line 4: \"zero\" where a number",
        ),
    ] {
        refused(
            "a.stl",
            plain.replacen(from, to, 1).as_bytes(),
            Trouble::Malformed,
            says,
        );
    }
    let two_corners = plain.replacen("    vertex 0e0 0e0 0e0\n", "", 1);
    refused(
        "a.stl",
        two_corners.as_bytes(),
        Trouble::Malformed,
        "a facet with 2 corners",
    );
    refused(
        "a.stl",
        b"solid a\nendsolid a\n",
        Trouble::NoSurface,
        "not one facet",
    );
}

#[test]
fn facets_of_four_corners_are_cut() {
    let quad = "solid q\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 30 0 0\n\
                vertex 30 20 0\nvertex 0 20 0\nendloop\nendfacet\nendsolid\n";
    let scan = read("a.stl", quad.as_bytes()).unwrap();
    assert_eq!((scan.mesh.facets().len(), scan.mesh.points().len()), (2, 4));
    assert!((scan.mesh.area_mm2() - 600.0).abs() < 1e-9);
    noted(&scan, "1 polygons were cut");
}

#[test]
fn a_weld_joins_what_differs_by_a_sign_of_zero_or_one_step() {
    let steps = |from: f32, n: i32| f32::from_bits(from.to_bits().wrapping_add_signed(n));
    let mut bytes = binary();
    // Corner 1 of facet 0 is (0, 20, 0): make it (−0, 20 + a step, −0).
    let at = 84 + 24;
    for (i, c) in [-0.0f32, steps(20.0, 1), -0.0].iter().enumerate() {
        bytes[at + 4 * i..at + 4 * i + 4].copy_from_slice(&c.to_le_bytes());
    }
    let scan = read("a.stl", &bytes).unwrap();
    assert_eq!(
        (scan.weld.before, scan.weld.after_exact, scan.weld.after),
        (36, 9, 8)
    );
    assert_eq!(scan.weld.collapsed, 0);
    // A minus sign alone is no difference.
    bytes[at + 4..at + 8].copy_from_slice(&20.0f32.to_le_bytes());
    assert_eq!(read("a.stl", &bytes).unwrap().weld.after_exact, 8);
}

//! PLY: every kind of number and order, and what breaks them.

use secondbend::read::{Format, Trouble};

use crate::{cuboid, is_cuboid, noted, read, refused};

/// The cuboid as text PLY.
fn ply() -> String {
    let mesh = cuboid();
    let mut text = String::from(
        "ply\nformat ascii 1.0\ncomment made by hand\nelement vertex 8\nproperty float x\n\
         property float y\nproperty float z\nelement face 12\n\
         property list uchar int vertex_indices\nend_header\n",
    );
    for p in mesh.points() {
        text += &format!("{} {} {}\n", p.x, p.y, p.z);
    }
    for [a, b, c] in mesh.facets() {
        text += &format!("3 {a} {b} {c}\n");
    }
    text
}

/// Binary PLY with odd types, a colour, a second list, and an element that nobody knows.
fn odd_binary(big: bool) -> Vec<u8> {
    let mesh = cuboid();
    let order = if big { "big" } else { "little" };
    let mut bytes = format!(
        "ply\r\nformat binary_{order}_endian 1.0\r\ncomment M\r\nelement camera 2\r\n\
         property list ushort double pose\r\nproperty char on\r\nelement face 12\r\n\
         property uchar red\r\nproperty list uint ushort vertex_index\r\n\
         property list uchar float texcoord\r\nelement vertex 8\r\nproperty double x\r\n\
         property uchar flag\r\nproperty short y\r\nproperty int z\r\nend_header\r\n"
    )
    .into_bytes();
    let mark = bytes.windows(2).position(|w| w == b"M\r").unwrap();
    bytes[mark] = 0xfc;
    let mut put = |little: &[u8]| {
        if big {
            bytes.extend(little.iter().rev());
        } else {
            bytes.extend(little);
        }
    };
    for count in [1u16, 0] {
        put(&count.to_le_bytes());
        (0..count).for_each(|_| put(&0.5f64.to_le_bytes()));
        put(&[1]);
    }
    for corners in mesh.facets() {
        put(&[200]);
        put(&3u32.to_le_bytes());
        corners.iter().for_each(|&c| put(&(c as u16).to_le_bytes()));
        put(&[1]);
        put(&0.25f32.to_le_bytes());
    }
    for p in mesh.points() {
        put(&p.x.to_le_bytes());
        put(&[9]);
        put(&(p.y as i16).to_le_bytes());
        put(&(p.z as i32).to_le_bytes());
    }
    bytes
}

#[test]
fn ply_text_in_every_dress() {
    let plain = ply();
    for (what, text) in [
        ("plain", plain.clone()),
        ("CRLF", plain.replace('\n', "\r\n")),
        ("CR only", plain.replace('\n', "\r")),
        ("byte-order mark", format!("\u{feff}{plain}")),
        (
            "blank header line",
            plain.replace("comment made", "\n\ncomment made"),
        ),
        (
            "obj_info",
            plain.replace("comment made by hand", "obj_info num_cols 4 耳\ncomment"),
        ),
        (
            "double",
            plain
                .replace("float x", "float64 x")
                .replace("float y", "double y"),
        ),
        (
            "vertex_index",
            plain.replace("vertex_indices", "vertex_index"),
        ),
        ("trailing spaces", plain.replace("\n3 ", " \n3 ")),
        ("int corners", plain.replace("uchar int", "uint8 uint32")),
    ] {
        let scan = read("a.ply", text.as_bytes()).unwrap_or_else(|e| panic!("{what}: {e}"));
        is_cuboid(&scan);
        assert_eq!(scan.format, Format::PlyText);
        assert!(scan.notes.is_empty(), "{what}: {:?}", scan.notes);
    }
}

#[test]
fn ply_binary_with_odd_types_in_both_orders() {
    for (big, format) in [
        (false, Format::PlyLittleEndian),
        (true, Format::PlyBigEndian),
    ] {
        let scan = read("a.ply", &odd_binary(big)).unwrap();
        is_cuboid(&scan);
        assert_eq!(scan.format, format);
        let whole = odd_binary(big);
        for length in 1..whole.len() {
            assert!(read("a.ply", &whole[..length]).is_err(), "{length}");
        }
        let mut more = whole;
        more.extend([1, 2, 3]);
        noted(
            &read("a.ply", &more).unwrap(),
            "3 bytes after the last element",
        );
    }
}

#[test]
fn ply_counts_that_lie() {
    for (from, to) in [
        ("vertex 8", "vertex 4000000000"),
        ("face 12", "face 99999999999999"),
    ] {
        let text = ply().replace(from, to);
        refused(
            "a.ply",
            text.as_bytes(),
            Trouble::CutShort,
            "too short for them",
        );
    }
    let text = ply().replace("face 12", "face 13");
    refused("a.ply", text.as_bytes(), Trouble::CutShort, "");
    let text = ply().replace("face 12", "face 99999999999999999999999");
    refused("a.ply", text.as_bytes(), Trouble::Malformed, "line 8");
    let text = ply().replace("face 12", "face 11");
    noted(
        &read("a.ply", text.as_bytes()).unwrap(),
        "bytes after the last element were left out",
    );
    // An element without properties costs no bytes, so its count could be anything.
    let text = ply().replace("element vertex", "element ghost 9000000000\nelement vertex");
    refused(
        "a.ply",
        text.as_bytes(),
        Trouble::Malformed,
        "ghost has no properties",
    );
    // A list that claims more than there is.
    let mut bytes = odd_binary(false);
    let body = bytes
        .windows(12)
        .position(|w| w == b"end_header\r\n")
        .unwrap()
        + 12;
    bytes[body..body + 2].copy_from_slice(&[0xff, 0xff]);
    refused("a.ply", &bytes, Trouble::CutShort, "camera");
}

#[test]
fn ply_that_breaks_the_rules() {
    let plain = ply();
    let bad = |from: &str, to: &str| plain.replacen(from, to, 1);
    let cases = [
        (
            bad("30 0 0", "30,5 0 0"),
            Trouble::DecimalComma,
            "line 12: \"30,5 0 0\"",
        ),
        (bad("30 0 0", "nan 0 0"), Trouble::NotFinite, "line 12"),
        (bad("30 0 0", "x 0 0"), Trouble::Malformed, "line 12"),
        (bad("30 0 0", "30 0"), Trouble::Malformed, "line 12"),
        (
            bad("3 0 2 3", "3 0 2 8"),
            Trouble::Malformed,
            "names point 8 (counted from 0)",
        ),
        (bad("3 0 2 3", "3 0 2 -1"), Trouble::Malformed, "facet 0"),
        (
            bad("property float y\n", ""),
            Trouble::NoSurface,
            "x, y and z",
        ),
        (bad("float y", "float x"), Trouble::Malformed, "same name"),
        (
            bad("float y", "quad y"),
            Trouble::Malformed,
            "line 6: \"property quad y\"",
        ),
        (bad("ascii 1.0", "morse 1.0"), Trouble::Malformed, "line 2"),
        (bad("format ascii 1.0\n", ""), Trouble::Malformed, "format"),
        (bad("end_header", "end"), Trouble::CutShort, "no end_header"),
        (
            bad("list uchar int", "list uchar float"),
            Trouble::Malformed,
            "",
        ),
        (
            bad("element face 12", "element edge 12"),
            Trouble::NoSurface,
            "not one facet",
        ),
    ];
    for (text, trouble, says) in cases {
        refused("a.ply", text.as_bytes(), trouble, says);
    }
    let mut bytes = odd_binary(false);
    let x = bytes.len() - 15;
    bytes[x..x + 8].copy_from_slice(&f64::NAN.to_le_bytes());
    refused("a.ply", &bytes, Trouble::NotFinite, "facet");
}

#[test]
fn ply_polygons_and_strips() {
    let quads = "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\n\
                 property float z\nelement face 1\nproperty list uchar int vertex_indices\n\
                 end_header\n0 0 0\n30 0 0\n30 20 0\n0 20 0\n4 0 1 2 3\n";
    let scan = read("a.ply", quads.as_bytes()).unwrap();
    assert_eq!(scan.mesh.facets(), [[0, 1, 2], [0, 2, 3]]);
    noted(&scan, "1 polygons");
    let strips = quads
        .replace("element face", "element tristrips")
        .replace("4 0 1 2 3", "7 0 1 3 2 -1 0 2");
    let scan = read("a.ply", strips.as_bytes()).unwrap();
    assert_eq!(scan.mesh.facets(), [[0, 1, 3], [3, 1, 2]]);
    noted(&scan, "strips");
}

//! OBJ and OFF: every kind of number and order, and what breaks them.

use secondbend::read::{Format, Trouble};

use crate::{cuboid, is_cuboid, noted, read, refused};

/// The cuboid as OBJ.
fn obj() -> String {
    let mesh = cuboid();
    let mut text = String::from("# made by hand\nmtllib none.mtl\no box\n");
    for p in mesh.points() {
        text += &format!("v {:.1} {:.1} {:.1}\n", p.x, p.y, p.z);
    }
    for [a, b, c] in mesh.facets() {
        text += &format!("f {} {} {}\n", a + 1, b + 1, c + 1);
    }
    text
}

#[test]
fn obj_in_every_dress() {
    let plain = obj();
    let lines = |f: &dyn Fn(&str) -> String| plain.lines().map(|l| f(l) + "\n").collect::<String>();
    let faces = |f: &dyn Fn(i64) -> String| {
        lines(&|l| match l.strip_prefix("f ") {
            None => l.to_owned(),
            Some(rest) => rest
                .split(' ')
                .fold("f".to_owned(), |s, w| s + " " + &f(w.parse().unwrap())),
        })
    };
    let points = |tail: &str| {
        lines(&|l| {
            if l.starts_with("v ") {
                l.to_owned() + tail
            } else {
                l.to_owned()
            }
        })
    };
    let wide = |words: fn(u16) -> [u8; 2], mark: [u8; 2]| {
        let body = plain.encode_utf16().flat_map(words);
        mark.into_iter().chain(body).collect::<Vec<u8>>()
    };
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("plain", plain.clone().into()),
        ("CR only", plain.replace('\n', "\r").into()),
        ("negative indices", faces(&|i| (i - 9).to_string()).into()),
        ("v/vt/vn", faces(&|i| format!("{i}/1/1")).into()),
        ("v//vn", faces(&|i| format!("{i}//7")).into()),
        ("v/", faces(&|i| format!("{i}/")).into()),
        ("weights", points(" 1.0").into()),
        ("colours", points(" 0.5 0.5 0.5").into()),
        (
            "some coloured",
            plain.replacen("0.0 0.0 0.0", "0.0 0.0 0.0 1 0 0", 1).into(),
        ),
        (
            "continued lines",
            plain.replace("30.0 ", "30.0 \\\n ").into(),
        ),
        ("UTF-16 little", wide(u16::to_le_bytes, [0xff, 0xfe])),
        ("UTF-16 big", wide(u16::to_be_bytes, [0xfe, 0xff])),
        ("byte-order mark", format!("\u{feff}{plain}").into()),
        (
            "Latin-1 comment",
            [&b"# M\xfcller\n"[..], plain.as_bytes()].concat(),
        ),
        ("faces before points", {
            let (f, v): (Vec<&str>, Vec<&str>) = plain.lines().partition(|l| l.starts_with('f'));
            [f, v].concat().join("\n").into()
        }),
        (
            "comment at the end of a line",
            plain.replace("\nf 1", " # here\nf 1").into(),
        ),
        (
            "broken texture lines",
            format!("vt nonsense\nvn\n{plain}").into(),
        ),
    ];
    for (what, bytes) in cases {
        let scan = read("a.obj", &bytes).unwrap_or_else(|e| panic!("{what}: {e}"));
        is_cuboid(&scan);
        assert_eq!(scan.format, Format::Obj);
        assert!(scan.notes.is_empty(), "{what}: {:?}", scan.notes);
    }
    // Weights divide.
    is_cuboid(
        &read(
            "a.obj",
            points(" 0.5")
                .replace("30.0", "15.0")
                .replace("20.0", "10.0")
                .replace(" 10.0 0.5", " 5.0 0.5")
                .as_bytes(),
        )
        .unwrap_or_else(|e| panic!("{e}")),
    );
}

#[test]
fn obj_groups_hang_together() {
    // Every facet in a group of its own, with points of its own.
    let mesh = cuboid();
    let mut text = String::new();
    for f in 0..12 {
        text += &format!("g part{f}\n");
        for p in mesh.corners(f) {
            text += &format!("v {} {} {}\n", p.x, p.y, p.z);
        }
        text += "f -3 -2 -1\n";
    }
    let scan = read("a.obj", text.as_bytes()).unwrap();
    is_cuboid(&scan);
    assert_eq!((scan.weld.before, scan.weld.after_exact), (36, 8));
}

#[test]
fn obj_that_breaks_the_rules() {
    let plain = obj();
    let cases = [
        (
            "f 1 3 4",
            "f 1 3 99",
            Trouble::Malformed,
            "line 12: a face names point 98",
        ),
        (
            "f 1 3 4",
            "f 0 3 4",
            Trouble::Malformed,
            "line 12: names point 0",
        ),
        (
            "f 1 3 4",
            "f -9 3 4",
            Trouble::Malformed,
            "names point -9, but 8 are there",
        ),
        (
            "f 1 3 4",
            "f 1 3 x",
            Trouble::Malformed,
            "\"x\" where the number of a point",
        ),
        (
            "f 1 3 4",
            "f 1 3 99999999999999999999",
            Trouble::Malformed,
            "line 12",
        ),
        ("v 30.0", "v nan", Trouble::NotFinite, "facet"),
        ("v 30.0", "v inf", Trouble::NotFinite, "facet"),
        (
            "v 30.0",
            "v 30,0",
            Trouble::DecimalComma,
            "line 5: \"30,0\"",
        ),
        (
            "v 30.0 0.0 0.0",
            "v 30.0 0.0",
            Trouble::Malformed,
            "line 5: a point with 2",
        ),
        (
            "v 30.0 0.0 0.0",
            "v 30.0 0.0 0.0 0",
            Trouble::NotFinite,
            "facet",
        ),
    ];
    for (from, to, trouble, says) in cases {
        refused(
            "a.obj",
            plain.replacen(from, to, 1).as_bytes(),
            trouble,
            says,
        );
    }
    refused(
        "a.obj",
        b"v 1 2 3\nv 1 2 4\np 1 2\n",
        Trouble::NoSurface,
        "1 lone points",
    );
    refused(
        "a.obj",
        b"v 1 2 3\ncstype bezier\ncurv 0 1 1\n",
        Trouble::NoSurface,
        "curves",
    );
}

#[test]
fn obj_odds_and_ends_are_noted() {
    let plain = obj();
    let scan = read(
        "a.obj",
        (plain.clone() + "l 1 2\np 1\nf 1 2\nwobble 3\nv 9 9 9\n").as_bytes(),
    )
    .unwrap();
    is_cuboid(&scan);
    for says in [
        "2 lone points or lines",
        "1 faces with fewer",
        "first is line 27",
        "1 points that no facet uses",
    ] {
        noted(&scan, says);
    }
    // Points that nothing uses may be anywhere, even nowhere.
    is_cuboid(&read("a.obj", (plain + "v nan nan nan\n").as_bytes()).unwrap());
}

/// The cuboid as OFF.
fn off() -> String {
    let mesh = cuboid();
    let mut text = String::from("OFF\n8 12 0\n");
    for p in mesh.points() {
        text += &format!("{} {} {}\n", p.x, p.y, p.z);
    }
    for [a, b, c] in mesh.facets() {
        text += &format!("3 {a} {b} {c}\n");
    }
    text
}

#[test]
fn off_in_every_dress() {
    let plain = off();
    for (what, text) in [
        ("plain", plain.clone()),
        ("counts beside the keyword", plain.replace("OFF\n", "OFF ")),
        ("no keyword", plain.replace("OFF\n", "")),
        (
            "comments and blank lines",
            plain
                .replace("OFF\n", "# a\n\nOFF # b\n\n# c\n")
                .replace("\n3 ", "\n\n3 "),
        ),
        ("CRLF", plain.replace('\n', "\r\n")),
        ("colours on faces", plain.replace(" 3\n", " 3 255 0 0\n")),
        (
            "normals at points",
            plain
                .replace("OFF", "NOFF")
                .replace(" 0\n", " 0 0 0 1\n")
                .replace("12 0 0 0 1", "12 0"),
        ),
        ("two counts", plain.replace("8 12 0", "8 12")),
    ] {
        let scan = read("a.off", text.as_bytes()).unwrap_or_else(|e| panic!("{what}: {e}"));
        is_cuboid(&scan);
        assert_eq!(scan.format, Format::Off);
    }
}

#[test]
fn off_that_breaks_the_rules() {
    let plain = off();
    let cases = [
        (
            "8 12 0",
            "353535235358 12 0",
            Trouble::CutShort,
            "counts 353535235358 points, but ends after 20",
        ),
        (
            "8 12 0",
            "8 999999999999 0",
            Trouble::CutShort,
            "ends after 12",
        ),
        ("8 12 0", "8 -1 0", Trouble::Malformed, "line 2"),
        ("8 12 0", "8", Trouble::Malformed, "where a count"),
        ("3 0 2 3", "3 0 2 8", Trouble::Malformed, "names point 8"),
        (
            "3 0 2 3",
            "9 0 2 3",
            Trouble::Malformed,
            "a face of 9 corners names only 3",
        ),
        ("30 0 0", "30,5 0 0", Trouble::DecimalComma, "line 4"),
        ("30 0 0", "nan 0 0", Trouble::NotFinite, "facet"),
        (
            "OFF",
            "4OFF",
            Trouble::Unsupported,
            "more than three dimensions",
        ),
        ("OFF", "OFF BINARY", Trouble::Unsupported, "binary OFF"),
        ("8 12 0", "8 0 0", Trouble::NoSurface, "not one facet"),
    ];
    for (from, to, trouble, says) in cases {
        let text = plain.replacen(from, to, 1);
        refused("a.off", text.as_bytes(), trouble, says);
    }
    refused("a.off", b"OFF\n", Trouble::CutShort, "before its counts");
}

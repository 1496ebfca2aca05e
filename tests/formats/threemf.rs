//! 3MF archives made here by hand: units, transforms, components, and every trick an archive can
//! play.

use std::io::{Cursor, Write};

use secondbend::read::{Format, Trouble, Unit, UnitFrom};
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

use crate::{cuboid, is_cuboid, noted, read, refused};

const CORE: &str = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02";
const RELS: &str = r#"<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">
<Relationship Target="/3D/3dmodel.model" Id="r0" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>
</Relationships>"#;

fn archive(parts: &[(&str, &[u8])]) -> Vec<u8> {
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in parts {
        zip.start_file(*name, SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

fn package(model: &str) -> Vec<u8> {
    archive(&[
        ("_rels/.rels", RELS.as_bytes()),
        ("3D/3dmodel.model", model.as_bytes()),
    ])
}

fn mesh(id: u32, kind: &str) -> String {
    let cuboid = cuboid();
    let mut text = format!("<object id=\"{id}\"{kind}><mesh><vertices>");
    for p in cuboid.points() {
        text += &format!("<vertex x=\"{}\" y=\"{}\" z=\"{}\"/>", p.x, p.y, p.z);
    }
    text += "</vertices><triangles>";
    for [a, b, c] in cuboid.facets() {
        text += &format!("<triangle v1=\"{a}\" v2=\"{b}\" v3=\"{c}\"/>");
    }
    text + "</triangles></mesh></object>"
}

fn model(attributes: &str, objects: &str, items: &str) -> String {
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<model xmlns=\"{CORE}\" {attributes}>\
         <resources>{objects}</resources><build>{items}</build></model>"
    )
}

fn plain() -> String {
    model(
        "unit=\"millimeter\"",
        &mesh(1, ""),
        "<item objectid=\"1\"/>",
    )
}

#[test]
fn the_file_says_its_unit() {
    for (name, unit) in [
        ("micron", Unit::Um),
        ("millimeter", Unit::Mm),
        ("centimeter", Unit::Cm),
        ("inch", Unit::Inch),
        ("foot", Unit::Foot),
        ("meter", Unit::M),
    ] {
        let bytes = package(&plain().replace("millimeter", name));
        let scan = read("a.3mf", &bytes).unwrap();
        assert_eq!((scan.unit, &scan.unit_from), (Some(unit), &UnitFrom::File));
        assert_eq!(scan.format, Format::ThreeMf);
        let volume = 6000.0 * unit.in_mm().powi(3);
        assert!(
            (scan.mesh.signed_volume_mm3() / volume - 1.0).abs() < 1e-12,
            "{name}"
        );
        // The reader was told mm; where the file says otherwise, that is noted.
        assert_eq!(scan.notes.is_empty(), unit == Unit::Mm, "{:?}", scan.notes);
    }
    is_cuboid(
        &read(
            "a.3mf",
            &package(&plain().replace(" unit=\"millimeter\"", "")),
        )
        .unwrap(),
    );
    let bytes = package(&plain().replace("millimeter", "cubit"));
    refused(
        "a.3mf",
        &bytes,
        Trouble::Malformed,
        "\"cubit\" is none of 3MF's",
    );
}

#[test]
fn transforms_and_components_are_applied() {
    // 2 × larger in x, then moved by 100: the box then spans 100..160.
    let item = r#"<item objectid="1" transform="2 0 0 0 1 0 0 0 1 100 0 0"/>"#;
    let scan = read("a.3mf", &package(&model("", &mesh(1, ""), item))).unwrap();
    let (lo, hi) = scan.mesh.bounds().unwrap();
    assert_eq!((lo.x, hi.x, hi.y, hi.z), (100.0, 160.0, 20.0, 10.0));
    // A quarter turn about z (points as rows: x → y, y → −x) inside a component, then a shift.
    let objects = mesh(1, "")
        + r#"<object id="2"><components><component objectid="1" transform="0 1 0 -1 0 0 0 0 1 0 0 0"/>
             <component objectid="1" transform="1 0 0 0 1 0 0 0 1 0 0 50"/></components></object>"#;
    let item = r#"<item objectid="2" transform="1 0 0 0 1 0 0 0 1 5 0 0"/>"#;
    let scan = read("a.3mf", &package(&model("", &objects, item))).unwrap();
    let (lo, hi) = scan.mesh.bounds().unwrap();
    assert_eq!((lo.x, lo.y, lo.z), (-15.0, 0.0, 0.0));
    assert_eq!((hi.x, hi.y, hi.z), (35.0, 30.0, 60.0));
    assert_eq!(scan.mesh.facets().len(), 24);
    assert!((scan.mesh.signed_volume_mm3() - 12_000.0).abs() < 1e-9);
    // Mirrored: outside stays outside, and it is told.
    let item = r#"<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>"#;
    let scan = read("a.3mf", &package(&model("", &mesh(1, ""), item))).unwrap();
    assert!((scan.mesh.signed_volume_mm3() - 6000.0).abs() < 1e-9);
    noted(&scan, "mirrored");
    for bad in [
        "1 0 0 0 1 0 0 0 1 0 0",
        "1 0 0 0 1 0 0 0 0 0 0 0",
        "1 0 0 0 1 0 0 0 1 0 0 x",
        "1 0 0 0 1 0 0 0 nan 0 0 0",
        "",
    ] {
        let item = format!("<item objectid=\"1\" transform=\"{bad}\"/>");
        refused(
            "a.3mf",
            &package(&model("", &mesh(1, ""), &item)),
            Trouble::Malformed,
            "",
        );
    }
}

#[test]
fn several_items_supports_and_spare_objects() {
    let objects = mesh(1, "") + &mesh(2, " type=\"support\"") + &mesh(3, "");
    let items = r#"<item objectid="1"/><item objectid="1" transform="1 0 0 0 1 0 0 0 1 0 0 40"/><item objectid="2"/>"#;
    let scan = read("a.3mf", &package(&model("", &objects, items))).unwrap();
    assert_eq!(scan.mesh.facets().len(), 24);
    for says in [
        "3 build items were joined",
        "1 support objects",
        "1 objects that are not on the build list",
    ] {
        noted(&scan, says);
    }
    let nothing = package(&model("", &mesh(1, ""), ""));
    refused(
        "a.3mf",
        &nothing,
        Trouble::NoSurface,
        "not on the build list",
    );
}

#[test]
fn parts_in_other_files() {
    let other = model("unit=\"centimeter\"", &mesh(7, ""), "");
    let objects = r#"<object id="1"><components><component objectid="7" p:path="/3D/other.model"/></components></object>"#;
    let root = model(
        "xmlns:p=\"http://schemas.microsoft.com/3dmanufacturing/production/2015/06\" requiredextensions=\"p\"",
        objects,
        "<item objectid=\"1\"/>",
    );
    let parts = |name| {
        archive(&[
            ("_rels/.rels", RELS.as_bytes()),
            ("3D/3dmodel.model", root.as_bytes()),
            (name, other.as_bytes()),
        ])
    };
    let scan = read("a.3mf", &parts("3D/other.model")).unwrap();
    assert!((scan.mesh.signed_volume_mm3() - 6e6).abs() < 1e-6);
    noted(&scan, "in another unit");
    refused(
        "a.3mf",
        &parts("3D/else.model"),
        Trouble::Malformed,
        "lacks the part /3D/other.model",
    );
    let unknown = root.replace("production/2015/06", "cakes/2031/01");
    refused("a.3mf", &package(&unknown), Trouble::Unsupported, "cakes");
}

#[test]
fn numbers_are_never_made_up() {
    let bad = |from: &str, to: &str| package(&plain().replacen(from, to, 1));
    let cases = [
        (
            bad("x=\"30\"", "x=\"30,5\""),
            Trouble::DecimalComma,
            "3D/3dmodel.model, byte",
        ),
        (
            bad("x=\"30\"", "x=\"\""),
            Trouble::Malformed,
            "\"\" where a number",
        ),
        (
            bad("x=\"30\"", "x=\"&#51;0\""),
            Trouble::Malformed,
            "where a number",
        ),
        (
            bad(" x=\"30\"", ""),
            Trouble::Malformed,
            "a vertex without x",
        ),
        (bad("x=\"30\"", "x=\"nan\""), Trouble::NotFinite, "facet"),
        (
            bad("v1=\"0\"", "v1=\"8\""),
            Trouble::Malformed,
            "names point 8 of 8",
        ),
        (
            bad("v1=\"0\"", "v1=\"-1\""),
            Trouble::Malformed,
            "no whole number",
        ),
        (
            bad("v1=\"0\"", ""),
            Trouble::Malformed,
            "a triangle without v1",
        ),
        (
            bad("objectid=\"1\"", "objectid=\"2\""),
            Trouble::Malformed,
            "object 2 is named but not there",
        ),
        (bad("<mesh>", "<nest>").clone(), Trouble::Malformed, ""),
    ];
    for (bytes, trouble, says) in cases {
        refused("a.3mf", &bytes, trouble, says);
    }
    let twice = model("", &(mesh(1, "") + &mesh(1, "")), "<item objectid=\"1\"/>");
    refused(
        "a.3mf",
        &package(&twice),
        Trouble::Malformed,
        "a second object 1",
    );
    let hollow = model("", "<object id=\"1\"/>", "<item objectid=\"1\"/>");
    refused(
        "a.3mf",
        &package(&hollow),
        Trouble::Unsupported,
        "neither triangles nor components",
    );
    // Slices use the same words in a namespace of their own.
    let sliced = plain().replace("<resources>", "<resources><s:slicestack xmlns:s=\"x\"><s:vertices><s:vertex x=\"a\"/></s:vertices></s:slicestack>");
    is_cuboid(&read("a.3mf", &package(&sliced)).unwrap());
    let prefixed = plain()
        .replace("<", "<c:")
        .replace("<c:/", "</c:")
        .replace("<c:?", "<?")
        .replace("xmlns=", "xmlns:c=");
    is_cuboid(&read("a.3mf", &package(&prefixed)).unwrap());
}

#[test]
fn components_in_circles_or_by_the_million() {
    let circle = r#"<object id="1"><components><component objectid="2"/></components></object>
                    <object id="2"><components><component objectid="1"/></components></object>"#;
    let bytes = package(&model("", circle, "<item objectid=\"1\"/>"));
    refused(
        "a.3mf",
        &bytes,
        Trouble::Malformed,
        "components within components",
    );
    let mut many = mesh(1, "");
    for id in 2..12 {
        many += &format!("<object id=\"{id}\"><components>");
        many += &format!("<component objectid=\"{}\"/>", id - 1).repeat(10);
        many += "</components></object>";
    }
    let bytes = package(&model("", &many, "<item objectid=\"11\"/>"));
    refused("a.3mf", &bytes, Trouble::TooLarge, "pieces are placed");
}

#[test]
fn archives_that_are_not_what_they_seem() {
    let whole = package(&plain());
    for length in [4, 30, whole.len() / 2, whole.len() - 1] {
        refused(
            "a.3mf",
            &whole[..length],
            Trouble::CutShort,
            "not a whole zip archive",
        );
    }
    let other = archive(&[("word/document.xml", b"<w/>")]);
    refused(
        "a.3mf",
        &other,
        Trouble::UnknownKind,
        "no list of relationships",
    );
    let no_model = archive(&[("_rels/.rels", RELS.as_bytes())]);
    refused("a.3mf", &no_model, Trouble::Malformed, "lacks the part");
    let none = RELS.replace("/3dmodel\"", "/2dmodel\"");
    refused(
        "a.3mf",
        &archive(&[("_rels/.rels", none.as_bytes())]),
        Trouble::Malformed,
        "names no 3D model",
    );
    let protected = RELS.replace("</Rel", "<Relationship Target=\"/Secure/keystore.xml\" Type=\"http://schemas.microsoft.com/3dmanufacturing/2019/04/keystore\"/></Rel");
    let parts = [
        ("_rels/.rels", protected.as_bytes()),
        ("3D/3dmodel.model", b"<model/>"),
    ];
    refused("a.3mf", &archive(&parts), Trouble::Encrypted, "protected");
    // The encryption bit in both headers of the first entry.
    let mut locked = whole.clone();
    let central = locked.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
    locked[6] |= 1;
    locked[central + 8] |= 1;
    refused(
        "a.3mf",
        &locked,
        Trouble::Encrypted,
        "part _rels/.rels: is encrypted",
    );
    // A flipped byte in packed data is caught by its checksum.
    let mut flipped = whole;
    let at = flipped
        .windows(16)
        .rposition(|w| w == b"3D/3dmodel.model")
        .unwrap()
        / 2;
    flipped[at] ^= 0x40;
    assert!(read("a.3mf", &flipped).is_err());
}

#[test]
fn xml_that_is_not_what_it_seems() {
    let dtd = plain().replacen("<model", "<!DOCTYPE x [<!ENTITY a \"1\">]><model", 1);
    refused(
        "a.3mf",
        &package(&dtd),
        Trouble::Malformed,
        "document type definition",
    );
    let empty_dtd = plain().replacen("<model", "<!DOCTYPE x><model", 1);
    refused(
        "a.3mf",
        &package(&empty_dtd),
        Trouble::Malformed,
        "document type definition",
    );
    let cut = &plain()[..700];
    refused(
        "a.3mf",
        &package(cut),
        Trouble::Malformed,
        "no well-formed XML",
    );
    let open = plain().replace("</build></model>", "</build>");
    refused(
        "a.3mf",
        &package(&open),
        Trouble::CutShort,
        "ends inside model",
    );
    let crossed = plain().replace("</vertices>", "</vertexes>");
    refused(
        "a.3mf",
        &package(&crossed),
        Trouble::Malformed,
        "vertexes ends and was not open",
    );
    refused("a.3mf", &package(""), Trouble::NoSurface, "");
    refused(
        "a.3mf",
        &package("<other/>"),
        Trouble::Malformed,
        "where model should be",
    );
    let deep = format!(
        "{}{}",
        plain().replace("</build></model>", ""),
        "<x>".repeat(100)
    );
    refused("a.3mf", &package(&deep), Trouble::Malformed, "64 deep");
    let wide: Vec<u8> = [0xff, 0xfe]
        .into_iter()
        .chain(plain().encode_utf16().flat_map(u16::to_le_bytes))
        .collect();
    let parts = [
        ("_rels/.rels", RELS.as_bytes()),
        ("3D/3dmodel.model", wide.as_slice()),
    ];
    is_cuboid(&read("a.3mf", &archive(&parts)).unwrap());
}

#[test]
fn bombs_are_not_unpacked_to_the_end() {
    let mut huge = plain();
    huge.insert_str(huge.find("<resources>").unwrap(), &" ".repeat(64 << 20));
    let bytes = package(&huge);
    assert!(bytes.len() < 1 << 18);
    refused("a.3mf", &bytes, Trouble::TooLarge, "unpacks to more than");
}

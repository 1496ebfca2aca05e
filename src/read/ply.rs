//! PLY, text and binary of both byte orders, through `ply-rs-bw`. Before it goes a cleaning of
//! the header (comments of any coding, any line ends) and a check that the bytes can hold what
//! the header counts, so that a lying count ends at once and in plain words.

use std::io::BufRead;

use ply_rs_bw::parser::{ParseError, Parser, Reader};
use ply_rs_bw::ply::{
    BeginList, ElementDef, Encoding, Header, Property, PropertyAccess, PropertyAccessResult,
    PropertyType, ScalarType,
};

use crate::mesh::Point;

use super::Format;
use super::error::{Fault, Place, Trouble, shown};
use super::polygon::Faces;
use super::raw::{Raw, check_cap};

/// Does the file open as a PLY file does?
pub(super) fn opens(bytes: &[u8]) -> bool {
    let start = after_mark(bytes);
    start.strip_prefix(b"ply").is_some_and(|rest| {
        let line = rest.iter().find(|b| !matches!(b, b' ' | b'\t'));
        matches!(line, Some(b'\n' | b'\r'))
    })
}

/// Past a byte-order mark and blank lines.
fn after_mark(bytes: &[u8]) -> &[u8] {
    bytes
        .strip_prefix(b"\xef\xbb\xbf")
        .unwrap_or(bytes)
        .trim_ascii_start()
}

pub(super) fn read(bytes: &[u8], max_facets: usize) -> Result<Raw, Fault> {
    let file = split(after_mark(bytes))?;
    let header = parse_header(&file)?;
    check_counts(&header, file.body.len())?;
    check_cap(count(&header, "face"), max_facets)?;
    let mut notes = Vec::new();
    let text;
    let body = if header.encoding == Encoding::Ascii {
        text = plain_text(file.body);
        text.as_bytes()
    } else {
        file.body
    };
    let mut payload = Payload::new(body, &header, file.lines.len());
    for (_, def) in &header.elements {
        payload.element(def)?;
    }
    let left = payload.reader.get_ref().trim_ascii_end().len();
    if left > 0 {
        notes.push(format!("{left} bytes after the last element were left out"));
    }
    if payload.strips > 0 {
        let n = payload.strips;
        notes.push(format!(
            "{n} triangle strips were taken apart into triangles"
        ));
    }
    let Payload { points, faces, .. } = payload;
    let facets = faces.cut(&points, max_facets, &mut notes)?;
    let format = match header.encoding {
        Encoding::Ascii => Format::PlyText,
        Encoding::BinaryLittleEndian => Format::PlyLittleEndian,
        Encoding::BinaryBigEndian => Format::PlyBigEndian,
    };
    Raw::from_indexed(&points, facets, format, notes)
}

struct Parts<'a> {
    /// Header lines made fit for the parser, one for one.
    lines: Vec<String>,
    body: &'a [u8],
}

/// Header and body. The first line's end tells all line ends: a body may well begin with a byte
/// that looks like one.
fn split(bytes: &[u8]) -> Result<Parts<'_>, Fault> {
    let first = bytes.iter().position(|b| matches!(b, b'\n' | b'\r'));
    let end: &[u8] = match first.map(|at| &bytes[at..]) {
        Some([b'\r', b'\n', ..]) => b"\r\n",
        Some([b'\r', ..]) => b"\r",
        _ => b"\n",
    };
    let mut lines = Vec::new();
    let mut rest = bytes;
    while let Some(at) = rest.windows(end.len()).position(|w| w == end) {
        let line = String::from_utf8_lossy(&rest[..at]);
        let line = line.trim();
        rest = &rest[at + end.len()..];
        // Comments may hold anything and blank lines are harmless: neither is for the parser.
        let skip = line.is_empty() || line.starts_with("comment") || line.starts_with("obj_info");
        lines.push(if skip {
            "comment".to_owned()
        } else {
            line.to_owned()
        });
        if line == "end_header" {
            return Ok(Parts { lines, body: rest });
        }
    }
    let fact = "the header has no end_header";
    Err(Fault::new(Trouble::CutShort, fact))
}

fn parse_header(file: &Parts) -> Result<Header, Fault> {
    let mut text = file.lines.join("\n");
    text.push('\n');
    let mut reader = Reader::new(text.as_bytes());
    let header = Parser::<Skipped>::new()
        .read_header(&mut reader)
        .map_err(|e| {
            let line = file.lines.get(reader.line().saturating_sub(1));
            let fact = match line {
                Some(line) if e.line().is_some() => {
                    format!("\"{}\" is no line of a PLY header", shown(line))
                }
                _ => format!("the header is wrong: {}", first_line(&e)),
            };
            Fault::at(Trouble::Malformed, Place::Line(reader.line()), fact)
        })?;
    // The parser keeps one of two elements or properties of the same name, and then loses step.
    let defined = |word: &str| file.lines.iter().filter(|l| l.starts_with(word)).count();
    let properties: usize = header.elements.values().map(|e| e.properties.len()).sum();
    if header.elements.len() != defined("element ") || properties != defined("property ") {
        let fact = "two elements or two properties in the header have the same name";
        return Err(Fault::new(Trouble::Malformed, fact));
    }
    Ok(header)
}

fn count(header: &Header, element: &str) -> usize {
    header.elements.get(element).map_or(0, |e| e.count)
}

/// Can the body hold as much as the header counts?
fn check_counts(header: &Header, body: usize) -> Result<(), Fault> {
    let mut needed: u128 = 0;
    for (name, def) in &header.elements {
        let types = def.properties.values().map(|p| &p.data_type);
        let least: usize = match header.encoding {
            // A digit and a separator each; the last one's may be missing.
            Encoding::Ascii => 2 * types.count(),
            _ => types.map(least_bytes).sum(),
        };
        if least == 0 && def.count > 0 {
            let fact = format!("element {} has no properties", shown(name));
            return Err(Fault::new(Trouble::Malformed, fact));
        }
        needed += least as u128 * def.count as u128;
        if needed > body as u128 + 1 {
            let fact = format!(
                "the header counts {} of element {}, and the file is too short for them",
                def.count,
                shown(name)
            );
            return Err(Fault::new(Trouble::CutShort, fact));
        }
    }
    let axes = |e: &ElementDef| {
        ["x", "y", "z"]
            .iter()
            .all(|a| e.properties.contains_key(*a))
    };
    if !header.elements.get("vertex").is_some_and(axes) {
        let fact = "the header defines no vertices with x, y and z";
        return Err(Fault::new(Trouble::NoSurface, fact));
    }
    Ok(())
}

const fn least_bytes(kind: &PropertyType) -> usize {
    let (PropertyType::Scalar(scalar) | PropertyType::List(scalar, _)) = kind;
    match scalar {
        ScalarType::Char | ScalarType::UChar => 1,
        ScalarType::Short | ScalarType::UShort => 2,
        ScalarType::Int | ScalarType::UInt | ScalarType::Float => 4,
        ScalarType::Double => 8,
    }
}

/// Text body with LF line ends, whatever they were.
fn plain_text(body: &[u8]) -> String {
    let text = String::from_utf8_lossy(body);
    text.replace("\r\n", "\n").replace('\r', "\n")
}

fn first_line(e: &ParseError) -> String {
    shown(e.to_string().lines().next().unwrap_or_default())
}

/// Elements read at a time. Each list is its own allocation in the parser; taken in parts they
/// are freed at once. Too low: per-part cost; too high: memory. From 10³ to 10⁶ no difference.
const PART: usize = 65_536;

struct Payload<'a> {
    reader: Reader<&'a [u8]>,
    body: &'a [u8],
    header: &'a Header,
    header_lines: usize,
    points: Vec<Point>,
    faces: Faces,
    strips: usize,
}

impl<'a> Payload<'a> {
    fn new(body: &'a [u8], header: &'a Header, header_lines: usize) -> Self {
        Self {
            reader: Reader::new(body),
            body,
            header,
            header_lines,
            points: Vec::new(),
            faces: Faces::default(),
            strips: 0,
        }
    }

    fn element(&mut self, def: &ElementDef) -> Result<(), Fault> {
        match def.name.as_str() {
            "vertex" => self.parts(def, |this, v: Vertex| {
                this.points.push(Point::new(v.x, v.y, v.z));
                Ok(())
            }),
            "face" => self.parts(def, Self::face),
            "tristrips" => self.parts(def, Self::strip),
            _ => self.parts(def, |_, _: Skipped| Ok(())),
        }
    }

    fn parts<E: PropertyAccess>(
        &mut self,
        def: &ElementDef,
        mut take: impl FnMut(&mut Self, E) -> Result<(), Fault>,
    ) -> Result<(), Fault> {
        let parser = Parser::<E>::new();
        let mut part = def.clone();
        let mut left = def.count;
        while left > 0 {
            part.count = left.min(PART);
            left -= part.count;
            let header = self.header;
            let elements = parser
                .read_payload_for_element(&mut self.reader, &part, header)
                .map_err(|e| self.fault(&e, def))?;
            for element in elements {
                take(self, element)?;
            }
        }
        Ok(())
    }

    fn face(&mut self, face: Face) -> Result<(), Fault> {
        let place = Place::Facet(self.faces.len());
        let mut corners = face.words;
        for index in face.ints {
            let Ok(index) = u32::try_from(index) else {
                let fact = format!("a face names point {index}");
                return Err(Fault::at(Trouble::Malformed, place, fact));
            };
            corners.push(index);
        }
        self.faces.push(corners, None);
        Ok(())
    }

    /// A strip: every three corners in a row are a triangle, every second one turned round; −1
    /// starts a new strip.
    fn strip(&mut self, strip: Face) -> Result<(), Fault> {
        self.strips += 1;
        let words = strip.words.into_iter().map(i64::from);
        let all: Vec<i64> = words.chain(strip.ints.into_iter().map(i64::from)).collect();
        for run in all.split(|&i| i < 0) {
            for (at, w) in run.windows(3).enumerate() {
                let named = [w[0], w[1], w[2]].map(|i| u32::try_from(i).unwrap_or(u32::MAX));
                let [a, b, c] = named;
                self.faces
                    .push(if at % 2 == 0 { [a, b, c] } else { [b, a, c] }, None);
            }
        }
        Ok(())
    }

    fn fault(&self, e: &ParseError, def: &ElementDef) -> Fault {
        let element = shown(&def.name);
        if e.kind() == std::io::ErrorKind::UnexpectedEof {
            let n = def.count;
            let fact = format!("the file ends before the last of {n} elements {element}");
            return Fault::new(Trouble::CutShort, fact);
        }
        if self.header.encoding != Encoding::Ascii {
            let fact = format!("element {element}: {}", first_line(e));
            return Fault::new(Trouble::Malformed, fact);
        }
        let at = self.reader.line();
        let line = self.body.lines().nth(at.saturating_sub(1));
        let line = line.and_then(Result::ok).unwrap_or_default();
        let has = |word| line.to_ascii_lowercase().contains(word);
        let trouble = match () {
            () if has(",") => Trouble::DecimalComma,
            () if has("nan") || has("inf") => Trouble::NotFinite,
            () => Trouble::Malformed,
        };
        let fact = format!("\"{}\" is no line of element {element}", shown(&line));
        Fault::at(trouble, Place::Line(self.header_lines + at), fact)
    }
}

/// An element that is read past.
struct Skipped;

impl PropertyAccess for Skipped {
    fn new() -> Self {
        Self
    }
}

struct Vertex {
    x: f64,
    y: f64,
    z: f64,
}

impl Vertex {
    fn put(&mut self, name: &str, value: f64) -> PropertyAccessResult {
        match name {
            "x" => self.x = value,
            "y" => self.y = value,
            "z" => self.z = value,
            _ => return PropertyAccessResult::Ignored,
        }
        PropertyAccessResult::Set
    }
}

impl PropertyAccess for Vertex {
    /// NaN until set: a coordinate that never comes must not pass for 0.
    fn new() -> Self {
        let x = f64::NAN;
        Self { x, y: x, z: x }
    }

    fn set_float(&mut self, name: &str, value: f32) -> PropertyAccessResult {
        self.put(name, f64::from(value))
    }

    fn set_double(&mut self, name: &str, value: f64) -> PropertyAccessResult {
        self.put(name, value)
    }

    fn set_property(&mut self, name: &str, value: Property) -> PropertyAccessResult {
        match value {
            Property::Char(v) => self.put(name, f64::from(v)),
            Property::UChar(v) => self.put(name, f64::from(v)),
            Property::Short(v) => self.put(name, f64::from(v)),
            Property::UShort(v) => self.put(name, f64::from(v)),
            Property::Int(v) => self.put(name, f64::from(v)),
            Property::UInt(v) => self.put(name, f64::from(v)),
            _ if matches!(name, "x" | "y" | "z") => PropertyAccessResult::UnsupportedType,
            _ => PropertyAccessResult::Ignored,
        }
    }
}

/// Corners, in whichever type the file declares.
#[derive(Default)]
struct Face {
    ints: Vec<i32>,
    words: Vec<u32>,
}

fn is_corners(name: &str) -> bool {
    name == "vertex_indices" || name == "vertex_index"
}

impl PropertyAccess for Face {
    fn new() -> Self {
        Self::default()
    }

    fn begin_list_int(&mut self, name: &str, _: usize) -> BeginList<'_, i32> {
        if is_corners(name) {
            return BeginList::Fill(&mut self.ints);
        }
        BeginList::UseSetter
    }

    fn begin_list_uint(&mut self, name: &str, _: usize) -> BeginList<'_, u32> {
        if is_corners(name) {
            return BeginList::Fill(&mut self.words);
        }
        BeginList::UseSetter
    }

    fn set_property(&mut self, name: &str, value: Property) -> PropertyAccessResult {
        if !is_corners(name) {
            return PropertyAccessResult::Ignored;
        }
        match value {
            Property::ListChar(v) => self.ints = v.into_iter().map(i32::from).collect(),
            Property::ListUChar(v) => self.ints = v.into_iter().map(i32::from).collect(),
            Property::ListShort(v) => self.ints = v.into_iter().map(i32::from).collect(),
            Property::ListUShort(v) => self.ints = v.into_iter().map(i32::from).collect(),
            _ => return PropertyAccessResult::UnsupportedType,
        }
        PropertyAccessResult::Set
    }
}

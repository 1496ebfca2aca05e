//! Tells the kind of a file by its content; the name's ending is a hint only, and a note says
//! where the two disagree. Length comes first: a file that is exactly 84 + 50·n bytes long for
//! the n at its byte 80 is binary STL whatever its header says, `solid` included.

use std::path::Path;

use super::error::{Fault, Trouble, shown_bytes};
use super::raw::Raw;
use super::text::{Lines, decode};
use super::{Format, ReadOptions, obj, off, ply, stl_binary, stl_text, threemf};

/// Which reader takes the bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    StlBinary,
    StlText,
    Ply,
    Obj,
    Off,
    ThreeMf,
}

/// Reads the bytes as what they are.
pub(super) fn read(bytes: &[u8], path: &Path, opts: &ReadOptions) -> Result<Raw, Fault> {
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    let hint = ending.as_deref().and_then(by_ending);
    let kind = kind_of(bytes, hint)?;
    let cap = opts.max_facets;
    let mut raw = match kind {
        Kind::StlBinary => stl_binary::read(bytes, cap),
        Kind::StlText => stl_text::read(&decode(bytes), cap),
        Kind::Ply => ply::read(bytes, cap),
        Kind::Obj => obj::read(&decode(bytes), cap),
        Kind::Off => off::read(&decode(bytes), cap),
        Kind::ThreeMf => threemf::read(bytes, opts),
    }?;
    let by_name = |h: Kind| {
        if h == Kind::StlText {
            Kind::StlBinary
        } else {
            h
        }
    };
    if hint.is_some_and(|h| by_name(h) != by_name(kind)) {
        let (ending, is) = (ending.unwrap_or_default(), name(raw.format));
        raw.notes.push(format!(
            "the name ends in .{ending}, but the content is {is}"
        ));
    }
    Ok(raw)
}

fn by_ending(ending: &str) -> Option<Kind> {
    match ending {
        "stl" => Some(Kind::StlText),
        "ply" => Some(Kind::Ply),
        "obj" => Some(Kind::Obj),
        "off" => Some(Kind::Off),
        "3mf" => Some(Kind::ThreeMf),
        _ => None,
    }
}

const fn name(format: Format) -> &'static str {
    match format {
        Format::StlBinary | Format::StlText => "STL",
        Format::PlyText | Format::PlyLittleEndian | Format::PlyBigEndian => "PLY",
        Format::Obj => "OBJ",
        Format::Off => "OFF",
        Format::ThreeMf => "3MF",
    }
}

fn kind_of(bytes: &[u8], hint: Option<Kind>) -> Result<Kind, Fault> {
    if stl_binary::length_fits(bytes) {
        return Ok(Kind::StlBinary);
    }
    if bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(b"PK\x05\x06") {
        return Ok(Kind::ThreeMf);
    }
    if ply::opens(bytes) {
        return Ok(Kind::Ply);
    }
    if let Some(what) = foreign(bytes) {
        let fact = format!("this is {what}, not a mesh that can be read here");
        return Err(Fault::new(Trouble::UnknownKind, fact));
    }
    if !holds_zeros(bytes)
        && let Some(kind) = text_kind(bytes, hint)
    {
        return Ok(kind);
    }
    // No text that is known, and the length does not fit: binary STL with a wrong count, if
    // anything says so.
    let says_stl = hint == Some(Kind::StlText) || bytes.starts_with(b"solid");
    if says_stl && holds_controls(bytes) {
        return Ok(Kind::StlBinary);
    }
    Err(unknown(bytes))
}

fn unknown(bytes: &[u8]) -> Fault {
    let start = shown_bytes(&bytes[..bytes.len().min(24)]);
    let fact = format!("no mesh format that is read here begins with \"{start}\"");
    Fault::new(Trouble::UnknownKind, fact)
}

/// Common files that land in a folder of scans by mistake.
fn foreign(bytes: &[u8]) -> Option<&'static str> {
    const KNOWN: [(&[u8], &str); 9] = [
        (b"\x1f\x8b", "a gzip archive"),
        (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
        (b"Rar!", "a RAR archive"),
        (b"glTF", "a glTF file"),
        (b"ISO-10303", "a STEP file"),
        (b"\x89PNG", "a PNG picture"),
        (b"\xff\xd8\xff", "a JPEG picture"),
        (b"%PDF", "a PDF document"),
        (b"\xd0\xcf\x11\xe0", "an old office or protected document"),
    ];
    let found = KNOWN.iter().find(|(magic, _)| bytes.starts_with(magic));
    found.map(|(_, what)| *what)
}

/// Where text and binary part: binary STL is full of zeros (its attribute words), text of one byte
/// a letter has none. Other control characters do turn up in names, so they do not decide.
fn holds_zeros(bytes: &[u8]) -> bool {
    let wide = bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff");
    !wide && bytes[..bytes.len().min(START)].contains(&0)
}

fn holds_controls(bytes: &[u8]) -> bool {
    let control = |b: &u8| b.is_ascii_control() && !b.is_ascii_whitespace();
    bytes[..bytes.len().min(START)].iter().any(control)
}

/// Bytes looked at to tell text from binary: some eighty facets of binary STL.
const START: usize = 4096;

/// The first word that is no comment decides. Words of OBJ are short and could open a letter, so
/// without the name's ending it must also hold a point.
fn text_kind(bytes: &[u8], hint: Option<Kind>) -> Option<Kind> {
    let text = decode(bytes);
    let line = Lines::new(&text)
        .map(|(_, line)| line.trim())
        .find(|line| !line.is_empty() && !line.starts_with('#'));
    let Some(line) = line else { return hint };
    let first = line.split_ascii_whitespace().next().unwrap_or_default();
    if first.eq_ignore_ascii_case("solid") || first.eq_ignore_ascii_case("facet") {
        return Some(Kind::StlText);
    }
    if off::is_keyword(first) {
        return Some(Kind::Off);
    }
    if obj::is_keyword(first) && (hint == Some(Kind::Obj) || obj::holds_a_point(&text)) {
        return Some(Kind::Obj);
    }
    // The keyword of OFF may be missing, and OBJ may begin with words of some program's own.
    hint.filter(|h| matches!(h, Kind::Off | Kind::Obj))
}

//! Why a file could not be read: which file, where in it, what is so, and what to do next.
//! One type for all formats, so that a batch prints each failure the same way and goes on.

use std::fmt;
use std::path::{Path, PathBuf};

/// Where in a file the trouble sits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// Line of a text file, counted from 1 as editors do.
    Line(usize),
    /// Facet, counted from 0 in file order, as [`crate::mesh::Mesh`] does.
    Facet(usize),
    /// Byte offset from the start of the file.
    Byte(u64),
    /// Part inside a 3MF archive, with the byte offset in it where that is known.
    Part(String, Option<usize>),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(n) => write!(f, "line {n}"),
            Self::Facet(n) => write!(f, "facet {n} (counted from 0)"),
            Self::Byte(n) => write!(f, "byte {n}"),
            Self::Part(name, None) => write!(f, "part {}", shown(name)),
            Self::Part(name, Some(at)) => write!(f, "part {}, byte {at}", shown(name)),
        }
    }
}

/// What kind of trouble it is; each kind has its own next step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// No such file.
    NotFound,
    /// The system does not let us read it.
    NoPermission,
    /// A folder, a pipe, a device.
    NotAFile,
    /// The system failed while reading.
    Unreadable,
    /// No bytes at all.
    Empty,
    /// More bytes, facets or points than the caps allow.
    TooLarge,
    /// None of the formats that this library reads.
    UnknownKind,
    /// The file ends before what it announced.
    CutShort,
    /// The bytes break the rules of the format.
    Malformed,
    /// A coordinate is NaN, infinite, or absurdly far away.
    NotFinite,
    /// A number is written with a comma.
    DecimalComma,
    /// Readable, but there is not one facet in it.
    NoSurface,
    /// The content is encrypted.
    Encrypted,
    /// A feature of the format that this library does not read.
    Unsupported,
    /// The options given to the reader make no sense.
    BadOption,
}

/// Why a file could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadError {
    /// The file, as it was named.
    pub file: PathBuf,
    /// Where in it, if there is a where.
    pub place: Option<Place>,
    /// The kind of trouble.
    pub trouble: Trouble,
    /// What is so, in words, without file and place.
    pub fact: String,
}

impl ReadError {
    /// What to do next, one sentence.
    #[must_use]
    pub const fn help(&self) -> &'static str {
        match self.trouble {
            Trouble::NotFound => "check the name and the folder",
            Trouble::NoPermission => "give yourself the right to read the file, or copy it",
            Trouble::NotAFile => {
                "name a mesh file itself (a folder goes to `secondbend intake`); save what comes through a pipe first"
            }
            Trouble::Unreadable => "copy the file to a local disk and try again",
            Trouble::Empty => "export or copy the scan again",
            Trouble::TooLarge => "reduce the mesh before export, or raise the cap on purpose",
            Trouble::UnknownKind => "export the scan as STL, PLY, OBJ, OFF or 3MF",
            Trouble::CutShort => "the file was cut short on the way; export or copy it again",
            Trouble::Malformed => {
                "the file is damaged or was edited by hand; export the scan again"
            }
            Trouble::NotFinite => "repair the mesh in the program it came from, then export again",
            Trouble::DecimalComma => "export again with a point as the decimal mark",
            Trouble::NoSurface => "export the scan as a triangle surface, not as points or curves",
            Trouble::Encrypted => "save it without a password or protection",
            Trouble::Unsupported => "export the scan as a plain triangle mesh, for example STL",
            Trouble::BadOption => "correct the option",
        }
    }
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", printable(&self.file.to_string_lossy()))?;
        if let Some(place) = &self.place {
            write!(f, "{place}: ")?;
        }
        f.write_str(&self.fact)
    }
}

impl std::error::Error for ReadError {}

/// A failure that does not know its file yet; the format readers return it.
#[derive(Debug)]
pub(super) struct Fault {
    pub place: Option<Place>,
    pub trouble: Trouble,
    pub fact: String,
}

impl Fault {
    pub fn new(trouble: Trouble, fact: impl Into<String>) -> Self {
        Self {
            place: None,
            trouble,
            fact: fact.into(),
        }
    }

    pub fn at(trouble: Trouble, place: Place, fact: impl Into<String>) -> Self {
        Self {
            place: Some(place),
            trouble,
            fact: fact.into(),
        }
    }

    pub fn in_file(self, file: &Path) -> ReadError {
        ReadError {
            file: file.to_path_buf(),
            place: self.place,
            trouble: self.trouble,
            fact: self.fact,
        }
    }
}

/// Text from a file made fit to print: no control characters (a name may hold newlines or
/// terminal escapes), and no more than 60 characters.
pub(super) fn shown(text: &str) -> String {
    const MOST: usize = 60;
    let mut chars = text.chars();
    let mut out = printable(chars.by_ref().take(MOST).collect::<String>().as_str());
    if chars.next().is_some() {
        out.push('…');
    }
    out
}

fn printable(text: &str) -> String {
    let clean = |c: char| if c.is_control() { '\u{fffd}' } else { c };
    text.chars().map(clean).collect()
}

/// The same for bytes of unknown coding.
pub(super) fn shown_bytes(bytes: &[u8]) -> String {
    shown(&String::from_utf8_lossy(&bytes[..bytes.len().min(256)]))
}

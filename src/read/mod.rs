//! Bytes in, [`Scan`] out: the mesh and what the file said of itself. Nothing is repaired and no
//! unit is guessed; what was odd but survivable is told in [`Scan::notes`].

mod error;
mod file;
mod obj;
mod off;
mod ply;
mod polygon;
mod raw;
mod scan;
mod size;
mod sniff;
mod stl_binary;
mod stl_text;
mod text;
mod threemf;
mod weld;

pub use error::{Place, ReadError, Trouble};
pub use file::read_file;
pub(crate) use file::why_unread;
pub use scan::read_bytes;
pub(crate) use scan::sha256;
pub(crate) use size::extent;

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::mesh::Mesh;

/// A length unit that a file or a user may name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Micrometre.
    Um,
    /// Millimetre.
    Mm,
    /// Centimetre.
    Cm,
    /// Inch, 25.4 mm.
    Inch,
    /// Foot, 304.8 mm (3MF only).
    Foot,
    /// Metre.
    M,
}

impl Unit {
    /// How many millimetres one of it is.
    #[must_use]
    pub const fn in_mm(self) -> f64 {
        match self {
            Self::Um => 0.001,
            Self::Mm => 1.0,
            Self::Cm => 10.0,
            Self::Inch => 25.4,
            Self::Foot => 304.8,
            Self::M => 1000.0,
        }
    }
}

impl std::fmt::Display for Unit {
    /// As a user types it: `um`, `mm`, `cm`, `inch`, `foot`, `m`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Um => "um",
            Self::Mm => "mm",
            Self::Cm => "cm",
            Self::Inch => "inch",
            Self::Foot => "foot",
            Self::M => "m",
        })
    }
}

/// How the unit came to be known.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum UnitFrom {
    /// The user said so.
    Option,
    /// The file says so itself (3MF).
    File,
    /// Nobody said; millimetres are plausible for an ear impression and were taken.
    PlausibleSize,
    /// Nobody said and millimetres are not plausible: coordinates are left as they stand and
    /// every length is *cannot tell*.
    Unknown,
}

/// Which kind of file it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// STL, binary.
    StlBinary,
    /// STL, text.
    StlText,
    /// PLY, text.
    PlyText,
    /// PLY, binary, little endian.
    PlyLittleEndian,
    /// PLY, binary, big endian.
    PlyBigEndian,
    /// Wavefront OBJ.
    Obj,
    /// Object File Format.
    Off,
    /// 3D Manufacturing Format.
    ThreeMf,
}

/// How points were welded on reading.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Weld {
    /// Points as the file lists them.
    pub before: usize,
    /// Left after points with exactly the same coordinates became one.
    pub after_exact: usize,
    /// Left after the tolerance weld too.
    pub after: usize,
    /// Facets whose corners the tolerance weld joined, so that they are no more.
    pub collapsed: usize,
    /// The tolerance, mm; 0 where only exactly equal points were welded (unit unknown).
    pub tolerance_mm: f64,
}

/// What the reader may assume and how much it may take in.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadOptions {
    /// The unit of the coordinates, where the user said it. A 3MF file's own unit comes first.
    pub unit: Option<Unit>,
    /// Points nearer than this become one, mm; 0 to [`ReadOptions::MOST_WELD_MM`].
    pub weld_tolerance_mm: f64,
    /// A file with more facets is refused.
    pub max_facets: usize,
    /// A file with more bytes is refused; so is a 3MF archive that unpacks to more.
    pub max_bytes: u64,
}

impl ReadOptions {
    /// Largest weld tolerance accepted, mm. Walls of finished shells are 0.4 mm and up, facets
    /// of fine scans have sides of 0.05 mm and up: a thousandth cannot join either.
    pub const MOST_WELD_MM: f64 = 1e-3;
}

impl Default for ReadOptions {
    fn default() -> Self {
        Self {
            unit: None,
            // Too low: copies of a point that differ by one f32 step stay apart and open a seam;
            // that step is 8·10⁻⁶ mm up to 128 mm from the origin. Too high: surfaces from label
            // stacks have slivers this thin. On one of two real canals 10⁻⁵ collapses 2 facets of
            // 77,484, 10⁻⁴ 28 and 10⁻³ 180; on the other 0, 0 and 94.
            weld_tolerance_mm: 1e-5,
            max_facets: 20_000_000,
            // 20 million facets are 1.0 GB as binary STL, and 2 GiB holds 11 million as text.
            max_bytes: 2 << 30,
        }
    }
}

/// A mesh and what its file said of itself.
#[derive(Debug, Clone)]
pub struct Scan {
    /// The surface, in millimetres where the unit is known (see `unit_from`).
    pub mesh: Mesh,
    /// Where it was read from (`-` or a label where it was not a file).
    pub path: PathBuf,
    /// SHA-256 of the bytes, lower-case hex.
    pub sha256: String,
    /// Size of the file.
    pub bytes: u64,
    /// Kind of file.
    pub format: Format,
    /// The unit that the coordinates were taken to be in.
    pub unit: Option<Unit>,
    /// How that unit is known.
    pub unit_from: UnitFrom,
    /// With an unknown unit: those in which the size would be that of an ear impression.
    pub plausible_units: Vec<Unit>,
    /// What welding did.
    pub weld: Weld,
    /// Oddities that did not stop the reading, for people.
    pub notes: Vec<String>,
}

//! What a report says, as plain data. The JSON keys are these names, in this order; they are
//! relied on from outside, so a change of meaning is a new schema name. Every length is in mm,
//! every angle in degrees, every place in the input's own pose. A key whose figure can't be
//! measured is there with `null`, and a check says why.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::checks::{Outcome, Sense, Verdict};
use crate::limits::Setting;
use crate::mesh::{Point, Vector};
use crate::read::{Format, Unit, UnitFrom};
use crate::soundness::Region;
use crate::units::{Bound, Measured};

use super::Finite;

/// Name of the schema that [`Report`] follows.
pub const SCHEMA: &str = "secondbend.report/1";

/// Three coordinates (mm) or the parts of a unit vector.
pub type Xyz = [Finite; 3];

pub(super) fn xyz(p: &Point) -> Xyz {
    [Finite(p.x), Finite(p.y), Finite(p.z)]
}

pub(super) fn direction(v: &Vector) -> Xyz {
    [Finite(v.x), Finite(v.y), Finite(v.z)]
}

/// A measured figure, in the unit of the key that it stands under.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Figure {
    /// The figure.
    pub value: Finite,
    /// Half width of its 95 % interval.
    pub plus_minus: Finite,
    /// The value itself, or a one-sided bound.
    pub bound: Bound,
}

impl From<Measured> for Figure {
    fn from(m: Measured) -> Self {
        Self {
            value: Finite(m.value),
            plus_minus: Finite(m.plus_minus),
            bound: m.bound,
        }
    }
}

impl Figure {
    /// The same as a [`Measured`].
    #[must_use]
    pub const fn measured(&self) -> Measured {
        Measured {
            value: self.value.0,
            plus_minus: self.plus_minus.0,
            bound: self.bound,
        }
    }
}

/// One scan's report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend report")]
pub struct Report {
    /// Always `secondbend.report/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// What was asked: `vet`.
    pub command: String,
    /// The scan as read.
    pub input: Input,
    /// Order or serial number as it was typed; `null` if none was.
    pub order: Option<String>,
    /// The worst of the checks' `weighs`: `design` < `repair` < `cannot_tell` < `retake`.
    pub verdict: Verdict,
    /// Which ear.
    pub side: SideReport,
    /// The canal; `null` where none could be measured (see the checks).
    pub canal: Option<CanalReport>,
    /// The surface as a surface.
    pub soundness: SoundnessReport,
    /// The straight pulls; `null` where they were not measured (see the checks).
    pub undercut: Option<super::UndercutSummary>,
    /// Every check with its answer.
    pub checks: Vec<CheckReport>,
    /// All limits used, by table and key.
    pub limits: BTreeMap<String, BTreeMap<String, Setting>>,
    /// The limits file as it was named; `null` for the defaults.
    pub limits_from: Option<String>,
    /// What the report is not.
    pub caution: String,
    /// In an intake another file of the folder with the same bytes; left out where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub same_content_as: Option<String>,
}

/// All that [`Report::headline`] may say, in the order in which scans are counted.
pub const HEADLINES: [&str; 5] = [
    Verdict::Design.words(),
    Verdict::Repair.words(),
    Verdict::Retake.words(),
    Verdict::CannotTell.words_where(true),
    Verdict::CannotTell.words(),
];

impl Report {
    /// The verdict as it is said at the top: see [`Verdict::words_where`].
    #[must_use]
    pub fn headline(&self) -> (Outcome, &'static str) {
        let decides = |c: &CheckReport| {
            c.outcome == Outcome::Breaks && c.weighs == Verdict::CannotTell && c.because.is_none()
        };
        let breaks = self.checks.iter().any(decides);
        let tone = match self.verdict {
            Verdict::Design => Outcome::Holds,
            Verdict::CannotTell if !breaks => Outcome::CannotTell,
            _ => Outcome::Breaks,
        };
        (tone, self.verdict.words_where(breaks))
    }
}

/// What made the report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tool {
    /// `secondbend`.
    pub name: String,
    /// Its version.
    pub version: String,
}

/// The scan as read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Input {
    /// The file as it was named (bytes that are no text are replaced).
    pub path: String,
    /// SHA-256 of its bytes, lower-case hex.
    pub sha256: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// Kind of file.
    pub format: Format,
    /// Number of facets.
    pub facets: usize,
    /// Number of points after welding.
    pub points: usize,
    /// The unit that its coordinates were taken to be in; `null` if unknown.
    pub unit: Option<Unit>,
    /// How the unit is known.
    pub unit_from: UnitFrom,
    /// Greatest distance across the part that the canal is on (else the largest), mm; `null` if the unit is unknown.
    pub longest_side_mm: Option<Finite>,
    /// Units in which it would be as large as an ear impression, where the unit is unknown or
    /// doubtful; else empty.
    pub plausible_units: Vec<Unit>,
    /// Points as the file lists them.
    pub points_before_welding: usize,
    /// Points closer than this became one, mm.
    pub weld_tolerance_mm: Finite,
    /// Oddities of the file that did not stop the reading.
    pub notes: Vec<String>,
}

/// A side that may be unknown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SideWord {
    /// The left ear.
    Left,
    /// The right ear.
    Right,
    /// Could not be told.
    Unknown,
}

/// Which ear.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SideReport {
    /// As read from the shape.
    pub value: SideWord,
    /// Evidence, −1 (surely left) to +1 (surely right); `null` without a canal.
    pub margin: Option<Finite>,
    /// The side that it is held against: the order's, in an intake that of the file's name; `null` if none.
    pub ordered: Option<SideWord>,
}

/// The canal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CanalReport {
    /// Arc length of the axis from aperture to tip.
    pub length_mm: Figure,
    /// Where the canal opens into the concha.
    pub aperture: ApertureReport,
    /// Where the axis leaves the solid at the inner end.
    pub tip: TipReport,
    /// Points of the axis from aperture to tip.
    pub axis_mm: Vec<Xyz>,
    /// Bends, outermost first.
    pub bends: Vec<BendReport>,
    /// Sections square to the axis, from aperture to tip.
    pub sections: Vec<SectionReport>,
    /// The smallest section between aperture and tip zone.
    pub narrowest: NarrowestReport,
    /// False where noise could add or drop a bend, so that "second" may not be the second.
    pub bends_sure: bool,
    /// Thin material past the last full section; `null` if there is none.
    pub feather: Option<FeatherReport>,
    /// Pits of the canal wall.
    pub pits: Vec<PitReport>,
    /// Directions out of the ear, up and forward; `null` where they can't be told.
    pub frame: Option<FrameReport>,
}

/// The aperture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ApertureReport {
    /// Centroid of its section.
    pub point_mm: Xyz,
    /// Unit normal of its plane, into the ear.
    pub normal: Xyz,
    /// Area.
    pub area_mm2: Figure,
    /// Largest width.
    pub largest_mm: Figure,
    /// Smallest width.
    pub smallest_mm: Figure,
    /// False where no flare was found: then it is only where the canal on the scan ends.
    pub reached: bool,
}

/// The tip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TipReport {
    /// Where it is.
    pub point_mm: Xyz,
    /// True where the scan has a hole there, so that the canal may go on further.
    pub open: bool,
}

/// A bend.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BendReport {
    /// 1 for the outermost.
    pub order: usize,
    /// Arc length from the aperture to its curvature peak.
    pub at_mm: Figure,
    /// Angle between the axis directions at the ends of its span.
    pub turn_deg: Figure,
    /// Curvature at the peak.
    pub peak_curvature_per_mm: Figure,
    /// Arc length from the peak to the tip.
    pub past_mm: Figure,
    /// Arc length from the inner end of its span to the tip.
    pub past_from_span_end_mm: Figure,
    /// Where the peak is.
    pub point_mm: Xyz,
}

/// A section square to the axis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SectionReport {
    /// The station: arc length from the aperture.
    pub at_mm: Finite,
    /// Area.
    pub area_mm2: Figure,
    /// Diameter of the circle of that area.
    pub equivalent_diameter_mm: Figure,
    /// Largest width.
    pub largest_mm: Figure,
    /// Smallest width.
    pub smallest_mm: Figure,
    /// Length of the outline.
    pub perimeter_mm: Figure,
}

/// The narrowest section: a section with its place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NarrowestReport {
    /// The section.
    #[serde(flatten)]
    pub section: SectionReport,
    /// Its centroid.
    pub point_mm: Xyz,
}

/// A feathered tip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FeatherReport {
    /// Arc length from the last full section to the tip.
    pub length_mm: Figure,
    /// Smallest width halfway along it.
    pub smallest_mm: Figure,
    /// Where the last full section is.
    pub point_mm: Xyz,
}

/// A pit of the canal wall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PitReport {
    /// Depth below the wall round about (negative: height above it).
    pub depth_mm: Figure,
    /// Largest width across.
    pub width_mm: Figure,
    /// Where along the ear.
    pub region: Region,
    /// Arc position from the aperture.
    pub at_mm: Option<Finite>,
    /// Its deepest point.
    pub point_mm: Xyz,
}

/// Directions of the ear, unit vectors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FrameReport {
    /// Out of the ear.
    pub out: Xyz,
    /// Up.
    pub up: Xyz,
    /// Towards the nose.
    pub forward: Xyz,
}

/// The surface as a surface. Its lengths, areas and volume are `null` where the unit is unknown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SoundnessReport {
    /// Closed: every edge has two facets that agree, nothing crosses.
    pub watertight: bool,
    /// Number of connected parts.
    pub parts: usize,
    /// Boundary loops, longest first.
    pub holes: Vec<HoleReport>,
    /// Edges with more than two facets.
    pub fins: usize,
    /// Pairs of facets that cross.
    pub crossings: usize,
    /// Facets without area.
    pub degenerate: usize,
    /// Facets that face inward.
    pub flipped_facets: usize,
    /// Volume; `null` where there is no closed surface.
    pub volume_mm3: Option<Figure>,
    /// Area of all facets.
    pub area_mm2: Option<Figure>,
    /// The surface as a whole is inside out.
    pub inverted: bool,
    /// Points where the surface touches itself in a corner only.
    pub bowtie_points: usize,
    /// Scan noise square to the surface, standard deviation.
    pub noise_mm: Option<Finite>,
    /// Median edge length.
    pub edge_mm: Option<Finite>,
}

/// A boundary loop.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HoleReport {
    /// The base opening, where scanning stopped, and no fault.
    pub base: bool,
    /// Length of the loop.
    pub length_mm: Option<Figure>,
    /// Area of the flat fan across it.
    pub area_mm2: Option<Figure>,
    /// Largest distance across.
    pub span_mm: Option<Figure>,
    /// Where along the ear.
    pub region: Region,
    /// Arc position from the aperture (negative outside it); `null` without a canal.
    pub at_mm: Option<Finite>,
    /// Its middle.
    pub point_mm: Option<Xyz>,
}

/// A check with its answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckReport {
    /// Its name, for the fault.
    pub id: String,
    /// What it asks; the good answer is yes.
    pub question: String,
    /// Holds, breaks or cannot tell.
    pub outcome: Outcome,
    /// What that means for the verdict.
    pub weighs: Verdict,
    /// The answer in a sentence.
    pub answer: String,
    /// The value that decided; `null` where none did.
    pub value: Option<Figure>,
    /// Its unit: `mm`, `mm2`, or empty for counts; `null` without a value.
    pub unit: Option<String>,
    /// The limit that it was held against, in the same unit; `null` where none was.
    pub limit: Option<Finite>,
    /// Which side of the limit is good.
    pub limit_is: Option<Sense>,
    /// The limit's key.
    pub limit_key: Option<String>,
    /// What to do; `null` where it holds.
    pub advice: Option<String>,
    /// The check that tells why this one can't be told, where that is another; else `null`.
    pub because: Option<String>,
    /// Where.
    pub findings: Vec<FindingReport>,
}

/// One place where something is to be seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FindingReport {
    /// What is there, in a sentence.
    pub says: String,
    /// Where along the ear.
    pub region: Region,
    /// Arc position from the aperture (negative outside it); `null` without a canal.
    pub at_mm: Option<Finite>,
    /// The place; `null` where the unit is unknown.
    pub point_mm: Option<Xyz>,
}

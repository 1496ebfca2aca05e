//! What `fit` reports, field by field. Names are relied on from outside; lengths are in mm in the pose of
//! the cavity's file, poses rigid to ten decimals so that `fit --verify` reads what was measured.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::checks::Outcome;
use crate::report::{FileUsed, Finite, PlanReport, Tool, Xyz};

/// Name of the schema that [`FitReport`] follows.
pub const FIT_SCHEMA: &str = "secondbend.fit/1";
/// Name of the schema that [`VerifyReport`] follows.
pub const VERIFY_SCHEMA: &str = "secondbend.fit-verify/1";

/// Does the stack fit?
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend fit report")]
pub struct FitReport {
    /// Always `secondbend.fit/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `fit`.
    pub command: String,
    /// The files as named: scan or cavity first, then the stack, then plan and limits where given.
    pub inputs: Vec<FileUsed>,
    /// Order or serial number as it was typed; `null` if none was.
    pub order: Option<String>,
    /// `holds` where it fits, `breaks` where it cannot, `cannot_tell` where no placement was found.
    pub outcome: Outcome,
    /// The answer with its evidence.
    pub fit: FitFigures,
    /// What the shell was made by, all of it; `null` where the cavity was given.
    pub plan: Option<PlanReport>,
    /// What the report is not.
    pub caution: String,
}

/// The answer with its evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FitFigures {
    /// `fits`, `cannot_fit` or `not_found`.
    pub verdict: String,
    /// The stack's name.
    pub stack: String,
    /// Clearance asked between parts.
    pub clearance_mm: Finite,
    /// Clearance asked between a part and the wall.
    pub wall_clearance_mm: Finite,
    /// How full the cavity is.
    pub room: RoomFigures,
    /// The placement that fits, or the nearest one; empty where there is none.
    pub parts: Vec<PlacedPartFigures>,
    /// Its tubes.
    pub tubes: Vec<TubeFigures>,
    /// Where the tubes leave; `null` where no part asks for one or no end was found.
    pub tip: Option<TipFigures>,
    /// The placement's margins; `null` where there is no placement.
    pub margins: Option<MarginFigures>,
    /// The margin of each kind that is nearest to what is asked of it: where bores ask for different widths, not
    /// always the least.
    pub tightest: Vec<MarginRow>,
    /// The proof, where it cannot fit.
    pub proof: Option<ProofFigures>,
    /// What is most in the way of the nearest placement.
    pub blocker: Option<BlockerFigures>,
    /// Changes that were tried, cheapest first.
    pub helps: Vec<HelpFigures>,
    /// Changes that were not tried, and why.
    pub helps_untried: Vec<UntriedFigures>,
    /// What the search spent.
    pub effort: EffortFigures,
    /// What vetting said of the scan, where that is not to design on it; else `null`.
    pub scan_verdict: Option<String>,
    /// What ought to be known besides.
    pub notes: Vec<String>,
}

/// How full the cavity is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RoomFigures {
    /// Volume of the cavity.
    pub cavity_mm3: Finite,
    /// Volume of the parts' boxes, without spouts, tubes and clearances.
    pub parts_mm3: Finite,
}

/// A part and where it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlacedPartFigures {
    /// Its name in the stack file.
    pub name: String,
    /// Sides of its box.
    pub size_mm: [Finite; 3],
    /// A row-major 4 × 4 matrix that takes the box centred on its origin to its place.
    pub pose: [Finite; 16],
}

/// A tube.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TubeFigures {
    /// The bore that it leads to.
    pub name: String,
    /// The part that it comes from.
    pub part: String,
    /// Outer diameter.
    pub outer_mm: Finite,
    /// Points of its middle line, from the spout to the end.
    pub centreline_mm: Vec<Xyz>,
}

/// Where tubes leave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TipFigures {
    /// A point of the section that they end in.
    pub at_mm: Xyz,
    /// Unit direction out of the cavity there.
    pub direction: Xyz,
    /// `canal` or `narrow_end` where nobody told it: the answer then holds on that condition.
    pub guessed_by: Option<String>,
}

/// The least of each kind of margin, whatever is asked of it; `null` where there is none of that kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MarginFigures {
    /// Least distance between two parts.
    pub worst_pair_mm: Option<Finite>,
    /// Least distance of a part from the wall.
    pub worst_wall_mm: Option<Finite>,
    /// Least distance of a room kept free (spout, terminals) from parts and wall.
    pub worst_kept_room_mm: Option<Finite>,
    /// Least distance of a tube from the wall.
    pub worst_tube_wall_mm: Option<Finite>,
    /// Least distance of a tube from a part.
    pub worst_tube_part_mm: Option<Finite>,
    /// Least bend radius of a tube's middle line; `null` too where all are straight.
    pub least_bend_radius_mm: Option<Finite>,
    /// Least material between two bores.
    pub least_web_mm: Option<Finite>,
    /// The least that any margin has over what is asked of it; negative where one is short. What is to be kept
    /// exactly (a part's seat in the faceplate, a tube's ends) counts only where it is not.
    pub least_spare_mm: Option<Finite>,
}

/// A proof that no placement exists.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProofFigures {
    /// The argument's name (docs/fit.md lists them).
    pub bound: String,
    /// The argument in a sentence.
    pub because: String,
    /// What a placement would need.
    pub need: Finite,
    /// What the cavity has at the very most.
    pub have: Finite,
    /// Unit of both: `mm`, `mm3` or `parts`.
    pub unit: String,
    /// The parts that it speaks of; empty where of all.
    pub parts: Vec<String>,
}

/// What is in the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BlockerFigures {
    /// One part, or two that are too near to each other.
    pub parts: Vec<String>,
    /// What they are too near to.
    pub against: String,
    /// How much clearance is missing; `null` where the parts fit and a tube finds no way.
    pub short_mm: Option<Finite>,
}

/// A change that was tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HelpFigures {
    /// `raise_faceplate_mm`, `thin_wall_mm`, `shorten_canal_mm` or `leave_out`.
    pub change: String,
    /// By how much, or the part that was left out.
    pub value: Option<HelpValue>,
    /// `fits`, `cannot_fit` or `not_found`.
    pub verdict: String,
}

/// A change that was not tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UntriedFigures {
    /// As of one that was tried.
    pub change: String,
    /// `not_allowed` (a wall would go under its limit, or the plan could not be carried out) or `no_time`.
    pub why: String,
}

/// A length, or a part's name.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum HelpValue {
    /// By how much, mm.
    Mm(Finite),
    /// The part left out.
    Part(String),
}

/// What the search spent.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EffortFigures {
    /// Starts made.
    pub starts: usize,
    /// The time limit or a call to stop came before the effort was spent.
    pub cut_short: bool,
    /// Seconds for the whole answer.
    pub seconds: Finite,
}

/// A placement measured again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend fit --verify report")]
pub struct VerifyReport {
    /// Always `secondbend.fit-verify/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `fit`.
    pub command: String,
    /// The files as named: scan or cavity first, then the stack, the placement last.
    pub inputs: Vec<FileUsed>,
    /// Order or serial number as it was typed; `null` if none was.
    pub order: Option<String>,
    /// `holds` or `breaks`.
    pub outcome: Outcome,
    /// What was measured.
    pub verify: VerifyFigures,
    /// What the report is not.
    pub caution: String,
}

/// What was measured of a placement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct VerifyFigures {
    /// Does every margin reach what is asked of it, and is every tube there?
    pub holds: bool,
    /// The least of each kind.
    pub margins: MarginFigures,
    /// The margin of each kind that is nearest to what is asked of it.
    pub tightest: Vec<MarginRow>,
    /// Margins that are short.
    pub short: Vec<MarginRow>,
    /// Parts that lead to a bore and have no tube.
    pub unlaid: Vec<String>,
    /// What was not judged, in words; `null` where all was.
    pub not_judged: Option<String>,
    /// The scan or cavity that the placement was found in, by its report, where that is another file than the one
    /// it was measured in (by their SHA-256); `null` where it is the same, or the report does not tell.
    pub found_in: Option<String>,
}

/// One margin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MarginRow {
    /// What was measured.
    pub margin: String,
    /// Whose: one part, or two.
    pub parts: Vec<String>,
    /// What it is; `null` where nothing finite can be said of it.
    pub have_mm: Option<Finite>,
    /// What is asked.
    pub need_mm: Finite,
}

//! What a study reports, field by field.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::report::{FileUsed, Finite, PlanReport, Tool};

/// Name of the schema that [`StudyReport`] follows.
pub const STUDY_SCHEMA: &str = "secondbend.study/1";

/// A study of many ears.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend study report")]
pub struct StudyReport {
    /// Always `secondbend.study/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `study`.
    pub command: String,
    /// Each stack with its share of the ears.
    pub stacks: Vec<StackShare>,
    /// The ears, in the order in which they were asked.
    pub ears: Vec<EarReport>,
    /// How they were asked.
    pub settings: StudySettings,
    /// What the report is not.
    pub caution: String,
}

/// A stack and which share of ears it fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StackShare {
    /// Its name.
    pub stack: String,
    /// Its file.
    pub input: FileUsed,
    /// Ears with a placement whose every margin was measured again.
    pub fits: usize,
    /// Ears with a proof that there is none.
    pub cannot_fit: usize,
    /// Ears with neither.
    pub not_found: usize,
    /// Share of the ears asked, 0 to 1: at least (those that fit) and at most (those not proven to refuse);
    /// `null` where none was asked.
    pub share_of_these: Option<[Finite; 2]>,
    /// 95 % interval of the share of all ears that those asked are a chance draw of (Clopper, Pearson 1934).
    pub share_of_all: Option<[Finite; 2]>,
    /// Answers of "not found" whose search was cut short: more seconds may find more.
    pub cut_short: usize,
    /// What is proven to keep it out, and what is in the way of the nearest placements found; most frequent first.
    pub limits: Vec<LimitedBy>,
}

/// What is in the way of a stack, and in how many ears.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LimitedBy {
    /// Is it proven to keep the stack out? Else it is in the way of the nearest placement that was found, and
    /// another may have something else in its way, or nothing.
    pub proven: bool,
    /// In words.
    pub what: String,
    /// Ears.
    pub ears: usize,
}

/// One ear.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EarReport {
    /// The scan as it was named.
    pub path: String,
    /// SHA-256 of its bytes; `null` where it could not be read.
    pub sha256: Option<String>,
    /// What vetting says of it, where that is not to design on it; `null` too where it could not be vetted.
    pub scan_verdict: Option<String>,
    /// Why it was not asked and does not count; `null` where it was.
    pub not_asked: Option<String>,
    /// Volume of its cavity; `null` where none was made.
    pub cavity_mm3: Option<Finite>,
    /// The answer for each stack, in their order; empty where it was not asked.
    pub answers: Vec<EarAnswer>,
}

/// Does one stack fit one ear?
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EarAnswer {
    /// The stack's name.
    pub stack: String,
    /// `fits`, `cannot_fit` or `not_found`.
    pub verdict: String,
    /// Where it fits: the least that any margin has over what is asked.
    pub least_spare_mm: Option<Finite>,
    /// Where it cannot: the proof. Where none was found: what is in the way of the nearest placement.
    pub limited_by: Option<String>,
    /// Clearance missing in the nearest placement found, where that is what is missing.
    pub short_mm: Option<Finite>,
    /// The time limit or a call to stop came before the effort was spent.
    pub cut_short: bool,
    /// Seconds that bounds and search took.
    pub seconds: Finite,
    /// What ought to be known besides, as `fit` tells it of that ear.
    pub notes: Vec<String>,
}

/// How ears were asked.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StudySettings {
    /// Seconds for bounds and search, about, an ear and stack.
    pub seconds: Finite,
    /// Seed.
    pub seed: u64,
    /// Rounds of 16 starts, at most.
    pub effort: usize,
    /// What shells were made by, all of it.
    pub plan: PlanReport,
    /// The plan file.
    pub plan_from: Option<FileUsed>,
    /// The limits file.
    pub limits_from: Option<FileUsed>,
    /// The study was called to stop before all ears were asked.
    pub stopped: bool,
}

//! What a check answers with: one of three outcomes, never two, and what it means for the
//! verdict. An unmet precondition is *cannot tell* with what is missing, not a quiet pass.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::limits::{Limits, Row};
use crate::mesh::Point;
use crate::soundness::Region;
use crate::units::{Bound, Measured};

/// What to do with the scan. The worst answer of all checks is the scan's, in this order:
///
/// `design` < `repair` < `cannot_tell` < `retake`.
///
/// *Retake* is over *cannot tell*, since one certain reason to see the ear again stands whatever
/// the untold rest would say. *Cannot tell* is over *repair*, since "repair it, then design" is
/// a promise that an untold check may break.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Design on it.
    Design,
    /// Put something right first (scan, file or order); the ear need not be seen again.
    Repair,
    /// Something that decides could not be told.
    CannotTell,
    /// Take the impression, or its scan, again.
    Retake,
}

impl Verdict {
    /// As said to people.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Design => "design on it",
            Self::Repair => "repair, then design",
            Self::CannotTell => "cannot tell",
            Self::Retake => "take it again",
        }
    }

    /// The same where it is known whether a check that `breaks` decided it: of a *cannot tell* that much
    /// is certain then (the other ear, no ear's figures), and only the rest cannot be told.
    #[must_use]
    pub const fn words_where(self, breaks: bool) -> &'static str {
        match self {
            Self::CannotTell if breaks => "breaks, cannot tell",
            _ => self.words(),
        }
    }
}

/// The three answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// The question's answer is good.
    Holds,
    /// It is not.
    Breaks,
    /// What is there does not suffice for an answer.
    CannotTell,
}

impl Outcome {
    /// As said to people.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Holds => "holds",
            Self::Breaks => "breaks",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// Which side of a limit is good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Sense {
    /// The value must be the limit or more.
    AtLeast,
    /// The value must be the limit or less.
    AtMost,
}

/// A limit that a value is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// Its row.
    pub row: &'static Row,
    /// Its value, in the row's unit.
    pub value: f64,
    /// Which side is good.
    pub sense: Sense,
}

impl Bar {
    /// The value must be the limit or more.
    #[must_use]
    pub fn at_least(row: &'static Row, limits: &Limits) -> Self {
        Self {
            row,
            value: limits.number(row),
            sense: Sense::AtLeast,
        }
    }

    /// The value must be the limit or less.
    #[must_use]
    pub fn at_most(row: &'static Row, limits: &Limits) -> Self {
        Self {
            row,
            value: limits.number(row),
            sense: Sense::AtMost,
        }
    }

    /// Is the value surely on the good side (`Some(true)`), surely not (`Some(false)`), or can
    /// it not be told? A limit closer to the value than its `±` can't be, and a one-sided bound
    /// tells only on its own side: "9 or more" can hold against "at least 6" but never break.
    #[must_use]
    pub fn judge(&self, value: &Measured) -> Option<bool> {
        match self.sense {
            Sense::AtLeast => value.reaches(self.value),
            Sense::AtMost => {
                let surely_within = value.value + value.plus_minus <= self.value;
                let surely_over = value.value - value.plus_minus > self.value;
                match value.bound {
                    Bound::Exact | Bound::AtMost if surely_within => Some(true),
                    Bound::Exact | Bound::AtLeast if surely_over => Some(false),
                    _ => None,
                }
            }
        }
    }
}

/// One place where something is wrong.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What is wrong there, one sentence without its place.
    pub says: String,
    /// Where along the ear.
    pub region: Region,
    /// Arc position from the aperture, mm, where there is a canal.
    pub at_mm: Option<f64>,
    /// The place in the input's own pose, mm, where the unit is known.
    pub point: Option<Point>,
}

/// A check's whole answer.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// Holds, breaks or cannot tell.
    pub outcome: Outcome,
    /// What this outcome means for the scan's verdict.
    pub weighs: Verdict,
    /// The answer in a sentence, with what is missing where it can't be told.
    pub says: String,
    /// The value that decided.
    pub value: Option<Measured>,
    /// Its unit as printed; empty for counts.
    pub unit: &'static str,
    /// What it was held against.
    pub limit: Option<Bar>,
    /// Where.
    pub findings: Vec<Finding>,
    /// What to do.
    pub advice: Option<String>,
    /// The check that tells why this one can't be told, where that is another.
    pub because: Option<&'static str>,
}

impl Answer {
    fn new(outcome: Outcome, weighs: Verdict, says: impl Into<String>) -> Self {
        Self {
            outcome,
            weighs,
            says: says.into(),
            value: None,
            unit: "",
            limit: None,
            findings: Vec::new(),
            advice: None,
            because: None,
        }
    }

    /// The answer is good.
    #[must_use]
    pub fn holds(says: impl Into<String>) -> Self {
        Self::new(Outcome::Holds, Verdict::Design, says)
    }

    /// The answer is not good, and what to do about it.
    #[must_use]
    pub fn breaks(weighs: Verdict, says: impl Into<String>, advice: impl Into<String>) -> Self {
        let mut answer = Self::new(Outcome::Breaks, weighs, says);
        answer.advice = Some(advice.into());
        answer
    }

    /// What is missing for an answer, and what to do about it.
    #[must_use]
    pub fn cannot_tell(missing: impl Into<String>, advice: impl Into<String>) -> Self {
        let mut answer = Self::new(Outcome::CannotTell, Verdict::CannotTell, missing);
        answer.advice = Some(advice.into());
        answer
    }

    /// Not told for a reason that another check tells.
    #[must_use]
    pub fn because(missing: impl Into<String>, check: &'static str) -> Self {
        let mut answer = Self::cannot_tell(missing, format!("see `{check}`"));
        answer.because = Some(check);
        answer
    }

    /// Not told, but nothing hangs on it: the verdict is not held back.
    #[must_use]
    pub fn not_deciding(mut self) -> Self {
        self.weighs = Verdict::Design;
        self
    }

    /// With the value that decided, and its unit.
    #[must_use]
    pub fn value(mut self, value: Measured, unit: &'static str) -> Self {
        self.value = Some(value);
        self.unit = unit;
        self
    }

    /// With the limit that the value was held against.
    #[must_use]
    pub fn limit(mut self, limit: Bar) -> Self {
        self.limit = Some(limit);
        self
    }

    /// With places.
    #[must_use]
    pub fn findings(mut self, findings: Vec<Finding>) -> Self {
        self.findings = findings;
        self
    }

    /// With a sentence more.
    #[must_use]
    pub fn and(mut self, more: &str) -> Self {
        if !more.is_empty() {
            self.says = format!("{}; {more}", self.says);
        }
        self
    }
}

/// Why a value could not be held against a limit, in words.
#[must_use]
pub fn undecided(value: &Measured, bar: &Bar) -> String {
    let limit = number(bar.value, bar.row.unit);
    match (value.bound, bar.sense) {
        (Bound::AtLeast, Sense::AtLeast) | (Bound::AtMost, Sense::AtMost) => {
            let kind = if value.bound == Bound::AtLeast {
                "a lower"
            } else {
                "an upper"
            };
            format!(
                "only {kind} bound is known, {}",
                figure(value, bar.row.unit)
            )
        }
        (Bound::Exact, _) => format!(
            "too close to call: {} against {limit}",
            figure(value, bar.row.unit)
        ),
        _ => format!(
            "{} does not decide against {limit}",
            figure(value, bar.row.unit)
        ),
    }
}

/// Digits after the point that a figure of this unit is worth.
const fn digits(unit: &str) -> usize {
    match unit.as_bytes() {
        b"mm" => 2,
        b"1/mm" => 3,
        b"" => 0,
        _ => 1,
    }
}

/// A plain number with its unit, rounded to sensible digits.
#[must_use]
pub fn number(value: f64, unit: &str) -> String {
    let gap = if unit.is_empty() { "" } else { " " };
    format!("{value:.*}{gap}{unit}", digits(unit))
}

/// An area in mm², told as such too where it is less than what is shown.
#[must_use]
pub fn area(mm2: f64) -> String {
    if mm2 > 0.0 && mm2 < 0.05 {
        "less than 0.1 mm2".to_owned()
    } else {
        number(mm2, "mm2")
    }
}

/// A measured figure with its `±` and unit: `9.40 ± 0.12 mm`, or `9.40 mm (± 0.12) or more`.
#[must_use]
pub fn figure(m: &Measured, unit: &str) -> String {
    let places = digits(unit);
    let gap = if unit.is_empty() { "" } else { " " };
    let spread = (m.plus_minus > 0.0).then(|| format!("± {:.*}", places, m.plus_minus));
    let value = format!("{:.*}", places, m.value);
    // The ± is of the bound, and stands apart from "or less", which is of the truth.
    let bounded = |words: &str| {
        let spread = spread
            .as_ref()
            .map_or_else(String::new, |s| format!(" ({s})"));
        format!("{value}{gap}{unit}{spread} {words}")
    };
    match (m.bound, &spread) {
        (Bound::AtLeast, _) => bounded("or more"),
        (Bound::AtMost, _) => bounded("or less"),
        (Bound::Exact, Some(spread)) => format!("{value} {spread}{gap}{unit}"),
        (Bound::Exact, None) => format!("{value}{gap}{unit}"),
    }
}

/// A region as said to people.
#[must_use]
pub const fn region_words(region: Region) -> &'static str {
    match region {
        Region::Tip => "tip",
        Region::PastSecondBend => "canal past the second bend",
        Region::BetweenBends => "canal between the bends",
        Region::SealZone => "seal zone",
        Region::Canal => "canal",
        Region::Concha => "concha",
        Region::OuterFace => "outer face",
        Region::Unknown => "place along the ear unknown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bound_tells_its_own_spread_apart() {
        let of = |plus_minus, bound| {
            let m = Measured {
                value: 3.314,
                plus_minus,
                bound,
            };
            figure(&m, "mm")
        };
        assert_eq!(of(0.5, Bound::Exact), "3.31 ± 0.50 mm");
        assert_eq!(of(0.0, Bound::Exact), "3.31 mm");
        assert_eq!(of(0.5, Bound::AtMost), "3.31 mm (± 0.50) or less");
        assert_eq!(of(0.0, Bound::AtLeast), "3.31 mm or more");
    }
}

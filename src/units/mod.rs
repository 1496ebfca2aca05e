//! Units live in types at the edges: a public figure is never a bare number.
//!
//! Inside a function lengths are plain `f64` with a `_mm` suffix; whatever leaves the library
//! does so as one of these types, or as a [`Measured`] figure whose JSON key carries the unit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident, $suffix:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, JsonSchema)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The bare number, in this unit.
            #[must_use]
            pub const fn value(self) -> f64 {
                self.0
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                let digits = f.precision().unwrap_or(2);
                write!(f, "{:.*} {}", digits, self.0, $suffix)
            }
        }
    };
}

unit!(
    /// A length in millimetres.
    Mm, "mm"
);
unit!(
    /// An area in square millimetres.
    Mm2, "mm2"
);
unit!(
    /// A volume in cubic millimetres.
    Mm3, "mm3"
);
unit!(
    /// An angle in degrees.
    Deg, "deg"
);

/// What a figure says about the true value besides its `±`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Bound {
    /// The figure itself, within its `±`.
    Exact,
    /// The truth is this or more (for example: the scan ends before the aperture is reached).
    AtLeast,
    /// The truth is this or less (for example: a found path is a witness, not the best one).
    AtMost,
}

/// A figure with its uncertainty (half width at 95 %) and what kind of bound it is.
///
/// The unit is that of the key it stands under (`length_mm`, `turn_deg`, …). `value` and
/// `plus_minus` are finite; `plus_minus` is never negative.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    /// The figure.
    pub value: f64,
    /// Half width of the 95 % interval.
    pub plus_minus: f64,
    /// Whether the figure is the value itself or a one-sided bound.
    pub bound: Bound,
}

impl Measured {
    /// A figure that is the value itself, within `plus_minus`.
    #[must_use]
    pub const fn exact(value: f64, plus_minus: f64) -> Self {
        Self {
            value,
            plus_minus,
            bound: Bound::Exact,
        }
    }

    /// A lower bound: the truth is `value` or more.
    #[must_use]
    pub const fn at_least(value: f64, plus_minus: f64) -> Self {
        Self {
            value,
            plus_minus,
            bound: Bound::AtLeast,
        }
    }

    /// An upper bound: the truth is `value` or less.
    #[must_use]
    pub const fn at_most(value: f64, plus_minus: f64) -> Self {
        Self {
            value,
            plus_minus,
            bound: Bound::AtMost,
        }
    }

    /// Is the figure surely `limit` or more? `None`: too close to call, or the bound does not tell.
    #[must_use]
    pub fn reaches(&self, limit: f64) -> Option<bool> {
        let surely_over = self.value - self.plus_minus >= limit;
        let surely_under = self.value + self.plus_minus < limit;
        match self.bound {
            Bound::Exact if surely_over => Some(true),
            Bound::Exact if surely_under => Some(false),
            Bound::AtLeast if surely_over => Some(true),
            Bound::AtMost if surely_under => Some(false),
            _ => None,
        }
    }
}

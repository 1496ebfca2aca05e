//! The one place where numbers are checked on their way out. JSON has no NaN and no infinity
//! (serde_json writes them as `null` without a word), so a figure that is not finite is an
//! error here and not a silent "not measured" there.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Serialize, Serializer};

/// A number of a report. It can hold anything, but only a finite one can be written.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Deserialize)]
#[serde(transparent)]
pub struct Finite(pub f64);

impl From<f64> for Finite {
    fn from(x: f64) -> Self {
        Self(x)
    }
}

impl Serialize for Finite {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if !self.0.is_finite() {
            return Err(serde::ser::Error::custom(format!(
                "{} is not a finite number",
                self.0
            )));
        }
        // −0 and 0 are one place; two spellings of it would make equal reports differ.
        serializer.serialize_f64(self.0 + 0.0)
    }
}

impl JsonSchema for Finite {
    fn schema_name() -> Cow<'static, str> {
        "Finite".into()
    }

    fn inline_schema() -> bool {
        true
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        f64::json_schema(generator)
    }
}

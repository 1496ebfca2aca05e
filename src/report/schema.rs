//! The JSON schema of a report, made from the types that write it, so that the two can't drift
//! apart. `docs/report.schema.json` is this text; a test compares.

use super::Report;

/// The schema (JSON Schema 2020-12) as a JSON document with a newline at its end.
#[must_use]
pub fn schema() -> String {
    let schema = schemars::schema_for!(Report);
    let mut out = serde_json::to_string_pretty(&schema).unwrap_or_default();
    out.push('\n');
    out
}

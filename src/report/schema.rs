//! The JSON schemas of the reports, made from the types that write them, so that the two can't drift
//! apart. `docs/schemas/` holds this text; a test compares.

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;

use super::fit::{FitReport, VerifyReport};
use super::study::StudyReport;
use super::{OffsetReport, Report, ShellReport, UndercutReport, WallReport};

/// The schema (JSON Schema 2020-12) of what `vet --json` writes, as a JSON document with a newline at its end.
#[must_use]
pub fn schema() -> String {
    of::<Report>()
}

/// Every report's schema, by the name of its file in `docs/schemas/`.
#[must_use]
pub fn schemas() -> [(&'static str, String); 8] {
    [
        ("vet", schema()),
        ("undercut", of::<UndercutReport>()),
        ("offset", of::<OffsetReport>()),
        ("shell", of::<ShellReport>()),
        ("wall", of::<WallReport>()),
        ("fit", of::<FitReport>()),
        ("fit-verify", of::<VerifyReport>()),
        ("study", of::<StudyReport>()),
    ]
}

fn of<T: JsonSchema>() -> String {
    // Of what is written: a key whose value may be `null` is there all the same.
    let settings = SchemaSettings::draft2020_12().for_serialize();
    let schema = settings.into_generator().into_root_schema_for::<T>();
    let mut out = serde_json::to_string_pretty(&schema).unwrap_or_default();
    out.push('\n');
    out
}

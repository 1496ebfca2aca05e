//! The report of a stack's fit, and of a placement that was measured again: their models, text and JSON.

mod build;
mod model;
#[cfg(test)]
mod tests;
mod text;

use serde::Serialize;

use super::ReportError;

pub use build::{FitTrace, fit, verified};
pub use model::*;
pub use text::{fit_text, verify_text};

/// A report as a JSON document with a newline at its end.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn fit_json<T: Serialize>(report: &T) -> Result<String, ReportError> {
    let mut out = serde_json::to_string_pretty(report)?;
    out.push('\n');
    Ok(out)
}

//! JSON: one document a scan, or one line a scan for several. Key order is that of the model,
//! numbers are written so that they read back as the same bits.

use serde::Serialize;

use super::build::side_word;
use super::csv::{CANNOT_READ, Unread};
use super::{Report, SCHEMA, SideWord, Tool};

/// A report that can't be written.
#[derive(Debug, thiserror::Error)]
#[error("the report holds a figure that cannot be written: {0}")]
pub struct ReportError(#[from] serde_json::Error);

impl ReportError {
    /// What to do about it.
    #[must_use]
    pub const fn help(&self) -> &'static str {
        "this is a fault of the measurement, not of the scan; please report it with the scan's SHA-256"
    }
}

/// The report as a JSON document, two spaces an indent, with a newline at its end.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn json(report: &Report) -> Result<String, ReportError> {
    document(report)
}

/// Any report as a JSON document, two spaces an indent, with a newline at its end.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn document<T: Serialize>(report: &T) -> Result<String, ReportError> {
    let mut out = serde_json::to_string_pretty(report)?;
    out.push('\n');
    Ok(out)
}

/// The report as one line of JSON Lines.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn json_line(report: &Report) -> Result<String, ReportError> {
    let mut out = serde_json::to_string(report)?;
    out.push('\n');
    Ok(out)
}

/// A line for a scan that could not be read, so that a batch's lines are as many as its scans.
/// It has the keys that scripts sort by, and `error` and `help` in place of figures.
///
/// # Errors
/// Never for text; the signature is that of its siblings.
pub fn unread_line(unread: &Unread) -> Result<String, ReportError> {
    #[derive(Serialize)]
    struct Path<'a> {
        path: &'a str,
    }
    #[derive(Serialize)]
    struct Side {
        ordered: Option<SideWord>,
    }
    #[derive(Serialize)]
    struct UnreadLine<'a> {
        schema: &'a str,
        tool: Tool,
        command: &'a str,
        input: Path<'a>,
        order: Option<&'a str>,
        verdict: &'a str,
        side: Side,
        error: &'a str,
        help: &'a str,
        #[serde(skip_serializing_if = "Option::is_none")]
        same_content_as: Option<&'a str>,
    }
    let tool = Tool {
        name: env!("CARGO_PKG_NAME").to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
    };
    let line = UnreadLine {
        schema: SCHEMA,
        tool,
        command: "vet",
        input: Path { path: unread.path },
        order: unread.order,
        verdict: CANNOT_READ,
        side: Side {
            ordered: unread.side.map(|s| side_word(Some(s))),
        },
        error: unread.error,
        help: unread.help,
        same_content_as: unread.same_content_as,
    };
    let mut out = serde_json::to_string(&line)?;
    out.push('\n');
    Ok(out)
}

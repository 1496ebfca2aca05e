//! Failures as people see them: one line of fact with its place, one line of what to do next,
//! on the error output, once.

use std::io::Write;

use anstyle::{AnsiColor, Style};

use crate::limits::LimitsError;
use crate::read::ReadError;
use crate::report::{ReportError, shown};
use crate::stack::{PlacementError, StackError};
use crate::write::WriteError;

/// A fact with its place, and the next step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failure {
    /// `file: place: fact`, each as far as there is one.
    pub fact: String,
    /// What to do next.
    pub help: String,
    /// Further failures of the same file (a limits file may have several faults).
    pub more: Vec<Failure>,
}

impl Failure {
    /// A failure with its next step.
    #[must_use]
    pub fn new(fact: impl Into<String>, help: impl Into<String>) -> Self {
        Self {
            fact: fact.into(),
            help: help.into(),
            more: Vec::new(),
        }
    }

    /// Prints it on the error output.
    pub fn print(&self) {
        // Where even the error output is closed there is nobody left to tell.
        let _ = anstream::stderr().write_all(self.text().as_bytes());
    }

    fn text(&self) -> String {
        let bold = Style::new().bold();
        let red = bold.fg_color(Some(AnsiColor::Red.into()));
        let mut out = format!(
            "{red}error:{red:#} {}\n{bold}help:{bold:#}  {}\n",
            shown(&self.fact),
            shown(&self.help)
        );
        for failure in &self.more {
            out.push_str(&failure.text());
        }
        out
    }
}

impl From<ReadError> for Failure {
    fn from(e: ReadError) -> Self {
        Self::new(e.to_string(), e.help())
    }
}

impl From<WriteError> for Failure {
    fn from(e: WriteError) -> Self {
        Self::new(e.to_string(), e.help())
    }
}

impl From<StackError> for Failure {
    fn from(e: StackError) -> Self {
        Self::new(e.to_string(), e.help())
    }
}

impl From<PlacementError> for Failure {
    fn from(e: PlacementError) -> Self {
        Self::new(e.to_string(), e.help())
    }
}

impl From<ReportError> for Failure {
    fn from(e: ReportError) -> Self {
        Self::new(e.to_string(), e.help())
    }
}

impl From<Vec<LimitsError>> for Failure {
    fn from(faults: Vec<LimitsError>) -> Self {
        let mut each = faults
            .into_iter()
            .map(|e| Self::new(e.to_string(), e.help()));
        let mut first = each
            .next()
            .unwrap_or_else(|| Self::new("the limits cannot be read", "see `secondbend limits`"));
        first.more = each.collect();
        first
    }
}

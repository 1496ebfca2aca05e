//! The report of a stack's fit, and of a placement that was measured again: their models, text and JSON.

mod build;
mod model;
#[cfg(test)]
mod tests;
mod text;

pub(in crate::report) use build::against;
pub use build::{FitTrace, fit, verified};
pub use model::*;
pub use text::{fit_text, found_elsewhere, verify_text};

//! Reports: one model, and one renderer a form (text, JSON, CSV). Nothing is measured or judged
//! here. Every form carries what a result needs to be traced years later: the input's SHA-256,
//! the order as given, the limits used, and this tool's version.

mod build;
mod csv;
mod finite;
mod json;
mod model;
mod schema;
mod text;
mod undercut;
mod wall;

pub use build::{Command, vet, vet_pulled};
pub use csv::{Line, csv};
pub use finite::Finite;
pub use json::{ReportError, json, json_line, unread_line};
pub use model::*;
pub use schema::schema;
pub use text::{shown, text};
pub use wall::{
    BoreReport, EdgeReport, HistogramReport, ThinSpotReport, WALL_SCHEMA, WallFigures, WallInput,
    WallReport, WebReport, wall, wall_json, wall_text,
};

pub use undercut::{
    BindsReport, HeldReport, PlaneReport, PullReport, PullSummary, ReliefReport, Towards,
    TrimReport, UNDERCUT_SCHEMA, UndercutFigures, UndercutReport, UndercutSummary,
    WithdrawalReport, undercut, undercut_json, undercut_text,
};

/// The cautions that go with every report.
pub const CAUTION: &str = "Measures geometry only. No medical device, and no clearance to use a \
    part in an ear: a person with the training for it decides that.";

#[cfg(test)]
mod tests;

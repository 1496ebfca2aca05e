//! Reports: one model, and one renderer a form (text, JSON, CSV). Nothing is measured or judged
//! here. Every form carries what a result needs to be traced years later: the input's SHA-256,
//! the order as given, the limits used, and this tool's version.

mod build;
mod colours;
mod csv;
mod finite;
pub mod fit;
mod json;
mod model;
mod offset;
pub mod page;
pub mod picture;
mod schema;
mod shell;
pub mod study;
mod text;
mod undercut;
mod wall;

pub use build::{Command, vet, vet_pulled};
pub use csv::{Line, Unread, csv};
pub use finite::Finite;
pub use json::{ReportError, document, json, json_line, unread_line};
pub use model::*;
pub use offset::{
    Demand, OFFSET_SCHEMA, OffsetBy, OffsetFacts, OffsetFigures, OffsetReport, ZoneBy, offset,
    offset_json, offset_text,
};
pub use schema::{schema, schemas};
pub(crate) use shell::plan_report;
pub use shell::{
    FaceplateReport, FileUsed, MadeBoreReport, NoteReport, PlanReport, RimReport, SHELL_SCHEMA,
    ShellFigures, ShellReport, ShellSources, UseWord, shell, shell_json, shell_text, shell_unasked,
};
use text::limit_words;
pub(crate) use text::outcome_style;
pub use text::{shown, text};
pub use wall::{
    BoreReport, EdgeReport, HistogramReport, OpeningReport, ThinSpotReport, WALL_SCHEMA,
    WallFigures, WallInput, WallReport, WebReport, wall, wall_json, wall_text,
};

pub use undercut::{
    BindsReport, HeldReport, PlaneReport, PullReport, PullSummary, ReliefReport, Towards,
    TrimReport, UNDERCUT_SCHEMA, UndercutFigures, UndercutReport, UndercutSummary,
    WithdrawalReport, undercut, undercut_json, undercut_text, undercut_untold,
};

/// The cautions that go with every report.
pub const CAUTION: &str = "Measures geometry only. No medical device, and no clearance to use a \
    part in an ear: a person with the training for it decides that.";

#[cfg(test)]
mod tests;

//! CSV: one line a scan, for a spreadsheet. Figures and their `±` stand in columns of their own.
//!
//! Free text comes from outside and goes into programs that run what begins with `=`, `+`, `-`
//! or `@` as a formula; such text gets an apostrophe before it, as spreadsheets themselves write
//! text that looks like a formula.

use super::build::side_word;
use super::{BendReport, Figure, Report};
use crate::canal::Side;
use crate::checks::Outcome;
use crate::units::Bound;

/// One scan: its report, or why it could not be read.
pub enum Line<'a> {
    /// A report.
    Report(&'a Report),
    /// A scan that could not be read.
    Unread(Unread<'a>),
}

/// The verdict of a scan that cannot be read, in JSON and CSV: a state of its own, not *cannot tell*.
pub(super) const CANNOT_READ: &str = "cannot_read";

/// What is known of a scan that cannot be read.
#[derive(Debug, Clone, Copy)]
pub struct Unread<'a> {
    /// The file as it was named.
    pub path: &'a str,
    /// Order as typed, in an intake as the file's name says.
    pub order: Option<&'a str>,
    /// Side as typed, in an intake as the file's name says.
    pub side: Option<Side>,
    /// Why it cannot be read.
    pub error: &'a str,
    /// What to do about it.
    pub help: &'a str,
    /// In an intake another file of the folder with the same bytes.
    pub same_content_as: Option<&'a str>,
}

const HEAD: &[&str] = &[
    "path",
    "order",
    "verdict",
    "side",
    "side_ordered",
    "canal_length_mm",
    "canal_length_plus_minus_mm",
    "canal_length_bound",
    "bend_1_at_mm",
    "bend_1_turn_deg",
    "bend_1_past_mm",
    "bend_1_past_plus_minus_mm",
    "bend_2_at_mm",
    "bend_2_turn_deg",
    "bend_2_past_mm",
    "bend_2_past_plus_minus_mm",
    "narrowest_at_mm",
    "narrowest_area_mm2",
    "holes",
    "noise_mm",
    "facets",
    "unit",
    "breaks",
    "cannot_tell",
    "error",
    "same_content_as",
    "sha256",
    "limits",
    "version",
];

/// The lines as a CSV document with a head line, quoted where needed, each line ended by `\n`.
#[must_use]
pub fn csv<'a>(lines: impl IntoIterator<Item = Line<'a>>) -> String {
    // Every row has as many fields as the head.
    written(
        HEAD.iter().map(|s| (*s).to_owned()).collect(),
        lines.into_iter().map(|line| row(&line)),
    )
}

/// Rows of text, each guarded against being run as a formula, under a head line.
pub(super) fn table<const N: usize>(
    head: &[&str; N],
    rows: impl IntoIterator<Item = [String; N]>,
) -> String {
    let guard = |fields: [String; N]| fields.iter().map(|f| guarded(f)).collect();
    written(
        head.iter().map(|s| (*s).to_owned()).collect(),
        rows.into_iter().map(guard),
    )
}

fn written(head: Vec<String>, rows: impl Iterator<Item = Vec<String>>) -> String {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    for fields in std::iter::once(head).chain(rows) {
        // Writing to memory can't fail.
        let written = writer.write_record(&fields);
        debug_assert!(written.is_ok(), "{written:?}");
    }
    let bytes = writer.into_inner().unwrap_or_default();
    String::from_utf8_lossy(&bytes).into_owned()
}

fn row(line: &Line) -> Vec<String> {
    let report = match line {
        Line::Report(report) => report,
        Line::Unread(unread) => {
            let side = unread.side.map(|s| word(&side_word(Some(s))));
            let mut fields = vec![String::new(); HEAD.len()];
            let put = [
                ("path", guarded(unread.path)),
                ("order", guarded(unread.order.unwrap_or(""))),
                ("verdict", CANNOT_READ.into()),
                ("side_ordered", side.unwrap_or_default()),
                ("error", guarded(unread.error)),
                (
                    "same_content_as",
                    guarded(unread.same_content_as.unwrap_or("")),
                ),
                ("version", env!("CARGO_PKG_VERSION").into()),
            ];
            for (name, value) in put {
                if let Some(i) = HEAD.iter().position(|head| *head == name) {
                    fields[i] = value;
                }
            }
            return fields;
        }
    };
    let canal = report.canal.as_ref();
    let length = canal.map(|c| c.length_mm);
    let bend = |i: usize| canal.and_then(|c| c.bends.get(i));
    let narrowest = canal.map(|c| &c.narrowest.section);
    let mut fields = vec![
        guarded(&report.input.path),
        guarded(report.order.as_deref().unwrap_or("")),
        word(&report.verdict),
        word(&report.side.value),
        report.side.ordered.as_ref().map(word).unwrap_or_default(),
        value(length),
        spread(length),
        length.map(|f| word::<Bound>(&f.bound)).unwrap_or_default(),
    ];
    fields.extend(bend_fields(bend(0)));
    fields.extend(bend_fields(bend(1)));
    fields.extend([
        narrowest.map(|s| plain(s.at_mm.0)).unwrap_or_default(),
        value(narrowest.map(|s| s.area_mm2)),
        report
            .soundness
            .holes
            .iter()
            .filter(|h| !h.base)
            .count()
            .to_string(),
        report
            .soundness
            .noise_mm
            .map(|n| plain(n.0))
            .unwrap_or_default(),
        report.input.facets.to_string(),
        report.input.unit.as_ref().map(word).unwrap_or_default(),
        ids(report, Outcome::Breaks),
        ids(report, Outcome::CannotTell),
        String::new(),
        guarded(report.same_content_as.as_deref().unwrap_or("")),
        report.input.sha256.clone(),
        guarded(report.limits_from.as_deref().unwrap_or("defaults")),
        report.tool.version.clone(),
    ]);
    fields
}

fn bend_fields(bend: Option<&BendReport>) -> [String; 4] {
    [
        value(bend.map(|b| b.at_mm)),
        value(bend.map(|b| b.turn_deg)),
        value(bend.map(|b| b.past_mm)),
        spread(bend.map(|b| b.past_mm)),
    ]
}

fn value(figure: Option<Figure>) -> String {
    figure.map(|f| plain(f.value.0)).unwrap_or_default()
}

/// To a millionth: a nanometre is no figure's worth, and 15 digits hide the first three.
fn plain(x: f64) -> String {
    ((x * 1e6).round() / 1e6).to_string()
}

fn spread(figure: Option<Figure>) -> String {
    figure.map(|f| plain(f.plus_minus.0)).unwrap_or_default()
}

/// A value's JSON word: `cannot_tell`, `left`, `mm`.
fn word<T: serde::Serialize>(value: &T) -> String {
    let json = serde_json::to_value(value).unwrap_or_default();
    json.as_str().unwrap_or_default().to_owned()
}

fn ids(report: &Report, outcome: Outcome) -> String {
    let these = report.checks.iter().filter(|c| c.outcome == outcome);
    these.map(|c| c.id.as_str()).collect::<Vec<_>>().join(" ")
}

fn guarded(text: &str) -> String {
    let starts = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']);
    if starts {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

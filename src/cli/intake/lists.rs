//! What an intake writes of all scans together: the index, the CSV and the JSON Lines.

use std::io::{self, Write};

use crate::intake::{Older, Same, pair_words};
use crate::report::page::{GoneRow, IndexRow, UnreadRow, index_page};
use crate::report::{self, Line, Report, Unread};
use crate::write::whole_file;

use super::super::Failure;
use super::{Done, Settings, ear};

/// Writes the lists, in the order given.
pub(super) fn write(settings: &Settings, all: &[&Done], gone: &[Older]) -> Result<(), Failure> {
    let out = settings.store.folder();
    let html = index(settings, all, gone);
    whole_file(&out.join("index.html"), |w| w.write_all(html.as_bytes()))?;
    let paths: Vec<String> = all.iter().map(|d| path(d)).collect();
    let reports: Vec<Option<Report>> = all.iter().map(|d| with_same(d)).collect();
    let lines = all
        .iter()
        .zip(&paths)
        .zip(&reports)
        .map(|((d, path), report)| match (report, &d.result) {
            (Some(report), _) => Line::Report(report),
            (None, Ok(kept)) => Line::Report(&kept.report),
            (None, Err(failure)) => Line::Unread(unread(d, path, failure)),
        });
    let csv = report::csv(lines);
    whole_file(&out.join("intake.csv"), |w| w.write_all(csv.as_bytes()))?;
    whole_file(&out.join("intake.jsonl"), |w| {
        all.iter()
            .zip(&paths)
            .try_for_each(|(d, path)| line(w, settings, d, path))
    })?;
    Ok(())
}

fn path(done: &Done) -> String {
    done.path.to_string_lossy().into_owned()
}

fn same_name(done: &Done) -> Option<&str> {
    done.same.as_ref().map(|(name, _)| name.as_str())
}

/// The report with its other file, where there is one.
fn with_same(done: &Done) -> Option<Report> {
    let kept = done.result.as_ref().ok()?;
    let same = same_name(done)?;
    Some(Report {
        same_content_as: Some(same.to_owned()),
        ..kept.report.clone()
    })
}

fn unread<'a>(done: &'a Done, path: &'a str, failure: &'a Failure) -> Unread<'a> {
    Unread {
        path,
        order: done.named.order.as_deref(),
        side: done.named.side,
        error: &failure.fact,
        help: &failure.help,
        same_content_as: same_name(done),
    }
}

fn index(settings: &Settings, all: &[&Done], gone: &[Older]) -> String {
    let pairs = pair_words(&all.iter().map(|d| ear(d)).collect::<Vec<_>>());
    let name = |d: &Done| d.name.to_string_lossy().into_owned();
    let names: Vec<String> = all.iter().map(|d| name(d)).collect();
    let same = |d: &Done| {
        let says = |(other, same): &(String, Same)| format!("as {other}{}", same.words());
        d.same.as_ref().map(says)
    };
    let rows: Vec<IndexRow> = all
        .iter()
        .zip(&pairs)
        .zip(&names)
        .map(|((d, pair), name)| IndexRow {
            name,
            order: d.named.order.as_deref(),
            pair,
            same_content: same(d),
            result: match &d.result {
                Ok(k) => Ok((&k.report, &k.page, &k.thumbnail)),
                Err(failure) => Err(UnreadRow {
                    side: d.named.side,
                    why: &failure.fact,
                }),
            },
        })
        .collect();
    let gone: Vec<GoneRow> = gone
        .iter()
        .map(|old| GoneRow {
            path: old.path.to_string_lossy().into_owned(),
            page: &old.page,
        })
        .collect();
    let folder = settings.folder.to_string_lossy();
    index_page(&folder, settings.limits.from.as_deref(), &rows, &gone)
}

/// A report at a time: the lines of a whole day are never in memory together.
fn line(w: &mut dyn Write, settings: &Settings, done: &Done, path: &str) -> io::Result<()> {
    let kept = done.key.as_ref().and_then(|key| settings.store.line(key));
    let line = match (&done.result, kept) {
        (Ok(_), Some(line)) => with_field(line, same_name(done))?,
        (result, _) => {
            let lost = Failure::new("its record is gone", "run the same command again");
            let failure = result.as_ref().err().unwrap_or(&lost);
            report::unread_line(&unread(done, path, failure)).map_err(io::Error::other)?
        }
    };
    w.write_all(line.as_bytes())
}

/// A kept line, with the other file of the same bytes where there is one: what is kept of a scan does not
/// hang on the files beside it.
fn with_field(line: String, same: Option<&str>) -> io::Result<String> {
    let Some(same) = same else {
        return Ok(line);
    };
    let mut report: Report = serde_json::from_str(&line)?;
    report.same_content_as = Some(same.to_owned());
    report::json_line(&report).map_err(io::Error::other)
}

//! The index of an intake: a row a scan with its thumbnail, verdict and key figures, sorted and
//! filtered in the page itself, linking each scan's own page.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::base64::base64;
use super::html::{digest, said, sign, tone};
use crate::canal::Side;
use crate::checks::{Outcome, Verdict};
use crate::report::{CAUTION, HEADLINES, Report, SideWord, shown};

const SCRIPT: &str = include_str!("js/index.js");
const STYLE: &str = include_str!("index.css");

/// One scan of the index.
pub struct IndexRow<'a> {
    /// Its file within the folder.
    pub name: &'a str,
    /// Its order.
    pub order: Option<&'a str>,
    /// What is said of its other ear.
    pub pair: &'a str,
    /// What is said of another file with the same bytes, where there is one.
    pub same_content: Option<String>,
    /// Report, page and thumbnail; or what is known of what could not be read.
    pub result: Result<(&'a Report, &'a str, &'a [u8]), UnreadRow<'a>>,
}

/// A scan that could not be read.
pub struct UnreadRow<'a> {
    /// The side that its name says.
    pub side: Option<Side>,
    /// Why it could not be read.
    pub why: &'a str,
}

/// A scan that an earlier run found, and that is no longer in the folder.
pub struct GoneRow<'a> {
    /// Its file as it was named then.
    pub path: String,
    /// Its page, which is kept.
    pub page: &'a str,
}

/// The index as HTML.
#[must_use]
pub fn index_page(
    folder: &str,
    limits: Option<&str>,
    rows: &[IndexRow],
    gone: &[GoneRow],
) -> String {
    let policy = format!(
        "default-src 'none'; style-src 'sha256-{}'; script-src 'sha256-{}'; img-src data:; \
         base-uri 'none'; form-action 'none'",
        digest(STYLE),
        digest(SCRIPT)
    );
    let heads = [
        "scan",
        "order",
        "side",
        "verdict",
        "canal, mm",
        "past 2nd bend, mm",
        "other ear",
    ];
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                title { "Intake: " (shown(folder)) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { "Intake of " (shown(folder)) }
                    p.caution { (CAUTION) }
                    div.filter {
                        label { "find " input type="search" id="find" autocomplete="off"; }
                        label { "show " select id="only" {
                            option value="" { "all" }
                            @for words in HEADLINES { option value=(words) { (words) } }
                            option value="cannot read" { "cannot read" }
                        } }
                        p id="count" role="status" { (rows.len()) " scans" }
                    }
                }
                main {
                    table id="scans" {
                        thead { tr {
                            th scope="col" { "picture" }
                            @for head in heads {
                                th scope="col" aria-sort="none" { button type="button" { (head) } }
                            }
                            th scope="col" { "what was found" }
                        } }
                        tbody { @for row in rows { (line(row)) } }
                    }
                }
                footer {
                    @if !gone.is_empty() {
                        p { "No longer in the folder (removed or renamed); the pages are kept until you delete them:" }
                        ul { @for old in gone { li { a href=(old.page) { (shown(&old.path)) } } } }
                    }
                    p { "limits: " (limits.map_or_else(|| "the defaults".to_owned(), shown))
                        "; made by " (concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")))
                        "; SHA-256 of every scan stands on its page, in intake.csv and in intake.jsonl." }
                }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    markup.into_string()
}

fn line(row: &IndexRow) -> Markup {
    match &row.result {
        Ok((report, page, thumbnail)) => scan(row, report, page, thumbnail),
        Err(unread) => html! {
            tr.untold {
                td {}
                th scope="row" { (shown(row.name)) }
                td { (row.order.map(shown).unwrap_or_default()) }
                td { (match unread.side {
                    Some(Side::Left) => "left by its name",
                    Some(Side::Right) => "right by its name",
                    None => "",
                }) }
                td { span.verdict { "? cannot read" } }
                td {} td {}
                td { (row.pair) }
                td { ul { (same(row)) li { (said(unread.why)) } } }
            }
        },
    }
}

/// Before what was found: whatever else holds, one of the two is not what its name says.
fn same(row: &IndexRow) -> Markup {
    html! { @if let Some(says) = &row.same_content { li { b { "same content" } " " (said(says)) } } }
}

fn scan(row: &IndexRow, report: &Report, page: &str, thumbnail: &[u8]) -> Markup {
    let (outcome, words) = report.headline();
    let canal = report.canal.as_ref();
    let past = canal.and_then(|c| Some(c.bends.get(1)?.past_mm.value.0));
    let number = |x: Option<f64>| x.map(|x| format!("{x:.1}")).unwrap_or_default();
    let wrong = report
        .checks
        .iter()
        .filter(|c| c.outcome != Outcome::Holds && c.because.is_none())
        // What nothing hangs on is on the page.
        .filter(|c| c.weighs != Verdict::Design);
    html! {
        tr class=(tone(outcome)) {
            td { a href=(page) tabindex="-1" aria-hidden="true" {
                img alt="" width="168" height="116" src=(format!("data:image/png;base64,{}", base64(thumbnail)));
            } }
            th scope="row" { a href=(page) { (shown(row.name)) } }
            td { (report.order.as_deref().map(shown).unwrap_or_default()) }
            @match report.side.value {
                SideWord::Left => td.left { "left" },
                SideWord::Right => td.right { "right" },
                SideWord::Unknown => td { "not told" },
            }
            td { span.verdict { (sign(outcome)) " " (words) } }
            td.number { (number(canal.map(|c| c.length_mm.value.0))) }
            td.number { (number(past)) }
            td { (row.pair) }
            td { ul { (same(row)) @for c in wrong { li { b { (c.id) } " " (said(&c.answer)) } } } }
        }
    }
}

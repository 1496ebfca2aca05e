//! The index of an intake: a row a scan with its thumbnail, verdict and key figures, sorted and
//! filtered in the page itself, linking each scan's own page.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::base64::base64;
use super::html::{digest, said, sign, tone};
use crate::checks::{Outcome, Verdict};
use crate::report::{CAUTION, Report, SideWord, shown};

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
    /// Report, page and thumbnail; or why it could not be read.
    pub result: Result<(&'a Report, &'a str, &'a [u8]), &'a str>,
}

/// The index as HTML.
#[must_use]
pub fn index_page(folder: &str, limits: Option<&str>, rows: &[IndexRow]) -> String {
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
                            @for v in [Verdict::Design, Verdict::Repair, Verdict::Retake, Verdict::CannotTell] {
                                option value=(v.words()) { (v.words()) }
                            }
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
        Err(why) => html! {
            tr.untold {
                td {}
                th scope="row" { (shown(row.name)) }
                td { (row.order.map(shown).unwrap_or_default()) }
                td {}
                td { span.verdict { "? cannot read" } }
                td {} td {}
                td { (row.pair) }
                td { (said(why)) }
            }
        },
    }
}

fn scan(row: &IndexRow, report: &Report, page: &str, thumbnail: &[u8]) -> Markup {
    let outcome = match report.verdict {
        Verdict::Design => Outcome::Holds,
        Verdict::CannotTell => Outcome::CannotTell,
        Verdict::Repair | Verdict::Retake => Outcome::Breaks,
    };
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
            td { span.verdict { (sign(outcome)) " " (report.verdict.words()) } }
            td.number { (number(canal.map(|c| c.length_mm.value.0))) }
            td.number { (number(past)) }
            td { (row.pair) }
            td { ul { @for c in wrong { li { b { (c.id) } " " (said(&c.answer)) } } } }
        }
    }
}

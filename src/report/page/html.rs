//! The page: words, lists and the record as plain HTML that can be read without a script, and the
//! model, its tools and the plots as what the script fills in. One file, nothing from anywhere
//! else: the content policy allows the one style and the one script by their digests and no more.

use maud::{DOCTYPE, Markup, PreEscaped, html};
use sha2::{Digest, Sha256};

use super::base64::base64;
use super::data::{Data, data};
use super::model::*;
use crate::canal::Side;
use crate::checks::Outcome;
use crate::report::shown;

/// The script, in the order in which its pieces build on each other.
const SCRIPT: &str = concat!(
    "(function () {\n\"use strict\";\n",
    include_str!("js/vectors.js"),
    include_str!("js/unpack.js"),
    include_str!("js/coarse.js"),
    include_str!("js/draw.js"),
    include_str!("js/camera.js"),
    include_str!("js/section.js"),
    include_str!("js/motion.js"),
    include_str!("js/plots.js"),
    include_str!("js/labels.js"),
    include_str!("js/main.js"),
    "})();\n"
);
const STYLE: &str = include_str!("page.css");

/// More places than this do not all show in an answer's list: they are counted below it.
const SCROLLED: usize = 4;
/// Findings shown on the printed record; what is more is told by number.
const MOST_PRINTED: usize = 10;

/// The page as HTML.
#[must_use]
pub fn page(model: &PageModel) -> String {
    let data = data(model);
    let title = format!("{}: {}", model.verdict.words, shown(&model.title));
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy(STYLE, SCRIPT));
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="referrer" content="no-referrer";
                meta name="generator" content=(concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")));
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                a.skip href="#answers" { "To the answers" }
                (head(model))
                main {
                    (look(&data))
                    (answers(model))
                    (figures(model))
                    (plots(model))
                }
                (record(model))
                script type="application/json" id="data" { (PreEscaped(&data.json)) }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    markup.into_string()
}

/// SHA-256 as a content policy names it.
pub(super) fn digest(text: &str) -> String {
    base64(&Sha256::digest(text.as_bytes()))
}

/// Nothing may be loaded, framed or sent; the style and the script are those of these digests.
fn policy(style: &str, script: &str) -> String {
    format!(
        "default-src 'none'; style-src 'sha256-{}'; script-src 'sha256-{}'; \
         base-uri 'none'; form-action 'none'",
        digest(style),
        digest(script)
    )
}

pub(super) const fn tone(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Holds => "holds",
        Outcome::Breaks => "breaks",
        Outcome::CannotTell => "untold",
    }
}

/// A sign of its own shape each, since colour alone tells nothing to some eyes and to no printer.
pub(super) const fn sign(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Holds => "\u{2713}",
        Outcome::Breaks => "\u{2715}",
        Outcome::CannotTell => "?",
    }
}

/// A text made harmless, with units as print has them.
pub(super) fn said(text: &str) -> String {
    shown(text)
        .replace(" mm2", " mm\u{b2}")
        .replace(" mm3", " mm\u{b3}")
        .replace(" deg", "\u{b0}")
}

/// As [`said`], with what stands between backticks as something to type.
fn rich(text: &str) -> Markup {
    let said = said(text);
    let pieces: Vec<&str> = said.split('`').collect();
    let even = pieces.len().is_multiple_of(2);
    html! {
        @for (i, piece) in pieces.iter().enumerate() {
            @if even && i + 1 == pieces.len() { "`" (piece) }
            @else if i % 2 == 1 { code { (piece) } }
            @else { (piece) }
        }
    }
}

fn head(model: &PageModel) -> Markup {
    let v = &model.verdict;
    html! {
        header class=(tone(v.tone)) {
            div.says {
                h1 { span.sign aria-hidden="true" { (sign(v.tone)) } " " (v.words) }
                p.because { (rich(&v.because)) }
            }
            div.about {
                p.name { (shown(&model.title)) }
                p.tags {
                    @if let Some(order) = &model.order { span.tag { "order " (shown(order)) } " " }
                    @match model.side {
                        Some(Side::Right) => span.tag.right { "right ear" },
                        Some(Side::Left) => span.tag.left { "left ear" },
                        None => {},
                    }
                }
            }
            @for caution in &model.cautions { p.caution { (shown(caution)) } }
        }
    }
}

fn look(data: &Data) -> Markup {
    html! {
        section.look aria-label="Model" {
            div.tools role="toolbar" aria-label="View" id="tools" {
                div.group id="views" {}
                div.group {
                    button type="button" id="measure" aria-pressed="false"
                        title="Distance between two picked points (M)" { "measure" }
                    button type="button" id="cut" aria-pressed="false"
                        title="Take away what lies outside the section plane (X)" { "cut open" }
                    button type="button" id="glass" aria-pressed="false"
                        title="Look through the surface (T)" { "see through" }
                    button type="button" id="closer" title="Closer (+)" aria-label="closer" { "+" }
                    button type="button" id="away" title="Farther (-)" aria-label="farther" { "\u{2212}" }
                }
            }
            div.stage id="stage" {
                canvas id="view" tabindex="0" role="img" aria-describedby="keys"
                    aria-label="The model. Arrow keys turn it." {}
                div.labels id="labels" {}
                p.reading id="reading" role="status" {}
                p.nothing id="nothing" hidden { "This browser draws no 3-D; all answers are below." }
                noscript { p.nothing { "The model and the plots need scripts; all answers are below." } }
            }
            div.under id="under" {}
            p.keys id="keys" {
                "Drag turns, two fingers or Shift move, wheel or pinch zooms. Keys: arrows turn, "
                "Shift and arrows move, + and - zoom, 1 to 9 views, [ and ] section, M measure "
                "(then Enter picks the middle of the view), X cut open, T see through, 0 as at first."
            }
            @for (name, few, all) in &data.thinned {
                p.thinned { "For the view only, " (name) " is thinned from " (all) " to " (few)
                    " facets; every figure is of the whole." }
            }
        }
    }
}

fn answers(model: &PageModel) -> Markup {
    let (good, open): (Vec<_>, Vec<_>) = model
        .answers
        .iter()
        .partition(|a| a.outcome == Outcome::Holds);
    let found = model.findings().count();
    html! {
        section.answers id="answers" aria-label="Answers" {
            h2 { "What was found" }
            @if open.is_empty() { p { "Nothing that breaks a limit." } }
            @for row in open { (answer(row)) }
            @if found > MOST_PRINTED {
                p.onprint { "Places " (MOST_PRINTED + 1) " to " (found) " are on the page and in the JSON." }
            }
            @if !good.is_empty() {
                details {
                    summary { (good.len()) " question" (if good.len() == 1 { "" } else { "s" }) " with a good answer" }
                    @for row in good { (answer(row)) }
                }
            }
        }
    }
}

fn answer(row: &AnswerRow) -> Markup {
    html! {
        article class=(format!("answer {}", tone(row.outcome))) {
            h3 { span.sign aria-hidden="true" { (sign(row.outcome)) } " " (row.id)
                span.outcome { " " (row.outcome.words()) } }
            p.question { (said(&row.question)) }
            p.found { (rich(&row.answer)) }
            @if !row.findings.is_empty() {
                ol.places {
                    @for f in &row.findings { (finding(f)) }
                }
                @if row.findings.len() > SCROLLED {
                    p.note.unprinted { (row.findings.len()) " places: scroll for all" }
                }
            }
            @if let Some(advice) = &row.advice { p.advice { (rich(advice)) } }
        }
    }
}

fn finding(f: &Finding) -> Markup {
    let class = if f.number > MOST_PRINTED {
        "unprinted"
    } else {
        ""
    };
    html! {
        li class=(class) {
            @if f.point.is_some() {
                button type="button" class="go" data-finding=(f.number)
                    { span.number { (f.number) } " " span.what { (said(&f.says)) } }
            } @else {
                span.number { (f.number) } " " span.what { (said(&f.says)) }
            }
        }
    }
}

fn figures(model: &PageModel) -> Markup {
    html! {
        section.figures aria-label="Figures" {
            h2 { "Figures" }
            dl {
                @for f in &model.figures { div { dt { (f.label) } dd { (said(&f.value)) } } }
            }
        }
    }
}

fn plots(model: &PageModel) -> Markup {
    html! {
        section.plots aria-label="Plots" {
            figure.cut id="section-figure" hidden {
                figcaption { h2 { "Section" } p id="section-says" role="status" {} }
                div id="section-outline" {}
            }
            @for (i, plot) in model.plots.iter().enumerate() {
                figure {
                    figcaption { h2 { (plot.title) } }
                    div.plot id=(format!("plot-{i}")) {}
                    @if !plot.note.is_empty() { p.note { (plot.note) } }
                }
            }
        }
    }
}

fn record(model: &PageModel) -> Markup {
    html! {
        footer aria-label="Record" {
            h2 { "Record" }
            dl {
                @for r in &model.records { div { dt { (r.label) } dd { (shown(&r.value)) } } }
            }
        }
    }
}

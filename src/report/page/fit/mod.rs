//! A stack's page: the cavity like glass, the parts in it, what holds and what is in the way.

mod rows;
#[cfg(test)]
mod tests;

use super::model::*;
use super::vet::{box_spine, box_views, canal_spine, canal_views, file_name};
use crate::canal::Canal;
use crate::checks::Outcome;
use crate::report::fit::{FitTrace, found_elsewhere};
use crate::report::{CAUTION, FileUsed};
use crate::stack::certificate::{Certificate, MarginKind};
use crate::stack::{
    Cavity, FitAnswer, Helps, OF_TUBES, Placement, Stack, Verdict, end_not_judged, part_meshes,
    tightest_words,
};
use rows::{help_row, laid_row, margins_row, nearest_row, parts_row, tubes_row, untried_row};

/// The page of an answer; `canal` is that of the scan that the cavity was made of.
#[must_use]
pub fn fit_page(
    cavity: &Cavity,
    stack: &Stack,
    answer: &FitAnswer,
    helps: &Helps,
    canal: Option<&Canal>,
    trace: &FitTrace,
) -> PageModel {
    let placement = answer.placement.as_ref();
    let mut rows = vec![parts_row(stack, answer)];
    if let Some(certificate) = &answer.certificate {
        rows.push(match answer.verdict {
            Verdict::Fits => margins_row(stack, certificate, placement),
            _ => nearest_row(stack, certificate, placement),
        });
    }
    if stack.asks_for_tubes() {
        rows.push(tubes_row(stack, answer));
    }
    rows.extend(helps.tried.iter().map(help_row));
    rows.extend(helps.untried.iter().map(untried_row));
    let rows = numbered(rows);
    let mut figures = figures(cavity, stack, answer);
    figures.extend(answer.certificate.iter().flat_map(margin_figures));
    model(
        cavity,
        stack,
        placement,
        canal,
        trace,
        headline(answer),
        rows,
        figures,
        &answer.notes,
    )
}

/// The page of a placement that was measured again.
#[must_use]
pub fn verify_page(
    cavity: &Cavity,
    stack: &Stack,
    placement: &Placement,
    certificate: &Certificate,
    canal: Option<&Canal>,
    trace: &FitTrace,
) -> PageModel {
    let holds = certificate.fits();
    let headline = Headline {
        tone: if holds {
            Outcome::Holds
        } else {
            Outcome::Breaks
        },
        words: if holds { "holds" } else { "does not hold" }.to_owned(),
        because: format!(
            "every margin of this placement was measured again{}",
            end_not_judged(stack, cavity.tip).map_or_else(String::new, |says| format!("; {says}"))
        ),
    };
    let mut rows = vec![margins_row(stack, certificate, Some(placement))];
    if stack.asks_for_tubes() {
        rows.push(laid_row(stack, certificate));
    }
    let rows = numbered(rows);
    let figures = margin_figures(certificate);
    let notes: Vec<String> = found_elsewhere(trace).into_iter().collect();
    model(
        cavity,
        stack,
        Some(placement),
        canal,
        trace,
        headline,
        rows,
        figures,
        &notes,
    )
}

#[allow(clippy::too_many_arguments)] // the pieces of one page, each named at its two callers
fn model(
    cavity: &Cavity,
    stack: &Stack,
    placement: Option<&Placement>,
    canal: Option<&Canal>,
    trace: &FitTrace,
    verdict: Headline,
    answers: Vec<AnswerRow>,
    figures: Vec<KeyFigure>,
    notes: &[String],
) -> PageModel {
    let mut layers = vec![Layer {
        name: "cavity".to_owned(),
        role: Role::Cavity,
        mesh: cavity.mesh().clone(),
        shown: true,
        glass: true,
        maps: Vec::new(),
    }];
    let parts = placement.map(|p| part_meshes(stack, p)).unwrap_or_default();
    layers.extend(parts.into_iter().map(|(name, mesh)| Layer {
        name,
        role: Role::Part,
        mesh,
        shown: true,
        glass: false,
        maps: Vec::new(),
    }));
    let mut cautions = vec![CAUTION.to_owned()];
    cautions.extend(notes.iter().cloned());
    let placed = placement.map_or(&[][..], |p| &p.parts);
    let tubes = placement.map_or(&[][..], |p| &p.tubes);
    PageModel {
        command: "fit",
        title: trace
            .inputs
            .iter()
            .map(|f| file_name(&f.path))
            .collect::<Vec<_>>()
            .join(" with "),
        order: trace.order.clone(),
        side: canal.and_then(|c| c.side),
        verdict,
        cautions,
        figures,
        answers,
        spine: canal
            .and_then(|c| canal_spine(c, (0..layers.len()).collect()))
            .or_else(|| box_spine(cavity.mesh(), (0..layers.len()).collect()))
            .map(|spine| Spine {
                within: "taken by parts and tubes",
                ..spine
            }),
        // Of a scan the views of the canal, as on every page of it; a cavity alone has its box's.
        views: canal
            .filter(|c| !c.sections.is_empty())
            .map_or_else(|| box_views(cavity.mesh()), canal_views),
        layers,
        lines: tubes
            .iter()
            .map(|t| Line {
                name: "tubes".to_owned(),
                role: LineRole::Tube,
                points: t.centreline.clone(),
            })
            .collect(),
        marks: placed
            .iter()
            .map(|p| Mark {
                name: p.name.clone(),
                point: p.pose.middle,
            })
            .collect(),
        plots: Vec::new(),
        motion: None,
        records: records(stack, trace),
    }
}

fn headline(answer: &FitAnswer) -> Headline {
    let (tone, words, because) = match &answer.verdict {
        Verdict::Fits => (
            Outcome::Holds,
            "fits",
            "a placement was found, and every margin measured again by other code".to_owned(),
        ),
        Verdict::CannotFit(proof) => (
            Outcome::Breaks,
            "cannot fit",
            format!(
                "{}: needs {:.3} {unit}, has at most {:.3} {unit}",
                proof.bound.because(),
                proof.need,
                proof.have,
                unit = proof.bound.unit()
            ),
        ),
        Verdict::NotFound => (
            Outcome::CannotTell,
            "not found",
            "no placement was found, and no proof that there is none".to_owned(),
        ),
    };
    let led = answer.tip_guess.map(|g| g.through());
    let only = match (&answer.verdict, led) {
        (Verdict::Fits, Some(through)) => {
            format!("; only if the tubes may leave {through}: nobody told it")
        }
        (Verdict::NotFound, Some(through)) => {
            format!("; tubes were led {through}: nobody told it")
        }
        _ => String::new(),
    };
    let of = answer
        .scan_verdict
        .as_ref()
        .map_or_else(String::new, |said| {
            format!("; of the scan as it is, of which `vet` says: {said}")
        });
    Headline {
        tone,
        words: words.to_owned(),
        because: because + &only + &of,
    }
}

fn numbered(mut rows: Vec<AnswerRow>) -> Vec<AnswerRow> {
    rows.sort_by_key(|r| match r.outcome {
        Outcome::Breaks => 0,
        Outcome::CannotTell => 1,
        Outcome::Holds => 2,
    });
    for (i, f) in rows.iter_mut().flat_map(|r| &mut r.findings).enumerate() {
        f.number = i + 1;
    }
    rows
}

fn figures(cavity: &Cavity, stack: &Stack, answer: &FitAnswer) -> Vec<KeyFigure> {
    let boxes = stack.boxes_mm3();
    let room = cavity.volume_mm3();
    let mut out = vec![
        KeyFigure::new("parts", stack.parts.len().to_string()),
        KeyFigure::new("cavity", format!("{room:.1} mm3")),
        KeyFigure::new(
            "boxes in all",
            format!("{boxes:.1} mm3, {:.0} % of it", 100.0 * boxes / room),
        ),
    ];
    if answer.starts > 0 {
        out.push(KeyFigure::new("starts made", answer.starts.to_string()));
    }
    out
}

fn margin_figures(certificate: &Certificate) -> Vec<KeyFigure> {
    let kinds = [MarginKind::Pair, MarginKind::Wall].into_iter();
    kinds
        .chain(OF_TUBES)
        .filter_map(|kind| {
            let m = certificate.tightest(kind)?;
            let (have, need) = (m.have.0, m.need.0);
            let says = format!("{have:.3} mm, asked {need:.2}");
            have.is_finite()
                .then(|| KeyFigure::new(tightest_words(kind), says))
        })
        .collect()
}

fn records(stack: &Stack, trace: &FitTrace) -> Vec<Record> {
    let mut out = Vec::new();
    for FileUsed { path, sha256 } in &trace.inputs {
        out.push(Record::new("file", path.clone()));
        out.push(Record::new("SHA-256", sha256.clone()));
    }
    out.push(Record::new("stack", stack.name.clone()));
    out.push(Record::new(
        "order",
        trace
            .order
            .clone()
            .unwrap_or_else(|| "none given".to_owned()),
    ));
    let asked = format!(
        "{:.2} mm between parts, {:.2} mm from the wall, webs {:.2} mm (of the stack file)",
        stack.clearance_mm, stack.wall_clearance_mm, stack.web_mm
    );
    out.push(Record::new("clearances asked", asked));
    if let Some(effort) = &trace.effort {
        out.push(Record::new("search", effort.clone()));
    }
    let made = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));
    out.push(Record::new("made by", made));
    out
}

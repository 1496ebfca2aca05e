//! A stack's page: the cavity like glass, the parts in it, what holds and what is in the way.

use super::model::*;
use super::vet::{box_spine, box_views, canal_spine, canal_views, file_name};
use crate::canal::Canal;
use crate::checks::Outcome;
use crate::mesh::Point;
use crate::report::CAUTION;
use crate::stack::certificate::{Certificate, Margin, MarginKind};
use crate::stack::{
    Cavity, FitAnswer, Help, OF_TUBES, Placement, Stack, Verdict, part_meshes, tightest_words,
};

/// What a fit's result is traced by.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FitTrace {
    /// Order or serial number as typed.
    pub order: Option<String>,
    /// Files as they were named, with the SHA-256 of their bytes.
    pub inputs: Vec<(String, String)>,
    /// Seed and effort, in words; `None` where nothing was searched.
    pub effort: Option<String>,
}

/// The page of an answer; `canal` is that of the scan that the cavity was made of.
#[must_use]
pub fn fit_page(
    cavity: &Cavity,
    stack: &Stack,
    answer: &FitAnswer,
    helps: &[Help],
    canal: Option<&Canal>,
    trace: &FitTrace,
) -> PageModel {
    let placement = answer.placement.as_ref();
    let mut rows = vec![main_row(stack, answer)];
    if let Some(certificate) = &answer.certificate {
        rows.push(margins_row(stack, certificate, placement));
    }
    if stack.asks_for_tubes() {
        rows.push(tubes_row(stack, answer.certificate.as_ref()));
    }
    rows.extend(helps.iter().map(help_row));
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
        because: "every margin of this placement was measured again".to_owned(),
    };
    let mut row = margins_row(stack, certificate, Some(placement));
    if !holds {
        // The question was this placement, not whether there is one.
        row.outcome = Outcome::Breaks;
    }
    let rows = numbered(vec![row]);
    let figures = margin_figures(certificate);
    model(
        cavity,
        stack,
        Some(placement),
        canal,
        trace,
        headline,
        rows,
        figures,
        &[],
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
            .map(|(p, _)| file_name(p))
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
    Headline {
        tone,
        words: words.to_owned(),
        because: because + &only,
    }
}

fn names(stack: &Stack, parts: &[usize]) -> String {
    let each = parts.iter().filter_map(|&i| stack.parts.get(i));
    each.map(|p| p.name.as_str())
        .collect::<Vec<_>>()
        .join(" and ")
}

fn main_row(stack: &Stack, answer: &FitAnswer) -> AnswerRow {
    let (outcome, says) = match &answer.verdict {
        Verdict::Fits => (Outcome::Holds, "all parts are placed".to_owned()),
        Verdict::CannotFit(proof) => {
            let who = names(stack, &proof.parts);
            let who = if who.is_empty() {
                who
            } else {
                format!(" ({who})")
            };
            (Outcome::Breaks, format!("{}{who}", proof.bound.because()))
        }
        Verdict::NotFound => (
            Outcome::CannotTell,
            match &answer.blocker {
                Some(b) if b.short.is_none() => {
                    format!(
                        "the parts fit, but not with their tubes, in {} starts",
                        answer.starts
                    )
                }
                _ => format!("no placement in {} starts", answer.starts),
            },
        ),
    };
    let blocker = answer.blocker.iter().map(|b| Finding {
        number: 0,
        says: match b.short {
            Some(short) => format!(
                "{}: {:.3} mm of clearance missing",
                names(stack, &b.parts),
                short.0
            ),
            None => format!("{}: no way was found for its tube", names(stack, &b.parts)),
        },
        point: middle(answer.placement.as_ref(), &b.parts),
        at_mm: None,
    });
    AnswerRow {
        outcome,
        id: "parts".to_owned(),
        question: "Is there a placement in which every part keeps its clearance?".to_owned(),
        answer: says,
        advice: answer
            .cut_short
            .then(|| "the search was cut short: give it more time".to_owned()),
        findings: blocker.collect(),
    }
}

/// Midway between the parts named.
fn middle(placement: Option<&Placement>, parts: &[usize]) -> Option<Point> {
    let placed = &placement?.parts;
    let at: Vec<_> = parts
        .iter()
        .filter_map(|&i| Some(placed.get(i)?.pose.middle.coords))
        .collect();
    let n = at.len() as f64;
    (!at.is_empty()).then(|| Point::from(at.into_iter().sum::<crate::mesh::Vector>() / n))
}

fn margins_row(
    stack: &Stack,
    certificate: &Certificate,
    placement: Option<&Placement>,
) -> AnswerRow {
    let short: Vec<&Margin> = certificate
        .margins
        .iter()
        .filter(|m| m.spare_mm() < -1e-6)
        .collect();
    let worst = certificate.worst().map_or_else(
        || "nothing was measured".to_owned(),
        |m| {
            format!(
                "least to spare {:.3} mm: {}",
                tidy(m.spare_mm()),
                margin_words(stack, m)
            )
        },
    );
    AnswerRow {
        outcome: if short.is_empty() {
            Outcome::Holds
        } else {
            Outcome::CannotTell
        },
        id: "margins".to_owned(),
        question: "Does every margin of this placement reach its clearance?".to_owned(),
        answer: worst,
        advice: None,
        findings: short
            .iter()
            .map(|m| Finding {
                number: 0,
                says: margin_words(stack, m),
                point: middle(placement, &m.parts),
                at_mm: None,
            })
            .collect(),
    }
}

fn margin_words(stack: &Stack, m: &Margin) -> String {
    let kind = match m.kind {
        MarginKind::Pair => "between them",
        MarginKind::Wall => "from the wall",
        MarginKind::ZonePair => "of the room one keeps free",
        MarginKind::ZoneWall => "of its kept room from the wall",
        MarginKind::Seat => "off the faceplate",
        MarginKind::Bend => "as the radius of a tube's middle line",
        MarginKind::TubeWall => "of a tube from the wall",
        MarginKind::TubePart => "of a tube from a part",
        MarginKind::TubePair => "between tubes",
        MarginKind::Web => "of material between bores",
        MarginKind::TubeEnds => "off a tube's ends",
    };
    format!(
        "{} {kind}: {:.3} mm, asked {:.2}",
        names(stack, &m.parts),
        tidy(m.have.0),
        m.need.0
    )
}

/// To the thousandth that is shown, and no minus before nothing.
fn tidy(mm: f64) -> f64 {
    (mm * 1000.0).round() / 1000.0 + 0.0
}

fn tubes_row(stack: &Stack, certificate: Option<&Certificate>) -> AnswerRow {
    let unlaid = certificate.map_or(&[][..], |c| &c.unlaid);
    let (outcome, answer) = match certificate {
        None => (Outcome::CannotTell, "no tube was laid".to_owned()),
        Some(_) if unlaid.is_empty() => (Outcome::Holds, "every tube is laid".to_owned()),
        Some(_) => (
            Outcome::CannotTell,
            format!("not laid: {}", names(stack, unlaid)),
        ),
    };
    AnswerRow {
        outcome,
        id: "tubes".to_owned(),
        question: "Does a tube lead from every spout to its bore?".to_owned(),
        answer,
        advice: (outcome != Outcome::Holds)
            .then(|| "look at the spouts, and lay the tubes by hand".to_owned()),
        findings: Vec::new(),
    }
}

fn help_row(help: &Help) -> AnswerRow {
    AnswerRow {
        outcome: match help.verdict {
            Verdict::Fits => Outcome::Holds,
            Verdict::CannotFit(_) => Outcome::Breaks,
            Verdict::NotFound => Outcome::CannotTell,
        },
        id: "what would help".to_owned(),
        question: format!("Would it go in with: {}?", help.words()),
        answer: help.verdict.name().replace('_', " "),
        advice: None,
        findings: Vec::new(),
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
    let boxes: f64 = stack
        .parts
        .iter()
        .map(|p| p.size_mm.iter().product::<f64>())
        .sum();
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
    for (path, sha256) in &trace.inputs {
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

//! From an answer of `stack` to what is reported of it.

use super::model::*;
use crate::checks::Outcome;
use crate::mesh::Point;
use crate::report::model::xyz;
use crate::report::{CAUTION, FileUsed, Finite, PlanReport, Tool};
use crate::stack::certificate::{Certificate, Margin, MarginKind, TOLERANCE_MM};
use crate::stack::{
    Blocker, Cavity, FitAnswer, Help, Helps, NotTried, Placement, Stack, Untried, Verdict,
    end_not_judged, printed,
};

/// What a fit's result is traced by.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FitTrace {
    /// Order or serial number as typed.
    pub order: Option<String>,
    /// Files as they were named, with the SHA-256 of their bytes.
    pub inputs: Vec<FileUsed>,
    /// Seed and effort, in words; `None` where nothing was searched.
    pub effort: Option<String>,
    /// What the shell was made by, all of it; `None` where the cavity was given.
    pub plan: Option<PlanReport>,
    /// The scan or cavity that the placement which is measured again was found in, where that is another file.
    pub found_in: Option<String>,
}

fn tool() -> Tool {
    Tool {
        name: env!("CARGO_PKG_NAME").to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
    }
}

/// Gathers the report of an answer that took so many `seconds`.
#[must_use]
pub fn fit(
    cavity: &Cavity,
    stack: &Stack,
    answer: &FitAnswer,
    helps: &Helps,
    trace: &FitTrace,
    seconds: f64,
) -> FitReport {
    FitReport {
        schema: FIT_SCHEMA.to_owned(),
        tool: tool(),
        command: "fit".to_owned(),
        inputs: trace.inputs.clone(),
        order: trace.order.clone(),
        outcome: match answer.verdict {
            Verdict::Fits => Outcome::Holds,
            Verdict::CannotFit(_) => Outcome::Breaks,
            Verdict::NotFound => Outcome::CannotTell,
        },
        fit: figures(cavity, stack, answer, helps, seconds),
        plan: trace.plan.clone(),
        caution: CAUTION.to_owned(),
    }
}

fn figures(
    cavity: &Cavity,
    stack: &Stack,
    answer: &FitAnswer,
    helps: &Helps,
    seconds: f64,
) -> FitFigures {
    let placement = answer.placement.as_ref();
    FitFigures {
        verdict: answer.verdict.name().to_owned(),
        stack: stack.name.clone(),
        clearance_mm: Finite(stack.clearance_mm),
        wall_clearance_mm: Finite(stack.wall_clearance_mm),
        room: RoomFigures {
            cavity_mm3: Finite(cavity.volume_mm3()),
            parts_mm3: Finite(stack.boxes_mm3()),
        },
        parts: placement.map_or_else(Vec::new, placed_parts),
        tubes: placement.map_or_else(Vec::new, tubes),
        tip: answer.tip.map(|tip| TipFigures {
            at_mm: xyz(&tip.at),
            direction: xyz(&Point::from(tip.outward)),
            guessed_by: answer.tip_guess.map(|g| g.name().to_owned()),
        }),
        margins: answer.certificate.as_ref().map(margins),
        tightest: answer
            .certificate
            .as_ref()
            .map_or_else(Vec::new, |c| rows_of(stack, c)),
        proof: proof(stack, &answer.verdict),
        blocker: answer.blocker.as_ref().map(|b| blocker(stack, b)),
        helps: helps.tried.iter().map(help).collect(),
        helps_untried: helps.untried.iter().map(untried).collect(),
        effort: EffortFigures {
            starts: answer.starts,
            cut_short: answer.cut_short,
            seconds: Finite((seconds * 1e3).round() / 1e3),
        },
        scan_verdict: answer.scan_verdict.clone(),
        notes: answer.notes.clone(),
    }
}

fn placed_parts(placement: &Placement) -> Vec<PlacedPartFigures> {
    let each = placement.parts.iter().map(|p| PlacedPartFigures {
        name: p.name.clone(),
        size_mm: p.size_mm.map(Finite),
        pose: p.pose.rows().map(|x| Finite(printed(x))),
    });
    each.collect()
}

fn tubes(placement: &Placement) -> Vec<TubeFigures> {
    let each = placement.tubes.iter().map(|t| TubeFigures {
        name: t.name.clone(),
        part: t.part.clone(),
        outer_mm: Finite(t.outer_mm),
        centreline_mm: t.centreline.iter().map(|p| xyz(&p.map(printed))).collect(),
    });
    each.collect()
}

fn margins(certificate: &Certificate) -> MarginFigures {
    // An endless radius (a straight tube) has no number in JSON.
    let finite = |mm: Option<f64>| mm.filter(|v| v.is_finite()).map(Finite);
    let least = |kind| finite(certificate.least(kind).map(|m| m.0));
    let kept = [MarginKind::ZonePair, MarginKind::ZoneWall].map(|k| certificate.least(k));
    MarginFigures {
        worst_pair_mm: least(MarginKind::Pair),
        worst_wall_mm: least(MarginKind::Wall),
        worst_kept_room_mm: finite(kept.into_iter().flatten().map(|m| m.0).reduce(f64::min)),
        worst_tube_wall_mm: least(MarginKind::TubeWall),
        worst_tube_part_mm: least(MarginKind::TubePart),
        least_bend_radius_mm: least(MarginKind::Bend),
        least_web_mm: least(MarginKind::Web),
        least_spare_mm: finite(certificate.worst().map(Margin::spare_mm)),
    }
}

fn owned(names: Vec<&str>) -> Vec<String> {
    names.into_iter().map(str::to_owned).collect()
}

fn proof(stack: &Stack, verdict: &Verdict) -> Option<ProofFigures> {
    let Verdict::CannotFit(p) = verdict else {
        return None;
    };
    Some(ProofFigures {
        bound: p.bound.name().to_owned(),
        because: p.bound.because().to_owned(),
        need: Finite(p.need),
        have: Finite(p.have),
        unit: p.bound.unit().to_owned(),
        parts: owned(stack.names(&p.parts)),
    })
}

fn blocker(stack: &Stack, b: &Blocker) -> BlockerFigures {
    BlockerFigures {
        parts: owned(stack.names(&b.parts)),
        against: against(b.kind).to_owned(),
        short_mm: b.short.map(|s| Finite(s.0)),
    }
}

pub(in crate::report) fn against(kind: MarginKind) -> &'static str {
    match kind {
        MarginKind::Pair => "each other",
        MarginKind::Wall => "the wall",
        MarginKind::ZonePair => "the room that one of them keeps free",
        MarginKind::ZoneWall => "the wall, with the room it keeps free",
        MarginKind::Seat => "the faceplate",
        MarginKind::Bend => "a straighter way for its tube",
        MarginKind::TubeWall => "the wall, with its tube",
        MarginKind::TubePart => "a tube",
        MarginKind::TubePair | MarginKind::Web => "each other, with their tubes",
        MarginKind::TubeEnds => "the way that its tube needs",
    }
}

fn help(h: &Help) -> HelpFigures {
    let by = h.value_mm.map(|v| HelpValue::Mm(Finite(v.0)));
    HelpFigures {
        change: h.change.to_owned(),
        value: by.or_else(|| h.part.clone().map(HelpValue::Part)),
        verdict: h.verdict.name().to_owned(),
    }
}

fn untried(u: &Untried) -> UntriedFigures {
    let why = match u.why {
        NotTried::NotAllowed => "not_allowed",
        NotTried::NoTime => "no_time",
    };
    UntriedFigures {
        change: u.change.to_owned(),
        why: why.to_owned(),
    }
}

/// Gathers the report of a placement that was measured again.
#[must_use]
pub fn verified(
    cavity: &Cavity,
    stack: &Stack,
    certificate: &Certificate,
    trace: &FitTrace,
) -> VerifyReport {
    let holds = certificate.fits();
    let short = certificate.margins.iter();
    let short = short.filter(|m| m.spare_mm() < -TOLERANCE_MM);
    VerifyReport {
        schema: VERIFY_SCHEMA.to_owned(),
        tool: tool(),
        command: "fit".to_owned(),
        inputs: trace.inputs.clone(),
        order: trace.order.clone(),
        outcome: if holds {
            Outcome::Holds
        } else {
            Outcome::Breaks
        },
        verify: VerifyFigures {
            holds,
            margins: margins(certificate),
            tightest: rows_of(stack, certificate),
            short: short.map(|m| row(stack, m)).collect(),
            unlaid: owned(stack.names(&certificate.unlaid)),
            not_judged: end_not_judged(stack, cavity.tip).map(str::to_owned),
            found_in: trace.found_in.clone(),
        },
        caution: CAUTION.to_owned(),
    }
}

/// The margin of each kind with the least to spare.
pub(super) fn tightest(certificate: &Certificate) -> Vec<&Margin> {
    let each = MarginKind::ALL.iter();
    let each = each.filter_map(|&k| certificate.tightest(k));
    each.filter(|m| m.have.0.is_finite()).collect()
}

fn rows_of(stack: &Stack, certificate: &Certificate) -> Vec<MarginRow> {
    let each = tightest(certificate).into_iter();
    each.map(|m| row(stack, m)).collect()
}

fn row(stack: &Stack, m: &Margin) -> MarginRow {
    MarginRow {
        margin: m.kind.words().to_owned(),
        parts: owned(stack.names(&m.parts)),
        have_mm: Some(m.have.0).filter(|x| x.is_finite()).map(Finite),
        need_mm: Finite(m.need.0),
    }
}

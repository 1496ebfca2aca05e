//! From what was measured and answered to the report's plain data.

use std::f64::consts::PI;

use crate::canal::{Canal, NoCanal, Section, Side};
use crate::checks::{self, Answer, Facts, Finding};
use crate::limits::Limits;
use crate::mesh::Point;
use crate::read::Scan;
use crate::soundness::{Hole, Soundness};
use crate::undercut::{self, Pulls};
use crate::units::Measured;

use super::model::{direction, xyz};
use super::*;

/// What was typed, as far as reports repeat it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Command {
    /// Order or serial number.
    pub order: Option<String>,
    /// The side that the order names.
    pub side: Option<Side>,
    /// Is `side` what the file's name says, since nobody typed one?
    pub side_by_name: bool,
    /// The side that the file's name says; told, and nothing is decided by it.
    pub named: Option<Side>,
    /// Look for the way out with turning too.
    pub withdrawal: bool,
}

/// Answers every check of `vet` and gathers the report.
#[must_use]
pub fn vet(
    scan: &Scan,
    soundness: &Soundness,
    canal: &Result<Canal, NoCanal>,
    command: &Command,
    limits: &Limits,
) -> Report {
    gathered(
        &Facts::new(scan, soundness, canal, command.side)
            .with_ordered_by_name(command.side_by_name)
            .with_named(command.named),
        command,
        limits,
    )
}

/// As [`vet`], with the straight pulls of the scan.
#[must_use]
pub fn vet_pulled(
    scan: &Scan,
    soundness: &Soundness,
    canal: &Result<Canal, NoCanal>,
    pull: &Result<Pulls, undercut::CannotTell>,
    command: &Command,
    limits: &Limits,
) -> Report {
    let facts = Facts::new(scan, soundness, canal, command.side)
        .with_ordered_by_name(command.side_by_name)
        .with_named(command.named)
        .with_pull(pull);
    gathered(&facts, command, limits)
}

fn gathered(facts: &Facts, command: &Command, limits: &Limits) -> Report {
    let answers = checks::run_all(facts, limits);
    Report {
        schema: SCHEMA.to_owned(),
        tool: Tool {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        command: "vet".to_owned(),
        input: input(facts, limits),
        order: command.order.clone(),
        verdict: checks::verdict(answers.iter().map(|(_, answer)| answer)),
        side: SideReport {
            value: side_word(facts.canal.ok().and_then(|c| c.side)),
            margin: facts.canal.ok().map(|c| Finite(c.side_margin)),
            ordered: command.side.map(|side| side_word(Some(side))),
        },
        canal: facts.canal.ok().map(|c| canal_report(c, facts)),
        soundness: soundness_report(facts),
        undercut: facts
            .pull
            .and_then(Result::ok)
            .map(|pulls| super::undercut::summary(pulls, facts.canal.ok(), limits)),
        checks: answers
            .into_iter()
            .map(|(check, answer)| check_report(check.id, check.asks, answer))
            .collect(),
        limits: limits.as_tables(),
        limits_from: limits.from.clone(),
        caution: CAUTION.to_owned(),
        same_content_as: None,
    }
}

pub(super) fn side_word(side: Option<Side>) -> SideWord {
    match side {
        Some(Side::Left) => SideWord::Left,
        Some(Side::Right) => SideWord::Right,
        None => SideWord::Unknown,
    }
}

fn input(facts: &Facts, limits: &Limits) -> Input {
    let scan = facts.scan;
    let doubtful = facts.lengths(limits).is_err();
    Input {
        path: scan.path.to_string_lossy().into_owned(),
        sha256: scan.sha256.clone(),
        bytes: scan.bytes,
        format: scan.format,
        facets: scan.mesh.facets().len(),
        points: scan.mesh.points().len(),
        unit: scan.unit,
        unit_from: scan.unit_from.clone(),
        longest_side_mm: scan.unit.and(facts.size).map(Finite),
        plausible_units: if doubtful {
            facts.plausible_units(limits)
        } else {
            Vec::new()
        },
        points_before_welding: scan.weld.before,
        weld_tolerance_mm: Finite(scan.weld.tolerance_mm),
        notes: scan.notes.clone(),
    }
}

fn canal_report(canal: &Canal, facts: &Facts) -> CanalReport {
    let width = |mm: f64| Measured::exact(mm, canal.width_plus_minus_mm).into();
    CanalReport {
        length_mm: canal.length_mm.into(),
        aperture: ApertureReport {
            point_mm: xyz(&canal.aperture.centre),
            normal: direction(&canal.aperture.normal),
            area_mm2: area(canal.aperture.area_mm2, canal),
            largest_mm: width(canal.aperture.largest_mm),
            smallest_mm: width(canal.aperture.smallest_mm),
            reached: canal.aperture_reached,
        },
        tip: TipReport {
            point_mm: xyz(&canal.tip),
            open: canal.tip_open,
        },
        axis_mm: canal.axis.iter().map(xyz).collect(),
        bends: canal.bends.iter().map(bend_report).collect(),
        sections: canal
            .sections
            .iter()
            .map(|s| section_report(s, canal))
            .collect(),
        narrowest: NarrowestReport {
            section: section_report(&canal.narrowest, canal),
            point_mm: xyz(&canal.narrowest.centre),
        },
        bends_sure: canal.bends_sure,
        feather: canal.feather.as_ref().map(|feather| FeatherReport {
            length_mm: Measured::exact(feather.length_mm, canal.length_mm.plus_minus).into(),
            smallest_mm: width(feather.smallest_mm),
            point_mm: xyz(&feather.point),
        }),
        pits: canal
            .pits
            .iter()
            .map(|pit| pit_report(pit, facts))
            .collect(),
        frame: canal.frame.map(|frame| FrameReport {
            out: direction(&frame.out),
            up: direction(&frame.up),
            forward: direction(&frame.forward),
        }),
    }
}

fn area(mm2: f64, canal: &Canal) -> Figure {
    Measured::exact(mm2, canal.area_share * mm2).into()
}

fn bend_report(bend: &crate::canal::Bend) -> BendReport {
    BendReport {
        order: bend.order,
        at_mm: bend.at_mm.into(),
        turn_deg: bend.turn_deg.into(),
        peak_curvature_per_mm: bend.peak_curvature_per_mm.into(),
        past_mm: bend.past_mm.into(),
        past_from_span_end_mm: bend.past_from_span_end_mm.into(),
        point_mm: xyz(&bend.point),
    }
}

/// A section's figures. D = 2√(A/π) has half the area's relative `±`; the outline of an oval is
/// π times its mean width (Cauchy), so its `±` is π times that of a width.
fn section_report(section: &Section, canal: &Canal) -> SectionReport {
    let width_pm = canal.width_plus_minus_mm;
    let diameter = section.equivalent_diameter_mm();
    SectionReport {
        at_mm: Finite(section.at_mm),
        area_mm2: area(section.area_mm2, canal),
        equivalent_diameter_mm: Measured::exact(diameter, 0.5 * canal.area_share * diameter).into(),
        largest_mm: Measured::exact(section.largest_mm, width_pm).into(),
        smallest_mm: Measured::exact(section.smallest_mm, width_pm).into(),
        perimeter_mm: Measured::exact(section.perimeter_mm, PI * width_pm).into(),
    }
}

fn pit_report(pit: &crate::soundness::Pit, facts: &Facts) -> PitReport {
    let (region, at_mm) = facts.region(&pit.point);
    PitReport {
        depth_mm: facts.length(pit.depth_mm).into(),
        width_mm: facts.length(pit.width_mm).into(),
        region,
        at_mm: at_mm.map(Finite),
        point_mm: xyz(&pit.point),
    }
}

fn soundness_report(facts: &Facts) -> SoundnessReport {
    let s = facts.soundness;
    let known = facts.scan.unit;
    SoundnessReport {
        watertight: s.watertight,
        parts: s.parts,
        holes: s
            .holes
            .iter()
            .map(|hole| hole_report(hole, facts))
            .collect(),
        fins: s.fin_edges,
        crossings: s.crossing_pairs,
        degenerate: s.degenerate,
        flipped_facets: s.flipped_facets,
        volume_mm3: known.and(s.volume_mm3).map(|v| noisy(v, s.area_mm2, facts)),
        area_mm2: known.map(|_| noisy_area(s.area_mm2, facts)),
        inverted: s.inverted,
        bowtie_points: s.bowtie_points,
        noise_mm: known.map(|_| Finite(s.noise_mm)),
        edge_mm: known.map(|_| Finite(s.edge_mm)),
    }
}

/// A volume, as if the whole surface lay off by one standard deviation of its noise: an upper
/// bound of what noise does, since noise that changes from point to point cancels out.
fn noisy(volume_mm3: f64, area_mm2: f64, facts: &Facts) -> Figure {
    Measured::exact(volume_mm3, area_mm2 * facts.soundness.noise_mm).into()
}

/// An area: noise tilts facets and so adds area, by about (σ/e)² of it on edges e.
fn noisy_area(area_mm2: f64, facts: &Facts) -> Figure {
    let s = facts.soundness;
    let tilt = if s.edge_mm > 0.0 {
        (s.noise_mm / s.edge_mm).powi(2).min(1.0)
    } else {
        0.0
    };
    Measured::exact(area_mm2, tilt * area_mm2).into()
}

fn hole_report(hole: &Hole, facts: &Facts) -> HoleReport {
    let known = facts.scan.unit;
    let (region, at_mm) = facts.region(&hole.point);
    let length = facts.length(hole.length_mm);
    // The rim lies off by its `±` along its whole length.
    let rim = 0.5 * length.plus_minus * hole.length_mm;
    HoleReport {
        base: hole.base,
        length_mm: known.map(|_| length.into()),
        area_mm2: known.map(|_| Measured::exact(hole.area_mm2, rim).into()),
        span_mm: known.map(|_| facts.length(hole.span_mm).into()),
        region,
        at_mm: at_mm.map(Finite),
        point_mm: known.map(|_| xyz(&hole.point)),
    }
}

pub(super) fn check_report(id: &str, asks: &str, answer: Answer) -> CheckReport {
    CheckReport {
        id: id.to_owned(),
        question: asks.to_owned(),
        outcome: answer.outcome,
        weighs: answer.weighs,
        answer: answer.says,
        unit: answer.value.map(|_| answer.unit.to_owned()),
        value: answer.value.map(Figure::from),
        limit: answer.limit.map(|bar| Finite(bar.value)),
        limit_is: answer.limit.map(|bar| bar.sense),
        limit_key: answer.limit.map(|bar| bar.row.key.to_owned()),
        advice: answer.advice,
        because: answer.because.map(str::to_owned),
        findings: answer.findings.into_iter().map(finding_report).collect(),
    }
}

fn finding_report(finding: Finding) -> FindingReport {
    FindingReport {
        says: finding.says,
        region: finding.region,
        at_mm: finding.at_mm.map(Finite),
        point_mm: finding.point.as_ref().map(|p: &Point| xyz(p)),
    }
}

//! The report of `secondbend undercut`: its model, its text, its JSON.

use std::collections::BTreeMap;
use std::fmt::Write;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::canal::{self, Canal, Frame};
use crate::checks::pull::{PullCheck, PullFacts, run_pull, untold};
use crate::checks::wall::wall_outcome;
use crate::checks::{Answer, Outcome, figure, number, region_words};
use crate::limits::{Limits, Setting, rows};
use crate::mesh::Point;
use crate::read::Scan;
use crate::soundness::Region;
use crate::undercut::{self, PullFigures, Pulls, StraightPull, Withdrawal};

use super::build::check_report;
use super::model::{direction, xyz};
use super::text::{faults, holding, labelled, outcome_style, para, shown};
use super::wall::{WallInput, input};
use super::{CAUTION, CheckReport, Figure, Finite, ReportError, Tool, Xyz};

/// Name of the schema that [`UndercutReport`] follows.
pub const UNDERCUT_SCHEMA: &str = "secondbend.undercut/1";

/// How the figures were made, in words.
const METHOD: &str = "straight: exact sections, one by one from the outside in; withdrawal: a way \
    found by search and replayed with exact distances, so its squeeze is an upper bound";
const METHOD_QUICK: &str = "coarse: `secondbend undercut` measures finely";

/// One mesh's report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend undercut report")]
pub struct UndercutReport {
    /// Always `secondbend.undercut/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `undercut`.
    pub command: String,
    /// The file as read.
    pub input: WallInput,
    /// Order or serial number as it was typed; `null` if none was.
    pub order: Option<String>,
    /// The worst answer: `breaks` over `cannot_tell` over `holds`.
    pub outcome: Outcome,
    /// The figures; `null` where nothing could be measured (see the checks).
    pub undercut: Option<UndercutFigures>,
    /// Every check with its answer.
    pub checks: Vec<CheckReport>,
    /// All limits used, by table and key.
    pub limits: BTreeMap<String, BTreeMap<String, Setting>>,
    /// The limits file as it was named; `null` for the defaults.
    pub limits_from: Option<String>,
    /// What the report is not.
    pub caution: String,
}

/// The figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UndercutFigures {
    /// How they were made.
    pub method: String,
    /// True where the mesh is a hollow shell and its outer surface alone was measured.
    pub outer_surface_only: bool,
    /// Depth over which surface counts.
    pub limit_mm: Finite,
    /// Tissue ends here.
    pub base_plane: PlaneReport,
    /// Pulled straight as asked, or else along the axis at the aperture.
    pub straight: PullReport,
    /// Pulled along the axis at the aperture, where another pull was asked for and a canal is known.
    pub along_axis: Option<PullReport>,
    /// Regions that hold along `straight`, the deepest first.
    pub held_by: Vec<HeldReport>,
    /// The straight pull with the least largest depth.
    pub best_pull: PullReport,
    /// The least squeezing way out that was found; `null` where none was (see the checks).
    pub withdrawal: Option<WithdrawalReport>,
    /// Trimmings tried, the best first.
    pub relief: Vec<ReliefReport>,
}

/// A plane.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlaneReport {
    /// A point of it.
    pub point_mm: Xyz,
    /// Unit normal, out of the ear.
    pub normal: Xyz,
}

/// A straight pull.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PullReport {
    /// Unit vector, out of the ear.
    pub direction: Xyz,
    /// Largest sideways depth.
    pub largest_mm: Figure,
    /// Surface with a depth over the limit.
    pub area_mm2: Figure,
    /// The surface point that has the largest depth.
    pub point_mm: Xyz,
    /// Where that is along the ear.
    pub region: Region,
    /// How far it has been drawn when it meets the narrow place.
    pub after_mm: Finite,
}

/// A region that holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HeldReport {
    /// Which.
    pub region: Region,
    /// Where in it the deepest point lies, seen from the aperture; `null` where the ear's frame is
    /// not known.
    pub towards: Option<Towards>,
    /// Largest depth there.
    pub largest_mm: Finite,
    /// Surface there over the limit.
    pub area_mm2: Finite,
    /// Its deepest point.
    pub point_mm: Xyz,
}

/// A side of the ear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Towards {
    /// Up, where the helix hooks in.
    Helix,
    /// Back, under the antihelix.
    Antihelix,
    /// Down and back, behind the antitragus and at its notch.
    Antitragus,
    /// Forward, behind the tragus.
    Tragus,
}

/// The way out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WithdrawalReport {
    /// Largest depth of any surface point in the tissue: an upper bound of the least there is.
    pub squeeze_mm: Figure,
    /// Largest turn of the body.
    pub turn_deg: Finite,
    /// Where it binds.
    pub binds_at: BindsReport,
    /// Poses from seated to clear: four rows each, on columns (x, y, z, 1) of the input's pose in
    /// mm; between two of them the body moves as a screw does.
    pub poses: Vec<[[Finite; 4]; 4]>,
}

/// Where a way binds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BindsReport {
    /// Region of the point.
    pub region: Region,
    /// The point when seated.
    pub point_mm: Xyz,
    /// Number of the pose before (from 0), and share of the way to the next.
    pub when: Finite,
}

/// A trimming that was tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReliefReport {
    /// What is trimmed, most material first.
    pub trims: Vec<TrimReport>,
    /// Squeeze of what is left.
    pub squeeze_mm: Figure,
    /// That is within the limit.
    pub enough: bool,
}

/// A region's share of a trimming.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrimReport {
    /// Where.
    pub region: Region,
    /// Deepest material taken off.
    pub deepest_mm: Finite,
    /// Where that is.
    pub point_mm: Xyz,
    /// Surface trimmed.
    pub area_mm2: Finite,
    /// Material taken off.
    pub volume_mm3: Finite,
}

/// The figures that stand in the reports of `vet` and `shell`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UndercutSummary {
    /// How they were made.
    pub method: String,
    /// Depth over which surface counts.
    pub limit_mm: Finite,
    /// Tissue ends here.
    pub base_plane: PlaneReport,
    /// Pulled along the axis at the aperture.
    pub straight: PullSummary,
    /// The straight pull with the least largest depth.
    pub best_pull: PullSummary,
    /// The least squeezing way out that was found; `null` where it was not looked for, or none was.
    pub withdrawal: Option<WithdrawalReport>,
}

/// A straight pull, in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PullSummary {
    /// Unit vector, out of the ear.
    pub direction: Xyz,
    /// Largest sideways depth.
    pub largest_mm: Figure,
    /// Surface with a depth over the limit.
    pub area_mm2: Figure,
}

/// The figures in short, of a scan or a shell.
#[must_use]
pub(super) fn summary(pulls: &Pulls, canal: Option<&Canal>, limits: &Limits) -> UndercutSummary {
    let pull = |p: &PullFigures| PullSummary {
        direction: direction(&p.direction),
        largest_mm: p.largest_mm.into(),
        area_mm2: p.area_mm2.into(),
    };
    let region = |at: &Point| canal.map_or(Region::Unknown, |c| canal::region_of(c, at).0);
    let method = if pulls.way.is_some() {
        METHOD
    } else {
        METHOD_QUICK
    };
    let way = pulls.way.as_ref().and_then(|way| way.as_ref().ok());
    UndercutSummary {
        method: method.to_owned(),
        limit_mm: Finite(limits.number(&rows::UNDERCUT)),
        base_plane: plane(&pulls.base),
        straight: pull(&pulls.straight),
        best_pull: pull(&pulls.best),
        withdrawal: way.map(|way| withdrawal(way, region(&way.binds_at))),
    }
}

/// Answers every check of the pull and gathers the report.
#[must_use]
pub fn undercut(
    scan: &Scan,
    facts: &PullFacts,
    outer_surface_only: bool,
    order: Option<&str>,
    limits: &Limits,
) -> UndercutReport {
    let figures = figures(facts, outer_surface_only, limits);
    gathered(scan, run_pull(facts, limits), Some(figures), order, limits)
}

/// The report of a mesh on which nothing could be measured.
#[must_use]
pub fn undercut_untold(
    scan: &Scan,
    why: &str,
    help: &str,
    order: Option<&str>,
    limits: &Limits,
) -> UndercutReport {
    gathered(scan, untold(why, help), None, order, limits)
}

fn gathered(
    scan: &Scan,
    answers: Vec<(&'static PullCheck, Answer)>,
    figures: Option<UndercutFigures>,
    order: Option<&str>,
    limits: &Limits,
) -> UndercutReport {
    UndercutReport {
        schema: UNDERCUT_SCHEMA.to_owned(),
        tool: Tool {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        command: "undercut".to_owned(),
        input: input(scan),
        order: order.map(str::to_owned),
        outcome: wall_outcome(answers.iter().map(|(_, answer)| answer)),
        undercut: figures,
        checks: answers
            .into_iter()
            .map(|(check, answer)| check_report(check.id, check.asks, answer))
            .collect(),
        limits: limits.as_tables(),
        limits_from: limits.from.clone(),
        caution: CAUTION.to_owned(),
    }
}

fn figures(facts: &PullFacts, outer_surface_only: bool, limits: &Limits) -> UndercutFigures {
    let u = facts.undercut;
    let out = u.withdrawal.as_ref().ok();
    UndercutFigures {
        method: METHOD.to_owned(),
        outer_surface_only,
        limit_mm: Finite(limits.number(&rows::UNDERCUT)),
        base_plane: plane(&u.base),
        straight: pull(&u.straight, facts),
        along_axis: u.outward.as_ref().map(|p| pull(p, facts)),
        held_by: u
            .held_by
            .iter()
            .map(|h| HeldReport {
                region: h.region,
                towards: facts.canal.and_then(|c| towards(c, h.region, &h.at)),
                largest_mm: Finite(h.largest.value()),
                area_mm2: Finite(h.area.value()),
                point_mm: xyz(&h.at),
            })
            .collect(),
        best_pull: pull(&u.best.pull, facts),
        withdrawal: out.map(|out| withdrawal(&out.way, out.binds_in)),
        relief: out.map_or_else(Vec::new, |out| out.relief.iter().map(relief).collect()),
    }
}

/// Which side of the concha a place lies on, seen from the aperture. Up to 50 degrees from
/// straight up it is the helix's; the antitragus stands where down meets back.
fn towards(canal: &Canal, region: Region, at: &Point) -> Option<Towards> {
    let Frame { up, forward, .. } = canal.frame?;
    if !matches!(region, Region::Concha | Region::OuterFace) {
        return None;
    }
    let from = at - canal.aperture.centre;
    let (up, forward) = (from.dot(&up), from.dot(&forward));
    let around_deg = up.atan2(-forward).to_degrees();
    // 0: straight back; 90: up; ±180: forward; −90: down
    Some(match around_deg {
        a if (40.0..140.0).contains(&a) => Towards::Helix,
        a if (-20.0..40.0).contains(&a) => Towards::Antihelix,
        a if (-110.0..-20.0).contains(&a) => Towards::Antitragus,
        _ => Towards::Tragus,
    })
}

fn plane(base: &undercut::BasePlane) -> PlaneReport {
    PlaneReport {
        point_mm: xyz(&base.point),
        normal: direction(&base.normal),
    }
}

fn pull(p: &StraightPull, facts: &PullFacts) -> PullReport {
    PullReport {
        direction: direction(&p.direction),
        largest_mm: p.largest_mm.into(),
        area_mm2: p.area_mm2.into(),
        point_mm: xyz(&p.at),
        region: facts.region(&p.at).0,
        after_mm: Finite(p.after_mm),
    }
}

fn withdrawal(way: &Withdrawal, binds_in: Region) -> WithdrawalReport {
    WithdrawalReport {
        squeeze_mm: way.squeeze_mm.into(),
        turn_deg: Finite(way.turn_deg.value()),
        binds_at: BindsReport {
            region: binds_in,
            point_mm: xyz(&way.binds_at),
            when: Finite(way.binds_when),
        },
        poses: way
            .poses
            .iter()
            .map(|pose| pose.map(|row| row.map(Finite)))
            .collect(),
    }
}

fn relief(r: &undercut::Relief) -> ReliefReport {
    let trim = |t: &undercut::Trim| TrimReport {
        region: t.region,
        deepest_mm: Finite(t.deepest.value()),
        point_mm: xyz(&t.at),
        area_mm2: Finite(t.area.value()),
        volume_mm3: Finite(t.volume.value()),
    };
    ReliefReport {
        trims: r.trims.iter().map(trim).collect(),
        squeeze_mm: r.squeeze_mm.into(),
        enough: r.enough,
    }
}

/// The report as a JSON document with a newline at its end.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn undercut_json(report: &UndercutReport) -> Result<String, ReportError> {
    super::document(report)
}

/// The report as text, 80 columns, with colour.
#[must_use]
pub fn undercut_text(report: &UndercutReport) -> String {
    let mut out = String::new();
    let style = outcome_style(report.outcome).bold();
    let verdict = match report.outcome {
        Outcome::Holds => "comes out",
        Outcome::Breaks => "trim or block out first",
        Outcome::CannotTell => "cannot tell",
    };
    let name = shown(&report.input.path);
    let _ = writeln!(out, "{style}{verdict}{style:#}: {name}");
    if let Some(order) = &report.order {
        let _ = writeln!(out, "order {}", shown(order));
    }
    faults(&mut out, report.checks.iter(), |_| String::new());
    holding(&mut out, &report.checks);
    out.push('\n');
    if let Some(figures) = &report.undercut {
        straight_lines(&mut out, figures);
        way_lines(&mut out, figures);
    }
    let i = &report.input;
    labelled(
        &mut out,
        "file",
        &format!("{} facets, sha256 {}", i.facets, i.sha256),
    );
    for note in &i.notes {
        para(&mut out, &format!("- {}", shown(note)));
    }
    let limits = report.limits_from.as_deref();
    let limits = limits.map_or_else(|| "defaults".to_owned(), shown);
    let tool = &report.tool;
    let made = format!("{} {}, limits: {limits}", tool.name, tool.version);
    labelled(&mut out, "made by", &made);
    labelled(&mut out, "caution", &report.caution);
    out
}

fn straight_lines(out: &mut String, u: &UndercutFigures) {
    let limit = number(u.limit_mm.0, "mm");
    let says = |p: &PullReport| {
        format!(
            "{} sideways, {} over {limit}; along {}",
            figure(&p.largest_mm.measured(), "mm"),
            figure(&p.area_mm2.measured(), "mm2"),
            vector(&p.direction),
        )
    };
    labelled(out, "straight", &says(&u.straight));
    for h in &u.held_by {
        let towards = h.towards.map_or("", towards_words);
        let text = format!(
            "- {}{towards}: {}, {} over {limit}",
            region_words(h.region),
            number(h.largest_mm.0, "mm"),
            number(h.area_mm2.0, "mm2"),
        );
        para(out, &text);
    }
    if let Some(along) = &u.along_axis {
        labelled(out, "along axis", &says(along));
    }
    labelled(out, "best pull", &says(&u.best_pull));
    if u.outer_surface_only {
        para(out, "a hollow shell: its outer surface alone was measured");
    }
}

const fn towards_words(towards: Towards) -> &'static str {
    match towards {
        Towards::Helix => " towards the helix",
        Towards::Antihelix => " under the antihelix",
        Towards::Antitragus => " towards the antitragus",
        Towards::Tragus => " behind the tragus",
    }
}

fn way_lines(out: &mut String, u: &UndercutFigures) {
    let Some(way) = &u.withdrawal else {
        labelled(out, "way out", "none was found");
        return;
    };
    let [x, y, z] = way.binds_at.point_mm.map(|c| c.0);
    let says = format!(
        "{} of squeeze on the best way found, {} turned, {} poses (in the JSON); binds {}at \
        ({x:.1}, {y:.1}, {z:.1})",
        figure(&way.squeeze_mm.measured(), "mm"),
        number(way.turn_deg.0, "deg"),
        way.poses.len(),
        match way.binds_at.region {
            Region::Unknown => String::new(),
            region => format!("in the {} ", region_words(region)),
        },
    );
    labelled(out, "way out", &says);
    for r in &u.relief {
        let trims: Vec<String> = r
            .trims
            .iter()
            .map(|t| {
                format!(
                    "{} up to {} deep over {}",
                    region_words(t.region),
                    number(t.deepest_mm.0, "mm"),
                    number(t.area_mm2.0, "mm2")
                )
            })
            .collect();
        let word = if r.enough { "enough" } else { "not enough" };
        let left = figure(&r.squeeze_mm.measured(), "mm");
        let says = format!("{}: {word}, {left} of squeeze left", trims.join(", "));
        labelled(out, "trim tried", &says);
    }
}

fn vector(v: &Xyz) -> String {
    format!("({:.3}, {:.3}, {:.3})", v[0].0, v[1].0, v[2].0)
}

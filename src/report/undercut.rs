//! The report of `secondbend undercut`, as plain data and as text.

use std::fmt::Write as _;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::checks::{figure, number, region_words};
use crate::soundness::Region;
use crate::undercut::{self, StraightPull};

use super::model::{direction, xyz};
use super::{CAUTION, Figure, Finite, ReportError, Tool, Xyz, shown};

/// Name of the schema that [`UndercutReport`] follows.
pub const UNDERCUT_SCHEMA: &str = "secondbend.undercut/1";

/// One mesh's report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UndercutReport {
    /// Always `secondbend.undercut/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `undercut`.
    pub command: String,
    /// The file as it was named.
    pub path: String,
    /// SHA-256 of its bytes, lower-case hex.
    pub sha256: String,
    /// Depth and squeeze are held against this.
    pub limit_mm: Finite,
    /// The figures.
    pub undercut: UndercutFigures,
    /// What the report is not.
    pub caution: String,
}

/// The figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UndercutFigures {
    /// Tissue ends here.
    pub base_plane: PlaneReport,
    /// Pulled straight along the axis at the aperture, or as asked.
    pub straight: PullReport,
    /// Regions that hold along that pull, the deepest first.
    pub held_by: Vec<HeldReport>,
    /// The straight pull with the least largest depth.
    pub best_pull: PullReport,
    /// The least squeezing way out that was found.
    pub withdrawal: WithdrawalReport,
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
    /// The surface point that has it.
    pub point_mm: Xyz,
    /// How far it has been drawn when it meets the narrow place.
    pub after_mm: Finite,
    /// Surface with a depth over the limit.
    pub area_mm2: Figure,
}

/// A region that holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HeldReport {
    /// Which.
    pub region: Region,
    /// Largest depth there.
    pub largest_mm: Finite,
    /// Surface there over the limit.
    pub area_mm2: Finite,
    /// Its deepest point.
    pub point_mm: Xyz,
}

/// The way out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WithdrawalReport {
    /// Largest depth of any surface point in the tissue: an upper bound of the least.
    pub squeeze_mm: Figure,
    /// That is within the limit: `null` where it is too close to call.
    pub within_limit: Option<bool>,
    /// Largest turn of the body.
    pub turn_deg: Finite,
    /// Where it binds.
    pub binds_at: BindsReport,
    /// Poses from seated to clear: four rows each, on columns (x, y, z, 1) of the input's pose;
    /// between two of them the body moves as a screw does.
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
    /// What is trimmed.
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

/// Gathers the report.
#[must_use]
pub fn undercut(scan: &crate::read::Scan, limit_mm: f64, u: &undercut::Undercut) -> UndercutReport {
    UndercutReport {
        schema: UNDERCUT_SCHEMA.to_owned(),
        tool: Tool {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        command: "undercut".to_owned(),
        path: scan.path.to_string_lossy().into_owned(),
        sha256: scan.sha256.clone(),
        limit_mm: Finite(limit_mm),
        undercut: figures(limit_mm, u),
        caution: CAUTION.to_owned(),
    }
}

fn figures(limit_mm: f64, u: &undercut::Undercut) -> UndercutFigures {
    let way = &u.withdrawal;
    UndercutFigures {
        base_plane: PlaneReport {
            point_mm: xyz(&u.base.point),
            normal: direction(&u.base.normal),
        },
        straight: pull(&u.straight),
        held_by: u
            .held_by
            .iter()
            .map(|h| HeldReport {
                region: h.region,
                largest_mm: Finite(h.largest.value()),
                area_mm2: Finite(h.area.value()),
                point_mm: xyz(&h.at),
            })
            .collect(),
        best_pull: pull(&u.best.pull),
        withdrawal: WithdrawalReport {
            squeeze_mm: way.squeeze_mm.into(),
            within_limit: way.within(limit_mm),
            turn_deg: Finite(way.turn_deg.value()),
            binds_at: BindsReport {
                region: u.binds_in,
                point_mm: xyz(&way.binds_at),
                when: Finite(way.binds_when),
            },
            poses: way
                .poses
                .iter()
                .map(|pose| pose.map(|row| row.map(Finite)))
                .collect(),
        },
        relief: u.relief.iter().map(relief).collect(),
    }
}

fn pull(p: &StraightPull) -> PullReport {
    PullReport {
        direction: direction(&p.direction),
        largest_mm: p.largest_mm.into(),
        point_mm: xyz(&p.at),
        after_mm: Finite(p.after_mm),
        area_mm2: p.area_mm2.into(),
    }
}

fn relief(r: &undercut::Relief) -> ReliefReport {
    ReliefReport {
        trims: r
            .trims
            .iter()
            .map(|t| TrimReport {
                region: t.region,
                deepest_mm: Finite(t.deepest.value()),
                point_mm: xyz(&t.at),
                area_mm2: Finite(t.area.value()),
                volume_mm3: Finite(t.volume.value()),
            })
            .collect(),
        squeeze_mm: r.squeeze_mm.into(),
        enough: r.enough,
    }
}

/// The report as a JSON document.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn undercut_json(report: &UndercutReport) -> Result<String, ReportError> {
    let mut out = serde_json::to_string_pretty(report)?;
    out.push('\n');
    Ok(out)
}

/// The report as text.
#[must_use]
pub fn undercut_text(report: &UndercutReport) -> String {
    let u = &report.undercut;
    let limit = number(report.limit_mm.0, "mm");
    let way = &u.withdrawal;
    let mut out = format!("{}\n\n", shown(&report.path));
    let mut line = |text: String| {
        out.push_str(&text);
        out.push('\n');
    };
    for (name, p) in [("straight pull", &u.straight), ("best pull", &u.best_pull)] {
        line(format!(
            "{name:<14} {} sideways at most; {} over {limit}; along {}",
            figure(&p.largest_mm.measured(), "mm"),
            figure(&p.area_mm2.measured(), "mm2"),
            vector(&p.direction),
        ));
    }
    for h in &u.held_by {
        line(format!(
            "  held by      {}: {}, {} over {limit}, at {}",
            region_words(h.region),
            number(h.largest_mm.0, "mm"),
            number(h.area_mm2.0, "mm2"),
            point(&h.point_mm),
        ));
    }
    line(format!(
        "way out        {} squeeze (the best way found), {} turned, {} poses",
        figure(&way.squeeze_mm.measured(), "mm"),
        number(way.turn_deg.0, "deg"),
        way.poses.len(),
    ));
    line(format!(
        "  binds        {} at {}",
        region_words(way.binds_at.region),
        point(&way.binds_at.point_mm),
    ));
    line(match way.within_limit {
        Some(true) => format!("holds          a way out within {limit} was found"),
        Some(false) => format!("breaks         no way out within {limit} was found"),
        None => format!("cannot tell    the squeeze is too close to {limit} to call"),
    });
    for r in &u.relief {
        out.push_str(&relief_text(r, &limit));
    }
    let _ = write!(out, "\n{}\n", report.caution);
    out
}

fn relief_text(r: &ReliefReport, limit: &str) -> String {
    let word = if r.enough { "enough" } else { "not enough" };
    let mut out = format!(
        "trim           {word}: {} squeeze left, limit {limit}\n",
        number(r.squeeze_mm.value.0, "mm")
    );
    for t in &r.trims {
        let _ = writeln!(
            out,
            "  {}: up to {} deep at {}, {} of surface",
            region_words(t.region),
            number(t.deepest_mm.0, "mm"),
            point(&t.point_mm),
            number(t.area_mm2.0, "mm2"),
        );
    }
    out
}

fn vector(v: &Xyz) -> String {
    format!("({:.3}, {:.3}, {:.3})", v[0].0, v[1].0, v[2].0)
}

fn point(p: &Xyz) -> String {
    format!("({:.1}, {:.1}, {:.1})", p[0].0, p[1].0, p[2].0)
}

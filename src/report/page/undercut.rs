//! How a piece comes out, as a page: depth and squeeze in colours, what binds, and the way itself,
//! to be followed pose by pose.

use super::model::*;
use super::vet::{
    answer_rows, box_spine, box_views, canal_lines, canal_spine, canal_views, file_name,
    limits_used, limits_words, marks,
};
use super::wall::headline;
use crate::canal::Canal;
use crate::checks::{Outcome, Sense, figure, number, region_words};
use crate::limits::{Limits, rows};
use crate::mesh::{Mesh, Vector};
use crate::report::{PullReport, UndercutFigures, UndercutReport};
use crate::undercut::{PoseRows, Pulls, Undercut};

/// The page of a mesh that was pulled; without `undercut`, of one that could not be.
#[must_use]
pub fn undercut_page(
    mesh: &Mesh,
    undercut: Option<&Undercut>,
    canal: Option<&Canal>,
    report: &UndercutReport,
) -> PageModel {
    let limit_mm = undercut_limit(report);
    let way = undercut.and_then(|u| u.withdrawal.as_ref().ok());
    let maps = undercut.map_or_else(Vec::new, |u| {
        let squeeze = way.map(|out| &out.way.squeeze_at_point_mm[..]);
        maps(&u.straight.depth_mm, squeeze, limit_mm)
    });
    PageModel {
        command: "undercut",
        title: file_name(&report.input.path).to_owned(),
        order: report.order.clone(),
        side: canal.and_then(|c| c.side),
        verdict: headline(
            report.outcome,
            &report.checks,
            match report.outcome {
                Outcome::Holds => "comes out",
                Outcome::Breaks => "trim or block out first",
                Outcome::CannotTell => "cannot tell",
            },
        ),
        cautions: vec![report.caution.clone()],
        figures: report.undercut.as_ref().map_or_else(Vec::new, figures),
        answers: answer_rows(&report.checks),
        layers: vec![Layer {
            name: "piece".to_owned(),
            role: Role::Scan,
            mesh: mesh.clone(),
            shown: true,
            glass: false,
            maps,
        }],
        lines: canal.map(canal_lines).unwrap_or_default(),
        marks: canal.map(marks).unwrap_or_default(),
        spine: canal
            .and_then(|c| canal_spine(c, vec![0]))
            .or_else(|| box_spine(mesh, vec![0])),
        views: views(mesh, undercut, canal),
        plots: Vec::new(),
        motion: way.map(|out| motion(0, &out.way.poses)),
        records: records(report),
    }
}

fn undercut_limit(report: &UndercutReport) -> f64 {
    let told = report.undercut.as_ref().map(|u| u.limit_mm.0);
    told.unwrap_or_default()
}

/// The way out of a layer.
fn motion(layer: usize, poses: &[PoseRows]) -> Motion {
    Motion {
        name: "way out".to_owned(),
        layer,
        poses: poses.to_vec(),
    }
}

/// Colours of depth and squeeze, the limit marked.
fn maps(depth_mm: &[f64], squeeze_mm: Option<&[f64]>, limit_mm: f64) -> Vec<ScalarMap> {
    let map = |name: &str, values: &[f64]| {
        let most = values.iter().copied().fold(0.0, f64::max);
        ScalarMap {
            name: name.to_owned(),
            values: values.to_vec(),
            range_mm: [0.0, (2.0 * most).ceil().max(1.0) / 2.0],
            signed: false,
            limit: Some(MapLimit {
                value_mm: limit_mm,
                sense: Sense::AtMost,
                words: "the limit undercut.depth_mm".to_owned(),
            }),
            first: true,
        }
    };
    let squeeze = squeeze_mm.map(|values| map("squeeze on the way out", values));
    squeeze
        .into_iter()
        .chain([map("undercut of the straight pull", depth_mm)])
        .collect()
}

/// The maps of a surface whose figures stand in another report, where they were measured finely.
pub(super) fn maps_of(pulls: Option<&Pulls>, limits: &Limits) -> Vec<ScalarMap> {
    let Some((pulls, depth)) = pulls.and_then(|p| Some((p, p.depth_mm.as_ref()?))) else {
        return Vec::new();
    };
    let way = pulls.way.as_ref().and_then(|way| way.as_ref().ok());
    let squeeze = way.map(|way| &way.squeeze_at_point_mm[..]);
    let mut maps = maps(depth, squeeze, limits.number(&rows::UNDERCUT));
    // Not what is asked there first.
    maps.iter_mut().for_each(|m| m.first = false);
    maps
}

/// … and its way out.
pub(super) fn motion_of(layer: usize, pulls: Option<&Pulls>) -> Option<Motion> {
    let way = pulls?.way.as_ref()?.as_ref().ok()?;
    Some(motion(layer, &way.poses))
}

fn views(mesh: &Mesh, undercut: Option<&Undercut>, canal: Option<&Canal>) -> Vec<View> {
    let mut out = canal.map_or_else(|| box_views(mesh), canal_views);
    if let Some(u) = undercut {
        let from = u.straight.direction;
        let up = Vector::ith(from.iamin(), 1.0);
        out.push(View {
            name: "along the pull".to_owned(),
            from,
            up,
        });
    }
    out
}

fn figures(u: &UndercutFigures) -> Vec<KeyFigure> {
    let pull = |p: &PullReport| {
        format!(
            "{} sideways, {} over the limit",
            figure(&p.largest_mm.measured(), "mm"),
            number(p.area_mm2.value.0, "mm2")
        )
    };
    let mut out = Vec::new();
    if let Some(way) = &u.withdrawal {
        out.push(KeyFigure::new(
            "squeeze on the way out",
            figure(&way.squeeze_mm.measured(), "mm"),
        ));
        out.push(KeyFigure::new("turned", number(way.turn_deg.0, "deg")));
    }
    out.push(KeyFigure::new("straight pull", pull(&u.straight)));
    if let Some(along) = &u.along_axis {
        out.push(KeyFigure::new("along the axis", pull(along)));
    }
    out.push(KeyFigure::new("best straight pull", pull(&u.best_pull)));
    for held in &u.held_by {
        out.push(KeyFigure::new(
            format!("held in the {}", region_words(held.region)),
            format!(
                "{}, {} over the limit",
                number(held.largest_mm.0, "mm"),
                number(held.area_mm2.0, "mm2")
            ),
        ));
    }
    for r in &u.relief {
        let trims = r.trims.iter().map(|t| {
            let deep = number(t.deepest_mm.0, "mm");
            format!("{} up to {deep} deep", region_words(t.region))
        });
        let word = if r.enough { "enough" } else { "not enough" };
        let left = figure(&r.squeeze_mm.measured(), "mm");
        out.push(KeyFigure::new(
            format!("trim tried: {}", trims.collect::<Vec<_>>().join(", ")),
            format!("{word}, {left} of squeeze left"),
        ));
    }
    if u.outer_surface_only {
        out.push(KeyFigure::new("measured", "the outer surface alone"));
    }
    out
}

fn records(report: &UndercutReport) -> Vec<Record> {
    let i = &report.input;
    let order = report.order.clone();
    let mut out = vec![
        Record::new("file", i.path.clone()),
        Record::new("SHA-256", i.sha256.clone()),
        Record::new("order", order.unwrap_or_else(|| "none given".to_owned())),
        Record::new("limits", limits_words(report.limits_from.as_deref())),
        Record::new(
            "made by",
            format!("{} {}", report.tool.name, report.tool.version),
        ),
    ];
    let used = limits_used(&report.checks);
    if !used.is_empty() {
        out.push(Record::new("limits that decided", used.join("; ")));
    }
    out
}

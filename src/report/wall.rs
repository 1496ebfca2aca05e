//! The report of a finished shell's wall: its model, its text, its JSON.

use std::collections::BTreeMap;
use std::fmt::Write;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::checks::wall::{WallFacts, run_wall, wall_outcome};
use crate::checks::{Answer, Outcome, number};
use crate::limits::{Limits, Setting, rows};
use crate::read::{Format, Scan, Unit, UnitFrom};
use crate::shell::wall::{Between, Bore, Edges, Opening, ThinSpot, Wall, Web};
use crate::soundness::Region;
use crate::units::Measured;

use super::build::check_report;
use super::model::xyz;
use super::text::{faults, holding, labelled, outcome_style, para, shown};
use super::{CAUTION, CheckReport, Figure, Finite, ReportError, Tool, Xyz};

/// Name of the schema that [`WallReport`] follows.
pub const WALL_SCHEMA: &str = "secondbend.wall/1";

/// One shell's report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend wall report")]
pub struct WallReport {
    /// Always `secondbend.wall/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `wall`.
    pub command: String,
    /// The files as read: one closed shell, or outer and inner surface.
    pub inputs: Vec<WallInput>,
    /// Order or serial number as it was typed; `null` if none was.
    pub order: Option<String>,
    /// The worst answer: `breaks` over `cannot_tell` over `holds`.
    pub outcome: Outcome,
    /// The wall.
    pub wall: WallFigures,
    /// Every check with its answer.
    pub checks: Vec<CheckReport>,
    /// All limits used, by table and key.
    pub limits: BTreeMap<String, BTreeMap<String, Setting>>,
    /// The limits file as it was named; `null` for the defaults.
    pub limits_from: Option<String>,
    /// What the report is not.
    pub caution: String,
}

/// A file as read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WallInput {
    /// The file as it was named (bytes that are no text are replaced).
    pub path: String,
    /// SHA-256 of its bytes, lower-case hex.
    pub sha256: String,
    /// Its size in bytes.
    pub bytes: u64,
    /// Kind of file.
    pub format: Format,
    /// Number of facets.
    pub facets: usize,
    /// Number of points after welding.
    pub points: usize,
    /// The unit that its coordinates were taken to be in.
    pub unit: Option<Unit>,
    /// How the unit is known.
    pub unit_from: UnitFrom,
    /// Oddities of the file that did not stop the reading.
    pub notes: Vec<String>,
}

/// The wall. Every figure is as measured: finishing stock is taken off by the checks only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WallFigures {
    /// How it was measured.
    pub method: String,
    /// Least wall between the outer surface and what lies behind it; `null` if none was measured.
    pub least_mm: Option<Figure>,
    /// Where.
    pub point_mm: Option<Xyz>,
    /// The ray value there.
    pub least_ray_mm: Option<Finite>,
    /// The least wall after the shrinkage below.
    pub least_after_shrink_mm: Option<Finite>,
    /// Linear shrinkage of the print, in hundredths (the limit `wall.shrink_percent`).
    pub shrink_percent: Finite,
    /// Share of the outer area in hundredths → wall that it stays under.
    pub percentiles_mm: BTreeMap<String, Finite>,
    /// Outer area measured.
    pub measured_area_mm2: Finite,
    /// Area under the limit of its place.
    pub thin_area_mm2: Finite,
    /// Connected areas under it, thinnest first.
    pub thin_spots: Vec<ThinSpotReport>,
    /// Least material between bores and between a bore and other surfaces.
    pub webs: Vec<WebReport>,
    /// Bores, vents and other narrow passages.
    pub bores: Vec<BoreReport>,
    /// Rims and edges, where no wall can be read.
    pub edges: Vec<EdgeReport>,
    /// Where two surfaces given apart lie on each other in a plane: taken for the opening of the shell,
    /// and not measured. `null` where they do not, or one surface was given.
    pub opening: Option<OpeningReport>,
    /// Closed hollows.
    pub trapped_mm3: Vec<Finite>,
    /// Outer area by wall.
    pub histogram: HistogramReport,
}

/// A connected area under the limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ThinSpotReport {
    /// Least wall in it.
    pub least_mm: Figure,
    /// Its area.
    pub area_mm2: Finite,
    /// Where along the ear.
    pub region: Region,
    /// Arc position from the aperture; `null` without a canal.
    pub at_mm: Option<Finite>,
    /// Where it is least.
    pub point_mm: Xyz,
    /// Share of its border along an edge or rim.
    pub free_border: Finite,
}

/// Least material between two pieces of surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WebReport {
    /// What it lies between; bores are counted from 0, as in `bores`.
    pub between: [Between; 2],
    /// The least ball.
    pub least_mm: Figure,
    /// Where it touches one of them.
    pub point_mm: Xyz,
    /// Where it touches the other.
    pub opposite_mm: Xyz,
}

/// A narrow passage of the inner surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BoreReport {
    /// Diameter.
    pub diameter_mm: Finite,
    /// Width at its narrowest.
    pub least_mm: Figure,
    /// Length.
    pub length_mm: Finite,
    /// Straight and round.
    pub round: bool,
    /// One end.
    pub from_mm: Xyz,
    /// The other.
    pub to_mm: Xyz,
}

/// A zone of edge readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EdgeReport {
    /// Its area.
    pub area_mm2: Finite,
    /// Length of the sharp edges in it.
    pub sharp_mm: Finite,
    /// Sharpest turn: 90 for a square rim, 120 and more for a feather.
    pub turn_deg: Finite,
    /// Where it is sharpest.
    pub point_mm: Xyz,
}

/// The opening between two surfaces.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OpeningReport {
    /// Its area.
    pub area_mm2: Finite,
    /// Its middle.
    pub point_mm: Xyz,
}

/// Area by wall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HistogramReport {
    /// Width of a bin; the last is open upwards.
    pub bin_mm: Finite,
    /// Area in each.
    pub area_mm2: Vec<Finite>,
}

/// Answers every check of the wall and gathers the report. `wall` was measured on `facts.mesh`.
#[must_use]
pub fn wall(
    scans: &[&Scan],
    facts: &WallFacts,
    order: Option<&str>,
    limits: &Limits,
) -> WallReport {
    let answers = run_wall(facts, limits);
    WallReport {
        schema: WALL_SCHEMA.to_owned(),
        tool: Tool {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        command: "wall".to_owned(),
        inputs: scans.iter().map(|scan| input(scan)).collect(),
        order: order.map(str::to_owned),
        outcome: wall_outcome(answers.iter().map(|(_, answer): &(_, Answer)| answer)),
        wall: figures(facts, limits),
        checks: answers
            .into_iter()
            .map(|(check, answer)| check_report(check.id, check.asks, answer))
            .collect(),
        limits: limits.as_tables(),
        limits_from: limits.from.clone(),
        caution: CAUTION.to_owned(),
    }
}

pub(super) fn input(scan: &Scan) -> WallInput {
    WallInput {
        path: scan.path.to_string_lossy().into_owned(),
        sha256: scan.sha256.clone(),
        bytes: scan.bytes,
        format: scan.format,
        facets: scan.mesh.facets().len(),
        points: scan.mesh.points().len(),
        unit: scan.unit,
        unit_from: scan.unit_from.clone(),
        notes: scan.notes.clone(),
    }
}

pub(super) fn figures(facts: &WallFacts, limits: &Limits) -> WallFigures {
    let wall: &Wall = facts.wall;
    let spots = facts.thin_spots(limits);
    let least = wall.least.as_ref();
    let finite = |x: f64| x.is_finite().then_some(Finite(x));
    let shrink = limits.number(&rows::SHRINK);
    WallFigures {
        method: wall.method.to_owned(),
        least_mm: least.map(|l| l.wall_mm.into()),
        point_mm: least.map(|l| xyz(&l.point)),
        least_ray_mm: least.and_then(|l| finite(l.ray_mm)),
        least_after_shrink_mm: least.map(|l| Finite(l.wall_mm.value * (1.0 - shrink / 100.0))),
        shrink_percent: Finite(shrink),
        percentiles_mm: wall
            .percentiles_mm
            .iter()
            .map(|&(share, mm)| (format!("{share:02.0}"), Finite(mm)))
            .collect(),
        measured_area_mm2: Finite(wall.measured_mm2()),
        thin_area_mm2: Finite(spots.iter().map(|s| s.area_mm2).sum()),
        thin_spots: spots.iter().map(|s| spot_report(s, facts)).collect(),
        webs: wall.webs.iter().map(web_report).collect(),
        bores: wall.bores.iter().map(bore_report).collect(),
        edges: wall.edges.iter().map(edge_report).collect(),
        opening: wall.opening.as_ref().map(opening_report),
        trapped_mm3: wall.trapped.iter().map(|t| Finite(t.volume_mm3)).collect(),
        histogram: HistogramReport {
            bin_mm: Finite(wall.histogram.bin_mm),
            area_mm2: wall.histogram.area_mm2.iter().map(|&a| Finite(a)).collect(),
        },
    }
}

fn spot_report(spot: &ThinSpot, facts: &WallFacts) -> ThinSpotReport {
    let place = facts.finding(&spot.point, "");
    ThinSpotReport {
        least_mm: spot.least_mm.into(),
        area_mm2: Finite(spot.area_mm2),
        region: place.region,
        at_mm: place.at_mm.map(Finite),
        point_mm: xyz(&spot.point),
        free_border: Finite(spot.free_border),
    }
}

fn web_report(web: &Web) -> WebReport {
    WebReport {
        between: web.between,
        least_mm: Measured::exact(web.least_mm, web.plus_minus_mm).into(),
        point_mm: xyz(&web.point),
        opposite_mm: xyz(&web.opposite),
    }
}

fn bore_report(bore: &Bore) -> BoreReport {
    BoreReport {
        diameter_mm: Finite(bore.diameter_mm),
        least_mm: Measured::exact(bore.least_mm, bore.plus_minus_mm).into(),
        length_mm: Finite(bore.length_mm),
        round: bore.round,
        from_mm: xyz(&bore.from),
        to_mm: xyz(&bore.to),
    }
}

fn edge_report(edge: &Edges) -> EdgeReport {
    EdgeReport {
        area_mm2: Finite(edge.area_mm2),
        sharp_mm: Finite(edge.sharp_mm),
        turn_deg: Finite(edge.turn_deg),
        point_mm: xyz(&edge.point),
    }
}

fn opening_report(opening: &Opening) -> OpeningReport {
    OpeningReport {
        area_mm2: Finite(opening.area_mm2),
        point_mm: xyz(&opening.point),
    }
}

/// The report as a JSON document with a newline at its end.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn wall_json(report: &WallReport) -> Result<String, ReportError> {
    super::document(report)
}

/// The report as text, 80 columns, with colour.
#[must_use]
pub fn wall_text(report: &WallReport) -> String {
    let mut out = String::new();
    let style = outcome_style(report.outcome).bold();
    let verdict = match report.outcome {
        Outcome::Holds => "thick enough",
        Outcome::Breaks => "mend before printing",
        Outcome::CannotTell => "cannot tell",
    };
    let names: Vec<String> = report.inputs.iter().map(|i| shown(&i.path)).collect();
    let _ = writeln!(out, "{style}{verdict}{style:#}: {}", names.join(" + "));
    if let Some(order) = &report.order {
        let _ = writeln!(out, "order {}", shown(order));
    }
    faults(&mut out, report.checks.iter(), |_| String::new());
    holding(&mut out, &report.checks);
    out.push('\n');
    wall_lines(&mut out, &report.wall);
    for input in &report.inputs {
        labelled(
            &mut out,
            "file",
            &format!(
                "{}: {} facets, sha256 {}",
                shown(&input.path),
                input.facets,
                input.sha256
            ),
        );
        for note in &input.notes {
            para(&mut out, &format!("- {}", shown(note)));
        }
    }
    let limits = report
        .limits_from
        .as_deref()
        .map_or_else(|| "defaults".to_owned(), shown);
    let made = format!(
        "{} {}, limits: {limits}",
        report.tool.name, report.tool.version
    );
    labelled(&mut out, "made by", &made);
    labelled(&mut out, "caution", &report.caution);
    out
}

/// Shares of the area whose thickness the text tells, percent.
const SHARES_TOLD: [&str; 3] = ["1", "50", "99"];

pub(super) fn wall_lines(out: &mut String, wall: &WallFigures) {
    let mm = |x: &Finite| format!("{:.2}", x.0);
    // Walls are of two thicknesses, as planned: three shares say as much as all seven, which are in the JSON.
    let shares = wall.percentiles_mm.iter();
    let shares = shares.filter(|(share, _)| SHARES_TOLD.contains(&share.trim_start_matches('0')));
    let shares: Vec<String> = shares
        .map(|(share, x)| format!("{} % of it under {}", share.trim_start_matches('0'), mm(x)))
        .collect();
    let head = match &wall.least_mm {
        None => "none was measured".to_owned(),
        Some(least) => format!(
            "{} (before polishing), least {}, over {}",
            wall.method,
            crate::checks::figure(&least.measured(), "mm"),
            number(wall.measured_area_mm2.0, "mm2")
        ),
    };
    labelled(out, "wall", &head);
    if !shares.is_empty() {
        para(out, &format!("{} mm", shares.join(", ")));
    }
    for bore in &wall.bores {
        let kind = if bore.round { "bore" } else { "passage" };
        let says = format!(
            "{kind} {} mm wide, {} mm long",
            mm(&bore.diameter_mm),
            mm(&bore.length_mm)
        );
        para(out, &says);
    }
    if let Some(opening) = &wall.opening {
        let says = format!(
            "the two surfaces lie on each other in a plane over {}: taken for the opening (without the \
             rim round it), no wall measured there",
            number(opening.area_mm2.0, "mm2")
        );
        para(out, &says);
    }
    let sharp: f64 = wall.edges.iter().map(|e| e.sharp_mm.0).sum();
    let area: f64 = wall.edges.iter().map(|e| e.area_mm2.0).sum();
    if area > 0.0 {
        let says = format!(
            "rims and edges, not judged: {:.1} mm sharp, {} beside them",
            sharp,
            number(area, "mm2")
        );
        para(out, &says);
    }
    let feathers = wall.edges.iter().filter(|e| e.turn_deg.0 >= 120.0).count();
    if feathers > 0 {
        para(out, &feathered(feathers));
    }
    if let Some(after) = &wall.least_after_shrink_mm {
        let says = format!(
            "least after {} % of shrinkage, before polishing: {} mm",
            mm(&wall.shrink_percent),
            mm(after)
        );
        para(out, &says);
    }
}

/// Of the places just listed those that are a feather's edge.
fn feathered(places: usize) -> String {
    let at = match places {
        1 => "one of these places".to_owned(),
        n => format!("{n} of these places"),
    };
    format!("at {at} the material runs out to an edge of 60 deg or less")
}

#[cfg(test)]
mod tests {
    use super::feathered;

    #[test]
    fn sharp_edges_are_said_in_plain_words() {
        let ends = "the material runs out to an edge of 60 deg or less";
        assert_eq!(feathered(1), format!("at one of these places {ends}"));
        assert_eq!(feathered(2), format!("at 2 of these places {ends}"));
    }
}

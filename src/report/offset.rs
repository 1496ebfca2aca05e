//! The report of an offset surface: its model, its text, its JSON.

use std::fmt::Write;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::checks::{Outcome, number};
use crate::field::{Deviation, SignRule, SignedDistance, Surface, crossings, over_openings};
use crate::limits::wrapped;
use crate::mesh::Topology;
use crate::read::Scan;
use crate::shell::{BuildUp, Caution};
use crate::units::Mm;

use super::model::xyz;
use super::text::{INDENT, WIDTH, counted, labelled, outcome_style, para, shown};
use super::wall::input;
use super::{CAUTION, Finite, ReportError, Tool, WallInput, Xyz};

/// Name of the schema that [`OffsetReport`] follows.
pub const OFFSET_SCHEMA: &str = "secondbend.offset/1";

/// What is promised of facets up to 0.2 mm: largest at a vertex, root mean square and largest at
/// the middle of a facet, mm. Larger facets cut curves in proportion, so the last two grow with
/// them.
const PROMISED: [f64; 3] = [0.005, 0.003, 0.015];
const PROMISED_AT_MM: f64 = 0.2;
/// Places listed of a kind at most; all are counted.
const LISTED: usize = 20;

/// How far a surface is moved, positive outward.
#[derive(Debug, Clone, PartialEq)]
pub enum OffsetBy {
    /// The same everywhere.
    Everywhere(Mm),
    /// By zone of the ear; from one to the next the distance changes smoothly over 2 mm.
    Zones(BuildUp),
}

/// What a report is made from.
pub struct OffsetFacts<'a> {
    /// The scan's field.
    pub field: &'a SignedDistance,
    /// The surface drawn.
    pub surface: &'a Surface,
    /// Its deviation, measured afterwards.
    pub deviation: Deviation,
    /// The distance asked for.
    pub by: &'a OffsetBy,
    /// What is as it is for a reason that ought to be known.
    pub cautions: &'a [Caution],
    /// What vetting said of the scan; `None` where it was not vetted, its canal not being asked for.
    pub scan_verdict: Option<String>,
    /// The facet size asked for.
    pub facet: Mm,
}

/// One offset surface's report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend offset report")]
pub struct OffsetReport {
    /// Always `secondbend.offset/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `offset`.
    pub command: String,
    /// The scan as read.
    pub input: WallInput,
    /// Order or serial number as it was typed; `null` if none was.
    pub order: Option<String>,
    /// The worst of the demands.
    pub outcome: Outcome,
    /// What vetting says of the scan by the default limits; `null` where it was not vetted (zones have it vetted).
    /// It does not count in the outcome: that is of the drawing.
    pub scan_verdict: Option<String>,
    /// The surface.
    pub offset: OffsetFigures,
    /// What is asked of the surface, with the answers.
    pub demands: Vec<Demand>,
    /// What the report is not.
    pub caution: String,
}

/// Something asked of the surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Demand {
    /// What is asked.
    pub asks: String,
    /// The answer.
    pub outcome: Outcome,
    /// What was found.
    pub says: String,
}

/// The distance asked for in one zone of the ear.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ZoneBy {
    /// `tip`, `past-second-bend`, `between-bends`, `seal-zone`, `concha` or `cymba`.
    pub zone: String,
    /// Distance from the scan, positive outward.
    pub by_mm: Finite,
}

/// An offset surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OffsetFigures {
    /// Distance from the scan that was asked for: positive outward; `null` where zones have their own.
    pub by_mm: Option<Finite>,
    /// The distances asked for by zone, from the tip outward; empty where one holds everywhere.
    pub zones: Vec<ZoneBy>,
    /// Size of facets that was asked for.
    pub facet_mm: Finite,
    /// Number of facets.
    pub facets: usize,
    /// Number of points.
    pub points: usize,
    /// Its area.
    pub area_mm2: Finite,
    /// The volume inside it.
    pub volume_mm3: Finite,
    /// The volume inside the scan, its openings spanned.
    pub scan_volume_mm3: Finite,
    /// Connected parts.
    pub parts: usize,
    /// No open edge, none with more than two facets.
    pub watertight: bool,
    /// All facets wound the same way, outward.
    pub oriented: bool,
    /// Pairs of facets that cross, looked for over the whole surface.
    pub crossing_pairs: usize,
    /// Facets that face against the field.
    pub folded: usize,
    /// Facets that cut off an edge sharper than 30 degrees.
    pub blunt: usize,
    /// Largest deviation from the exact distance at a vertex.
    pub vertex_max_mm: Finite,
    /// Root mean square of the same.
    pub vertex_rms_mm: Finite,
    /// Largest deviation at the middle of a facet.
    pub centre_max_mm: Finite,
    /// Root mean square of the same.
    pub centre_rms_mm: Finite,
    /// Vertices that could not be brought onto the distance.
    pub unsettled: usize,
    /// The worst of them, at most 20.
    pub unsettled_at_mm: Vec<Xyz>,
    /// Places where edges could not be followed, at most 20 of them.
    pub given_up_at_mm: Vec<Xyz>,
    /// Openings of the scan that were spanned.
    pub openings: usize,
    /// Flat area of the spans.
    pub openings_mm2: Finite,
    /// Area of the surface that follows a span and not the scan.
    pub over_openings_mm2: Finite,
    /// How the side of a point was told: `normal` or `winding number`.
    pub side_by: String,
    /// The scan was inside out and was read turned round.
    pub inside_out: bool,
    /// What ought to be known of the zones.
    pub notes: Vec<String>,
}

/// Gathers the report of an offset surface.
#[must_use]
pub fn offset(scan: &Scan, facts: &OffsetFacts, order: Option<&str>) -> OffsetReport {
    let figures = figures(facts);
    let demands = demands(&figures);
    let worst = |o: Outcome| demands.iter().any(|d| d.outcome == o);
    OffsetReport {
        schema: OFFSET_SCHEMA.to_owned(),
        tool: Tool {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        command: "offset".to_owned(),
        input: input(scan),
        order: order.map(str::to_owned),
        outcome: if worst(Outcome::Breaks) {
            Outcome::Breaks
        } else if worst(Outcome::CannotTell) {
            Outcome::CannotTell
        } else {
            Outcome::Holds
        },
        scan_verdict: facts.scan_verdict.clone(),
        offset: figures,
        demands,
        caution: CAUTION.to_owned(),
    }
}

fn figures(facts: &OffsetFacts) -> OffsetFigures {
    let (field, surface, d) = (facts.field, facts.surface, &facts.deviation);
    let mesh = &surface.mesh;
    let topology = Topology::new(mesh);
    let volume = mesh.signed_volume_mm3();
    let area = mesh.area_mm2();
    let (openings, opening_area) = field.openings();
    OffsetFigures {
        by_mm: match facts.by {
            OffsetBy::Everywhere(by) => Some(Finite(by.0)),
            OffsetBy::Zones(_) => None,
        },
        zones: zones(facts.by),
        facet_mm: Finite(facts.facet.0),
        facets: mesh.facets().len(),
        points: mesh.points().len(),
        area_mm2: Finite(area),
        volume_mm3: Finite(volume),
        scan_volume_mm3: Finite(field.closed().signed_volume_mm3().abs()),
        parts: topology.parts(mesh).1,
        watertight: topology.open_edges == 0 && topology.fins.is_empty(),
        oriented: topology.flipped_edges == 0 && volume > 0.0,
        crossing_pairs: crossings(mesh),
        folded: surface.folded,
        blunt: surface.blunt,
        vertex_max_mm: Finite(d.vertex_max.0),
        vertex_rms_mm: Finite(d.vertex_rms.0),
        centre_max_mm: Finite(d.centre_max.0),
        centre_rms_mm: Finite(d.centre_rms.0),
        unsettled: surface.unsettled.len(),
        unsettled_at_mm: (surface.unsettled.iter().take(LISTED))
            .map(|(_, p)| xyz(p))
            .collect(),
        given_up_at_mm: surface.given_up.iter().take(LISTED).map(xyz).collect(),
        openings,
        openings_mm2: Finite(opening_area.0),
        over_openings_mm2: Finite(over_openings(field, mesh).0),
        side_by: match field.rule() {
            SignRule::Pseudonormal => "normal",
            SignRule::Winding => "winding number",
        }
        .to_owned(),
        inside_out: field.inside_out(),
        notes: facts.cautions.iter().map(Caution::words).collect(),
    }
}

fn zones(by: &OffsetBy) -> Vec<ZoneBy> {
    let OffsetBy::Zones(plan) = by else {
        return Vec::new();
    };
    let each = plan.by_zone().into_iter();
    each.map(|(zone, by_mm)| ZoneBy {
        zone: zone.to_owned(),
        by_mm: Finite(by_mm),
    })
    .collect()
}

fn demands(f: &OffsetFigures) -> Vec<Demand> {
    let demand = |asks: &str, holds: bool, otherwise: Outcome, says: String| Demand {
        asks: asks.to_owned(),
        outcome: if holds { Outcome::Holds } else { otherwise },
        says,
    };
    let scale = (f.facet_mm.0 / PROMISED_AT_MM).max(1.0);
    let [vertex, rms, centre] = [PROMISED[0], PROMISED[1] * scale, PROMISED[2] * scale];
    let um = |x: f64| format!("{:.1} um", x * 1000.0);
    let places = (!f.zones.is_empty()).then(|| {
        let says = match f.notes.is_empty() {
            true => "all borders that matter were found on the canal".to_owned(),
            false => f.notes.join("; "),
        };
        let asks = "Is it told where every zone lies?";
        demand(asks, f.notes.is_empty(), Outcome::CannotTell, says)
    });
    let on_level =
        f.vertex_max_mm.0 <= vertex && f.centre_max_mm.0 <= centre && f.centre_rms_mm.0 <= rms;
    let own = [
        demand(
            "Is the surface watertight and wound outward throughout?",
            f.watertight && f.oriented,
            Outcome::Breaks,
            format!("{} facets in {}", f.facets, counted(f.parts, "part")),
        ),
        demand(
            "Is it free of facets that cross?",
            f.crossing_pairs == 0,
            Outcome::Breaks,
            format!("{} pairs cross", f.crossing_pairs),
        ),
        demand(
            "Is it in one part?",
            f.parts == 1,
            Outcome::Breaks,
            counted(f.parts, "part"),
        ),
        demand(
            "Does it lie at the distance asked for?",
            on_level,
            Outcome::CannotTell,
            format!(
                "vertices off by {} at most (limit {}), facets' middles by {} (limit {}), {} rms (limit {})",
                um(f.vertex_max_mm.0),
                um(vertex),
                um(f.centre_max_mm.0),
                um(centre),
                um(f.centre_rms_mm.0),
                um(rms)
            ),
        ),
    ];
    own.into_iter().chain(places).collect()
}

/// The report as a JSON document with a newline at its end.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn offset_json(report: &OffsetReport) -> Result<String, ReportError> {
    super::document(report)
}

/// The report as text, 80 columns, with colour.
#[must_use]
pub fn offset_text(report: &OffsetReport) -> String {
    let mut out = String::new();
    let f = &report.offset;
    let style = outcome_style(report.outcome).bold();
    let verdict = match report.outcome {
        Outcome::Holds => "drawn as asked",
        Outcome::Breaks => "drawn with faults",
        Outcome::CannotTell => "drawn, but not surely as asked",
    };
    let _ = writeln!(
        out,
        "{style}{verdict}{style:#}: {}",
        shown(&report.input.path)
    );
    if let Some(order) = &report.order {
        let _ = writeln!(out, "order {}", shown(order));
    }
    let scan = match &report.scan_verdict {
        Some(said) => {
            format!("of the scan as it is, of which `vet` says (by its usual limits): {said}")
        }
        None => {
            "of the scan as it is: whether it may be designed on is what `vet` answers".to_owned()
        }
    };
    let _ = writeln!(out, "{}", wrapped(&scan, "", WIDTH));
    asked(&mut out, &report.demands);
    out.push('\n');
    let moved = format!(
        "{}, facets of {} mm: {} in area, {} inside ({} inside the scan)",
        how_far(f),
        f.facet_mm.0,
        number(f.area_mm2.0, "mm2"),
        number(f.volume_mm3.0, "mm3"),
        number(f.scan_volume_mm3.0, "mm3")
    );
    labelled(&mut out, "surface", &moved);
    told(&mut out, f);
    let file = &report.input;
    let read = format!(
        "{}: {} facets, sha256 {}",
        shown(&file.path),
        file.facets,
        file.sha256
    );
    labelled(&mut out, "file", &read);
    for note in &file.notes {
        para(&mut out, &format!("- {}", shown(note)));
    }
    let made = format!("{} {}", report.tool.name, report.tool.version);
    labelled(&mut out, "made by", &made);
    labelled(&mut out, "caution", &report.caution);
    out
}

/// What is asked of the surface with its answers, what breaks first.
fn asked(out: &mut String, demands: &[Demand]) {
    for outcome in [Outcome::Breaks, Outcome::CannotTell, Outcome::Holds] {
        for d in demands.iter().filter(|d| d.outcome == outcome) {
            let (style, word) = (outcome_style(outcome), outcome.words());
            let gap = INDENT.len() - word.len();
            let _ = writeln!(out, "\n{style}{word}{style:#}{:gap$}{}", "", d.asks);
            para(out, &d.says);
        }
    }
}

/// `0.3 mm outward`, or that for each zone, the border of two zones a blend over 2 mm.
fn how_far(f: &OffsetFigures) -> String {
    let told = |by: f64| match by {
        0.0 => "left as it is".to_owned(),
        by if by < 0.0 => format!("{} mm inward", -by),
        by => format!("{by} mm outward"),
    };
    match f.by_mm {
        Some(by) => told(by.0),
        None => {
            let each = f.zones.iter();
            let each = each.map(|z| format!("{} {}", z.zone, told(z.by_mm.0)));
            let each: Vec<String> = each.collect();
            format!("asked: {}; blends of 2 mm between them", each.join(", "))
        }
    }
}

/// What a reader must know of the surface beyond its figures.
fn told(out: &mut String, f: &OffsetFigures) {
    if f.openings > 0 {
        let says = format!(
            "{} of the scan spanned, {} flat; {} of the surface follow the spans and not the ear",
            counted(f.openings, "opening"),
            number(f.openings_mm2.0, "mm2"),
            number(f.over_openings_mm2.0, "mm2")
        );
        para(out, &says);
    }
    if f.inside_out {
        para(out, "the scan was inside out and was read turned round");
    }
    if f.unsettled > 0 {
        para(
            out,
            &format!(
                "{} vertices could not be brought onto the distance",
                f.unsettled
            ),
        );
    }
    let edges = match f.given_up_at_mm.len() {
        LISTED => format!("edges not followed in {LISTED} places or more"),
        n => format!("edges not followed in {}", counted(n, "place")),
    };
    let folded = format!("{} folded", counted(f.folded, "facet"));
    let blunt = format!(
        "edges sharper than 30 deg blunt at {}",
        counted(f.blunt, "facet")
    );
    let faults = [
        (f.given_up_at_mm.len(), edges),
        (f.folded, folded),
        (f.blunt, blunt),
    ];
    let faults = faults.into_iter().filter(|(n, _)| *n > 0);
    let faults: Vec<String> = faults.map(|(_, says)| says).collect();
    if !faults.is_empty() {
        para(out, &faults.join("; "));
    }
}

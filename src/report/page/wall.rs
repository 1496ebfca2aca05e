//! A finished shell's page: its wall in colours, thin spots, webs, bores, and how much of it is how
//! thick. Walls are shown after polishing, since that is what the limits speak of.

use super::model::*;
use super::vet::{
    answer_rows, bend_name, box_spine, box_views, canal_lines, canal_spine, canal_views, file_name,
    limits_used, limits_words, marks,
};
use crate::canal::Canal;
use crate::checks::{Outcome, Sense, figure, number};
use crate::limits::{Limits, rows};
use crate::mesh::Mesh;
use crate::report::{CheckReport, WallFigures, WallReport, limit_words};
use crate::shell::wall::{Surface, Wall};
use crate::units::Measured;

/// The page of a shell, from what was measured on `mesh` and what is reported of it.
#[must_use]
pub fn wall_page(
    mesh: &Mesh,
    wall: &Wall,
    canal: Option<&Canal>,
    limits: &Limits,
    report: &WallReport,
) -> PageModel {
    let stock = limits.number(&rows::WALL_STOCK);
    let limit = limit_of(&report.checks);
    let layers = layers(mesh, wall, stock, limit.as_ref());
    let cut: Vec<usize> = (0..layers.len()).collect();
    let spine = canal
        .and_then(|c| canal_spine(c, cut.clone()))
        .or_else(|| box_spine(mesh, cut));
    let names: Vec<&str> = report.inputs.iter().map(|i| file_name(&i.path)).collect();
    PageModel {
        command: "wall",
        title: names.join(" and "),
        order: report.order.clone(),
        side: None,
        verdict: headline(
            report.outcome,
            &report.checks,
            match report.outcome {
                Outcome::Holds => "thick enough",
                Outcome::Breaks => "mend before printing",
                Outcome::CannotTell => "cannot tell",
            },
        ),
        cautions: vec![report.caution.clone()],
        figures: figures(&report.wall, stock),
        answers: answer_rows(&report.checks),
        layers,
        lines: canal
            .map(canal_lines)
            .unwrap_or_default()
            .into_iter()
            .chain(bores(wall))
            .collect(),
        marks: canal.map(marks).unwrap_or_default(),
        spine,
        views: canal.map_or_else(|| box_views(mesh), canal_views),
        plots: plots(&report.wall, canal, stock, limit.map(|l| l.0)),
        motion: None,
        records: records(report),
    }
}

/// The limit that walls were held against, with its key.
pub(super) fn limit_of(checks: &[CheckReport]) -> Option<(f64, String)> {
    let check = checks.iter().find(|c| c.id == "wall-too-thin")?;
    Some((check.limit?.0, check.limit_key.clone()?))
}

/// The verdict in `words`, and the first two reasons.
pub(super) fn headline(outcome: Outcome, checks: &[CheckReport], words: &str) -> Headline {
    let these = checks
        .iter()
        .filter(|c| c.outcome == outcome && c.outcome != Outcome::Holds);
    let because: Vec<String> = these
        .map(|c| format!("{}{}", c.answer, limit_words(c)))
        .take(2)
        .collect();
    Headline {
        tone: outcome,
        words: words.to_owned(),
        because: match because[..] {
            [] => "every question that counts has a good answer".to_owned(),
            _ => because.join("; "),
        },
    }
}

/// Outer and inner surface apart, so that either can be hidden.
pub(super) fn layers(
    mesh: &Mesh,
    wall: &Wall,
    stock: f64,
    limit: Option<&(f64, String)>,
) -> Vec<Layer> {
    let inner = |f: usize| {
        let corners = mesh.facets()[f].iter();
        corners
            .copied()
            .all(|p| wall.surface[p as usize] == Surface::Inner)
    };
    // What is taken for the opening is open: two surfaces in one place would flicker.
    let solid = |f: usize| !wall.in_opening.get(f).is_some_and(|&open| open);
    let (outer_mesh, from) = part_of(mesh, |f| solid(f) && !inner(f));
    let (inner_mesh, _) = part_of(mesh, |f| solid(f) && inner(f));
    let map = |name: &str, values: &[f64], off: f64, limit: Option<MapLimit>| ScalarMap {
        name: name.to_owned(),
        values: from.iter().map(|&p| values[p as usize] - off).collect(),
        range_mm: range(wall, limit.as_ref()),
        signed: false,
        limit,
        first: true,
    };
    let bar = limit.map(|(mm, key)| MapLimit {
        value_mm: *mm,
        sense: Sense::AtLeast,
        words: format!("the limit {key}"),
    });
    let counted: Vec<f64> = (0..wall.wall_mm.len())
        .map(|p| {
            if wall.counts(p) {
                wall.wall_mm[p]
            } else {
                f64::NAN
            }
        })
        .collect();
    let mut maps = vec![
        map("wall after polishing", &counted, stock, bar),
        map("wall as measured", &counted, 0.0, None),
        map("ray inward", &wall.ray_mm, 0.0, None),
    ];
    if wall.opposite_mm.iter().any(|x| x.is_finite()) {
        maps.push(map("nearest opposite wall", &wall.opposite_mm, 0.0, None));
    }
    let mut out = vec![Layer {
        name: "outer surface".to_owned(),
        role: Role::Shell,
        mesh: outer_mesh,
        shown: true,
        glass: false,
        maps,
    }];
    if !inner_mesh.facets().is_empty() {
        out.push(Layer {
            name: "inner surface".to_owned(),
            role: Role::Cavity,
            mesh: inner_mesh,
            shown: true,
            glass: false,
            maps: Vec::new(),
        });
    }
    out
}

/// From nothing to where walls are thick beyond doubt, or to nearly the thickest.
fn range(wall: &Wall, limit: Option<&MapLimit>) -> [f64; 2] {
    let thick = wall.percentiles_mm.last().map_or(2.0, |&(_, mm)| mm);
    let high = limit.map_or(thick, |l| thick.min(4.0 * l.value_mm).max(2.0 * l.value_mm));
    [0.0, (2.0 * high).ceil().max(1.0) / 2.0]
}

/// The facets asked for as a mesh of their own, and of its points those of the whole.
fn part_of(mesh: &Mesh, wanted: impl Fn(usize) -> bool) -> (Mesh, Vec<u32>) {
    let mut number = vec![u32::MAX; mesh.points().len()];
    let (mut from, mut facets) = (Vec::new(), Vec::new());
    let kept = (0..mesh.facets().len()).filter(|&f| wanted(f));
    for corners in kept.map(|f| mesh.facets()[f]) {
        facets.push(corners.map(|p| {
            let at = &mut number[p as usize];
            if *at == u32::MAX {
                *at = from.len() as u32;
                from.push(p);
            }
            *at
        }));
    }
    let points = from.iter().map(|&p| mesh.points()[p as usize]).collect();
    // Points of a mesh, and numbers just given to them.
    (Mesh::new(points, facets).unwrap_or_default(), from)
}

fn bores(wall: &Wall) -> impl Iterator<Item = Line> {
    wall.bores.iter().map(|bore| Line {
        name: "bores".to_owned(),
        role: LineRole::Tube,
        points: vec![bore.from, bore.to],
    })
}

/// Least wall, shares of the area, bores.
pub(super) fn figures(wall: &WallFigures, stock: f64) -> Vec<KeyFigure> {
    let mut out = Vec::new();
    if let Some(least) = &wall.least_mm {
        let m = least.measured();
        let after = Measured {
            value: m.value - stock,
            ..m
        };
        out.push(KeyFigure::new(
            "least wall after polishing",
            figure(&after, "mm"),
        ));
        out.push(KeyFigure::new("least wall as measured", figure(&m, "mm")));
    }
    out.push(KeyFigure::new("finishing stock", number(stock, "mm")));
    let shares: Vec<String> = wall
        .percentiles_mm
        .iter()
        .map(|(share, mm)| format!("{} %: {:.2}", share.trim_start_matches('0'), mm.0))
        .collect();
    if !shares.is_empty() {
        let says = format!("{} mm", shares.join(", "));
        out.push(KeyFigure::new(
            "share of the area thinner, as measured",
            says,
        ));
    }
    out.push(KeyFigure::new(
        "area measured",
        number(wall.measured_area_mm2.0, "mm2"),
    ));
    out.push(KeyFigure::new(
        "thin area",
        number(wall.thin_area_mm2.0 + 0.0, "mm2"),
    ));
    if let Some(opening) = &wall.opening {
        let says = format!(
            "{}, where the two surfaces lie on each other: not measured",
            number(opening.area_mm2.0, "mm2")
        );
        out.push(KeyFigure::new("taken for the opening", says));
    }
    for bore in &wall.bores {
        let kind = if bore.round { "bore" } else { "passage" };
        let says = format!(
            "{:.2} mm wide, {:.1} mm long",
            bore.diameter_mm.0, bore.length_mm.0
        );
        out.push(KeyFigure::new(kind, says));
    }
    out.push(KeyFigure::new("measured by", wall.method.clone()));
    out
}

/// Area by wall, and along the canal.
pub(super) fn plots(
    wall: &WallFigures,
    canal: Option<&Canal>,
    stock: f64,
    limit: Option<f64>,
) -> Vec<Plot> {
    let h = &wall.histogram;
    let last = h
        .area_mm2
        .iter()
        .rposition(|a| a.0 > 0.0)
        .map_or(0, |i| i + 1);
    let series: Vec<[f64; 2]> = h.area_mm2[..last]
        .iter()
        .enumerate()
        .map(|(i, a)| [(i as f64 + 0.5) * h.bin_mm.0 - stock, a.0])
        .collect();
    let mut out = Vec::new();
    if !series.is_empty() {
        out.push(Plot {
            title: "Outer area by wall".to_owned(),
            across: "wall after polishing, mm".to_owned(),
            upward: "mm2".to_owned(),
            stroke: Stroke::Bars,
            series,
            spread: None,
            dots: Vec::new(),
            ticks: Vec::new(),
            limit: limit.map(|mm| (mm, format!("limit {mm:.2} mm"))),
            along_spine: false,
            note: "The last bar holds everything thicker.".to_owned(),
        });
    }
    if let Some(canal) = canal {
        let bends = canal
            .bends
            .iter()
            .map(|b| (b.at_mm.value, bend_name(b.order)));
        out.push(Plot {
            title: "Area along the canal".to_owned(),
            across: "from the aperture, mm".to_owned(),
            upward: "mm2".to_owned(),
            stroke: Stroke::Line,
            series: canal
                .sections
                .iter()
                .map(|s| [s.at_mm, s.area_mm2])
                .collect(),
            spread: None,
            dots: Vec::new(),
            ticks: std::iter::once((0.0, "aperture".to_owned()))
                .chain(bends)
                .collect(),
            limit: None,
            along_spine: true,
            note: "Of the outer surface.".to_owned(),
        });
    }
    out
}

fn records(report: &WallReport) -> Vec<Record> {
    let mut out = Vec::new();
    for i in &report.inputs {
        out.push(Record::new("file", i.path.clone()));
        out.push(Record::new("SHA-256", i.sha256.clone()));
    }
    let order = report
        .order
        .clone()
        .unwrap_or_else(|| "none given".to_owned());
    out.push(Record::new("order", order));
    out.push(Record::new(
        "limits",
        limits_words(report.limits_from.as_deref()),
    ));
    let made = format!("{} {}", report.tool.name, report.tool.version);
    out.push(Record::new("made by", made));
    let used = limits_used(&report.checks);
    if !used.is_empty() {
        out.push(Record::new("limits that decided", used.join("; ")));
    }
    out
}

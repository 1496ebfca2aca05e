//! A scan's page: the impression with its axis, aperture, bends and findings, its area and
//! curvature along the canal.

use super::model::*;
use super::published;
use super::undercut::{maps_of, motion_of};
use crate::canal::{Canal, Side, curvature};
use crate::checks::{Outcome, Sense, Verdict, figure, number, region_words};
use crate::limits::{Limits, rows};
use crate::mesh::{Point, Vector};
use crate::read::Scan;
use crate::report::{CheckReport, FindingReport, Report, SideWord, limit_words};
use crate::soundness::{Pit, Region, Soundness};
use crate::undercut::Pulls;

/// How far out of the aperture the section plane can be moved at least and at most, mm; within that, as far as
/// the surface reaches.
const OUTSIDE_MM: f64 = 6.0;
const MOST_OUTSIDE_MM: f64 = 30.0;

/// The page of a scan, from what was measured and what is reported of it.
#[must_use]
pub fn vet_page(
    scan: &Scan,
    soundness: &Soundness,
    canal: Option<&Canal>,
    pulls: Option<&Pulls>,
    limits: &Limits,
    report: &Report,
) -> PageModel {
    let pits = canal.and_then(|c| pit_map(scan, c, limits));
    let maps = pits.into_iter().chain(maps_of(pulls, limits)).collect();
    PageModel {
        command: "vet",
        title: file_name(&report.input.path).to_owned(),
        order: report.order.clone(),
        side: match report.side.value {
            SideWord::Left => Some(Side::Left),
            SideWord::Right => Some(Side::Right),
            SideWord::Unknown => None,
        },
        verdict: headline(report),
        cautions: vec![report.caution.clone()],
        figures: figures(report),
        answers: answer_rows(&report.checks),
        layers: vec![Layer {
            name: "scan".to_owned(),
            role: Role::Scan,
            mesh: scan.mesh.clone(),
            shown: true,
            glass: false,
            maps,
        }],
        lines: lines(scan, soundness, canal),
        marks: canal.map(marks).unwrap_or_default(),
        spine: canal
            .and_then(|c| canal_spine(c, vec![0]))
            .or_else(|| box_spine(&scan.mesh, vec![0])),
        views: canal.map_or_else(|| box_views(&scan.mesh), canal_views),
        plots: canal.map(plots).unwrap_or_default(),
        motion: motion_of(0, pulls),
        records: records(report),
    }
}

/// Depth of the pit that a point of the canal's wall lies in; nothing where pits were not looked
/// for. No map where none was found.
fn pit_map(scan: &Scan, canal: &Canal, limits: &Limits) -> Option<ScalarMap> {
    let pits: Vec<_> = canal.pits.iter().filter(|p| p.depth_mm > 0.0).collect();
    let deepest = pits.iter().map(|p| p.depth_mm).reduce(f64::max)?;
    let depth = |p: &Point| {
        let within = |pit: &&&Pit| (p - pit.point).norm() <= 0.5 * pit.width_mm;
        let here = pits.iter().filter(within).map(|pit| pit.depth_mm);
        match here.reduce(f64::max) {
            Some(depth) => depth,
            None if in_canal(canal, p) => 0.0,
            None => f64::NAN,
        }
    };
    Some(ScalarMap {
        name: "pits in the canal's wall".to_owned(),
        values: scan.mesh.points().iter().map(depth).collect(),
        range_mm: [0.0, (2.0 * deepest).ceil().max(2.0) / 2.0],
        signed: false,
        limit: Some(MapLimit {
            value_mm: limits.number(&rows::PIT_DEPTH),
            sense: Sense::AtMost,
            words: "the limit of a pit's depth".to_owned(),
        }),
        first: false,
    })
}

fn in_canal(canal: &Canal, p: &Point) -> bool {
    let (region, _) = crate::canal::region_of(canal, p);
    !matches!(region, Region::Concha | Region::OuterFace | Region::Unknown)
}

/// A path's last piece: the whole of it stands in the record.
pub(super) fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

fn headline(report: &Report) -> Headline {
    let worst = report
        .checks
        .iter()
        .filter(|c| c.weighs == report.verdict && c.outcome != Outcome::Holds);
    let because: Vec<String> = worst
        .filter(|c| c.because.is_none())
        .map(|c| format!("{}{}", c.answer, limit_words(c)))
        .take(2)
        .collect();
    let (tone, words) = report.headline();
    Headline {
        tone,
        words: words.to_owned(),
        because: if report.verdict == Verdict::Design {
            "every question that the verdict hangs on has a good answer".to_owned()
        } else {
            let stop = crate::report::text::wrong_side(report);
            because
                .into_iter()
                .chain(stop)
                .collect::<Vec<_>>()
                .join("; ")
        },
    }
}

/// Checks as rows, findings numbered through: what breaks first, then what can't be told.
pub(super) fn answer_rows(checks: &[CheckReport]) -> Vec<AnswerRow> {
    let mut number = 0;
    let order = [Outcome::Breaks, Outcome::CannotTell, Outcome::Holds];
    order
        .iter()
        .flat_map(|o| checks.iter().filter(move |c| c.outcome == *o))
        .map(|check| AnswerRow {
            outcome: check.outcome,
            id: check.id.clone(),
            question: check.question.clone(),
            answer: format!("{}{}", check.answer, limit_words(check)),
            advice: check.advice.clone(),
            findings: check
                .findings
                .iter()
                .map(|f| {
                    number += 1;
                    finding(f, number)
                })
                .collect(),
        })
        .collect()
}

fn finding(f: &FindingReport, number: usize) -> Finding {
    let along = f.at_mm.map_or_else(String::new, |at| {
        let way = if at.0 < 0.0 { "outside" } else { "from" };
        format!(", {:.1} mm {way} the aperture", at.0.abs())
    });
    Finding {
        number,
        says: match f.region {
            Region::Unknown => format!("{}{along}", f.says),
            region => format!("{}: {}{along}", region_words(region), f.says),
        },
        point: f.point_mm.map(|[x, y, z]| Point::new(x.0, y.0, z.0)),
        at_mm: f.at_mm.map(|x| x.0),
    }
}

fn figures(report: &Report) -> Vec<KeyFigure> {
    let mut out = Vec::new();
    if let Some(canal) = &report.canal {
        let show = |f: &crate::report::Figure, unit| figure(&f.measured(), unit);
        out.push(KeyFigure::new("canal length", show(&canal.length_mm, "mm")));
        out.push(KeyFigure::new(
            "area at the aperture",
            show(&canal.aperture.area_mm2, "mm2"),
        ));
        for bend in &canal.bends {
            let name = bend_name(bend.order);
            let turn = format!(
                "{}, turns {}",
                show(&bend.at_mm, "mm"),
                show(&bend.turn_deg, "deg")
            );
            out.push(KeyFigure::new(format!("{name} at"), turn));
            out.push(KeyFigure::new(
                format!("length past the {name}"),
                show(&bend.past_mm, "mm"),
            ));
        }
        let n = &canal.narrowest.section;
        let narrow = format!("{} at {:.1} mm", show(&n.area_mm2, "mm2"), n.at_mm.0);
        out.push(KeyFigure::new("narrowest", narrow));
    }
    let s = &report.soundness;
    let holes = s.holes.iter().filter(|h| !h.base).count();
    out.push(KeyFigure::new("holes besides the base", holes.to_string()));
    if let Some(noise) = &s.noise_mm {
        out.push(KeyFigure::new("scan noise", format!("{:.3} mm", noise.0)));
    }
    out.push(KeyFigure::new("facets", report.input.facets.to_string()));
    out
}

/// "first bend", "second bend", "bend 3".
pub(super) fn bend_name(order: usize) -> String {
    match order {
        1 => "first bend".to_owned(),
        2 => "second bend".to_owned(),
        n => format!("bend {n}"),
    }
}

fn lines(scan: &Scan, soundness: &Soundness, canal: Option<&Canal>) -> Vec<Line> {
    let mut out = canal.map(canal_lines).unwrap_or_default();
    for hole in soundness.holes.iter().filter(|h| !h.base) {
        let closed = hole.rim.iter().chain(hole.rim.first());
        out.push(Line {
            name: "rims of holes".to_owned(),
            role: LineRole::Rim,
            points: closed.map(|&p| scan.mesh.points()[p as usize]).collect(),
        });
    }
    out
}

/// The axis, and the outlines at the aperture and at the bends.
pub(super) fn canal_lines(canal: &Canal) -> Vec<Line> {
    let closed = |outline: &[Point]| -> Vec<Point> {
        outline.iter().chain(outline.first()).copied().collect()
    };
    let mut out = vec![
        Line {
            name: "axis".to_owned(),
            role: LineRole::Axis,
            points: canal.axis.clone(),
        },
        Line {
            name: "aperture".to_owned(),
            role: LineRole::Aperture,
            points: closed(&canal.aperture.outline),
        },
    ];
    for bend in &canal.bends {
        let off = |s: &&crate::canal::Section| (s.at_mm - bend.at_mm.value).abs();
        let nearest = canal
            .sections
            .iter()
            .min_by(|a, b| off(a).total_cmp(&off(b)));
        if let Some(section) = nearest {
            out.push(Line {
                name: "bends".to_owned(),
                role: LineRole::Bend,
                points: closed(&section.outline),
            });
        }
    }
    out
}

pub(super) fn marks(canal: &Canal) -> Vec<Mark> {
    let mark = |name: &str, point: Point| Mark {
        name: name.to_owned(),
        point,
    };
    let mut out = vec![mark("aperture", canal.aperture.centre)];
    out.extend(
        canal
            .bends
            .iter()
            .map(|b| mark(&bend_name(b.order), b.point)),
    );
    out.push(mark("tip", canal.tip));
    out
}

/// The axis as a spine: the canal's own sections, and a way out of the aperture into the concha.
pub(super) fn canal_spine(canal: &Canal, layers: Vec<usize>) -> Option<Spine> {
    let a = &canal.aperture;
    // As far out as there is something, so that a faceplate's place is reached too.
    let out_steps = (canal.outer_reach_mm.clamp(OUTSIDE_MM, MOST_OUTSIDE_MM) / 0.25) as usize;
    let outside = (1..=out_steps).rev().map(|i| {
        let at = 0.25 * i as f64;
        Station {
            at_mm: -at,
            point: a.centre - a.normal * at,
            normal: a.normal,
        }
    });
    let inside = canal.sections.iter().map(|s| Station {
        at_mm: s.at_mm,
        point: s.centre,
        normal: s.normal,
    });
    let stations: Vec<Station> = outside.chain(inside).collect();
    let start = canal
        .bends
        .first()
        .map_or(0.5 * canal.length_mm.value, |b| b.at_mm.value);
    (!canal.sections.is_empty()).then(|| Spine {
        within: "hollow",
        counted: "from the aperture".to_owned(),
        stations,
        layers,
        start_mm: start,
    })
}

/// Without a canal: along the longest side of the box.
pub(super) fn box_spine(mesh: &crate::mesh::Mesh, layers: Vec<usize>) -> Option<Spine> {
    let (lo, hi) = mesh.bounds()?;
    let side = hi - lo;
    let k = side.imax();
    let normal = Vector::ith(k, 1.0);
    let steps = 160;
    let middle = nalgebra::center(&lo, &hi);
    let stations = (1..steps).map(|i| {
        let at = side[k] * f64::from(i) / f64::from(steps);
        let mut point = middle;
        point[k] = lo[k] + at;
        Station {
            at_mm: at,
            point,
            normal,
        }
    });
    Some(Spine {
        within: "hollow",
        counted: format!("along {}", ["x", "y", "z"][k]),
        stations: stations.collect(),
        layers,
        start_mm: 0.5 * side[k],
    })
}

/// Views named after the ear where its frame is told, else after the canal.
pub(super) fn canal_views(canal: &Canal) -> Vec<View> {
    let view = |name: &str, from: Vector, up: Vector| View {
        name: name.to_owned(),
        from: from.try_normalize(1e-9).unwrap_or_else(Vector::z),
        up,
    };
    let (out, up, forward, words) = match &canal.frame {
        Some(f) => (
            f.out,
            f.up,
            f.forward,
            [
                "outside",
                "the tip",
                "the front",
                "behind",
                "above",
                "below",
            ],
        ),
        None => {
            let out = -canal.aperture.normal;
            let chord = canal.tip - canal.aperture.centre;
            let bow = canal
                .bends
                .first()
                .map_or_else(|| out.cross(&Vector::x()), |b| b.towards);
            let mut up = out.cross(&bow);
            if up.norm() < 1e-6 {
                up = chord.cross(&Vector::y());
            }
            let up = up.try_normalize(1e-9).unwrap_or_else(Vector::z);
            (
                out,
                up,
                up.cross(&out),
                [
                    "outside",
                    "the tip",
                    "one side",
                    "the other",
                    "across the bends",
                    "behind them",
                ],
            )
        }
    };
    vec![
        view("aslant", up * 0.92 + forward * 0.38 + out * 0.05, forward),
        view(words[0], out, up),
        view(words[1], -out, up),
        view(words[2], forward, up),
        view(words[3], -forward, up),
        view(words[4], up, forward),
        view(words[5], -up, forward),
    ]
}

/// Without a canal: along the axes of the file.
pub(super) fn box_views(mesh: &crate::mesh::Mesh) -> Vec<View> {
    let long = mesh.bounds().map_or(2, |(lo, hi)| (hi - lo).imax());
    let (x, y, z) = (Vector::x(), Vector::y(), Vector::z());
    let view = |name: &str, from: Vector, up: Vector| View {
        name: name.to_owned(),
        from: from.normalize(),
        up,
    };
    let aslant = if long == 2 {
        x + y * 0.8 + z * 0.35
    } else {
        x * 0.5 - y + z * 0.7
    };
    vec![
        view("aslant", aslant, z),
        view("+x", x, z),
        view("-x", -x, z),
        view("+y", y, z),
        view("-y", -y, z),
        view("+z", z, y),
        view("-z", -z, y),
    ]
}

pub(super) fn plots(canal: &Canal) -> Vec<Plot> {
    let mut ticks: Vec<(f64, String)> = vec![(0.0, "aperture".to_owned())];
    ticks.extend(
        canal
            .bends
            .iter()
            .map(|b| (b.at_mm.value, bend_name(b.order))),
    );
    let first = canal.bends.first().map(|b| b.at_mm.value);
    let plot = |title: &str, upward: &str, series| Plot {
        title: title.to_owned(),
        across: "from the aperture, mm".to_owned(),
        upward: upward.to_owned(),
        stroke: Stroke::Line,
        series,
        spread: None,
        dots: Vec::new(),
        ticks: ticks.clone(),
        limit: None,
        along_spine: true,
        note: String::new(),
    };
    let area = canal
        .sections
        .iter()
        .map(|s| [s.at_mm, s.area_mm2])
        .collect();
    vec![
        Plot {
            spread: Some(published::spread()),
            dots: published::dots(first),
            note: published::NOTE.to_owned(),
            ..plot("Area along the canal", "mm2", area)
        },
        Plot {
            note: "Of the axis, smoothed as bends are found (docs/definitions.md).".to_owned(),
            ..plot("Curvature of the axis", "1/mm", curvature(canal))
        },
    ]
}

fn records(report: &Report) -> Vec<Record> {
    let i = &report.input;
    let mut out = vec![
        Record::new("file", i.path.clone()),
        Record::new("SHA-256", i.sha256.clone()),
        Record::new(
            "order",
            report
                .order
                .clone()
                .unwrap_or_else(|| "none given".to_owned()),
        ),
        Record::new("limits", limits_words(report.limits_from.as_deref())),
        Record::new(
            "made by",
            format!("{} {}", report.tool.name, report.tool.version),
        ),
    ];
    let used: Vec<String> = limits_used(&report.checks);
    if !used.is_empty() {
        out.push(Record::new("limits that decided", used.join("; ")));
    }
    out
}

pub(super) fn limits_words(from: Option<&str>) -> String {
    from.map_or_else(|| "the defaults".to_owned(), str::to_owned)
}

/// Limits that values were held against, once each: `canal.past_first_bend_mm 6.00 mm`.
pub(super) fn limits_used(checks: &[CheckReport]) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for check in checks {
        if let (Some(key), Some(limit)) = (&check.limit_key, check.limit) {
            let unit = check.unit.as_deref().unwrap_or("");
            let says = format!("{key} = {}", number(limit.0, unit));
            if !out.contains(&says) {
                out.push(says);
            }
        }
    }
    out
}

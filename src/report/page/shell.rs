//! A made shell's page: the scan like glass, what was built on it, the cavity, and the shell with its
//! wall in colours; what was asked stands in the record.

use super::model::*;
use super::undercut::{maps_of, motion_of};
use super::vet::{
    answer_rows, box_spine, box_views, canal_lines, canal_spine, canal_views, file_name,
    limits_used, limits_words, marks,
};
use super::wall;
use crate::canal::Canal;
use crate::checks::shell::open_to_words;
use crate::checks::{Outcome, figure, number};
use crate::limits::{Limits, Setting, rows};
use crate::mesh::Mesh;
use crate::report::shell::{scan_alone, scan_breaks};
use crate::report::{MadeBoreReport, ShellReport, UseWord, shell_unasked, shown};
use crate::shell::Shell;
use crate::shell::wall::Wall;
use crate::undercut::Pulls;
use crate::units::Measured;

/// What was measured on a made shell, beside what its report tells.
#[derive(Debug, Clone, Copy, Default)]
pub struct OnShell<'a> {
    /// The wall of its printable mesh.
    pub wall: Option<&'a Wall>,
    /// How its outer surface is pulled.
    pub pulls: Option<&'a Pulls>,
    /// How far each point of its outer surface lies from the scan, mm.
    pub deviation_mm: Option<&'a [f64]>,
}

/// The page of a shell, from what was made of `scan`, what was measured on it, and what is reported
/// of it. The canal is that of the scan.
#[must_use]
pub fn shell_page(
    scan: &Mesh,
    shell: &Shell,
    measured: OnShell,
    canal: &Canal,
    limits: &Limits,
    report: &ShellReport,
) -> PageModel {
    let pulls = measured.pulls;
    let stock = limits.number(&rows::WALL_STOCK);
    let limit = wall::limit_of(&report.checks);
    let mut layers = layers(scan, shell, measured.wall, stock, limit.as_ref());
    let is_built_up = |l: &Layer| l.name == BUILT_UP;
    let built_up = layers.iter().position(is_built_up).unwrap_or_default();
    let deviation = measured.deviation_mm.map(deviation_map);
    layers[built_up].maps = deviation
        .into_iter()
        .chain(maps_of(pulls, limits))
        .collect();
    // The shell alone: an impression cut beside it would be taken for a wall.
    let of_shell = |i: &usize| layers[*i].name.starts_with("shell, ");
    let cut: Vec<usize> = (0..layers.len()).filter(of_shell).collect();
    PageModel {
        command: "shell",
        title: file_name(&report.input.path).to_owned(),
        order: report.order.clone(),
        side: canal.side,
        verdict: headline(report),
        cautions: std::iter::once(report.caution.clone())
            .chain(report.shell.notes.iter().map(|n| n.says.clone()))
            .collect(),
        figures: figures(report, stock),
        answers: answer_rows(&report.checks),
        lines: canal_lines(canal).into_iter().chain(bores(shell)).collect(),
        marks: marks(canal),
        spine: canal_spine(canal, cut.clone()).or_else(|| box_spine(scan, cut)),
        views: if canal.sections.is_empty() {
            box_views(scan)
        } else {
            canal_views(canal)
        },
        plots: plots(report, canal, stock, limit.map(|l| l.0)),
        motion: motion_of(built_up, pulls),
        records: records(report),
        layers,
    }
}

/// The outer surface before it is hollowed, which is what comes out of the ear.
const BUILT_UP: &str = "built up and trimmed";

/// How far it lies from the scan: what was built up, what was trimmed off.
fn deviation_map(values: &[f64]) -> ScalarMap {
    let mut outside: Vec<f64> = values.iter().copied().filter(|d| *d > 0.0).collect();
    outside.sort_by(f64::total_cmp);
    // Past a few scraps; what was trimmed off would take all of the scale.
    let most = outside
        .get(outside.len() * 99 / 100)
        .copied()
        .unwrap_or(0.0);
    let reach = (4.0 * most).ceil().max(1.0) / 4.0;
    ScalarMap {
        name: "deviation from the scan, outside +".to_owned(),
        values: values.to_vec(),
        range_mm: [-reach, reach],
        signed: true,
        limit: None,
        first: false,
    }
}

/// The shell first: tools work on the first.
fn layers(
    scan: &Mesh,
    shell: &Shell,
    wall: Option<&Wall>,
    stock: f64,
    limit: Option<&(f64, String)>,
) -> Vec<Layer> {
    let plain = |name: &str, role: Role, mesh: &Mesh, shown: bool, glass: bool| Layer {
        name: name.to_owned(),
        role,
        mesh: mesh.clone(),
        shown,
        glass,
        maps: Vec::new(),
    };
    let mut out = match wall {
        Some(wall) => wall::layers(&shell.solid, wall, stock, limit),
        None => vec![plain("shell", Role::Shell, &shell.solid, true, false)],
    };
    for layer in &mut out {
        layer.name = match layer.role {
            Role::Cavity => "shell, inside",
            _ => "shell, outside",
        }
        .to_owned();
    }
    out.push(plain("scan", Role::Scan, scan, true, true));
    out.push(plain(BUILT_UP, Role::Shell, &shell.outer, false, true));
    if let Some(cavity) = &shell.cavity {
        out.push(plain("cavity", Role::Cavity, cavity, false, false));
    }
    out
}

fn plots(report: &ShellReport, canal: &Canal, stock: f64, limit: Option<f64>) -> Vec<Plot> {
    let Some(wall) = &report.wall else {
        return Vec::new();
    };
    let mut out = wall::plots(wall, Some(canal), stock, limit);
    for plot in out.iter_mut().filter(|p| p.along_spine) {
        plot.note = "Of the scan, before anything was built on it.".to_owned();
    }
    out
}

fn bores(shell: &Shell) -> impl Iterator<Item = Line> {
    // Beyond the material there is nothing of a bore to be seen.
    let all = shell.bores.iter().map(|bore| Line {
        name: "bores".to_owned(),
        role: LineRole::Tube,
        points: bore.in_material(),
    });
    all.filter(|line| line.points.len() > 1)
}

fn figures(report: &ShellReport, stock: f64) -> Vec<KeyFigure> {
    let s = &report.shell;
    let mm = |x: f64| number(x, "mm");
    let volume = |f: &crate::report::Figure| figure(&f.measured(), "mm3");
    let open = match &s.canal_open_to_mm {
        Some(to) if to.0 < 0.0 => open_to_words(to.0),
        Some(to) => format!("{} from the aperture", mm(to.0)),
        None => "nowhere: it is solid".to_owned(),
    };
    let f = &s.faceplate;
    let lid = match &f.thickness_mm {
        Some(t) => format!("closed, {} thick", mm(t.0)),
        None => "open".to_owned(),
    };
    let mut out = vec![
        KeyFigure::new("cavity", volume(&s.cavity_volume_mm3)),
        KeyFigure::new("material", volume(&s.material_mm3)),
        KeyFigure::new("outside", volume(&s.outer_volume_mm3)),
        KeyFigure::new(
            "canal ends",
            format!("{} from the aperture", mm(s.canal_end_mm.0)),
        ),
        KeyFigure::new("canal open to", open),
        KeyFigure::new(
            "faceplate",
            format!("{} over the aperture, {lid}", mm(f.height_mm.0)),
        ),
    ];
    if let Some(rim) = &s.rim {
        let least = Measured::exact(rim.least_deg.0, rim.plus_minus_deg.0);
        let says = format!("{}, 90 is square", figure(&least, "deg"));
        out.push(KeyFigure::new("sharpest rim at the faceplate", says));
    }
    out.extend(s.bores.iter().map(bore));
    if let Some(wall) = &report.wall {
        // Bores stand above, as they were made.
        let told = wall::figures(wall, stock).into_iter();
        out.extend(told.filter(|f| f.label != "bore" && f.label != "passage"));
    }
    out
}

fn bore(bore: &MadeBoreReport) -> KeyFigure {
    let label = match bore.used_for {
        UseWord::Sound => "bore",
        UseWord::Vent => "vent",
        UseWord::VentOutside => "vent through the faceplate",
    };
    let more = [("web", &bore.web_mm), ("wall", &bore.wall_mm)];
    let more = more
        .iter()
        .filter_map(|(name, x)| Some(format!(", {name} {}", number(x.as_ref()?.0, "mm"))));
    let says = format!(
        "{} wide, {} long{}",
        number(bore.diameter_mm.0, "mm"),
        number(bore.length_mm.0, "mm"),
        more.collect::<String>()
    );
    KeyFigure::new(label, says)
}

fn records(report: &ShellReport) -> Vec<Record> {
    let none = || "none given".to_owned();
    let mut out = vec![
        Record::new("file", report.input.path.clone()),
        Record::new("SHA-256", report.input.sha256.clone()),
        Record::new("order", report.order.clone().unwrap_or_else(none)),
    ];
    match &report.plan_from {
        None => out.push(Record::new("plan", "the defaults and what was typed")),
        Some(used) => {
            out.push(Record::new("plan", shown(&used.path)));
            out.push(Record::new("SHA-256 of the plan", used.sha256.clone()));
        }
    }
    out.push(Record::new("asked", asked(report)));
    let limits = report.limits_from.as_ref().map(|used| used.path.as_str());
    out.push(Record::new("limits", limits_words(limits)));
    let made = format!("{} {}", report.tool.name, report.tool.version);
    out.push(Record::new("made by", made));
    let used = limits_used(&report.checks);
    if !used.is_empty() {
        out.push(Record::new("limits that decided", used.join("; ")));
    }
    out
}

/// The plan on one line, with the names of a plan file.
fn asked(report: &ShellReport) -> String {
    let plan = &report.plan;
    let mut all = vec![
        format!("facet_mm = {}", plan.facet_mm.0),
        format!("finishing_stock_mm = {}", plan.finishing_stock_mm.0),
    ];
    all.extend(plan.vent_mm.iter().map(|d| format!("vent_mm = {}", d.0)));
    for (table, settings) in &plan.tables {
        for (key, setting) in settings {
            let value = match setting {
                Setting::Number(x) => x.to_string(),
                Setting::Word(w) => w.clone(),
                other => format!("{other:?}"),
            };
            all.push(format!("{table}.{key} = {value}"));
        }
    }
    for (count, what) in [(plan.planes, "planes"), (plan.bores_given, "bores by ends")] {
        if count > 0 {
            all.push(format!("{count} {what}"));
        }
    }
    all.join("; ")
}

/// The answer in short; what it was not asked stands in the line below, which nothing cuts off.
fn headline(report: &ShellReport) -> Headline {
    let words = match report.outcome {
        Outcome::Holds => "made, nothing breaks",
        Outcome::Breaks if scan_alone(report) => "made, but the scan is unfit",
        Outcome::Breaks if scan_breaks(report) => "made, but scan and plan are unfit",
        Outcome::Breaks => "made, but mend the plan",
        Outcome::CannotTell => "made, not all can be told",
    };
    let mut out = wall::headline(report.outcome, &report.checks, words);
    out.because += shell_unasked(report).unwrap_or_default();
    out
}

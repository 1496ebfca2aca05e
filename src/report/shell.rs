//! The report of a shell made from an impression: its model, its text, its JSON.

use std::collections::BTreeMap;
use std::fmt::Write;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::checks::shell::{SCAN_UNFIT, SHELL_STUCK, ShellFacts, open_to_words, run_shell};
use crate::checks::wall::{run_wall, wall_outcome};
use crate::checks::{Answer, Outcome, Verdict, number};
use crate::limits::{Limits, Setting, rows};
use crate::read::Scan;
use crate::shell::{
    Bores, Caution, Cut, Facing, Lid, MadeBore, Material, Past, Plan, Rim, Shell, Use,
};
use crate::units::Measured;

use super::build::check_report;
use super::model::{direction, xyz};
use super::text::{faults, holding, labelled, outcome_style, para, shown};
use super::wall::{WallFigures, WallInput, figures, input, wall_lines};
use super::{CAUTION, CheckReport, Figure, Finite, ReportError, Tool, UndercutSummary, Xyz};

/// Name of the schema that [`ShellReport`] follows.
pub const SHELL_SCHEMA: &str = "secondbend.shell/1";

/// Middles of drawn facets stand off by this on average, mm: what volumes may be off by, for each
/// mm² of surface.
const DRAWN_MM: f64 = 0.003;

/// One shell's report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "secondbend shell report")]
pub struct ShellReport {
    /// Always `secondbend.shell/1`.
    pub schema: String,
    /// What made the report.
    pub tool: Tool,
    /// Always `shell`.
    pub command: String,
    /// The scan as read.
    pub input: WallInput,
    /// Order or serial number as it was typed; `null` if none was.
    pub order: Option<String>,
    /// The worst answer: `breaks` over `cannot_tell` over `holds`.
    pub outcome: Outcome,
    /// What was made.
    pub shell: ShellFigures,
    /// Its wall, measured on the printable mesh; `null` where none could be measured.
    pub wall: Option<WallFigures>,
    /// How its outer surface comes out of the ear; `null` where that cannot be told.
    pub undercut: Option<UndercutSummary>,
    /// Every check with its answer.
    pub checks: Vec<CheckReport>,
    /// What was asked, all of it.
    pub plan: PlanReport,
    /// The plan file; `null` if none was named.
    pub plan_from: Option<FileUsed>,
    /// All limits used, by table and key.
    pub limits: BTreeMap<String, BTreeMap<String, Setting>>,
    /// The limits file; `null` for the defaults.
    pub limits_from: Option<FileUsed>,
    /// What the report is not.
    pub caution: String,
}

/// A file that was used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct FileUsed {
    /// As it was named.
    pub path: String,
    /// SHA-256 of its bytes, lower-case hex.
    pub sha256: String,
}

/// The shell's own figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ShellFigures {
    /// Volume within the outer surface.
    pub outer_volume_mm3: Figure,
    /// Volume of the cavity, without bores.
    pub cavity_volume_mm3: Figure,
    /// Volume of material.
    pub material_mm3: Figure,
    /// Where the finished canal ends: arc position from the aperture.
    pub canal_end_mm: Finite,
    /// How far in the cavity reaches: arc position from the aperture; from there the canal is solid.
    pub canal_open_to_mm: Option<Finite>,
    /// The faceplate's plane.
    pub faceplate: FaceplateReport,
    /// How sharp the outer surface is where it meets that plane; `null` where it has no border there.
    pub rim: Option<RimReport>,
    /// Bores and vent.
    pub bores: Vec<MadeBoreReport>,
    /// Facets of the printable mesh.
    pub facets: usize,
    /// What is as it is for a reason that ought to be known.
    pub notes: Vec<NoteReport>,
}

/// The faceplate's plane as it lies.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FaceplateReport {
    /// A point of it.
    pub point_mm: Xyz,
    /// Unit normal, out of the ear.
    pub outward: Xyz,
    /// Height over the middle of the aperture, along the normal.
    pub height_mm: Finite,
    /// Area of the outer surface in it.
    pub area_mm2: Finite,
    /// Thickness of a closed faceplate; `null` where it is open.
    pub thickness_mm: Option<Finite>,
}

/// The rim where the outer surface meets the faceplate's plane.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RimReport {
    /// Least angle inside the material between plane and outer surface; 90 is square.
    pub least_deg: Finite,
    /// 95 % half width of that.
    pub plus_minus_deg: Finite,
    /// Where, in the plane.
    pub point_mm: Xyz,
    /// The limit `wall.rim_least_deg`.
    pub limit_deg: Finite,
    /// Length of the border whose angle is under the limit.
    pub under_mm: Finite,
    /// Length of the whole border.
    pub length_mm: Finite,
}

/// A bore as made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MadeBoreReport {
    /// `sound`, `vent` or `vent_outside` (the vent's hole through the faceplate).
    pub used_for: UseWord,
    /// Diameter.
    pub diameter_mm: Finite,
    /// Length through material.
    pub length_mm: Finite,
    /// It opens into the cavity.
    pub reaches_cavity: bool,
    /// It opens to the outside.
    pub comes_out: bool,
    /// Least material to the outside of the canal; `null` where that has no meaning.
    pub wall_mm: Option<Finite>,
    /// Least material to another bore; `null` where there is none.
    pub web_mm: Option<Finite>,
    /// Its middle line, from the cavity outward.
    pub line_mm: Vec<Xyz>,
}

/// What a bore is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum UseWord {
    Sound,
    Vent,
    VentOutside,
}

/// A note with its place, where it has one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NoteReport {
    /// What.
    pub says: String,
    /// Where.
    pub point_mm: Option<Xyz>,
}

/// The plan as used, with the names of a plan file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlanReport {
    /// Size of the facets drawn.
    pub facet_mm: Finite,
    /// What polishing takes off; added outside.
    pub finishing_stock_mm: Finite,
    /// Vent; `null` for none.
    pub vent_mm: Option<Finite>,
    /// By table and key.
    pub tables: BTreeMap<String, BTreeMap<String, Setting>>,
    /// Free planes: how many.
    pub planes: usize,
    /// Bores given by their ends: how many.
    pub bores_given: usize,
}

/// What a shell is planned and judged by, beside its plan and its limits.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ShellSources {
    /// Order or serial number.
    pub order: Option<String>,
    /// The plan file.
    pub plan: Option<FileUsed>,
    /// The limits file.
    pub limits: Option<FileUsed>,
    /// Look for the way out of the ear with turning, too.
    pub withdrawal: bool,
    /// Measure how far the outer surface lies from the scan, which pages and pictures alone show.
    pub deviation: bool,
}

/// Answers every check of the shell and its wall, and gathers the report.
#[must_use]
pub fn shell(
    scan: &Scan,
    facts: &ShellFacts,
    sources: &ShellSources,
    limits: &Limits,
) -> ShellReport {
    let own = run_shell(facts, limits)
        .into_iter()
        .map(|(c, a)| (c.id, c.asks, a));
    let of_wall = facts
        .wall
        .map(|wall| run_wall(wall, limits))
        .unwrap_or_default();
    let of_wall = of_wall.into_iter().map(|(c, a)| (c.id, c.asks, a));
    let answers: Vec<(&str, &str, Answer)> = own.chain(of_wall).collect();
    ShellReport {
        schema: SHELL_SCHEMA.to_owned(),
        tool: Tool {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        command: "shell".to_owned(),
        input: input(scan),
        order: sources.order.clone(),
        outcome: wall_outcome(answers.iter().map(|(_, _, answer)| answer)),
        shell: shell_figures(facts.shell, facts.plan, limits),
        wall: facts.wall.map(|wall| figures(wall, limits)),
        undercut: facts
            .pulls
            .and_then(Result::ok)
            .map(|pulls| super::undercut::summary(pulls, Some(facts.canal), limits)),
        checks: answers
            .into_iter()
            .map(|(id, asks, answer)| check_report(id, asks, answer))
            .collect(),
        plan: plan_report(facts.plan),
        plan_from: sources.plan.clone(),
        limits: limits.as_tables(),
        limits_from: sources.limits.clone(),
        caution: CAUTION.to_owned(),
    }
}

fn shell_figures(shell: &Shell, plan: &Plan, limits: &Limits) -> ShellFigures {
    let volume = |mm3: f64, area: f64| -> Figure { Measured::exact(mm3, area * DRAWN_MM).into() };
    let inner = shell
        .cavity
        .as_ref()
        .map_or(0.0, crate::mesh::Mesh::area_mm2);
    ShellFigures {
        outer_volume_mm3: volume(shell.outer_volume_mm3, shell.outer.area_mm2()),
        cavity_volume_mm3: volume(shell.cavity_volume_mm3, inner),
        material_mm3: volume(shell.material_mm3, shell.solid.area_mm2()),
        canal_end_mm: Finite(shell.canal_end_mm),
        canal_open_to_mm: shell.canal_open_to_mm.map(Finite),
        faceplate: FaceplateReport {
            point_mm: xyz(&shell.faceplate.point),
            outward: direction(&shell.faceplate.outward),
            height_mm: Finite(shell.faceplate_height_mm),
            area_mm2: Finite(shell.faceplate_area_mm2),
            thickness_mm: match plan.faceplate.lid {
                Lid::Open => None,
                Lid::Closed { thickness_mm } => Some(Finite(thickness_mm)),
            },
        },
        rim: rim_report(&shell.rim, limits.number(&rows::RIM_LEAST)),
        bores: (0..shell.bores.len())
            .map(|k| bore_report(&shell.bores, k))
            .collect(),
        facets: shell.solid.facets().len(),
        notes: shell.cautions.iter().map(note).collect(),
    }
}

fn rim_report(rim: &Rim, limit_deg: f64) -> Option<RimReport> {
    let sharpest = rim.sharpest()?;
    let angle = sharpest.angle();
    Some(RimReport {
        least_deg: Finite(angle.value),
        plus_minus_deg: Finite(angle.plus_minus),
        point_mm: xyz(&sharpest.point),
        limit_deg: Finite(limit_deg),
        under_mm: Finite(rim.under_mm(limit_deg)),
        length_mm: Finite(rim.length_mm()),
    })
}

fn bore_report(bores: &[MadeBore], k: usize) -> MadeBoreReport {
    let bore = &bores[k];
    let others = bores.iter().enumerate().filter(|(j, _)| *j != k);
    let web = others
        .map(|(_, other)| bore.web_to(other))
        .min_by(f64::total_cmp);
    MadeBoreReport {
        used_for: match bore.used_for {
            Use::Sound => UseWord::Sound,
            Use::Vent => UseWord::Vent,
            Use::VentOutside => UseWord::VentOutside,
        },
        diameter_mm: Finite(bore.diameter_mm),
        length_mm: Finite(bore.length_mm()),
        reaches_cavity: bore.reaches_cavity,
        comes_out: bore.comes_out,
        wall_mm: bore.wall_mm.map(Finite),
        web_mm: web.map(Finite),
        line_mm: bore.line.iter().map(xyz).collect(),
    }
}

fn note(caution: &Caution) -> NoteReport {
    let point_mm = match caution {
        Caution::RoughDrawing { point, .. } => point.as_ref().map(xyz),
        _ => None,
    };
    NoteReport {
        says: caution.words(),
        point_mm,
    }
}

impl PlanReport {
    /// What decides how much room a shell has, in a line.
    #[must_use]
    pub fn brief(&self) -> String {
        const TOLD: [(&str, &str, &str); 7] = [
            ("wall", "body_mm", "wall {} mm"),
            ("wall", "canal_mm", "in the canal {} mm"),
            ("cut", "past", "canal cut past {}"),
            ("cut", "by_mm", "by {} mm"),
            ("faceplate", "height_mm", "faceplate at {} mm"),
            ("faceplate", "raise_mm", "faceplate raised by {} mm"),
            ("faceplate", "lid", "{}"),
        ];
        let told = TOLD.iter().filter_map(|(table, key, says)| {
            let value = match self.tables.get(*table)?.get(*key)? {
                Setting::Number(x) => x.to_string(),
                Setting::Word(word) => word.clone(),
                _ => return None,
            };
            Some(says.replace("{}", &value))
        });
        told.collect::<Vec<_>>().join(", ")
    }
}

/// All of a plan, by table and key.
pub(crate) fn plan_report(plan: &Plan) -> PlanReport {
    let mut tables: BTreeMap<String, BTreeMap<String, Setting>> = BTreeMap::new();
    let mut put = |key: &str, value: Setting| {
        let (table, name) = key.split_once('.').unwrap_or(("", key));
        let table = tables.entry(table.to_owned()).or_default();
        table.insert(name.to_owned(), value);
    };
    let word = |w: &str| Setting::Word(w.to_owned());
    let past = match plan.cut {
        None => "none",
        Some(Cut { past, .. }) => match past {
            Past::Aperture => "aperture",
            Past::FirstBend => "first-bend",
            Past::SecondBend => "second-bend",
        },
    };
    put("cut.past", word(past));
    if let Some(cut) = plan.cut {
        put("cut.by_mm", Setting::Number(cut.by_mm));
        put("cut.round_mm", Setting::Number(cut.round_mm));
    }
    let f = &plan.faceplate;
    put(
        "faceplate.facing",
        match f.facing {
            Facing::Found => word("found"),
            Facing::Axis => word("axis"),
            Facing::Given(v) => Setting::Word(format!("[{}, {}, {}]", v.x, v.y, v.z)),
        },
    );
    if let Some(height) = f.height_mm {
        put("faceplate.height_mm", Setting::Number(height));
    }
    put("faceplate.raise_mm", Setting::Number(f.raise_mm));
    put("faceplate.tilt_up_deg", Setting::Number(f.tilt_up_deg));
    put(
        "faceplate.tilt_forward_deg",
        Setting::Number(f.tilt_forward_deg),
    );
    match f.lid {
        Lid::Open => put("faceplate.lid", word("open")),
        Lid::Closed { thickness_mm } => {
            put("faceplate.lid", word("closed"));
            put("faceplate.thickness_mm", Setting::Number(thickness_mm));
        }
    }
    for (key, by) in plan.build_up.named() {
        put(key, Setting::Number(by));
    }
    let w = &plan.walls;
    put("wall.body_mm", Setting::Number(w.body_mm));
    put("wall.canal_mm", Setting::Number(w.canal_mm));
    put(
        "wall.canal",
        word(if w.canal == Material::Soft {
            "soft"
        } else {
            "hard"
        }),
    );
    put("wall.joint_at_mm", Setting::Number(w.joint_at_mm));
    put("wall.solid_tip_mm", Setting::Number(w.solid_tip_mm));
    put("bores.web_mm", Setting::Number(plan.web_mm));
    put("bores.wall_mm", Setting::Number(plan.bore_wall_mm));
    let mut bores_given = 0;
    match &plan.bores {
        Bores::Count { count, diameter_mm } => {
            put("bores.count", Setting::Number(*count as f64));
            put("bores.diameter_mm", Setting::Number(*diameter_mm));
        }
        Bores::Given(bores) => bores_given = bores.len(),
    }
    PlanReport {
        facet_mm: Finite(plan.facet_mm),
        finishing_stock_mm: Finite(plan.finishing_stock_mm),
        vent_mm: plan.vent_mm.map(Finite),
        tables,
        planes: plan.planes.len(),
        bores_given,
    }
}

/// The report as a JSON document with a newline at its end.
///
/// # Errors
/// [`ReportError`] when a figure is not finite.
pub fn shell_json(report: &ShellReport) -> Result<String, ReportError> {
    super::document(report)
}

/// What a good answer was not asked: the way out of the ear takes long and is looked for only where asked.
/// `None` where it is not in doubt, or where the answer is not good.
#[must_use]
pub fn shell_unasked(report: &ShellReport) -> Option<&'static str> {
    let in_doubt = |c: &CheckReport| {
        c.id == SHELL_STUCK && c.outcome == Outcome::CannotTell && c.weighs == Verdict::Design
    };
    let good = report.outcome == Outcome::Holds;
    (good && report.checks.iter().any(in_doubt))
        .then_some("; the way out of the ear was not looked for")
}

/// Does nothing break but that the scan is not to be designed on? Then no plan mends it.
pub fn scan_alone(report: &ShellReport) -> bool {
    let breaks = |c: &&CheckReport| c.outcome == Outcome::Breaks && c.weighs != Verdict::Design;
    report
        .checks
        .iter()
        .filter(breaks)
        .all(|c| c.id == SCAN_UNFIT)
}

/// Is the scan at fault?
pub fn scan_breaks(report: &ShellReport) -> bool {
    let at_fault = |c: &CheckReport| c.id == SCAN_UNFIT && c.outcome == Outcome::Breaks;
    report.checks.iter().any(at_fault)
}

/// The report as text, 80 columns, with colour.
#[must_use]
pub fn shell_text(report: &ShellReport) -> String {
    let mut out = String::new();
    let style = outcome_style(report.outcome).bold();
    let verdict = match report.outcome {
        Outcome::Holds => "made, nothing breaks",
        Outcome::Breaks if scan_alone(report) => "made, but the scan is unfit",
        Outcome::Breaks if scan_breaks(report) => "made, but the scan is unfit, and so is the plan",
        Outcome::Breaks => "made, but mend the plan before printing",
        Outcome::CannotTell => "made, but not everything can be told",
    };
    let unasked = shell_unasked(report).unwrap_or_default();
    let _ = writeln!(
        out,
        "{style}{verdict}{unasked}{style:#}: {}",
        shown(&report.input.path)
    );
    if let Some(order) = &report.order {
        let _ = writeln!(out, "order {}", shown(order));
    }
    faults(&mut out, report.checks.iter(), |check| match check.weighs {
        Verdict::Design => " (does not hold the answer back)".to_owned(),
        _ => String::new(),
    });
    holding(&mut out, &report.checks);
    out.push('\n');
    shell_lines(&mut out, &report.shell);
    if let Some(wall) = &report.wall {
        wall_lines(&mut out, wall);
    }
    let i = &report.input;
    let file = format!(
        "{}: {} facets, sha256 {}",
        shown(&i.path),
        i.facets,
        i.sha256
    );
    labelled(&mut out, "file", &file);
    for note in &i.notes {
        para(&mut out, &format!("- {}", shown(note)));
    }
    for (label, used) in [("plan", &report.plan_from), ("limits", &report.limits_from)] {
        let says = match used {
            None => "defaults and what was typed".to_owned(),
            Some(used) => format!("{}, sha256 {}", shown(&used.path), used.sha256),
        };
        let says = if label == "limits" && used.is_none() {
            "defaults".to_owned()
        } else {
            says
        };
        labelled(&mut out, label, &says);
    }
    let made = format!("{} {}", report.tool.name, report.tool.version);
    labelled(&mut out, "made by", &made);
    labelled(&mut out, "caution", &report.caution);
    out
}

/// The rim in words.
fn rim_words(rim: &RimReport) -> String {
    let least = Measured::exact(rim.least_deg.0, rim.plus_minus_deg.0);
    let least = crate::checks::figure(&least, "deg");
    let mut says =
        format!("the outer surface meets it at {least} where that is sharpest (90 is square)");
    if rim.under_mm.0 > 0.0 {
        let _ = write!(
            says,
            ", at less than {} over {} of the rim's {}",
            number(rim.limit_deg.0, "deg"),
            number(rim.under_mm.0, "mm"),
            number(rim.length_mm.0, "mm")
        );
    }
    says
}

fn shell_lines(out: &mut String, shell: &ShellFigures) {
    let volume = |f: &Figure| crate::checks::figure(&f.measured(), "mm3");
    let says = format!(
        "cavity {}, material {}, outside {}",
        volume(&shell.cavity_volume_mm3),
        volume(&shell.material_mm3),
        volume(&shell.outer_volume_mm3)
    );
    labelled(out, "shell", &says);
    let mm = |x: &Finite| number(x.0, "mm");
    let open = match &shell.canal_open_to_mm {
        Some(to) if to.0 < 0.0 => open_to_words(to.0),
        Some(to) => format!("open to {}", mm(to)),
        None => "solid".to_owned(),
    };
    para(
        out,
        &format!(
            "canal ends {} from the aperture, {open}",
            mm(&shell.canal_end_mm)
        ),
    );
    let f = &shell.faceplate;
    let lid = match &f.thickness_mm {
        Some(t) => format!("closed, {} thick", mm(t)),
        None => "open".to_owned(),
    };
    let says = format!(
        "faceplate {} over the aperture, {lid}; {} of its plane lie within the outer surface (rim and \
         opening together)",
        mm(&f.height_mm),
        number(f.area_mm2.0, "mm2")
    );
    para(out, &says);
    if let Some(rim) = &shell.rim {
        para(out, &rim_words(rim));
    }
    for (k, bore) in shell.bores.iter().enumerate() {
        let what = match bore.used_for {
            UseWord::Sound => "bore",
            UseWord::Vent => "vent",
            UseWord::VentOutside => "vent through the faceplate",
        };
        let mut says = format!(
            "{what} {}: {} wide, {} long",
            k + 1,
            mm(&bore.diameter_mm),
            mm(&bore.length_mm)
        );
        if let Some(web) = &bore.web_mm {
            let _ = write!(says, ", web {}", mm(web));
        }
        if let Some(wall) = &bore.wall_mm {
            let _ = write!(says, ", wall {}", mm(wall));
        }
        para(out, &says);
    }
    for note in &shell.notes {
        para(out, &format!("- {}", note.says));
    }
}

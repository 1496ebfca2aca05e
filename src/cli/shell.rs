//! `secondbend shell`: an impression in, a shell out (printable mesh, outer surface, cavity), with
//! its wall measured on what was made. What was typed is laid over the plan file, and that over
//! the defaults.

use std::path::{Path, PathBuf};

use crate::canal::{self, Canal};
use crate::checks::shell::{MeshFaults, ScanSays, ShellFacts};
use crate::checks::wall::WallFacts;
use crate::checks::{Facts, Outcome};
use crate::intake::named_side;
use crate::limits::{Limits, Setting, rows};
use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};
use crate::read::{ReadOptions, Scan, read_file, sha256, why_unread};
use crate::report::page::{OnShell, PageModel, shell_page};
use crate::report::{self, FileUsed, ShellReport, ShellSources, shown};
use crate::shell::wall::{GivenBore, Wall, WallOptions, wall};
use crate::shell::{
    Bores, BuildUp, Cut, Facing, Impression, Lid, MadeBore, Material, Past, Plan, Plane, Shell,
    build_beside, deviation_mm, read_plan,
};
use crate::soundness::{self, crossing_pairs_drawn};
use crate::undercut::{self, Asked, CannotTell, PullSettings, Pulls};
use crate::write::{ply, stl, threemf};

use super::args::{Facing as FacingWord, LidWord, MaterialWord, PastWord, Shape, Shell as Args};
use super::vet::{deliver, is_stdout, looks, refuse_outputs};
use super::{Ending, Failure, drawable, print, threads, written};

/// Points this near the plane of an open faceplate are its rim, mm: points are drawn onto it within
/// 0.005.
const RIM_MM: f64 = 0.01;

/// A shell with its measured wall and its report: the whole of `shell`, in one call.
pub struct Made {
    /// The shell.
    pub shell: Shell,
    /// The wall of its printable mesh; `None` where none could be measured (it is solid).
    pub wall: Option<Wall>,
    /// The canal of the scan.
    pub canal: Canal,
    /// How its outer surface is pulled, where that can be told.
    pub pulls: Option<Pulls>,
    /// How far each point of its outer surface lies from the scan, mm, where that was asked for.
    pub deviation_mm: Option<Vec<f64>>,
    /// What is told of it.
    pub report: ShellReport,
}

impl Made {
    /// What a page or a picture of it shows. `scan` and `limits` are those it was made with.
    #[must_use]
    pub fn page(&self, scan: &Scan, limits: &Limits) -> PageModel {
        shell_page(
            &scan.mesh,
            &self.shell,
            OnShell {
                wall: self.wall.as_ref(),
                pulls: self.pulls.as_ref(),
                deviation_mm: self.deviation_mm.as_deref(),
            },
            &self.canal,
            limits,
            &self.report,
        )
    }
}

/// Makes a shell of a scan, measures its wall and answers every check.
///
/// # Errors
/// [`Failure`] where the unit or the canal is not known, or the plan cannot be carried out.
pub fn shell_of(
    scan: &Scan,
    plan: &Plan,
    sources: &ShellSources,
    limits: &Limits,
) -> Result<Made, Failure> {
    let name = shown(&scan.path.to_string_lossy());
    if scan.unit.is_none() {
        return Err(Failure::new(
            format!("{name}: the unit of length is unknown, so nothing can be made to measure"),
            "say it with `--unit`",
        ));
    }
    let (topology, queries) = rayon::join(
        || Topology::new(&scan.mesh),
        || MeshQueries::new(&scan.mesh),
    );
    let first = soundness::inspect(&scan.mesh, &topology, &queries);
    let (sound, found) = canal::with_its_piece(&scan.mesh, &topology, &queries, first);
    let vetted = ScanSays::of(
        &Facts::new(scan, &sound, &found, None).with_named(named_side(&scan.path)),
        limits,
    );
    let canal = found.map_err(|why| {
        Failure::new(
            format!("{name}: cannot tell: no canal was measured: {why}"),
            "see what `secondbend vet` says of the scan",
        )
    })?;
    drop(queries);
    let impression = Impression {
        mesh: &scan.mesh,
        topology: &topology,
        soundness: &sound,
        canal: &canal,
    };
    let pulled =
        |outer: &Mesh, plate: &Plane| pulls(outer, plate, &canal, plan, sources.withdrawal, limits);
    let made = build_beside(&impression, plan, pulled)
        .map_err(|e| Failure::new(format!("{name}: cannot tell or make: {e}"), e.help()))?;
    let deviation_mm = sources
        .deviation
        .then(|| deviation_mm(&impression, &made.0.outer));
    Ok(Made {
        deviation_mm,
        ..judged(scan, made, plan, canal, vetted, sources, limits)
    })
}

/// Measures the wall of what was made, and answers every check.
fn judged(
    scan: &Scan,
    (shell, pulls): (Shell, Result<Pulls, CannotTell>),
    plan: &Plan,
    canal: Canal,
    vetted: ScanSays,
    sources: &ShellSources,
    limits: &Limits,
) -> Made {
    let mut limits = limits.clone();
    if plan.walls.canal == Material::Soft {
        // A word that the row lists.
        let _ = limits.put(&rows::CANAL_MATERIAL, Setting::Word("soft".to_owned()));
    }
    let topology = Topology::new(&shell.solid);
    let options = WallOptions {
        opposite: false,
        bores: given(&shell.bores),
        ..WallOptions::default()
    };
    let (measured, crossing) = rayon::join(
        || wall(&shell.solid, &topology, &options).ok(),
        || crossing_pairs_drawn(&shell.solid),
    );
    let mut measured = measured;
    if let (Some(wall), Lid::Open) = (&mut measured, plan.faceplate.lid) {
        let plate = shell.faceplate;
        wall.leave_out(&shell.solid, |p| plate.height(p).abs() < RIM_MM);
    }
    let facts = measured.as_ref().map(|w| {
        let facts = WallFacts::new(&shell.solid, w, Some(&canal));
        facts
            .with_joint(plan.walls.joint_at_mm)
            .with_rim(shell.faceplate, &shell.rim)
            .with_scan_faults(vetted.faults.clone())
    });
    let bodies = measured.as_ref().map_or_else(
        || topology.parts(&shell.solid).1,
        |w| w.sheets.iter().filter(|s| s.depth % 2 == 0).count(),
    );
    let told = ShellFacts {
        shell: &shell,
        plan,
        canal: &canal,
        wall: facts.as_ref(),
        mesh: MeshFaults {
            open_edges: topology.open_edges,
            fin_edges: topology.fins.len(),
            flipped_edges: topology.flipped_edges,
            crossing_pairs: crossing,
            bodies,
        },
        scan: Some(vetted),
        pulls: Some(pulls.as_ref()),
    };
    let report = report::shell(scan, &told, sources, &limits);
    drop(facts);
    Made {
        shell,
        wall: measured,
        canal,
        pulls: pulls.ok(),
        deviation_mm: None,
        report,
    }
}

/// How the outer surface is pulled, with tissue up to the faceplate.
fn pulls(
    outer: &Mesh,
    plate: &Plane,
    canal: &Canal,
    plan: &Plan,
    withdrawal: bool,
    limits: &Limits,
) -> Result<Pulls, CannotTell> {
    let region_of = |p: &Point| canal::region_of(canal, p).0;
    let measure = if withdrawal {
        undercut::fine
    } else {
        undercut::quick
    };
    let asked = Asked {
        outward: -canal.aperture.normal,
        pull: None,
        base: None,
        face: Some(plate.outward),
        part: None,
        region_of: &region_of,
        relief: false,
        settings: PullSettings {
            limit_mm: limits.number(&rows::UNDERCUT),
            edge_mm: plan.facet_mm,
            ..PullSettings::default()
        },
    };
    measure(outer, &Topology::new(outer), &asked)
}

/// The bores as the wall's measure takes them, where all are straight; bent ones it finds itself.
fn given(bores: &[MadeBore]) -> Vec<GivenBore> {
    let straight = |b: &MadeBore| {
        let (from, to) = (b.place(b.material_mm.0), b.place(b.material_mm.1));
        let middle = b.place((b.material_mm.0 + b.material_mm.1) / 2.0);
        let off = (middle - nalgebra::center(&from, &to)).norm();
        (off < 0.05 * b.diameter_mm).then_some(GivenBore {
            from,
            to,
            diameter_mm: b.diameter_mm,
        })
    };
    let all: Option<Vec<GivenBore>> = bores.iter().map(straight).collect();
    all.unwrap_or_default()
}

pub(super) fn run(args: &Args) -> Result<Ending, Failure> {
    refuse_clashes(args)?;
    let limits = args
        .limits
        .as_deref()
        .map_or_else(|| Ok(Limits::default()), Limits::read)?;
    let mut plan = plan_of(&args.shape, &limits)?;
    lay_bores(args, &mut plan)?;
    plan.check()
        .map_err(|e| Failure::new(e.to_string(), "mend that option"))?;
    let used = |path: &Option<PathBuf>| path.as_deref().map(file_used).transpose();
    let sources = ShellSources {
        order: args.order.clone(),
        plan: used(&args.shape.plan)?,
        limits: used(&args.limits)?,
        withdrawal: args.withdrawal,
        deviation: args.page.is_some() || args.picture.is_some(),
    };
    let options = ReadOptions {
        unit: args.unit.map(Into::into),
        ..ReadOptions::default()
    };
    let pool = threads(args.jobs)?;
    let made = pool.install(|| {
        let scan = read_file(&args.scan, &options)?;
        let made = shell_of(&scan, &plan, &sources, &limits)?;
        write(args, &made)?;
        if args.page.is_some() || args.picture.is_some() {
            let (page, picture) = (args.page.as_deref(), args.picture.as_deref());
            looks(&made.page(&scan, &limits), page, picture)?;
        }
        Ok::<_, Failure>(made)
    })?;
    let to_output = args.json.as_deref().is_some_and(is_stdout);
    if let Some(path) = &args.json {
        deliver(path, &report::shell_json(&made.report)?)?;
    }
    if !args.quiet && !to_output {
        print(&report::shell_text(&made.report))?;
        print(&written(args.out.as_deref()))?;
    }
    Ok(match made.report.outcome {
        Outcome::Holds => Ending::AllHold,
        Outcome::Breaks => Ending::SomethingBreaks,
        Outcome::CannotTell => Ending::CannotTell,
    })
}

fn write(args: &Args, made: &Made) -> Result<(), Failure> {
    let shell = &made.shell;
    if args.cavity_out.is_some() && shell.cavity.is_none() {
        return Err(Failure::new(
            "there is no cavity to write: the walls leave no room",
            "make the wall thinner, or raise the faceplate",
        ));
    }
    let meshes = [
        (&args.out, Some(&shell.solid), "shell"),
        (&args.outer_out, Some(&shell.outer), "outer surface"),
        (&args.cavity_out, shell.cavity.as_ref(), "cavity"),
    ];
    for (path, mesh, name) in meshes {
        if let (Some(path), Some(mesh)) = (path, mesh) {
            write_mesh(path, mesh, name)?;
        }
    }
    if let (Some(path), Some(wall)) = (&args.map, &made.wall) {
        let (ball, ray) = (drawable(&wall.wall_mm), drawable(&wall.ray_mm));
        ply(path, &shell.solid, &[("wall_mm", &ball), ("ray_mm", &ray)])?;
    }
    Ok(())
}

/// The form of a mesh file, by its ending.
pub(super) fn form(path: &Path) -> Result<&'static str, Failure> {
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    match ending.as_deref() {
        Some("stl") => Ok("stl"),
        Some("ply") => Ok("ply"),
        Some("3mf") => Ok("3mf"),
        _ => Err(Failure::new(
            format!("{}: no mesh can be written in that form", path.display()),
            "end the name with .stl, .ply or .3mf",
        )),
    }
}

pub(super) fn write_mesh(path: &Path, mesh: &Mesh, name: &str) -> Result<(), Failure> {
    match form(path)? {
        "stl" => stl(path, mesh)?,
        "ply" => ply(path, mesh, &[])?,
        _ => threemf(path, &[(name, mesh)])?,
    }
    Ok(())
}

fn refuse_clashes(args: &Args) -> Result<(), Failure> {
    let inputs: Vec<&PathBuf> = std::iter::once(&args.scan)
        .chain(&args.shape.plan)
        .chain(&args.limits)
        .collect();
    let meshes = args.out.iter().chain(&args.outer_out);
    for path in meshes.chain(&args.cavity_out) {
        form(path)?;
    }
    if let Some(path) = args.map.as_ref().filter(|p| form(p).ok() != Some("ply")) {
        return Err(Failure::new(
            format!("{}: the map is a PLY mesh", path.display()),
            "let its name end in .ply",
        ));
    }
    refuse_outputs(
        &[
            ("--out", args.out.as_deref()),
            ("--outer-out", args.outer_out.as_deref()),
            ("--cavity-out", args.cavity_out.as_deref()),
            ("--json", args.json.as_deref()),
            ("--map", args.map.as_deref()),
            ("--page", args.page.as_deref()),
            ("--picture", args.picture.as_deref()),
        ],
        &inputs,
    )
}

pub(super) fn file_used(path: &Path) -> Result<FileUsed, Failure> {
    let bytes = std::fs::read(path).map_err(|e| {
        Failure::new(
            format!("{}: {}", path.display(), why_unread(&e)),
            "see that it is there and may be read",
        )
    })?;
    Ok(FileUsed {
        path: path.to_string_lossy().into_owned(),
        sha256: sha256(&bytes),
    })
}

/// The plan that was typed, bores apart: the options over the plan file over the defaults.
pub(super) fn plan_of(shape: &Shape, limits: &Limits) -> Result<Plan, Failure> {
    let base = Plan {
        web_mm: limits.number(&rows::BORE_WEB),
        bore_wall_mm: limits.number(&rows::BORE_WALL),
        finishing_stock_mm: limits.number(&rows::WALL_STOCK),
        ..Plan::default()
    };
    let mut plan = match &shape.plan {
        None => base,
        Some(path) => read_plan(path, base).map_err(|e| Failure::new(e.to_string(), e.help()))?,
    };
    lay_cut(shape, &mut plan);
    lay_faceplate(shape, &mut plan);
    lay_amounts(shape, &mut plan);
    Ok(plan)
}

fn lay_cut(args: &Shape, plan: &mut Plan) {
    let usual = plan.cut.or(Plan::default().cut);
    if args.cut_past == Some(PastWord::None) {
        plan.cut = None;
        return;
    }
    if args.cut_past.is_none() && args.cut.is_none() && args.cut_round.is_none() {
        return;
    }
    plan.cut = usual.map(|c| Cut {
        past: match args.cut_past {
            Some(PastWord::Aperture) => Past::Aperture,
            Some(PastWord::FirstBend) => Past::FirstBend,
            Some(PastWord::SecondBend) => Past::SecondBend,
            _ => c.past,
        },
        by_mm: args.cut.unwrap_or(c.by_mm),
        round_mm: args.cut_round.unwrap_or(c.round_mm),
    });
}

fn lay_faceplate(args: &Shape, plan: &mut Plan) {
    let f = &mut plan.faceplate;
    f.height_mm = args.faceplate_height.or(f.height_mm);
    f.raise_mm = args.faceplate_raise.unwrap_or(f.raise_mm);
    f.tilt_up_deg = args.tilt_up.unwrap_or(f.tilt_up_deg);
    f.tilt_forward_deg = args.tilt_forward.unwrap_or(f.tilt_forward_deg);
    match &args.faceplate_facing {
        None => {}
        Some(FacingWord::Found) => f.facing = Facing::Found,
        Some(FacingWord::Axis) => f.facing = Facing::Axis,
        Some(FacingWord::Given([x, y, z])) => f.facing = Facing::Given(Vector::new(*x, *y, *z)),
    }
    let usual = match f.lid {
        Lid::Closed { thickness_mm } => thickness_mm,
        Lid::Open => crate::shell::LID_MM,
    };
    f.lid = match (args.faceplate, args.faceplate_thickness) {
        (Some(LidWord::Open), _) => Lid::Open,
        (None, None) => f.lid,
        (_, thickness) => Lid::Closed {
            thickness_mm: thickness.unwrap_or(usual),
        },
    };
}

fn lay_amounts(args: &Shape, plan: &mut Plan) {
    if let Some(by) = args.build_up {
        plan.build_up = BuildUp::even(by);
    }
    if let Some(by) = args.seal_zone {
        plan.build_up.seal_zone_mm = by;
    }
    let w = &mut plan.walls;
    // One wall typed alone is meant for all of it.
    w.body_mm = args.wall.unwrap_or(w.body_mm);
    w.canal_mm = args.canal_wall.or(args.wall).unwrap_or(w.canal_mm);
    w.joint_at_mm = args.joint.unwrap_or(w.joint_at_mm);
    w.solid_tip_mm = args.solid_tip.unwrap_or(w.solid_tip_mm);
    w.canal = match args.canal {
        Some(MaterialWord::Hard) => Material::Hard,
        Some(MaterialWord::Soft) => Material::Soft,
        None => w.canal,
    };
    plan.finishing_stock_mm = args.stock.unwrap_or(plan.finishing_stock_mm);
    plan.facet_mm = args.facet.unwrap_or(plan.facet_mm);
}

fn lay_bores(args: &Args, plan: &mut Plan) -> Result<(), Failure> {
    plan.vent_mm = args.vent.or(plan.vent_mm);
    if args.bores.is_none() && args.bore.is_none() {
        return Ok(());
    }
    let (count, diameter_mm) = match plan.bores {
        Bores::Count { count, diameter_mm } => (count, diameter_mm),
        Bores::Given(_) => {
            return Err(Failure::new(
                "the plan file gives the bores by their ends, and --bores or --bore was typed too",
                "keep one of the two",
            ));
        }
    };
    plan.bores = Bores::Count {
        // A diameter typed alone asks for one bore.
        count: args.bores.map_or(count.max(1), usize::from),
        diameter_mm: args.bore.unwrap_or(diameter_mm),
    };
    Ok(())
}

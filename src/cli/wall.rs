//! `secondbend wall`: a finished shell in (one file, or outer and inner surface in two), its wall
//! out as text, JSON, and a map that any mesh viewer colours.

use std::path::{Path, PathBuf};

use crate::canal::{self, Canal};
use crate::checks::Outcome;
use crate::checks::wall::WallFacts;
use crate::limits::Limits;
use crate::mesh::{Mesh, MeshQueries, Topology};
use crate::read::{ReadOptions, Scan, read_file};
use crate::report::{self, WallReport, shown};
use crate::shell::wall::{NoWall, Surface, Wall, WallOptions, joined, wall};
use crate::soundness;
use crate::write::{ply, refuse_inputs};

use super::args::Wall as Args;
use super::vet::{deliver, is_stdout};
use super::{Ending, Failure, print};

/// A measured shell with its report: the whole of `wall`, in one call.
pub struct Measured {
    /// The mesh that was measured: both surfaces where two were given.
    pub mesh: Mesh,
    /// Its wall.
    pub wall: Wall,
    /// What is told of it.
    pub report: WallReport,
}

/// Measures the wall of a shell and answers every check.
///
/// # Errors
/// [`NoWall`] where there is no surface, or nothing lies opposite anything.
pub fn wall_of(
    outer: &Scan,
    inner: Option<&Scan>,
    order: Option<&str>,
    limits: &Limits,
) -> Result<Measured, NoWall> {
    let (mesh, inner_from_facet) = match inner {
        None => (outer.mesh.clone(), None),
        Some(inner) => {
            let (mesh, from) = joined(&outer.mesh, &inner.mesh);
            (mesh, Some(from))
        }
    };
    let options = WallOptions {
        inner_from_facet,
        ..WallOptions::default()
    };
    let measured = wall(&mesh, &Topology::new(&mesh), &options)?;
    let canal = canal_of(&mesh, &measured);
    let facts = WallFacts::new(&mesh, &measured, canal.as_ref());
    let scans: Vec<&Scan> = std::iter::once(outer).chain(inner).collect();
    let report = report::wall(&scans, &facts, order, limits);
    drop(facts);
    Ok(Measured {
        mesh,
        wall: measured,
        report,
    })
}

/// The canal of the outer surface alone, for telling places; a shell without a canal that can be
/// told is measured all the same.
fn canal_of(mesh: &Mesh, wall: &Wall) -> Option<Canal> {
    let mut renumbered = vec![u32::MAX; mesh.points().len()];
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for corners in mesh.facets() {
        if corners
            .iter()
            .any(|&p| wall.surface[p as usize] == Surface::Inner)
        {
            continue;
        }
        facets.push(corners.map(|p| {
            let new = &mut renumbered[p as usize];
            if *new == u32::MAX {
                *new = points.len() as u32;
                points.push(mesh.points()[p as usize]);
            }
            *new
        }));
    }
    let outer = Mesh::new(points, facets).ok()?;
    let topology = Topology::new(&outer);
    let queries = MeshQueries::new(&outer);
    let sound = soundness::inspect(&outer, &topology, &queries);
    canal::measure(&outer, &topology, &queries, &sound).ok()
}

pub(super) fn run(args: &Args) -> Result<Ending, Failure> {
    refuse_clashes(args)?;
    let limits = args
        .limits
        .as_deref()
        .map_or_else(|| Ok(Limits::default()), Limits::read)?;
    let options = ReadOptions {
        unit: args.unit.map(Into::into),
        ..ReadOptions::default()
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(args.jobs.map_or(0, usize::from))
        .build()
        .map_err(|e| Failure::new(format!("no threads can be started: {e}"), "try `--jobs 1`"))?;
    let measured = pool.install(|| {
        let outer = read(&args.mesh, &options)?;
        let inner = args.inner.as_deref().map(|path| read(path, &options));
        let inner = inner.transpose()?;
        let name = shown(&args.mesh.to_string_lossy());
        wall_of(&outer, inner.as_ref(), args.order.as_deref(), &limits)
            .map_err(|e| Failure::new(format!("{name}: {e}"), e.help()))
    })?;
    if let Some(path) = &args.map {
        write_map(path, &measured)?;
    }
    let to_output = args.json.as_deref().is_some_and(is_stdout);
    if let Some(path) = &args.json {
        deliver(path, &report::wall_json(&measured.report)?)?;
    }
    if !args.quiet && !to_output {
        print(&report::wall_text(&measured.report))?;
    }
    Ok(match measured.report.outcome {
        Outcome::Holds => Ending::AllHold,
        Outcome::Breaks => Ending::SomethingBreaks,
        Outcome::CannotTell => Ending::CannotTell,
    })
}

fn read(path: &Path, options: &ReadOptions) -> Result<Scan, Failure> {
    let scan = read_file(path, options)?;
    if scan.unit.is_none() {
        return Err(Failure::new(
            format!(
                "{}: the unit of length is unknown, so no wall can be held against a limit",
                shown(&path.to_string_lossy())
            ),
            "say it with `--unit`",
        ));
    }
    Ok(scan)
}

fn refuse_clashes(args: &Args) -> Result<(), Failure> {
    let inputs: Vec<&PathBuf> = std::iter::once(&args.mesh)
        .chain(&args.inner)
        .chain(&args.limits)
        .collect();
    for output in args.json.iter().chain(&args.map) {
        if !is_stdout(output) {
            refuse_inputs(output, &inputs)?;
        }
    }
    if args.json.is_some() && args.json == args.map {
        return Err(Failure::new(
            "--json and --map name the same file",
            "give each its own",
        ));
    }
    Ok(())
}

/// Viewers do not colour NaN, so points without a reading get −1, which no wall has.
fn write_map(path: &Path, measured: &Measured) -> Result<(), Failure> {
    let plain = |v: &[f64]| -> Vec<f64> {
        v.iter()
            .map(|&x| if x.is_finite() { x } else { -1.0 })
            .collect()
    };
    let wall = &measured.wall;
    let (ball, ray, opposite) = (
        plain(&wall.wall_mm),
        plain(&wall.ray_mm),
        plain(&wall.opposite_mm),
    );
    let figures: [(&str, &[f64]); 3] = [
        ("wall_mm", &ball),
        ("ray_mm", &ray),
        ("opposite_mm", &opposite),
    ];
    Ok(ply(path, &measured.mesh, &figures)?)
}

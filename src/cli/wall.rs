//! `secondbend wall`: a finished shell in (one file, or outer and inner surface in two), its wall
//! out as text, JSON, and a map that any mesh viewer colours.

use std::path::{Path, PathBuf};

use crate::canal::{self, Canal};
use crate::checks::Outcome;
use crate::checks::wall::WallFacts;
use crate::limits::Limits;
use crate::mesh::{Mesh, MeshQueries, Topology};
use crate::read::{ReadOptions, Scan, read_file};
use crate::report::page::{PageModel, wall_page};
use crate::report::{self, WallReport, shown};
use crate::shell::wall::{NoWall, Surface, Wall, WallOptions, joined, wall_beside};
use crate::soundness;
use crate::write::ply;

use super::args::Wall as Args;
use super::vet::{deliver, is_stdout, looks, refuse_outputs};
use super::{Ending, Failure, drawable, print, threads};

/// A measured shell with its report: the whole of `wall`, in one call.
pub struct Measured {
    /// The mesh that was measured: both surfaces where two were given.
    pub mesh: Mesh,
    /// Its wall.
    pub wall: Wall,
    /// The canal of its outer surface, where one was told.
    pub canal: Option<Canal>,
    /// What is told of it.
    pub report: WallReport,
}

impl Measured {
    /// What a page or a picture of it shows.
    #[must_use]
    pub fn page(&self, limits: &Limits) -> PageModel {
        wall_page(
            &self.mesh,
            &self.wall,
            self.canal.as_ref(),
            limits,
            &self.report,
        )
    }
}

/// Measures the wall of a shell and answers every check. `opposite`: the nearest opposite wall too, a
/// fifth of the work, which only maps and pages show.
///
/// # Errors
/// [`NoWall`] where there is no surface, or nothing lies opposite anything.
pub fn wall_of(
    outer: &Scan,
    inner: Option<&Scan>,
    order: Option<&str>,
    limits: &Limits,
    opposite: bool,
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
        opposite,
        ..WallOptions::default()
    };
    let topology = Topology::new(&mesh);
    let canal_of = |surface: &[Surface]| canal_of(&mesh, surface);
    let (measured, canal) = wall_beside(&mesh, &topology, &options, canal_of)?;
    let facts = WallFacts::new(&mesh, &measured, canal.as_ref());
    let scans: Vec<&Scan> = std::iter::once(outer).chain(inner).collect();
    let report = report::wall(&scans, &facts, order, limits);
    drop(facts);
    Ok(Measured {
        mesh,
        wall: measured,
        canal,
        report,
    })
}

/// The canal of the outer surface alone, for telling places; a shell without a canal that can be
/// told is measured all the same.
fn canal_of(mesh: &Mesh, surface: &[Surface]) -> Option<Canal> {
    let mut renumbered = vec![u32::MAX; mesh.points().len()];
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for corners in mesh.facets() {
        if corners
            .iter()
            .any(|&p| surface[p as usize] == Surface::Inner)
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
    let (topology, queries) = rayon::join(|| Topology::new(&outer), || MeshQueries::new(&outer));
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
    let pool = threads(args.jobs)?;
    let measured = pool.install(|| {
        let outer = read(&args.mesh, &options)?;
        // The two are halves of one shell: what the outer is in, the inner is in too, though it may
        // be too small to be taken for an earpiece by itself.
        let same = ReadOptions {
            unit: outer.unit,
            ..options.clone()
        };
        let inner = args.inner.as_deref().map(|path| read(path, &same));
        let inner = inner.transpose()?;
        let name = shown(&args.mesh.to_string_lossy());
        let opposite = args.map.is_some() || args.page.is_some() || args.picture.is_some();
        let order = args.order.as_deref();
        wall_of(&outer, inner.as_ref(), order, &limits, opposite)
            .map_err(|e| Failure::new(format!("{name}: {e}"), e.help()))
    })?;
    if let Some(path) = &args.map {
        write_map(path, &measured)?;
    }
    if args.page.is_some() || args.picture.is_some() {
        let (page, picture) = (args.page.as_deref(), args.picture.as_deref());
        looks(&measured.page(&limits), page, picture)?;
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
    let is_ply = |path: &PathBuf| {
        path.extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("ply"))
    };
    if let Some(path) = args.map.as_ref().filter(|path| !is_ply(path)) {
        return Err(Failure::new(
            format!("{}: the map is a PLY mesh", path.display()),
            "let its name end in .ply",
        ));
    }
    refuse_outputs(
        &[
            ("--json", args.json.as_deref()),
            ("--map", args.map.as_deref()),
            ("--page", args.page.as_deref()),
            ("--picture", args.picture.as_deref()),
        ],
        &inputs,
    )
}

/// Viewers do not colour NaN, so points without a reading get −1, which no wall has.
fn write_map(path: &Path, measured: &Measured) -> Result<(), Failure> {
    let wall = &measured.wall;
    let (ball, ray, opposite) = (
        drawable(&wall.wall_mm),
        drawable(&wall.ray_mm),
        drawable(&wall.opposite_mm),
    );
    let figures: [(&str, &[f64]); 3] = [
        ("wall_mm", &ball),
        ("ray_mm", &ray),
        ("opposite_mm", &opposite),
    ];
    Ok(ply(path, &measured.mesh, &figures)?)
}

#[cfg(test)]
mod tests {
    use super::super::main;
    use crate::shell::wall::shapes::{cup, sphere, turned_sphere};
    use crate::write::stl;

    /// Runs a command line and gives its exit code in the form that it can be compared in.
    fn code(typed: &[&str]) -> String {
        format!("{:?}", main(typed.iter().map(Into::into)))
    }

    fn ended(n: u8) -> String {
        format!("{:?}", std::process::ExitCode::from(n))
    }

    #[test]
    fn a_shell_goes_in_and_json_and_map_come_out() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = |name: &str| dir.path().join(name).to_string_lossy().into_owned();
        let (shell, json, map) = (path("shell.stl"), path("wall.json"), path("wall.ply"));
        stl(shell.as_ref(), &cup(0.8, 0.4)).expect("written");
        let typed = [
            "secondbend",
            "wall",
            &shell,
            "--unit",
            "mm",
            "--quiet",
            "--json",
            &json,
            "--map",
            &map,
        ];
        assert_eq!(code(&typed), ended(0));
        let text = std::fs::read_to_string(&json).expect("the report");
        let told: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        assert_eq!(told["outcome"], "holds");
        let wall = &told["wall"];
        let least = wall["least_mm"]["value"].as_f64().expect("a figure");
        assert!((least - 0.8).abs() < 0.01, "{least}");
        for key in [
            "method",
            "percentiles_mm",
            "thin_area_mm2",
            "thin_spots",
            "webs",
            "edges",
        ] {
            assert!(!wall[key].is_null(), "{key}");
        }
        let map = std::fs::read(&map).expect("the map");
        let head = String::from_utf8_lossy(&map[..400]).into_owned();
        assert!(head.contains("property float wall_mm"), "{head}");
    }

    #[test]
    fn two_files_and_what_cannot_be_measured() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = |name: &str| dir.path().join(name).to_string_lossy().into_owned();
        let (outer, inner) = (path("outer.stl"), path("inner.stl"));
        stl(
            outer.as_ref(),
            &sphere(crate::mesh::Point::origin(), 10.0, 4),
        )
        .expect("written");
        let inside = turned_sphere(crate::mesh::Vector::zeros(), 9.5, 4);
        stl(inner.as_ref(), &inside).expect("written");
        // 0.5 of wall, and no drain.
        let thin = [
            "secondbend",
            "wall",
            &outer,
            &inner,
            "--unit",
            "mm",
            "--quiet",
        ];
        assert_eq!(code(&thin), ended(1));
        // A file is never written over.
        let over = [
            "secondbend",
            "wall",
            &outer,
            "--unit",
            "mm",
            "--map",
            &outer,
        ];
        assert_eq!(code(&over), ended(2));
        assert_eq!(code(&["secondbend", "wall", &path("none.stl")]), ended(2));
    }
}

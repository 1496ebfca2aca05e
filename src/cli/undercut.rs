//! `secondbend undercut`: how a scan, a finished shell or any closed mesh comes out of the ear.

use std::path::{Path, PathBuf};

use crate::canal::{self, Canal, NoCanal};
use crate::checks::Outcome;
use crate::checks::pull::PullFacts;
use crate::limits::{Limits, rows};
use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};
use crate::read::{ReadOptions, Scan, extent, read_file};
use crate::report::page::{PageModel, undercut_page};
use crate::report::{self, UndercutReport};
use crate::shell::wall::{Surface, WallOptions, wall};
use crate::soundness::{self, Region, Soundness};
use crate::undercut::{self, Asked, PullSettings, Undercut};
use crate::write::ply;

use super::args::Undercut as Args;
use super::vet::{deliver, is_stdout, looks, refuse_outputs};
use super::{Ending, Failure, print, threads};

/// A measured mesh with its report: the whole of `undercut`, in one call.
pub struct Pulled {
    /// The figures, per point of the scan's own mesh; `None` where nothing could be measured, and the
    /// report says why.
    pub undercut: Option<Undercut>,
    /// The canal, where one was told.
    pub canal: Option<Canal>,
    /// What is told of them.
    pub report: UndercutReport,
}

impl Pulled {
    /// What a page or a picture of it shows.
    #[must_use]
    pub fn page(&self, scan: &Scan) -> PageModel {
        undercut_page(
            &scan.mesh,
            self.undercut.as_ref(),
            self.canal.as_ref(),
            &self.report,
        )
    }
}

/// What is asked of [`undercut_of`].
#[derive(Debug, Clone, Copy, Default)]
pub struct PullOptions<'a> {
    /// The pull, out of the ear; along the axis at the aperture where there is none.
    pub pull: Option<Vector>,
    /// Whether to try trimmings.
    pub relief: bool,
    /// Order or serial number.
    pub order: Option<&'a str>,
}

/// Measures the undercuts of a scan and answers every check. With a pull given, the open side is
/// where it points and no canal is needed; else the canal tells where out of the ear is. Where the
/// unit, the canal, the base plane or the body cannot be told, the report says so and has no figures.
#[must_use]
pub fn undercut_of(scan: &Scan, options: &PullOptions, limits: &Limits) -> Pulled {
    measured(scan, options, limits).unwrap_or_else(|(why, help)| Pulled {
        undercut: None,
        canal: None,
        report: report::undercut_untold(scan, &why, help, options.order, limits),
    })
}

/// Why nothing could be measured, and what to do about it.
type Untold = (String, &'static str);

fn measured(scan: &Scan, options: &PullOptions, limits: &Limits) -> Result<Pulled, Untold> {
    if scan.unit.is_none() {
        return Err((
            "the unit of length is unknown, so no depth can be told".to_owned(),
            "say it with `--unit`",
        ));
    }
    let whole = Topology::new(&scan.mesh);
    let found = soundness::inspect(&scan.mesh, &whole, &MeshQueries::new(&scan.mesh));
    let outer = outer_surface(&scan.mesh, &whole);
    let mesh = outer.as_ref().map_or(&scan.mesh, |o| &o.mesh);
    let (topology, soundness, canal) = ear_of(mesh, found.clone(), outer.is_some());
    let canal = canal
        .map_err(|why| why.to_string())
        .and_then(|canal| agreeing(canal, options.pull));
    let outward = outward(options.pull, canal.as_ref())?;
    let region_of = |p: &Point| match &canal {
        Ok(canal) => canal::region_of(canal, p).0,
        Err(_) => Region::Unknown,
    };
    let asked = Asked {
        outward,
        pull: options.pull,
        base: None,
        face: match (options.pull, &canal) {
            (None, Ok(canal)) => canal.face,
            (pull, _) => pull,
        },
        part: (canal.as_ref().ok())
            .filter(|c| options.pull.is_none() || sure(c))
            .map(|c| c.part),
        region_of: &region_of,
        relief: options.relief,
        settings: PullSettings {
            limit_mm: limits.number(&rows::UNDERCUT),
            noise_mm: noise(&soundness),
            edge_mm: soundness.edge_mm,
            ..PullSettings::default()
        },
    };
    let measured =
        undercut::measure(mesh, &topology, &asked).map_err(|why| (why.to_string(), why.help()))?;
    // A hole that only parted the outer surface from the cavity is none of the shell's.
    let judged = if outer.is_some() { &found } else { &soundness };
    let facts = PullFacts {
        undercut: &measured,
        soundness: judged,
        canal: canal.as_ref().ok(),
        size_mm: size_of_piece(mesh, &topology, asked.part),
        unclear_share: outer.as_ref().map_or(0.0, |o| o.unclear_share),
    };
    let report = report::undercut(scan, &facts, outer.is_some(), options.order, limits);
    Ok(Pulled {
        undercut: Some(measured),
        canal: canal.ok(),
        report,
    })
}

/// Noise is read off the facets' bending from place to place; on facets this long, mm, that is the
/// shape itself (a block of 28 facets "scatters" by 3 mm), and no scan has them.
const TELLS_NO_NOISE_MM: f64 = 1.5;

fn noise(soundness: &Soundness) -> f64 {
    if soundness.edge_mm > TELLS_NO_NOISE_MM {
        0.0
    } else {
        soundness.noise_mm
    }
}

/// Out of the ear: the canal's axis, or else the pull. A pull into the ear is refused.
fn outward(pull: Option<Vector>, canal: Result<&Canal, &String>) -> Result<Vector, Untold> {
    match (pull, canal) {
        (Some(pull), Ok(canal)) => {
            let out = -canal.aperture.normal;
            if leads_in(canal, &pull) {
                let why = "the pull leads into the ear: the canal's tip lies there".to_owned();
                return Err((why, "turn its sign, or leave `--pull` out"));
            }
            Ok(out)
        }
        (Some(pull), Err(_)) => Ok(pull),
        (None, Ok(canal)) => Ok(-canal.aperture.normal),
        (None, Err(why)) => Err((
            format!("which way is out of the ear cannot be told: {why}"),
            "say with `--pull X,Y,Z` where the open side is",
        )),
    }
}

/// A pull across the axis still leads out of a wide concha: up to 80 degrees from it.
fn leads_in(canal: &Canal, pull: &Vector) -> bool {
    pull.dot(&-canal.aperture.normal) < 0.17 * pull.norm()
}

/// The canal, unless it is one in looks only and the pull says otherwise: a shaft on a foot has a tube
/// that opens into something wide too. With a flare and a concha whose up and forward can be told it
/// is the pull that is wrong.
fn agreeing(canal: Canal, pull: Option<Vector>) -> Result<Canal, String> {
    match pull {
        Some(pull) if !sure(&canal) && leads_in(&canal, &pull) => {
            Err("what looks like a canal does not open where the pull points".to_owned())
        }
        _ => Ok(canal),
    }
}

/// A canal with its concha, which no chance shape has.
fn sure(canal: &Canal) -> bool {
    canal.aperture_reached && canal.frame.is_some()
}

/// Soundness and canal of the mesh that is pulled. On a scan with a plate the canal's part counts.
fn ear_of(
    mesh: &Mesh,
    found: Soundness,
    outer_only: bool,
) -> (Topology, Soundness, Result<Canal, NoCanal>) {
    let topology = Topology::new(mesh);
    let queries = MeshQueries::new(mesh);
    let first = if outer_only {
        soundness::inspect(mesh, &topology, &queries)
    } else {
        found
    };
    let (soundness, canal) = canal::with_its_piece(mesh, &topology, &queries, first);
    drop(queries);
    (topology, soundness, canal)
}

/// A hollow shell without its cavity and bores.
struct Outer {
    mesh: Mesh,
    unclear_share: f64,
}

/// Inner surface that makes a mesh a hollow shell, as a share of all. A cavity under a wall of 1 mm
/// has 0.4 and more; a bore through a solid piece a few hundredths.
const HOLLOW_SHARE: f64 = 0.2;
/// … and half of its wall must be thinner than this, mm.
const HOLLOW_WALL_MM: f64 = 4.0;

/// The outer surface of a closed hollow shell: what lies in its cavity is air, not tissue.
fn outer_surface(mesh: &Mesh, topology: &Topology) -> Option<Outer> {
    if topology.open_edges > 0 {
        return None;
    }
    let options = WallOptions {
        opposite: false,
        ..WallOptions::default()
    };
    let measured = wall(mesh, topology, &options).ok()?;
    let share = |wanted: Surface| {
        let all: f64 = measured.area_mm2.iter().sum();
        let these = measured.surface.iter().zip(&measured.area_mm2);
        these
            .filter(|(s, _)| **s == wanted)
            .map(|(_, a)| a)
            .sum::<f64>()
            / all.max(1e-12)
    };
    let middle = measured.percentiles_mm.iter().find(|p| p.0 == 50.0)?.1;
    if share(Surface::Inner) < HOLLOW_SHARE || middle > HOLLOW_WALL_MM {
        return None;
    }
    let inner = |f: &[u32; 3]| {
        f.iter()
            .any(|&p| measured.surface[p as usize] == Surface::Inner)
    };
    let facets = mesh
        .facets()
        .iter()
        .filter(|f| !inner(f))
        .copied()
        .collect();
    Some(Outer {
        mesh: Mesh::new(mesh.points().to_vec(), facets).ok()?,
        unclear_share: share(Surface::Unclear),
    })
}

/// Greatest distance across the part that was pulled, mm.
fn size_of_piece(mesh: &Mesh, topology: &Topology, part: Option<u32>) -> f64 {
    let (part_of, _) = topology.parts(mesh);
    let points: Vec<Point> = mesh
        .facets()
        .iter()
        .zip(&part_of)
        .filter(|(_, p)| part.is_none_or(|wanted| wanted == **p))
        .flat_map(|(f, _)| f.map(|c| mesh.points()[c as usize]))
        .collect();
    extent(&points)
}

pub(super) fn run(args: &Args) -> Result<Ending, Failure> {
    refuse_clashes(args)?;
    let limits = args
        .limits
        .as_deref()
        .map_or_else(|| Ok(Limits::default()), Limits::read)?;
    let pull = args.pull.as_deref().map(direction).transpose()?;
    let read = ReadOptions {
        unit: args.unit.map(Into::into),
        ..ReadOptions::default()
    };
    let options = PullOptions {
        pull,
        relief: !args.no_relief,
        order: args.order.as_deref(),
    };
    let pool = threads(args.jobs)?;
    let (scan, pulled) = pool.install(|| {
        let scan = read_file(&args.mesh, &read)?;
        let pulled = undercut_of(&scan, &options, &limits);
        if args.page.is_some() || args.picture.is_some() {
            let (page, picture) = (args.page.as_deref(), args.picture.as_deref());
            looks(&pulled.page(&scan), page, picture)?;
        }
        Ok::<_, Failure>((scan, pulled))
    })?;
    if let Some(path) = &args.map {
        map(path, &scan, pulled.undercut.as_ref())?;
    }
    let to_output = args.json.as_deref().is_some_and(is_stdout);
    if let Some(path) = &args.json {
        deliver(path, &report::undercut_json(&pulled.report)?)?;
    }
    if !args.quiet && !to_output {
        print(&report::undercut_text(&pulled.report))?;
    }
    Ok(match pulled.report.outcome {
        Outcome::Holds => Ending::AllHold,
        Outcome::Breaks => Ending::SomethingBreaks,
        Outcome::CannotTell => Ending::CannotTell,
    })
}

/// The mesh with its figures, and no file where there are none; without a way out `squeeze_mm` is
/// left out rather than nought.
fn map(path: &Path, scan: &Scan, undercut: Option<&Undercut>) -> Result<(), Failure> {
    let Some(undercut) = undercut else {
        return Ok(());
    };
    let mut figures: Vec<(&str, &[f64])> = vec![("undercut_mm", &undercut.straight.depth_mm)];
    if let Ok(out) = &undercut.withdrawal {
        figures.push(("squeeze_mm", &out.way.squeeze_at_point_mm));
    }
    Ok(ply(path, &scan.mesh, &figures)?)
}

fn refuse_clashes(args: &Args) -> Result<(), Failure> {
    let inputs: Vec<&PathBuf> = std::iter::once(&args.mesh).chain(&args.limits).collect();
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

/// Three finite numbers with commas between, not all zero.
fn direction(typed: &str) -> Result<Vector, Failure> {
    let numbers: Option<Vec<f64>> = typed.split(',').map(|p| p.trim().parse().ok()).collect();
    let says = match numbers.as_deref() {
        Some(&[x, y, z]) => {
            let pull = Vector::new(x, y, z);
            // Through the largest, so that 1e200 and 1e-200 are directions too.
            let size = pull.amax();
            if size > 0.0 && size.is_finite() && pull.iter().all(|c| c.is_finite()) {
                return Ok((pull / size).normalize());
            }
            "that is no direction"
        }
        _ => "that is not three numbers",
    };
    Err(Failure::new(
        format!("--pull {typed}: {says}"),
        "write three numbers that are not all zero, for example `--pull 0,0,1` or `--pull=-1,0,0`",
    ))
}

#[cfg(test)]
mod tests;

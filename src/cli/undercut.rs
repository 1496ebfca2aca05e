//! `secondbend undercut`: how a mesh comes out of the ear.

use crate::canal;
use crate::mesh::{MeshQueries, Point, Topology, Vector};
use crate::read::{ReadOptions, Scan, read_file};
use crate::report;
use crate::soundness::{self, Region};
use crate::undercut::{self, Asked, BasePlane, PullSettings, Undercut};
use crate::write::{ply, refuse_inputs, whole_file};

use super::args::UndercutArgs;
use super::{Ending, Failure, print};

/// Measures the undercuts of a scan. With a pull given, the open side is where it points and no
/// canal is needed; else the canal tells where out of the ear is.
///
/// # Errors
/// [`Failure`] where the unit, the canal, the base plane or a way out cannot be told.
pub fn undercut_scan(
    scan: &Scan,
    pull: Option<Vector>,
    settings: &PullSettings,
    relief: bool,
) -> Result<Undercut, Failure> {
    let name = scan.path.display();
    if scan.unit.is_none() {
        return Err(Failure::new(
            format!("{name}: the unit of length is unknown, so no depth can be told"),
            "say it with `--unit`",
        ));
    }
    let topology = Topology::new(&scan.mesh);
    let queries = MeshQueries::new(&scan.mesh);
    let soundness = soundness::inspect(&scan.mesh, &topology, &queries);
    let canal = canal::measure(&scan.mesh, &topology, &queries, &soundness);
    let outward = match (pull, &canal) {
        (Some(pull), _) => pull,
        (None, Ok(canal)) => -canal.aperture.normal,
        (None, Err(why)) => {
            return Err(Failure::new(
                format!("{name}: which way is out of the ear cannot be told: {why}"),
                "say with `--pull X,Y,Z` where the open side is",
            ));
        }
    };
    let region_of = |p: &Point| match &canal {
        Ok(canal) => canal::region_of(canal, p).0,
        Err(_) => Region::Unknown,
    };
    // The outer face need not lie square to the canal's axis: its own normal finds it best.
    let face = canal.as_ref().ok().and_then(|c| c.face);
    let base = match (pull, face) {
        (None, Some(face)) => BasePlane::of(&scan.mesh, &topology, face).ok(),
        _ => None,
    };
    let asked = Asked {
        outward,
        pull: None,
        base,
        region_of: &region_of,
        relief,
        settings: PullSettings {
            noise_mm: soundness.noise_mm,
            ..settings.clone()
        },
    };
    undercut::measure(&scan.mesh, &topology, &asked)
        .map_err(|why| Failure::new(format!("{name}: {why}"), why.help()))
}

pub(super) fn run(args: &UndercutArgs) -> Result<Ending, Failure> {
    for output in args.json.iter().chain(&args.map) {
        if output.as_os_str() != "-" {
            refuse_inputs(output, &[&args.mesh])?;
        }
    }
    let options = ReadOptions {
        unit: args.unit.map(Into::into),
        ..ReadOptions::default()
    };
    let scan = read_file(&args.mesh, &options)?;
    let pull = args.pull.as_deref().map(direction).transpose()?;
    let settings = PullSettings {
        limit_mm: args.limit,
        ..PullSettings::default()
    };
    let found = undercut_scan(&scan, pull, &settings, !args.no_relief)?;
    let report = report::undercut(&scan, args.limit, &found);
    let mut told = args.quiet;
    if let Some(path) = &args.json {
        let text = report::undercut_json(&report)?;
        if path.as_os_str() == "-" {
            print(&text)?;
            told = true;
        } else {
            whole_file(path, |out| out.write_all(text.as_bytes()))?;
        }
    }
    if let Some(path) = &args.map {
        let maps: [(&str, &[f64]); 2] = [
            ("undercut_mm", &found.straight.depth_mm),
            ("squeeze_mm", &found.withdrawal.squeeze_at_point_mm),
        ];
        ply(path, &scan.mesh, &maps)?;
    }
    if !told {
        print(&report::undercut_text(&report))?;
    }
    Ok(match report.undercut.withdrawal.within_limit {
        Some(true) => Ending::AllHold,
        Some(false) => Ending::SomethingBreaks,
        None => Ending::CannotTell,
    })
}

/// Three numbers with commas between.
fn direction(typed: &str) -> Result<Vector, Failure> {
    let numbers: Vec<f64> = typed
        .split(',')
        .filter_map(|part| part.trim().parse().ok())
        .collect();
    match numbers[..] {
        [x, y, z] if typed.split(',').count() == 3 => Ok(Vector::new(x, y, z)),
        _ => Err(Failure::new(
            format!("--pull {typed}: that is not three numbers"),
            "write them with commas and no spaces, for example `--pull 0,0,1`",
        )),
    }
}

//! `secondbend offset`: a scan in, the surface a given distance outside or inside of it out (the same
//! everywhere, or by zone of the ear), with its deviation from that distance measured afterwards.

use std::path::Path;

use crate::canal::{self, Canal, NoCanal};
use crate::checks::shell::ScanSays;
use crate::checks::{Facts, Outcome};
use crate::field::{
    ContourError, Deviation, Implicit, Offset, SignedDistance, Surface, deviation, surface,
};
use crate::intake::named_side;
use crate::limits::Limits;
use crate::mesh::{Mesh, MeshQueries, Topology};
use crate::read::{ReadOptions, Scan, read_file};
use crate::report::{self, OffsetBy, OffsetFacts, OffsetReport, shown};
use crate::shell::{self, Amounts, BuildUp, Caution, ShellError, told_by_bends};
use crate::soundness::{self, Soundness};
use crate::units::Mm;
use crate::write::{ply, refuse_inputs, stl, threemf};

use super::args::Offset as Args;
use super::vet::{deliver, is_stdout};
use super::{Ending, Failure, print, threads, written};

/// Facets finer than this are refused: no scanner or printer resolves them, and an ear would take
/// tens of millions.
const FINEST_MM: f64 = 0.02;

/// A scan moved outward or inward, with its report: the whole of `offset`, in one call.
pub struct Moved {
    /// The surface drawn.
    pub surface: Surface,
    /// What is told of it.
    pub report: OffsetReport,
}

/// Why nothing was drawn.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NotMoved {
    /// The drawing failed, or nothing is left.
    #[error("{0}")]
    Drawing(#[from] ContourError),
    /// Zones lie along the canal, and none was measured.
    #[error("cannot tell: no canal was measured, so its zones are unknown: {0}")]
    Canal(#[from] NoCanal),
    /// A zone that was asked for has a border that was not found.
    #[error("cannot tell where a zone ends: {0}")]
    Zone(#[from] ShellError),
}

impl NotMoved {
    /// What to do, and whether this is an answer. That nothing is left is one; the rest could not be told.
    const fn advice(&self) -> (&'static str, Ending) {
        match self {
            Self::Drawing(ContourError::Empty) => (
                "no file was written; move the surface inward by less",
                Ending::SomethingBreaks,
            ),
            Self::Drawing(ContourError::TooFine { .. }) => (
                "look whether the distances and the unit are right, or take a larger `--facet`",
                Ending::CannotTell,
            ),
            Self::Drawing(ContourError::LeavesBounds) => {
                ("look at the scan with `secondbend vet`", Ending::CannotTell)
            }
            Self::Canal(_) | Self::Zone(_) => (
                "see what `secondbend vet` says of the scan, or give one distance for all of it",
                Ending::CannotTell,
            ),
        }
    }
}

/// Draws the surface at a distance from a scan, or at one for each zone of the ear, and measures it.
///
/// # Errors
/// [`NotMoved`]: nothing is left inside, far too many facets are asked for, or a zone's border is unknown.
pub fn offset_of(
    scan: &Scan,
    by: &OffsetBy,
    facet: Mm,
    order: Option<&str>,
) -> Result<Moved, NotMoved> {
    let mesh = &scan.mesh;
    let topology = Topology::new(mesh);
    let queries = MeshQueries::new(mesh);
    let sound = soundness::inspect(mesh, &topology, &queries);
    match by {
        OffsetBy::Everywhere(mm) => {
            let field = SignedDistance::for_scan(mesh, &topology, &sound);
            let (surface, deviation) = drawn(&Offset::by(&field, *mm), facet)?;
            let told = (&[][..], None);
            Ok(moved(
                scan, &field, surface, deviation, by, told, facet, order,
            ))
        }
        OffsetBy::Zones(plan) => {
            let (sound, canal) = canal::with_its_piece(mesh, &topology, &queries, sound);
            let zones = zones_of(scan, plan, &sound, canal)?;
            let field = SignedDistance::for_scan(mesh, &topology, &sound);
            let solid = shell::Moved {
                field: &field,
                by: &zones.amounts,
                sign: 1.0,
            };
            let (surface, deviation) = drawn(&solid, facet)?;
            let told = (&zones.cautions[..], Some(zones.vetted));
            Ok(moved(
                scan, &field, surface, deviation, by, told, facet, order,
            ))
        }
    }
}

fn drawn(solid: &impl Implicit, facet: Mm) -> Result<(Surface, Deviation), ContourError> {
    let surface = surface(solid, facet.0)?;
    let off = deviation(solid, &surface.mesh);
    Ok((surface, off))
}

#[allow(clippy::too_many_arguments)] // the pieces of one report, each named at its two callers
fn moved(
    scan: &Scan,
    field: &SignedDistance,
    surface: Surface,
    deviation: Deviation,
    by: &OffsetBy,
    (cautions, scan_verdict): (&[Caution], Option<String>),
    facet: Mm,
    order: Option<&str>,
) -> Moved {
    let facts = OffsetFacts {
        field,
        surface: &surface,
        deviation,
        by,
        cautions,
        scan_verdict,
        facet,
    };
    let report = report::offset(scan, &facts, order);
    Moved { surface, report }
}

/// What distances by zone are drawn by.
struct Zones {
    amounts: Amounts,
    cautions: Vec<Caution>,
    vetted: String,
}

fn zones_of(
    scan: &Scan,
    plan: &BuildUp,
    sound: &Soundness,
    canal: Result<Canal, NoCanal>,
) -> Result<Zones, NotMoved> {
    let vetted = vetted(scan, sound, &canal);
    let canal = canal?;
    Ok(Zones {
        cautions: told_by_bends(&canal, plan)?,
        amounts: Amounts::by_zone(plan, &canal, &scan.mesh)?,
        vetted,
    })
}

/// What `vet` says of the scan by the default limits: zones lie where the canal was measured to lie, so that an
/// unfit scan's are no better than it.
fn vetted(scan: &Scan, sound: &Soundness, canal: &Result<Canal, NoCanal>) -> String {
    let facts = Facts::new(scan, sound, canal, None).with_named(named_side(&scan.path));
    ScanSays::of(&facts, &Limits::default()).words()
}

#[derive(Clone, Copy)]
enum Form {
    Stl,
    Ply,
    ThreeMf,
}

pub(super) fn run(args: &Args) -> Result<Ending, Failure> {
    let form = form_of(&args.out)?;
    refuse_clashes(args)?;
    refuse_sizes(args)?;
    let options = ReadOptions {
        unit: args.unit.map(Into::into),
        ..ReadOptions::default()
    };
    let pool = threads(args.jobs)?;
    let name = shown(&args.mesh.to_string_lossy());
    let drawn = pool.install(|| {
        let scan = read_file(&args.mesh, &options)?;
        if scan.unit.is_none() {
            return Err(Failure::new(
                format!("{name}: the unit of length is unknown, so no distance can be laid off"),
                "say it with `--unit`",
            ));
        }
        let by = asked(args);
        Ok(offset_of(&scan, &by, Mm(args.facet), args.order.as_deref()))
    })?;
    let moved = match drawn {
        Ok(moved) => moved,
        Err(e) => {
            let (help, ending) = e.advice();
            Failure::new(format!("{name}: {e}"), help).print();
            return Ok(ending);
        }
    };
    write(form, &args.out, &moved.surface.mesh)?;
    let to_output = args.json.as_deref().is_some_and(is_stdout);
    if let Some(path) = &args.json {
        deliver(path, &report::offset_json(&moved.report)?)?;
    }
    if !args.quiet && !to_output {
        print(&report::offset_text(&moved.report))?;
        print(&written(Some(&args.out)))?;
    }
    Ok(match moved.report.outcome {
        Outcome::Holds => Ending::AllHold,
        Outcome::Breaks => Ending::SomethingBreaks,
        Outcome::CannotTell => Ending::CannotTell,
    })
}

fn asked(args: &Args) -> OffsetBy {
    if args.zones.is_empty() {
        return OffsetBy::Everywhere(Mm(args.by));
    }
    let mut plan = BuildUp::even(args.by);
    for (zone, mm) in &args.zones {
        plan.put(zone, *mm); // the name was looked at when it was read
    }
    OffsetBy::Zones(plan)
}

fn form_of(out: &Path) -> Result<Form, Failure> {
    let ending = out.extension().map(|e| e.to_string_lossy().to_lowercase());
    match ending.as_deref() {
        Some("stl") => Ok(Form::Stl),
        Some("ply") => Ok(Form::Ply),
        Some("3mf") => Ok(Form::ThreeMf),
        _ => Err(Failure::new(
            format!(
                "{}: no kind of mesh file is known by that name",
                shown(&out.to_string_lossy())
            ),
            "end the name of `--out` in .stl, .ply or .3mf",
        )),
    }
}

fn write(form: Form, out: &Path, mesh: &Mesh) -> Result<(), Failure> {
    Ok(match form {
        Form::Stl => stl(out, mesh),
        Form::Ply => ply(out, mesh, &[]),
        Form::ThreeMf => threemf(out, &[("offset", mesh)]),
    }?)
}

fn refuse_clashes(args: &Args) -> Result<(), Failure> {
    let inputs = [&args.mesh];
    refuse_inputs(&args.out, &inputs)?;
    if let Some(json) = args.json.as_ref().filter(|j| !is_stdout(j)) {
        refuse_inputs(json, &inputs)?;
        if *json == args.out {
            return Err(Failure::new(
                "--json and --out name the same file",
                "give each its own",
            ));
        }
    }
    Ok(())
}

fn refuse_sizes(args: &Args) -> Result<(), Failure> {
    let mut zones: Vec<&str> = args.zones.iter().map(|(zone, _)| zone.as_str()).collect();
    zones.sort_unstable();
    if let Some(twice) = zones.windows(2).find(|two| two[0] == two[1]) {
        return Err(Failure::new(
            format!("--zone: {} has two distances", twice[0]),
            "give each zone one",
        ));
    }
    if !args.by.is_finite() {
        return Err(Failure::new(
            format!("--by {}: that is no distance", args.by),
            "give millimetres, for example `--by -1.2`",
        ));
    }
    if !(args.facet.is_finite() && args.facet >= FINEST_MM) {
        return Err(Failure::new(
            format!(
                "--facet {}: facets must be {FINEST_MM} mm or larger",
                args.facet
            ),
            "0.2 is usual",
        ));
    }
    Ok(())
}

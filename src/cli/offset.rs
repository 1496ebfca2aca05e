//! `secondbend offset`: a scan in, the surface a fixed distance outside or inside of it out, with
//! its deviation from that distance measured afterwards.

use std::path::Path;

use crate::checks::Outcome;
use crate::field::{ContourError, Offset, SignedDistance, Surface, deviation, surface};
use crate::mesh::{Mesh, MeshQueries, Topology};
use crate::read::{ReadOptions, Scan, read_file};
use crate::report::{self, OffsetFacts, OffsetReport, shown};
use crate::soundness;
use crate::units::Mm;
use crate::write::{ply, refuse_inputs, stl, threemf};

use super::args::Offset as Args;
use super::vet::{deliver, is_stdout};
use super::{Ending, Failure, print, threads};

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

/// Draws the surface at a distance from a scan and measures it.
///
/// # Errors
/// [`ContourError`]: nothing is left inside, or far too many facets are asked for.
pub fn offset_of(
    scan: &Scan,
    by: Mm,
    facet: Mm,
    order: Option<&str>,
) -> Result<Moved, ContourError> {
    let mesh = &scan.mesh;
    let topology = Topology::new(mesh);
    let sound = soundness::inspect(mesh, &topology, &MeshQueries::new(mesh));
    let field = SignedDistance::for_scan(mesh, &topology, &sound);
    let solid = Offset::by(&field, by);
    let surface = surface(&solid, facet.0)?;
    let deviation = deviation(&solid, &surface.mesh);
    let facts = OffsetFacts {
        field: &field,
        surface: &surface,
        deviation,
        by,
        facet,
    };
    let report = report::offset(scan, &facts, order);
    Ok(Moved { surface, report })
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
        Ok(offset_of(
            &scan,
            Mm(args.by),
            Mm(args.facet),
            args.order.as_deref(),
        ))
    })?;
    let moved = match drawn {
        Ok(moved) => moved,
        Err(e) => {
            let (help, ending) = advice(&e);
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
    }
    Ok(match moved.report.outcome {
        Outcome::Holds => Ending::AllHold,
        Outcome::Breaks => Ending::SomethingBreaks,
        Outcome::CannotTell => Ending::CannotTell,
    })
}

/// That nothing is left is an answer; the rest could not be told.
const fn advice(e: &ContourError) -> (&'static str, Ending) {
    match e {
        ContourError::Empty => (
            "no file was written; move the surface inward by less",
            Ending::SomethingBreaks,
        ),
        ContourError::TooFine { .. } => (
            "take a larger `--facet`, and look whether the unit is right",
            Ending::CannotTell,
        ),
        ContourError::LeavesBounds => {
            ("look at the scan with `secondbend vet`", Ending::CannotTell)
        }
    }
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

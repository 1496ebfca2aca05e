//! The canal: axis, aperture, tip, bends, sections, side and frame, by the definitions of
//! `docs/definitions.md`. No landmark, pose or order is needed; no threshold of the trade is known.

mod axis;
mod bends;
mod coarse;
mod curve;
mod cut;
mod face;
mod figures;
mod outline;
mod region;
mod seek;
mod side;
mod spread;
mod verdict;

#[cfg(test)]
mod tests;

pub use bends::curvature;
pub use region::region_of;

use crate::mesh::{MeshQueries, Point, Topology, Vector};
use crate::soundness::Soundness;
use crate::units::Measured;

/// One section across the canal, square to the axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Arc length from the aperture, mm (negative outside it).
    pub at_mm: f64,
    /// Centroid.
    pub centre: Point,
    /// Unit normal (the axis direction, outside → inside).
    pub normal: Vector,
    /// Area, mm².
    pub area_mm2: f64,
    /// Largest caliper width, mm, and its direction.
    pub largest_mm: f64,
    /// Direction of the largest width (unit, in the plane).
    pub largest_dir: Vector,
    /// Smallest caliper width, mm.
    pub smallest_mm: f64,
    /// Length of the outline, mm.
    pub perimeter_mm: f64,
    /// How much of the outline was closed across gaps, mm.
    pub gap_mm: f64,
    /// The outline, in order.
    pub outline: Vec<Point>,
}

impl Section {
    /// Diameter of the circle of the same area, mm: 2√(A/π).
    #[must_use]
    pub fn equivalent_diameter_mm(&self) -> f64 {
        2.0 * (self.area_mm2 / std::f64::consts::PI).sqrt()
    }
}

/// A bend of the canal.
#[derive(Debug, Clone, PartialEq)]
pub struct Bend {
    /// 1 for the outermost.
    pub order: usize,
    /// Arc length of the curvature peak from the aperture, mm.
    pub at_mm: Measured,
    /// Angle between the axis directions at the ends of its span.
    pub turn_deg: Measured,
    /// Curvature at the peak, 1/mm.
    pub peak_curvature_per_mm: Measured,
    /// Arc length from the peak to the tip, mm.
    pub past_mm: Measured,
    /// Arc length from the inner end of the span to the tip, mm.
    pub past_from_span_end_mm: Measured,
    /// The peak's place on the axis.
    pub point: Point,
    /// Axis direction change at the bend (unit): where the canal turns to.
    pub towards: Vector,
}

/// Which ear.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// The left ear.
    Left,
    /// The right ear.
    Right,
}

/// The canal's frame: unit vectors, not necessarily square to each other's sources but made so.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Out of the ear, along the axis at the aperture.
    pub out: Vector,
    /// Up: from the intertragal notch towards the cymba.
    pub up: Vector,
    /// Forward, towards the nose.
    pub forward: Vector,
}

/// The innermost place where the impression still has a full section.
#[derive(Debug, Clone, PartialEq)]
pub struct Feather {
    /// Arc length from the last full section to the tip, mm.
    pub length_mm: f64,
    /// Smallest width halfway along it, mm.
    pub smallest_mm: f64,
    /// Where the last full section is.
    pub point: Point,
}

/// Everything measured of the canal.
#[derive(Debug, Clone, PartialEq)]
pub struct Canal {
    /// Axis from the aperture (first) to the tip (last), about 0.25 mm apart.
    pub axis: Vec<Point>,
    /// Arc length, aperture to tip.
    pub length_mm: Measured,
    /// True when the canal flares into something as wide as a concha there; false when it is only
    /// where the scan ends, or a widening of a canal scanned without its concha.
    pub aperture_reached: bool,
    /// The section at the aperture.
    pub aperture: Section,
    /// Tip point.
    pub tip: Point,
    /// Where the tip zone begins: arc length from the aperture, mm.
    pub tip_zone_mm: f64,
    /// Bends, outermost first.
    pub bends: Vec<Bend>,
    /// False where noise could add or drop a bend (one turns by nearly the least that counts), so
    /// that "second" may not be the second.
    pub bends_sure: bool,
    /// Sections along the axis, aperture → tip, 0.25 mm apart.
    pub sections: Vec<Section>,
    /// The smallest section between aperture and tip zone.
    pub narrowest: Section,
    /// Thin material past the last full section, if any.
    pub feather: Option<Feather>,
    /// Inward pits of the canal wall.
    pub pits: Vec<crate::soundness::Pit>,
    /// Side, `None` when the evidence does not clear the margin.
    pub side: Option<Side>,
    /// Evidence for the side, −1 (surely left) to +1 (surely right).
    pub side_margin: f64,
    /// The frame, where up and forward can be told.
    pub frame: Option<Frame>,
    /// How far the surface reaches beyond the aperture plane, out of the ear, mm.
    pub outer_reach_mm: f64,
    /// Outward unit normal of the outer face (or of the base opening), where one was found.
    pub face: Option<Vector>,
    /// The mesh part the canal is on.
    pub part: u32,
    /// The tip is a hole in the scan: the length to it is only where the material ends.
    pub tip_open: bool,
    /// 95 % half width of areas, as a share of the area.
    pub area_share: f64,
    /// 95 % half width of widths, mm.
    pub width_plus_minus_mm: f64,
}

/// Why no canal was measured.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoCanal {
    /// Nothing on the scan is shaped like a canal.
    #[error("no part of the surface is shaped like an ear canal")]
    NothingTubular,
    /// Two ends look equally like the canal's tip.
    #[error("two ends of the surface look equally like the tip of the canal")]
    TwoTips,
    /// The axis did not settle.
    #[error("the canal's axis does not settle: {0}")]
    NotSettled(String),
    /// The unit is unknown, so no length can be told.
    #[error("the unit of length is unknown")]
    UnitUnknown,
}

/// Measures the canal of a scan in any pose. Lengths are in the unit of the mesh, which must be
/// millimetres; noise and facet size are read from `soundness`.
///
/// # Errors
/// [`NoCanal`] where no end of the surface is shaped like a canal, where two ends are equally
/// likely, or where the axis does not settle. Never a guess.
pub fn measure(
    mesh: &crate::mesh::Mesh,
    _topology: &Topology,
    queries: &MeshQueries,
    soundness: &Soundness,
) -> Result<Canal, NoCanal> {
    let found = seek::seek(queries, soundness)?;
    figures::measure(mesh, queries, soundness, found)
}

/// The canal, and the soundness of the piece that it is on. The largest piece, which `first` is
/// about, may be the plate that the impression stands on: holes and the base are then those of the
/// other.
///
/// # Errors
/// The canal's, as [`measure`].
pub fn with_its_piece(
    mesh: &crate::mesh::Mesh,
    topology: &Topology,
    queries: &MeshQueries,
    first: Soundness,
) -> (Soundness, Result<Canal, NoCanal>) {
    let canal = measure(mesh, topology, queries, &first);
    match canal.as_ref().map(|c| c.part) {
        Ok(part) if part != first.main_part => {
            let about = crate::soundness::inspect_about(mesh, topology, queries, Some(part));
            let canal = measure(mesh, topology, queries, &about);
            (about, canal)
        }
        _ => (first, canal),
    }
}

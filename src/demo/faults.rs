//! What goes wrong with impressions and scans, made on purpose.
//!
//! Faults of the impression (bubble, feathered tip, short canal, stand, plate) change the solid
//! and so the truth; faults of the scan (hole, floater, fin, flips, crossing, winding, mirror,
//! unit) change only the mesh.

use serde::Serialize;

use crate::mesh::{Point, Vector};

use super::model::EarModel;
use super::polygonise::Field;
use super::slice::crossings;
use super::solid::{Extra, Lobe, Rod, Slab, Solid};

/// A place on the surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Spot {
    /// On the canal's wall.
    Canal {
        /// Arc position from the nominal entrance, mm.
        at_mm: f64,
        /// Around the canal, degrees: 0 at the top, 90 at the front.
        around_deg: f64,
    },
    /// On the concha, as seen from the middle of the cavum.
    Concha {
        /// Degrees backward of straight in.
        back_deg: f64,
        /// Degrees upward.
        up_deg: f64,
    },
}

/// A fault to be put in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Fault {
    /// Material missing at the surface: a round pit with a sharp rim.
    Bubble {
        /// Where.
        spot: Spot,
        /// Width at the surface, mm.
        width_mm: f64,
        /// Depth, mm.
        depth_mm: f64,
    },
    /// The canal ends early.
    Short {
        /// Length from the nominal entrance, mm.
        length_mm: f64,
    },
    /// The canal is short and has its first bend only.
    NoSecondBend {
        /// How far it goes on past the first bend, mm.
        past_mm: f64,
    },
    /// A thin blade of material past the tip.
    Feather {
        /// How far past the tip, mm.
        length_mm: f64,
        /// Thickness at its root, mm.
        thick_mm: f64,
    },
    /// The rod on which the impression was held is part of the scan.
    Stand {
        /// Radius of the rod, mm.
        radius_mm: f64,
        /// Length out of the outer face, mm.
        length_mm: f64,
    },
    /// A plate under the outer face is part of the scan.
    Plate {
        /// Thickness, mm.
        thick_mm: f64,
    },
    /// Surface missing within this distance of the spot.
    Hole {
        /// Where.
        spot: Spot,
        /// Radius of the ball within which the surface is missing, mm.
        radius_mm: f64,
    },
    /// A loose blob beside the ear.
    Floater {
        /// Off this place of the surface.
        spot: Spot,
        /// Free gap to the surface there, mm.
        gap_mm: f64,
        /// Diameter, mm.
        width_mm: f64,
    },
    /// A blob that is half sunk into the surface without being joined to it.
    Crossing {
        /// Where.
        spot: Spot,
        /// Diameter, mm.
        width_mm: f64,
    },
    /// One facet too many on an edge.
    Fin {
        /// The edge nearest to this place.
        spot: Spot,
        /// How far the facet stands out, mm.
        height_mm: f64,
    },
    /// Facets wound the other way round.
    Flipped {
        /// Those with their middle within the radius of this place.
        spot: Spot,
        /// Radius, mm.
        radius_mm: f64,
    },
    /// The shape is the other ear's, as when a file was mirrored.
    Mirrored,
    /// Every facet's winding is turned round.
    Inverted,
    /// Coordinates are written in inches.
    Inches,
}

/// A hole put in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HoleTruth {
    /// Length of the rim.
    pub length_mm: f64,
    /// Area of the flat fan across the rim.
    pub area_mm2: f64,
    /// Largest distance across the rim.
    pub span_mm: f64,
    /// Middle of the rim.
    pub point_mm: [f64; 3],
    /// Arc position along the canal's axis, where the hole is in the canal.
    pub at_mm: Option<f64>,
}

/// A fault put in, and where it is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Placed {
    /// The fault with its measures.
    pub fault: Fault,
    /// The place, if it has one.
    pub point_mm: Option<[f64; 3]>,
    /// Arc position along the canal's axis, where the place is in the canal.
    pub at_mm: Option<f64>,
}

impl Fault {
    /// The place named in the fault.
    #[must_use]
    pub fn spot(&self) -> Option<Spot> {
        match *self {
            Self::Bubble { spot, .. }
            | Self::Hole { spot, .. }
            | Self::Floater { spot, .. }
            | Self::Crossing { spot, .. }
            | Self::Fin { spot, .. }
            | Self::Flipped { spot, .. } => Some(spot),
            _ => None,
        }
    }

    /// Changes the parameters, where the fault is one of parameters.
    pub(crate) fn shape(&self, model: &mut EarModel) {
        let canal = &mut model.canal;
        match *self {
            Self::Short { length_mm } => canal.length_mm = length_mm.max(1.0),
            Self::NoSecondBend { past_mm } => {
                canal.bends.sort_by(|a, b| a.at_mm.total_cmp(&b.at_mm));
                canal.bends.truncate(1);
                let bend_mm = canal.bends.first().map_or(0.0, |b| b.at_mm);
                canal.length_mm = (bend_mm + past_mm).max(1.0);
            }
            _ => {}
        }
    }

    /// Adds to the solid or takes from it, where the fault is one of the impression.
    pub(crate) fn mould(&self, model: &EarModel, solid: &mut Solid) {
        match *self {
            Self::Bubble {
                spot,
                width_mm,
                depth_mm,
            } => {
                let (p, n) = spot.on(solid);
                let half = width_mm / 2.0;
                let radius = (half * half + depth_mm * depth_mm) / (2.0 * depth_mm);
                let centre = p + n * (radius - depth_mm);
                let ball = Lobe::new(centre.into(), [radius; 3], 0.0, 0.0);
                solid.push(Extra::CutLobe(ball, 0.15));
            }
            Self::Feather {
                length_mm,
                thick_mm,
            } => {
                let end = solid.tube.centre(model.canal.length_mm);
                let from = end - solid.tube.direction(model.canal.length_mm) * 1.5;
                let half = [length_mm + 1.5, 2.4, thick_mm / 2.0];
                solid.push(Extra::JoinLobe(
                    Lobe::new(from.into(), half, 12.0, 0.0),
                    0.3,
                ));
            }
            Self::Stand {
                radius_mm,
                length_mm,
            } => {
                let foot = solid.face_middle();
                let rod = Rod::new(
                    foot - Vector::x() * 3.0,
                    foot + Vector::x() * (length_mm - radius_mm).max(0.0),
                    [radius_mm; 2],
                );
                solid.push(Extra::JoinRod(rod, 1.0));
            }
            Self::Plate { thick_mm } => {
                let foot = solid.face_middle();
                let low = foot + Vector::new(-0.8, -16.0, -18.0);
                let high = foot + Vector::new(thick_mm, 18.0, 22.0);
                solid.push(Extra::JoinSlab(Slab { low, high }, 0.5));
            }
            _ => {}
        }
    }
}

impl Spot {
    /// The place on the solid and the outward normal there.
    pub(crate) fn on(&self, solid: &Solid) -> (Point, Vector) {
        let (from, along) = match *self {
            Self::Canal { at_mm, around_deg } => {
                let t = solid.tube.direction(at_mm);
                let up = (Vector::z() - t * t.z).normalize();
                let forward = (Vector::y() - t * t.y - up * up.y).normalize();
                let (sin, cos) = around_deg.to_radians().sin_cos();
                (solid.tube.centre(at_mm), up * cos + forward * sin)
            }
            Self::Concha { back_deg, up_deg } => {
                let (back, up) = (back_deg.to_radians(), up_deg.to_radians());
                let along = Vector::new(-back.cos() * up.cos(), -back.sin() * up.cos(), up.sin());
                (solid.cavum_middle(), along)
            }
        };
        let field: Field = &|p: &Point| solid.at(p);
        let reach = crossings(field, &from, &along, 40.0).first().copied();
        let p = from + along * reach.unwrap_or(0.0);
        let n = solid.at(&p).g.try_normalize(1e-12).unwrap_or(along);
        (p, n)
    }
}

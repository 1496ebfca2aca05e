//! The room inside a shell: a closed surface, and where its faceplate and its tip are, if known.

use super::tip::Tip;
use crate::mesh::{Mesh, Point, Topology, Vector};

/// The underside of the faceplate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faceplate {
    /// Any point of the plane.
    pub point: Point,
    /// Unit normal, out of the cavity.
    pub outward: Vector,
}

impl Faceplate {
    /// Height over the plane, mm; negative inside the cavity.
    #[must_use]
    pub fn height(&self, p: &Point) -> f64 {
        (p - self.point).dot(&self.outward)
    }

    /// Facets within this of the plane are the faceplate. Below: a plane read back from a file in
    /// single precision (1e-6 mm at 20 mm) is lost; above: a wall that meets it at a right angle
    /// and is cut into facets of 0.05 mm would count.
    pub(crate) const FLAT_MM: f64 = 1e-3;

    /// Is this facet part of the faceplate?
    #[must_use]
    pub fn carries(&self, corners: &[Point; 3]) -> bool {
        corners
            .iter()
            .all(|p| self.height(p).abs() <= Self::FLAT_MM)
    }
}

/// A closed cavity. Facets look outward (away from the room) once it is made.
#[derive(Debug, Clone, PartialEq)]
pub struct Cavity {
    mesh: Mesh,
    /// The faceplate's underside, where it is known.
    pub faceplate: Option<Faceplate>,
    /// The end that bores leave through, where it is known.
    pub tip: Option<Tip>,
}

/// Why a mesh is no cavity that a proof could stand on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CavityError {
    /// There is nothing there.
    #[error("the cavity has no facets, or no volume")]
    Empty,
    /// It has open edges.
    #[error("the cavity is open: {edges} edges have a facet on one side only")]
    Open {
        /// How many.
        edges: usize,
    },
    /// Facets disagree which way is out.
    #[error("the cavity's facets disagree which way is out, at {edges} edges")]
    Flipped {
        /// How many.
        edges: usize,
    },
}

impl CavityError {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> &'static str {
        match self {
            Self::Empty => "give the closed inner surface of a shell",
            Self::Open { .. } => "close the surface, or let the shell be made from the scan",
            Self::Flipped { .. } => "turn the facets the same way round",
        }
    }
}

impl Cavity {
    /// Takes a closed surface; one that is inside out is turned.
    ///
    /// # Errors
    /// [`CavityError`] where it is open, wound two ways, or empty.
    pub fn new(mesh: Mesh) -> Result<Self, CavityError> {
        let topology = Topology::new(&mesh);
        if topology.open_edges > 0 {
            return Err(CavityError::Open {
                edges: topology.open_edges,
            });
        }
        if topology.flipped_edges > 0 {
            return Err(CavityError::Flipped {
                edges: topology.flipped_edges,
            });
        }
        let volume = mesh.signed_volume_mm3();
        if mesh.facets().is_empty() || volume.abs() < 1e-9 {
            return Err(CavityError::Empty);
        }
        let mesh = if volume < 0.0 { mesh.inverted() } else { mesh };
        Ok(Self {
            mesh,
            faceplate: None,
            tip: None,
        })
    }

    /// The same cavity with its faceplate known.
    #[must_use]
    pub fn with_faceplate(mut self, faceplate: Faceplate) -> Self {
        self.faceplate = Some(faceplate);
        self
    }

    /// The same cavity with its tip known.
    #[must_use]
    pub fn with_tip(mut self, tip: Tip) -> Self {
        self.tip = Some(tip);
        self
    }

    /// The surface.
    #[must_use]
    pub fn mesh(&self) -> &Mesh {
        &self.mesh
    }

    /// Volume, mm³.
    #[must_use]
    pub fn volume_mm3(&self) -> f64 {
        self.mesh.signed_volume_mm3()
    }
}

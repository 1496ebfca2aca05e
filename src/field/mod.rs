//! Signed distance to a scan, and the surfaces made from it.
//!
//! Everything here answers "how far, and on which side": exact distance to a mesh, sign on meshes
//! with holes and fins, sparse grids of it, and level sets of it drawn as closed meshes.

mod agree;
mod band;
mod caps;
mod contour;
mod crossing;
mod distance;
mod leaf;
mod moments;
mod offset;
mod pseudonormal;
mod shapes;
#[cfg(test)]
mod test_shapes;
mod tree;

pub use band::{Band, Reading};
pub(crate) use crossing::pairs_where;
pub(crate) use tree::Tree;

pub use contour::{ContourError, Surface, project, surface};
pub use distance::{SignRule, SignedDistance};
pub use offset::{Deviation, Offset, crossings, deviation, over_openings};
pub use shapes::{Bore, HalfSpace, Outside, Overlap, Union};

use crate::mesh::{Point, Vector};

/// A field's value at a point, with what is needed to ask quickly nearby.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Where it was asked.
    pub at: Point,
    /// Signed value, mm: negative inside.
    pub value_mm: f64,
    /// Direction of steepest rise; length about 1.
    pub gradient: Vector,
    /// Signed distance to the mesh alone, mm (what remains of it where other shapes take over).
    pub distance_mm: f64,
    /// The mesh facet nearest, `u32::MAX` where no mesh was asked.
    pub facet: u32,
    /// Which mesh that is: a number of its own for each [`SignedDistance`], 0 for none.
    pub mesh: u32,
}

impl Sample {
    /// A sample of a shape without a mesh.
    #[must_use]
    pub fn of_shape(at: &Point, value_mm: f64, gradient: Vector) -> Self {
        Self {
            at: *at,
            value_mm,
            gradient,
            distance_mm: f64::NAN,
            facet: u32::MAX,
            mesh: 0,
        }
    }
}

/// A solid told by a function: negative inside, positive outside, zero on its surface.
///
/// A value may never promise more room than there is: between two points it changes by no more
/// than [`Implicit::slope`] times their distance.
pub trait Implicit: Sync {
    /// Value and gradient at `p`. `near` is any sample of the same field taken close by; it makes
    /// the answer quicker and never changes it (but for ties).
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample;

    /// A box that holds the whole solid, mm.
    fn bounds(&self) -> (Point, Point);

    /// The steepest the value can be, mm per mm.
    fn slope(&self) -> f64 {
        1.0
    }
}

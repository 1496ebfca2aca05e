//! Triangle meshes and the questions one can ask of any of them; nothing here knows what an ear is.

mod queries;
mod topology;

pub(crate) use queries::Shear;
pub use queries::{MeshQueries, Nearest, RayHit, nearest_on_triangle};
pub use topology::{BoundaryLoop, Link, Topology};

use nalgebra::{Point3, Vector3};

/// A point in millimetres, in the pose of the input file.
pub type Point = Point3<f64>;
/// A direction or displacement.
pub type Vector = Vector3<f64>;

/// Points and triangles, nothing else. Facets are counter-clockwise seen from outside, if the
/// file says so; a scan may be inverted or flipped in places, which [`crate::soundness`] tells.
///
/// Invariants kept by [`Mesh::new`]: every index is in range and every coordinate is finite.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Mesh {
    points: Vec<Point>,
    facets: Vec<[u32; 3]>,
}

/// Why points and facets do not make a mesh.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MeshError {
    /// A facet names a point that is not there.
    #[error("facet {facet} names point {point}, but there are only {points}")]
    IndexOutOfRange {
        /// Which facet (from 0).
        facet: usize,
        /// The index it names.
        point: u32,
        /// How many points there are.
        points: usize,
    },
    /// A coordinate is NaN or infinite.
    #[error("point {point} has a coordinate that is not a finite number")]
    NotFinite {
        /// Which point (from 0).
        point: usize,
    },
}

impl Mesh {
    /// Takes points (mm) and facets after checking that indices and coordinates are usable.
    ///
    /// # Errors
    /// [`MeshError`] names the first index out of range or the first coordinate that is not finite.
    pub fn new(points: Vec<Point>, facets: Vec<[u32; 3]>) -> Result<Self, MeshError> {
        if let Some(point) = points.iter().position(|p| !p.iter().all(|c| c.is_finite())) {
            return Err(MeshError::NotFinite { point });
        }
        for (facet, corners) in facets.iter().enumerate() {
            if let Some(&point) = corners.iter().find(|&&c| c as usize >= points.len()) {
                return Err(MeshError::IndexOutOfRange {
                    facet,
                    point,
                    points: points.len(),
                });
            }
        }
        Ok(Self { points, facets })
    }

    /// All points, mm.
    #[must_use]
    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// All facets, as indices into [`Mesh::points`].
    #[must_use]
    pub fn facets(&self) -> &[[u32; 3]] {
        &self.facets
    }

    /// The three corners of a facet.
    #[must_use]
    pub fn corners(&self, facet: usize) -> [Point; 3] {
        self.facets[facet].map(|i| self.points[i as usize])
    }

    /// Twice the area vector of a facet: (b − a) × (c − a), along its outward normal.
    #[must_use]
    pub fn area_vector(&self, facet: usize) -> Vector {
        let [a, b, c] = self.corners(facet);
        (b - a).cross(&(c - a))
    }

    /// Unit normal of a facet, or `None` where it has no area.
    #[must_use]
    pub fn normal(&self, facet: usize) -> Option<Vector> {
        self.area_vector(facet).try_normalize(1e-300)
    }

    /// Sum of facet areas, mm².
    #[must_use]
    pub fn area_mm2(&self) -> f64 {
        (0..self.facets.len())
            .map(|f| 0.5 * self.area_vector(f).norm())
            .sum()
    }

    /// Volume by the divergence theorem, mm³: negative where the mesh is inside out, and only a
    /// volume at all where it is closed. Summed about the box's middle, so that a mesh far from
    /// the origin loses no digits.
    #[must_use]
    pub fn signed_volume_mm3(&self) -> f64 {
        let Some((lo, hi)) = self.bounds() else {
            return 0.0;
        };
        let o = nalgebra::center(&lo, &hi);
        let six = (0..self.facets.len()).map(|f| {
            let [a, b, c] = self.corners(f).map(|p| p - o);
            a.dot(&b.cross(&c))
        });
        six.sum::<f64>() / 6.0
    }

    /// Smallest box with sides along the axes, or `None` without points.
    #[must_use]
    pub fn bounds(&self) -> Option<(Point, Point)> {
        let first = *self.points.first()?;
        Some(
            self.points
                .iter()
                .fold((first, first), |(lo, hi), p| (lo.inf(p), hi.sup(p))),
        )
    }

    /// Area-weighted unit normals at the points; zero where a point has no facet.
    #[must_use]
    pub fn point_normals(&self) -> Vec<Vector> {
        let mut normals = vec![Vector::zeros(); self.points.len()];
        for (f, corners) in self.facets.iter().enumerate() {
            let n = self.area_vector(f);
            for &c in corners {
                normals[c as usize] += n;
            }
        }
        for n in &mut normals {
            *n = n.try_normalize(1e-300).unwrap_or_else(Vector::zeros);
        }
        normals
    }

    /// The same surface with every facet's winding turned round.
    #[must_use]
    pub fn inverted(&self) -> Self {
        let facets = self.facets.iter().map(|&[a, b, c]| [a, c, b]).collect();
        Self {
            points: self.points.clone(),
            facets,
        }
    }

    /// The same facets with every point moved by `f`.
    ///
    /// # Errors
    /// [`MeshError::NotFinite`] if `f` returns a coordinate that is not finite.
    pub fn mapped(&self, f: impl FnMut(&Point) -> Point) -> Result<Self, MeshError> {
        Self::new(self.points.iter().map(f).collect(), self.facets.clone())
    }

    /// Points and facets, given away.
    #[must_use]
    pub fn into_parts(self) -> (Vec<Point>, Vec<[u32; 3]>) {
        (self.points, self.facets)
    }
}

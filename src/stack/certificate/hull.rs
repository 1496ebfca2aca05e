//! Parts given as convex surfaces: their distances from boxes, facets and tubes by a library
//! (parry3d: Gilbert–Johnson–Keerthi apart, expanding polytope where they overlap), which the search
//! does not use for this.

use nalgebra::{Rotation3, UnitQuaternion};
use parry3d_f64::math::{Pose as At, Rotation, Vector as Place};
use parry3d_f64::query::{contact, distance};
use parry3d_f64::shape::{ConvexPolyhedron, Cuboid, Segment, Shape, Triangle};
use rayon::prelude::*;

use super::solid::Solid;
use super::wall::{beyond, winding_number};
use crate::mesh::{Mesh, MeshQueries, Point};
use crate::stack::pose::Pose;

/// A convex body where it stands.
pub struct Hull {
    shape: ConvexPolyhedron,
    points: Vec<Point>,
    middle: Point,
}

fn place(p: &Point) -> Place {
    Place::new(p.x, p.y, p.z)
}

impl Hull {
    /// The hull of a part's surface at a pose; `None` where the library finds none (the box round it
    /// then stands for it).
    pub fn placed(surface: &Mesh, pose: &Pose) -> Option<Self> {
        let points: Vec<Point> = surface
            .points()
            .iter()
            .map(|p| pose.place(&p.coords))
            .collect();
        let places: Vec<Place> = points.iter().map(place).collect();
        Some(Self {
            shape: ConvexPolyhedron::from_convex_hull(&places)?,
            points,
            middle: pose.middle,
        })
    }

    /// Margin from another body: distance, or minus the way that parts them.
    fn margin(&self, at: &At, other: &dyn Shape) -> f64 {
        let here = At::identity();
        let apart = distance(&here, &self.shape, at, other).map_or(0.0, |d| d.distance);
        if apart > 0.0 {
            return apart;
        }
        let met = contact(&here, &self.shape, at, other, 0.0).ok().flatten();
        met.map_or(0.0, |c| c.dist.min(0.0))
    }

    /// Margin from a box.
    pub fn from_box(&self, solid: &Solid) -> f64 {
        let turn = Rotation3::from_matrix_unchecked(nalgebra::Matrix3::from_columns(&solid.axes));
        let q = UnitQuaternion::from_rotation_matrix(&turn);
        let turn = Rotation::from_xyzw(q.i, q.j, q.k, q.w);
        let half = Place::new(solid.half[0], solid.half[1], solid.half[2]);
        let at = At::from_parts(place(&solid.middle), turn);
        self.margin(&at, &Cuboid::new(half))
    }

    /// Margin from another convex surface.
    pub fn from_hull(&self, other: &Self) -> f64 {
        self.margin(&At::identity(), &other.shape)
    }

    /// Margin from a straight piece.
    pub fn from_piece(&self, a: &Point, b: &Point) -> f64 {
        self.margin(&At::identity(), &Segment::new(place(a), place(b)))
    }

    /// Margin from the wall; `around` is the box round it. As of a box: where it crosses the surface or
    /// lies outside, minus the largest distance beyond the surface among its points.
    pub fn from_wall(
        &self,
        queries: &MeshQueries,
        around: &Solid,
        skip: &(dyn Fn(u32) -> bool + Sync),
    ) -> f64 {
        let least = super::wall::nearest_by(queries, around, skip, &|facet| {
            let [a, b, c] = facet.map(|p| place(&p));
            self.margin(&At::identity(), &Triangle::new(a, b, c))
                .max(0.0)
        });
        let drawn_in = |p: &Point| p + (self.middle - p) * 1e-9;
        let inside = self
            .points
            .par_iter()
            .all(|p| winding_number(queries.mesh, &drawn_in(p)) > 0.5);
        if least > 0.0 && inside {
            return least;
        }
        let out = self.points.iter().filter(|p| beyond(queries, p));
        let deep = out.filter_map(|p| queries.nearest(p, f64::INFINITY));
        -deep.map(|n| n.distance_mm).fold(1e-9, f64::max)
    }
}

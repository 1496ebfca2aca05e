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
    pub fn off_box(&self, solid: &Solid) -> f64 {
        let turn = Rotation3::from_matrix_unchecked(nalgebra::Matrix3::from_columns(&solid.axes));
        let q = UnitQuaternion::from_rotation_matrix(&turn);
        let turn = Rotation::from_xyzw(q.i, q.j, q.k, q.w);
        let half = Place::new(solid.half[0], solid.half[1], solid.half[2]);
        let at = At::from_parts(place(&solid.middle), turn);
        self.margin(&at, &Cuboid::new(half))
    }

    /// Margin from another convex surface.
    pub fn off_hull(&self, other: &Self) -> f64 {
        self.margin(&At::identity(), &other.shape)
    }

    /// Margin from a straight piece.
    pub fn off_piece(&self, a: &Point, b: &Point) -> f64 {
        self.margin(&At::identity(), &Segment::new(place(a), place(b)))
    }

    /// Margin from the wall; `around` is the box round it. As of a box: where it crosses the surface or
    /// lies outside, minus the largest distance beyond the surface among its points.
    pub fn off_wall(
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::Vector;
    use crate::stack::shapes::{block, octahedron};

    fn octahedron_at(x: f64, y: f64, z: f64) -> Hull {
        Hull::placed(&octahedron(2.0), &Pose::upright(Point::new(x, y, z))).unwrap()
    }

    fn cube(side: f64, x: f64, y: f64, z: f64) -> Solid {
        let pose = Pose::upright(Point::new(x, y, z));
        Solid::placed(&pose, &Vector::zeros(), [side / 2.0; 3])
    }

    #[test]
    fn distances_of_an_octahedron_in_closed_form() {
        let hull = octahedron_at(0.0, 0.0, 0.0);
        // A corner over the face x + y + z = 2, a side before a corner, and one that is entered.
        let over_face = hull.off_box(&cube(1.0, 3.0, 3.0, 3.0));
        assert!(
            (over_face - 5.5 / 3.0_f64.sqrt()).abs() < 1e-9,
            "{over_face}"
        );
        let before = hull.off_box(&cube(2.0, 4.0, 0.1, 0.0));
        assert!((before - 1.0).abs() < 1e-9, "{before}");
        let entered = hull.off_box(&cube(2.0, 2.8, 0.0, 0.0));
        assert!((entered + 0.2).abs() < 1e-6, "{entered}");
        let other = hull.off_hull(&octahedron_at(3.0, 3.0, 0.0));
        // Edges x + y = 2 and (3 − x) + (3 − y) = 2 face each other.
        assert!((other - 2.0 / 2.0_f64.sqrt()).abs() < 1e-9, "{other}");
        let piece = hull.off_piece(&Point::new(-5.0, 0.0, 2.5), &Point::new(5.0, 0.0, 2.5));
        assert!((piece - 0.5).abs() < 1e-9, "{piece}");
    }

    #[test]
    fn an_octahedron_and_the_walls_of_a_block() {
        let room = block(10.0, 8.0, 6.0);
        let queries = MeshQueries::new(&room);
        let at = |x: f64, z: f64| {
            let hull = octahedron_at(x, 0.0, z);
            hull.off_wall(&queries, &cube(4.0, x, 0.0, z), &|_| false)
        };
        assert!((at(0.0, 0.0) - 1.0).abs() < 1e-9, "{}", at(0.0, 0.0));
        assert!((at(2.7, 0.0) - 0.3).abs() < 1e-9, "{}", at(2.7, 0.0));
        assert!((at(0.0, 1.5) + 0.5).abs() < 1e-6, "{}", at(0.0, 1.5));
        assert!(at(30.0, 0.0) < -20.0);
    }
}

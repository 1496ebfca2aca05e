//! The cavity: what lies deeper than the wall below the drawn outer surface.
//!
//! It is measured from the outer surface as drawn, not from the scan less build-up. Offsets do not
//! add up: where the build-up changes by 0.15 mm a mm the level set of both together leaves a wall
//! 1 % too thin, and where it has closed a groove, one that is too thick; and the scan's own outer
//! face, cut off by the faceplate's plane, would still keep the cavity away. One more tree over the
//! drawn facets costs a twentieth of a drawing.

use crate::field::{HalfSpace, Implicit, SignedDistance};
use crate::mesh::{Link, Mesh, Point, Topology};

use super::faceplate::Plane;
use super::outer::Across;
use super::solids::subset;
use super::trimmed::Trimmed;
use super::zones::{Amounts, Moved};

/// Facets whose corners all lie this near the faceplate's plane are the faceplate, mm: the drawing
/// brings points onto their surface within 0.005.
const FLAT_MM: f64 = 0.006;

/// Tells of each facet of the outer surface whether it is the faceplate.
pub(super) fn on_plate<'a>(outer: &'a Mesh, plane: &'a Plane) -> impl Fn(usize) -> bool + 'a {
    |f| {
        let corners = outer.corners(f);
        let up = outer.area_vector(f).dot(&plane.outward) > 0.0;
        up && corners.iter().all(|p| plane.height(p).abs() < FLAT_MM)
    }
}

/// The outer surface without its faceplate, its rim drawn out straight by `by_mm` and open there,
/// and the area that was taken off. Walls are measured from it: the faceplate is no wall.
pub(super) fn drawn_out(outer: &Mesh, plane: &Plane, by_mm: f64) -> (Mesh, f64) {
    let flat = on_plate(outer, plane);
    let off: f64 = (0..outer.facets().len())
        .filter(|&f| flat(f))
        .map(|f| outer.area_vector(f).norm() / 2.0)
        .sum();
    let open = subset(outer, |f| !flat(f));
    let topology = Topology::new(&open);
    let (mut points, mut facets) = open.into_parts();
    let mut above = vec![u32::MAX; points.len()];
    for f in 0..topology.links.len() {
        for e in 0..3 {
            if topology.links[f][e] != Link::Open {
                continue;
            }
            let (a, b) = (facets[f][e], facets[f][(e + 1) % 3]);
            let [up_a, up_b] = [a, b].map(|p| {
                if above[p as usize] == u32::MAX {
                    above[p as usize] = points.len() as u32;
                    let from: Point = points[p as usize];
                    points.push(from + plane.outward * (by_mm - plane.height(&from)));
                }
                above[p as usize]
            });
            facets.push([b, a, up_a]);
            facets.push([b, up_a, up_b]);
        }
    }
    // Corners are those of a mesh and points made from finite ones.
    (Mesh::new(points, facets).unwrap_or_default(), off)
}

/// What bounds the cavity.
pub(super) struct Room<'a> {
    moved: Moved<'a>,
    under: HalfSpace,
    solid_tip: Option<&'a Across>,
}

impl<'a> Room<'a> {
    /// The points deeper than `walls` below `field`, under a plane, and outward of a solid tip.
    pub fn new(
        field: &'a SignedDistance,
        walls: &'a Amounts,
        under: &Plane,
        solid_tip: Option<&'a Across>,
    ) -> Option<Self> {
        Some(Self {
            moved: Moved {
                field,
                by: walls,
                sign: -1.0,
            },
            under: HalfSpace::new(under.point, &under.outward)?,
            solid_tip,
        })
    }

    /// As a solid.
    pub fn solid(&self) -> Trimmed<'_> {
        let mut cuts: Vec<&dyn Implicit> = vec![&self.under];
        if let Some(tip) = self.solid_tip {
            cuts.push(tip);
        }
        Trimmed {
            moved: &self.moved,
            rounded: None,
            cuts,
        }
    }
}

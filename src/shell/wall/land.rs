//! The flat land of a rim, between outer and inner surface at an opening: an edge, no wall.
//!
//! Where the walls behind it lean, a ball that touches the land is held by the wall that leans over
//! its border, as in a wedge, and reads thinner the nearer it comes to that border. That is
//! the shape of the rim; the wall beside it is read from the outer surface. What lies squarely behind
//! a land (the underside of a closed faceplate, seen from beside its vent) is a wall and stays one.

use crate::mesh::{Link, Mesh, Topology, Vector};

use super::ball::{At, Reading};
use super::opening::Opened;
use super::seat::{Seats, convex_cos};
use super::side::Surface;

/// Facets of a land look the same way within this, degrees. Too low: the rim of a noisy shell falls
/// apart (noise of 0.02 mm on edges of 0.2 mm turns facets by 8°); too high: it runs over into an
/// outer surface that meets it at a low angle. Not tuned.
const FLAT_DEG: f64 = 20.0;
/// Shares of a land's border, at least, along the inner and along the outer surface. A ring of 1 mm has
/// 0.4 and more of each; a flat face with a vent in it has 0.1 of inner.
const BORDER: f64 = 0.2;
/// A contact whose facet looks back within this of squarely is a wall behind the land, degrees. The
/// wall of a wedge of 30° looks back within 30; sharper ones are feathers, told by their own rule.
const SQUARE_DEG: f64 = 30.0;

/// Where lands are looked for.
pub(super) struct Lands<'a> {
    pub mesh: &'a Mesh,
    pub topology: &'a Topology,
    pub normals: &'a [Vector],
    /// Of every facet.
    pub surface: &'a [Surface],
    /// Where outer and inner surface, given apart, lie on each other: the inside begins there.
    pub opened: &'a Opened,
    /// A convex edge turns by this or more, cosine.
    pub sharp_cos: f64,
}

impl Lands<'_> {
    /// Counts as edge every reading of a land that is held by a wall leaning over its border.
    pub fn mark(&self, seats: &Seats, at: &mut [At], widest_mm: f64) {
        let square = -SQUARE_DEG.to_radians().cos();
        for land in self.found(widest_mm) {
            for p in land.iter().flat_map(|&f| self.mesh.facets()[f]) {
                let here = &mut at[p as usize];
                let Some(behind) = self.normals.get(here.facet as usize) else {
                    continue;
                };
                let leans = behind.dot(&seats.normal[p as usize]) > square;
                if here.reading == Reading::Wall && leans {
                    here.reading = Reading::Edge;
                }
            }
        }
    }

    /// Lands no wider than this on average, as lists of facets.
    fn found(&self, widest_mm: f64) -> Vec<Vec<usize>> {
        let mut seen = vec![false; self.mesh.facets().len()];
        let mut out = Vec::new();
        for f in 0..seen.len() {
            if seen[f] || self.is_inside(f) || !self.is_over_inside(f) {
                continue;
            }
            let land = self.grown(f, &mut seen);
            if self.is_land(&land, widest_mm) {
                out.push(land);
            }
        }
        out
    }

    /// Whether a facet is inner surface, or closes the opening.
    fn is_inside(&self, f: usize) -> bool {
        self.surface[f] == Surface::Inner || self.opened.holds(f)
    }

    /// Whether the inside begins at a sharp edge of this facet, or at one that it has in common with
    /// the opening.
    fn is_over_inside(&self, f: usize) -> bool {
        self.beside(f)
            .any(|(_, g)| self.opened.holds(g) || (self.is_inside(g) && self.is_sharp(f, g)))
    }

    fn is_sharp(&self, f: usize, g: usize) -> bool {
        convex_cos(self.mesh, self.normals, f, g) <= self.sharp_cos
    }

    /// Edges of a facet with the facets across them.
    fn beside(&self, f: usize) -> impl Iterator<Item = (usize, usize)> + '_ {
        (0..3).filter_map(move |e| match self.topology.links[f][e] {
            Link::Facet(g) | Link::Flipped(g) => Some((e, g as usize)),
            Link::Open | Link::Fin => None,
        })
    }

    fn grown(&self, from: usize, seen: &mut [bool]) -> Vec<usize> {
        let flat = FLAT_DEG.to_radians().cos();
        let way = self.normals[from];
        let mut land = vec![from];
        seen[from] = true;
        let mut next = 0;
        while let Some(&f) = land.get(next) {
            next += 1;
            for (_, g) in self.beside(f) {
                let fits = !self.is_inside(g) && self.normals[g].dot(&way) >= flat;
                if fits && !seen[g] {
                    seen[g] = true;
                    land.push(g);
                }
            }
        }
        land
    }

    fn is_land(&self, land: &[usize], widest_mm: f64) -> bool {
        let inside: std::collections::HashSet<usize> = land.iter().copied().collect();
        let (mut area, mut inner, mut outer) = (0.0, 0.0, 0.0);
        for &f in land {
            area += self.mesh.area_vector(f).norm() / 2.0;
            let corners = self.mesh.corners(f);
            for (e, g) in self.beside(f).filter(|(_, g)| !inside.contains(g)) {
                let length = (corners[(e + 1) % 3] - corners[e]).norm();
                if self.is_inside(g) {
                    inner += length;
                } else {
                    outer += length;
                }
            }
        }
        let border = inner + outer;
        border > 0.0
            && inner >= BORDER * border
            && outer >= BORDER * border
            && 2.0 * area / border <= widest_mm
    }
}

//! The wall as the polish meets it: which of a facet's edges and corners a box can touch at all.
//!
//! At an edge where the room is convex, each of the two facets lies on the room's side of the other's plane:
//! from any point inside, one of them comes nearer than the edge does, so the edge is never the nearest.
//! Nor is a corner at which all edges are such. What is left are the box's corners over facets, and the edges
//! and corners that stand out into the room.

use super::contact::Block;
use crate::mesh::{Link, Mesh, MeshQueries, Point, Topology, Vector};

/// A facet, with what of it can be touched.
#[derive(Debug, Clone, Copy)]
pub struct Facet {
    pub corners: [Point; 3],
    /// Middle and radius of a ball round it.
    pub middle: Point,
    pub radius_mm: f64,
    /// Edges (0→1), (1→2), (2→0) that stand out into the room, a bit each.
    pub ridges: u8,
    /// Corners with such an edge, a bit each.
    pub peaks: u8,
}

/// The wall of the room.
pub struct Wall<'m> {
    pub queries: &'m MeshQueries<'m>,
    facets: Vec<Facet>,
}

impl<'m> Wall<'m> {
    pub fn new(queries: &'m MeshQueries<'m>) -> Self {
        let mesh = queries.mesh;
        let links = Topology::new(mesh).links;
        let ridge = |f: usize, e: usize| match links[f][e] {
            Link::Facet(g) => stands_out(mesh, f, g as usize),
            _ => true,
        };
        let ridges: Vec<[bool; 3]> = (0..mesh.facets().len())
            .map(|f| [0, 1, 2].map(|e| ridge(f, e)))
            .collect();
        let mut peak = vec![false; mesh.points().len()];
        for (facet, ridges) in mesh.facets().iter().zip(&ridges) {
            for e in (0..3).filter(|&e| ridges[e]) {
                peak[facet[e] as usize] = true;
                peak[facet[(e + 1) % 3] as usize] = true;
            }
        }
        let bits = |on: [bool; 3]| (0..3).map(|k| u8::from(on[k]) << k).sum();
        let facets = (mesh.facets().iter().zip(&ridges).enumerate())
            .map(|(f, (facet, ridges))| {
                let corners = mesh.corners(f);
                let middle = Point::from(corners.iter().map(|p| p.coords).sum::<Vector>() / 3.0);
                let radius_mm = corners
                    .iter()
                    .map(|p| (p - middle).norm())
                    .fold(0.0, f64::max);
                Facet {
                    corners,
                    middle,
                    radius_mm,
                    ridges: bits(*ridges),
                    peaks: bits(facet.map(|p| peak[p as usize])),
                }
            })
            .collect();
        Self { queries, facets }
    }

    /// Facets that may come within `reach` mm of a box: those whose bounds do, by the ball round them.
    pub fn near(&self, block: &Block, reach: f64) -> impl Iterator<Item = u32> + '_ {
        let (home, half) = (block.turn.transpose(), Vector::from(block.half));
        let middle = block.middle;
        let spread = block.turn.abs() * half + Vector::repeat(reach);
        self.queries.tree().leaves(move |node| {
            let (lo, hi) = (node.mins(), node.maxs());
            let (centre, size) = ((lo + hi) * 0.5, (hi - lo) * 0.5);
            let off = Vector::new(centre.x, centre.y, centre.z) - middle.coords;
            let over = off.abs() - spread;
            if over.x > size.x || over.y > size.y || over.z > size.z {
                return false;
            }
            let over = (home * off).abs() - half;
            let far = reach + size.length();
            over.sup(&Vector::zeros()).norm_squared() < far * far
        })
    }

    pub fn facet(&self, f: u32) -> &Facet {
        &self.facets[f as usize]
    }
}

/// Does the edge between two facets stand out into the room, or lie flat? The normals look out of it.
fn stands_out(mesh: &Mesh, f: usize, g: usize) -> bool {
    let [a, ..] = mesh.corners(f);
    let Some(normal) = mesh.normal(f) else {
        return true;
    };
    let beyond = |p: &Point| (p - a).dot(&normal);
    mesh.corners(g)
        .iter()
        .map(beyond)
        .fold(f64::NEG_INFINITY, f64::max)
        > 1e-9
        || mesh.normal(g).is_none()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::search::rng::Rng;
    use crate::stack::search::witness::witnesses;
    use crate::stack::shapes::{block, sphere};

    /// A ball with bumps in and out, 6 mm in the mean.
    fn bumpy() -> Mesh {
        let swell = |p: &Point| {
            let turn = p.y.atan2(p.x);
            p * (1.0 + 0.12 * (3.0 * turn).cos() * (1.0 - p.z * p.z / 36.0))
        };
        sphere(6.0, 16).mapped(swell).unwrap()
    }

    #[test]
    fn a_convex_room_has_no_ridge_and_one_with_a_bump_inward_has() {
        let (convex, bumpy) = (block(8.0, 6.0, 4.0), bumpy());
        for (mesh, some) in [(convex, false), (bumpy, true)] {
            let queries = MeshQueries::new(&mesh);
            let wall = Wall::new(&queries);
            let standing = wall.facets.iter().filter(|f| f.ridges > 0).count();
            assert_eq!(standing > 0, some);
            assert!(standing < mesh.facets().len());
            assert!(wall.facets.iter().all(|f| f.ridges == 0 || f.peaks > 0));
        }
    }

    #[test]
    fn what_is_passed_over_is_never_nearest() {
        let mesh = bumpy();
        let queries = MeshQueries::new(&mesh);
        let wall = Wall::new(&queries);
        let reach = 0.5;
        let mut rng = Rng::stream(3, 0, 0);
        let mut met = 0;
        for _ in 0..3000 {
            let block = Block {
                middle: Point::origin() + rng.direction() * (5.0 * rng.unit()),
                turn: rng.turn(),
                half: [0, 1, 2].map(|_| rng.within(0.4, 2.5)),
            };
            let least = |facets: &mut dyn Iterator<Item = Facet>| {
                let mut least = f64::INFINITY;
                for facet in facets {
                    witnesses(&block, &facet, reach, &mut |w| least = least.min(w.have));
                }
                least
            };
            let whole = |f: &Facet| Facet {
                ridges: 7,
                peaks: 7,
                ..*f
            };
            let all = least(&mut wall.facets.iter().map(whole));
            let some = least(&mut wall.near(&block, reach).map(|f| *wall.facet(f)));
            if all < 0.0 {
                assert!(some < 0.0);
            } else if all.is_finite() {
                met += 1;
                assert!((all - some).abs() < 1e-9, "{all} {some}");
            }
        }
        assert!(met > 100, "{met}");
    }
}

//! The margin between a solid box and the cavity's surface: exact distance to the nearest facet
//! where no facet enters the box and the box lies inside; negative otherwise.

use std::f64::consts::PI;

use rayon::prelude::*;

use super::segments::segment_distance;
use super::solid::{EDGES, Solid};
use crate::mesh::{Mesh, MeshQueries, Point, Vector, nearest_on_triangle};

/// Margin of the box to the wall, mm. `skip` names facets that do not count as wall (those that
/// carry a part). Where the box crosses the surface or lies outside, the figure is minus the
/// largest distance beyond the surface among the box's corners and a lattice of points on its
/// faces: the true depth is that or more.
pub fn wall_margin(
    queries: &MeshQueries,
    solid: &Solid,
    skip: &(dyn Fn(u32) -> bool + Sync),
) -> f64 {
    let least = nearest_facet(queries, solid, skip);
    let inside = solid
        .corners()
        .par_iter()
        .all(|c| winding_number(queries.mesh, &drawn_in(solid, c)) > 0.5);
    if least > 0.0 && inside {
        return least;
    }
    let depth = lattice(solid)
        .par_iter()
        .filter(|p| beyond(queries, p))
        .filter_map(|p| queries.nearest(p, f64::INFINITY))
        .map(|n| n.distance_mm)
        .reduce(|| 0.0, f64::max);
    // A crossing that no lattice point sees is still a crossing.
    -depth.max(1e-9)
}

/// Is a place outside? By the crossings of one ray: whether the box fits is settled by then, and
/// only how far it is off is asked; the sum of solid angles would take seconds.
pub fn beyond(queries: &MeshQueries, p: &Point) -> bool {
    let skew = Vector::new(0.384_2, -0.561_7, 0.732_9);
    let hits = queries.ray_hits(p, &skew);
    let turns: i64 = hits.iter().map(|h| if h.leaving { 1 } else { -1 }).sum();
    turns <= 0
}

/// A corner moved a hair towards the middle, so that a box which touches a wall is not outside.
fn drawn_in(solid: &Solid, corner: &Point) -> Point {
    corner + (solid.middle - corner) * 1e-9
}

/// Distance to the nearest facet that counts, 0 where one enters the box.
pub fn nearest_facet(
    queries: &MeshQueries,
    solid: &Solid,
    skip: &(dyn Fn(u32) -> bool + Sync),
) -> f64 {
    let corners = solid.corners();
    nearest_by(queries, solid, skip, &|f| {
        facet_distance(solid, &corners, &f)
    })
}

/// The least of `far` over the facets that count; none is less than the facet's distance from `around`.
pub fn nearest_by(
    queries: &MeshQueries,
    around: &Solid,
    skip: &(dyn Fn(u32) -> bool + Sync),
    far: &dyn Fn([Point; 3]) -> f64,
) -> f64 {
    queries
        .tree()
        .find_best(
            f64::INFINITY,
            |node, _| {
                let (lo, hi) = (node.mins(), node.maxs());
                let mid = Point::new(lo.x + hi.x, lo.y + hi.y, lo.z + hi.z) / 2.0;
                let half = Vector::new(hi.x - lo.x, hi.y - lo.y, hi.z - lo.z) / 2.0;
                let own = around.own(&mid);
                let out = |k: usize| {
                    let grown = around.half[k] + around.axes[k].abs().dot(&half);
                    (own[k].abs() - grown).max(0.0)
                };
                Vector::new(out(0), out(1), out(2)).norm()
            },
            |f, so_far| {
                let facet = queries.mesh.corners(f as usize);
                if skip(f) || at_least(around, &facet) >= so_far {
                    return None;
                }
                Some((far(facet), ()))
            },
        )
        .map_or(f64::INFINITY, |(_, (d, ()))| d)
}

/// A facet is no nearer than the box round it, in the solid's own frame.
fn at_least(solid: &Solid, facet: &[Point; 3]) -> f64 {
    let own = [0, 1, 2].map(|i| solid.own(&facet[i]));
    let (lo, hi) = (
        own[0].inf(&own[1]).inf(&own[2]),
        own[0].sup(&own[1]).sup(&own[2]),
    );
    let half = Vector::from(solid.half);
    (lo - half).sup(&(-half - hi)).sup(&Vector::zeros()).norm()
}

/// Exact distance of a solid box and a solid triangle, mm; 0 where they meet.
pub fn facet_distance(solid: &Solid, corners: &[Point; 8], facet: &[Point; 3]) -> f64 {
    if meets(solid, facet) {
        return 0.0;
    }
    let [a, b, c] = facet;
    let mut least = f64::INFINITY;
    for p in facet {
        least = least.min(solid.distance(p));
    }
    for p in corners {
        least = least.min((nearest_on_triangle(p, a, b, c) - p).norm());
    }
    for (i, j) in EDGES {
        for (p, q) in [(a, b), (b, c), (c, a)] {
            least = least.min(segment_distance(&corners[i], &corners[j], p, q));
        }
    }
    least
}

/// Does the triangle share a point with the solid box? Separating axes: the three of the box, the
/// triangle's normal, and the nine products of edges.
fn meets(solid: &Solid, facet: &[Point; 3]) -> bool {
    let own = [0, 1, 2].map(|i| solid.own(&facet[i]));
    let sides = [own[1] - own[0], own[2] - own[1], own[0] - own[2]];
    let half = Vector::from(solid.half);
    let apart = |dir: &Vector| {
        let reach = dir.abs().dot(&half);
        let h = own.map(|p| p.dot(dir));
        let (lo, hi) = (h[0].min(h[1]).min(h[2]), h[0].max(h[1]).max(h[2]));
        lo > reach || hi < -reach
    };
    let units = [Vector::x(), Vector::y(), Vector::z()];
    !(units.iter().any(&apart)
        || apart(&sides[0].cross(&sides[1]))
        || units
            .iter()
            .any(|u| sides.iter().any(|s| apart(&u.cross(s)))))
}

/// How often the surface goes round a point: 1 inside a closed surface, 0 outside. The plain sum
/// of solid angles (Van Oosterom and Strackee 1983, doi:10.1109/TBME.1983.325207), exact and slow
/// on purpose: nothing here leans on a tree that could be wrong.
pub fn winding_number(mesh: &Mesh, p: &Point) -> f64 {
    let sum: f64 = (0..mesh.facets().len())
        .map(|f| {
            let [a, b, c] = mesh.corners(f).map(|q| q - p);
            let (la, lb, lc) = (a.norm(), b.norm(), c.norm());
            let over = a.dot(&b.cross(&c));
            let under = la * lb * lc + a.dot(&b) * lc + b.dot(&c) * la + c.dot(&a) * lb;
            over.atan2(under)
        })
        .sum();
    sum / (2.0 * PI)
}

/// Points on the faces, 6 × 6 a face, corners and edges included.
fn lattice(solid: &Solid) -> Vec<Point> {
    let step = |i: usize| -1.0 + 2.0 * i as f64 / 5.0;
    let mut out = Vec::with_capacity(6 * 36);
    for k in 0..3 {
        for side in [-1.0, 1.0] {
            for i in 0..6 {
                for j in 0..6 {
                    let mut at = [0.0; 3];
                    at[k] = side;
                    at[(k + 1) % 3] = step(i);
                    at[(k + 2) % 3] = step(j);
                    out.push((0..3).fold(solid.middle, |p, m| {
                        p + solid.axes[m] * (at[m] * solid.half[m])
                    }));
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::pose::Pose;
    use crate::stack::shapes::{block, sphere};

    fn cube(side: f64, middle: Point) -> Solid {
        Solid::placed(&Pose::upright(middle), &Vector::zeros(), [side / 2.0; 3])
    }

    #[test]
    fn box_in_a_box_room() {
        let room = block(10.0, 8.0, 6.0);
        let queries = MeshQueries::new(&room);
        let all = |_: u32| false;
        let at = |x, y, z| wall_margin(&queries, &cube(2.0, Point::new(x, y, z)), &all);
        assert!((at(0.0, 0.0, 0.0) - 2.0).abs() < 1e-12);
        assert!((at(3.7, 0.0, 0.0) - 0.3).abs() < 1e-12);
        assert!(
            (at(4.5, 0.0, 0.0) + 0.5).abs() < 1e-12,
            "{}",
            at(4.5, 0.0, 0.0)
        );
        assert!(at(20.0, 0.0, 0.0) < -14.0, "outside is never a fit");
        let around = wall_margin(&queries, &cube(30.0, Point::origin()), &all);
        assert!(around < 0.0, "a box that holds the whole cavity");
    }

    #[test]
    fn box_in_a_ball_room_reads_short_by_the_chord_only() {
        for n in [16, 32, 64] {
            let room = sphere(5.0, n);
            let queries = MeshQueries::new(&room);
            let got = wall_margin(&queries, &cube(3.0, Point::origin()), &|_| false);
            let exact = 5.0 - 1.5 * 3.0_f64.sqrt();
            let chord = 5.0 * (1.0 - (std::f64::consts::PI / f64::from(n)).cos());
            assert!(
                got <= exact + 1e-12 && got >= exact - 2.0 * chord,
                "{n}: {got}"
            );
        }
    }

    #[test]
    fn winding_number_of_a_ball() {
        let room = sphere(5.0, 16);
        assert!((winding_number(&room, &Point::new(1.0, 2.0, -1.0)) - 1.0).abs() < 1e-12);
        assert!(winding_number(&room, &Point::new(6.0, 2.0, -1.0)).abs() < 1e-12);
    }

    #[test]
    fn spike_through_a_face_is_a_crossing() {
        // A thin facet that enters the box through a face, all box corners far from it.
        let solid = cube(4.0, Point::origin());
        let p = Point::new;
        let spike = [p(0.1, 0.1, 1.0), p(0.2, 0.1, 9.0), p(0.1, 0.2, 9.0)];
        assert!(meets(&solid, &spike));
        assert_eq!(facet_distance(&solid, &solid.corners(), &spike), 0.0);
        let clear = spike.map(|q| q + Vector::new(0.0, 0.0, 1.5));
        let d = facet_distance(&solid, &solid.corners(), &clear);
        assert!((d - 0.5).abs() < 1e-12);
    }
}

//! Where two surfaces given apart touch, or one goes through the other: a wall of 0.
//!
//! A ball and a ray look for what lies inward of a point. A cavity that touches the point or has come
//! out past it lies no further in than the far side of its room, and would be read as thick material.

use rayon::prelude::*;

use crate::mesh::{Mesh, MeshQueries, Point, Vector};

use super::WallOptions;
use super::ball::{At, Reading, WALL_COS};
use super::opening::{Opened, TOUCH_MM, part};
use super::seat::Seats;

/// Outer surface and cavity, the opening between them left out.
pub(super) struct Apart<'a> {
    pub mesh: &'a Mesh,
    /// Unit normals of the facets.
    pub normals: &'a [Vector],
    pub opened: &'a Opened,
    /// Facets from here on are the cavity's.
    pub from: usize,
}

/// An outer point without a wall, and the facet of the cavity or the outer surface that takes it.
struct Through {
    point: u32,
    wall_mm: f64,
    facet: u32,
}

impl Apart<'_> {
    /// Sets the wall to 0 at outer points on the cavity's surface, and on both sides of where it comes
    /// through the outer one. `origin` is what contacts are counted from.
    pub fn mark(&self, seats: &Seats, origin: Point, at: &mut [At], options: &WallOptions) {
        let sides = [0..self.from, self.from..self.mesh.facets().len()];
        let sides = sides.map(|s| s.filter(|&f| !self.opened.holds(f)).collect::<Vec<_>>());
        let [Some(outer), Some(room)] =
            [&sides[0], &sides[1]].map(|facets| part(self.mesh, facets.iter().copied()))
        else {
            return;
        };
        let (on_outer, on_room) =
            rayon::join(|| MeshQueries::new(&outer), || MeshQueries::new(&room));
        let mut found = self.touching(&sides[0], &on_room, &sides[1], seats);
        for (edge, facet) in self.crossings(&sides[0], &on_room) {
            let facet = sides[1][facet as usize] as u32;
            found.extend(edge.map(|point| through(point, facet)));
        }
        for (_, facet) in self.crossings(&sides[1], &on_outer) {
            let facet = sides[0][facet as usize];
            let corners = self.mesh.facets()[facet];
            found.extend(corners.map(|point| through(point, facet as u32)));
        }
        for t in found {
            let p = t.point as usize;
            let sharp = f64::from(seats.convex_deg[p]) >= options.edge_turn_deg;
            if sharp || seats.open[p] || self.opened.at(p) {
                continue;
            }
            at[p] = At {
                reading: Reading::Wall,
                wall_mm: t.wall_mm,
                facet: t.facet,
                contact: self.mesh.points()[p] - origin,
                ..at[p]
            };
        }
    }

    /// Outer points on facets of the room that face the other way.
    fn touching(
        &self,
        outer: &[usize],
        on_room: &MeshQueries,
        room: &[usize],
        seats: &Seats,
    ) -> Vec<Through> {
        let mut points: Vec<u32> = outer.iter().flat_map(|&f| self.mesh.facets()[f]).collect();
        points.sort_unstable();
        points.dedup();
        let touch = |&point: &u32| {
            let near = on_room.nearest(&self.mesh.points()[point as usize], TOUCH_MM)?;
            let facet = room[near.facet as usize];
            let away = self.normals[facet].dot(&seats.normal[point as usize]) <= WALL_COS;
            away.then_some(Through {
                point,
                wall_mm: near.distance_mm,
                facet: facet as u32,
            })
        };
        points.par_iter().filter_map(touch).collect()
    }

    /// Edges of some facets that go through another surface, with the facet there. Edges that only
    /// touch it do not.
    fn crossings(&self, facets: &[usize], other: &MeshQueries) -> Vec<([u32; 2], u32)> {
        let across = |&f: &usize| {
            let corners = self.mesh.facets()[f];
            let edges = [0, 1, 2].map(|e| [corners[e], corners[(e + 1) % 3]]);
            // A closed surface has every edge twice, once either way.
            let once = edges.into_iter().filter(|[a, b]| a < b);
            once.filter_map(|edge| {
                let [a, b] = edge.map(|p| self.mesh.points()[p as usize]);
                let way = b - a;
                other.nearest(&a, way.norm())?;
                let hits = other.ray_hits(&a, &way);
                let hit = hits.first().filter(|h| h.at > 0.0 && h.at < 1.0)?;
                let clear = |p: &Point| other.nearest(p, TOUCH_MM).is_none();
                (clear(&a) && clear(&b)).then_some((edge, hit.facet))
            })
            .collect::<Vec<_>>()
        };
        facets.par_iter().flat_map_iter(across).collect()
    }
}

fn through(point: u32, facet: u32) -> Through {
    Through {
        point,
        wall_mm: 0.0,
        facet,
    }
}

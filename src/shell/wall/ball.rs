//! The three readings at one point: inscribed ball, ray, nearest opposite wall; and whether the
//! ball lies between two walls or sits in an edge.

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::mesh::{Mesh, Vector};

use super::WallOptions;
use super::seat::Seats;
use super::tree::{Seat, Tree};

/// What the ball at a point says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Reading {
    /// The ball is held between this point and a surface that faces away from it (the two contacts
    /// lie 120° or more apart, seen from the ball's middle), or it is too large to sit in an edge.
    Wall,
    /// The ball is held by a convex edge or a convex curve beside the point: a rim, not a wall.
    /// On a sharp edge itself it is 0.
    Edge,
    /// Nothing stops the ball: the surface is open there.
    Unbounded,
    /// Not asked for (points of the inner surface, unless wanted), or the point has no facet.
    NotMeasured,
}

/// The readings at one point, mm; NaN where there is none.
#[derive(Debug, Clone, Copy)]
pub(super) struct At {
    pub reading: Reading,
    pub wall_mm: f64,
    pub ray_mm: f64,
    pub opposite_mm: f64,
    /// Facet that stops the ball; `u32::MAX` for none.
    pub facet: u32,
    /// Where it does, relative to the tree's origin.
    pub contact: Vector,
}

impl At {
    pub const NOTHING: Self = Self {
        reading: Reading::NotMeasured,
        wall_mm: f64::NAN,
        ray_mm: f64::NAN,
        opposite_mm: f64::NAN,
        facet: u32::MAX,
        contact: Vector::new(0.0, 0.0, 0.0),
    };
}

/// Cosine of 120°: contacts further apart than that, seen from the ball's middle, are two walls.
/// A wedge of 60° holds its balls exactly so. Too near 90°: the square rim of a faceplate, where
/// they are 90° apart and noise adds some, becomes a thin wall. Too near 180°: a wedge such as a
/// bore set askew in the canal wall becomes an edge, and its thin place is lost to the rims.
pub(super) const WALL_COS: f64 = -0.5;

/// The points in the order of the tree, so that queries that follow each other share its boxes.
pub(super) fn order(mesh: &Mesh, tree: &Tree) -> Vec<u32> {
    let mut seen = vec![false; mesh.points().len()];
    let mut out = Vec::with_capacity(mesh.points().len());
    for p in tree.items().iter().flat_map(|it| it.points) {
        if !std::mem::replace(&mut seen[p as usize], true) {
            out.push(p);
        }
    }
    out
}

/// Readings at every point for which `wanted` holds.
pub(super) fn read_all(
    mesh: &Mesh,
    tree: &Tree,
    seats: &Seats,
    wanted: &[bool],
    options: &WallOptions,
) -> Vec<At> {
    let asked: Vec<u32> = order(mesh, tree)
        .into_iter()
        .filter(|&p| wanted[p as usize])
        .collect();
    let cap_mm = mesh
        .bounds()
        .map_or(0.0, |(lo, hi)| (hi - lo).norm() / 2.0 + 1.0);
    let read: Vec<At> = asked
        .par_iter()
        .with_min_len(256)
        .map(|&p| read(mesh, tree, seats, p, cap_mm, options))
        .collect();
    let mut out = vec![At::NOTHING; mesh.points().len()];
    for (&p, at) in asked.iter().zip(read) {
        out[p as usize] = at;
    }
    out
}

fn read(
    mesh: &Mesh,
    tree: &Tree,
    seats: &Seats,
    point: u32,
    cap_mm: f64,
    options: &WallOptions,
) -> At {
    let p = point as usize;
    let normal = seats.normal[p];
    if normal == Vector::zeros() {
        return At::NOTHING;
    }
    let seat = Seat {
        point,
        place: mesh.points()[p] - tree.origin(),
        normal,
        slack_mm: seats.slack_mm[p],
        hollow: false,
    };
    let mut at = At::NOTHING;
    let ray = tree.leaves_at(&seat.place, &-normal, point);
    at.ray_mm = ray.map_or(f64::NAN, |(t, _)| t);
    let start_mm = ray.map_or(cap_mm, |(t, _)| (t / 2.0 * (1.0 + 1e-6)).min(cap_mm));
    let Some(ball) = tree.ball(&seat, start_mm) else {
        at.reading = Reading::Unbounded;
        return at;
    };
    at.wall_mm = 2.0 * ball.radius_mm;
    at.facet = ball.facet;
    at.contact = ball.contact;
    let chord = (ball.contact - seat.place).norm();
    let apart_cos = if ball.radius_mm > 0.0 {
        1.0 - chord * chord / (2.0 * ball.radius_mm * ball.radius_mm)
    } else {
        1.0
    };
    if options.opposite {
        let within = if apart_cos <= WALL_COS {
            chord * (1.0 + 1e-6)
        } else {
            at.ray_mm * (1.0 + 1e-6)
        };
        let within = if within.is_finite() {
            within
        } else {
            2.0 * cap_mm
        };
        let found = tree
            .opposite(&seat, within)
            .or_else(|| tree.opposite(&seat, 2.0 * cap_mm));
        at.opposite_mm = found.map_or(f64::NAN, |(d, _)| d);
    }
    let sharp = f64::from(seats.convex_deg[p]) >= options.edge_turn_deg;
    if sharp {
        at.wall_mm = 0.0;
    }
    let in_edge = apart_cos > WALL_COS && chord <= options.edge_reach_mm;
    at.reading = if sharp || seats.open[p] || in_edge {
        Reading::Edge
    } else {
        Reading::Wall
    };
    at
}

/// Width of the hollow in front of a point, by ball and by ray, mm: `None` where nothing stands
/// opposite within `within_mm`.
pub(super) fn hollow(
    mesh: &Mesh,
    tree: &Tree,
    seats: &Seats,
    point: u32,
    within_mm: f64,
) -> Option<(f64, f64)> {
    let p = point as usize;
    let normal = -seats.normal[p];
    let seat = Seat {
        point,
        place: mesh.points()[p] - tree.origin(),
        normal,
        slack_mm: seats.slack_mm[p],
        hollow: true,
    };
    let ahead = tree.enters_at(&seat.place, &-normal, point, within_mm)?;
    let ball = tree.ball(&seat, ahead / 2.0 * (1.0 + 1e-6))?;
    Some((2.0 * ball.radius_mm, ahead))
}

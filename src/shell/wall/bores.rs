//! Bores and other narrow passages of the inner surface, and the webs of material round them.
//!
//! A passage is a connected patch of inner surface across which something stands opposite within
//! the largest hole looked for, and which wraps all the way round an axis. Where a shell was made
//! here its bores are known and are given; on a shell from elsewhere they are found. Two bores that
//! run into each other make one passage, and so does the narrow end of a cavity: it is reported as
//! what it is, an inner space of that width.

use nalgebra::{Matrix3, SymmetricEigen};
use rayon::prelude::*;

use crate::mesh::{Mesh, Point, Topology, Vector};

use super::ball::{At, Reading, hollow};
use super::figures::{WIDTH_BY_ROUGHNESS, half_width};
use super::mouths::Tube;
use super::opening::Opened;
use super::seat::Seats;
use super::side::Surface;
use super::tree::Tree;
use super::{Between, Bore, GivenBore, Web};

/// A passage has at least this many points; fewer are a corner of the cavity.
const LEAST_POINTS: usize = 12;
/// Share of the squared normals that may lie along the axis: 0 for a straight bore, 0.02 for one
/// bent by 40°, 0.09 by 90°; 0.33 for a round dish.
const ALONG_AXIS: f64 = 0.15;
/// Length of the mean normal: 0 for a passage that closes round its axis, 0.64 for half a pipe.
const ONE_SIDED: f64 = 0.3;
/// Scatter of the radius, as share of it, up to which a passage is a straight round bore.
const ROUND: f64 = 0.08;

/// Where bores are looked for.
pub(super) struct Search<'a> {
    pub mesh: &'a Mesh,
    pub topology: &'a Topology,
    /// Of every facet.
    pub normals: &'a [Vector],
    pub tree: &'a Tree,
    pub seats: &'a Seats,
    /// Of every point.
    pub surface: &'a [Surface],
    pub opened: &'a Opened,
}

impl Search<'_> {
    /// The bores, and for every point the bore it belongs to (from 1; 0 for none).
    pub fn find(&self, largest_mm: f64) -> (Vec<Bore>, Vec<u16>) {
        let widths = self.widths(largest_mm);
        let mut of = vec![0_u16; widths.len()];
        let mut bores = Vec::new();
        for members in connected(self.mesh, self.seats, |p| widths[p].is_finite()) {
            if members.len() < LEAST_POINTS || bores.len() >= usize::from(u16::MAX) {
                continue;
            }
            if let Some(bore) = self.passage(&members, &widths) {
                bores.push(bore);
                members.iter().for_each(|&p| of[p] = bores.len() as u16);
            }
        }
        (bores, of)
    }

    /// Width of the hollow in front of every inner point, mm; NaN where nothing stands opposite.
    fn widths(&self, largest_mm: f64) -> Vec<f64> {
        let (mesh, tree, seats) = (self.mesh, self.tree, self.seats);
        (0..mesh.points().len() as u32)
            .into_par_iter()
            .with_min_len(256)
            .map(|p| {
                let at = p as usize;
                if self.surface[at] != Surface::Inner || self.opened.at(at) {
                    return f64::NAN;
                }
                match hollow(mesh, tree, seats, p, largest_mm) {
                    // In a corner of the cavity the ball is small but the far side is far.
                    Some((ball, ray)) if ball >= 0.5 * ray => ball,
                    _ => f64::NAN,
                }
            })
            .collect()
    }

    fn passage(&self, members: &[usize], widths: &[f64]) -> Option<Bore> {
        let (mesh, seats) = (self.mesh, self.seats);
        let mut spread = Matrix3::zeros();
        let (mut mean, mut centre, mut area) = (Vector::zeros(), Vector::zeros(), 0.0);
        for &p in members {
            let (n, w) = (seats.normal[p], seats.area_mm2[p]);
            spread += w * n * n.transpose();
            mean += w * n;
            centre += w * mesh.points()[p].coords;
            area += w;
        }
        if area <= 0.0 || mean.norm() > ONE_SIDED * area {
            return None;
        }
        let eigen = SymmetricEigen::new(spread / area);
        let k = eigen.eigenvalues.imin();
        if eigen.eigenvalues[k] > ALONG_AXIS {
            return None;
        }
        let axis: Vector = eigen.eigenvectors.column(k).into_owned();
        let centre = circle_centre(mesh, seats, members, &axis, Point::from(centre / area));
        let (mut lo, mut hi) = (f64::MAX, f64::MIN);
        let mut radii = Vec::with_capacity(members.len());
        for &p in members {
            let d = mesh.points()[p] - centre;
            let along = d.dot(&axis);
            (lo, hi) = (lo.min(along), hi.max(along));
            radii.push((d - along * axis).norm());
        }
        let radius = radii.iter().sum::<f64>() / radii.len() as f64;
        let scatter = radii.iter().map(|r| (r - radius).powi(2)).sum::<f64>() / radii.len() as f64;
        let round = scatter.sqrt() <= ROUND * radius;
        if round {
            let tube = Tube {
                centre,
                axis,
                radius,
            };
            // Its points end short of the rims, and where a mouth is oblique they reach to its far lip.
            let told = tube.mouths(mesh, self.topology, self.normals, self.seats, members);
            (lo, hi) = told.unwrap_or((lo, hi));
        }
        let rough = members.iter().map(|&p| seats.rough_mm[p]).sum::<f64>() / members.len() as f64;
        let mut sorted: Vec<f64> = members.iter().map(|&p| widths[p]).collect();
        sorted.sort_by(f64::total_cmp);
        Some(Bore {
            diameter_mm: if round {
                2.0 * radius
            } else {
                sorted[sorted.len() / 2]
            },
            // The twentieth part, not the very least: rims and a single bad facet read low.
            least_mm: sorted[sorted.len() / 20],
            // Two ends, each as rough as the bore is on the whole.
            plus_minus_mm: (WIDTH_BY_ROUGHNESS * rough * 2.0_f64.sqrt()).max(0.001),
            length_mm: hi - lo,
            round,
            from: centre + lo * axis,
            to: centre + hi * axis,
            given: false,
        })
    }
}

/// Points within a given bore's length and near its wall belong to it.
pub(super) fn assign(
    mesh: &Mesh,
    surface: &[Surface],
    given: &[GivenBore],
) -> (Vec<Bore>, Vec<u16>) {
    let mut of = vec![0_u16; mesh.points().len()];
    let mut bores = Vec::new();
    for (k, bore) in given.iter().take(usize::from(u16::MAX)).enumerate() {
        let run = bore.to - bore.from;
        let length = run.norm();
        let Some(axis) = run.try_normalize(1e-12) else {
            continue;
        };
        let mut widest = 0.0_f64;
        for (p, at) in mesh.points().iter().enumerate() {
            let along = (at - bore.from).dot(&axis);
            let off = (at - bore.from - along * axis).norm();
            // A tenth of a diameter covers facets and a step left by polishing the mesh.
            let near = off <= bore.diameter_mm * 0.6 && along >= 0.0 && along <= length;
            if near && surface[p] != Surface::Outer {
                of[p] = k as u16 + 1;
                widest = widest.max(2.0 * off);
            }
        }
        bores.push(Bore {
            diameter_mm: bore.diameter_mm,
            least_mm: bore.diameter_mm,
            plus_minus_mm: 0.0,
            length_mm: length,
            round: true,
            from: bore.from,
            to: bore.to,
            given: true,
        });
    }
    (bores, of)
}

/// Connected groups of points that pass, each in rising order.
pub(super) fn connected(
    mesh: &Mesh,
    seats: &Seats,
    passes: impl Fn(usize) -> bool,
) -> Vec<Vec<usize>> {
    let mut seen = vec![false; mesh.points().len()];
    let mut groups = Vec::new();
    for start in 0..seen.len() {
        if seen[start] || !passes(start) {
            continue;
        }
        seen[start] = true;
        let mut members = vec![start];
        let mut next = 0;
        while next < members.len() {
            for &f in seats.around(members[next]) {
                for &q in &mesh.facets()[f as usize] {
                    let q = q as usize;
                    if !seen[q] && passes(q) {
                        seen[q] = true;
                        members.push(q);
                    }
                }
            }
            next += 1;
        }
        members.sort_unstable();
        groups.push(members);
    }
    groups
}

/// Middle of the circle that fits the points seen along the axis (algebraic fit, Kåsa 1976).
fn circle_centre(
    mesh: &Mesh,
    seats: &Seats,
    members: &[usize],
    axis: &Vector,
    about: Point,
) -> Point {
    let mut away = Vector::zeros();
    away[axis.iamin()] = 1.0;
    let Some(u) = axis.cross(&away).try_normalize(1e-12) else {
        return about;
    };
    let v = axis.cross(&u);
    let (mut m, mut rhs) = (Matrix3::zeros(), Vector::zeros());
    for &p in members {
        let d = mesh.points()[p] - about;
        let row = Vector::new(d.dot(&u), d.dot(&v), 1.0);
        m += seats.area_mm2[p] * row * row.transpose();
        rhs += seats.area_mm2[p] * (row.x * row.x + row.y * row.y) * row;
    }
    match m.lu().solve(&rhs) {
        Some(s) => about + s.x / 2.0 * u + s.y / 2.0 * v,
        None => about,
    }
}

/// The least ball between every two pieces of which one is a bore.
pub(super) fn webs(
    mesh: &Mesh,
    tree: &Tree,
    seats: &Seats,
    at: &[At],
    surface: &[Surface],
    bore: &[u16],
) -> Vec<Web> {
    let piece = |p: usize| match (bore[p], surface[p]) {
        (0, Surface::Outer) => Between::Outer,
        (0, Surface::Inner) => Between::Cavity,
        (0, Surface::Unclear) => Between::Unclear,
        (k, _) => Between::Bore(k - 1),
    };
    let across = |f: u32| {
        let pieces = mesh.facets()[f as usize].map(|p| piece(p as usize));
        // Two corners of three name the piece; a facet between three pieces is named by its first.
        if pieces[1] == pieces[2] {
            pieces[1]
        } else {
            pieces[0]
        }
    };
    let mut least: std::collections::BTreeMap<(Between, Between), usize> =
        std::collections::BTreeMap::new();
    for (p, here) in at.iter().enumerate() {
        if here.reading != Reading::Wall || here.facet == u32::MAX {
            continue;
        }
        let (a, b) = (piece(p), across(here.facet));
        let key = (a.min(b), a.max(b));
        let named = |x: Between| matches!(x, Between::Bore(_));
        if a == b || !(named(a) || named(b)) {
            continue;
        }
        let best = least.entry(key).or_insert(p);
        if here.wall_mm < at[*best].wall_mm {
            *best = p;
        }
    }
    least
        .into_iter()
        .map(|((a, b), p)| Web {
            between: [a, b],
            least_mm: at[p].wall_mm,
            plus_minus_mm: half_width(mesh, seats, p, at[p].facet),
            point: mesh.points()[p],
            opposite: tree.origin() + at[p].contact,
        })
        .collect()
}

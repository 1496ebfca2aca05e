//! Closed meshes put together and taken apart: union, difference, a plane's cut. The one place
//! that knows the library that does it.

use manifold_rust::linalg::Vec3;
use manifold_rust::manifold::Manifold;
use manifold_rust::types::{Error, MeshGL64};

use crate::mesh::{Mesh, Point, Topology, Vector};

use super::faceplate::Plane;
use super::slivers::close_slivers;

/// A closed solid.
pub(super) struct Solid(Manifold);

/// The library did not take a mesh, or gave none back.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{what}: the cut failed ({why})")]
pub struct CutError {
    /// Which piece.
    pub what: &'static str,
    /// The library's word for it.
    pub why: String,
}

impl Solid {
    /// Takes a closed, oriented mesh; `what` names it in errors.
    pub fn new(mesh: &Mesh, what: &'static str) -> Result<Self, CutError> {
        let gl = MeshGL64 {
            num_prop: 3,
            vert_properties: mesh.points().iter().flat_map(|p| [p.x, p.y, p.z]).collect(),
            tri_verts: mesh
                .facets()
                .iter()
                .flat_map(|f| f.map(u64::from))
                .collect(),
            ..MeshGL64::default()
        };
        Self(Manifold::from_mesh_gl64(&gl)).checked(what)
    }

    fn checked(self, what: &'static str) -> Result<Self, CutError> {
        match self.0.status() {
            Error::NoError => Ok(self),
            e => Err(CutError {
                what,
                why: format!("{e:?}"),
            }),
        }
    }

    /// What is left without `other`.
    pub fn without(&self, other: &Self, what: &'static str) -> Result<Self, CutError> {
        Self(self.0.difference(&other.0)).checked(what)
    }

    /// What lies in either.
    pub fn with(&self, other: &Self, what: &'static str) -> Result<Self, CutError> {
        Self(self.0.union(&other.0)).checked(what)
    }

    /// What lies on the inner side of a plane.
    pub fn below(&self, plane: &Plane, what: &'static str) -> Result<Self, CutError> {
        let inward: Vector = -plane.outward;
        let offset = plane.point.coords.dot(&inward);
        let normal = Vec3::new(inward.x, inward.y, inward.z);
        Self(self.0.trim_by_plane(normal, offset)).checked(what)
    }

    /// The mesh, without slivers.
    pub fn mesh(&self) -> Mesh {
        let gl = self.0.get_mesh_gl64(-1);
        let step = gl.num_prop as usize;
        let points = gl
            .vert_properties
            .chunks_exact(step.max(3))
            .map(|v| Point::new(v[0], v[1], v[2]))
            .collect();
        let facets = gl
            .tri_verts
            .chunks_exact(3)
            .map(|t| [t[0] as u32, t[1] as u32, t[2] as u32])
            .collect();
        close_slivers(Mesh::new(points, facets).unwrap_or_default())
    }
}

/// The connected pieces of a mesh, largest volume first, with their volumes.
pub(super) fn pieces(mesh: &Mesh) -> Vec<(f64, Mesh)> {
    let (part, count) = Topology::new(mesh).parts(mesh);
    if count < 2 {
        return vec![(mesh.signed_volume_mm3(), mesh.clone())];
    }
    let mut out: Vec<(f64, Mesh)> = (0..count as u32)
        .map(|k| {
            let kept = subset(mesh, |f| part[f] == k);
            (kept.signed_volume_mm3(), kept)
        })
        .collect();
    out.sort_by(|a, b| b.0.total_cmp(&a.0));
    out
}

/// The facets that `keep` names, with only their points.
pub(super) fn subset(mesh: &Mesh, keep: impl Fn(usize) -> bool) -> Mesh {
    let mut renumbered = vec![u32::MAX; mesh.points().len()];
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for (f, corners) in mesh.facets().iter().enumerate() {
        if keep(f) {
            facets.push(corners.map(|p| {
                let new = &mut renumbered[p as usize];
                if *new == u32::MAX {
                    *new = points.len() as u32;
                    points.push(mesh.points()[p as usize]);
                }
                *new
            }));
        }
    }
    // Points and indices come from a mesh.
    Mesh::new(points, facets).unwrap_or_default()
}

/// A round tube along a line, closed at both ends; `None` where the line has no length. Its
/// corners stand on the radius, so that it is narrower by radius · (1 − cos(π / sides)).
pub(super) fn tube(line: &[Point], radius_mm: f64, sides: usize) -> Option<Mesh> {
    let mut spine: Vec<Point> = Vec::with_capacity(line.len());
    for p in line {
        if spine.last().is_none_or(|q| (p - q).norm() > 1e-6) {
            spine.push(*p);
        }
    }
    let last = spine.len().checked_sub(2)? + 1;
    let along = |i: usize| (spine[(i + 1).min(last)] - spine[i.saturating_sub(1)]).normalize();
    let mut u = crate::shell::layout::any_normal_to(&along(0));
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for (i, middle) in spine.iter().enumerate() {
        let t = along(i);
        u = (u - t * u.dot(&t)).normalize();
        let v = t.cross(&u);
        for k in 0..sides {
            let (sin, cos) = (k as f64 / sides as f64 * std::f64::consts::TAU).sin_cos();
            points.push(middle + (u * cos + v * sin) * radius_mm);
        }
    }
    let n = sides as u32;
    for i in 0..last as u32 {
        for k in 0..n {
            let (a, b) = (i * n + k, i * n + (k + 1) % n);
            facets.push([a, b, b + n]);
            facets.push([a, b + n, a + n]);
        }
    }
    let (first, end) = (points.len() as u32, points.len() as u32 + 1);
    points.extend([spine[0], spine[last]]);
    for k in 0..n {
        let next = (k + 1) % n;
        facets.push([next, k, first]);
        facets.push([last as u32 * n + k, last as u32 * n + next, end]);
    }
    Mesh::new(points, facets).ok()
}

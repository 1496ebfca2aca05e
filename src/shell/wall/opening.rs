//! Where two surfaces given apart lie on each other over a flat area: the opening between them.
//!
//! A cavity that is a file of its own is closed in the plane of an open faceplate, and so is the
//! outer surface. There is nothing between them there, and so no wall that could be 0. Only what is
//! flat, and larger than the widest bore, is taken so, in one plane, and it is told. Wherever else
//! the two touch or cross (a side broken through, a second flat face) the wall stays one and reads 0.

use std::f64::consts::FRAC_PI_4;

use rayon::prelude::*;

use crate::mesh::{Link, Mesh, MeshQueries, Point, Topology, Vector};

/// Surfaces nearer than this lie on each other, mm. Too low: the facets of a drawn faceplate stand up
/// to 0.006 off its plane; too high: a skin between them would go unseen. Nothing prints at a
/// twentieth of this, let alone at this.
pub(super) const TOUCH_MM: f64 = 0.01;
/// What lies on each other may stand this far off one plane, mm: [`TOUCH_MM`] on either side. A round
/// side that larger than a bore lies within it would have a radius over 70 mm.
const FLAT_MM: f64 = 2.0 * TOUCH_MM;
/// Facets are asked at places no further apart than this, mm.
const STEP_MM: f64 = 0.25;

/// The opening between an outer surface and a cavity that lie on each other there.
#[derive(Debug, Clone, PartialEq)]
pub struct Opening {
    /// Its area, mm².
    pub area_mm2: f64,
    /// Its middle.
    pub point: Point,
}

/// The opening with what of the mesh it is made of; by default none.
#[derive(Default)]
pub(super) struct Opened {
    pub told: Option<Opening>,
    /// Facets that lie in it with their middle; empty without one.
    pub mostly: Vec<bool>,
    /// Facets that lie in it whole: no ball or ray meets them.
    pub whole: Vec<bool>,
    /// Points in it or on its border.
    pub points: Vec<bool>,
}

impl Opened {
    /// Does the facet lie in the opening with its middle?
    pub fn holds(&self, facet: usize) -> bool {
        self.mostly.get(facet).is_some_and(|&x| x)
    }

    /// Does the point lie in the opening?
    pub fn at(&self, point: usize) -> bool {
        self.points.get(point).is_some_and(|&x| x)
    }
}

/// The opening, if the inner surface (facets from `from` on) lies on the outer one over more than the
/// widest bore in one plane.
pub(super) fn found(mesh: &Mesh, topology: &Topology, from: usize, bore_mm: f64) -> Opened {
    let count = mesh.facets().len();
    let Some(outer) = part(mesh, 0..from) else {
        return Opened::default();
    };
    let lid = lying_on(mesh, &outer, from..count);
    let patches: Vec<Patch> = connected(topology, &lid)
        .into_iter()
        .filter_map(|facets| Patch::flat(mesh, facets))
        .collect();
    let Some(largest) = patches
        .iter()
        .max_by(|a, b| a.area_mm2.total_cmp(&b.area_mm2))
    else {
        return Opened::default();
    };
    // Slivers may part the lid; a vent beside it, closed in the same plane, is open too.
    let level: Vec<&Patch> = patches.iter().filter(|p| p.is_in(mesh, largest)).collect();
    let area_mm2: f64 = level.iter().map(|p| p.area_mm2).sum();
    let closing: usize = level.iter().map(|p| p.facets.len()).sum();
    // A surface that has nothing but its lid bounds no cavity.
    if area_mm2 <= FRAC_PI_4 * bore_mm.powi(2) || closing == count - from {
        return Opened::default();
    }
    let moment: Vector = level.iter().map(|p| p.area_mm2 * p.middle.coords).sum();
    let told = Opening {
        area_mm2,
        point: Point::from(moment / area_mm2),
    };
    let inner = level.iter().flat_map(|p| p.facets.iter().copied());
    marked(mesh, from, inner.collect(), told)
}

/// Marks the facets of both surfaces that make the opening, and their points.
fn marked(mesh: &Mesh, from: usize, inner: Vec<usize>, told: Opening) -> Opened {
    let count = mesh.facets().len();
    let mut out = Opened {
        told: Some(told),
        mostly: vec![false; count],
        whole: vec![false; count],
        points: vec![false; mesh.points().len()],
    };
    let Some(lid) = part(mesh, inner.iter().copied()) else {
        return out;
    };
    let queries = MeshQueries::new(&lid);
    out.points = mesh
        .points()
        .par_iter()
        .map(|p| touches(&queries, p))
        .collect();
    out.mostly = (0..count)
        .into_par_iter()
        .map(|f| f < from && touches(&queries, &middle(mesh, f)))
        .collect();
    for f in lying_on(mesh, &lid, 0..from) {
        out.whole[f] = true;
    }
    for f in inner {
        out.mostly[f] = true;
        out.whole[f] = true;
    }
    out
}

/// Some facets of a mesh, in the order given, with all its points; `None` for none.
pub(super) fn part(mesh: &Mesh, which: impl Iterator<Item = usize>) -> Option<Mesh> {
    let facets: Vec<[u32; 3]> = which.map(|f| mesh.facets()[f]).collect();
    // Points and indices are those of a mesh, so this holds.
    let part = Mesh::new(mesh.points().to_vec(), facets).ok()?;
    (!part.facets().is_empty()).then_some(part)
}

fn middle(mesh: &Mesh, f: usize) -> Point {
    let [a, b, c] = mesh.corners(f);
    Point::from((a.coords + b.coords + c.coords) / 3.0)
}

fn touches(on: &MeshQueries, p: &Point) -> bool {
    on.nearest(p, TOUCH_MM).is_some()
}

/// Facets of `which` that lie on another mesh all over, in rising order.
fn lying_on(mesh: &Mesh, on: &Mesh, which: std::ops::Range<usize>) -> Vec<usize> {
    let queries = MeshQueries::new(on);
    which
        .into_par_iter()
        .filter(|&f| {
            let corners = mesh.corners(f);
            corners.iter().all(|p| touches(&queries, p)) && lies(&queries, corners)
        })
        .collect()
}

/// Does a triangle whose corners do lie on the surface lie on it all over? It is halved across its
/// longest side until the pieces are small, so that slivers are asked along their length only.
fn lies(on: &MeshQueries, corners: [Point; 3]) -> bool {
    let mut todo = vec![corners];
    while let Some(t) = todo.pop() {
        let sides = [0, 1, 2].map(|e| (t[(e + 1) % 3] - t[e]).norm());
        let e = (0..3).max_by(|&i, &j| sides[i].total_cmp(&sides[j]));
        let e = e.unwrap_or(0);
        let (a, b, c) = (t[e], t[(e + 1) % 3], t[(e + 2) % 3]);
        let half = nalgebra::center(&a, &b);
        if !touches(on, &half) {
            return false;
        }
        if sides[e] > STEP_MM {
            todo.extend([[a, half, c], [half, b, c]]);
        }
    }
    true
}

/// Groups of facets that hang together by their edges.
fn connected(topology: &Topology, facets: &[usize]) -> Vec<Vec<usize>> {
    let mut free = vec![false; topology.links.len()];
    facets.iter().for_each(|&f| free[f] = true);
    let mut out = Vec::new();
    for &start in facets {
        if !std::mem::take(&mut free[start]) {
            continue;
        }
        let mut group = vec![start];
        let mut next = 0;
        while let Some(&f) = group.get(next) {
            next += 1;
            for link in topology.links[f] {
                if let Link::Facet(g) | Link::Flipped(g) = link
                    && std::mem::take(&mut free[g as usize])
                {
                    group.push(g as usize);
                }
            }
        }
        out.push(group);
    }
    out
}

/// A connected piece of inner surface that lies on the outer one in a plane.
struct Patch {
    facets: Vec<usize>,
    area_mm2: f64,
    middle: Point,
    /// Unit normal of its plane.
    normal: Vector,
}

impl Patch {
    /// The facets as a patch, if they have an area and are flat.
    fn flat(mesh: &Mesh, facets: Vec<usize>) -> Option<Self> {
        let (mut area_mm2, mut moment, mut sum) = (0.0, Vector::zeros(), Vector::zeros());
        for &f in &facets {
            let v = mesh.area_vector(f);
            let area = v.norm() / 2.0;
            area_mm2 += area;
            moment += area * middle(mesh, f).coords;
            // Slivers of the side may be wound either way; the lid's own facets outweigh them.
            sum += v;
        }
        let patch = Self {
            middle: Point::from(moment / area_mm2),
            normal: sum.try_normalize(1e-12)?,
            area_mm2,
            facets,
        };
        patch.is_in(mesh, &patch).then_some(patch)
    }

    /// Does every corner lie in the plane of another patch?
    fn is_in(&self, mesh: &Mesh, other: &Self) -> bool {
        let corners = self.facets.iter().flat_map(|&f| mesh.corners(f));
        corners
            .map(|p| (p - other.middle).dot(&other.normal).abs())
            .all(|off| off <= FLAT_MM)
    }
}

//! The outer face: where scanning stopped, or the flattish side that faced away from the ear.

use nalgebra::Matrix3;

use crate::mesh::{Mesh, Point, Vector};
use crate::soundness::Soundness;

use super::coarse::Graph;

/// A plane that bounds the impression on the outside: the rim where scanning stopped, or a flat
/// cut or flattened outer face.
#[derive(Debug, Clone, Copy)]
pub(super) struct BasePlane {
    pub point: Point,
    pub normal: Vector,
    /// Area of it, mm².
    pub area_mm2: f64,
    /// It is an opening, not a face.
    pub open: bool,
}

/// Facets of one flat face lie within this of its plane: scan noise of 0.08 mm is let through.
const FLAT_MM: f64 = 0.2;
/// … and their normals within this cosine of its normal (11°).
const FLAT_COS: f64 = 0.98;
/// A flat face smaller than this says nothing: a canal cut square at its tip is up to 60 mm².
const LEAST_FLAT_MM2: f64 = 40.0;

/// The plane of the base opening, or else the largest flat face of the surface.
pub(super) fn base_plane(
    mesh: &Mesh,
    graph: &Graph,
    soundness: &Soundness,
    part: u32,
) -> Option<BasePlane> {
    let base = soundness.holes.iter().find(|h| h.base);
    if let Some(base) = base.filter(|_| part == soundness.main_part) {
        let rim: Vec<Point> = base
            .rim
            .iter()
            .map(|&i| mesh.points()[i as usize])
            .collect();
        let normal = plane_normal(&rim)?;
        return Some(BasePlane {
            point: base.point,
            normal,
            area_mm2: base.area_mm2,
            open: true,
        });
    }
    flattest(graph)
}

/// The plane that the most surface lies in, tried from nodes spread evenly over the surface.
fn flattest(graph: &Graph) -> Option<BasePlane> {
    let sample: Vec<(Point, Vector, f64)> = (0..graph.len())
        .filter_map(|v| {
            Some((
                graph.places[v],
                graph.facing[v].try_normalize(1e-300)?,
                graph.facing[v].norm(),
            ))
        })
        .collect();
    let lies_in = |p: &Point, n: &Vector, q: &(Point, Vector, f64)| {
        q.1.dot(n) > FLAT_COS && (q.0 - p).dot(n).abs() < FLAT_MM
    };
    let area_in = |p: &Point, n: &Vector| {
        sample
            .iter()
            .filter(|q| lies_in(p, n, q))
            .map(|q| q.2)
            .sum::<f64>()
    };
    let tries = sample.iter().step_by((sample.len() / 300).max(1));
    let (area_mm2, seed) = tries
        .map(|q| (area_in(&q.0, &q.1), q))
        .max_by(|a, b| a.0.total_cmp(&b.0))?;
    // once more with the mean of what lies in it, so that one noisy node does not tilt the plane
    let inside: Vec<&(Point, Vector, f64)> = sample
        .iter()
        .filter(|q| lies_in(&seed.0, &seed.1, q))
        .collect();
    let weight: f64 = inside.iter().map(|q| q.2).sum();
    let point =
        Point::from(inside.iter().map(|q| q.0.coords * q.2).sum::<Vector>() / weight.max(1e-12));
    let normal = inside
        .iter()
        .map(|q| q.1 * q.2)
        .sum::<Vector>()
        .try_normalize(1e-12)?;
    (area_mm2 >= LEAST_FLAT_MM2).then_some(BasePlane {
        point,
        normal,
        area_mm2,
        open: false,
    })
}

/// Facets whose normal is within this of the face direction belong to the outer face.
const FACING_COS: f64 = 0.8;
/// The outer face must hold this share of the surface outside the aperture.
const LEAST_SHARE: f64 = 0.12;

/// Outward normal of the outer face. From the base opening's rim where there is one, else from
/// the facets that look out of the ear.
pub(super) fn outward(
    mesh: &Mesh,
    graph: &Graph,
    soundness: &Soundness,
    aperture: &Point,
    out: &Vector,
) -> Option<Vector> {
    if let Some(base) = soundness.holes.iter().find(|h| h.base) {
        let rim: Vec<Point> = base
            .rim
            .iter()
            .map(|&i| mesh.points()[i as usize])
            .collect();
        let n = plane_normal(&rim)?;
        let n = if n.dot(out) < 0.0 { -n } else { n };
        return (n.dot(out) > 0.5).then_some(n);
    }
    let sign = if soundness.inverted { -1.0 } else { 1.0 };
    let (mut sum, mut facing, mut all) = (Vector::zeros(), 0.0, 0.0);
    for (place, facing_vector) in graph.places.iter().zip(&graph.facing) {
        let n = facing_vector * sign;
        let area = n.norm();
        let height = (place - aperture).dot(out);
        if height < 1.0 {
            continue;
        }
        all += area;
        if n.dot(out) > FACING_COS * area {
            sum += n;
            facing += area;
        }
    }
    (facing > LEAST_SHARE * all)
        .then(|| sum.try_normalize(1e-12))
        .flatten()
}

/// Normal of the least-squares plane through the points.
fn plane_normal(points: &[Point]) -> Option<Vector> {
    if points.len() < 3 {
        return None;
    }
    let middle = points.iter().map(|p| p.coords).sum::<Vector>() / points.len() as f64;
    let spread: Matrix3<f64> = points
        .iter()
        .map(|p| (p.coords - middle) * (p.coords - middle).transpose())
        .sum();
    let eigen = spread.symmetric_eigen();
    let n: Vector = eigen
        .eigenvectors
        .column(eigen.eigenvalues.imin())
        .into_owned();
    n.try_normalize(1e-12)
}

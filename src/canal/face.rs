//! The outer face: where scanning stopped, or the flattish side that faced away from the ear.

use nalgebra::Matrix3;

use crate::mesh::{Mesh, Point, Vector};
use crate::soundness::Soundness;

/// Facets whose normal is within this of the face direction belong to the outer face.
const FACING_COS: f64 = 0.8;
/// The outer face must hold this share of the surface outside the aperture.
const LEAST_SHARE: f64 = 0.12;

/// Outward normal of the outer face. From the base opening's rim where there is one, else from
/// the facets that look out of the ear.
pub(super) fn outward(mesh: &Mesh, soundness: &Soundness, wanted: impl Fn(usize) -> bool, aperture: &Point, out: &Vector) -> Option<Vector> {
    if let Some(base) = soundness.holes.iter().find(|h| h.base) {
        let rim: Vec<Point> = base.rim.iter().map(|&i| mesh.points()[i as usize]).collect();
        let n = plane_normal(&rim)?;
        let n = if n.dot(out) < 0.0 { -n } else { n };
        return (n.dot(out) > 0.5).then_some(n);
    }
    let sign = if soundness.inverted { -1.0 } else { 1.0 };
    let (mut sum, mut facing, mut all) = (Vector::zeros(), 0.0, 0.0);
    for f in 0..mesh.facets().len() {
        if !wanted(f) {
            continue;
        }
        let n = mesh.area_vector(f) * (0.5 * sign);
        let area = n.norm();
        let [a, b, c] = mesh.corners(f);
        let height = (Point::from((a.coords + b.coords + c.coords) / 3.0) - aperture).dot(out);
        if height < 1.0 {
            continue;
        }
        all += area;
        if n.dot(out) > FACING_COS * area {
            sum += n;
            facing += area;
        }
    }
    (facing > LEAST_SHARE * all).then(|| sum.try_normalize(1e-12)).flatten()
}

/// Normal of the least-squares plane through the points.
fn plane_normal(points: &[Point]) -> Option<Vector> {
    if points.len() < 3 {
        return None;
    }
    let middle = points.iter().map(|p| p.coords).sum::<Vector>() / points.len() as f64;
    let spread: Matrix3<f64> = points.iter().map(|p| (p.coords - middle) * (p.coords - middle).transpose()).sum();
    let eigen = spread.symmetric_eigen();
    let n: Vector = eigen.eigenvectors.column(eigen.eigenvalues.imin()).into_owned();
    n.try_normalize(1e-12)
}

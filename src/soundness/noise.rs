//! How far the points of a scan scatter about the surface, along its normal.
//!
//! In some two thousand places, spread evenly through the file, a quadric is fitted to a point's
//! two rings; what is left over, with the six fitted terms counted off, is the scatter there. The
//! median of the places is the answer, so that edges, pits and folds do not count as noise, and
//! is corrected for the median of such estimates lying below their mean. Only scatter from point
//! to point is seen: a wave longer than two rings is form, not noise.

use rayon::prelude::*;

use super::quadric::{Frame, Quadric};
use super::rings::Rings;
use crate::mesh::{Mesh, Point, Topology, Vector};

/// Places to look at. Too few: the answer itself scatters (by 1.25 / √(26·n): 0.6 % at 2000);
/// too many: only time.
const PLACES: usize = 2000;

/// Fewest points about a place for a fit with something left over. Too low: 7 points leave one
/// degree of freedom, and the median of such estimates is a third low before correction.
const LEAST_POINTS: usize = 10;

/// Standard deviation of the points about the surface, along its normal, mm; 0 where there are
/// too few points to tell.
pub(super) fn noise_mm(mesh: &Mesh, rings: &Rings<'_>) -> f64 {
    let stride = mesh.points().len().div_ceil(PLACES).max(1);
    let mut found: Vec<f64> = (0..mesh.points().len())
        .into_par_iter()
        .step_by(stride)
        .filter_map(|p| variance_at(mesh, rings, p as u32))
        .collect();
    median(&mut found).unwrap_or(0.0).sqrt()
}

/// Estimate of the variance at one place, scaled so that the median of many is unbiased.
fn variance_at(mesh: &Mesh, rings: &Rings<'_>, p: u32) -> Option<f64> {
    let about = rings.about(p, 2);
    if about.len() < LEAST_POINTS {
        return None;
    }
    let normal: Vector = about
        .iter()
        .flat_map(|&q| rings.facets_at(q))
        .map(|&f| mesh.area_vector(f as usize))
        .sum();
    let at = |q: &u32| mesh.points()[*q as usize];
    let frame = Frame::new(at(&p), normal.try_normalize(1e-300)?);
    let local: Vec<[f64; 3]> = about.iter().map(|q| frame.local(&at(q))).collect();
    let reach = local
        .iter()
        .map(|[x, y, _]| x.hypot(*y))
        .fold(0.0, f64::max);
    let fit = Quadric::fit(&local, reach)?;
    let left: f64 = local
        .iter()
        .map(|&[x, y, z]| ((z - fit.height(x, y)) * fit.foreshortening(x, y)).powi(2))
        .sum();
    let freedom = (about.len() - 6) as f64;
    // Wilson and Hilferty 1931: the median of chi-square over ν is near (1 − 2 / 9ν)³.
    Some(left / freedom / (1.0 - 2.0 / (9.0 * freedom)).powi(3))
}

/// Median length of the edges, mm; 0 without edges. Of every k-th facet where there are many.
pub(super) fn edge_mm(mesh: &Mesh, topology: &Topology) -> f64 {
    let stride = topology.links.len().div_ceil(50_000).max(1);
    let edge = |f: usize| {
        let [a, b, c]: [Point; 3] = mesh.corners(f);
        [(b - a).norm(), (c - b).norm(), (a - c).norm()]
    };
    let facets = (0..topology.links.len()).step_by(stride);
    median(&mut facets.flat_map(edge).collect::<Vec<f64>>()).unwrap_or(0.0)
}

fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let (_, m, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*m)
}

#[cfg(test)]
mod tests {
    use super::super::shapes::*;
    use super::*;

    fn read(m: &Mesh) -> f64 {
        noise_mm(m, &Rings::new(m))
    }

    /// Several spreads at several densities (facets 0.2 to 0.6 mm), on a canal-like bend, a thin
    /// oval body and a ball: within 15 % of the truth.
    #[test]
    fn known_noise_is_read_back() {
        for sigma in [0.02, 0.05, 0.08] {
            for edge in [0.2, 0.35, 0.6] {
                let shapes = [
                    ("tube", bent_tube(3.5, 10.0, 0.7, edge)),
                    ("oval", ellipsoid([3.0, 5.0, 9.0], (8.0 / edge) as usize)),
                    ("ball", ball(6.0, (9.0 / edge) as usize)),
                ];
                for (name, shape) in shapes {
                    let got = read(&noisy(&shape, sigma, 11)) / sigma;
                    assert!((got - 1.0).abs() < 0.15, "{name} {sigma} {edge}: {got}");
                }
            }
        }
    }

    #[test]
    fn a_clean_fine_mesh_reads_none() {
        assert!(read(&bent_tube(3.5, 10.0, 0.7, 0.25)) < 0.005);
        assert!(read(&ellipsoid([3.0, 5.0, 9.0], 30)) < 0.005);
        assert!(read(&torus(10.0, 4.0, 200, 100)) < 0.005);
    }

    /// Twice the size is twice the noise; a turn changes nothing.
    #[test]
    fn scale_and_pose() {
        let m = noisy(&bent_tube(3.5, 10.0, 0.7, 0.4), 0.05, 3);
        let double = m.mapped(|p| p * 2.0).expect("finite");
        assert!((read(&double) / read(&m) - 2.0).abs() < 1e-9);
        assert!((read(&pose(&m)) / read(&m) - 1.0).abs() < 0.01);
    }

    #[test]
    fn pits_and_tears_are_not_noise() {
        let m = noisy(&ball(6.0, 40), 0.03, 5);
        let torn = without(&m, |f| f % 40 == 0);
        assert!((read(&torn) / 0.03 - 1.0).abs() < 0.15);
    }

    #[test]
    fn too_few_points_read_zero() {
        assert_eq!(read(&ball(1.0, 1)), 0.0);
        assert_eq!(read(&mesh(vec![], vec![])), 0.0);
    }
}

//! Rims: what leans over the land of an opening is its shape, and what is thin beside it is found.

use std::f64::consts::TAU;

use approx::assert_abs_diff_eq;

use crate::mesh::{Mesh, Point};
use crate::shell::wall::Reading;
use crate::shell::wall::shapes::{Build, measure};

/// A closed profile (radius, height) from pole to pole, material on its left, turned about z.
pub(super) fn turned(profile: &[[f64; 2]], step: f64) -> Mesh {
    let n = 200;
    let mut b = Build::default();
    let mut rings: Vec<Vec<u32>> = Vec::new();
    for w in profile.windows(2) {
        let [from, to] = [w[0], w[1]];
        let count = ((to[0] - from[0]).hypot(to[1] - from[1]) / step).ceil() as usize;
        for k in 0..count {
            let t = k as f64 / count as f64;
            let [r, z] = [0, 1].map(|i| from[i] + (to[i] - from[i]) * t);
            if r > 0.0 {
                let phase = TAU / n as f64 * 0.5 * (rings.len() % 2) as f64;
                rings.push(b.circle([0.0, 0.0, z], r, n, phase));
            }
        }
    }
    rings.windows(2).for_each(|w| b.strip(&w[0], &w[1]));
    for (ring, z, first) in [
        (&rings[0], profile[0][1], true),
        (
            &rings[rings.len() - 1],
            profile[profile.len() - 1][1],
            false,
        ),
    ] {
        let pole = b.points.len() as u32;
        b.points.push(Point::new(0.0, 0.0, z));
        for i in 0..n {
            let (p, q) = (ring[i], ring[(i + 1) % n]);
            b.facets
                .push(if first { [pole, q, p] } else { [pole, p, q] });
        }
    }
    b.mesh()
}

/// A bell whose wall leans outward by 35° below its rim: 1.0 level, so 0.819 across. `thin_mm` is taken
/// off the inside of the wall from 0.6 to 2.6 below the rim.
pub(super) fn bell(thin_mm: f64) -> Mesh {
    let lean = 35.0_f64.to_radians().tan();
    let mut profile = vec![
        [0.0, -9.0],
        // Upright from here to the bottom: an edge of 55° there would be a wedge of its own.
        [6.0 + 7.5 * lean, -9.0],
        [6.0 + 7.5 * lean, -7.5],
        [6.0, 0.0],
        [5.0, 0.0],
    ];
    let mut inside = |depth: f64, by: f64| profile.push([5.0 + depth * lean + by, -depth]);
    inside(0.6, 0.0);
    if thin_mm > 0.0 {
        let by = thin_mm / 35.0_f64.to_radians().cos();
        inside(1.0, by);
        inside(2.2, by);
        inside(2.6, 0.0);
    }
    inside(7.5, 0.0);
    profile.push([0.0, -7.5]);
    turned(&profile, 0.2)
}

#[test]
fn the_land_of_a_leaning_rim_is_an_edge() {
    let across = 35.0_f64.to_radians().cos();
    let mesh = bell(0.0);
    let w = measure(&mesh);
    let least = w.least.as_ref().expect("a wall");
    // Facets of the inner cone are chords within it.
    assert_abs_diff_eq!(least.wall_mm.value, across, epsilon = 0.01);
    let on_land = |p: &Point| p.z > -1e-9 && p.x.hypot(p.y) < 5.95;
    let land: Vec<usize> = (0..mesh.points().len())
        .filter(|&p| on_land(&mesh.points()[p]))
        .collect();
    assert!(land.len() > 500);
    assert!(land.iter().all(|&p| w.reading[p] == Reading::Edge));
    let edges: f64 = w.edges.iter().map(|e| e.area_mm2).sum();
    assert!(
        edges > std::f64::consts::PI * (36.0 - 25.0),
        "told as edges: {edges}"
    );
}

#[test]
fn a_wall_thin_by_0_2_beside_the_rim_is_found() {
    let across = 35.0_f64.to_radians().cos();
    let w = measure(&bell(0.2));
    let least = w.least.as_ref().expect("a wall");
    assert_abs_diff_eq!(least.wall_mm.value, across - 0.2, epsilon = 0.02);
    assert!(
        least.point.z < -0.5 && least.point.z > -3.5,
        "{}",
        least.point
    );
}

/// A flat lid of 0.7 with a hole in it near its border: what lies below the lid is a wall.
#[test]
fn a_lid_with_a_hole_is_no_land() {
    let profile = [
        [0.0, -6.0],
        [4.0, -6.0],
        [4.0, 0.0],
        [1.5, 0.0],
        [1.5, -0.7],
        [3.0, -0.7],
        [3.0, -5.0],
        [0.0, -5.0],
    ];
    let w = measure(&turned(&profile, 0.2));
    let least = w.least.as_ref().expect("a wall");
    assert_abs_diff_eq!(least.wall_mm.value, 0.7, epsilon = 1e-6);
}

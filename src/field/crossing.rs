//! Pairs of facets that cross, by exact orientation tests: the judge of drawn surfaces in tests.

use std::collections::HashMap;

use rayon::prelude::*;
use robust::{Coord3D, orient3d};

use crate::mesh::{Mesh, Point};

fn side(a: &Point, b: &Point, c: &Point, d: &Point) -> f64 {
    let [a, b, c, d] = [a, b, c, d].map(|p| Coord3D {
        x: p.x,
        y: p.y,
        z: p.z,
    });
    orient3d(a, b, c, d)
}

/// Whether the segment p–q passes through the inside of a facet.
fn pierces(p: &Point, q: &Point, t: &[Point; 3]) -> bool {
    let [a, b, c] = t;
    let (sp, sq) = (side(a, b, c, p), side(a, b, c, q));
    if sp * sq >= 0.0 {
        return false;
    }
    let (u, v, w) = (side(p, q, a, b), side(p, q, b, c), side(p, q, c, a));
    (u > 0.0 && v > 0.0 && w > 0.0) || (u < 0.0 && v < 0.0 && w < 0.0)
}

/// Every pair of facets of which an edge of one passes through the other. Facets with a common
/// edge are not asked.
pub(crate) fn crossing_pairs(mesh: &Mesh) -> Vec<(u32, u32)> {
    let n = mesh.facets().len();
    let mean = (mesh.area_mm2() / n.max(1) as f64).sqrt() * 2.0;
    let cell = |x: f64| (x / mean).floor() as i64;
    let mut bins: HashMap<[i64; 3], Vec<u32>> = HashMap::new();
    for f in 0..n {
        let [a, b, c] = mesh.corners(f);
        let (lo, hi) = (a.inf(&b).inf(&c), a.sup(&b).sup(&c));
        for x in cell(lo.x)..=cell(hi.x) {
            for y in cell(lo.y)..=cell(hi.y) {
                for z in cell(lo.z)..=cell(hi.z) {
                    bins.entry([x, y, z]).or_default().push(f as u32);
                }
            }
        }
    }
    let bins: Vec<Vec<u32>> = bins.into_values().collect();
    let mut out: Vec<(u32, u32)> = bins
        .par_iter()
        .flat_map_iter(|bin| {
            let mut found = Vec::new();
            for (i, &f) in bin.iter().enumerate() {
                for &g in &bin[i + 1..] {
                    if cross(mesh, f, g) {
                        found.push((f.min(g), f.max(g)));
                    }
                }
            }
            found
        })
        .collect();
    out.sort_unstable();
    out.dedup();
    out
}

fn cross(mesh: &Mesh, f: u32, g: u32) -> bool {
    let (a, b) = (mesh.facets()[f as usize], mesh.facets()[g as usize]);
    if a.iter().filter(|i| b.contains(i)).count() > 1 {
        return false;
    }
    let (p, q) = (mesh.corners(f as usize), mesh.corners(g as usize));
    let any = |p: &[Point; 3], q: &[Point; 3]| (0..3).any(|k| pierces(&p[k], &p[(k + 1) % 3], q));
    any(&p, &q) || any(&q, &p)
}

#[cfg(test)]
mod tests {
    use super::super::test_shapes::*;
    use super::*;

    #[test]
    fn finds_what_crosses_and_nothing_else() {
        let t = torus(5.0, 2.0, 30);
        assert!(crossing_pairs(&t).is_empty());
        let s = sphere(Point::new(5.0, 0.0, 2.0), 1.0, 16);
        assert!(crossing_pairs(&both(&t, &s, false)).len() > 20);
    }
}

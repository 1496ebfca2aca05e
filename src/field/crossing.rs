//! Pairs of facets that cross, by exact orientation tests: guards a drawn surface where it was
//! worked over, and judges the whole of it in tests.

use std::collections::HashMap;

use rayon::prelude::*;
use robust::{Coord3D, orient3d};

use crate::mesh::{Point, Vector};

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

/// Pairs of facets of which an edge of one passes through the other and at least one is suspected.
/// Facets with a common edge are not asked.
pub(crate) fn crossing_pairs(
    points: &[Point],
    facets: &[[u32; 3]],
    suspected: &[bool],
) -> Vec<(u32, u32)> {
    let corners = |f: [u32; 3]| f.map(|i| points[i as usize]);
    let boxed = |f: usize| {
        let [a, b, c] = corners(facets[f]);
        (a.inf(&b).inf(&c), a.sup(&b).sup(&c))
    };
    let chosen: Vec<usize> = (0..facets.len()).filter(|&f| suspected[f]).collect();
    if chosen.is_empty() {
        return Vec::new(); // no size to choose bins by
    }
    let wide: f64 = chosen
        .iter()
        .map(|&f| (boxed(f).1 - boxed(f).0).amax())
        .sum();
    let width = (2.0 * wide / chosen.len().max(1) as f64).max(1e-9);
    let bins_of = |f: usize| {
        let (lo, hi) = boxed(f);
        let cell = |p: Point| p.coords.map(|x| (x / width).floor() as i64);
        let (l, h): (nalgebra::Vector3<i64>, nalgebra::Vector3<i64>) = (cell(lo), cell(hi));
        (l.x..=h.x)
            .flat_map(move |x| (l.y..=h.y).flat_map(move |y| (l.z..=h.z).map(move |z| [x, y, z])))
    };
    let mut bins: HashMap<[i64; 3], Vec<u32>> = HashMap::new();
    for &f in &chosen {
        bins_of(f).for_each(|b| bins.entry(b).or_default().push(f as u32));
    }
    let mut out: Vec<(u32, u32)> = (0..facets.len())
        .into_par_iter()
        .with_min_len(1024)
        .flat_map_iter(|f| {
            let mut found = Vec::new();
            for g in bins_of(f).filter_map(|b| bins.get(&b)).flatten() {
                let (f, g) = (f as u32, *g);
                let twice = f == g || (suspected[f as usize] && g < f);
                if !twice && cross(facets[f as usize], facets[g as usize], &corners) {
                    found.push((f.min(g), f.max(g)));
                }
            }
            found
        })
        .collect();
    out.sort_unstable();
    out.dedup();
    out
}

fn cross(a: [u32; 3], b: [u32; 3], corners: &impl Fn([u32; 3]) -> [Point; 3]) -> bool {
    if a.iter().filter(|i| b.contains(i)).count() > 1 {
        return false;
    }
    let (p, q) = (corners(a), corners(b));
    let middle = |t: &[Point; 3]| t.iter().map(|p| p.coords).sum::<Vector>() / 3.0;
    let reach = |t: &[Point; 3]| {
        let m = middle(t);
        t.iter().map(|p| (p.coords - m).norm()).fold(0.0, f64::max)
    };
    if (middle(&p) - middle(&q)).norm() > reach(&p) + reach(&q) {
        return false;
    }
    let any = |p: &[Point; 3], q: &[Point; 3]| (0..3).any(|k| pierces(&p[k], &p[(k + 1) % 3], q));
    any(&p, &q) || any(&q, &p)
}

/// The same over a whole mesh.
pub(crate) fn all_crossing_pairs(mesh: &crate::mesh::Mesh) -> Vec<(u32, u32)> {
    crossing_pairs(
        mesh.points(),
        mesh.facets(),
        &vec![true; mesh.facets().len()],
    )
}

#[cfg(test)]
mod tests {
    use super::super::test_shapes::*;
    use super::*;

    #[test]
    fn finds_what_crosses_and_nothing_else() {
        let t = torus(5.0, 2.0, 30);
        assert!(all_crossing_pairs(&t).is_empty());
        let s = sphere(Point::new(5.0, 0.0, 2.0), 1.0, 16);
        assert!(all_crossing_pairs(&both(&t, &s, false)).len() > 20);
    }
}

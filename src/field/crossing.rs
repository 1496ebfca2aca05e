//! Pairs of facets that cross, by exact orientation tests: guards a drawn surface where it was
//! worked over, and judges the whole of it in tests.

use std::collections::HashMap;

use rayon::prelude::*;
use robust::{Coord3D, orient3d};

use crate::mesh::Point;

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

/// Whether an edge of one facet passes through the other; not asked of facets with a common edge.
pub(crate) fn cross(a: [u32; 3], b: [u32; 3], corners: &impl Fn([u32; 3]) -> [Point; 3]) -> bool {
    let common = a.iter().filter(|i| b.contains(i)).count();
    if common > 1 {
        return false;
    }
    let (p, q) = (corners(a), corners(b));
    let apart = |k: usize| {
        let span = |t: &[Point; 3]| {
            let (lo, hi) = (t[0][k].min(t[1][k]), t[0][k].max(t[1][k]));
            (lo.min(t[2][k]), hi.max(t[2][k]))
        };
        let ((a, b), (c, d)) = (span(&p), span(&q));
        b < c || d < a
    };
    if (0..3).any(apart) {
        return false;
    }
    // An edge from a common corner meets the other facet there and nowhere else, or lies in it:
    // asking would need exact arithmetic every time.
    let any = |a: [u32; 3], p: &[Point; 3], b: [u32; 3], q: &[Point; 3]| {
        (0..3).any(|k| {
            let free = common == 0 || !(b.contains(&a[k]) || b.contains(&a[(k + 1) % 3]));
            free && pierces(&p[k], &p[(k + 1) % 3], q)
        })
    };
    any(a, &p, b, &q) || any(b, &q, a, &p)
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

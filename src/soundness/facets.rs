//! Facets that are no surface, and points where the surface touches itself in a corner only.

use super::spots::Sets;
use crate::mesh::{Link, Mesh, Topology};

/// A facet is degenerate when its height over its longest edge is below this share of that edge.
/// Relative, so that it holds at any scale and a needle is none. Too low: three points in a line
/// that rounding to 7 digits (1e-7 of the coordinate) moved apart count as sound. Too high:
/// needles that cutting tools leave, a thousand times as long as wide, are honest surface.
const FLAT_HEIGHT_SHARE: f64 = 1e-6;

/// How many facets have no area for their size, or name a point twice.
pub(super) fn degenerate(mesh: &Mesh) -> usize {
    (0..mesh.facets().len())
        .filter(|&f| is_degenerate(mesh, f))
        .count()
}

/// Has this facet no area for its size?
pub(super) fn is_degenerate(mesh: &Mesh, facet: usize) -> bool {
    let [a, b, c] = mesh.corners(facet);
    let longest_sq = (b - a)
        .norm_squared()
        .max((c - b).norm_squared())
        .max((a - c).norm_squared());
    // height / edge = 2·area / edge²
    mesh.area_vector(facet).norm() <= FLAT_HEIGHT_SHARE * longest_sq
}

/// Points around which the facets fall into two fans or more that share no edge.
pub(super) fn bowties(mesh: &Mesh, topology: &Topology) -> usize {
    let facets = mesh.facets();
    let mut sets = Sets::new(3 * facets.len());
    let corner_of = |f: usize, point: u32| facets[f].iter().position(|&p| p == point);
    let mut fins: Vec<([u32; 2], u32)> = Vec::new();
    for (f, corners) in facets.iter().enumerate() {
        for e in 0..3 {
            let ends = [corners[e], corners[(e + 1) % 3]];
            match topology.links[f][e] {
                Link::Facet(g) | Link::Flipped(g) if (g as usize) < f => {
                    for p in ends {
                        if let (Some(x), Some(y)) = (corner_of(f, p), corner_of(g as usize, p)) {
                            sets.join((3 * f + x) as u32, 3 * g + y as u32);
                        }
                    }
                }
                Link::Fin => fins.push(([ends[0].min(ends[1]), ends[0].max(ends[1])], f as u32)),
                _ => {}
            }
        }
    }
    fins.sort_unstable();
    for pair in fins.windows(2).filter(|w| w[0].0 == w[1].0) {
        for p in pair[0].0 {
            let (f, g) = (pair[0].1, pair[1].1);
            if let (Some(x), Some(y)) = (corner_of(f as usize, p), corner_of(g as usize, p)) {
                sets.join(3 * f + x as u32, 3 * g + y as u32);
            }
        }
    }
    count_points_with_two_fans(mesh, &mut sets)
}

fn count_points_with_two_fans(mesh: &Mesh, sets: &mut Sets) -> usize {
    let mut fan_at = vec![u32::MAX; mesh.points().len()];
    let mut torn = vec![false; mesh.points().len()];
    for (f, corners) in mesh.facets().iter().enumerate() {
        for (e, &p) in corners.iter().enumerate() {
            if corners[..e].contains(&p) {
                continue; // a point named twice is one corner
            }
            let fan = sets.root((3 * f + e) as u32);
            let first = &mut fan_at[p as usize];
            if *first == u32::MAX {
                *first = fan;
            }
            torn[p as usize] |= *first != fan;
        }
    }
    torn.into_iter().filter(|&t| t).count()
}

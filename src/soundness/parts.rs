//! Connected parts: which is the main one, what floats apart from it, what encloses a volume.
//!
//! **Volume.** Every closed part that lies in no other is turned outward and adds its volume. A
//! closed part inside another keeps its side *relative to the one around it*: wound the other way
//! it is a cavity and its volume is taken off; wound the same way it is a solid within the solid,
//! already counted, and adds nothing (inside a cavity it does add). So a hollow shell counts its
//! wall, whether or not the whole file is inside out. Parts that cross count what they share
//! twice; crossings are reported, so nobody need be fooled.

use super::Floater;
use super::turning::Turning;
use crate::mesh::{Link, Mesh, MeshQueries, Point, Topology, Vector};

/// One connected part.
pub(super) struct Part {
    /// Its facets, in rising order.
    pub facets: Vec<u32>,
    pub area_mm2: f64,
    pub lo: Point,
    pub hi: Point,
    /// It encloses a volume: no open edge, nothing stuck, facets balanced at its fins.
    pub closed: bool,
    /// Signed volume about the middle of its box, after turning; meaningful if closed.
    pub volume_mm3: f64,
}

/// All parts in the order of their numbers.
pub(super) fn parts(
    mesh: &Mesh,
    topology: &Topology,
    part_of_facet: &[u32],
    count: usize,
    turning: &Turning,
) -> Vec<Part> {
    let far = Point::new(f64::INFINITY, f64::INFINITY, f64::INFINITY);
    let mut out: Vec<Part> = (0..count)
        .map(|_| Part {
            facets: Vec::new(),
            area_mm2: 0.0,
            lo: far,
            hi: -far,
            closed: true,
            volume_mm3: 0.0,
        })
        .collect();
    for (f, &p) in part_of_facet.iter().enumerate() {
        let part = &mut out[p as usize];
        part.facets.push(f as u32);
        part.area_mm2 += 0.5 * mesh.area_vector(f).norm();
        for corner in mesh.corners(f) {
            part.lo = part.lo.inf(&corner);
            part.hi = part.hi.sup(&corner);
        }
        part.closed &= turning.two_sided(f) && !topology.links[f].contains(&Link::Open);
    }
    open_at_unbalanced_fins(mesh, topology, part_of_facet, turning, &mut out);
    for part in &mut out {
        part.volume_mm3 = volume_mm3(mesh, part, turning);
    }
    out
}

/// A fin edge is sealed only where as many facets run one way along it as the other.
fn open_at_unbalanced_fins(
    mesh: &Mesh,
    topology: &Topology,
    part_of_facet: &[u32],
    turning: &Turning,
    parts: &mut [Part],
) {
    let mut balance: Vec<([u32; 2], i32, u32)> = Vec::new();
    for (f, corners) in mesh.facets().iter().enumerate() {
        for e in 0..3 {
            if topology.links[f][e] == Link::Fin {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                let along = (a < b) ^ turning.turned[f];
                let step = if along { 1 } else { -1 };
                balance.push(([a.min(b), a.max(b)], step, part_of_facet[f]));
            }
        }
    }
    balance.sort_unstable();
    for edge in balance.chunk_by(|x, y| x.0 == y.0) {
        if edge.iter().map(|x| x.1).sum::<i32>() != 0 {
            parts[edge[0].2 as usize].closed = false;
        }
    }
}

fn volume_mm3(mesh: &Mesh, part: &Part, turning: &Turning) -> f64 {
    let o = nalgebra::center(&part.lo, &part.hi);
    let six = |&f: &u32| {
        let [a, b, c] = mesh.corners(f as usize).map(|p| p - o);
        turning.sign(f as usize) * a.dot(&b.cross(&c))
    };
    part.facets.iter().map(six).sum::<f64>() / 6.0
}

/// The number of the part with the largest area (the first of equals).
pub(super) fn main_part(parts: &[Part]) -> usize {
    let mut best = 0;
    for (i, part) in parts.iter().enumerate() {
        if part.area_mm2 > parts[best].area_mm2 {
            best = i;
        }
    }
    best
}

/// Area of all closed parts, or of the main one where that is open, mm².
pub(super) fn enclosing_mm2(parts: &[Part], main: usize) -> f64 {
    if !parts[main].closed {
        return parts[main].area_mm2;
    }
    let closed = parts.iter().filter(|p| p.closed);
    closed.map(|p| p.area_mm2).sum()
}

/// Every part but the main one, largest area first.
pub(super) fn floaters(parts: &[Part], main: usize) -> Vec<Floater> {
    let mut out: Vec<Floater> = parts
        .iter()
        .enumerate()
        .filter(|&(i, _)| i != main)
        .map(|(_, part)| Floater {
            facets: part.facets.len(),
            area_mm2: part.area_mm2,
            size_mm: (part.hi - part.lo).norm(),
            point: nalgebra::center(&part.lo, &part.hi),
            facet: part.facets[0],
        })
        .collect();
    out.sort_by(|x, y| {
        y.area_mm2
            .total_cmp(&x.area_mm2)
            .then(x.facet.cmp(&y.facet))
    });
    out
}

/// Turns nested parts to fit what is around them, and sums what all closed parts enclose, mm³.
pub(super) fn settle_nesting(
    parts: &mut [Part],
    queries: &MeshQueries<'_>,
    part_of_facet: &[u32],
    turning: &mut Turning,
) -> f64 {
    let mut order: Vec<usize> = (0..parts.len()).filter(|&i| parts[i].closed).collect();
    let mut around: Vec<Vec<usize>> = vec![Vec::new(); parts.len()];
    for &i in &order {
        around[i] = containers(parts, i, &order, queries, part_of_facet);
    }
    order.sort_by_key(|&i| (around[i].len(), i));
    // How often the surface wraps the inside of each closed part, with everything around it.
    let mut wraps = vec![0_i32; parts.len()];
    let mut total = 0.0;
    for i in order {
        let outer = around[i].iter().copied().max_by_key(|&j| around[j].len());
        let outside = outer.map_or(0, |j| wraps[j]);
        let inward = outer.is_some_and(|j| keeps_facing_in(&parts[i], &parts[j], turning));
        if inward {
            turning.turn_all(&parts[i].facets);
            parts[i].volume_mm3 = -parts[i].volume_mm3;
        }
        wraps[i] = outside + if inward { -1 } else { 1 };
        let gained = i32::from(wraps[i] > 0) - i32::from(outside > 0);
        total += f64::from(gained) * parts[i].volume_mm3.abs();
    }
    total
}

/// Must the inner part face in, so that it keeps the side that it has in the file relative to the
/// outer one? (The inner is turned outward and the outer settled when asked.)
fn keeps_facing_in(inner: &Part, outer: &Part, turning: &Turning) -> bool {
    let mostly_turned = |p: &Part| {
        let turned = p.facets.iter().filter(|&&f| turning.turned[f as usize]);
        2 * turned.count() > p.facets.len()
    };
    let outer_faces_in = outer.volume_mm3 < 0.0;
    let wound_alike = mostly_turned(inner) == (mostly_turned(outer) ^ outer_faces_in);
    wound_alike == outer_faces_in
}

/// Closed parts that a closed part lies in. Three rays must agree by majority, so that one which grazes
/// an edge decides nothing.
fn containers(
    parts: &[Part],
    inner: usize,
    closed: &[usize],
    queries: &MeshQueries<'_>,
    part_of_facet: &[u32],
) -> Vec<usize> {
    let mine = &parts[inner];
    let may = |j: usize| {
        let p = &parts[j];
        j != inner && (0..3).all(|k| p.lo[k] <= mine.lo[k] && p.hi[k] >= mine.hi[k])
    };
    let possible: Vec<usize> = closed.iter().copied().filter(|&j| may(j)).collect();
    if possible.is_empty() {
        return possible;
    }
    let from = queries.mesh.corners(mine.facets[0] as usize)[0];
    let mut votes = vec![0_u32; possible.len()];
    for dir in [
        Vector::new(0.5377, 0.8339, 0.1270),
        Vector::new(-0.3188, 0.3077, 0.8963),
        Vector::new(0.2178, -0.7343, -0.6429),
    ] {
        let hits = queries.ray_hits(&from, &dir);
        for (k, &j) in possible.iter().enumerate() {
            let of_j = hits
                .iter()
                .filter(|h| part_of_facet[h.facet as usize] as usize == j);
            votes[k] += (of_j.count() % 2) as u32;
        }
    }
    let inside = possible.iter().zip(votes).filter(|&(_, v)| v >= 2);
    inside.map(|(&j, _)| j).collect()
}

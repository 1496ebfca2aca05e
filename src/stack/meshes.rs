//! The parts of a placement and its tubes as meshes, for a look at them.

use super::parts::Stack;
use crate::mesh::{Mesh, Point, Vector};

/// Sides of the prism that a tube is drawn as; its corners lie on the tube.
const TUBE_SIDES: usize = 16;

/// A tube as a closed mesh: a ring of points across each point of its middle line, the rings turned
/// no more than the line itself.
fn tube_mesh(tube: &super::Tube) -> Option<Mesh> {
    let line = &tube.centreline;
    let last = line.len().checked_sub(1).filter(|n| *n > 0)?;
    let way = |i: usize| (line[(i + 1).min(last)] - line[i.max(1) - 1]).try_normalize(1e-12);
    let (mut u, _) = super::route::curve::across(&way(0)?);
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    let n = TUBE_SIDES as u32;
    for (i, p) in line.iter().enumerate() {
        let along = way(i)?;
        u = (u - along * along.dot(&u)).try_normalize(1e-12)?;
        let v = along.cross(&u);
        for k in 0..TUBE_SIDES {
            let turn = std::f64::consts::TAU * k as f64 / TUBE_SIDES as f64;
            points.push(p + (u * turn.cos() + v * turn.sin()) * (tube.outer_mm / 2.0));
        }
        for k in 0..n {
            let (a, b) = (i as u32 * n + k, i as u32 * n + (k + 1) % n);
            if i < last {
                facets.extend([[a, b, b + n], [a, b + n, a + n]]);
            }
        }
    }
    let (first, end) = (points.len() as u32, points.len() as u32 + 1);
    points.extend([line[0], line[last]]);
    let top = last as u32 * n;
    for k in 0..n {
        let next = (k + 1) % n;
        facets.extend([[first, next, k], [end, top + k, top + next]]);
    }
    Mesh::new(points, facets).ok()
}

/// A tube up to where it runs into an earlier one of its bore: from there on they are one.
fn up_to_joint(tube: &super::Tube, earlier: &[super::Tube]) -> super::Tube {
    let shared = |other: &super::Tube| {
        let pairs = tube
            .centreline
            .iter()
            .rev()
            .zip(other.centreline.iter().rev());
        pairs.take_while(|(p, q)| (*p - *q).norm() < 1e-6).count()
    };
    let same = earlier.iter().filter(|t| t.name == tube.name);
    let most = same.map(shared).max().unwrap_or(0);
    let mut own = tube.clone();
    own.centreline
        .truncate(tube.centreline.len() + 1 - most.max(1));
    own
}

/// The parts of a placement and its tubes as meshes, named, for a look at them. What tubes of one bore
/// have in common is drawn once.
#[must_use]
pub fn part_meshes(stack: &Stack, placement: &super::Placement) -> Vec<(String, Mesh)> {
    const SIDES: [[u32; 3]; 12] = [
        [0, 2, 1],
        [1, 2, 3],
        [4, 5, 6],
        [5, 7, 6],
        [0, 1, 4],
        [1, 5, 4],
        [2, 6, 3],
        [3, 6, 7],
        [0, 4, 2],
        [2, 4, 6],
        [1, 3, 5],
        [3, 7, 5],
    ];
    let corner = |part: &super::PlacedPart, i: usize| -> Point {
        let own =
            Vector::from_fn(|k, _| part.size_mm[k] * if i >> k & 1 == 1 { 0.5 } else { -0.5 });
        part.pose.place(&own)
    };
    let each = placement.parts.iter().filter_map(|part| {
        let told = stack.parts.iter().find(|p| p.name == part.name);
        if let Some(surface) = told.and_then(|p| p.surface.as_ref()) {
            let mesh = surface.mapped(|p| part.pose.place(&p.coords)).ok()?;
            return Some((part.name.clone(), mesh));
        }
        let points = (0..8).map(|i| corner(part, i)).collect();
        Some((part.name.clone(), Mesh::new(points, SIDES.to_vec()).ok()?))
    });
    let tubes = placement.tubes.iter().enumerate().filter_map(|(i, t)| {
        let name = format!("tube of {} to {}", t.part, t.name);
        Some((name, tube_mesh(&up_to_joint(t, &placement.tubes[..i]))?))
    });
    each.chain(tubes).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::Topology;

    #[test]
    fn what_two_tubes_have_in_common_is_drawn_once() {
        let tube = |name: &str, line: &[[f64; 2]]| super::super::Tube {
            name: name.to_string(),
            part: "p".to_string(),
            outer_mm: 1.6,
            centreline: line.iter().map(|p| Point::new(p[0], p[1], 0.0)).collect(),
        };
        let first = tube("lows", &[[0.0, 5.0], [2.0, 2.0], [4.0, 0.0], [9.0, 0.0]]);
        let joins = tube("lows", &[[0.0, -5.0], [2.0, -2.0], [4.0, 0.0], [9.0, 0.0]]);
        let other = tube("mids", &[[0.0, -5.0], [4.0, 0.0], [9.0, 0.0]]);
        assert_eq!(up_to_joint(&first, &[]), first);
        let earlier = [first];
        let own = up_to_joint(&joins, &earlier);
        assert_eq!(own.centreline, joins.centreline[..3]);
        assert_eq!(up_to_joint(&other, &earlier), other);
        // One that is all another's has nothing of its own.
        assert_eq!(tube_mesh(&up_to_joint(&earlier[0].clone(), &earlier)), None);
    }

    #[test]
    fn a_tube_is_a_closed_body_of_its_volume() {
        // A quarter circle of radius 5, 1.6 thick: area times length (Pappus), less the prism's chords.
        let line = (0..=40).map(|i| {
            let (s, c) = (std::f64::consts::FRAC_PI_2 * f64::from(i) / 40.0).sin_cos();
            Point::new(5.0 * c, 5.0 * s, 1.0)
        });
        let tube = super::super::Tube {
            name: "lows".to_string(),
            part: "low".to_string(),
            outer_mm: 1.6,
            centreline: line.collect(),
        };
        let mesh = tube_mesh(&tube).unwrap();
        let topology = Topology::new(&mesh);
        assert_eq!((topology.open_edges, topology.flipped_edges), (0, 0));
        let exact = std::f64::consts::PI * 0.64 * 5.0 * std::f64::consts::FRAC_PI_2;
        let share = mesh.signed_volume_mm3() / exact;
        assert!((0.96..1.0).contains(&share), "{share}");
    }
}

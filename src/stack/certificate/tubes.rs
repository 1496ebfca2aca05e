//! Margins of the tubes: how sharply each bends, and what it keeps from walls, parts and other
//! tubes. A middle line is taken as the chain of straight pieces that it is printed as.

use super::segments::segment_distance;
use super::solid::{Solid, pair_margin};
use super::wall::facet_distance;
use super::{Margin, MarginKind};
use crate::mesh::{MeshQueries, Point, Vector};
use crate::stack::parts::Stack;
use crate::stack::placement::{Placement, Tube};
use crate::units::Mm;

/// What was measured on all tubes.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TubeMargins {
    /// One margin a tube and kind.
    pub margins: Vec<Margin>,
    /// Least radius of a middle line.
    pub least_bend_radius: Option<Mm>,
    /// Least material between two tubes, or a tube and the surface of the cavity.
    pub least_web: Option<Mm>,
}

/// Measures every tube of a placement. The last piece of a tube (its bore) leaves through the
/// wall, so the wall is measured up to one outer diameter from the tube's end.
pub fn tube_margins(
    queries: &MeshQueries,
    stack: &Stack,
    placement: &Placement,
    boxes: &[Solid],
) -> TubeMargins {
    let mut out = TubeMargins::default();
    for (t, tube) in placement.tubes.iter().enumerate() {
        let owner = stack.parts.iter().position(|p| p.name == tube.part);
        let bore = stack.bores.iter().find(|b| b.name == tube.name);
        let parts: Vec<usize> = owner.into_iter().collect();
        let mut push = |have: f64, need: f64| {
            out.margins.push(Margin {
                parts: parts.clone(),
                kind: MarginKind::Tube,
                have: Mm(have),
                need: Mm(need),
            });
        };
        let radius = least_radius(&tube.centreline);
        push(radius, bore.map_or(0.0, |b| b.bend_radius_mm));
        let from_parts = pieces(&tube.centreline).flat_map(|piece| {
            let others = (0..boxes.len()).filter(|&i| Some(i) != owner);
            others.map(move |i| pair_margin(&piece, &boxes[i]))
        });
        let r = tube.outer_mm / 2.0;
        push(from_parts.fold(f64::INFINITY, f64::min) - r, 0.0);
        let wall = wall_distance(queries, tube) - r;
        push(wall, 0.0);
        let web = placement.tubes[..t]
            .iter()
            .map(|other| apart(tube, other) - r - other.outer_mm / 2.0)
            .fold(wall, f64::min);
        push(web, 0.0);
        out.least_bend_radius = least(out.least_bend_radius, radius);
        out.least_web = least(out.least_web, web);
    }
    out
}

fn least(so_far: Option<Mm>, new: f64) -> Option<Mm> {
    Some(Mm(so_far.map_or(new, |m| m.0.min(new))))
}

/// Least radius of the circles through three points in a row (infinite along a straight line).
fn least_radius(line: &[Point]) -> f64 {
    line.windows(3)
        .map(|w| {
            let (a, b, c) = (w[1] - w[0], w[2] - w[1], w[2] - w[0]);
            let twice_area = a.cross(&b).norm();
            if twice_area <= 1e-12 * a.norm() * b.norm() && a.dot(&b) >= 0.0 {
                f64::INFINITY
            } else if twice_area == 0.0 {
                0.0
            } else {
                a.norm() * b.norm() * c.norm() / (2.0 * twice_area)
            }
        })
        .fold(f64::INFINITY, f64::min)
}

/// The straight pieces as boxes without thickness.
fn pieces(line: &[Point]) -> impl Iterator<Item = Solid> + '_ {
    line.windows(2).map(|w| {
        let along = w[1] - w[0];
        let x = along.try_normalize(1e-12).unwrap_or_else(Vector::x);
        let other = if x.x.abs() < 0.7 {
            Vector::x()
        } else {
            Vector::y()
        };
        let y = x.cross(&other).normalize();
        Solid {
            middle: nalgebra::center(&w[0], &w[1]),
            axes: [x, y, x.cross(&y)],
            half: [along.norm() / 2.0, 0.0, 0.0],
        }
    })
}

fn wall_distance(queries: &MeshQueries, tube: &Tube) -> f64 {
    let Some(end) = tube.centreline.last() else {
        return f64::INFINITY;
    };
    let mut least = f64::INFINITY;
    for piece in pieces(&tube.centreline) {
        let corners = piece.corners();
        if corners.iter().any(|c| (c - end).norm() < tube.outer_mm) {
            continue;
        }
        for f in 0..queries.mesh.facets().len() {
            least = least.min(facet_distance(&piece, &corners, &queries.mesh.corners(f)));
        }
    }
    least
}

fn apart(a: &Tube, b: &Tube) -> f64 {
    let mut least = f64::INFINITY;
    for p in a.centreline.windows(2) {
        for q in b.centreline.windows(2) {
            least = least.min(segment_distance(&p[0], &p[1], &q[0], &q[1]));
        }
    }
    least
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn radius_of_an_arc_and_of_a_fold() {
        let arc: Vec<Point> = (0..20)
            .map(|i| {
                let t = f64::from(i) * 0.05;
                Point::new(3.2 * t.cos(), 3.2 * t.sin(), 1.0)
            })
            .collect();
        assert!((least_radius(&arc) - 3.2).abs() < 1e-9);
        let p = Point::new;
        let fold = [p(0.0, 0.0, 0.0), p(1.0, 0.0, 0.0), p(0.0, 0.0, 0.0)];
        assert_eq!(least_radius(&fold), 0.0);
        let straight = [p(0.0, 0.0, 0.0), p(1.0, 0.0, 0.0), p(2.5, 0.0, 0.0)];
        assert_eq!(least_radius(&straight), f64::INFINITY);
    }
}

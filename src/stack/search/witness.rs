//! Where a box and a facet of the wall are nearest, for the polish: the two points, or, where they
//! cross, the shortest way out.

use super::contact::Block;
use crate::mesh::{Point, Vector, nearest_on_triangle};

/// The nearest place of a box to a facet.
#[derive(Debug, Clone, Copy)]
pub struct Witness {
    /// Distance, mm; negative where they cross.
    pub have: f64,
    /// Unit direction that takes the box away from the facet.
    pub away: Vector,
    /// The box's point.
    pub at: Point,
}

/// Nearest points of a box and a facet; `None` where they are `reach` apart or more.
pub fn witness(block: &Block, facet: &[Point; 3], reach: f64) -> Option<Witness> {
    let own = facet.map(|p| block.turn.tr_mul(&(p - block.middle)));
    let half = Vector::from(block.half);
    for k in 0..3 {
        let (lo, hi) = (own[0][k].min(own[1][k]).min(own[2][k]), own[0][k].max(own[1][k]).max(own[2][k]));
        if lo >= half[k] + reach || hi <= -half[k] - reach {
            return None;
        }
    }
    let (have, away, at) = match crossing(&own, &half) {
        Some(way) => way,
        None => nearest(&own, &half)?,
    };
    (have < reach).then(|| Witness {
        have,
        away: block.turn * away,
        at: block.middle + block.turn * at,
    })
}

/// Closest pair of a box about the origin and a triangle clear of it: corner–face and edge–edge.
fn nearest(tri: &[Vector; 3], half: &Vector) -> Option<(f64, Vector, Vector)> {
    let mut best = (f64::INFINITY, Vector::zeros(), Vector::zeros());
    let mut offer = |on_box: Vector, on_tri: Vector| {
        let d = (on_box - on_tri).norm_squared();
        if d < best.0 {
            best = (d, on_box, on_tri);
        }
    };
    for p in tri {
        offer(p.inf(half).sup(&-half), *p);
    }
    let points = tri.map(Point::from);
    for i in 0..8 {
        let c = corner(half, i);
        let q = nearest_on_triangle(&Point::from(c), &points[0], &points[1], &points[2]);
        offer(c, q.coords);
    }
    for e in 0..3 {
        let (p, q) = (tri[e], tri[(e + 1) % 3]);
        for axis in 0..3 {
            for side in 0..4 {
                let mut a = Vector::zeros();
                a[(axis + 1) % 3] = half[(axis + 1) % 3] * [-1.0, 1.0][side & 1];
                a[(axis + 2) % 3] = half[(axis + 2) % 3] * [-1.0, 1.0][side >> 1];
                let mut u = Vector::zeros();
                u[axis] = 1.0;
                let (v, w) = (q - p, a - p);
                let (uv, vv, uw, vw) = (u.dot(&v), v.dot(&v), u.dot(&w), v.dot(&w));
                let det = vv - uv * uv;
                if det <= 1e-12 * vv {
                    continue;
                }
                let s = (uv * vw - vv * uw) / det;
                let t = (vw - uv * uw) / det;
                if s.abs() <= half[axis] && (0.0..=1.0).contains(&t) {
                    offer(a + u * s, p + v * t);
                }
            }
        }
    }
    let d = best.0.sqrt();
    let away = (best.1 - best.2).try_normalize(1e-12)?;
    Some((d, away, best.1))
}

fn corner(half: &Vector, i: usize) -> Vector {
    Vector::from_fn(|k, _| if i >> k & 1 == 1 { half[k] } else { -half[k] })
}

/// Shortest translation that takes the box off a triangle that enters it, towards the triangle's
/// inner side; `None` where they are apart.
fn crossing(tri: &[Vector; 3], half: &Vector) -> Option<(f64, Vector, Vector)> {
    let sides = [tri[1] - tri[0], tri[2] - tri[1], tri[0] - tri[2]];
    let normal = sides[0].cross(&sides[1]);
    let units = [Vector::x(), Vector::y(), Vector::z()];
    let crosses = units.iter().flat_map(|u| sides.iter().map(move |s| u.cross(s)));
    let mut best: Option<(f64, Vector)> = None;
    for axis in units.into_iter().chain([normal]).chain(crosses) {
        let Some(axis) = axis.try_normalize(1e-9) else {
            continue;
        };
        // The wall's normal looks out of the room: in is against it.
        let way = if axis.dot(&normal) > 0.0 { -axis } else { axis };
        let reach = way.abs().dot(half);
        let top = tri.iter().map(|p| p.dot(&way)).fold(f64::NEG_INFINITY, f64::max);
        let low = tri.iter().map(|p| p.dot(&way)).fold(f64::INFINITY, f64::min);
        if top <= -reach || low >= reach {
            return None;
        }
        let push = top + reach;
        if best.is_none_or(|(b, _)| push < b) {
            best = Some((push, way));
        }
    }
    let (push, way) = best?;
    let at = Vector::from_fn(|k, _| -half[k].copysign(way[k]));
    Some((-push, way, at))
}

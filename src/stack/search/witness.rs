//! Where a box and a facet of the wall are nearest, for the polish: the two points, or, where they
//! cross, the shortest way out.

use super::contact::Block;
use super::wall::Facet;
use crate::mesh::{Point, Vector, nearest_on_triangle};

/// The nearest place of a box to a facet.
#[derive(Debug, Clone, Copy)]
pub struct Witness {
    /// Distance, mm; negative where they cross.
    pub have: f64,
    /// Unit direction that takes the box away from the facet, along the box's own axes.
    pub away: Vector,
    /// The box's point, from its middle along its own axes.
    pub at: Vector,
}

/// Every pair of features (corner and face, edge and edge) of a box and a facet that are less than
/// `reach` apart. All of them, not the nearest alone: a box that lies along a large facet touches
/// it with four corners, and a turn that frees one presses another.
pub fn witnesses(block: &Block, facet: &Facet, reach: f64, tell: &mut dyn FnMut(Witness)) {
    let half = Vector::from(block.half);
    let home = |p: &Point| block.turn.tr_mul(&(p - block.middle));
    // By the ball round the facet first: most facets near a box are off it.
    let beside = home(&facet.middle).abs() - half;
    let far = reach + facet.radius_mm;
    if beside.sup(&Vector::zeros()).norm_squared() >= far * far {
        return;
    }
    // Where only the box's corners can touch, off all of them is off.
    let corners_alone = facet.ridges == 0 && facet.peaks == 0;
    let own = facet.corners.map(|p| home(&p));
    let (lo, hi) = (
        own[0].inf(&own[1]).inf(&own[2]),
        own[0].sup(&own[1]).sup(&own[2]),
    );
    let gap = (lo - half).sup(&(-half - hi)).sup(&Vector::zeros());
    if gap.norm_squared() >= reach * reach {
        return;
    }
    let mut out = |have: f64, away: Vector, at: Vector| {
        if have < reach {
            tell(Witness { have, away, at });
        }
    };
    // Apart along an axis of the box is apart: most facets end here.
    let crossed = (gap == Vector::zeros())
        .then(|| crossing(&own, &half))
        .flatten();
    match crossed {
        Some(way) => entered(&own, &half, way, &mut out),
        None if corners_alone && beside.norm_squared() >= far * far => {}
        None => features(facet, &own, &half, (&lo, &hi), reach, &mut out),
    }
}

/// Where the shortest way out is off the facet's plane, every corner must come over the plane.
fn entered(
    tri: &[Vector; 3],
    half: &Vector,
    (have, away, at): (f64, Vector, Vector),
    out: &mut dyn FnMut(f64, Vector, Vector),
) {
    let normal = (tri[1] - tri[0]).cross(&(tri[2] - tri[0])).normalize();
    if normal.dot(&away) > -0.999_999 {
        return out(have, away, at);
    }
    for i in 0..8 {
        let c = corner(half, i);
        out((c - tri[0]).dot(&away), away, c);
    }
}

/// Corner–face and edge–edge pairs of a box about the origin and a triangle clear of it.
fn features(
    facet: &Facet,
    tri: &[Vector; 3],
    half: &Vector,
    (lo, hi): (&Vector, &Vector),
    reach: f64,
    out: &mut dyn FnMut(f64, Vector, Vector),
) {
    let mut offer = |on_box: Vector, on_tri: Vector| {
        let off = on_box - on_tri;
        let d = off.norm();
        if d < reach && d > 1e-12 {
            out(d, off / d, on_box);
        }
    };
    for (k, p) in tri.iter().enumerate() {
        if facet.peaks >> k & 1 == 1 {
            offer(p.inf(half).sup(&-half), *p);
        }
    }
    // How far the facet is from each side's plane, so that most corners and edges are not looked at.
    let off = |k: usize, side: usize| {
        let at = if side == 1 { half[k] } else { -half[k] };
        (lo[k] - at).max(at - hi[k]).max(0.0)
    };
    let off: [[f64; 2]; 3] = std::array::from_fn(|k| [off(k, 0), off(k, 1)]);
    // An edge lies in two sides, a corner in three: a facet over the middle of one side meets neither.
    let sides = off.iter().filter(|[a, b]| a.min(*b) < reach).count();
    if sides < 2 {
        return;
    }
    let sq = reach * reach;
    let points = tri.map(Point::from);
    for i in (0..8).filter(|_| sides == 3) {
        let away = [0, 1, 2].map(|k| off[k][i >> k & 1]);
        if Vector::from(away).norm_squared() >= sq {
            continue;
        }
        let c = corner(half, i);
        let q = nearest_on_triangle(&Point::from(c), &points[0], &points[1], &points[2]);
        offer(c, q.coords);
    }
    for e in 0..3 {
        if facet.ridges >> e & 1 == 0 {
            continue;
        }
        let (p, v) = (tri[e], tri[(e + 1) % 3] - tri[e]);
        edges::<0, 1, 2>((&p, &v), half, &off, sq, &mut offer);
        edges::<1, 2, 0>((&p, &v), half, &off, sq, &mut offer);
        edges::<2, 0, 1>((&p, &v), half, &off, sq, &mut offer);
    }
}

/// A facet's edge and the box's four edges along the axis `A`.
fn edges<const A: usize, const B: usize, const C: usize>(
    (p, v): (&Vector, &Vector),
    half: &Vector,
    off: &[[f64; 2]; 3],
    sq: f64,
    offer: &mut impl FnMut(Vector, Vector),
) {
    let (vv, uv) = (v.norm_squared(), v[A]);
    let det = vv - uv * uv;
    if det <= 1e-12 * vv {
        return;
    }
    for (side_b, off_b) in off[B].iter().enumerate() {
        for (side_c, off_c) in off[C].iter().enumerate() {
            if off_b * off_b + off_c * off_c >= sq {
                continue;
            }
            let b = if side_b == 1 { half[B] } else { -half[B] };
            let c = if side_c == 1 { half[C] } else { -half[C] };
            let (wb, wc) = (b - p[B], c - p[C]);
            let uw = -p[A];
            let vw = v[A] * uw + v[B] * wb + v[C] * wc;
            let s = (uv * vw - vv * uw) / det;
            let t = (vw - uv * uw) / det;
            if s.abs() <= half[A] && (0.0..=1.0).contains(&t) {
                let mut at = Vector::zeros();
                (at[A], at[B], at[C]) = (s, b, c);
                offer(at, p + v * t);
            }
        }
    }
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
    let crosses = units
        .iter()
        .flat_map(|u| sides.iter().map(move |s| u.cross(s)));
    let mut best: Option<(f64, Vector)> = None;
    for axis in units.into_iter().chain([normal]).chain(crosses) {
        let Some(axis) = axis.try_normalize(1e-9) else {
            continue;
        };
        // The wall's normal looks out of the room: in is against it.
        let way = if axis.dot(&normal) > 0.0 { -axis } else { axis };
        let reach = way.abs().dot(half);
        let top = tri
            .iter()
            .map(|p| p.dot(&way))
            .fold(f64::NEG_INFINITY, f64::max);
        let low = tri
            .iter()
            .map(|p| p.dot(&way))
            .fold(f64::INFINITY, f64::min);
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

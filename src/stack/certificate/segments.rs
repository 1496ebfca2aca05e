//! Distance of two straight segments in closed form: the edge–edge part of every distance between
//! flat-sided bodies.

use crate::mesh::Point;

/// Distance of the segments `a`–`b` and `c`–`d`, mm. The quadratic in the two parameters is
/// minimised over the unit square: inside if that is where its minimum lies, else on the four
/// sides, each of which is a point–segment distance.
pub fn segment_distance(a: &Point, b: &Point, c: &Point, d: &Point) -> f64 {
    let (u, v, w) = (b - a, d - c, a - c);
    let (uu, uv, vv) = (u.dot(&u), u.dot(&v), v.dot(&v));
    let (uw, vw) = (u.dot(&w), v.dot(&w));
    let det = uu * vv - uv * uv;
    let sides = point_segment(a, c, d)
        .min(point_segment(b, c, d))
        .min(point_segment(c, a, b))
        .min(point_segment(d, a, b));
    // Near-parallel segments: the inner minimum is badly conditioned and no smaller than the sides.
    if det > 1e-12 * uu * vv {
        let s = (uv * vw - vv * uw) / det;
        let t = (uu * vw - uv * uw) / det;
        if (0.0..=1.0).contains(&s) && (0.0..=1.0).contains(&t) {
            return sides.min((w + s * u - t * v).norm());
        }
    }
    sides
}

/// Distance of a point from a segment, mm.
pub fn point_segment(p: &Point, a: &Point, b: &Point) -> f64 {
    let ab = b - a;
    let len_sq = ab.norm_squared();
    let t = if len_sq > 0.0 {
        ((p - a).dot(&ab) / len_sq).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p - (a + t * ab)).norm()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn crossing_skew_and_parallel_segments() {
        let p = Point::new;
        let (a, b) = (p(-1.0, 0.0, 0.0), p(1.0, 0.0, 0.0));
        let skew = segment_distance(&a, &b, &p(0.0, -1.0, 2.0), &p(0.0, 1.0, 2.0));
        assert!((skew - 2.0).abs() < 1e-15);
        let parallel = segment_distance(&a, &b, &p(2.0, 1.0, 0.0), &p(5.0, 1.0, 0.0));
        assert!((parallel - 2.0_f64.sqrt()).abs() < 1e-15);
        let touching = segment_distance(&a, &b, &p(0.3, 0.0, 0.0), &p(0.3, 5.0, 0.0));
        assert!(touching < 1e-15);
        let point_like = segment_distance(&a, &a, &p(0.0, 3.0, 0.0), &p(0.0, 3.0, 0.0));
        assert!((point_like - 10.0_f64.sqrt()).abs() < 1e-15);
    }
}

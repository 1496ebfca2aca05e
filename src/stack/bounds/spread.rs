//! How far a cloud of points reaches, from above: its largest distance, and the thinnest cylinder
//! found round it. Both turn into bounds for a single part.

use crate::mesh::{Point, Vector};

use super::{BoundKind, Facts, Proof, SAFETY_MM};

/// Opposite corners keep the wall clearance, so the diagonal and two clearances must fit between
/// two points of the cavity.
pub(super) fn diagonal(facts: &Facts) -> Option<Proof> {
    let points = facts.cavity.mesh().points();
    let (part, need) = (0..facts.stack.parts.len())
        .filter(|&i| facts.is_box(i))
        .map(|i| {
            let s = Vector::from(facts.stack.parts[i].size_mm);
            (i, s.norm() + 2.0 * facts.wall_mm(i))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let (lo, hi) = facts.cavity.mesh().bounds()?;
    if need <= lo.coords.metric_distance(&hi.coords) / 3.0_f64.sqrt() {
        return None; // some axis of the box round the cavity is that long, and reached
    }
    let have = largest_distance(points);
    (need > have + SAFETY_MM).then(|| Proof {
        bound: BoundKind::Diagonal,
        need,
        have,
        parts: vec![part],
    })
}

/// Seen along the axis of a cylinder of radius r, the mean square of the four space diagonals is
/// at least s2² + s3², and each must fit into 2(r − w).
pub(super) fn cylinder(facts: &Facts) -> Option<Proof> {
    let points = facts.cavity.mesh().points();
    let (part, need) = (0..facts.stack.parts.len())
        .filter(|&i| facts.is_box(i))
        .map(|i| {
            let [_, b, c] = facts.stack.parts[i].sides_mm();
            (i, b.hypot(c) + 2.0 * facts.wall_mm(i))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let have = 2.0 * thinnest_cylinder(points);
    (need > have + SAFETY_MM).then(|| Proof {
        bound: BoundKind::Cylinder,
        need,
        have,
        parts: vec![part],
    })
}

/// A patch of directions on a face of the cube round the origin.
#[derive(Clone, Copy)]
pub(super) struct Patch {
    face: usize,
    at: [f64; 2],
    half: f64,
}

impl Patch {
    pub fn direction(&self) -> Vector {
        let mut v = Vector::zeros();
        v[self.face] = 1.0;
        v[(self.face + 1) % 3] = self.at[0];
        v[(self.face + 2) % 3] = self.at[1];
        v.normalize()
    }

    /// Cosine of the largest angle from the patch's middle to any of its directions. On the cube
    /// nothing is nearer than 1, so the sine is at most the distance on the face.
    pub fn cosine(&self) -> f64 {
        let sine = std::f64::consts::SQRT_2 * self.half;
        (1.0 - sine * sine).max(0.0).sqrt()
    }

    pub fn quarters(&self) -> [Self; 4] {
        let h = self.half / 2.0;
        [[-h, -h], [-h, h], [h, -h], [h, h]].map(|d| Self {
            at: [self.at[0] + d[0], self.at[1] + d[1]],
            half: h,
            ..*self
        })
    }
}

/// All directions (to sign) in n × n patches a face.
pub(super) fn patches(n: usize) -> Vec<Patch> {
    let at = |i: usize| -1.0 + (2.0 * i as f64 + 1.0) / n as f64;
    let mut out = Vec::with_capacity(3 * n * n);
    for face in 0..3 {
        for i in 0..n {
            for j in 0..n {
                out.push(Patch {
                    face,
                    at: [at(i), at(j)],
                    half: 1.0 / n as f64,
                });
            }
        }
    }
    out
}

pub(super) fn width(points: &[Point], dir: &Vector) -> f64 {
    let (mut lo, mut hi) = (f64::INFINITY, f64::NEG_INFINITY);
    for p in points {
        let h = p.coords.dot(dir);
        lo = lo.min(h);
        hi = hi.max(h);
    }
    hi - lo
}

/// An upper bound for the largest distance of two of the points, near to it: along its own
/// direction the cloud is that wide, and along a direction turned by t at least cos t of it.
pub(super) fn largest_distance(points: &[Point]) -> f64 {
    let mut open = patches(8);
    let (mut reached, mut bound) = (0.0_f64, f64::INFINITY);
    for _ in 0..5 {
        let widths: Vec<(f64, Patch)> = open
            .iter()
            .map(|p| (width(points, &p.direction()), *p))
            .collect();
        reached = widths.iter().map(|w| w.0).fold(reached, f64::max);
        bound = widths
            .iter()
            .map(|(w, p)| w / p.cosine())
            .fold(reached, f64::max);
        if bound - reached < 1e-3 {
            break;
        }
        open = widths
            .iter()
            .filter(|(w, p)| w / p.cosine() > reached)
            .flat_map(|(_, p)| p.quarters())
            .collect();
    }
    bound
}

/// Radius of the thinnest cylinder found that holds all points: an upper bound of the best.
pub(super) fn thinnest_cylinder(points: &[Point]) -> f64 {
    let outer = outermost(points);
    let mut axes: Vec<(f64, Vector)> = patches(8)
        .iter()
        .map(|p| {
            let axis = p.direction();
            let (u, v) = across(&axis);
            // No circle round the shadow is smaller than half its width.
            (width(&outer, &u).max(width(&outer, &v)), axis)
        })
        .collect();
    axes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut best = f64::INFINITY;
    let mut best_axis = Vector::z();
    for (_, axis) in axes.into_iter().take(12) {
        let r = circle(points, &outer, &axis);
        if r < best {
            (best, best_axis) = (r, axis);
        }
    }
    let mut step = 0.1;
    while step > 0.002 {
        let (u, v) = across(&best_axis);
        let near = [u, -u, v, -v].map(|d| (best_axis + d * step).normalize());
        let rated = near.map(|a| (circle(points, &outer, &a), a));
        match rated.into_iter().min_by(|a, b| a.0.total_cmp(&b.0)) {
            Some((r, axis)) if r < best => (best, best_axis) = (r, axis),
            _ => step /= 2.0,
        }
    }
    best
}

/// The points furthest out in some hundred directions: enough to find a good middle with.
pub(super) fn outermost(points: &[Point]) -> Vec<Point> {
    let mut out: Vec<Point> = patches(6)
        .iter()
        .flat_map(|patch| {
            let dir = patch.direction();
            let height = |p: &&Point| p.coords.dot(&dir);
            let by = |a: &&Point, b: &&Point| height(a).total_cmp(&height(b));
            [points.iter().max_by(by), points.iter().min_by(by)]
        })
        .flatten()
        .copied()
        .collect();
    out.sort_by(|a, b| {
        (a.x, a.y, a.z)
            .partial_cmp(&(b.x, b.y, b.z))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    out.dedup();
    out
}

pub(super) fn across(axis: &Vector) -> (Vector, Vector) {
    let other = if axis.x.abs() < 0.7 {
        Vector::x()
    } else {
        Vector::y()
    };
    let u = axis.cross(&other).normalize();
    (u, axis.cross(&u))
}

/// Radius of a circle round the points' shadow. Its middle walks towards the furthest of the outer
/// points by ever smaller steps (Bădoiu and Clarkson 2003); then all points are measured from it,
/// so the circle holds them all wherever the middle came to lie.
fn circle(points: &[Point], outer: &[Point], axis: &Vector) -> f64 {
    let (u, v) = across(axis);
    let shadow = |p: &Point| [p.coords.dot(&u), p.coords.dot(&v)];
    let away = |p: &[f64; 2], c: &[f64; 2]| (p[0] - c[0]).powi(2) + (p[1] - c[1]).powi(2);
    let flat: Vec<[f64; 2]> = outer.iter().map(shadow).collect();
    let Some(&first) = flat.first() else {
        return 0.0;
    };
    let (mut c, mut best) = (first, (f64::INFINITY, first));
    for k in 1..=80 {
        let mut far = (0.0, c);
        for p in &flat {
            let d = away(p, &c);
            if d > far.0 {
                far = (d, *p);
            }
        }
        if far.0 < best.0 {
            best = (far.0, c);
        }
        let step = 1.0 / (f64::from(k) + 1.0);
        c = [
            c[0] + (far.1[0] - c[0]) * step,
            c[1] + (far.1[1] - c[1]) * step,
        ];
    }
    points
        .iter()
        .map(|p| away(&shadow(p), &best.1))
        .fold(0.0, f64::max)
        .sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::shapes::{block, sphere};

    #[test]
    fn spread_of_a_block_and_a_ball() {
        let room = block(10.0, 4.0, 3.0);
        let d = largest_distance(room.points());
        let exact = 125.0_f64.sqrt();
        assert!(d >= exact && d < exact + 0.01, "{d}");
        let r = thinnest_cylinder(room.points());
        assert!((2.5 - 1e-9..2.6).contains(&r), "{r}");
        let ball = sphere(5.0, 20);
        let d = largest_distance(ball.points());
        assert!((10.0..10.02).contains(&d), "{d}");
        let r = thinnest_cylinder(ball.points());
        assert!(r > 4.9 && r < 5.1, "{r}");
    }
}

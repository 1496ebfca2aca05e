//! A smooth patch of surface as a height z = a + bx + cy + dx² + exy + fy² over a plane.

use nalgebra::{Cholesky, Const, SMatrix, SVector};

use crate::mesh::{Point, Vector};

/// A place with a direction out of the surface and two across.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    pub origin: Point,
    pub x: Vector,
    pub y: Vector,
    pub out: Vector,
}

impl Frame {
    /// Across directions are chosen from `out` alone; `out` is a unit vector.
    pub fn new(origin: Point, out: Vector) -> Self {
        let k = out.iamin();
        let x = Vector::ith(k, 1.0).cross(&out).normalize();
        let y = out.cross(&x);
        Self { origin, x, y, out }
    }

    /// Coordinates of a point in the frame.
    pub fn local(&self, p: &Point) -> [f64; 3] {
        let d = p - self.origin;
        [d.dot(&self.x), d.dot(&self.y), d.dot(&self.out)]
    }
}

/// The fitted height, with the fourth-order term that an arc of the same curvature would have.
///
/// A parabola is no circle: on a ball of radius 3, a quadric fitted 1.4 to 2.5 mm from a place
/// stands 0.13 mm off at the place itself (on a cylinder 0.04). The bent form adds
/// (xᵀHx)(xᵀH²x)/8, which is exact to fourth order for spheres and cylinders whose normal is the
/// frame's, and leaves a third of that or less.
#[derive(Debug, Clone, Copy)]
pub(super) struct Quadric {
    c: [f64; 6],
    /// Second derivatives used in the fourth-order term (zero in a plain fit).
    bent: [f64; 3],
}

/// Rounds of settling the fourth-order term. Each halves the step, since undamped it oscillates
/// once the fit reaches further than the radius of curvature; after 6 the height is still to 1e-3 mm.
const BENDING_ROUNDS: usize = 6;

impl Quadric {
    /// Least squares over (x, y, z); `None` where the points do not pin it down. `reach` is about
    /// how far they lie from the origin and only conditions the sums.
    pub fn fit(points: &[[f64; 3]], reach: f64) -> Option<Self> {
        let sums = Sums::new(points, reach)?;
        let c = sums.solve(points.iter().map(|p| p[2]).zip(points))?;
        Some(Self { c, bent: [0.0; 3] })
    }

    /// Like [`Quadric::fit`], with the fourth-order term settled together with the rest.
    pub fn fit_bent(points: &[[f64; 3]], reach: f64) -> Option<Self> {
        let sums = Sums::new(points, reach)?;
        let mut fit = Self {
            c: [0.0; 6],
            bent: [0.0; 3],
        };
        for round in 0..BENDING_ROUNDS {
            let lowered = |p: &[f64; 3]| p[2] - fit.fourth(p[0], p[1]);
            let c = sums.solve(points.iter().map(lowered).zip(points))?;
            let step = if round == 0 { 1.0 } else { 0.5 };
            let new = [2.0 * c[3], c[4], 2.0 * c[5]];
            let bent = [0, 1, 2].map(|k| fit.bent[k] + step * (new[k] - fit.bent[k]));
            fit = Self { c, bent };
        }
        let lowered = |p: &[f64; 3]| p[2] - fit.fourth(p[0], p[1]);
        fit.c = sums.solve(points.iter().map(lowered).zip(points))?;
        Some(fit)
    }

    pub fn height(&self, x: f64, y: f64) -> f64 {
        let t = terms(x, y);
        (0..6).map(|i| self.c[i] * t[i]).sum::<f64>() + self.fourth(x, y)
    }

    fn fourth(&self, x: f64, y: f64) -> f64 {
        let [a, b, c] = self.bent;
        let (hx, hy) = (a * x + b * y, b * x + c * y);
        (x * hx + y * hy) * (hx * hx + hy * hy) / 8.0
    }

    /// How much shorter a distance along the normal is than one along z, at (x, y).
    pub fn foreshortening(&self, x: f64, y: f64) -> f64 {
        let c = &self.c;
        let (zx, zy) = (
            c[1] + 2.0 * c[3] * x + c[4] * y,
            c[2] + c[4] * x + 2.0 * c[5] * y,
        );
        1.0 / (1.0 + zx * zx + zy * zy).sqrt()
    }
}

/// Normal equations, factored once for several right sides.
struct Sums {
    factor: Cholesky<f64, Const<6>>,
    scale: f64,
}

impl Sums {
    fn new(points: &[[f64; 3]], reach: f64) -> Option<Self> {
        let mut m = SMatrix::<f64, 6, 6>::zeros();
        let scale = 1.0 / reach;
        for [x, y, _] in points {
            let t = terms(x * scale, y * scale);
            for i in 0..6 {
                for j in 0..=i {
                    m[(i, j)] += t[i] * t[j]; // the lower half is all that is read
                }
            }
        }
        // Too low a floor: points along a line or a circle fit anything.
        let floor = 1e-10 * m.trace();
        let factor = m.cholesky()?;
        let firm = (0..6).all(|i| factor.l_dirty()[(i, i)].powi(2) > floor);
        firm.then_some(Self { factor, scale })
    }

    fn solve<'p>(&self, heights: impl Iterator<Item = (f64, &'p [f64; 3])>) -> Option<[f64; 6]> {
        let mut v = SVector::<f64, 6>::zeros();
        for (z, [x, y, _]) in heights {
            let t = terms(x * self.scale, y * self.scale);
            for i in 0..6 {
                v[i] += t[i] * z;
            }
        }
        let (c, s) = (self.factor.solve(&v), self.scale);
        let c = [
            c[0],
            c[1] * s,
            c[2] * s,
            c[3] * s * s,
            c[4] * s * s,
            c[5] * s * s,
        ];
        c.iter().all(|k| k.is_finite()).then_some(c)
    }
}

fn terms(x: f64, y: f64) -> [f64; 6] {
    [1.0, x, y, x * x, x * y, y * y]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// On a ring round a place of a ball or a cylinder, the bent form knows the height in the
    /// middle that it never saw; the plain one stands off outward.
    #[test]
    fn the_bent_form_follows_arcs_that_a_parabola_leaves() {
        for radius in [3.0_f64, 4.0] {
            for flat in [0.0, 1.0] {
                let height =
                    |x: f64, y: f64| (radius * radius - x * x - flat * y * y).sqrt() - radius;
                let mut ring = Vec::new();
                for i in 0..400 {
                    let (a, r) = (f64::from(i) * 2.399_963, 1.4 + 1.1 * f64::from(i) / 400.0);
                    let (x, y) = (r * a.cos(), r * a.sin());
                    ring.push([x, y, height(x, y)]);
                }
                let plain = Quadric::fit(&ring, 2.5).expect("a ring pins it down");
                let bent = Quadric::fit_bent(&ring, 2.5).expect("a ring pins it down");
                let (off, left) = (plain.height(0.0, 0.0), bent.height(0.0, 0.0).abs());
                assert!(off > 0.01, "{radius} {flat}: {off}");
                assert!(left < 0.4 * off, "{radius} {flat}: {off} {left}");
            }
        }
    }

    #[test]
    fn points_on_a_line_pin_nothing_down() {
        let line: Vec<[f64; 3]> = (0..20)
            .map(|i| [f64::from(i), 2.0 * f64::from(i), 0.0])
            .collect();
        assert!(Quadric::fit(&line, 20.0).is_none());
    }
}

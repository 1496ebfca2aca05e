//! A smooth patch of surface as a height z = a + bx + cy + dx² + exy + fy² over a plane.

use nalgebra::{SMatrix, SVector};

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

/// The fitted height.
#[derive(Debug, Clone, Copy)]
pub(super) struct Quadric {
    c: [f64; 6],
}

impl Quadric {
    /// Least squares over (x, y, z) with weights; `None` where the points do not pin it down.
    /// `reach` is about how far they lie from the origin and only conditions the sums.
    pub fn fit(points: impl Iterator<Item = ([f64; 3], f64)>, reach: f64) -> Option<Self> {
        let mut m = SMatrix::<f64, 6, 6>::zeros();
        let mut v = SVector::<f64, 6>::zeros();
        let s = 1.0 / reach;
        for ([x, y, z], w) in points {
            let t = terms(x * s, y * s);
            for i in 0..6 {
                for j in i..6 {
                    m[(j, i)] += w * t[i] * t[j]; // the lower half is all that is read
                }
                v[i] += w * t[i] * z;
            }
        }
        // Too low a floor: points along a line or a circle fit anything.
        let floor = 1e-10 * m.trace();
        let factor = m.cholesky()?;
        if (0..6).any(|i| factor.l_dirty()[(i, i)].powi(2) <= floor) {
            return None;
        }
        let c = factor.solve(&v);
        let scaled = [
            c[0],
            c[1] * s,
            c[2] * s,
            c[3] * s * s,
            c[4] * s * s,
            c[5] * s * s,
        ];
        scaled
            .iter()
            .all(|k| k.is_finite())
            .then_some(Self { c: scaled })
    }

    pub fn height(&self, x: f64, y: f64) -> f64 {
        let t = terms(x, y);
        (0..6).map(|i| self.c[i] * t[i]).sum()
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

    /// Second derivatives d²z/dx², d²z/dxdy, d²z/dy².
    pub fn second(&self) -> [f64; 3] {
        [2.0 * self.c[3], self.c[4], 2.0 * self.c[5]]
    }
}

fn terms(x: f64, y: f64) -> [f64; 6] {
    [1.0, x, y, x * x, x * y, y * y]
}

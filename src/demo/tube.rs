//! The canal as an exact solid: an ellipse that changes and turns while it is swept along a curve.
//!
//! The curve is tabulated once; between the table's stations everything is a cubic that meets
//! values and slopes, and that interpolated solid *is* the model. So there is no second, "true"
//! curve to disagree with: surface and truth are read from the same table.

use std::f64::consts::PI;

use crate::mesh::{Point, Vector};

use super::jet::Jet;
use super::model::{Bend, Canal};
use super::spline::Spline;

/// Table spacing. Interpolation error falls with its fourth power: at 0.05 mm it is about 1e-8 mm.
const STEP_MM: f64 = 0.05;
/// How far the tube runs on past both nominal ends, so that the closest station is never an end.
const RUN_ON_MM: f64 = 8.0;
/// Every how many stations the first search for the closest one looks.
const STRIDE: usize = 16;

/// What is tabulated: centre, long-axis direction, short-axis direction, 1/half-long, 1/half-short.
const WIDTH: usize = 11;

#[derive(Debug, Clone, Copy)]
struct Node {
    value: [f64; WIDTH],
    slope: [f64; WIDTH],
}

/// The canal's solid.
#[derive(Debug, Clone)]
pub(crate) struct Tube {
    nodes: Vec<Node>,
    /// Every sixteenth centre, packed for the first search.
    coarse: Vec<Point>,
    start_mm: f64,
    /// Where rounding of the inner end begins, and over what length.
    tip_from_mm: f64,
    tip_round_mm: f64,
    /// The outer end's rounding (inside the concha, where nobody sees it; flat on a bare canal).
    outer_from_mm: f64,
    outer_round_mm: f64,
    oblique: f64,
    scale_mm: f64,
    /// Largest half-diameter anywhere.
    widest_mm: f64,
}

/// Direction of the canal at an arc position: azimuth forward of straight in, and elevation.
fn direction(canal: &Canal, s: f64) -> Vector {
    let turned = |b: &Bend| b.share_at(s);
    let mut forward = canal.entry_forward_deg;
    let mut up = canal.entry_up_deg;
    for bend in &canal.bends {
        forward += bend.forward_deg * turned(bend);
        up += bend.up_deg * turned(bend);
    }
    let (forward, up) = (forward.to_radians(), up.to_radians());
    Vector::new(
        -forward.cos() * up.cos(),
        forward.sin() * up.cos(),
        up.sin(),
    )
}

impl Tube {
    pub fn new(canal: &Canal, bare: bool) -> Self {
        let outer_from_mm = if bare { -0.5 } else { -4.0 };
        let start_mm = outer_from_mm - RUN_ON_MM;
        let count = ((canal.length_mm + RUN_ON_MM - start_mm) / STEP_MM).ceil() as usize + 1;
        let knots = |f: &dyn Fn(&super::model::Section) -> f64| {
            let pairs: Vec<(f64, f64)> = canal.sections.iter().map(|k| (k.at_mm, f(k))).collect();
            Spline::through(&pairs)
        };
        let splines = [
            knots(&|k| 1.0 / half_long(k)),
            knots(&|k| k.aspect / half_long(k)),
            knots(&|k| k.lean_deg.to_radians()),
        ];
        let centres = centres(canal, start_mm, count);
        let at = |s: f64, c: Point| row(canal, &splines, s, c);
        let nodes = (0..count).map(|i| {
            let s = start_mm + STEP_MM * i as f64;
            node(s, centres[i], direction(canal, s), &at)
        });
        let nodes: Vec<Node> = nodes.collect();
        let scale_mm = 1.0 / splines[1].at(canal.length_mm / 2.0).0;
        let round = canal.tip_round_mm.clamp(0.2, canal.length_mm / 2.0);
        let coarse = centres.iter().copied().step_by(STRIDE).collect();
        let widest = nodes.iter().map(|n| 1.0 / n.value[9]).fold(0.0, f64::max);
        Self {
            nodes,
            coarse,
            widest_mm: widest,
            start_mm,
            tip_from_mm: canal.length_mm - round,
            tip_round_mm: round,
            outer_from_mm,
            outer_round_mm: if bare { 0.5 } else { 3.0 },
            oblique: canal.tip_oblique,
            scale_mm,
        }
    }

    fn end_mm(&self) -> f64 {
        self.start_mm + STEP_MM * (self.nodes.len() - 1) as f64
    }

    /// The first `N` tabulated values, first and second derivatives at `s` (held at the ends).
    fn cubic<const N: usize>(&self, s: f64) -> ([f64; N], [f64; N], [f64; N]) {
        let x = ((s - self.start_mm) / STEP_MM).clamp(0.0, (self.nodes.len() - 1) as f64);
        let i = (x as usize).min(self.nodes.len() - 2);
        let t = x - i as f64;
        let (a, b) = (&self.nodes[i], &self.nodes[i + 1]);
        let (mut value, mut slope, mut bent) = ([0.0; N], [0.0; N], [0.0; N]);
        for k in 0..N {
            let (va, vb) = (a.value[k], b.value[k]);
            let (da, db) = (a.slope[k] * STEP_MM, b.slope[k] * STEP_MM);
            let c2 = 3.0 * (vb - va) - 2.0 * da - db;
            let c3 = 2.0 * (va - vb) + da + db;
            value[k] = va + t * (da + t * (c2 + t * c3));
            slope[k] = (da + t * (2.0 * c2 + 3.0 * t * c3)) / STEP_MM;
            bent[k] = (2.0 * c2 + 6.0 * c3 * t) / (STEP_MM * STEP_MM);
        }
        (value, slope, bent)
    }

    fn state(&self, s: f64) -> ([f64; WIDTH], [f64; WIDTH], Vector) {
        let (value, slope, bent) = self.cubic::<WIDTH>(s);
        (value, slope, Vector::new(bent[0], bent[1], bent[2]))
    }

    /// Point of the raw curve at an arc position from the nominal entrance.
    pub fn centre(&self, s: f64) -> Point {
        let (v, _, _) = self.state(s);
        Point::new(v[0], v[1], v[2])
    }

    /// Index of the coarse centre closest to `p`, and its distance.
    fn nearest_coarse(&self, p: &Point) -> (usize, f64) {
        let mut best = (0, f64::INFINITY);
        for (i, c) in self.coarse.iter().enumerate() {
            let d = (c - p).norm_squared();
            if d < best.1 {
                best = (i, d);
            }
        }
        (best.0, best.1.sqrt())
    }

    /// The field at `p` is no less than this; much cheaper than the field.
    pub fn at_least(&self, p: &Point) -> f64 {
        let spacing = STEP_MM * STRIDE as f64;
        let away = self.nearest_coarse(p).1 - spacing;
        self.scale_mm * (away / self.widest_mm - 1.0)
    }

    /// Arc position of the curve's point closest to `p`.
    pub fn closest(&self, p: &Point) -> f64 {
        let mut s = self.start_mm + STEP_MM * (STRIDE * self.nearest_coarse(p).0) as f64;
        for _ in 0..12 {
            let ([cx, cy, cz], along, b) = self.place(s);
            let away = p.coords - Vector::new(cx, cy, cz);
            let steep = (along.norm_squared() - away.dot(&b)).max(0.2);
            let step = (away.dot(&along) / steep).clamp(-0.6, 0.6);
            s = (s + step).clamp(self.start_mm, self.end_mm());
            if step.abs() < 1e-11 {
                break;
            }
        }
        s
    }

    /// Centre, its derivative and its second derivative.
    fn place(&self, s: f64) -> ([f64; 3], Vector, Vector) {
        let (value, slope, bent) = self.cubic::<3>(s);
        (value, Vector::from(slope), Vector::from(bent))
    }

    /// Distance outward from the outer end.
    pub fn outward(&self, p: &Point) -> Jet {
        let (v, d, _) = self.state(self.outer_from_mm - self.outer_round_mm);
        let along = Vector::new(d[0], d[1], d[2]);
        Jet {
            v: -along.dot(&(p - Point::new(v[0], v[1], v[2]))),
            g: -along,
        }
    }

    /// Unit direction of the raw curve, outside to inside.
    pub fn direction(&self, s: f64) -> Vector {
        let (_, d, _) = self.state(s);
        Vector::new(d[0], d[1], d[2]).normalize()
    }

    /// Negative inside; about a distance near the surface.
    pub fn at(&self, p: &Point) -> Jet {
        let s = self.closest(p);
        let (v, d, b) = self.state(s);
        let away = p.coords - Vector::new(v[0], v[1], v[2]);
        let along = Vector::new(d[0], d[1], d[2]);
        let ds = along / (along.norm_squared() - away.dot(&b)).max(0.2);
        let arm = |k: usize, inverse: usize| {
            let e = Vector::new(v[k], v[k + 1], v[k + 2]);
            let turn = Vector::new(d[k], d[k + 1], d[k + 2]);
            let length = away.dot(&e);
            let g = e + ds * (away.dot(&turn) - along.dot(&e));
            Jet {
                v: length * v[inverse],
                g: g * v[inverse] + ds * (d[inverse] * length),
            }
        };
        let (long, short) = (arm(3, 9), arm(6, 10));
        let place = Jet { v: s, g: ds };
        let inner = place + short.scaled(self.oblique) - Jet::constant(self.tip_from_mm);
        let outer = Jet::constant(self.outer_from_mm) - place;
        let q = long * long
            + short * short
            + cap(inner.scaled(1.0 / self.tip_round_mm))
            + cap(outer.scaled(1.0 / self.outer_round_mm));
        (q.sqrt() - Jet::constant(1.0)).scaled(self.scale_mm)
    }
}

/// Cube of the positive part: twice continuously differentiable, so the end has no crease.
fn cap(x: Jet) -> Jet {
    if x.v <= 0.0 {
        Jet::constant(0.0)
    } else {
        Jet {
            v: x.v.powi(3),
            g: x.g * (3.0 * x.v * x.v),
        }
    }
}

fn half_long(k: &super::model::Section) -> f64 {
    (k.area_mm2.max(0.5) * k.aspect.max(1.0) / PI).sqrt()
}

/// Runs the direction up into points by Simpson's rule, with the nominal entrance at the origin.
fn centres(canal: &Canal, start_mm: f64, count: usize) -> Vec<Point> {
    let mut p = Point::origin();
    let mut points = Vec::with_capacity(count);
    for i in 0..count {
        points.push(p);
        let s = start_mm + STEP_MM * i as f64;
        let middle = direction(canal, s + STEP_MM / 2.0);
        p += (direction(canal, s) + middle * 4.0 + direction(canal, s + STEP_MM)) * (STEP_MM / 6.0);
    }
    let entrance = points[((-start_mm / STEP_MM).round() as usize).min(count - 1)];
    for q in &mut points {
        *q -= entrance.coords;
    }
    points
}

fn row(canal: &Canal, splines: &[Spline; 3], s: f64, c: Point) -> [f64; WIDTH] {
    let t = direction(canal, s);
    let up = (Vector::z() - t * t.z).normalize();
    // Seen from outside, leaning takes the long axis' top forward on either ear.
    let forward = (Vector::y() - t * t.y - up * up.y).normalize();
    let (sin, cos) = splines[2].at(s).0.sin_cos();
    let long = up * cos + forward * sin;
    let short = forward * cos - up * sin;
    let [a, b] = [splines[0].at(s).0, splines[1].at(s).0];
    [
        c.x, c.y, c.z, long.x, long.y, long.z, short.x, short.y, short.z, a, b,
    ]
}

fn node(s: f64, c: Point, along: Vector, at: &dyn Fn(f64, Point) -> [f64; WIDTH]) -> Node {
    const H: f64 = 1e-4;
    let value = at(s, c);
    let (before, after) = (at(s - H, c), at(s + H, c));
    let mut slope = [0.0; WIDTH];
    for k in 0..WIDTH {
        slope[k] = (after[k] - before[k]) / (2.0 * H);
    }
    slope[..3].copy_from_slice(along.as_slice());
    Node { value, slope }
}

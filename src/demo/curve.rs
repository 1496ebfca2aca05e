//! Polylines as curves: arc length, even stations, Gaussian smoothing, curvature, bends.
//!
//! This is the truth's own arithmetic; it shares nothing with the code that measures scans.

use crate::mesh::{Point, Vector};

/// A curve as points, with the arc length at each.
#[derive(Debug, Clone)]
pub(crate) struct Curve {
    pub points: Vec<Point>,
    pub arc_mm: Vec<f64>,
}

impl Curve {
    pub fn new(points: Vec<Point>) -> Self {
        let mut arc_mm = Vec::with_capacity(points.len());
        let mut sum = 0.0;
        for (i, p) in points.iter().enumerate() {
            if i > 0 {
                sum += (p - points[i - 1]).norm();
            }
            arc_mm.push(sum);
        }
        Self { points, arc_mm }
    }

    pub fn length_mm(&self) -> f64 {
        self.arc_mm.last().copied().unwrap_or(0.0)
    }

    /// Point at an arc length: on the cubic through the four nearest points, straight beyond the ends.
    pub fn at(&self, arc_mm: f64) -> Point {
        let n = self.points.len();
        if n < 4 || arc_mm < 0.0 || arc_mm > self.length_mm() {
            return self.straight(arc_mm);
        }
        let i = self
            .arc_mm
            .partition_point(|&a| a <= arc_mm)
            .clamp(2, n - 2)
            - 2;
        let mut sum = Vector::zeros();
        for k in i..i + 4 {
            let mut weight = 1.0;
            for m in (i..i + 4).filter(|&m| m != k) {
                weight *= (arc_mm - self.arc_mm[m]) / (self.arc_mm[k] - self.arc_mm[m]);
            }
            sum += self.points[k].coords * weight;
        }
        Point::from(sum)
    }

    fn straight(&self, arc_mm: f64) -> Point {
        let n = self.points.len();
        if n < 2 {
            return self.points.first().copied().unwrap_or_else(Point::origin);
        }
        let i = self
            .arc_mm
            .partition_point(|&a| a <= arc_mm)
            .clamp(1, n - 1);
        let t = (arc_mm - self.arc_mm[i - 1]) / (self.arc_mm[i] - self.arc_mm[i - 1]);
        self.points[i - 1] + (self.points[i] - self.points[i - 1]) * t
    }

    /// Even stations between two arc lengths, both included, no farther apart than `step_mm`.
    pub fn part(&self, from_mm: f64, to_mm: f64, step_mm: f64) -> Self {
        let n = ((to_mm - from_mm) / step_mm - 1e-9).ceil().max(1.0) as usize;
        let share = (to_mm - from_mm) / n as f64;
        Self::new(
            (0..=n)
                .map(|i| self.at(from_mm + share * i as f64))
                .collect(),
        )
    }

    /// Points smoothed by a Gaussian along the stations (taken as even), odd reflection at the ends.
    pub fn smoothed(&self, sigma_mm: f64) -> Vec<Point> {
        let n = self.points.len();
        let step = self.length_mm() / (n - 1) as f64;
        let reach = (5.0 * sigma_mm / step).ceil() as isize;
        let kernel: Vec<f64> = (-reach..=reach)
            .map(|k| (-0.5 * (k as f64 * step / sigma_mm).powi(2)).exp())
            .collect();
        let total: f64 = kernel.iter().sum();
        let smooth = |i: isize| {
            let parts = kernel.iter().zip(-reach..=reach);
            let sum: Vector = parts.map(|(w, k)| self.reflected(i + k) * *w).sum();
            Point::from(sum / total)
        };
        (0..n as isize).map(smooth).collect()
    }

    fn reflected(&self, i: isize) -> Vector {
        let last = self.points.len() as isize - 1;
        let at = |k: isize| self.points[k.clamp(0, last) as usize].coords;
        if i < 0 {
            at(0) * 2.0 - at(-i)
        } else if i > last {
            at(last) * 2.0 - at(2 * last - i)
        } else {
            at(i)
        }
    }

    /// Unit tangents of the smoothed curve.
    pub fn tangents(&self, sigma_mm: f64) -> Vec<Vector> {
        let s = self.smoothed(sigma_mm);
        let n = s.len();
        let unit = |i: usize| {
            let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
            (s[b] - s[a]).normalize()
        };
        (0..n).map(unit).collect()
    }
}

/// A bend by the definition, arc positions counted along the curve it was found on.
#[derive(Debug, Clone)]
pub(crate) struct FoundBend {
    pub at_mm: f64,
    pub curvature_per_mm: f64,
    pub turn_deg: f64,
    pub span_mm: [f64; 2],
}

/// Curvature is read from the curve smoothed by this.
const BEND_SIGMA_MM: f64 = 2.0;
/// The directions at a span's ends are read from the curve smoothed by this.
const TURN_SIGMA_MM: f64 = 1.0;
/// A bend turns at least this.
const LEAST_TURN_DEG: f64 = 10.0;
/// A bend's span reaches no farther than this either way.
const SPAN_MM: f64 = 5.0;
/// No bend is looked for closer than this to aperture or tip.
const MARGIN_MM: f64 = 0.5;

struct Bending<'a> {
    curve: &'a Curve,
    curvature: Vec<f64>,
    tangents: Vec<Vector>,
    /// Aperture and tip, as arc lengths on the curve.
    ends_mm: [f64; 2],
}

/// Bends of a curve (even stations) between two arc lengths.
pub(crate) fn bends(curve: &Curve, aperture_mm: f64, tip_mm: f64) -> Vec<FoundBend> {
    let bending = Bending {
        curve,
        curvature: curvature(&curve.smoothed(BEND_SIGMA_MM)),
        tangents: curve.tangents(TURN_SIGMA_MM),
        ends_mm: [aperture_mm, tip_mm],
    };
    let mut peaks = bending.peaks();
    loop {
        let found: Vec<FoundBend> = (0..peaks.len()).map(|k| bending.bend(&peaks, k)).collect();
        let weakest =
            (0..found.len()).min_by(|&a, &b| found[a].turn_deg.total_cmp(&found[b].turn_deg));
        match weakest {
            Some(k) if found[k].turn_deg < LEAST_TURN_DEG => {
                peaks.remove(k);
            }
            _ => return found,
        }
    }
}

/// Curvature from first and second differences (stations taken as even).
fn curvature(s: &[Point]) -> Vec<f64> {
    let mut k = vec![0.0; s.len()];
    for i in 1..s.len().saturating_sub(1) {
        let first = (s[i + 1] - s[i - 1]) / 2.0;
        let second = (s[i + 1] - s[i]) - (s[i] - s[i - 1]);
        k[i] = first.cross(&second).norm() / first.norm().powi(3);
    }
    k
}

impl Bending<'_> {
    fn peaks(&self) -> Vec<usize> {
        let within = |i: usize| {
            let s = self.curve.arc_mm[i];
            s >= self.ends_mm[0] + MARGIN_MM && s <= self.ends_mm[1] - MARGIN_MM
        };
        let k = &self.curvature;
        (1..k.len().saturating_sub(1))
            .filter(|&i| within(i) && k[i] > k[i - 1] && k[i] >= k[i + 1] && k[i] > 1e-6)
            .collect()
    }

    fn bend(&self, peaks: &[usize], which: usize) -> FoundBend {
        let i = peaks[which];
        let (offset, height) = vertex(&self.curvature[i - 1..=i + 1]);
        let step = self.curve.arc_mm[i + 1] - self.curve.arc_mm[i];
        let at_mm = self.curve.arc_mm[i] + offset * step;
        let least = |a: usize, b: usize| {
            let lowest = (a..=b).min_by(|&x, &y| self.curvature[x].total_cmp(&self.curvature[y]));
            self.curve.arc_mm[lowest.unwrap_or(a)]
        };
        let mut span = [at_mm - SPAN_MM, at_mm + SPAN_MM];
        if which > 0 {
            span[0] = span[0].max(least(peaks[which - 1], i));
        }
        if which + 1 < peaks.len() {
            span[1] = span[1].min(least(i, peaks[which + 1]));
        }
        span = [span[0].max(self.ends_mm[0]), span[1].min(self.ends_mm[1])];
        FoundBend {
            at_mm,
            curvature_per_mm: height,
            turn_deg: self
                .direction(span[0])
                .angle(&self.direction(span[1]))
                .to_degrees(),
            span_mm: span,
        }
    }

    fn direction(&self, arc_mm: f64) -> Vector {
        let a = &self.curve.arc_mm;
        let i = a.partition_point(|&s| s <= arc_mm).clamp(1, a.len() - 1);
        let t = ((arc_mm - a[i - 1]) / (a[i] - a[i - 1])).clamp(0.0, 1.0);
        (self.tangents[i - 1] * (1.0 - t) + self.tangents[i] * t).normalize()
    }
}

/// Where the parabola through three even samples peaks (in steps from the middle), and how high.
fn vertex(k: &[f64]) -> (f64, f64) {
    let bow = k[0] - 2.0 * k[1] + k[2];
    if bow.abs() < 1e-15 {
        return (0.0, k[1]);
    }
    let x = ((k[0] - k[2]) / (2.0 * bow)).clamp(-0.5, 0.5);
    (x, k[1] - (k[0] - k[2]) * x / 4.0)
}

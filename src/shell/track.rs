//! Places along the canal's axis: arc position of a point, and the axis at an arc position, gone on
//! straight beyond both ends.

use crate::canal::Canal;
use crate::mesh::{Point, Vector};

/// The axis as a track with arc lengths; 0 at the aperture.
#[derive(Debug, Clone)]
pub(super) struct Track {
    points: Vec<Point>,
    arcs: Vec<f64>,
    /// Unit directions at the points, outside → inside.
    along: Vec<Vector>,
    /// A point further from the axis than this does not lie on the canal, mm.
    pub reach_mm: f64,
    /// Balls round runs of segments: their first and last segment, middle, radius.
    runs: Vec<(usize, usize, Point, f64)>,
}

/// Segments in a run: an axis has 100 to 300, so that a place asks for about as many balls as segments.
/// Other lengths were not tried.
const RUN: usize = 16;

/// Directions are chords over this much to either side: the axis is settled to thousandths, so that
/// shorter chords would swing by half a degree, and longer ones cut the bends.
const CHORD_STEPS: usize = 3;

impl Track {
    /// `None` where the axis has no length.
    pub fn new(canal: &Canal) -> Option<Self> {
        let points = canal.axis.clone();
        let last = points.len().checked_sub(2)? + 1;
        let mut arcs = vec![0.0];
        for pair in points.windows(2) {
            arcs.push(arcs[arcs.len() - 1] + (pair[1] - pair[0]).norm());
        }
        let along = (0..=last)
            .map(|i| {
                let (a, b) = (i.saturating_sub(CHORD_STEPS), (i + CHORD_STEPS).min(last));
                (points[b] - points[a]).try_normalize(1e-12)
            })
            .collect::<Option<Vec<Vector>>>()?;
        let widest = canal.sections.iter().map(|s| s.largest_mm);
        let widest = widest.fold(canal.aperture.largest_mm, f64::max);
        let runs = (0..last)
            .step_by(RUN)
            .map(|from| {
                let to = (from + RUN).min(last);
                let middle = nalgebra::center(&points[from], &points[to]);
                let reach = points[from..=to].iter().map(|p| (p - middle).norm());
                (from, to - 1, middle, reach.fold(0.0, f64::max))
            })
            .collect();
        Some(Self {
            runs,
            points,
            arcs,
            along,
            reach_mm: 0.6 * widest.clamp(4.0, 16.0),
        })
    }

    pub fn length_mm(&self) -> f64 {
        self.arcs[self.arcs.len() - 1]
    }

    /// Place and direction at arc position `at`.
    pub fn at(&self, at: f64) -> (Point, Vector) {
        let last = self.points.len() - 1;
        if at <= 0.0 {
            return (self.points[0] + self.along[0] * at, self.along[0]);
        }
        if at >= self.arcs[last] {
            let beyond = at - self.arcs[last];
            return (
                self.points[last] + self.along[last] * beyond,
                self.along[last],
            );
        }
        let k = self.arcs.partition_point(|&a| a <= at).clamp(1, last);
        let t = (at - self.arcs[k - 1]) / (self.arcs[k] - self.arcs[k - 1]).max(1e-12);
        let place = self.points[k - 1] + (self.points[k] - self.points[k - 1]) * t;
        let along = self.along[k - 1] * (1.0 - t) + self.along[k] * t;
        (place, along.normalize())
    }

    /// Arc position of the nearest axis point, and the distance from it.
    pub fn nearest(&self, p: &Point) -> (f64, f64) {
        // Nothing is farther than this.
        self.nearest_within(p, f64::INFINITY)
            .unwrap_or((0.0, f64::INFINITY))
    }

    /// The same; `None` where the axis is `within_mm` away or more.
    pub fn nearest_within(&self, p: &Point, within_mm: f64) -> Option<(f64, f64)> {
        let mut best = (f64::NAN, within_mm * within_mm);
        let last = self.points.len() - 2;
        // Both ends go on for ever, so that no ball holds them.
        self.ask(p, 0, &mut best);
        self.ask(p, last, &mut best);
        for &(from, to, middle, radius) in &self.runs {
            let away = (p - middle).norm() - radius;
            if away <= 0.0 || away * away < best.1 {
                (from..=to).for_each(|i| self.ask(p, i, &mut best));
            }
        }
        best.0.is_finite().then(|| (best.0, best.1.sqrt()))
    }

    /// Keeps the nearest point of segment `i`, if it is nearer.
    fn ask(&self, p: &Point, i: usize, best: &mut (f64, f64)) {
        let last = self.points.len() - 2;
        let (a, b) = (self.points[i], self.points[i + 1]);
        let (d, r) = (b - a, p - a);
        let t = r.dot(&d) / d.norm_squared().max(1e-18);
        let low = if i == 0 { f64::NEG_INFINITY } else { 0.0 };
        let high = if i == last { f64::INFINITY } else { 1.0 };
        let t = t.clamp(low, high);
        let sq = (r - d * t).norm_squared();
        if sq < best.1 {
            *best = (self.arcs[i] + t * (self.arcs[i + 1] - self.arcs[i]), sq);
        }
    }

    /// The axis from `from` to `to` (either may be the greater), at most `step` apart.
    pub fn line(&self, from: f64, to: f64, step: f64) -> Vec<Point> {
        let n = ((to - from).abs() / step).ceil().max(1.0) as usize;
        (0..=n)
            .map(|i| self.at(from + (to - from) * i as f64 / n as f64).0)
            .collect()
    }
}

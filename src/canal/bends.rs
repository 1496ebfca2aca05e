//! Bends: peaks of the curvature of the smoothed axis whose turn is large enough to be more than
//! noise. Where the span of a bend ends is part of the definition, since people measure the
//! length past a bend both from its peak and from its end.

use crate::mesh::{Point, Vector};

use super::curve::{arc_lengths, curvatures, place_at, smoothed, tangents};

/// The axis is smoothed by this before curvature is taken.
const CURVATURE_SIGMA_MM: f64 = 2.0;
/// Tangents at the ends of a span come from the axis smoothed by this.
const TURN_SIGMA_MM: f64 = 1.0;
/// A turn under this is no bend. Too low: scan noise of 0.08 mm makes bends on straight canals.
/// Too high: shallow second bends (10–40° seen, from memory) are lost.
pub(super) const LEAST_TURN_DEG: f64 = 10.0;
/// A span reaches no further than this from its peak.
const SPAN_MM: f64 = 5.0;
/// Peaks nearer than this to aperture or tip are the ends' own shape.
const END_MARGIN_MM: f64 = 0.5;

/// A bend as found, positions as arc lengths of the axis given.
#[derive(Debug, Clone)]
pub(super) struct RawBend {
    pub at: f64,
    pub span: (f64, f64),
    pub turn_deg: f64,
    pub peak_curvature: f64,
    pub point: Point,
    /// Where the axis turns to (unit).
    pub towards: Vector,
}

/// Curvature along a canal's axis: position from the aperture (mm) and curvature (1/mm), smoothed as
/// bends are found. Near both ends the axis goes on as its mirror image here, and as measured for
/// the bends, so that the outermost 4 mm may read a little lower than a bend's own figure.
#[must_use]
pub fn curvature(canal: &super::Canal) -> Vec<[f64; 2]> {
    if canal.axis.len() < 8 {
        return Vec::new();
    }
    let arcs = arc_lengths(&canal.axis);
    let bent = curvatures(&smoothed(&canal.axis, CURVATURE_SIGMA_MM));
    let each = arcs.iter().zip(&bent).map(|(&at, c)| [at, c.norm()]);
    each.skip(1).take(arcs.len() - 2).collect()
}

/// Bends between `aperture_at` and `tip_at`, outermost first, on evenly spaced points.
pub(super) fn bends(points: &[Point], aperture_at: f64, tip_at: f64) -> Vec<RawBend> {
    let arcs = arc_lengths(points);
    if points.len() < 8 {
        return Vec::new();
    }
    let soft = smoothed(points, CURVATURE_SIGMA_MM);
    let curvature = curvatures(&soft);
    let size: Vec<f64> = curvature.iter().map(|c| c.norm()).collect();
    let directions = tangents(&smoothed(points, TURN_SIGMA_MM));
    let inside = |at: f64| at >= aperture_at + END_MARGIN_MM && at <= tip_at - END_MARGIN_MM;
    let mut peaks: Vec<usize> = (2..points.len() - 2)
        .filter(|&i| {
            inside(arcs[i]) && size[i] > size[i - 1] && size[i] >= size[i + 1] && size[i] > 1e-6
        })
        .collect();
    loop {
        let spans = spans(&peaks, &size, &arcs, aperture_at, tip_at);
        let turns: Vec<f64> = spans
            .iter()
            .map(|&(a, b)| turn_deg(&directions, &arcs, a, b))
            .collect();
        let weakest = (0..peaks.len()).min_by(|&a, &b| turns[a].total_cmp(&turns[b]));
        match weakest {
            Some(w) if turns[w] < LEAST_TURN_DEG => {
                peaks.remove(w);
            }
            _ => {
                return peaks
                    .iter()
                    .enumerate()
                    .map(|(k, &i)| {
                        let at = arcs[i] + peak_shift(&size, i) * (arcs[i + 1] - arcs[i]);
                        let peak_curvature = size[i];
                        let towards = curvature[i].try_normalize(1e-12).unwrap_or_else(Vector::x);
                        RawBend {
                            at,
                            span: spans[k],
                            turn_deg: turns[k],
                            peak_curvature,
                            point: place_at(points, &arcs, at),
                            towards,
                        }
                    })
                    .collect();
            }
        }
    }
}

/// From each peak to the curvature minimum between it and the next, at most 5 mm each way.
fn spans(
    peaks: &[usize],
    size: &[f64],
    arcs: &[f64],
    aperture_at: f64,
    tip_at: f64,
) -> Vec<(f64, f64)> {
    let lowest = |a: usize, b: usize| {
        let i = (a..=b)
            .min_by(|&x, &y| size[x].total_cmp(&size[y]))
            .unwrap_or(a);
        arcs[i] + low_shift(size, i) * (arcs[(i + 1).min(arcs.len() - 1)] - arcs[i])
    };
    (0..peaks.len())
        .map(|k| {
            let out = if k > 0 {
                lowest(peaks[k - 1], peaks[k])
            } else {
                aperture_at
            };
            let inn = if k + 1 < peaks.len() {
                lowest(peaks[k], peaks[k + 1])
            } else {
                tip_at
            };
            let at = arcs[peaks[k]];
            (out.max(at - SPAN_MM), inn.min(at + SPAN_MM))
        })
        .collect()
}

fn turn_deg(directions: &[Vector], arcs: &[f64], a: f64, b: f64) -> f64 {
    direction_at(directions, arcs, a)
        .angle(&direction_at(directions, arcs, b))
        .to_degrees()
}

/// Direction at an arc position, between stations.
pub(super) fn direction_at(directions: &[Vector], arcs: &[f64], at: f64) -> Vector {
    let k = arcs.partition_point(|&x| x <= at).clamp(1, arcs.len() - 1);
    let (a, b) = (arcs[k - 1], arcs[k]);
    let t = if b > a {
        ((at - a) / (b - a)).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (directions[k - 1] * (1.0 - t) + directions[k] * t)
        .try_normalize(1e-12)
        .unwrap_or(directions[k])
}

/// Sub-station place of the peak: the top of the parabola through three stations.
fn peak_shift(size: &[f64], i: usize) -> f64 {
    let (a, b, c) = (size[i - 1], size[i], size[i + 1]);
    let bow = a - 2.0 * b + c;
    if bow < 0.0 {
        (0.5 * (a - c) / bow).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

/// The same for a minimum; curvature may come to a point at nought, which leaves it at a station.
fn low_shift(size: &[f64], i: usize) -> f64 {
    if i == 0 || i + 1 >= size.len() {
        return 0.0;
    }
    let (a, b, c) = (size[i - 1], size[i], size[i + 1]);
    let bow = a - 2.0 * b + c;
    if bow > 0.0 {
        (0.5 * (a - c) / bow).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Straight 9, arc R10 over 35°, straight 6, arc R12 over 25° the other way, straight 8.
    fn two_bends() -> Vec<Point> {
        let mut points = vec![Point::origin()];
        let (mut p, mut angle) = (Point::origin(), 0.0_f64);
        let step = 0.005;
        let mut go = |length: f64, curvature: f64| {
            let n = (length / step).round() as usize;
            for _ in 0..n {
                let h = length / n as f64;
                angle += curvature * h / 2.0;
                p += Vector::new(angle.cos(), angle.sin(), 0.0) * h;
                angle += curvature * h / 2.0;
                points.push(p);
            }
        };
        go(9.0, 0.0);
        go(10.0 * 35.0_f64.to_radians(), 0.1);
        go(6.0, 0.0);
        go(12.0 * 25.0_f64.to_radians(), -1.0 / 12.0);
        go(8.0, 0.0);
        super::super::curve::resample(&points, 0.25)
    }

    #[test]
    fn bends_of_two_arcs() {
        // closed forms of the two arcs
        let points = two_bends();
        let arcs = arc_lengths(&points);
        let total = arcs[arcs.len() - 1];
        assert!((total - 34.345).abs() < 0.01, "{total}");
        let found = bends(&points, 0.0, total);
        assert_eq!(found.len(), 2);
        for (bend, (at, turn)) in found.iter().zip([(12.054, 35.0), (23.727, 25.0)]) {
            assert!((bend.at - at).abs() < 0.1, "{} for {at}", bend.at);
            // the smoothed tangents cut the turn short, never long
            assert!(
                bend.turn_deg <= turn + 0.05 && bend.turn_deg > turn - 1.0,
                "{} for {turn}",
                bend.turn_deg
            );
        }
        assert!((total - found[0].at - 22.290).abs() < 0.1);
        assert!((total - found[1].at - 10.618).abs() < 0.1);
    }

    #[test]
    fn a_straight_line_has_no_bend() {
        let points: Vec<Point> = (0..100)
            .map(|i| Point::new(0.0, 0.0, f64::from(i) * 0.25))
            .collect();
        assert!(bends(&points, 0.0, 24.75).is_empty());
    }

    #[test]
    fn a_nine_degree_turn_is_no_bend_and_an_eleven_degree_turn_is() {
        for (turn, expected) in [(9.0_f64, 0), (11.5, 1)] {
            let mut points = Vec::new();
            for i in -40..=0 {
                points.push(Point::new(f64::from(i) * 0.25, 0.0, 0.0));
            }
            let (c, s) = (turn.to_radians().cos(), turn.to_radians().sin());
            for i in 1..=40 {
                points.push(Point::new(c, s, 0.0) * (f64::from(i) * 0.25));
            }
            assert_eq!(bends(&points, 0.0, 20.0).len(), expected, "{turn} degrees");
        }
    }
}

//! Which ear, and which way is up and forward, from the shape of the concha and the run of the
//! canal alone. Three independent pieces of evidence must add up past a stated margin; else the
//! side is *cannot tell*. A mirrored scan reads as the other side: no shape can tell that.

use crate::mesh::{Point, Vector};

use super::bends::RawBend;
use super::coarse::Graph;
use super::{Frame, Side};

/// Evidence under this is no answer. Too low: canal-only scans, whose concha is a stump, get a
/// side by chance. Too high: ears with a small cymba become *cannot tell*.
const LEAST_MARGIN: f64 = 0.3;
/// The concha must be longer than wide by this before "up" is told.
const LEAST_ELONGATION: f64 = 1.12;
/// The concha must reach this far beyond the aperture plane to count as one, mm.
const LEAST_DEPTH_MM: f64 = 3.0;

/// What the shape says.
pub(super) struct Told {
    pub side: Option<Side>,
    pub margin: f64,
    pub frame: Option<Frame>,
}

struct Moments {
    centre: [f64; 2],
    long: [f64; 2],
    elongation: f64,
    size: f64,
    depth: f64,
}

/// Weighs the evidence. `out` is the axis direction at the aperture, out of the ear; `face` the
/// outward normal of the outer face where one could be fitted.
pub(super) fn tell(
    graph: &Graph,
    aperture: &Point,
    out: &Vector,
    bends: &[RawBend],
    face: Option<Vector>,
) -> Told {
    let nothing = Told {
        side: None,
        margin: 0.0,
        frame: None,
    };
    let aside = if out.x.abs() < 0.6 {
        Vector::x()
    } else {
        Vector::y()
    };
    let e1 = out.cross(&aside).normalize();
    let e2 = out.cross(&e1);
    let Some(m) = moments(graph, aperture, out, &e1, &e2) else {
        return nothing;
    };
    if m.elongation < LEAST_ELONGATION || m.depth < LEAST_DEPTH_MM {
        return nothing;
    }
    let lift = |v: [f64; 2]| e1 * v[0] + e2 * v[1];
    let centre = lift(m.centre);
    let mut up = lift(m.long);
    let rise = centre.dot(&up);
    if rise < 0.0 {
        up = -up;
    }
    // How surely the long way is up: the canal opens low in the concha, so its middle lies above.
    let sure_up = (rise.abs() / (0.12 * m.size)).min(1.0) * ((m.elongation - 1.0) / 0.3).min(1.0);
    let back = centre - up * centre.dot(&up);
    let forward_axis = up.cross(out); // (forward × up)·out = +1 for a right ear
    let mut votes = vec![(1.0, -back.dot(&forward_axis) / (0.15 * m.size))];
    if let Some(first) = bends.first() {
        // the first bend turns backward, the second forward again (Gray 1918)
        let mut turn = -first.towards * (first.turn_deg / 25.0).min(1.0);
        if let Some(second) = bends.get(1) {
            turn += second.towards * (second.turn_deg / 25.0).min(1.0);
            turn *= 0.5;
        }
        votes.push((0.6, turn.dot(&forward_axis)));
    }
    if let Some(face) = face {
        // the canal goes in and forward (Gray 1918): against the outer face it leans that way
        let lean = -out - face * (-out).dot(&face);
        votes.push((0.6, lean.dot(&forward_axis) / 0.25));
    }
    let weight: f64 = votes.iter().map(|v| v.0).sum();
    let margin = sure_up
        * votes
            .iter()
            .map(|(w, s)| w * s.clamp(-1.0, 1.0))
            .sum::<f64>()
        / weight;
    let side = (margin.abs() >= LEAST_MARGIN).then_some(if margin > 0.0 {
        Side::Right
    } else {
        Side::Left
    });
    let frame = side.map(|_| Frame {
        out: *out,
        up,
        forward: forward_axis * margin.signum(),
    });
    Told {
        side,
        margin,
        frame,
    }
}

/// Area moments of what lies outside the aperture plane, seen along `out`.
fn moments(
    graph: &Graph,
    aperture: &Point,
    out: &Vector,
    e1: &Vector,
    e2: &Vector,
) -> Option<Moments> {
    let (mut w, mut sx, mut sy, mut sxx, mut syy, mut sxy, mut depth) =
        (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0_f64);
    for (place, &area) in graph.places.iter().zip(&graph.areas) {
        let middle = place - aperture;
        let height = middle.dot(out);
        if height < 1.0 {
            continue;
        }
        depth = depth.max(height);
        let (x, y) = (middle.dot(e1), middle.dot(e2));
        w += area;
        sx += area * x;
        sy += area * y;
        sxx += area * x * x;
        syy += area * y * y;
        sxy += area * x * y;
    }
    if w < 50.0 {
        return None;
    }
    let (cx, cy) = (sx / w, sy / w);
    let (vxx, vyy, vxy) = (sxx / w - cx * cx, syy / w - cy * cy, sxy / w - cx * cy);
    let half = 0.5 * (vxx + vyy);
    let root = (0.25 * (vxx - vyy).powi(2) + vxy * vxy).sqrt();
    let angle = 0.5 * (2.0 * vxy).atan2(vxx - vyy);
    Some(Moments {
        centre: [cx, cy],
        long: [angle.cos(), angle.sin()],
        elongation: ((half + root) / (half - root).max(1e-9)).sqrt(),
        size: 2.0 * (half + root).sqrt() * 2.0,
        depth,
    })
}

//! Draws a rough middle line into shape: points pushed off what they are too near to, bends eased,
//! chords kept equal, over and over (projection of constraints: Müller and others 2007,
//! doi:10.1016/j.jvcir.2007.01.005). Finds the way through a canal that leaves a tube a few
//! hundredths, which no lattice of arcs hits.

use super::curve::Heading;
use super::room::Room;
use crate::mesh::{MeshQueries, Point, Vector};

/// Chords of the line, mm.
const CHORD_MM: f64 = 0.25;
/// What is kept in hand over what is asked, mm: a chord leaves its arc by 0.003 at a radius of 3.
const HAND_MM: f64 = 0.006;
/// Rounds at most; a line that is still short by then is tried from another rough one. Not tuned.
const ROUNDS: usize = 400;
/// The line is looked at every so many rounds.
const LOOK_EVERY: usize = 20;

/// Every so many rounds a line that is far too near to something must have gained.
const GAIN_EVERY: usize = 60;

/// How the line ends.
#[derive(Debug, Clone, Copy)]
pub enum End {
    /// There and that way.
    Tied(Heading),
    /// Somewhere near where it ends now.
    Free,
}

/// The line eased to a radius of `radius` and clear of everything, or `None`.
pub fn relax(
    room: &Room,
    queries: &MeshQueries,
    start: &Heading,
    rough: &[Point],
    end: End,
    radius: f64,
) -> Option<Vec<Point>> {
    let (mut line, chord) = evened(rough)?;
    let n = line.len();
    let tied = match end {
        End::Tied(_) => 1,
        End::Free => 0,
    };
    let movable = |i: usize| i > 0 && i + tied < n;
    let mut before = f64::INFINITY;
    for round in 1..=ROUNDS {
        let mut short = 0.0_f64;
        for (i, p) in line.iter_mut().enumerate() {
            if movable(i) {
                let (spare, away) = room.exact_spare_and_slope(queries, p);
                short = short.max(HAND_MM - spare);
                if spare < HAND_MM {
                    *p += away * (HAND_MM - spare).min(0.2);
                }
            }
        }
        bend(&mut line, start, end, chord, radius, &movable);
        for k in 0..n - 1 {
            let i = if round % 2 == 0 { k } else { n - 2 - k };
            stretch(&mut line, i, chord, &movable);
        }
        if round % LOOK_EVERY == 0
            && short < 0.5 * HAND_MM
            && least_radius(&line, start, end) >= radius
        {
            return Some(line);
        }
        if round % GAIN_EVERY == 0 {
            if short > 0.05 && short > 0.7 * before {
                return None; // it is pressed from both sides
            }
            before = short;
        }
    }
    None
}

/// The points at equal ways along a line, and the way.
fn evened(rough: &[Point]) -> Option<(Vec<Point>, f64)> {
    let length: f64 = rough.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
    if rough.len() < 2 || length < 2.0 * CHORD_MM {
        return None;
    }
    let n = (length / CHORD_MM).ceil();
    let chord = length / n;
    let (mut out, mut gone) = (vec![rough[0]], 0.0);
    for w in rough.windows(2) {
        let piece = (w[1] - w[0]).norm();
        while out.len() as f64 * chord <= gone + piece && (out.len() as f64) < n {
            let t = (out.len() as f64 * chord - gone) / piece;
            out.push(w[0] + (w[1] - w[0]) * t);
        }
        gone += piece;
    }
    out.push(rough[rough.len() - 1]);
    Some((out, chord))
}

/// The points before, at and behind a point, those beyond the ends by their headings.
fn three(line: &[Point], i: usize, start: &Heading, end: End, chord: f64) -> Option<[Point; 3]> {
    let before = match i.checked_sub(1) {
        Some(k) => line[k],
        None => start.at - start.way * chord,
    };
    let behind = match (line.get(i + 1), end) {
        (Some(p), _) => *p,
        (None, End::Tied(h)) => h.at + h.way * chord,
        (None, End::Free) => return None,
    };
    Some([before, line[i], behind])
}

fn bend(
    line: &mut [Point],
    start: &Heading,
    end: End,
    chord: f64,
    radius: f64,
    movable: &dyn Fn(usize) -> bool,
) {
    let most = 0.985 * chord * chord / radius;
    let n = line.len();
    for i in 0..n {
        let Some([a, b, c]) = three(line, i, start, end, chord) else {
            continue;
        };
        let off = (a - b) + (c - b);
        let size = off.norm();
        if size <= most {
            continue;
        }
        let push = off * (1.0 - most / size);
        let weight = |k: Option<usize>, w: f64| match k {
            Some(k) if k < n && movable(k) => w,
            _ => 0.0,
        };
        let (wa, wb, wc) = (
            weight(i.checked_sub(1), 1.0),
            weight(Some(i), 4.0),
            weight(Some(i + 1), 1.0),
        );
        let sum = wa + wb + wc;
        if sum == 0.0 {
            continue;
        }
        if wa > 0.0 {
            line[i - 1] -= push / sum;
        }
        if wb > 0.0 {
            line[i] += push * (2.0 / sum);
        }
        if wc > 0.0 {
            line[i + 1] -= push / sum;
        }
    }
}

fn stretch(line: &mut [Point], i: usize, chord: f64, movable: &dyn Fn(usize) -> bool) {
    let along = line[i + 1] - line[i];
    let size = along.norm();
    let push: Vector = along * (0.5 * (size - chord) / size.max(1e-9));
    match (movable(i), movable(i + 1)) {
        (true, true) => {
            line[i] += push;
            line[i + 1] -= push;
        }
        (true, false) => line[i] += push,
        (false, true) => line[i + 1] -= push,
        (false, false) => {}
    }
}

/// Least radius by the stricter of two readings, as whoever checks the line may take either.
fn least_radius(line: &[Point], start: &Heading, end: End) -> f64 {
    let n = line.len();
    let ends = [
        (line[1] - line[0]).norm(),
        (line[n - 1] - line[n - 2]).norm(),
    ];
    (0..n)
        .filter_map(|i| three(line, i, start, end, ends[usize::from(i > 0)]))
        .map(|[a, b, c]| {
            let (u, v) = (b - a, c - b);
            let area = u.cross(&v).norm();
            let turn = area.atan2(u.dot(&v));
            let round = u.norm() * v.norm() * (c - a).norm() / (2.0 * area).max(1e-12);
            round.min((u.norm() + v.norm()) / (2.0 * turn).max(1e-12))
        })
        .fold(f64::INFINITY, f64::min)
}

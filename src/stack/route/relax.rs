//! Draws a rough middle line into shape: points pushed off what they are too near to, bends eased,
//! chords kept equal, over and over (projection of constraints: Müller and others 2007,
//! doi:10.1016/j.jvcir.2007.01.005). Finds the way through a canal that leaves a tube a few
//! hundredths, which no lattice of arcs hits.

use super::curve::Heading;
use super::room::Room;
use crate::mesh::{MeshQueries, Point, Vector};

/// Chords of the line, mm; and of the first, quick drawing on the grid.
const CHORD_MM: f64 = 0.25;
const QUICK_CHORD_MM: f64 = 0.5;
/// A line that has grown to so many times its rough one, and once round besides, lies in waves.
const MOST_LONGER: f64 = 2.0;
/// What is kept in hand over what is asked, mm: a chord leaves its arc by 0.003 at a radius of 3.
const HAND_MM: f64 = 0.006;
/// Rounds at most; a line that is still short by then is tried from another rough one. Not tuned.
const ROUNDS: usize = 400;
const QUICK_ROUNDS: usize = 240;
/// Rounds of lines that settle. Not tuned.
const SETTLE_ROUNDS: usize = 80;
/// What the quick drawing may end short, mm: the grid reads up to 0.15 short in a narrow canal.
/// Less: lines through close canals are given up; more: the exact drawing works in vain.
const QUICK_SHORT_MM: f64 = 0.2;
/// The line is looked at every so many rounds.
const LOOK_EVERY: usize = 20;
/// Where the grid tells of so much to spare, mm, the exact distance is not asked for.
const FAR_MM: f64 = 0.25;

/// Every so many rounds a line that is far too near to something must have gained.
const GAIN_EVERY: usize = 60;
/// By this share a line is drawn shorter at first, so often halved over its rounds: length that no turn
/// needs must go, or it lies in waves. Less: fewer planted tubes come to hold; more, or for longer:
/// tubes are drawn taut where a later one has to pass.
const TENSION: f64 = 0.1;
const TENSION_HALVED: f64 = 5.0;
/// Points between those of the widest bends that are eased, each a multiple of the next: what a bend
/// lacks at a spout swings the whole line, which neighbour by neighbour takes hundreds of rounds
/// (coarse before fine: Brandt 1977, doi:10.1090/S0025-5718-1977-0431719-X).
const LEVERS: [usize; 3] = [4, 2, 1];

/// How the line ends.
#[derive(Debug, Clone, Copy)]
pub enum End {
    /// There and that way.
    Tied(Heading),
    /// Somewhere in the plane there, square to that way, and whatever way it comes.
    Within(Heading),
}

/// One line that is asked for.
pub struct Asked<'a> {
    /// Where it may run, other asked lines apart.
    pub room: &'a Room<'a>,
    /// Where it begins.
    pub start: Heading,
    /// A rough line to begin with.
    pub rough: Vec<Point>,
    /// How it ends.
    pub end: End,
    /// Its least radius, mm.
    pub radius: f64,
}

/// The lines eased to their radii and clear of everything, each other included (`apart` tells how far
/// two of them keep from each other), or `None`. Drawn on the grid first, which takes a tenth of the
/// time and finds out nearly every way that is none. All at once, so that those that share a canal come
/// to lie side by side.
pub fn relax(
    asked: &[Asked],
    queries: &MeshQueries,
    apart: &dyn Fn(usize, usize) -> f64,
    over: &dyn Fn() -> bool,
) -> Option<Vec<Vec<Point>>> {
    let quick = Drawing::on_grid(asked, apart, over);
    let rough: Vec<Vec<Point>> = asked.iter().map(|a| a.rough.clone()).collect();
    let lines = quick.drawn(&rough)?;
    let exactly = |k: usize, p: &Point| {
        let near = asked[k].room.spare_and_slope(p);
        if near.0 > FAR_MM {
            near
        } else {
            asked[k].room.exact_spare_and_slope(queries, p)
        }
    };
    let exact = Drawing {
        spare: Box::new(exactly),
        ease: 1.0,
        chord: CHORD_MM,
        rounds: ROUNDS,
        short: 0.5 * HAND_MM,
        ..quick
    };
    exact.drawn(&lines)
}

/// Lines as they lie when everything presses on them, and how far they are from holding.
pub struct Settled {
    /// The lines.
    pub lines: Vec<Vec<Point>>,
    /// What is missing where it is tightest by the grid, mm; 0 or less: nothing.
    pub short_mm: f64,
    /// The least radius as a share of the one asked for.
    pub bend_share: f64,
}

/// The lines as they come to lie on the grid when everything presses on them for a while, clear or
/// not: what is still too near tells what had better make way. A line too short to be drawn stays rough.
pub fn settle(
    asked: &[Asked],
    apart: &dyn Fn(usize, usize) -> f64,
    over: &dyn Fn() -> bool,
) -> Settled {
    let mut lines: Vec<Vec<Point>> = asked.iter().map(|a| a.rough.clone()).collect();
    let mut short_mm = 0.0;
    let drawing = Drawing {
        ease: 1.0,
        rounds: SETTLE_ROUNDS,
        tension: 0.0, // their rough lines kink nowhere and have no length to lose
        ..Drawing::on_grid(asked, apart, over)
    };
    for line in &mut lines {
        if let Some(even) = evened(line, drawing.chord) {
            *line = even;
        }
    }
    for round in 1..=drawing.rounds {
        short_mm = drawing.one_round(&mut lines, round);
        if drawing.in_waves(&lines) {
            lines = asked.iter().map(|a| a.rough.clone()).collect();
            short_mm = f64::INFINITY;
            break;
        }
        if round % LOOK_EVERY == 0 && over() {
            break;
        }
    }
    let share = |(line, a): (&Vec<Point>, &Asked)| least_radius(line, a) / a.radius;
    let bend_share = lines.iter().zip(asked).map(share).fold(1.0, f64::min);
    Settled {
        lines,
        short_mm,
        bend_share,
    }
}

/// What a line, by its number, has to spare at a place, mm, and the way in which that grows.
type Spare<'a> = Box<dyn Fn(usize, &Point) -> (f64, Vector) + 'a>;

/// One drawing into shape: by what measure, how fine and how long.
struct Drawing<'a> {
    asked: &'a [Asked<'a>],
    /// What a place of a line has to spare, and the way in which it grows.
    spare: Spare<'a>,
    apart: &'a dyn Fn(usize, usize) -> f64,
    /// Share of the radii that is asked for.
    ease: f64,
    chord: f64,
    rounds: usize,
    /// Share by which lines are drawn shorter at first.
    tension: f64,
    /// What may be missing at the end, mm.
    short: f64,
    over: &'a dyn Fn() -> bool,
}

impl<'a> Drawing<'a> {
    /// The quick one.
    fn on_grid(
        asked: &'a [Asked<'a>],
        apart: &'a dyn Fn(usize, usize) -> f64,
        over: &'a dyn Fn() -> bool,
    ) -> Self {
        Self {
            asked,
            spare: Box::new(|k, p| asked[k].room.spare_and_slope(p)),
            apart,
            ease: 0.98,
            chord: QUICK_CHORD_MM,
            rounds: QUICK_ROUNDS,
            tension: TENSION,
            short: QUICK_SHORT_MM,
            over,
        }
    }

    fn drawn(&self, rough: &[Vec<Point>]) -> Option<Vec<Vec<Point>>> {
        let even = rough.iter().map(|r| evened(r, self.chord));
        let mut lines: Vec<Vec<Point>> = even.collect::<Option<_>>()?;
        let mut before = f64::INFINITY;
        for round in 1..=self.rounds {
            let short = self.one_round(&mut lines, round);
            if round % LOOK_EVERY == 0 {
                if short < self.short && (0..lines.len()).all(|k| self.bends_well(&lines[k], k)) {
                    return Some(lines);
                }
                if (self.over)() || self.in_waves(&lines) {
                    return None;
                }
            }
            if round % GAIN_EVERY == 0 {
                if short > 0.05 + self.short && short > 0.7 * before {
                    return None; // it is pressed from both sides
                }
                before = short;
            }
        }
        None
    }

    fn bends_well(&self, line: &[Point], k: usize) -> bool {
        let asked = &self.asked[k];
        least_radius(line, asked) >= self.ease * asked.radius
    }

    /// Has a line grown beyond what any turn needs?
    fn in_waves(&self, lines: &[Vec<Point>]) -> bool {
        lines.iter().zip(self.asked).any(|(line, a)| {
            let once_round = 2.0 * std::f64::consts::PI * a.radius;
            length_mm(line) > MOST_LONGER * length_mm(&a.rough) + once_round
        })
    }

    /// One round of every line; returns by how much one was too near to something, mm.
    fn one_round(&self, lines: &mut [Vec<Point>], round: usize) -> f64 {
        let mut short = 0.0_f64;
        for k in 0..lines.len() {
            // A turn takes what length it needs; what was needed no more is drawn in again.
            if round.is_multiple_of(LOOK_EVERY / 2)
                && !(0.8..1.25).contains(&(mean(&lines[k]) / self.chord))
                && let Some(even) = evened(&lines[k], self.chord)
            {
                lines[k] = even;
            }
            short = short.max(self.one_line(lines, k, round));
        }
        short
    }

    /// Pushes, bends and evens one line; returns by how much it was too near to something, mm.
    fn one_line(&self, lines: &mut [Vec<Point>], k: usize, round: usize) -> f64 {
        let tension = self.tension * (-TENSION_HALVED * round as f64 / self.rounds as f64).exp2();
        let chord = mean(&lines[k]) * (1.0 - tension);
        let asked = &self.asked[k];
        let n = lines[k].len();
        let tied = match asked.end {
            End::Tied(_) => 1,
            End::Within(_) => 0,
        };
        let movable = |i: usize| i > 0 && i + tied < n;
        let mut short = 0.0_f64;
        for i in (0..n).filter(|&i| movable(i)) {
            let p = lines[k][i];
            let (mut spare, mut away) = (self.spare)(k, &p);
            for (j, other) in lines.iter().enumerate().filter(|(j, _)| *j != k) {
                let (d, off) = off_line(&p, other);
                let free = d - (self.apart)(k, j);
                if free < spare {
                    (spare, away) = (free, off);
                }
            }
            short = short.max(HAND_MM - spare);
            if spare < HAND_MM {
                lines[k][i] += away * (HAND_MM - spare).min(0.2);
            }
        }
        let line = &mut lines[k];
        let radius = self.ease * asked.radius;
        for reach in LEVERS {
            bend(line, asked, chord, radius, reach, &movable);
        }
        for i in 0..n - 1 {
            let i = if round.is_multiple_of(2) {
                i
            } else {
                n - 2 - i
            };
            stretch(line, i, chord, &movable);
        }
        if let (End::Within(h), Some(last)) = (asked.end, line.last_mut()) {
            *last -= h.way * (*last - h.at).dot(&h.way);
        }
        short
    }
}

/// Length of a line, mm.
fn length_mm(line: &[Point]) -> f64 {
    line.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// Mean chord of a line, mm.
fn mean(line: &[Point]) -> f64 {
    length_mm(line) / (line.len() - 1).max(1) as f64
}

/// Distance from a line, and the way off it.
fn off_line(p: &Point, line: &[Point]) -> (f64, Vector) {
    let mut best = (f64::INFINITY, Vector::zeros());
    for w in line.windows(2) {
        let along = w[1] - w[0];
        let t = ((p - w[0]).dot(&along) / along.norm_squared().max(1e-30)).clamp(0.0, 1.0);
        let off = p - (w[0] + along * t);
        let d = off.norm();
        if d < best.0 {
            best = (d, off);
        }
    }
    (best.0, best.1.try_normalize(1e-12).unwrap_or_default())
}

/// The points at equal ways along a line.
fn evened(rough: &[Point], chord: f64) -> Option<Vec<Point>> {
    let length = length_mm(rough);
    if rough.len() < 2 || length < 2.0 * chord {
        return None;
    }
    let n = (length / chord).ceil();
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
    Some(out)
}

/// The points before, at and behind a point, so many apart, those beyond the ends by their headings.
fn three(line: &[Point], i: usize, apart: usize, asked: &Asked, chord: f64) -> Option<[Point; 3]> {
    let reach = chord * apart as f64;
    let before = match i.checked_sub(apart) {
        Some(k) => line[k],
        None if i == 0 => asked.start.at - asked.start.way * reach,
        None => return None,
    };
    let behind = match (line.get(i + apart), asked.end) {
        (Some(p), _) => *p,
        (None, End::Tied(h)) if i + 1 == line.len() => h.at + h.way * reach,
        (None, _) => return None,
    };
    Some([before, line[i], behind])
}

/// What the first and the last chord may leave their told direction by, as a share of what a bend turns
/// from chord to chord: an arc that begins or ends in that very direction leaves it by half. Let the
/// chord at the spout turn in full, and who reads the bend over a shorter piece of spout finds it too sharp.
fn told_share(i: usize, n: usize) -> f64 {
    if i == 0 || i + 1 == n { 0.5 } else { 1.0 }
}

/// Eases the bends over points so many `apart` to the radius; what lies between goes along.
fn bend(
    line: &mut [Point],
    asked: &Asked,
    chord: f64,
    radius: f64,
    apart: usize,
    movable: &dyn Fn(usize) -> bool,
) {
    let reach = chord * apart as f64;
    let n = line.len();
    for i in (0..n).step_by(apart) {
        let Some([a, b, c]) = three(line, i, apart, asked, chord) else {
            continue;
        };
        let off = (a - b) + (c - b);
        let size = off.norm();
        let most = 0.993 * reach * reach / radius * told_share(i, n);
        if size <= most {
            continue;
        }
        let push = off * (1.0 - most / size);
        let weight = |k: Option<usize>, w: f64| match k {
            Some(k) if k < n && movable(k) => w,
            _ => 0.0,
        };
        let moved = [
            (
                i.checked_sub(apart),
                weight(i.checked_sub(apart), 1.0),
                -1.0,
            ),
            (Some(i), weight(Some(i), 4.0), 2.0),
            (Some(i + apart), weight(Some(i + apart), 1.0), -1.0),
        ];
        let sum: f64 = moved.iter().map(|m| m.1).sum();
        for (k, _, share) in moved.into_iter().filter(|m| m.1 > 0.0) {
            let Some(k) = k else { continue };
            let from = (k + 1).saturating_sub(apart);
            for (near, p) in line.iter_mut().enumerate().take(k + apart).skip(from) {
                if movable(near) {
                    let along = 1.0 - near.abs_diff(k) as f64 / apart as f64;
                    *p += push * (share * along / sum);
                }
            }
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
fn least_radius(line: &[Point], asked: &Asked) -> f64 {
    let n = line.len();
    let ends = [
        (line[1] - line[0]).norm(),
        (line[n - 1] - line[n - 2]).norm(),
    ];
    (0..n)
        .filter_map(|i| Some((i, three(line, i, 1, asked, ends[usize::from(i > 0)])?)))
        .map(|(i, [a, b, c])| {
            let (u, v) = (b - a, c - b);
            let area = u.cross(&v).norm();
            let turn = area.atan2(u.dot(&v));
            let round = u.norm() * v.norm() * (c - a).norm() / (2.0 * area).max(1e-12);
            told_share(i, n) * round.min((u.norm() + v.norm()) / (2.0 * turn).max(1e-12))
        })
        .fold(f64::INFINITY, f64::min)
}

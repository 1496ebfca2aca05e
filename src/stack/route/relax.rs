//! Draws a rough middle line into shape: points pushed off what they are too near to, bends eased,
//! chords kept equal, over and over (projection of constraints: Müller and others 2007,
//! doi:10.1016/j.jvcir.2007.01.005). Finds the way through a canal that leaves a tube a few
//! hundredths, which no lattice of arcs hits.

use super::curve::Heading;
use super::net::{Joint, Net, length_mm, longest_mm, off_line_within};
use super::room::Room;
use crate::mesh::{MeshQueries, Point, Vector};

/// Chords of the line, mm; and of the first, quick drawing on the grid.
const CHORD_MM: f64 = 0.25;
const QUICK_CHORD_MM: f64 = 0.5;
/// A line that has grown to so many times its rough one, and once round besides, lies in waves.
const MOST_LONGER: f64 = 2.0;
/// What is kept in hand over what is asked, mm: a chord leaves its arc by 0.003 at a radius of 3.
const HAND_MM: f64 = 0.006;
/// A point with less to spare has the middle of its next chord looked at too, mm: round an edge 1 mm off
/// that is 0.008 nearer.
const MIDDLE_MM: f64 = 0.02;
/// Rounds at most; a line that is still short by then is tried from another rough one. Not tuned.
const ROUNDS: usize = 400;
const QUICK_ROUNDS: usize = 240;
/// Rounds of lines that settle. Not tuned.
const SETTLE_ROUNDS: usize = 80;
/// The grid reads up to 0.15 short in a narrow canal: so much of that is given to every place on it, mm, and
/// so much more may a quick drawing lack at its end. Less of the first: lines are pushed off what is
/// good, and bend there; of the second: lines through close canals are given up. More: the exact
/// drawing works in vain.
const GRID_SHORT_MM: f64 = 0.06;
const QUICK_SHORT_MM: f64 = 0.1;
/// The line is looked at every so many rounds.
const LOOK_EVERY: usize = 20;
/// Where the grid tells of so much to spare, mm, the exact distance is not asked for.
const FAR_MM: f64 = 0.25;

/// Every so many rounds a line that is far too near to something must have gained.
const GAIN_EVERY: usize = 60;
/// Lines that are still as much as this share of what they were too near to something after so many rounds
/// never came to hold: in 20 planted cases of five parts, all lines that held after 200 rounds were clear of
/// everything after 160 (30 November 2026).
const HELD_ROUNDS: usize = 180;
const HELD_SHARE: f64 = 0.9;
/// So many rounds are added while lines are clear and what they lack of their radius shrinks by this share
/// each time: bends are neared from below.
const MORE_ROUNDS: usize = 300;
const NEARING_SHARE: f64 = 0.75;
/// By this share a line is drawn shorter at first, so often halved over its rounds: length that no turn
/// needs must go, or it lies in waves. Less: fewer planted tubes come to hold; more, or for longer:
/// tubes are drawn taut where a later one has to pass.
const TENSION: f64 = 0.1;
const TENSION_HALVED: f64 = 5.0;
/// By this share bends are drawn wider at first, fading likewise: aimed at alone, the radius itself is
/// neared from below, and the last chords come to it late.
const WIDE: f64 = 0.06;
/// Points between those of the widest bends that are eased, each a multiple of the next: what a bend
/// lacks at a spout swings the whole line, which neighbour by neighbour takes hundreds of rounds
/// (coarse before fine: Brandt 1977, doi:10.1090/S0025-5718-1977-0431719-X).
const LEVERS: [usize; 3] = [4, 2, 1];

/// Below this share of its radius a bend where a line runs into another moves that place on: neither
/// line gets rid of it there.
const KINK: f64 = 0.99;

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
    /// Where that runs into another of the lines asked for.
    pub joint: Option<Joint>,
    /// How it ends.
    pub end: End,
    /// Its least radius, mm.
    pub radius: f64,
}

/// Lines that do not come to hold.
#[derive(Debug, Clone, Copy)]
pub struct Short {
    /// The one that lacks most.
    pub worst: usize,
    /// How many lack nothing.
    pub hold: usize,
}

/// The lines eased to their radii and clear of everything, each other included (`apart` tells how far
/// two of them keep from each other), or what they lack. Drawn on the grid first, which takes a tenth of the
/// time and finds out nearly every way that is none. All at once, so that those that share a canal come
/// to lie side by side, and those of one bore to run into one another. Two that need not keep apart are
/// `f64::NEG_INFINITY` apart. Drawn `taut` at first where the rough lines wind.
pub fn relax(
    asked: &[Asked],
    queries: &MeshQueries,
    apart: &dyn Fn(usize, usize) -> f64,
    taut: bool,
    over: &dyn Fn() -> bool,
) -> Result<Vec<Vec<Point>>, Short> {
    let quick = Drawing {
        tension: if taut { TENSION } else { 0.0 },
        ..Drawing::on_grid(asked, apart, over)
    };
    let lines = quick.drawn(rough_net(asked))?;
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
    Ok(exact.drawn(lines)?.lines)
}

fn rough_net(asked: &[Asked]) -> Net {
    let lines = asked.iter().map(|a| a.rough.clone()).collect();
    Net::new(lines, asked.iter().map(|a| a.joint).collect())
}

/// Lines as they lie when everything presses on them, and how far they are from holding.
pub struct Settled {
    /// The lines.
    pub lines: Vec<Vec<Point>>,
    /// What is missing where it is tightest by the grid as the quick drawing reads it, mm; 0 or less: nothing.
    pub short_mm: f64,
    /// The least radius of each line as a share of the one asked for, at most 1.
    pub shares: Vec<f64>,
}

/// The lines as they come to lie on the grid when everything presses on them for a while, clear or
/// not: what is still too near tells what had better make way. A line too short to be drawn stays rough.
pub fn settle(
    asked: &[Asked],
    apart: &dyn Fn(usize, usize) -> f64,
    over: &dyn Fn() -> bool,
) -> Settled {
    let mut net = rough_net(asked);
    let mut short_mm = 0.0;
    let drawing = Drawing {
        ease: 1.0,
        rounds: SETTLE_ROUNDS,
        tension: 0.0, // their rough lines kink nowhere and have no length to lose
        ..Drawing::on_grid(asked, apart, over)
    };
    for k in 0..asked.len() {
        net.even(k, drawing.chord);
    }
    for round in 1..=drawing.rounds {
        short_mm = drawing.one_round(&mut net, round);
        if drawing.in_waves(&net.lines) {
            net = rough_net(asked);
            short_mm = f64::INFINITY;
            break;
        }
        if round % LOOK_EVERY == 0 && over() {
            break;
        }
    }
    let lines = net.lines;
    let share = |(line, a): (&Vec<Point>, &Asked)| (least_radius(line, a) / a.radius).min(1.0);
    let shares = lines.iter().zip(asked).map(share).collect();
    Settled {
        lines,
        short_mm,
        shares,
    }
}

/// What a line, by its number, has to spare at a place, mm, and the way in which that grows.
type Spare<'a> = Box<dyn Fn(usize, &Point) -> (f64, Vector) + 'a>;

/// What is missing at one time: mm to what is too near, and a share of the radius.
#[derive(Clone, Copy)]
struct Gain {
    short: f64,
    lacks: f64,
}

impl Default for Gain {
    fn default() -> Self {
        Self {
            short: f64::INFINITY,
            lacks: f64::INFINITY,
        }
    }
}

/// Another line that one keeps from: how far, and its longest piece, mm.
struct Other<'a> {
    line: &'a [Point],
    need: f64,
    longest: f64,
}

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
            spare: Box::new(|k, p| {
                let (spare, away) = asked[k].room.spare_and_slope(p);
                (spare + GRID_SHORT_MM, away)
            }),
            apart,
            ease: 0.98,
            chord: QUICK_CHORD_MM,
            rounds: QUICK_ROUNDS,
            tension: TENSION,
            short: QUICK_SHORT_MM,
            over,
        }
    }

    fn drawn(&self, mut net: Net) -> Result<Net, Short> {
        if net.even_all(self.chord).is_none() {
            let length = |k: &usize| length_mm(&net.lines[*k]);
            let all = 0..net.lines.len();
            let worst = all.min_by(|a, b| length(a).total_cmp(&length(b)));
            return Err(Short {
                worst: worst.unwrap_or(0),
                hold: 0,
            });
        }
        let mut last = Gain::default();
        for round in 1..=self.rounds + MORE_ROUNDS {
            let short = self.one_round(&mut net, round);
            if round % LOOK_EVERY == 0 {
                let mut all = 0..net.lines.len();
                let well = |k: usize| {
                    self.bends_well(&net.lines[k], k) && self.short_of(&net.lines, k) < self.short
                };
                if short < 2.0 * self.short && all.all(well) {
                    return Ok(net);
                }
                if (self.over)() || self.in_waves(&net.lines) {
                    break;
                }
            }
            if round % GAIN_EVERY == 0 {
                let now = Gain {
                    short,
                    lacks: self.radius_lacks(&net.lines),
                };
                if self.in_vain(round, last, now) {
                    break;
                }
                last = now;
            }
        }
        Err(self.lacking(&net.lines))
    }

    /// Is no more to be hoped for, by what was missing some rounds ago and is now?
    fn in_vain(&self, round: usize, last: Gain, now: Gain) -> bool {
        // It is pressed from both sides.
        let pressed = now.short > 0.05 + self.short && now.short > 0.7 * last.short;
        let held = round >= HELD_ROUNDS
            && now.short > 2.0 * self.short
            && now.short > HELD_SHARE * last.short;
        let nearing = now.short < 2.0 * self.short && now.lacks < NEARING_SHARE * last.lacks;
        pressed || held || (round >= self.rounds && !nearing)
    }

    /// The largest share of its radius that a line lacks.
    fn radius_lacks(&self, lines: &[Vec<Point>]) -> f64 {
        let lacks = |(line, a): (&Vec<Point>, &Asked)| self.ease - least_radius(line, a) / a.radius;
        let each = lines.iter().zip(self.asked).map(lacks);
        each.fold(0.0, f64::max)
    }

    /// Which line lacks most as they lie, by its room and its bends together.
    fn lacking(&self, lines: &[Vec<Point>]) -> Short {
        let lacks = |k: usize| {
            let share = least_radius(&lines[k], &self.asked[k]) / self.asked[k].radius;
            let room = (self.short_of(lines, k) - self.short).max(0.0);
            room + (self.ease - share).max(0.0)
        };
        let lacks: Vec<f64> = (0..lines.len()).map(lacks).collect();
        let worst = (0..lacks.len()).max_by(|&a, &b| lacks[a].total_cmp(&lacks[b]));
        Short {
            worst: worst.unwrap_or(0),
            hold: lacks.iter().filter(|l| **l == 0.0).count(),
        }
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
    fn one_round(&self, net: &mut Net, round: usize) -> f64 {
        let mut short = 0.0_f64;
        for k in 0..net.lines.len() {
            // A turn takes what length it needs; what was needed no more is drawn in again.
            if round.is_multiple_of(LOOK_EVERY / 2)
                && !(0.8..1.25).contains(&(mean(&net.lines[k]) / self.chord))
            {
                net.even(k, self.chord);
            }
            short = short.max(self.one_line(&mut net.lines, k, round));
            net.moved(k);
            if round.is_multiple_of(LOOK_EVERY / 2) && self.kinks_at_joint(net, k) {
                net.join_later(k);
                net.even(k, self.chord);
            }
        }
        short
    }

    /// The lines that a line keeps from, as they lie now.
    fn others<'l>(&self, lines: &'l [Vec<Point>], k: usize) -> Vec<Other<'l>> {
        let other = |(j, line): (usize, &'l Vec<Point>)| {
            let need = (self.apart)(k, j);
            (j != k && need > f64::NEG_INFINITY).then(|| Other {
                line,
                need,
                longest: longest_mm(line),
            })
        };
        lines.iter().enumerate().filter_map(other).collect()
    }

    /// What a place of a line has to spare, from the other lines too, and the way in which that grows.
    fn spare_among(&self, others: &[Other], k: usize, p: &Point) -> (f64, Vector) {
        let (mut spare, mut away) = (self.spare)(k, p);
        for other in others {
            let within = spare + other.need;
            if let Some((d, off)) = off_line_within(p, other.line, other.longest, within) {
                (spare, away) = (d - other.need, off);
            }
        }
        (spare, away)
    }

    /// By how much a line is too near to something as it lies now, mm.
    fn short_of(&self, lines: &[Vec<Point>], k: usize) -> f64 {
        let last = lines[k].len() - usize::from(matches!(self.asked[k].end, End::Tied(_)));
        let others = self.others(lines, k);
        let short = |p: &Point| HAND_MM - self.spare_among(&others, k, p).0;
        let mut most = 0.0_f64;
        for (i, p) in lines[k].iter().enumerate().take(last).skip(1) {
            let here = short(p);
            most = most.max(here);
            if here > HAND_MM - MIDDLE_MM && i + 1 < lines[k].len() {
                most = most.max(short(&nalgebra::center(p, &lines[k][i + 1])));
            }
        }
        most
    }

    /// Does a line come into another at an angle that it does not get rid of?
    fn kinks_at_joint(&self, net: &Net, k: usize) -> bool {
        let asked = &self.asked[k];
        let kinks = |line: &[Point], at: usize| {
            let around = &line[at.saturating_sub(2)..(at + 2).min(line.len())];
            around
                .windows(3)
                .any(|w| read_radius(w) < KINK * asked.radius)
        };
        net.joint(k)
            .is_some_and(|j| kinks(&net.lines[k], j.from) || kinks(&net.lines[j.of], j.at))
    }

    /// Pushes, bends and evens one line; returns by how much it was too near to something, mm.
    fn one_line(&self, lines: &mut [Vec<Point>], k: usize, round: usize) -> f64 {
        let fading = (-TENSION_HALVED * round as f64 / self.rounds as f64).exp2();
        let tension = self.tension * fading;
        let mut line = std::mem::take(&mut lines[k]);
        let others = self.others(lines, k);
        let chord = mean(&line) * (1.0 - tension);
        let asked = &self.asked[k];
        let n = line.len();
        let tied = match asked.end {
            End::Tied(_) => 1,
            End::Within(_) => 0,
        };
        let movable = |i: usize| i > 0 && i + tied < n;
        let mut short = 0.0_f64;
        for i in (0..n).filter(|&i| movable(i)) {
            let (spare, away) = self.spare_among(&others, k, &line[i]);
            short = short.max(HAND_MM - spare);
            if spare < HAND_MM {
                line[i] += away * (HAND_MM - spare).min(0.2);
            }
            // Round an edge the middle of a chord comes nearer than its ends.
            if spare < MIDDLE_MM && i + 1 < n {
                let middle = nalgebra::center(&line[i], &line[i + 1]);
                let (spare, away) = self.spare_among(&others, k, &middle);
                if spare < HAND_MM {
                    let push = away * (HAND_MM - spare).min(0.2);
                    line[i] += push;
                    if movable(i + 1) {
                        line[i + 1] += push;
                    }
                }
            }
        }
        let radius = self.ease * asked.radius * (1.0 + WIDE * fading);
        for reach in LEVERS {
            bend(&mut line, asked, chord, radius, reach, &movable);
        }
        for i in 0..n - 1 {
            let i = if round.is_multiple_of(2) {
                i
            } else {
                n - 2 - i
            };
            stretch(&mut line, i, chord, &movable);
        }
        if let (End::Within(h), Some(last)) = (asked.end, line.last_mut()) {
            *last -= h.way * (*last - h.at).dot(&h.way);
        }
        lines[k] = line;
        short
    }
}

/// Mean chord of a line, mm.
fn mean(line: &[Point]) -> f64 {
    length_mm(line) / (line.len() - 1).max(1) as f64
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
        .map(|(i, three)| told_share(i, n) * read_radius(&three))
        .fold(f64::INFINITY, f64::min)
}

/// Radius of the bend at the middle of three points.
fn read_radius(three: &[Point]) -> f64 {
    let (u, v) = (three[1] - three[0], three[2] - three[1]);
    let area = u.cross(&v).norm();
    let turn = area.atan2(u.dot(&v));
    let round = u.norm() * v.norm() * (u + v).norm() / (2.0 * area).max(1e-12);
    round.min((u.norm() + v.norm()) / (2.0 * turn).max(1e-12))
}

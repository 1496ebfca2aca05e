//! The line of one tube: by the shortest way drawn into shape, or sought among lines of arcs, and held
//! against everything that it keeps from.

use super::curve::{CHORD_MM, Heading, Piece};
use super::lattice::{Quest, seek};
use super::net::Joint;
use super::relax::{Asked, End, relax};
use super::room::Room;
use super::ways::Ways;
use super::{LOOK_MM, Plumbing};
use crate::mesh::Point;
use crate::stack::certificate::TOLERANCE_MM;
use crate::stack::parts::Bore;
use crate::stack::placement::Tube;

/// A line is laid this much wider than the bore's bend radius, so that it still holds for whoever
/// reads a radius from a turn and the chords beside it: chords of 0.25 mm on a radius of 2 mm read
/// 0.0007 too tight. More: ways that are just wide enough are missed.
const WIDER: f64 = 1.002;
/// Spacing of the places where a tube may run into another of its bore, mm.
const JOINT_MM: f64 = 1.6;
/// How much too near a rough line may be, mm, and how much too tight, as a share of the radius,
/// before it is drawn into shape. The grid reads up to 0.15 mm short in the middle of a canal, and
/// the lattice misses its middle by as much.
const ROUGH_MM: f64 = 0.3;
const ROUGH_RADIUS: f64 = 0.9;
/// Places looked at before a line is given up, and a rough one. More: shut-in tubes hold up the
/// search; fewer: lines round two corners are missed. Not tuned further.
const MOST_PLACES: usize = 1000;
const MOST_ROUGH: usize = 500;
/// … where it is to be quick.
const MOST_QUICK: usize = 250;
/// Rough lines of one tube that are drawn into shape: the first few differ most.
const MOST_EASED: usize = 2;
/// Steps of a line that is steered along a way, mm.
const STEP_MM: f64 = 0.3;
/// How much longer than the shortest a way may be, mm: places beyond are not looked at.
const ASTRAY_MM: f32 = 4.0;
/// The line of one tube, asked for.
pub struct OneTube<'a> {
    pub plumbing: &'a Plumbing<'a>,
    pub part: usize,
    pub bore: &'a Bore,
    pub tied: bool,
    pub room: Room<'a>,
    pub from: Heading,
    /// Tubes of the same bore that lie already.
    pub same: Vec<&'a Tube>,
    /// Where it may run into them: heading, which tube, which of its points.
    pub joints: Vec<(Heading, usize, usize)>,
    pub ends: Vec<Heading>,
    pub thorough: bool,
    pub over: &'a dyn Fn() -> bool,
}

impl OneTube<'_> {
    /// A tube alone is drawn along the shortest way first, which takes a few milliseconds; one that runs
    /// into another must come ever nearer to it, which lines of arcs do best.
    pub fn line(&self) -> Option<Vec<Point>> {
        if self.joints.is_empty() {
            return self.drawn_to(0).or_else(|| self.sought());
        }
        self.sought().or_else(|| {
            self.likely_ends()
                .into_iter()
                .find_map(|e| self.drawn_to(e))
        })
    }

    fn drawn_to(&self, e: usize) -> Option<Vec<Point>> {
        let rough = self.shortest_way(e)?;
        self.drawn(&rough, e)
    }

    /// The exit, and of the places where it may run into another tube of its bore some in between.
    fn likely_ends(&self) -> Vec<usize> {
        let n = self.ends.len();
        let mut out = vec![0, n / 3, 2 * n / 3];
        out.dedup();
        out
    }

    /// A node that is just too near to something may still lie beside an open way.
    fn open(&self, node: usize) -> bool {
        self.room.spare(&self.plumbing.depth.node_at(node)) >= -ROUGH_MM
    }

    /// From the spout over open nodes to an end, along the spout at first and along the end at last.
    pub fn shortest_way(&self, e: usize) -> Option<Vec<Point>> {
        let depth = self.plumbing.depth;
        let ahead = self.from.at + self.from.way * CHORD_MM;
        let first = depth.nearest_node(&ahead);
        let end = &self.ends[e];
        let tied = self.tied || !self.joints.is_empty();
        let before = end.at - end.way * if tied { LOOK_MM } else { 0.0 };
        let home = depth.nearest_node(&before);
        let ways = Ways::until(depth, &[home], &|i| self.open(i), &[first], 0.0);
        if !ways.of(first).is_finite() {
            return None;
        }
        let mut rough = vec![self.from.at, ahead];
        rough.extend(ways.back(first).skip(2).map(|i| depth.node_at(i)));
        rough.push(end.at);
        Some(rough)
    }

    /// The shortest way as one goes along it who cannot turn tighter than the bore's radius.
    pub fn steered_way(&self, e: usize) -> Option<Vec<Point>> {
        let way = self.shortest_way(e)?;
        Some(steered(self.from, &way, self.bore.bend_radius_mm).unwrap_or(way))
    }

    pub fn end(&self, e: usize) -> End {
        if self.tied || !self.joints.is_empty() {
            End::Tied(self.ends[e])
        } else {
            End::Within(self.ends[e])
        }
    }

    /// What is asked of its line to an end, drawn from a rough one.
    pub fn asked(&self, rough: Vec<Point>, joint: Option<Joint>, e: usize) -> Asked<'_> {
        Asked {
            room: &self.room,
            start: self.from,
            rough,
            joint,
            end: self.end(e),
            radius: self.bore.bend_radius_mm * WIDER,
        }
    }

    pub fn tube(&self, centreline: Vec<Point>) -> Tube {
        Tube {
            name: self.bore.name.clone(),
            part: self.plumbing.stack.parts[self.part].name.clone(),
            outer_mm: self.bore.outer_mm,
            centreline,
        }
    }

    /// A rough line to an end drawn into shape, if it comes to hold.
    fn drawn(&self, rough: &[Point], e: usize) -> Option<Vec<Point>> {
        let queries = self.plumbing.queries;
        let asked = self.asked(rough.to_vec(), None, e);
        let lines = relax(&[asked], queries, &|_, _| 0.0, true, self.over).ok()?;
        let whole = self.whole(&lines[0], e);
        self.holds(&whole).then_some(whole)
    }

    /// Looked for among lines of arcs and straight pieces: dear, and finds ways round two corners.
    fn sought(&self) -> Option<Vec<Point>> {
        let depth = self.plumbing.depth;
        let homes: Vec<usize> = self
            .ends
            .iter()
            .map(|e| depth.nearest_node(&e.at))
            .collect();
        let starts = depth.cell_nodes(&self.from.at);
        let ways = Ways::until(depth, &homes, &|i| self.open(i), &starts, ASTRAY_MM);
        if !ways.at(depth, &self.from.at).is_finite() {
            return None;
        }
        let radius = self.bore.bend_radius_mm * WIDER;
        let quest = |hand_mm: f64, radius: f64| Quest {
            depth,
            room: &self.room,
            ways: &ways,
            from: self.from,
            ends: &self.ends,
            radius,
            hand_mm,
            over: self.over,
            most: match (self.thorough, hand_mm < 0.0) {
                (true, true) => MOST_ROUGH,
                (true, false) => MOST_PLACES,
                (false, _) => MOST_QUICK,
            },
        };
        let fine =
            |pieces: &[Piece], e: usize| self.holds(&self.whole(&chords(self.from, pieces), e));
        if let Some((pieces, e)) = seek(&quest(0.01, radius), &fine) {
            return Some(self.whole(&chords(self.from, &pieces), e));
        }
        if !self.thorough {
            return None;
        }
        let tries = std::cell::Cell::new(0);
        let drawn = std::cell::RefCell::new(None);
        let eased = |pieces: &[Piece], e: usize| {
            tries.set(tries.get() + 1);
            let line = self.drawn(&chords(self.from, pieces), e);
            let done = line.is_some() || tries.get() >= MOST_EASED;
            *drawn.borrow_mut() = line;
            done
        };
        seek(&quest(-ROUGH_MM, radius * ROUGH_RADIUS), &eased)?;
        drawn.into_inner()
    }

    /// The line with the rest of the tube that it runs into.
    pub fn whole(&self, line: &[Point], end: usize) -> Vec<Point> {
        let mut out = line.to_vec();
        if let Some(&(h, t, i)) = self.joints.get(end) {
            // Joined to 1e-9; from there on the very same points.
            out.pop();
            out.push(h.at);
            out.extend_from_slice(&self.same[t].centreline[i + 1..]);
        } else if self.tied {
            out.pop();
            out.push(self.ends[end].at);
        }
        out
    }

    pub fn holds(&self, line: &[Point]) -> bool {
        let queries = self.plumbing.queries;
        let between = line.windows(2).map(|w| nalgebra::center(&w[0], &w[1]));
        line.iter()
            .copied()
            .chain(between)
            .all(|p| self.room.exact_spare(queries, &p) >= TOLERANCE_MM)
            && self
                .same
                .iter()
                .all(|t| stays_joined(line, &t.centreline, self.bore.outer_mm))
    }
}

/// The line of one who goes along a way without turning tighter than the radius, always towards what
/// lies a radius ahead: a line that cuts corners, but kinks nowhere. `None` where that circles.
pub fn steered(from: Heading, way: &[Point], radius: f64) -> Option<Vec<Point>> {
    let length: f64 = way.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
    let steps = ((length + 2.0 * std::f64::consts::PI * radius) / STEP_MM) as usize;
    let last = *way.last()?;
    let (mut at, mut heading, mut next) = (from.at, from.way, 0);
    let mut line = vec![at];
    for _ in 0..steps {
        if (last - at).norm() < 2.0 * STEP_MM {
            line.push(last);
            return Some(line);
        }
        while next + 1 < way.len() && (way[next] - at).norm() < radius {
            next += 1;
        }
        let wanted = (way[next] - at).try_normalize(1e-9)?;
        let axis = heading.cross(&wanted);
        let angle = axis
            .norm()
            .atan2(heading.dot(&wanted))
            .min(STEP_MM / radius);
        if let Some(axis) = nalgebra::Unit::try_new(axis, 1e-9) {
            heading = nalgebra::Rotation3::from_axis_angle(&axis, angle) * heading;
        }
        at += heading * STEP_MM;
        line.push(at);
    }
    None
}

fn chords(from: Heading, pieces: &[Piece]) -> Vec<Point> {
    let mut out = vec![from.at];
    for piece in pieces {
        out.extend(piece.steps(CHORD_MM).map(|h| h.at));
    }
    out
}

/// Chords of a line and of the one it runs into leave their arcs by this, mm.
const JOINED_MM: f64 = 0.003;

/// Once two tubes of one bore touch, they come ever nearer, until they are one.
pub fn stays_joined(line: &[Point], other: &[Point], outer_mm: f64) -> bool {
    let mut last = f64::INFINITY;
    let mut touched = false;
    for p in line {
        let d = other
            .windows(2)
            .map(|w| from_segment(p, &w[0], &w[1]))
            .fold(f64::INFINITY, f64::min);
        touched |= d < outer_mm;
        if touched && d > last + JOINED_MM {
            return false;
        }
        last = d.min(last);
    }
    true
}

/// Least distance of two lines, by the points of each and the pieces of the other; what chords that
/// cross hide besides, a few thousandths, the certificate finds.
pub fn lines_apart(a: &[Point], b: &[Point]) -> f64 {
    let one = |a: &[Point], b: &[Point]| {
        let each = a
            .iter()
            .flat_map(|p| b.windows(2).map(move |w| from_segment(p, &w[0], &w[1])));
        each.fold(f64::INFINITY, f64::min)
    };
    one(a, b).min(one(b, a)) - 1e-3
}

fn from_segment(p: &Point, a: &Point, b: &Point) -> f64 {
    let ab = b - a;
    let t = ((p - a).dot(&ab) / ab.norm_squared().max(1e-30)).clamp(0.0, 1.0);
    (p - (a + ab * t)).norm()
}

/// Headings along a tube that lies, from its exit backwards, with their index.
pub fn joints(tube: &Tube) -> impl Iterator<Item = (Heading, usize)> + '_ {
    let line = &tube.centreline;
    let every = (JOINT_MM / CHORD_MM) as usize;
    let inner = (1..line.len().saturating_sub(1)).rev().step_by(every);
    let last = line.len() - 1;
    let end = (line[last] - line[last - 1]).try_normalize(1e-9);
    let end = end.map(|way| {
        (
            Heading {
                at: line[last],
                way,
            },
            last,
        )
    });
    end.into_iter().chain(inner.filter_map(|i| {
        // Along the circle through the three points, so that the bend is not broken.
        let (a, b) = (line[i] - line[i - 1], line[i + 1] - line[i]);
        let way = (a / a.norm_squared() + b / b.norm_squared()).try_normalize(1e-9)?;
        Some((Heading { at: line[i], way }, i))
    }))
}

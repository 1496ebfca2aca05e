//! Lays the tubes of parts in place: one from each spout to its bore's exit, no tighter than the
//! bore's bend radius, clear of walls, parts and the tubes of other bores. Tubes of one bore end in
//! the same exit; the later ones run into the first and stay in it.

pub(crate) mod curve;
mod exits;
mod lattice;
mod relax;
mod room;
pub(crate) mod ways;

pub use exits::{Exit, exits};

use super::grid::Depth;
use super::parts::{Bore, Stack};
use super::placement::Tube;
use super::pose::Pose;
use super::tip::Tip;
use crate::mesh::{MeshQueries, Point, Vector};
use curve::{CHORD_MM, Heading, Piece};
use lattice::{Quest, seek};
use relax::{Asked, End, relax};
use room::{Room, spout_end};
use ways::Ways;

/// A line is laid this much wider than the bore's bend radius, so that it still holds for whoever
/// reads a radius from a turn and the chords beside it: chords of 0.25 mm on a radius of 2 mm read
/// 0.0007 too tight. More: ways that are just wide enough are missed.
const WIDER: f64 = 1.002;
/// How far back from a told exit a tube may be in the wall: twice its width. A bore that leaves
/// through a wall met at 30 degrees is in it for that long.
pub fn mouth_mm(outer_mm: f64) -> f64 {
    2.0 * outer_mm
}
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
/// How far ahead of a spout its way is looked at, mm: about a tube's width.
const LOOK_MM: f64 = 1.5;
/// Attempts at one placement, over orders and layouts. More: a placement whose tubes are shut in
/// holds up the search (with 16, one of three drivers in an ear took a second each); fewer: the
/// order that works is missed. Not tuned further.
const MOST_ATTEMPTS: usize = 5;
/// Room before the exits that parts are kept out of where they can be, mm: about a bend radius.
const CLEAR_MM: f64 = 4.0;
/// Orders of the tubes, or of the exits, that are tried.
const MOST_ORDERS: usize = 4;

/// Everything about the tubes that does not hang on where the parts stand.
pub struct Plumbing<'a> {
    stack: &'a Stack,
    depth: &'a Depth,
    queries: &'a MeshQueries<'a>,
    /// Layouts of the exits, best first.
    layouts: Vec<Vec<Exit>>,
    /// Way to the tip for a bare tube, parts not counted.
    to_tip: Option<Ways>,
}

/// The end that the bores leave through: the one told, else the first whose sections hold them.
#[must_use]
pub fn tip_of(
    told: Option<Tip>,
    stack: &Stack,
    depth: &Depth,
    queries: &MeshQueries,
) -> Option<Tip> {
    if told.is_some() || !stack.asks_for_tubes() {
        return told;
    }
    let ends = Tip::ends(depth, stack);
    let holds = |tip: &&Tip| !exits(stack, depth, queries, tip).is_empty();
    ends.iter().find(holds).or(ends.first()).copied()
}

/// Why tubes could not be laid.
#[derive(Debug, Clone, PartialEq)]
pub struct NoWay {
    /// The part whose tube found no way.
    pub part: usize,
    /// Tubes that were laid before it.
    pub laid: usize,
}

/// How tubes are laid.
#[derive(Clone, Copy)]
struct How {
    thorough: bool,
    /// As if no other part were there.
    alone: bool,
}

impl<'a> Plumbing<'a> {
    /// Looks where the bores leave. `None` where no part asks for a tube.
    #[must_use]
    pub fn new(
        stack: &'a Stack,
        depth: &'a Depth,
        queries: &'a MeshQueries<'a>,
        tip: Option<Tip>,
    ) -> Option<Self> {
        let lead_mm =
            stack.thickest_tube_mm()? / 2.0 + stack.wall_clearance_mm - depth.half_diagonal_mm();
        let layouts = tip.map_or_else(Vec::new, |tip| exits(stack, depth, queries, &tip));
        let ends: Vec<usize> = layouts
            .first()
            .into_iter()
            .flatten()
            .filter_map(|e| nearest_deep(depth, &e.heading.at, lead_mm))
            .collect();
        let to_tip = (!ends.is_empty())
            .then(|| Ways::new(depth, &ends, &|i| f64::from(depth.values()[i]) >= lead_mm));
        Some(Self {
            stack,
            depth,
            queries,
            layouts,
            to_tip,
        })
    }

    /// Are there exits at all?
    #[must_use]
    pub fn has_exits(&self) -> bool {
        !self.layouts.is_empty()
    }

    /// How badly a part's spout stands for its tube, 0 (it points along the way to the tip) to
    /// about 2; `None` where the part has no bore.
    #[must_use]
    pub fn awkward(&self, part: usize, pose: &Pose) -> Option<f64> {
        let p = &self.stack.parts[part];
        p.bore.as_ref()?;
        let start = spout_end(p, pose)?;
        let ways = self.to_tip.as_ref()?;
        let ahead = start.at + start.way * LOOK_MM;
        let (here, there) = (ways.at(self.depth, &start.at), ways.at(self.depth, &ahead));
        if !here.is_finite() || !there.is_finite() {
            return Some(2.0);
        }
        let slope = (there - here) / LOOK_MM;
        Some(((slope + 1.0) / 2.0).clamp(0.0, 1.0))
    }

    /// How much a part stands before the exits, 0 (4 mm off or more) to 1.
    #[must_use]
    pub fn crowds(&self, part: usize, pose: &Pose) -> f64 {
        let half = Vector::from(self.stack.parts[part].half_mm());
        let far = |e: &Exit| {
            let own = pose.turn.tr_mul(&(e.heading.at - pose.middle)).abs() - half;
            own.sup(&Vector::zeros()).norm()
        };
        let exits = self.layouts.first().into_iter().flatten();
        let least = exits.map(far).fold(f64::INFINITY, f64::min);
        (1.0 - least / CLEAR_MM).max(0.0)
    }

    /// Lays all tubes, in the order of the stack file: quickly, or more `thorough`ly.
    ///
    /// # Errors
    /// The tube that found no way, of the attempt that got furthest.
    pub fn lay(
        &self,
        poses: &[Pose],
        thorough: bool,
        over: &dyn Fn() -> bool,
    ) -> Result<Vec<Tube>, NoWay> {
        let how = How {
            thorough,
            alone: false,
        };
        self.lay_how(poses, how, over)
    }

    /// The tubes as they would lie if each part were alone with its own: the room that the other parts
    /// had better leave.
    ///
    /// # Errors
    /// The tube that finds no way even so.
    pub fn lanes(&self, poses: &[Pose], over: &dyn Fn() -> bool) -> Result<Vec<Tube>, NoWay> {
        let how = How {
            thorough: false,
            alone: true,
        };
        self.lay_how(poses, how, over)
    }

    fn lay_how(
        &self,
        poses: &[Pose],
        how: How,
        over: &dyn Fn() -> bool,
    ) -> Result<Vec<Tube>, NoWay> {
        let mut attempts = 0;
        let mut furthest = NoWay {
            part: self.stack.piped().next().unwrap_or(0),
            laid: 0,
        };
        for exits in self.matched(poses) {
            let mut order: Vec<usize> = self.stack.piped().collect();
            // The stiffest first: it has the fewest ways.
            let stiff = |i: usize| self.bore_of(i).map_or(0.0, |b| b.bend_radius_mm);
            order.sort_by(|&a, &b| stiff(b).total_cmp(&stiff(a)));
            for _ in 0..MOST_ORDERS {
                if attempts == MOST_ATTEMPTS || over() {
                    return Err(furthest);
                }
                attempts += 1;
                match self.lay_in_order(poses, &order, &exits, how, over) {
                    Ok(tubes) => return Ok(tubes),
                    Err(at) => {
                        if at >= furthest.laid {
                            furthest = NoWay {
                                part: order[at],
                                laid: at,
                            };
                        }
                        if at == 0 {
                            break;
                        }
                        order[..=at].rotate_right(1);
                    }
                }
            }
        }
        Err(furthest)
    }

    fn bore_of(&self, part: usize) -> Option<&'a Bore> {
        self.stack.bore_of(part)
    }

    /// The layouts of exits with the bores shared out so that tubes cross least, likeliest first.
    fn matched(&self, poses: &[Pose]) -> Vec<Vec<Exit>> {
        let mut all: Vec<(f64, Vec<Exit>)> = Vec::new();
        for layout in &self.layouts {
            for shared in exits::shared_out(self.stack, layout) {
                let mut sum = 0.0;
                for part in self.stack.piped() {
                    let start = spout_end(&self.stack.parts[part], &poses[part]);
                    let exit = self
                        .bore_of(part)
                        .and_then(|b| shared.iter().find(|e| e.bore == b.name));
                    if let (Some(start), Some(exit)) = (start, exit) {
                        sum += (start.at - exit.heading.at).norm_squared();
                    }
                }
                all.push((sum, shared));
            }
        }
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        all.into_iter().take(MOST_ORDERS).map(|a| a.1).collect()
    }

    /// Lays the tubes in an order; where one finds no way, how many lay before it.
    fn lay_in_order(
        &self,
        poses: &[Pose],
        order: &[usize],
        exits: &[Exit],
        how: How,
        over: &dyn Fn() -> bool,
    ) -> Result<Vec<Tube>, usize> {
        let mut tubes: Vec<Tube> = self.side_by_side(poses, order, exits, how, over);
        let done: Vec<String> = tubes.iter().map(|t| t.part.clone()).collect();
        for (n, &part) in order.iter().enumerate() {
            if done.contains(&self.stack.parts[part].name) {
                continue;
            }
            let exit = self
                .bore_of(part)
                .and_then(|b| exits.iter().find(|e| e.bore == b.name));
            let tube = exit.and_then(|e| self.lay_one(poses, part, e, &tubes, how, over));
            tubes.push(tube.ok_or(n)?);
        }
        let place = |t: &Tube| self.stack.parts.iter().position(|p| p.name == t.part);
        tubes.sort_by_key(place);
        Ok(tubes)
    }

    /// The first tube of each bore, all drawn at once; none where there are fewer than two, or where
    /// they do not come to hold.
    fn side_by_side(
        &self,
        poses: &[Pose],
        order: &[usize],
        exits: &[Exit],
        how: How,
        over: &dyn Fn() -> bool,
    ) -> Vec<Tube> {
        let mut firsts: Vec<(usize, &Bore, &Exit)> = Vec::new();
        for &part in order {
            let bore = self.bore_of(part);
            let exit = bore.and_then(|b| exits.iter().find(|e| e.bore == b.name));
            if let (Some(bore), Some(exit)) = (bore, exit)
                && firsts.iter().all(|f| f.1.name != bore.name)
            {
                firsts.push((part, bore, exit));
            }
        }
        if firsts.len() < 2 {
            return Vec::new();
        }
        let lone: Option<Vec<OneTube>> = firsts
            .iter()
            .map(|&(part, _, exit)| self.asked(poses, part, exit, &[], how, over))
            .collect();
        let Some(lone) = lone else { return Vec::new() };
        let asked: Option<Vec<Asked>> = lone
            .iter()
            .map(|one| {
                Some(Asked {
                    room: &one.room,
                    start: one.from,
                    rough: one.shortest_way(0)?,
                    end: one.end(0),
                    radius: one.bore.bend_radius_mm * WIDER,
                })
            })
            .collect();
        let Some(asked) = asked else {
            return Vec::new();
        };
        let apart = |a: usize, b: usize| self.stack.bores_apart_mm(firsts[a].1, firsts[b].1);
        let Some(lines) = relax(&asked, self.queries, &apart, over) else {
            return Vec::new();
        };
        let tubes: Vec<Tube> = (lone.iter().zip(lines))
            .map(|(one, line)| one.tube(one.whole(&line, 0)))
            .collect();
        let clear = lone.iter().zip(&tubes).all(|(one, tube)| {
            one.holds(&tube.centreline)
                && tubes.iter().filter(|t| t.name != tube.name).all(|t| {
                    let need = self.stack.tubes_apart_mm(one.bore, t);
                    lines_apart(&tube.centreline, &t.centreline) >= need
                })
        });
        if clear { tubes } else { Vec::new() }
    }

    #[allow(clippy::too_many_arguments)] // one tube, spelt out
    fn lay_one(
        &self,
        poses: &[Pose],
        part: usize,
        exit: &Exit,
        tubes: &[Tube],
        how: How,
        over: &dyn Fn() -> bool,
    ) -> Option<Tube> {
        let one = self.asked(poses, part, exit, tubes, how, over)?;
        let line = one.line()?;
        Some(one.tube(line))
    }

    /// What is asked of one tube beside those that lie; `None` where it cannot even begin.
    #[allow(clippy::too_many_arguments)] // one tube, spelt out
    fn asked<'b>(
        &'b self,
        poses: &[Pose],
        part: usize,
        exit: &Exit,
        tubes: &'b [Tube],
        how: How,
        over: &'b dyn Fn() -> bool,
    ) -> Option<OneTube<'b>> {
        let bore = self.bore_of(part)?;
        let room = Room::new(
            self.depth, self.stack, poses, part, bore, exit, tubes, how.alone,
        );
        let from = spout_end(&self.stack.parts[part], &poses[part])?;
        if room.exact_spare(self.queries, &from.at) < 0.0 {
            return None;
        }
        let same: Vec<&Tube> = tubes.iter().filter(|t| t.name == bore.name).collect();
        let joints: Vec<(Heading, usize, usize)> = same
            .iter()
            .enumerate()
            .flat_map(|(t, tube)| joints(tube).map(move |(h, i)| (h, t, i)))
            .collect();
        let ends: Vec<Heading> = if joints.is_empty() {
            vec![exit.heading]
        } else {
            joints.iter().map(|j| j.0).collect()
        };
        Some(OneTube {
            plumbing: self,
            part,
            bore,
            tied: exit.tied,
            room,
            from,
            same,
            joints,
            ends,
            thorough: how.thorough,
            over,
        })
    }
}

/// The line of one tube, asked for.
struct OneTube<'a> {
    plumbing: &'a Plumbing<'a>,
    part: usize,
    bore: &'a Bore,
    tied: bool,
    room: Room<'a>,
    from: Heading,
    /// Tubes of the same bore that lie already.
    same: Vec<&'a Tube>,
    /// Where it may run into them: heading, which tube, which of its points.
    joints: Vec<(Heading, usize, usize)>,
    ends: Vec<Heading>,
    thorough: bool,
    over: &'a dyn Fn() -> bool,
}

impl OneTube<'_> {
    /// A tube alone is drawn along the shortest way first, which takes a few milliseconds; one that runs
    /// into another must come ever nearer to it, which lines of arcs do best.
    fn line(&self) -> Option<Vec<Point>> {
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
    fn shortest_way(&self, e: usize) -> Option<Vec<Point>> {
        let depth = self.plumbing.depth;
        let ahead = self.from.at + self.from.way * CHORD_MM;
        let first = depth.nearest_node(&ahead);
        let end = &self.ends[e];
        let tied = self.tied || !self.joints.is_empty();
        let before = end.at - end.way * if tied { LOOK_MM } else { 0.0 };
        let home = depth.nearest_node(&before);
        let ways = Ways::until(depth, &[home], &|i| self.open(i), &[first]);
        if !ways.of(first).is_finite() {
            return None;
        }
        let mut rough = vec![self.from.at, ahead];
        rough.extend(ways.back(first).skip(2).map(|i| depth.node_at(i)));
        rough.push(end.at);
        Some(rough)
    }

    fn end(&self, e: usize) -> End {
        if self.tied || !self.joints.is_empty() {
            End::Tied(self.ends[e])
        } else {
            End::Free
        }
    }

    fn tube(&self, centreline: Vec<Point>) -> Tube {
        Tube {
            name: self.bore.name.clone(),
            part: self.plumbing.stack.parts[self.part].name.clone(),
            outer_mm: self.bore.outer_mm,
            centreline,
        }
    }

    /// A rough line to an end drawn into shape, if it comes to hold.
    fn drawn(&self, rough: &[Point], e: usize) -> Option<Vec<Point>> {
        let end = self.end(e);
        let radius = self.bore.bend_radius_mm * WIDER;
        let queries = self.plumbing.queries;
        let asked = Asked {
            room: &self.room,
            start: self.from,
            rough: rough.to_vec(),
            end,
            radius,
        };
        let lines = relax(&[asked], queries, &|_, _| 0.0, self.over)?;
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
        let ways = Ways::new(depth, &homes, &|i| self.open(i));
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
    fn whole(&self, line: &[Point], end: usize) -> Vec<Point> {
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

    fn holds(&self, line: &[Point]) -> bool {
        let queries = self.plumbing.queries;
        let between = line.windows(2).map(|w| nalgebra::center(&w[0], &w[1]));
        line.iter()
            .copied()
            .chain(between)
            .all(|p| self.room.exact_spare(queries, &p) >= super::certificate::TOLERANCE_MM)
            && self
                .same
                .iter()
                .all(|t| stays_joined(line, &t.centreline, self.bore.outer_mm))
    }
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
fn stays_joined(line: &[Point], other: &[Point], outer_mm: f64) -> bool {
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
fn lines_apart(a: &[Point], b: &[Point]) -> f64 {
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
fn joints(tube: &Tube) -> impl Iterator<Item = (Heading, usize)> + '_ {
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

fn nearest_deep(depth: &Depth, p: &Point, need: f64) -> Option<usize> {
    let nodes = 0..depth.values().len();
    nodes
        .filter(|&i| f64::from(depth.values()[i]) >= need)
        .min_by(|&a, &b| {
            let d = |i: usize| (depth.node_at(i) - p).norm_squared();
            d(a).total_cmp(&d(b))
        })
        .filter(|&i| (depth.node_at(i) - p).norm() < 3.0)
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicBool;

    use crate::mesh::{Point, Vector};
    use crate::stack::certificate::{MarginKind, certify};
    use crate::stack::shapes::block;
    use crate::stack::{Cavity, FitOptions, Stack, Tip, Verdict, fit, parse_stack};

    const BORES: &str = "[[bore]]\nname = \"lows\"\ninner_mm = 1.0\nbend_radius_mm = 3.2\n\
        [[bore]]\nname = \"highs\"\ninner_mm = 1.0\nbend_radius_mm = 3.2\n";

    fn stack() -> Stack {
        let mut text = BORES.to_string();
        for (name, bore) in [("a", "lows"), ("c", "highs")] {
            text += &format!(
                "[[part]]\nname = \"{name}\"\nsize_mm = [5.0, 2.7, 2.0]\nbore = \"{bore}\"\n\
                 spout = {{ face = \"+x\", outer_mm = 1.2 }}\nterminals = {{ face = \"-x\" }}\n"
            );
        }
        parse_stack(&text, "s.toml".as_ref()).unwrap()
    }

    fn ask(cavity: &Cavity, stack: &Stack) -> crate::stack::FitAnswer {
        let options = FitOptions {
            effort: 20,
            seconds: None,
            ..FitOptions::default()
        };
        fit(cavity, stack, options, &AtomicBool::new(false))
    }

    #[test]
    fn two_tubes_to_two_bores_and_what_spoils_them() {
        let room = Cavity::new(block(24.0, 9.0, 6.5)).unwrap();
        let stack = stack();
        let answer = ask(&room, &stack);
        assert_eq!(answer.verdict, Verdict::Fits, "{:?}", answer.blocker);
        let certificate = answer.certificate.unwrap();
        assert!(certificate.least(MarginKind::Bend).unwrap().0 >= 3.2);
        assert!(certificate.least(MarginKind::Web).unwrap().0 >= 0.5);
        let placement = answer.placement.unwrap();
        assert_eq!(placement.tubes.len(), 2);
        let spoilt = |change: &dyn Fn(&mut crate::stack::Placement)| {
            let mut other = placement.clone();
            change(&mut other);
            certify(&room, &stack, &other).is_ok_and(|c| c.fits())
        };
        assert!(spoilt(&|_| {}));
        assert!(!spoilt(&|p| {
            p.tubes.pop();
        }));
        assert!(!spoilt(&|p| p.tubes[0].centreline[9].y += 0.05));
        assert!(!spoilt(&|p| p.tubes[0].centreline[0].z += 0.01));
        assert!(!spoilt(&|p| p.tubes[1].outer_mm = 1.0));
        assert!(!spoilt(&|p| p.tubes[1].part = "a".to_string()));
        assert!(!spoilt(&|p| {
            let end = p.tubes[1].centreline.len() - 1;
            p.tubes[1].centreline[end].x += 30.0;
        }));
    }

    #[test]
    fn tubes_end_in_the_section_of_a_told_tip() {
        let tip = Tip {
            at: Point::new(10.0, 0.0, 0.0),
            outward: Vector::x(),
            told: true,
        };
        let room = Cavity::new(block(24.0, 9.0, 6.5)).unwrap().with_tip(tip);
        let answer = ask(&room, &stack());
        assert_eq!(answer.verdict, Verdict::Fits, "{:?}", answer.blocker);
        for tube in answer.placement.unwrap().tubes {
            let end = tube.centreline.last().unwrap();
            assert!((end.x - 10.0).abs() < 1e-6);
        }
    }

    #[test]
    fn tubes_leave_where_their_bores_were_told_to() {
        let room = Cavity::new(block(24.0, 9.0, 6.5)).unwrap();
        let mut stack = stack();
        for (bore, y) in stack.bores.iter_mut().zip([-1.5, 1.5]) {
            bore.exit = Some((Point::new(12.0, y, 0.5), Vector::x()));
        }
        let answer = ask(&room, &stack);
        assert_eq!(answer.verdict, Verdict::Fits, "{:?}", answer.blocker);
        let placement = answer.placement.unwrap();
        for tube in &placement.tubes {
            let told = stack.bores.iter().find(|b| b.name == tube.name);
            let (at, way) = told.and_then(|b| b.exit).unwrap();
            let n = tube.centreline.len();
            let (end, before) = (tube.centreline[n - 1], tube.centreline[n - 2]);
            assert!((end - at).norm() < 1e-6);
            assert!((end - before).normalize().dot(&way) > 0.998);
        }
        // Told to leave elsewhere, the same placement does not hold.
        stack.bores[0].exit = Some((Point::new(12.0, -1.4, 0.5), Vector::x()));
        assert!(certify(&room, &stack, &placement).is_ok_and(|c| !c.fits()));
    }
}

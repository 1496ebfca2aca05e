//! Lays the tubes of parts in place: one from each spout to its bore's exit, no tighter than the
//! bore's bend radius, clear of walls, parts and the tubes of other bores. Tubes of one bore end in
//! the same exit; the later ones run into the first and stay in it.

mod at_once;
pub(crate) mod curve;
mod exits;
mod lattice;
mod net;
mod one;
mod relax;
mod room;
mod settle;
mod shut;
pub(crate) mod ways;

pub use exits::{Exit, exits};

use super::canal_end::canal_end;
use super::cavity::Cavity;
use super::grid::Depth;
use super::parts::{Bore, Stack};
use super::placement::Tube;
use super::pose::Pose;
use super::tip::{Tip, TipGuess};
use crate::mesh::{MeshQueries, Point, Vector};
use curve::Heading;
use one::{OneTube, joints};
use room::{Room, spout_end};
pub use settle::Lanes;
use ways::Ways;

/// How far back from a told exit a tube may be in the wall: twice its width. A bore that leaves
/// through a wall met at 30 degrees is in it for that long.
pub fn mouth_mm(outer_mm: f64) -> f64 {
    2.0 * outer_mm
}
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

/// The end that the bores leave through: the one told; else the end of the cavity's canal, else its narrow
/// end, whichever of them first has sections that hold all bores. What it was found by, where nobody told it.
#[must_use]
pub fn tip_of(
    cavity: &Cavity,
    stack: &Stack,
    depth: &Depth,
    queries: &MeshQueries,
) -> Option<(Tip, Option<TipGuess>)> {
    if cavity.tip.is_some() || !stack.asks_for_tubes() {
        return cavity.tip.map(|tip| (tip, None));
    }
    let untold = stack.bores_in_use().any(|b| b.exit.is_none());
    let holds = |tip: &Tip| !exits(stack, depth, queries, tip).is_empty();
    let canal = || canal_end(cavity.mesh(), depth, stack).filter(holds);
    if let Some(tip) = untold.then(canal).flatten() {
        return Some((tip, Some(TipGuess::Canal)));
    }
    let ends = Tip::ends(depth, stack);
    let end = ends.iter().copied().find(holds).or(ends.first().copied());
    end.map(|tip| (tip, untold.then_some(TipGuess::NarrowEnd)))
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
struct How<'a> {
    thorough: bool,
    settled: &'a [Tube],
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

    /// Lays all tubes, in the order of the stack file: quickly, or more `thorough`ly. Where tubes have
    /// `settled` between the parts, those are the lines that are drawn into shape first.
    ///
    /// # Errors
    /// The tube that found no way, of the attempt that got furthest.
    pub fn lay(
        &self,
        poses: &[Pose],
        settled: &[Tube],
        thorough: bool,
        over: &dyn Fn() -> bool,
    ) -> Result<Vec<Tube>, NoWay> {
        let how = How { thorough, settled };
        let part = self.stack.piped().next().unwrap_or(0);
        let mut furthest = NoWay { part, laid: 0 };
        let layouts = self.matched(poses);
        let likely = if how.thorough { layouts.len() } else { 1 };
        for exits in layouts.iter().take(likely) {
            match self.at_once(poses, exits, how.settled, over) {
                Ok(tubes) => return Ok(tubes),
                Err(no_way) if no_way.laid >= furthest.laid => furthest = no_way,
                Err(_) => {}
            }
            if over() {
                break;
            }
        }
        let mut attempts = if how.thorough { MOST_ATTEMPTS } else { 0 };
        for exits in &layouts {
            let mut order: Vec<usize> = self.stack.piped().collect();
            // The stiffest first: it has the fewest ways.
            let stiff = |i: usize| self.bore_of(i).map_or(0.0, |b| b.bend_radius_mm);
            order.sort_by(|&a, &b| stiff(b).total_cmp(&stiff(a)));
            for _ in 0..MOST_ORDERS {
                if attempts == 0 || over() {
                    return Err(furthest);
                }
                attempts -= 1;
                match self.lay_in_order(poses, &order, exits, how, over) {
                    Ok(tubes) => return Ok(tubes),
                    Err(laid) => {
                        let part = order[laid];
                        if laid >= furthest.laid {
                            furthest = NoWay { part, laid };
                        }
                        if laid == 0 {
                            break;
                        }
                        order[..=laid].rotate_right(1);
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
        let mut tubes = self.firsts_at_once(poses, order, exits, how.settled, over);
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
        let one = self.asked(poses, part, exit, tubes, how.thorough, over)?;
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
        thorough: bool,
        over: &'b dyn Fn() -> bool,
    ) -> Option<OneTube<'b>> {
        let bore = self.bore_of(part)?;
        let one = self.posed(poses, part, bore, exit, tubes, false, over)?;
        let one = OneTube { thorough, ..one };
        let spare = one.room.exact_spare(self.queries, &one.from.at);
        (spare >= 0.0).then_some(one)
    }

    /// The same, whether or not it can begin.
    #[allow(clippy::too_many_arguments)] // one tube, spelt out
    fn posed<'b>(
        &'b self,
        poses: &[Pose],
        part: usize,
        bore: &'b Bore,
        exit: &Exit,
        tubes: &'b [Tube],
        alone: bool,
        over: &'b dyn Fn() -> bool,
    ) -> Option<OneTube<'b>> {
        let room = Room::new(
            self.depth, self.stack, poses, part, bore, exit, tubes, alone,
        );
        let from = spout_end(&self.stack.parts[part], &poses[part])?;
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
            thorough: false,
            over,
        })
    }
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
    use crate::report::fit as report;
    use crate::stack::certificate::{MarginKind, certify};
    use crate::stack::shapes::block;
    use crate::stack::{
        Cavity, FitOptions, Helps, Stack, Tip, TipGuess, Verdict, fit, parse_stack,
    };

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
        // Nor is a canal: the answer holds on that condition, and says so at its head.
        assert_eq!(answer.tip_guess, Some(TipGuess::NarrowEnd));
        let trace = report::FitTrace::default();
        let said = report::fit(&room, &stack, &answer, &Helps::default(), &trace, 0.0);
        let guess = said.fit.tip.and_then(|tip| tip.guessed_by);
        assert_eq!(guess.as_deref(), Some("narrow_end"));
        let text = report::fit_text(&room, &stack, &answer, &Helps::default(), &trace);
        let condition = text.lines().nth(2).unwrap();
        assert!(
            condition.contains("only if the tubes may leave at"),
            "{text}"
        );
        let certificate = answer.certificate.unwrap();
        assert!(certificate.least(MarginKind::Bend).unwrap().0 >= 3.2);
        assert!(certificate.least(MarginKind::Web).unwrap().0 >= 0.5);
        let placement = answer.placement.unwrap();
        assert_eq!(placement.tubes.len(), 2);
        // No tip is told: they reach the room's end all the same.
        let ends = placement
            .tubes
            .iter()
            .map(|t| t.centreline[t.centreline.len() - 1]);
        assert!(ends.clone().all(|p| p.x.abs() > 6.0), "{ends:?}");
        let spoilt = |change: &dyn Fn(&mut crate::stack::Placement)| {
            let mut other = placement.clone();
            change(&mut other);
            certify(&room, &stack, &other).is_ok_and(|c| c.fits())
        };
        assert!(spoilt(&|_| {}));
        assert!(!spoilt(&|p| {
            p.tubes.pop();
        }));
        assert!(!spoilt(&|p| p.tubes[0].centreline[4].y += 0.05));
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
        assert_eq!(answer.tip_guess, None);
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

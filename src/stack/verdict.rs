//! The question and its three answers: it fits (with a certificate), it cannot (with a proof), or
//! no placement was found (with the nearest one, and what is in its way).

use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use super::bounds::{self, Proof};
use super::cavity::Cavity;
use super::certificate::{Certificate, MarginKind, TOLERANCE_MM};
use super::grid::Depth;
use super::parts::Stack;
use super::placement::Placement;
use super::route::tip_of;
use super::search::{Effort, Outcome, search};
use super::tip::{Tip, TipGuess};
use crate::mesh::MeshQueries;
use crate::units::Mm;

/// How hard to look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitOptions {
    /// Same seed and effort, same answer.
    pub seed: u64,
    /// Rounds of 16 starts.
    pub effort: usize,
    /// Wall-clock limit, seconds; it may cut the effort short, and then says so.
    pub seconds: Option<f64>,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            effort: 10_000,
            seconds: Some(10.0),
        }
    }
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// A placement whose every margin was re-computed.
    Fits,
    /// No placement exists.
    CannotFit(Proof),
    /// None was found; there may be one.
    NotFound,
}

impl Verdict {
    /// Its name in reports.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Fits => "fits",
            Self::CannotFit(_) => "cannot_fit",
            Self::NotFound => "not_found",
        }
    }
}

/// What is most in the way of the best placement.
#[derive(Debug, Clone, PartialEq)]
pub struct Blocker {
    /// The parts that are too near: one (to the wall) or two (to each other).
    pub parts: Vec<usize>,
    /// To the wall, to each other, …
    pub kind: MarginKind,
    /// How much clearance is missing; nothing where the parts fit and a tube finds no way.
    pub short: Option<Mm>,
}

/// Everything that was found out.
#[derive(Debug, Clone)]
pub struct FitAnswer {
    /// The answer.
    pub verdict: Verdict,
    /// The placement that fits, or the nearest one.
    pub placement: Option<Placement>,
    /// Its margins.
    pub certificate: Option<Certificate>,
    /// Where it does not fit: what is in the way.
    pub blocker: Option<Blocker>,
    /// Starts made.
    pub starts: usize,
    /// The time limit or a call to stop came before the effort was spent.
    pub cut_short: bool,
    /// Where the bores leave, if any part asks for one: told, or found.
    pub tip: Option<Tip>,
    /// What `tip` was found by where neither the caller nor a scan told it: an answer holds only if the
    /// bores may leave there.
    pub tip_guess: Option<TipGuess>,
    /// What vetting said of the scan that the room was made on, where that is not to design on it: the answer
    /// holds of that scan as it is.
    pub scan_verdict: Option<String>,
    /// What the reader should know besides.
    pub notes: Vec<String>,
}

/// Does the stack fit? Bounds first, then the search, each answer with its evidence.
#[must_use]
pub fn fit(cavity: &Cavity, stack: &Stack, options: FitOptions, stop: &AtomicBool) -> FitAnswer {
    let start = Instant::now();
    let depth = Depth::new(cavity);
    let gone = start.elapsed().as_secs_f64();
    let options = FitOptions {
        seconds: options.seconds.map(|s| (s - gone).max(0.0)),
        ..options
    };
    fit_in(cavity, &depth, stack, options, stop)
}

/// The same, the cavity's depth already measured.
pub(crate) fn fit_in(
    cavity: &Cavity,
    depth: &Depth,
    stack: &Stack,
    options: FitOptions,
    stop: &AtomicBool,
) -> FitAnswer {
    let start = Instant::now();
    // Half a year is as good as no limit, and does not overflow.
    let limit = options
        .seconds
        .filter(|s| s.is_finite() && *s >= 0.0 && *s < 1.5e7);
    let until = limit.map(|s| start + Duration::from_secs_f64(s));
    let leaves = tip_of(cavity, stack, depth, &MeshQueries::new(cavity.mesh()));
    let tip = leaves.map(|l| l.0);
    let tip_guess = leaves.and_then(|l| l.1);
    let mut notes = notes(cavity, stack, tip);
    notes.extend(no_deeper_than_a_wall(cavity, depth));
    let mut cavity = cavity.clone();
    cavity.tip = tip;
    let cavity = &cavity;
    let refused = |proof: Proof| FitAnswer {
        verdict: Verdict::CannotFit(proof),
        placement: None,
        certificate: None,
        blocker: None,
        starts: 0,
        cut_short: false,
        tip,
        tip_guess,
        scan_verdict: None,
        notes: notes.clone(),
    };
    if let Some(proof) = bounds::cheap(cavity, stack, depth) {
        return refused(proof);
    }
    let effort = Effort {
        seed: options.seed,
        rounds: options.effort,
        until,
    };
    // The dearer bounds come after a first look, which finds what is easy.
    let mut asked = false;
    let mut proof = None;
    let found = search(cavity, stack, depth, effort, stop, &mut || {
        asked = true;
        proof = bounds::dear(cavity, stack, depth, until);
        proof.is_some()
    });
    if !asked && !fits(&found) && !found.cut_short {
        proof = bounds::dear(cavity, stack, depth, until);
    }
    match proof {
        Some(proof) => refused(proof),
        None => FitAnswer {
            tip_guess,
            ..told(found, tip, notes)
        },
    }
}

fn fits(outcome: &Outcome) -> bool {
    outcome.certificate.as_ref().is_some_and(Certificate::fits)
}

/// The first part whose tube is missing.
fn unlaid(outcome: &Outcome) -> Vec<usize> {
    let certificate = outcome.certificate.iter();
    certificate
        .flat_map(|c| c.unlaid.iter().copied())
        .take(1)
        .collect()
}

fn told(outcome: Outcome, tip: Option<Tip>, mut notes: Vec<String>) -> FitAnswer {
    let fits = fits(&outcome);
    notes.extend(tip.filter(|_| fits).and_then(|t| untold_way(&outcome, t)));
    let worst = outcome.certificate.as_ref().and_then(Certificate::worst);
    FitAnswer {
        verdict: if fits {
            Verdict::Fits
        } else {
            Verdict::NotFound
        },
        blocker: worst.filter(|_| !fits).map(|m| match &outcome.no_way {
            Some(no_way) if m.spare_mm() >= -TOLERANCE_MM => Blocker {
                parts: vec![no_way.part],
                kind: MarginKind::TubeEnds,
                short: None,
            },
            // Every margin is kept, and no tube was tried: the search was cut short.
            None if m.spare_mm() >= -TOLERANCE_MM => Blocker {
                parts: unlaid(&outcome),
                kind: MarginKind::TubeEnds,
                short: None,
            },
            _ => Blocker {
                parts: m.parts.clone(),
                kind: m.kind,
                short: Some(Mm(-m.spare_mm())),
            },
        }),
        placement: Some(outcome.placement),
        certificate: outcome.certificate,
        starts: outcome.starts,
        cut_short: outcome.cut_short && !fits,
        tip,
        tip_guess: None,
        scan_verdict: None,
        notes,
    }
}

/// Where tubes end before the found end of the cavity, what of the way out is not measured.
fn untold_way(outcome: &Outcome, tip: Tip) -> Option<String> {
    let ends = outcome
        .placement
        .tubes
        .iter()
        .filter_map(|t| t.centreline.last());
    let back = ends
        .map(|p| (tip.at - p).dot(&tip.outward))
        .fold(0.0, f64::max);
    (!tip.told && back > 0.05).then(|| {
        format!(
            "the tubes end up to {back:.1} mm before the cavity's end, where there is room for all; \
             the bores from there on are not measured"
        )
    })
}

/// A room nowhere deeper than this, mm, holds no driver: the smallest are 2 mm thick (from memory). A wall
/// of 2 mm, drawn as a room, is 1 mm deep.
const WALL_MM: f64 = 1.1;
/// A room shorter than this, mm, was made for one part and not for an ear.
const LONG_MM: f64 = 15.0;

/// A shell's file given for its cavity's.
fn no_deeper_than_a_wall(cavity: &Cavity, depth: &Depth) -> Option<String> {
    let deepest = depth.values().iter().copied().fold(0.0, f32::max);
    let (lo, hi) = cavity.mesh().bounds()?;
    (f64::from(deepest) < WALL_MM && (hi - lo).norm() > LONG_MM).then(|| {
        format!(
            "the room is nowhere deeper than {deepest:.2} mm: if the file is the shell itself, give the room \
             in it (`secondbend shell` writes it with `--cavity-out`)"
        )
    })
}

fn notes(cavity: &Cavity, stack: &Stack, tip: Option<Tip>) -> Vec<String> {
    let mut notes = Vec::new();
    if cavity.faceplate.is_none() {
        for part in stack.parts.iter().filter(|p| p.on_faceplate) {
            notes.push(format!(
                "\"{}\" belongs on the faceplate, but this cavity has none known: it was placed freely",
                part.name
            ));
        }
    }
    let untold = stack.bores_in_use().any(|b| b.exit.is_none());
    if stack.asks_for_tubes() && untold && tip.is_none() {
        notes.push(
            "no end of the cavity is wide enough for the thickest tube: no exit was found"
                .to_string(),
        );
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Point, Vector};
    use crate::stack::shapes::{block, octahedron, sphere};
    use crate::stack::{Faceplate, parse_stack};
    use std::sync::Arc;

    fn ask(cavity: &Cavity, stack: &Stack) -> FitAnswer {
        let options = FitOptions {
            effort: 30,
            seconds: None,
            ..FitOptions::default()
        };
        fit(cavity, stack, options, &AtomicBool::new(false))
    }

    #[test]
    fn a_shell_given_for_its_cavity_is_suspected() {
        let stack = Stack::of_boxes(&[[4.0, 3.0, 2.0]], 0.15, 0.25);
        let suspects = |x: f64, y: f64, z: f64| {
            let room = Cavity::new(block(x, y, z)).unwrap();
            let answer = ask(&room, &stack);
            answer.notes.iter().any(|n| n.contains("the shell itself"))
        };
        assert!(suspects(20.0, 12.0, 1.8));
        assert!(!suspects(20.0, 12.0, 3.0), "as deep as a room");
        assert!(!suspects(8.0, 5.0, 1.8), "as short as a room for one part");
    }

    #[test]
    fn two_boxes_in_a_room_made_for_them() {
        // Two 4 × 4 × 3 boxes side by side need 8 + 0.15 + 2 · 0.25 by 4.5 by 3.5.
        let room = Cavity::new(block(8.67, 4.52, 3.52)).unwrap();
        let stack = Stack::of_boxes(&[[4.0, 4.0, 3.0], [3.0, 4.0, 4.0]], 0.15, 0.25);
        let answer = ask(&room, &stack);
        assert_eq!(answer.verdict, Verdict::Fits, "{:?}", answer.blocker);
        let spare = answer.certificate.unwrap().worst().unwrap().spare_mm();
        assert!((0.0..0.0101).contains(&spare), "{spare}");
        let small = Cavity::new(block(8.6, 4.52, 3.52)).unwrap();
        let answer = ask(&small, &stack);
        assert_ne!(answer.verdict, Verdict::Fits);
    }

    #[test]
    fn a_convex_part_stands_where_its_box_cannot() {
        // Corners 2 out, and 0.25 kept: a ball of 2.6 is enough, where the box has a diagonal of 6.9.
        let room = Cavity::new(sphere(2.6, 24)).unwrap();
        let mut stack = Stack::of_boxes(&[[4.0; 3]], 0.15, 0.25);
        assert_eq!(ask(&room, &stack).verdict.name(), "cannot_fit");
        stack.parts[0].surface = Some(Arc::new(octahedron(2.0)));
        let answer = ask(&room, &stack);
        assert_eq!(answer.verdict, Verdict::Fits, "{:?}", answer.blocker);
        // Two of them, edge along edge, and a board between the others' corners.
        let mut stack = Stack::of_boxes(&[[4.0; 3], [4.0; 3], [2.0, 2.0, 0.8]], 0.15, 0.25);
        for part in &mut stack.parts[..2] {
            part.surface = Some(Arc::new(octahedron(2.0)));
        }
        let room = Cavity::new(block(7.4, 5.6, 5.0)).unwrap();
        let answer = ask(&room, &stack);
        assert_eq!(answer.verdict, Verdict::Fits, "{:?}", answer.blocker);
    }

    #[test]
    fn the_same_answer_each_time() {
        let room = Cavity::new(sphere(5.2, 16)).unwrap();
        let stack = Stack::of_boxes(
            &[[5.0, 4.0, 3.0], [4.0, 3.0, 2.0], [4.0, 2.0, 2.0]],
            0.15,
            0.25,
        );
        let (a, b) = (ask(&room, &stack), ask(&room, &stack));
        assert_eq!(a.verdict, Verdict::Fits);
        assert_eq!(a.placement, b.placement);
        for threads in [1, 3] {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
            let other = pool.unwrap().install(|| ask(&room, &stack));
            assert_eq!(a.placement, other.placement, "{threads} threads");
        }
    }

    #[test]
    fn a_socket_hangs_in_the_faceplate() {
        let plate = Faceplate {
            point: Point::new(0.0, 0.0, 4.0),
            outward: Vector::z(),
        };
        let room = Cavity::new(block(9.0, 9.0, 8.0))
            .unwrap()
            .with_faceplate(plate);
        let text = "[[part]]\nname = \"socket\"\nsize_mm = [5.5, 2.8, 4.0]\non = \"faceplate\"\n\
                    [[part]]\nname = \"mid\"\nsize_mm = [6.3, 4.3, 3.0]\n\
                    terminals = { face = \"-x\" }\nspout = { face = \"+x\", outer_mm = 1.4 }\n";
        let stack = parse_stack(text, "s.toml".as_ref()).unwrap();
        let answer = ask(&room, &stack);
        assert_eq!(answer.verdict, Verdict::Fits, "{:?}", answer.blocker);
        let certificate = answer.certificate.unwrap();
        assert!(certificate.least(MarginKind::Seat).unwrap().0 >= -1e-6);
        let socket = answer.placement.unwrap().parts[0].pose;
        assert!((socket.middle.z - 2.0).abs() < 1e-6);
    }

    #[test]
    fn stopped_at_once_it_gives_its_best_and_says_so() {
        let room = Cavity::new(sphere(5.0, 16)).unwrap();
        let stack = Stack::of_boxes(&[[6.0, 5.0, 2.0]; 3], 0.15, 0.25);
        let answer = fit(&room, &stack, FitOptions::default(), &AtomicBool::new(true));
        if answer.verdict == Verdict::NotFound {
            assert!(answer.cut_short && answer.placement.is_some() && answer.blocker.is_some());
        }
    }
}

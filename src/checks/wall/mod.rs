//! The checks of a finished shell's wall. They answer from what [`crate::shell::wall`] measured;
//! where a limit depends on the place (canal or body), the place comes from the canal, and without
//! one the body's limit stands everywhere.

mod at_rim;
mod hole_too_small;
mod not_a_shell;
mod surface_open;
mod trapped_volume;
mod wall_free;
mod wall_too_thin;
mod web_too_thin;

use crate::canal::{self, Canal};
use crate::limits::{Limits, Row, rows};
use crate::mesh::{Mesh, Point};
use crate::shell::wall::{ThinSpot, Wall};
use crate::soundness::Region;
use crate::units::Measured;

pub use at_rim::{RIM_ADVICE, at_rim};

use super::{Answer, Bar, Finding, Outcome, Verdict};

/// A check of the wall: a row and a function, as [`super::Check`] is for a scan.
pub struct WallCheck {
    /// Its name, for the fault.
    pub id: &'static str,
    /// The question it answers, whose good answer is yes.
    pub asks: &'static str,
    /// Why it matters, how it is judged, when it can't be told.
    pub explains: &'static str,
    /// The worst that breaking it means.
    pub worst: Verdict,
    /// The limits that it is judged by.
    pub limits: &'static [&'static Row],
    /// Answers it.
    pub run: fn(&WallFacts, &Limits) -> Answer,
}

/// All checks of `wall`, in the order in which they are reported.
pub static WALL_CHECKS: &[&WallCheck] = &[
    &not_a_shell::CHECK,
    &wall_too_thin::CHECK,
    &wall_free::CHECK,
    &web_too_thin::CHECK,
    &hole_too_small::CHECK,
    &trapped_volume::CHECK,
    &surface_open::CHECK,
];

/// A thin place this near to where something breaks on the scan may be thin because of it, mm. A fault is told by
/// one point of it, and the wall lies a build-up outside of the scan: nearer, a fin of 1 mm is missed.
const BESIDE_MM: f64 = 1.5;

/// What the checks of a wall work from.
pub struct WallFacts<'a> {
    /// The measured mesh, mm.
    pub mesh: &'a Mesh,
    /// Its wall.
    pub wall: &'a Wall,
    /// The canal of its outer surface, where one was told.
    pub canal: Option<&'a Canal>,
    /// Region of every point; [`Region::Unknown`] without a canal.
    pub regions: Vec<(Region, Option<f64>)>,
    /// Where canal and body meet, where that is not the aperture: arc position, mm.
    pub joint_at_mm: Option<f64>,
    /// The faceplate's rim of a made shell.
    at_plate: Option<at_rim::AtPlate<'a>>,
    /// What breaks on the scan that a shell was made of, and where.
    scan_faults: Vec<(&'static str, Point)>,
}

impl<'a> WallFacts<'a> {
    /// Gathers them.
    #[must_use]
    pub fn new(mesh: &'a Mesh, wall: &'a Wall, canal: Option<&'a Canal>) -> Self {
        use rayon::prelude::*;
        let unknown = (Region::Unknown, None);
        let regions = match canal {
            None => vec![unknown; mesh.points().len()],
            Some(canal) => mesh
                .points()
                .par_iter()
                .enumerate()
                .map(|(p, at)| {
                    if wall.counts(p) {
                        canal::region_of(canal, at)
                    } else {
                        unknown
                    }
                })
                .collect(),
        };
        Self {
            mesh,
            wall,
            canal,
            regions,
            joint_at_mm: None,
            at_plate: None,
            scan_faults: Vec::new(),
        }
    }

    /// The same with a joint between canal and body away from the aperture.
    #[must_use]
    pub fn with_joint(mut self, at_mm: f64) -> Self {
        self.joint_at_mm = Some(at_mm);
        self
    }

    /// The same with what breaks on the scan: the check's name, and where.
    #[must_use]
    pub fn with_scan_faults(mut self, faults: Vec<(&'static str, Point)>) -> Self {
        self.scan_faults = faults;
        self
    }

    /// The nearest fault of the scan that lies beside a place of the wall.
    #[must_use]
    pub fn scan_fault_at(&self, place: &Point) -> Option<&'static str> {
        let away = |p: &Point| (p - place).norm();
        let near = self.scan_faults.iter().filter(|(_, p)| away(p) < BESIDE_MM);
        let nearest = near.min_by(|a, b| away(&a.1).total_cmp(&away(&b.1)));
        nearest.map(|(id, _)| *id)
    }

    /// The limit that stands at a point: its row, and its value with the finishing stock on top,
    /// since polishing takes that away after the part was measured.
    #[must_use]
    pub fn least_at(&self, point: usize, limits: &Limits) -> (&'static Row, f64) {
        let soft = limits.word(&rows::CANAL_MATERIAL) == "soft";
        let (region, at_mm) = self.regions[point];
        let before_joint =
            matches!((at_mm, self.joint_at_mm), (Some(at), Some(joint)) if at < joint);
        let row: &'static Row = match region {
            _ if before_joint => &rows::WALL_BODY,
            Region::Concha | Region::OuterFace | Region::Unknown => &rows::WALL_BODY,
            _ if soft => &rows::WALL_SOFT_CANAL,
            _ => &rows::WALL_CANAL,
        };
        (row, limits.number(row) + limits.number(&rows::WALL_STOCK))
    }

    /// Areas under the limit of their place.
    #[must_use]
    pub fn thin_spots(&self, limits: &Limits) -> Vec<ThinSpot> {
        let least = |p| self.least_at(p, limits).1;
        self.wall.thin_spots_by(self.mesh, least)
    }

    /// A finding at a place of the shell.
    #[must_use]
    pub fn finding(&self, point: &Point, says: impl Into<String>) -> Finding {
        let (region, at_mm) = self
            .canal
            .map_or((Region::Unknown, None), |c| canal::region_of(c, point));
        Finding {
            says: says.into(),
            region,
            at_mm,
            point: Some(*point),
        }
    }
}

/// Answers every check. Where it is doubtful whether a shell was measured at all, no wall is told
/// to be good, and where the unit or the pair can't be right, none to be bad either.
#[must_use]
pub fn run_wall(facts: &WallFacts, limits: &Limits) -> Vec<(&'static WallCheck, Answer)> {
    let doubt = not_a_shell::doubt(facts, limits);
    let of_the_wall =
        |check: &WallCheck| check.id != not_a_shell::CHECK.id && check.id != surface_open::CHECK.id;
    WALL_CHECKS
        .iter()
        .map(|&check| {
            let answer = (check.run)(facts, limits);
            let answer = match &doubt {
                Some(d) if of_the_wall(check) && (d.of_all || answer.outcome == Outcome::Holds) => {
                    Answer::cannot_tell(d.says.clone(), "see `not-a-shell`")
                }
                _ => answer,
            };
            (check, answer)
        })
        .collect()
}

/// The worst outcome: breaks over cannot tell (a thin wall stays thin whatever else is untold)
/// over holds.
#[must_use]
pub fn wall_outcome<'a>(answers: impl IntoIterator<Item = &'a Answer>) -> Outcome {
    let rank = |o: Outcome| match o {
        Outcome::Holds => 0,
        Outcome::CannotTell => 1,
        Outcome::Breaks => 2,
    };
    answers
        .into_iter()
        // What nothing hangs on does not hold the part back.
        .filter(|a| a.weighs != Verdict::Design || a.outcome == Outcome::Holds)
        .map(|a| a.outcome)
        .max_by_key(|&o| rank(o))
        .unwrap_or(Outcome::CannotTell)
}

/// The wall with its finishing stock taken off.
fn polished(wall_mm: Measured, limits: &Limits) -> Measured {
    Measured {
        // A wall thinner than the stock is polished through, not to less than nothing.
        value: (wall_mm.value - limits.number(&rows::WALL_STOCK)).max(0.0),
        ..wall_mm
    }
}

/// Of several values held against "at least" bars: the one that decides, and how. One that is
/// surely under breaks them all, whatever is untold of the rest; they hold when each surely does.
fn decide(all: impl Iterator<Item = (Measured, Bar)>) -> Option<(usize, Option<bool>)> {
    let (mut under, mut least) = (None::<(usize, f64)>, None::<(usize, f64)>);
    let mut untold = None::<(usize, f64)>;
    for (k, (value, bar)) in all.enumerate() {
        let margin = value.value - bar.value;
        let lower = |best: Option<(usize, f64)>, m: f64| match best {
            Some(b) if b.1 <= m => Some(b),
            _ => Some((k, m)),
        };
        least = lower(least, margin);
        match bar.judge(&value) {
            Some(false) => under = lower(under, margin),
            None => untold = lower(untold, margin),
            Some(true) => {}
        }
    }
    let with = |told: Option<bool>| move |(k, _): (usize, f64)| (k, told);
    under
        .map(with(Some(false)))
        .or(untold.map(with(None)))
        .or(least.map(with(Some(true))))
}

#[cfg(test)]
mod tests;

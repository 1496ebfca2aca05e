//! What is told of a shell beside its figures: cautions on what was made, errors where nothing was.

use crate::field::ContourError;
use crate::mesh::Point;

use super::plan::{Past, PlanFault};
use super::solids::CutError;

/// What was made, but not as it might be thought to be.
#[derive(Debug, Clone, PartialEq)]
pub enum Caution {
    /// Openings of the scan were closed by facets of our own, and lie within the shell.
    ClosedOpenings {
        /// How many.
        count: usize,
        /// Their flat area, mm².
        area_mm2: f64,
    },
    /// Parts of the scan that do not hold the canal were left out.
    PartsLeftOut {
        /// How many.
        count: usize,
    },
    /// Which bend is which is not sure, and the build-up hangs on it.
    BendsUnsure,
    /// No second bend: the build-up between the bends goes on to the tip.
    OneBend,
    /// The impression's tip is a hole, closed by facets of our own.
    TipOpen,
    /// The planes cut off pieces that are not joined to the shell; they were left out.
    PiecesLeftOut {
        /// How many.
        count: usize,
        /// Their volume, mm³.
        volume_mm3: f64,
    },
    /// The plane is over the impression's outer face: the sides were drawn out straight.
    DrawnOut {
        /// By how much, mm.
        by_mm: f64,
    },
    /// The walls leave no room.
    NoCavity,
    /// Rooms that the walls part from the cavity stay solid.
    RoomsLeftSolid {
        /// How many.
        count: usize,
        /// Their volume, mm³.
        volume_mm3: f64,
    },
    /// The bores' layout falls short of the web or wall aimed at.
    BoresTight {
        /// By how much, mm.
        short_mm: f64,
    },
    /// A bore ends in material.
    BoreEndsInMaterial {
        /// Its index in [`Shell::bores`].
        bore: usize,
    },
    /// No room under the faceplate for the vent's hole.
    NoPlaceForVent,
    /// The drawing of a surface is not what it ought to be there.
    RoughDrawing {
        /// Which surface.
        what: &'static str,
        /// Facets that cross or face inward, or points off the surface.
        places: usize,
        /// One of them, where it is known.
        point: Option<Point>,
    },
}

impl Caution {
    /// As said to people.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::ClosedOpenings { count, area_mm2 } => format!(
                "holes of the scan ({count}, {area_mm2:.1} mm2) were closed by facets that are no ear"
            ),
            Self::PartsLeftOut { count } => format!(
                "parts of the scan beside the one with the canal were left out ({count}): `secondbend vet` says what and where"
            ),
            Self::BendsUnsure => {
                "which bend is which is not sure, and the amounts by zone hang on it".to_owned()
            }
            Self::OneBend => {
                "no second bend: the amount between the bends goes on to the tip".to_owned()
            }
            Self::TipOpen => {
                "the tip of the scan is a hole, closed by facets that are no ear".to_owned()
            }
            Self::PiecesLeftOut { count, volume_mm3 } => format!(
                "loose pieces that the planes cut off were left out ({count}, {volume_mm3:.1} mm3)"
            ),
            Self::DrawnOut { by_mm } => format!(
                "the faceplate stands {by_mm:.2} mm over the outer face: the sides there are drawn out straight, not scanned"
            ),
            Self::NoCavity => "the walls leave no room".to_owned(),
            Self::RoomsLeftSolid { count, volume_mm3 } => format!(
                "rooms that the walls part from the cavity stay solid ({count}, {volume_mm3:.1} mm3)"
            ),
            Self::BoresTight { short_mm } => format!(
                "the best layout of the bores is {short_mm:.2} mm short of the web or wall planned"
            ),
            Self::BoreEndsInMaterial { bore } => {
                format!("bore {} ends in material", bore + 1)
            }
            Self::NoPlaceForVent => "no room was found under the faceplate for the vent".to_owned(),
            Self::RoughDrawing { what, places, .. } => {
                format!("the {what} was not drawn cleanly everywhere (facets or points: {places})")
            }
        }
    }
}

/// Why no shell was made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ShellError {
    /// A figure of the plan is out of range.
    #[error("{0}")]
    Plan(#[from] PlanFault),
    /// Lengths along the canal have no origin.
    #[error("where the canal begins cannot be told: the scan shows no aperture")]
    NoAperture,
    /// The axis has no length.
    #[error("the canal's axis has no length")]
    NoAxis,
    /// The plan counts from a bend that is not there.
    #[error("{}: no such bend was found", past.words())]
    NoBend {
        /// Which.
        past: Past,
    },
    /// Noise could add or drop a bend.
    #[error("which bend is which cannot be told, and the cut counts from {}", past.words())]
    BendsUnsure {
        /// Which.
        past: Past,
    },
    /// The canal is too short for the cut.
    #[error("the cut lies {at_mm:.2} mm in, but the impression ends at {length_mm:.2} mm")]
    CutBeyondTip {
        /// Arc position of the cut, mm.
        at_mm: f64,
        /// Arc position of the tip, mm.
        length_mm: f64,
    },
    /// The cut leaves no canal.
    #[error("the cut lies at {at_mm:.2} mm, outside the canal")]
    CutOutside {
        /// Arc position of the cut, mm.
        at_mm: f64,
    },
    /// No outer face.
    #[error("no outer face was found that the faceplate could follow")]
    NoFace,
    /// Up and forward are not told.
    #[error("up and forward cannot be told on this scan, and the plan asks for them")]
    NoFrame,
    /// A vector of no length.
    #[error("{what} has no direction")]
    NoDirection {
        /// Which.
        what: &'static str,
    },
    /// The plane does not cut the impression.
    #[error(
        "the faceplate's plane, {height_mm:.2} mm over the aperture, does not cut the impression"
    )]
    FaceplateMisses {
        /// Its height, mm.
        height_mm: f64,
    },
    /// There is no section to lay bores in.
    #[error("no section of the canal was measured where the bores should go")]
    NoTipSection,
    /// Bores do not go into the tip section at all.
    #[error("the bores do not go into the tip section: {short_mm:.2} mm too wide with their webs")]
    BoresTooWide {
        /// By how much webs and walls fall short, mm.
        short_mm: f64,
    },
    /// A surface cannot be drawn.
    #[error("the {what} cannot be drawn: {why}")]
    Drawing {
        /// Which.
        what: &'static str,
        /// Why.
        why: ContourError,
    },
    /// Pieces cannot be put together.
    #[error("{0}")]
    Cut(#[from] CutError),
}

impl ShellError {
    /// What to do about it.
    #[must_use]
    pub const fn help(&self) -> &'static str {
        match self {
            Self::Plan(_) => "see `docs/shell.md` for what a plan may say",
            Self::NoAperture => {
                "a bare canal has no concha to make a shell of: scan the whole impression"
            }
            Self::NoAxis => "see what `secondbend vet` says of the scan",
            Self::NoBend { .. } => {
                "count from the aperture (`--cut-past aperture`), or keep the impression's own tip (`--cut-past none`)"
            }
            Self::BendsUnsure { .. } => {
                "look at the bends in `secondbend vet`, then count from the aperture"
            }
            Self::CutBeyondTip { .. } => "cut further out, or take a longer impression",
            Self::CutOutside { .. } => "cut further in",
            Self::NoFace => "give the faceplate's facing and height in the plan",
            Self::NoFrame => "leave out tilt and cymba, or give the facing as a direction",
            Self::NoDirection { .. } => "give three numbers that are not all zero",
            Self::FaceplateMisses { .. } => {
                "lower it, or leave out its height and raise the found one"
            }
            Self::NoTipSection => "see what `secondbend vet` says of the canal",
            Self::BoresTooWide { .. } => "take fewer or thinner bores, or cut further out",
            Self::Drawing { .. } => {
                "see what `secondbend vet` says of the scan, or take another facet size"
            }
            Self::Cut(_) => "try another facet size; the scan may cross itself",
        }
    }
}

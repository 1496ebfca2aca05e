//! Proofs that a stack cannot fit, cheap ones first. Each refuses only what no placement can do:
//! wherever a grid is read, it is read as a superset of what is possible.

mod ball;
mod chain;
mod chambers;
mod core;
mod spread;
mod volume;

use nalgebra::Matrix3;

use super::cavity::Cavity;
use super::grid::Depth;
use super::parts::Stack;
use crate::mesh::MeshQueries;
use self::core::Core;

/// A need must exceed what there is by this before it counts, mm: above the certificate's
/// tolerance and the rounding of the figures, below anything that a shop could measure.
const SAFETY_MM: f64 = 1e-4;

/// Which argument refuses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BoundKind {
    /// A part's space diagonal is longer than the cavity.
    Diagonal,
    /// A part is thicker than a cylinder that holds the cavity.
    Cylinder,
    /// The parts, grown by what they keep, have more volume than the cavity.
    Volume,
    /// A part is thicker than the largest ball in the cavity.
    Ball,
    /// The middles of a part's inscribed balls find no room.
    Core,
    /// The parts' inscribed balls cannot stand in a row in any order.
    Chain,
    /// The parts cannot be shared out among the chambers of the cavity.
    Chambers,
}

impl BoundKind {
    /// Its name in reports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Diagonal => "diagonal",
            Self::Cylinder => "enclosing_cylinder",
            Self::Volume => "volume",
            Self::Ball => "inscribed_ball",
            Self::Core => "core_rectangle",
            Self::Chain => "ball_chain",
            Self::Chambers => "chambers",
        }
    }

    /// The argument in one sentence.
    #[must_use]
    pub fn because(self) -> &'static str {
        match self {
            Self::Diagonal => "opposite corners of the part would be further apart than any two points of the cavity",
            Self::Cylinder => "seen along a cylinder that holds the cavity, the part is wider than it",
            Self::Volume => "the parts with the room they keep free have more volume than the cavity",
            Self::Ball => "the part holds a ball that is larger than any ball in the cavity",
            Self::Core => "the middles of the part's inscribed balls need a rectangle that no deep enough region holds",
            Self::Chain => "balls inscribed in the parts cannot stand side by side along the cavity in any order",
            Self::Chambers => "the parts cannot be shared out among the separate deep regions of the cavity",
        }
    }

    /// Unit of its two figures.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Volume => "mm3",
            Self::Chambers => "parts",
            _ => "mm",
        }
    }
}

/// A proof that no placement exists.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// The argument.
    pub bound: BoundKind,
    /// What a placement would need.
    pub need: f64,
    /// What the cavity has at the very most.
    pub have: f64,
    /// The parts it is about (indices into the stack); empty where all of them are.
    pub parts: Vec<usize>,
}

/// What all bounds look at.
pub(crate) struct Facts<'a> {
    pub cavity: &'a Cavity,
    pub stack: &'a Stack,
    pub depth: &'a Depth,
    pub queries: MeshQueries<'a>,
}

impl Facts<'_> {
    /// Parts that keep the wall clearance all round (those on the faceplate do not).
    pub fn free(&self) -> Vec<usize> {
        (0..self.stack.parts.len())
            .filter(|&i| !self.seated(i))
            .collect()
    }

    pub fn seated(&self, part: usize) -> bool {
        self.cavity.faceplate.is_some() && self.stack.parts[part].on_faceplate
    }

    /// What a part keeps from the wall on every side, mm.
    pub fn wall_mm(&self, part: usize) -> f64 {
        if self.seated(part) { 0.0 } else { self.stack.wall_clearance_mm }
    }

    /// Depth that the middle of a part's inscribed ball must have, mm.
    pub fn core_depth_mm(&self, part: usize) -> f64 {
        self.stack.parts[part].sides_mm()[2] / 2.0 + self.wall_mm(part)
    }
}

/// The first bound that refuses, cheap ones first; `None` says nothing at all.
#[must_use]
pub fn cannot_fit(cavity: &Cavity, stack: &Stack, depth: &Depth) -> Option<Proof> {
    refusals(cavity, stack, depth).next()
}

/// Every bound that refuses, cheap ones first.
pub fn refusals<'a>(cavity: &'a Cavity, stack: &'a Stack, depth: &'a Depth) -> impl Iterator<Item = Proof> + 'a {
    let facts = Facts {
        cavity,
        stack,
        depth,
        queries: MeshQueries::new(cavity.mesh()),
    };
    let bounds: [fn(&Facts) -> Option<Proof>; 7] = [
        volume::refuse,
        spread::diagonal,
        spread::cylinder,
        ball::refuse,
        core::refuse,
        chain::refuse,
        chambers::refuse,
    ];
    bounds.into_iter().filter_map(move |bound| bound(&facts))
}

/// Frames in which regions are boxed: upright, and their own main axes.
pub(crate) fn frames(core: &Core, component: Option<usize>) -> [Matrix3<f64>; 2] {
    [Matrix3::identity(), core.main_axes(component)]
}

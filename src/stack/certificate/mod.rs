//! Re-computes every margin of a placement from the surface, the stack file and the poses alone.
//!
//! Nothing here is shared with the search: no grid, no sampled points, no cost. A verdict "fits"
//! is this module's, and `fit --verify` runs it on a placement read back from a file.

mod hull;
mod segments;
mod solid;
mod tubes;
mod wall;

use nalgebra::Matrix3;
use rayon::prelude::*;

use super::cavity::{Cavity, Faceplate};
use super::parts::Stack;
use super::placement::Placement;
use crate::mesh::MeshQueries;
use crate::units::Mm;
use hull::Hull;
use solid::{Solid, pair_margin};
use tubes::{strange, tube_margins};
use wall::wall_margin;

/// How far a margin may fall short of its clearance for rounding alone, mm.
pub const TOLERANCE_MM: f64 = 1e-6;
/// How far a pose may be from rigid (largest entry of RᵀR − 1).
pub const RIGID: f64 = 1e-6;

/// One margin and whose it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Margin {
    /// What is measured: indices into the stack's parts; one for a wall, two for a pair.
    pub parts: Vec<usize>,
    /// Which kind of margin.
    pub kind: MarginKind,
    /// The margin.
    pub have: Mm,
    /// The clearance it must reach.
    pub need: Mm,
}

impl Margin {
    /// What is left over the clearance, mm; negative where it is missed.
    #[must_use]
    pub fn spare_mm(&self) -> f64 {
        self.have.0 - self.need.0
    }
}

/// What a margin lies between.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MarginKind {
    /// Two parts' boxes.
    Pair,
    /// A part's box and the wall.
    Wall,
    /// Room beside a part (spout, terminals) and another part, or the room beside it.
    ZonePair,
    /// Room beside a part and the wall.
    ZoneWall,
    /// A part on the faceplate and the faceplate's plane: minus how far it is off it.
    Seat,
    /// Radius of a tube's middle line.
    Bend,
    /// A tube and the wall.
    TubeWall,
    /// A tube and a part, or the room that a part keeps free.
    TubePart,
    /// Two tubes, or a tube and itself.
    TubePair,
    /// The bores in two tubes: the material between them.
    Web,
    /// Minus how far a tube's ends are off the spout, the told exit, or the tube that it joins.
    TubeEnds,
}

impl MarginKind {
    /// All of them, in the order in which they are told.
    pub const ALL: [Self; 11] = [
        Self::Pair,
        Self::Wall,
        Self::ZonePair,
        Self::ZoneWall,
        Self::Seat,
        Self::Bend,
        Self::TubeWall,
        Self::TubePart,
        Self::TubePair,
        Self::Web,
        Self::TubeEnds,
    ];

    /// The same in a few words, for a column.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Pair => "part to part",
            Self::Wall => "part to wall",
            Self::ZonePair => "kept room to part",
            Self::ZoneWall => "kept room to wall",
            Self::Seat => "off the faceplate",
            Self::Bend => "bend radius of a tube",
            Self::TubeWall => "tube to wall",
            Self::TubePart => "tube to part",
            Self::TubePair => "tube to tube",
            Self::Web => "web between bores",
            Self::TubeEnds => "tube's end off its place",
        }
    }

    /// What it is the measure of, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Pair => "distance between two parts",
            Self::Wall => "distance of a part from the wall",
            Self::ZonePair => "room that a part keeps free, to the next part",
            Self::ZoneWall => "room that a part keeps free, to the wall",
            Self::Seat => "off the faceplate",
            Self::Bend => "bend radius of a tube",
            Self::TubeWall => "distance of a tube from the wall",
            Self::TubePart => "distance of a tube from a part",
            Self::TubePair => "distance between two tubes",
            Self::Web => "web between two bores",
            Self::TubeEnds => "ends of a tube off their places",
        }
    }
}

/// All margins of a placement.
#[derive(Debug, Clone, PartialEq)]
pub struct Certificate {
    /// Every margin, pairs first, in the order of the stack file.
    pub margins: Vec<Margin>,
    /// Parts that lead to a bore, but that no tube was laid for.
    pub unlaid: Vec<usize>,
}

impl Certificate {
    /// Does every margin reach its clearance (within [`TOLERANCE_MM`]), and is every tube laid?
    #[must_use]
    pub fn fits(&self) -> bool {
        self.unlaid.is_empty() && self.holds()
    }

    /// Does every margin that was measured reach its clearance?
    #[must_use]
    pub fn holds(&self) -> bool {
        self.margins.iter().all(|m| m.spare_mm() >= -TOLERANCE_MM)
    }

    /// The margin with the least to spare. Places that are to be kept exactly (a part in the faceplate, a
    /// tube's ends) have nothing to spare and do not count, unless one is not kept.
    #[must_use]
    pub fn worst(&self) -> Option<&Margin> {
        let exact = |m: &Margin| matches!(m.kind, MarginKind::Seat | MarginKind::TubeEnds);
        let kept = |m: &&Margin| exact(m) && m.spare_mm() >= -TOLERANCE_MM;
        let these = self.margins.iter().filter(|m| !kept(m));
        these.min_by(|a, b| a.spare_mm().total_cmp(&b.spare_mm()))
    }

    /// The margin of a kind with the least to spare: bores differ in what they ask.
    #[must_use]
    pub fn tightest(&self, kind: MarginKind) -> Option<&Margin> {
        let all = self.margins.iter().filter(|m| m.kind == kind);
        all.min_by(|a, b| a.spare_mm().total_cmp(&b.spare_mm()))
    }

    /// The least margin of a kind.
    #[must_use]
    pub fn least(&self, kind: MarginKind) -> Option<Mm> {
        self.margins
            .iter()
            .filter(|m| m.kind == kind)
            .map(|m| m.have)
            .min_by(|a, b| a.0.total_cmp(&b.0))
    }
}

/// Why a placement cannot be judged at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoCertificate {
    /// It places other parts than the stack has.
    #[error("the placement is of {placed} parts, the stack has {parts}")]
    Count {
        /// Poses given.
        placed: usize,
        /// Parts in the stack.
        parts: usize,
    },
    /// A part's name or size is not the stack's.
    #[error("part {} of the placement is \"{placed}\", of the stack \"{part}\", or their sizes differ", index + 1)]
    Other {
        /// Which.
        index: usize,
        /// Its name in the placement.
        placed: String,
        /// Its name in the stack.
        part: String,
    },
    /// A tube is not one that the stack asks for.
    #[error("a tube to bore \"{bore}\": {what}")]
    Tube {
        /// The bore it names.
        bore: String,
        /// What is wrong.
        what: String,
    },
    /// A pose bends, scales or mirrors its part.
    #[error("the pose of \"{part}\" is not rigid: off by {off:.2e}, where {RIGID:.0e} is allowed")]
    NotRigid {
        /// Whose.
        part: String,
        /// Largest entry of RᵀR − 1, or infinity for a mirror or a figure that is not finite.
        off: f64,
    },
}

impl NoCertificate {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> &'static str {
        match self {
            Self::Count { .. } | Self::Other { .. } | Self::Tube { .. } => {
                "give the stack file it was made for"
            }
            Self::NotRigid { .. } => "give the turns with ten digits, as they were printed",
        }
    }
}

/// Measures every margin of a placement.
///
/// # Errors
/// [`NoCertificate`] where the placement is not one of this stack or a pose is not rigid.
pub fn certify(
    cavity: &Cavity,
    stack: &Stack,
    placement: &Placement,
) -> Result<Certificate, NoCertificate> {
    check_poses(stack, placement)?;
    if let Some((bore, what)) = strange(stack, placement) {
        return Err(NoCertificate::Tube { bore, what });
    }
    let queries = MeshQueries::new(cavity.mesh());
    let solids: Vec<Vec<Body>> = (0..stack.parts.len())
        .map(|i| bodies(stack, placement, i))
        .collect();
    let mut margins = pair_margins(stack, &solids);
    let walls: Vec<Vec<Margin>> = (0..solids.len())
        .into_par_iter()
        .map(|i| part_walls(cavity, stack, &queries, i, &solids[i]))
        .collect();
    margins.extend(walls.into_iter().flatten());
    margins.extend(tube_margins(&queries, cavity, stack, placement, &solids));
    let laid = |i: &usize| {
        placement
            .tubes
            .iter()
            .any(|t| t.part == stack.parts[*i].name)
    };
    Ok(Certificate {
        margins,
        unlaid: stack.piped().filter(|i| !laid(i)).collect(),
    })
}

/// The margins between parts alone, for a question that knows no cavity. Poses are taken as they
/// are.
#[must_use]
pub fn pair_margins_of(stack: &Stack, placement: &Placement) -> Vec<Margin> {
    let solids: Vec<Vec<Body>> = (0..stack.parts.len().min(placement.parts.len()))
        .map(|i| bodies(stack, placement, i))
        .collect();
    pair_margins(stack, &solids)
}

/// A box of a part: its own, or room beside it.
struct Body {
    solid: Solid,
    /// The part's own convex surface in that box, where it has one.
    hull: Option<Hull>,
    /// Grown by this all round: a spout is its middle line with its radius.
    round: f64,
    zone: bool,
    may_share: bool,
}

fn bodies(stack: &Stack, placement: &Placement, i: usize) -> Vec<Body> {
    let part = &stack.parts[i];
    let pose = &placement.parts[i].pose;
    let own = Body {
        solid: Solid::placed(pose, &crate::mesh::Vector::zeros(), part.half_mm()),
        hull: part
            .surface
            .as_ref()
            .and_then(|surface| Hull::placed(surface, pose)),
        round: 0.0,
        zone: false,
        may_share: false,
    };
    let zones = part.zones().into_iter().map(|z| Body {
        solid: Solid::placed(pose, &z.middle, z.line_half()),
        hull: None,
        round: z.radius_mm(),
        zone: true,
        may_share: !z.solid,
    });
    std::iter::once(own).chain(zones).collect()
}

fn pair_margins(stack: &Stack, solids: &[Vec<Body>]) -> Vec<Margin> {
    let mut out = Vec::new();
    for i in 0..solids.len() {
        for j in i + 1..solids.len() {
            for a in &solids[i] {
                for b in &solids[j] {
                    if a.may_share && b.may_share {
                        continue;
                    }
                    let zone = a.zone || b.zone;
                    out.push(Margin {
                        parts: vec![i, j],
                        kind: [MarginKind::Pair, MarginKind::ZonePair][usize::from(zone)],
                        have: Mm(apart(a, b) - a.round - b.round),
                        need: Mm(if zone { 0.0 } else { stack.clearance_mm }),
                    });
                }
            }
        }
    }
    out
}

/// Margin of two bodies, without what they are grown by.
fn apart(a: &Body, b: &Body) -> f64 {
    match (&a.hull, &b.hull) {
        (None, None) => pair_margin(&a.solid, &b.solid),
        (Some(h), None) => h.off_box(&b.solid),
        (None, Some(h)) => h.off_box(&a.solid),
        (Some(h), Some(g)) => h.off_hull(g),
    }
}

fn part_walls(
    cavity: &Cavity,
    stack: &Stack,
    queries: &MeshQueries,
    i: usize,
    bodies: &[Body],
) -> Vec<Margin> {
    let plate = cavity.faceplate.filter(|_| stack.parts[i].on_faceplate);
    let skip = |f: u32| plate.is_some_and(|p| p.carries(&queries.mesh.corners(f as usize)));
    let mut out = Vec::new();
    for body in bodies {
        let kind = [MarginKind::Wall, MarginKind::ZoneWall][usize::from(body.zone)];
        let mut solid = body.solid;
        if let (Some(plate), false) = (plate, body.zone) {
            // A corner in the faceplate's plane itself would be neither inside nor outside.
            solid.middle -= plate.outward
                * (top_heights(&solid, &plate).into_iter().fold(0.0, f64::max) + 1e-9);
        }
        out.push(Margin {
            parts: vec![i],
            kind,
            have: Mm(match &body.hull {
                Some(hull) if plate.is_none() => hull.off_wall(queries, &solid, &skip),
                _ => wall_margin(queries, &solid, &skip),
            } - body.round),
            need: Mm(if body.zone {
                0.0
            } else {
                stack.wall_clearance_mm
            }),
        });
    }
    if let Some(plate) = plate {
        out.push(Margin {
            parts: vec![i],
            kind: MarginKind::Seat,
            have: Mm(-top_heights(&bodies[0].solid, &plate)
                .map(f64::abs)
                .into_iter()
                .fold(0.0, f64::max)),
            need: Mm(0.0),
        });
    }
    out
}

/// Heights over the faceplate of the corners of a box's +z side.
fn top_heights(solid: &Solid, plate: &Faceplate) -> [f64; 4] {
    let corners = solid.corners();
    [4, 5, 6, 7].map(|i| plate.height(&corners[i]))
}

fn check_poses(stack: &Stack, placement: &Placement) -> Result<(), NoCertificate> {
    if placement.parts.len() != stack.parts.len() {
        return Err(NoCertificate::Count {
            placed: placement.parts.len(),
            parts: stack.parts.len(),
        });
    }
    for (index, (placed, part)) in placement.parts.iter().zip(&stack.parts).enumerate() {
        let same_size = (0..3).all(|k| (placed.size_mm[k] - part.size_mm[k]).abs() < 1e-9);
        if placed.name != part.name || !same_size {
            return Err(NoCertificate::Other {
                index,
                placed: placed.name.clone(),
                part: part.name.clone(),
            });
        }
        let turn = &placed.pose.turn;
        let off = (turn.transpose() * turn - Matrix3::identity()).abs().max();
        let whole = turn
            .iter()
            .chain(placed.pose.middle.iter())
            .all(|x| x.is_finite());
        if !(whole && off <= RIGID && turn.determinant() > 0.0) {
            return Err(NoCertificate::NotRigid {
                part: part.name.clone(),
                off: if whole && turn.determinant() > 0.0 {
                    off
                } else {
                    f64::INFINITY
                },
            });
        }
    }
    Ok(())
}

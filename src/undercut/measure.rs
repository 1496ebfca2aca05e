//! Everything about undercuts in one call: base plane, straight pull, best pull, the way out, the
//! regions that hold, and what relief would help.

use crate::mesh::{Mesh, Point, Topology, Vector};
use crate::soundness::Region;
use crate::units::{Deg, Mm, Mm2};

use super::base::{BasePlane, NoBase};
use super::best::{BestPull, best};
use super::body::{Body, NoBody};
use super::piece::Piece;
use super::relief::{Relief, relief};
use super::straight::{StraightPull, share_over, straight};
use super::withdraw::{Withdrawal, withdraw};
use super::{CannotPull, PullSettings};

/// What is asked.
pub struct Asked<'a> {
    /// Out of the ear: where the open side is, and the middle of the cone of the best pull.
    pub outward: Vector,
    /// The straight pull asked for; the outward direction where there is none.
    pub pull: Option<Vector>,
    /// The base plane; fitted to the base opening or the outer face where there is none.
    pub base: Option<BasePlane>,
    /// Outward normal of the outer face, where it is known: there the base plane is sought.
    pub face: Option<Vector>,
    /// The part that is pulled; the largest where there is none and nothing beside it is as large.
    pub part: Option<u32>,
    /// Where a place lies along the ear.
    pub region_of: &'a (dyn Fn(&Point) -> Region + Sync),
    /// Whether to try trimmings where the squeeze is over the limit (takes the longest of all).
    pub relief: bool,
    /// How finely to look, and the limit.
    pub settings: PullSettings,
}

/// Undercuts of a region along the straight pull.
#[derive(Debug, Clone, PartialEq)]
pub struct Held {
    /// The region.
    pub region: Region,
    /// Largest depth there.
    pub largest: Mm,
    /// Where.
    pub at: Point,
    /// Surface there with a depth over the limit.
    pub area: Mm2,
}

/// All of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Undercut {
    /// The base plane that was used.
    pub base: BasePlane,
    /// The straight pull asked for.
    pub straight: StraightPull,
    /// The straight pull along the outward direction, where another was asked for.
    pub outward: Option<StraightPull>,
    /// Regions that hold along the straight pull, the deepest first.
    pub held_by: Vec<Held>,
    /// Best pull.
    pub best: BestPull,
    /// The way out that was found, or why none was.
    pub withdrawal: Result<WayOut, CannotPull>,
}

/// A way out, where it binds, and what would help.
#[derive(Debug, Clone, PartialEq)]
pub struct WayOut {
    /// The way.
    pub way: Withdrawal,
    /// Region of the point that binds.
    pub binds_in: Region,
    /// Trimmings tried, the best first; empty where the squeeze is within the limit or none were
    /// asked for.
    pub relief: Vec<Relief>,
}

/// Why undercuts cannot be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CannotTell {
    /// Where the ear ends is not known.
    #[error("the base plane cannot be told: {0}")]
    Base(NoBase),
    /// There is no body, or it is not seated.
    #[error("{0}")]
    Body(NoBody),
    /// A pull cannot be measured.
    #[error("{0}")]
    Pull(CannotPull),
}

impl From<NoBase> for CannotTell {
    fn from(e: NoBase) -> Self {
        Self::Base(e)
    }
}

impl From<NoBody> for CannotTell {
    fn from(e: NoBody) -> Self {
        Self::Body(e)
    }
}

impl From<CannotPull> for CannotTell {
    fn from(e: CannotPull) -> Self {
        Self::Pull(e)
    }
}

impl CannotTell {
    /// What to do next.
    #[must_use]
    pub const fn help(self) -> &'static str {
        match self {
            Self::Base(NoBase::NotFound) => {
                "scan up to the outer face, or say with `--pull` where the open side is"
            }
            Self::Base(NoBase::NoDirection) | Self::Pull(CannotPull::NoDirection) => {
                "give three numbers that are not all zero, for example `--pull 0,0,1`"
            }
            Self::Base(NoBase::OpensElsewhere) => {
                "pull towards the opening, or scan the outer face too"
            }
            Self::Body(NoBody::TooLarge) => "say the right unit with `--unit`",
            Self::Body(NoBody::SeveralPieces) => "export the piece that is pulled by itself",
            Self::Body(NoBody::Empty) => "the file holds no surface; export it again",
            Self::Body(NoBody::PlaneOff) => {
                "the scan does not reach the plane where it should end; look at it, or scan again"
            }
            Self::Pull(CannotPull::LeadsIn) => {
                "the pull must point out of the ear, through the open side; turn its sign"
            }
            Self::Pull(CannotPull::NoWay) => "look whether the scan's surface is closed and sound",
        }
    }
}

/// Half-angle of the cone for the best pull: nobody pulls more than half across the face.
pub(super) const CONE: Deg = Deg(45.0);

/// Measures the undercuts of a mesh in millimetres.
///
/// # Errors
/// [`CannotTell`] where the ear's end, the body or a straight way out cannot be found. Never a guess.
pub fn measure(mesh: &Mesh, topology: &Topology, asked: &Asked) -> Result<Undercut, CannotTell> {
    let piece = Piece::new(mesh, topology, asked.part)?;
    let base = match asked.base {
        Some(base) => base,
        None => BasePlane::of(
            &piece.mesh,
            &piece.topology,
            asked.face.unwrap_or(asked.outward),
        )?,
    };
    let body = Body::new(&piece.mesh, &piece.topology, base)?;
    let settings = &asked.settings;
    let mut pull = straight(&body, &asked.pull.unwrap_or(asked.outward), settings)?;
    let outward = match asked.pull {
        None => None,
        Some(_) => straight(&body, &asked.outward, settings).ok(),
    };
    let mut best = best(&body, &asked.outward, CONE, settings)?;
    for known in [Some(&pull), outward.as_ref()].into_iter().flatten() {
        best.or_better(known, &asked.outward, CONE);
    }
    let ways = [pull.direction, best.pull.direction];
    let withdrawal = withdraw(&body, &ways, settings).map(|way| WayOut {
        binds_in: (asked.region_of)(&way.binds_at),
        relief: if asked.relief {
            relief(&body, &way, asked.region_of, settings).unwrap_or_default()
        } else {
            Vec::new()
        },
        way,
    });
    let held_by = held_by(&piece.mesh, &pull, asked);
    let spread = |figures: &mut Vec<f64>| *figures = piece.to_input(figures);
    spread(&mut pull.depth_mm);
    spread(&mut best.pull.depth_mm);
    Ok(Undercut {
        base,
        held_by,
        straight: pull,
        outward: outward.map(|mut pull| {
            spread(&mut pull.depth_mm);
            pull
        }),
        best,
        withdrawal: withdrawal.map(|mut out| {
            spread(&mut out.way.squeeze_at_point_mm);
            out
        }),
    })
}

/// Which regions hold, by the regions of the facets' middles.
fn held_by(mesh: &Mesh, pull: &StraightPull, asked: &Asked) -> Vec<Held> {
    let mut all: Vec<Held> = Vec::new();
    for (f, corners) in mesh.facets().iter().enumerate() {
        let depth = corners.map(|c| pull.depth_mm[c as usize]);
        let share = share_over(depth.map(|d| d - asked.settings.limit_mm));
        if share <= 0.0 {
            continue;
        }
        let deepest = (0..3).fold(0, |a, b| if depth[b] > depth[a] { b } else { a });
        let at = mesh.corners(f)[deepest];
        let region = (asked.region_of)(&at);
        let place = all
            .iter()
            .position(|h| h.region == region)
            .unwrap_or_else(|| {
                all.push(Held {
                    region,
                    largest: Mm(0.0),
                    at,
                    area: Mm2(0.0),
                });
                all.len() - 1
            });
        let held = &mut all[place];
        held.area = Mm2(held.area.value() + 0.5 * mesh.area_vector(f).norm() * share);
        if depth[deepest] > held.largest.value() {
            (held.largest, held.at) = (Mm(depth[deepest]), at);
        }
    }
    all.sort_by(|a, b| b.largest.value().total_cmp(&a.largest.value()));
    all
}

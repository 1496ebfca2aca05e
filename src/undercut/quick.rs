//! The straight pull and the best pull in a hurry, for a report that has a tenth of a second.
//!
//! The body is thinned, the grid is coarse and fewer directions are tried; the definition is the
//! same. How far that is off was measured on made ears and stands in the figures' `±`.

use crate::mesh::{Mesh, Topology, Vector};
use crate::units::{Bound, Measured};

use super::base::BasePlane;
use super::best::{Search, search};
use super::body::Body;
use super::measure::{Asked, CannotTell};
use super::piece::Piece;
use super::slices::Slices;
use super::straight::{area_over, depths};

/// A straight pull, read off coarsely.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QuickPull {
    /// The pull, out of the ear (unit).
    pub direction: Vector,
    /// Largest sideways depth, mm.
    pub largest_mm: Measured,
    /// Surface with a depth over the limit, mm².
    pub area_mm2: Measured,
}

/// The straight figures alone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Quick {
    /// The base plane that was used.
    pub base: BasePlane,
    /// The pull asked for.
    pub straight: QuickPull,
    /// The best pull found: its depth is an upper bound of the least there is.
    pub best: QuickPull,
    /// The point of the thinned body that the best pull holds most.
    pub held_at: crate::mesh::Point,
}

/// Cells whose points become one, mm.
const THIN_MM: f64 = 0.8;
/// Grid and layers of the figures, mm.
const CELL_MM: f64 = 0.8;
/// Thinning and grid of the search, mm. At 0.8 it took twice the time (0.2 s on one core) for a
/// best pull 0.05 mm shallower.
const SEARCH_MM: f64 = 1.2;
/// What that may be off, mm (0.19 at most on a dozen made ears) …
const DOUBT_MM: f64 = 0.25;
/// … and the best pull, whose direction is sought among fewer (0.42 at most).
const DOUBT_OF_BEST_MM: f64 = 0.5;
/// … and in area, as a share of it.
const DOUBT_SHARE: f64 = 0.2;

/// Measures the straight pull and the best pull of a mesh in millimetres, quickly.
///
/// # Errors
/// [`CannotTell`] as [`super::measure`] does.
pub fn quick(mesh: &Mesh, topology: &Topology, asked: &Asked) -> Result<Quick, CannotTell> {
    let piece = Piece::new(mesh, topology, asked.part)?;
    let base = match asked.base {
        Some(base) => base,
        None => BasePlane::of(
            &piece.mesh,
            &piece.topology,
            asked.face.unwrap_or(asked.outward),
        )?,
    };
    let thin = Body::new(&piece.mesh, &piece.topology, base)?.thinned(THIN_MM);
    let pull = asked.pull.unwrap_or(asked.outward);
    let straight = one(&thin, &pull, asked, DOUBT_MM)?.0;
    let how = Search {
        cone_deg: super::measure::CONE,
        first: 21,
        rounds: &[(9.0, 3, 1.0), (4.5, 2, 1.0), (2.2, 1, 1.0)],
        cell_mm: SEARCH_MM,
        limit_mm: asked.settings.limit_mm,
    };
    let (direction, _) = search(&thin.thinned(SEARCH_MM), &asked.outward, &how)?;
    let (mut best, held_at) = one(&thin, &direction, asked, DOUBT_OF_BEST_MM)?;
    if straight.largest_mm.value <= best.largest_mm.value {
        best = straight;
    }
    // A better direction may lie between those that were tried.
    best.largest_mm.bound = Bound::AtMost;
    Ok(Quick {
        base,
        straight,
        best,
        held_at,
    })
}

fn one(
    thin: &Body,
    pull: &Vector,
    asked: &Asked,
    doubt_mm: f64,
) -> Result<(QuickPull, crate::mesh::Point), CannotTell> {
    let direction = super::base::unit(pull)?;
    let slices = Slices::new(thin, &direction, CELL_MM).ok_or(super::CannotPull::LeadsIn)?;
    let found = depths(&slices, CELL_MM);
    let area = area_over(thin, &found.depth, asked.settings.limit_mm);
    let doubt = doubt_mm.hypot(asked.settings.plus_minus_mm());
    let most = (0..found.depth.len())
        .max_by(|&a, &b| found.depth[a].total_cmp(&found.depth[b]).then(b.cmp(&a)))
        .unwrap_or_default();
    let pull = QuickPull {
        direction,
        largest_mm: Measured::exact(found.largest(), doubt),
        area_mm2: Measured::exact(area, DOUBT_SHARE * area),
    };
    Ok((pull, thin.mesh.points()[most]))
}

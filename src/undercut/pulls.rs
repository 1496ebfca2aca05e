//! The figures of undercuts that stand in the reports of others: the straight pull and the best
//! pull in a hurry, for a report that has a tenth of a second, or all of it finely, with the way out.
//!
//! In a hurry the body is thinned, the grid is coarse and fewer directions are tried; the definition is the
//! same. How far that is off was measured on made ears and stands in the figures' `±`.

use crate::mesh::{Mesh, Topology, Vector};
use crate::units::{Bound, Measured};

use super::base::BasePlane;
use super::best::{Search, search};
use super::body::Body;
use super::measure::{Asked, CannotTell};
use super::piece::Piece;
use super::slices::Slices;
use super::straight::{StraightPull, area_over, depths};
use super::{CannotPull, Withdrawal};

/// A straight pull without its map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PullFigures {
    /// The pull, out of the ear (unit).
    pub direction: Vector,
    /// Largest sideways depth, mm.
    pub largest_mm: Measured,
    /// Surface with a depth over the limit, mm².
    pub area_mm2: Measured,
}

/// The figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Pulls {
    /// The base plane that was used.
    pub base: BasePlane,
    /// The pull asked for.
    pub straight: PullFigures,
    /// The best pull found: its depth is an upper bound of the least there is.
    pub best: PullFigures,
    /// The point (in a hurry: of the thinned body) that the best pull holds most.
    pub held_at: crate::mesh::Point,
    /// Depth of the straight pull at every point of the mesh, mm; `None` in a hurry.
    pub depth_mm: Option<Vec<f64>>,
    /// The way out; `None` where it was not looked for.
    pub way: Option<Result<Withdrawal, CannotPull>>,
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
pub fn quick(mesh: &Mesh, topology: &Topology, asked: &Asked) -> Result<Pulls, CannotTell> {
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
    let how = Search {
        cone_deg: super::measure::CONE,
        first: 21,
        rounds: &[(9.0, 3, 1.0), (4.5, 2, 1.0), (2.2, 1, 1.0)],
        cell_mm: SEARCH_MM,
        limit_mm: asked.settings.limit_mm,
    };
    let (straight, found) = rayon::join(
        || one(&thin, &pull, asked, DOUBT_MM),
        || search(&thin.thinned(SEARCH_MM), &asked.outward, &how),
    );
    let (straight, direction) = (straight?.0, found?.0);
    let (mut best, held_at) = one(&thin, &direction, asked, DOUBT_OF_BEST_MM)?;
    if straight.largest_mm.value <= best.largest_mm.value {
        best = straight;
    }
    // A better direction may lie between those that were tried.
    best.largest_mm.bound = Bound::AtMost;
    Ok(Pulls {
        base,
        straight,
        best,
        held_at,
        depth_mm: None,
        way: None,
    })
}

/// As [`super::measure`], without the best pull's map: some seconds.
///
/// # Errors
/// [`CannotTell`] as [`super::measure`] does.
pub fn fine(mesh: &Mesh, topology: &Topology, asked: &Asked) -> Result<Pulls, CannotTell> {
    let all = super::measure(mesh, topology, asked)?;
    let figures = |p: &StraightPull| PullFigures {
        direction: p.direction,
        largest_mm: p.largest_mm,
        area_mm2: p.area_mm2,
    };
    let mut best = figures(&all.best.pull);
    best.largest_mm.bound = Bound::AtMost;
    Ok(Pulls {
        base: all.base,
        straight: figures(&all.straight),
        best,
        held_at: all.best.pull.at,
        depth_mm: Some(all.straight.depth_mm),
        way: Some(all.withdrawal.map(|out| out.way)),
    })
}

fn one(
    thin: &Body,
    pull: &Vector,
    asked: &Asked,
    doubt_mm: f64,
) -> Result<(PullFigures, crate::mesh::Point), CannotTell> {
    let direction = super::base::unit(pull)?;
    let slices = Slices::new(thin, &direction, CELL_MM).ok_or(CannotPull::LeadsIn)?;
    let found = depths(&slices, CELL_MM);
    let area = area_over(thin, &found.depth, asked.settings.limit_mm);
    let doubt = doubt_mm.hypot(asked.settings.plus_minus_mm());
    let most = (0..found.depth.len())
        .max_by(|&a, &b| found.depth[a].total_cmp(&found.depth[b]).then(b.cmp(&a)))
        .unwrap_or_default();
    let pull = PullFigures {
        direction,
        largest_mm: Measured::exact(found.largest(), doubt),
        area_mm2: Measured::exact(area, DOUBT_SHARE * area),
    };
    Ok((pull, thin.mesh.points()[most]))
}

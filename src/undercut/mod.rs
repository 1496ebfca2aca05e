//! Undercuts: how an impression or a shell comes out of the ear.
//!
//! Straight pull, best pull and the withdrawal path, on any closed or base-open body with a base
//! plane (tissue below it, free air beyond) and a direction out of the ear. Nothing here knows
//! what a canal is: direction, plane and the names of regions are given.

mod base;
mod best;
mod body;
mod exact;
mod grouped;
mod measure;
#[cfg(test)]
mod picture;
mod piece;
mod pose;
mod pulls;
mod raster;
mod relax;
mod relief;
mod replay;
mod route;
#[cfg(test)]
pub(crate) mod shapes;
mod slices;
mod straight;
#[cfg(test)]
mod straight_tests;
mod tissue;
mod trace;
mod withdraw;
#[cfg(test)]
mod withdraw_tests;

pub use base::{BasePlane, NoBase};
pub use best::{BestPull, best};
pub use body::{Body, NoBody};
pub use measure::{Asked, CannotTell, Held, Undercut, WayOut, measure};
pub use pose::PoseRows;
pub use pulls::{PullFigures, Pulls, fine, quick};
pub use relief::{Relief, Trim, relief};
pub use replay::{Replay, replay};
pub use straight::{StraightPull, straight};
pub use withdraw::{Withdrawal, withdraw};

/// How finely to look, and what counts.
#[derive(Debug, Clone, PartialEq)]
pub struct PullSettings {
    /// Depth over which surface counts into the area, mm. Common practice, no source: labs accept
    /// 0.5 to 1 mm in soft tissue, nothing in the bony part.
    pub limit_mm: f64,
    /// Grid across the pull, mm. 0.4 moved the map by 0.05 mm at its worst percent.
    pub cell_mm: f64,
    /// Step along the pull, mm. Too coarse: corners between two layers are missed by up to a
    /// third of the step.
    pub layer_mm: f64,
    /// Scan noise normal to the surface (standard deviation), mm.
    pub noise_mm: f64,
    /// Median edge of the facets, mm; 0 where they follow the shape exactly.
    pub edge_mm: f64,
}

impl Default for PullSettings {
    fn default() -> Self {
        Self {
            limit_mm: 0.5,
            cell_mm: 0.2,
            layer_mm: 0.1,
            noise_mm: 0.0,
            edge_mm: 0.0,
        }
    }
}

impl PullSettings {
    /// Doubt of a depth at 95 %, mm: the grid (0.02 on closed forms), what a facet cuts off a canal
    /// wall of 3 mm radius (edge² / 8R), and the noise of the two places that a depth lies between.
    #[must_use]
    pub fn plus_minus_mm(&self) -> f64 {
        let noise = 1.96 * std::f64::consts::SQRT_2 * self.noise_mm;
        // Longer edges lie on flat faces, where facets cut nothing off.
        let facets = self.edge_mm.min(1.5).powi(2) / 24.0;
        0.02_f64.hypot(noise).hypot(facets)
    }
}

/// Why a pull could not be measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CannotPull {
    /// The direction has no length or is not finite.
    #[error("the pull direction has no length")]
    NoDirection,
    /// The direction points into the ear, or along the base plane.
    #[error("the pull direction does not lead out through the base plane")]
    LeadsIn,
    /// The search found no way out at all.
    #[error("no way out of the ear was found")]
    NoWay,
}

//! What goes wrong with impressions and scans, made on purpose.

use serde::Serialize;

/// A fault to be put in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Fault {
    /// The shape is the other ear's, as when a file was mirrored.
    Mirrored,
    /// Every facet's winding is turned round.
    Inverted,
    /// Coordinates are written in inches.
    Inches,
}

/// A hole put in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HoleTruth {
    /// Length of the rim.
    pub length_mm: f64,
    /// Area of the flat fan across the rim.
    pub area_mm2: f64,
    /// Largest distance across the rim.
    pub span_mm: f64,
    /// Middle of the rim.
    pub point_mm: [f64; 3],
    /// Arc position along the canal's axis, where the hole is in the canal.
    pub at_mm: Option<f64>,
}

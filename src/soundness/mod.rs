//! What is wrong with the surface as a surface: holes, fins, crossings, floaters, flipped and
//! degenerate facets. Counted and placed, never judged and never repaired.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::mesh::Point;

/// A boundary loop.
#[derive(Debug, Clone, PartialEq)]
pub struct Hole {
    /// True for the one large loop where scanning stopped (the base opening).
    pub base: bool,
    /// Length of the loop, mm.
    pub length_mm: f64,
    /// Area of the flat fan across it, mm².
    pub area_mm2: f64,
    /// Largest distance across, mm.
    pub span_mm: f64,
    /// Its middle.
    pub point: Point,
    /// Its points, in order (indices into the mesh).
    pub rim: Vec<u32>,
}

/// A connected piece of surface that is not the main one.
#[derive(Debug, Clone, PartialEq)]
pub struct Floater {
    /// How many facets it has.
    pub facets: usize,
    /// Its area, mm².
    pub area_mm2: f64,
    /// Diagonal of its box, mm.
    pub size_mm: f64,
    /// Middle of its box.
    pub point: Point,
    /// A facet of it.
    pub facet: u32,
}

/// A place where something is wrong, and how much of it there is.
#[derive(Debug, Clone, PartialEq)]
pub struct Spot {
    /// How many facets, edges or pairs make it up.
    pub count: usize,
    /// Where.
    pub point: Point,
}

/// An inward depression or an outward ridge of the surface.
#[derive(Debug, Clone, PartialEq)]
pub struct Pit {
    /// How deep below (positive) or high above (negative) the surface round about, mm.
    pub depth_mm: f64,
    /// Largest width across, mm.
    pub width_mm: f64,
    /// Deepest point.
    pub point: Point,
}

/// Everything found wrong with a surface, and its general figures.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Soundness {
    /// Closed: every edge has two facets that agree, nothing crosses.
    pub watertight: bool,
    /// Number of connected parts.
    pub parts: usize,
    /// Part number of every facet; the largest by area is [`Soundness::main_part`].
    pub part_of_facet: Vec<u32>,
    /// The part with the largest area.
    pub main_part: u32,
    /// Boundary loops, longest first.
    pub holes: Vec<Hole>,
    /// Parts other than the main one, largest first.
    pub floaters: Vec<Floater>,
    /// Edges with more than two facets.
    pub fin_edges: usize,
    /// Where they are.
    pub fin_spots: Vec<Spot>,
    /// Pairs of facets that cross without sharing a corner.
    pub crossing_pairs: usize,
    /// Where they are.
    pub crossing_spots: Vec<Spot>,
    /// Facets with no area, or that name a point twice.
    pub degenerate: usize,
    /// Facets that must be turned round for their part to be oriented and face outward.
    pub flipped_facets: usize,
    /// Where they are (empty when whole parts are inverted).
    pub flipped_spots: Vec<Spot>,
    /// The main part as a whole is inside out.
    pub inverted: bool,
    /// Number of points where the surface touches itself in a corner only (bow-ties).
    pub bowtie_points: usize,
    /// Volume, mm³, after turning the parts to face outward; `None` where there is no closed surface.
    pub volume_mm3: Option<f64>,
    /// Area of all facets, mm².
    pub area_mm2: f64,
    /// Scan noise normal to the surface, standard deviation, mm (residual of local fits).
    pub noise_mm: f64,
    /// Median edge length, mm.
    pub edge_mm: f64,
}

/// Where along the ear a place lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Region {
    /// Within 2 mm of the tip.
    Tip,
    /// Canal, further in than the second bend.
    PastSecondBend,
    /// Canal, between the first and the second bend.
    BetweenBends,
    /// Canal, aperture to first bend.
    SealZone,
    /// Canal whose bends could not be told.
    Canal,
    /// Outside the aperture, facing the ear.
    Concha,
    /// The side that faced away from the ear.
    OuterFace,
    /// No canal was found, so it cannot be told.
    Unknown,
}

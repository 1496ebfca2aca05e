//! What is wrong with the surface as a surface: holes, fins, crossings, floaters, flipped and
//! degenerate facets. Counted and placed, never judged and never repaired.

mod crossings;
mod facets;
mod holes;
mod noise;
mod parts;
mod pits;
mod quadric;
mod rings;
mod samples;
#[cfg(test)]
mod shapes;
mod spots;
#[cfg(test)]
mod tests;
mod triangles;
mod turning;

pub use pits::{pits, pits_where};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::mesh::{Mesh, MeshQueries, Point, Topology};

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
    /// Boundary loops of the main part, longest first.
    pub holes: Vec<Hole>,
    /// Number of boundary loops of the floaters.
    pub floater_holes: usize,
    /// Parts other than the main one, largest first.
    pub floaters: Vec<Floater>,
    /// Edges with more than two facets.
    pub fin_edges: usize,
    /// Where they are.
    pub fin_spots: Vec<Spot>,
    /// Pairs of facets that cross without sharing a corner. In a heap of facets that nearly all
    /// overlap, counting stops early and this is a lower bound.
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
    /// Edges that disagree however the facets are turned: a part with one of them has no outside
    /// (a Möbius band).
    pub one_sided_edges: usize,
    /// Volume, mm³, of all closed parts after turning them outward, cavities taken off; `None`
    /// where the main part is open.
    pub volume_mm3: Option<f64>,
    /// Volume, mm³, of the main part with every loop closed by a fan to its middle: the volume
    /// itself where it is closed, else as good as the fans are.
    pub volume_if_capped_mm3: f64,
    /// Area, mm², of what that volume lies within: of all closed parts, or of the main part where it
    /// is open.
    pub enclosing_mm2: f64,
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

/// Finds everything that is wrong with the surface, and its general figures. Never fails: an
/// empty mesh has no parts, no faults and no volume, and is not watertight.
#[must_use]
pub fn inspect(mesh: &Mesh, topology: &Topology, queries: &MeshQueries<'_>) -> Soundness {
    inspect_about(mesh, topology, queries, None)
}

/// As [`inspect`], with the main part named: the largest is not the ear where it stands on a plate.
#[must_use]
pub fn inspect_about(
    mesh: &Mesh,
    topology: &Topology,
    queries: &MeshQueries<'_>,
    main: Option<u32>,
) -> Soundness {
    let (mut out, crossing) = rayon::join(
        || surface(mesh, topology, queries, main),
        || crossings::pairs(queries),
    );
    let crossing_faults: Vec<_> = crossing
        .iter()
        .map(|p| crossings::fault(mesh, *p))
        .collect();
    out.crossing_pairs = crossing.len();
    out.crossing_spots = spots::spots(&crossing_faults);
    out.watertight = out.parts > 0
        && topology.open_edges == 0
        && topology.fins.is_empty()
        && topology.flipped_edges == 0
        && out.crossing_pairs == 0;
    out
}

/// How many pairs of facets cross without sharing a corner (see [`Soundness::crossing_pairs`]).
#[must_use]
pub fn crossing_pairs(queries: &MeshQueries<'_>) -> usize {
    crossings::pairs(queries).len()
}

/// The same of a mesh known to be no heap of facets (it was drawn, or cut from drawn ones): quicker,
/// and without a tree.
#[must_use]
pub fn crossing_pairs_drawn(mesh: &Mesh) -> usize {
    crossings::pairs_drawn(mesh).len()
}

/// All but the crossings.
fn surface(
    mesh: &Mesh,
    topology: &Topology,
    queries: &MeshQueries<'_>,
    main: Option<u32>,
) -> Soundness {
    let (part_of_facet, count) = topology.parts(mesh);
    let loops = topology.boundary_loops(mesh);
    let mut turning = turning::Turning::new(mesh, topology, &loops);
    let mut parts = parts::parts(mesh, topology, &part_of_facet, count, &turning);
    if parts.is_empty() {
        return Soundness::default();
    }
    let named = main.map(|m| m as usize).filter(|&m| m < parts.len());
    let main = named.unwrap_or_else(|| parts::main_part(&parts));
    let capped_mm3 = turning.capped_volume_mm3(&parts[main].facets);
    let enclosed_mm3 = parts::settle_nesting(&mut parts, queries, &part_of_facet, &mut turning);
    let part_of_loop = holes::part_of_loops(mesh, topology, &part_of_facet, &loops);
    let (main_loops, other_loops): (Vec<_>, Vec<_>) = loops
        .iter()
        .cloned()
        .zip(part_of_loop)
        .partition(|(_, part)| *part as usize == main);
    let main_loops: Vec<_> = main_loops.into_iter().map(|(l, _)| l).collect();
    let fin_faults: Vec<_> = topology
        .fins
        .iter()
        .map(|e| fault_at_edge(mesh, *e))
        .collect();
    let turned_in_main = parts[main]
        .facets
        .iter()
        .filter(|&&f| turning.turned[f as usize]);
    let mut out = Soundness {
        parts: count,
        main_part: main as u32,
        holes: holes::holes(mesh, &main_loops, &parts[main].facets, &turning),
        floater_holes: other_loops.len(),
        floaters: parts::floaters(&parts, main),
        fin_edges: topology.fins.len(),
        fin_spots: spots::spots(&fin_faults),
        degenerate: facets::degenerate(mesh),
        flipped_facets: turning.turned.iter().filter(|&&t| t).count(),
        flipped_spots: turning.spots(mesh, &part_of_facet, count),
        inverted: 2 * turned_in_main.count() > parts[main].facets.len(),
        bowtie_points: facets::bowties(mesh, topology),
        one_sided_edges: turning.stuck_edges,
        volume_mm3: parts[main].closed.then_some(enclosed_mm3),
        volume_if_capped_mm3: capped_mm3,
        enclosing_mm2: parts::enclosing_mm2(&parts, main),
        area_mm2: mesh.area_mm2(),
        noise_mm: noise::noise_mm(mesh, &rings::Rings::new(mesh)),
        edge_mm: noise::edge_mm(mesh, topology),
        ..Soundness::default()
    };
    out.part_of_facet = part_of_facet;
    out
}

fn fault_at_facet(mesh: &Mesh, facet: usize) -> spots::Fault {
    let [a, b, c] = mesh.facets()[facet];
    let corners = mesh.corners(facet);
    let sum: crate::mesh::Vector = corners.iter().map(|p| p.coords).sum();
    spots::Fault {
        at: Point::from(sum / 3.0),
        touches: [a, b, c, a, b, c],
    }
}

fn fault_at_edge(mesh: &Mesh, [a, b]: [u32; 2]) -> spots::Fault {
    let at = |p: u32| mesh.points()[p as usize];
    spots::Fault {
        at: nalgebra::center(&at(a), &at(b)),
        touches: [a, b, a, b, a, b],
    }
}

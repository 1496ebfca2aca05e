//! Wall thickness of a finished shell, wherever it was made.
//!
//! At a point of the surface the wall is the diameter of the largest ball that touches there from
//! inside the material and fits in it. Beside it stand the ray value and the nearest opposite wall,
//! since other tools mean one of those by "thickness". All three are measured on the facets
//! themselves, not on points; nothing is smoothed. What a shell's rims would read (0) is told
//! apart as edges. Nothing here knows a limit of the trade.

mod ball;
mod bores;
mod figures;
mod land;
mod mouths;
mod opening;
mod orient;
mod seat;
mod side;
mod through;
mod tree;

#[cfg(test)]
#[path = "tests/shapes.rs"]
pub(crate) mod shapes;
#[cfg(test)]
mod tests;

pub use ball::Reading;
pub use figures::{Edges, Histogram, ThinSpot};
pub use opening::Opening;
pub use orient::Sheet;
pub use side::Surface;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::mesh::{Mesh, Point, Topology};
use crate::units::Measured;

use ball::At;
use opening::Opened;
use seat::Seats;
use tree::Tree;

/// How to measure.
#[derive(Debug, Clone, PartialEq)]
pub struct WallOptions {
    /// Facets from this one on are the inner surface, given apart (see [`joined`]).
    pub inner_from_facet: Option<usize>,
    /// Measure at the points of the cavity too, not only outside and in bores.
    pub inner_too: bool,
    /// Measure the nearest opposite wall as well.
    pub opposite: bool,
    /// A convex edge that turns by this much or more is sharp: no ball fits on it. Degrees.
    /// Too low: the rounded tip of a coarse mesh (radius 0.5, edges 0.25 mm: 28°) is all edge; too
    /// high: a square rim (90°) loses points to noise.
    pub edge_turn_deg: f64,
    /// A ball held by a convex edge belongs to the edge while its two contacts are no further
    /// apart than this, mm. Walls thicker than 1.4 times this are never taken for edges; rims of
    /// walls thinner than that always are.
    pub edge_reach_mm: f64,
    /// Beside an edge sharper than a 60° wedge the wall counts as that edge up to this far, mm.
    pub feather_reach_mm: f64,
    /// Widest passage of the inner surface that is looked for as a bore or vent, mm.
    pub largest_bore_mm: f64,
    /// Bores that are known; none are looked for then.
    pub bores: Vec<GivenBore>,
}

impl Default for WallOptions {
    fn default() -> Self {
        Self {
            inner_from_facet: None,
            inner_too: false,
            opposite: true,
            edge_turn_deg: 40.0,
            edge_reach_mm: 1.5,
            feather_reach_mm: 0.5,
            // Just over the widest vent of the published lab table, 3.18.
            largest_bore_mm: 3.5,
            bores: Vec::new(),
        }
    }
}

/// A bore whose place is known.
#[derive(Debug, Clone, PartialEq)]
pub struct GivenBore {
    /// Middle of one end.
    pub from: Point,
    /// Middle of the other.
    pub to: Point,
    /// Diameter, mm.
    pub diameter_mm: f64,
}

/// A bore, vent or other narrow passage of the inner surface.
#[derive(Debug, Clone, PartialEq)]
pub struct Bore {
    /// Diameter of the round bore fitted to it; of the middle one of its balls where it is not round.
    pub diameter_mm: f64,
    /// Width at its narrowest (5th percentile of the balls that fit in it), mm.
    pub least_mm: f64,
    /// 95 % half width of that from its facets and noise, mm.
    pub plus_minus_mm: f64,
    /// Length of its middle line from the middle of one mouth to the middle of the other, mm; of a
    /// passage that is not round, or whose mouths cannot be told, from its first point to its last.
    pub length_mm: f64,
    /// True for a straight round bore.
    pub round: bool,
    /// One end of its axis.
    pub from: Point,
    /// The other.
    pub to: Point,
    /// True where it was given, not found.
    pub given: bool,
}

/// A piece of the surface that a web lies against.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Between {
    /// The outer surface.
    Outer,
    /// The inner surface apart from bores.
    Cavity,
    /// The bore of this index in [`Wall::bores`].
    Bore(u16),
    /// Surface of which it cannot be told whether it is outside or inside.
    Unclear,
}

/// Least material between a bore and something else.
#[derive(Debug, Clone, PartialEq)]
pub struct Web {
    /// The two pieces it lies between.
    pub between: [Between; 2],
    /// The least ball, mm.
    pub least_mm: f64,
    /// Its 95 % half width, mm.
    pub plus_minus_mm: f64,
    /// Where it touches one piece.
    pub point: Point,
    /// Where it touches the other.
    pub opposite: Point,
}

/// A closed hollow without an opening.
#[derive(Debug, Clone, PartialEq)]
pub struct Trapped {
    /// Its volume, mm³.
    pub volume_mm3: f64,
    /// A point of its wall.
    pub point: Point,
}

/// What could not be told, or had to be put right before measuring.
#[derive(Debug, Clone, PartialEq)]
pub enum Caution {
    /// The surface has open edges: near them balls and rays find no opposite wall.
    Open {
        /// How many edges.
        edges: usize,
        /// How many mm² gave no reading.
        unbounded_mm2: f64,
    },
    /// Edges with three facets or more: which side is material there cannot be told.
    Fins {
        /// How many edges.
        edges: usize,
    },
    /// Single facets wound against their surroundings; they were read the other way round.
    Flipped {
        /// How many facets.
        facets: usize,
    },
    /// A whole surface was wound inside out; it was read the other way round.
    InsideOut {
        /// Its index in [`Wall::sheets`].
        sheet: usize,
    },
    /// A surface without two sides, such as a Möbius strip.
    OneSided {
        /// How many.
        sheets: usize,
    },
    /// Outside and inside could not be told apart everywhere; the unclear part is measured as if
    /// it were outside.
    UnclearSides {
        /// How much, mm².
        area_mm2: f64,
    },
    /// The surface given as inner does not lie inside the outer one.
    InnerNotInside,
    /// No inner surface was found: a solid piece, or none that rays can tell.
    NoInner,
}

/// Why nothing can be measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoWall {
    /// There are no facets.
    #[error("the mesh has no facets, so it has no wall")]
    Empty,
    /// There are facets, but none with an area.
    #[error("no facet of the mesh has an area, so it has no wall")]
    NoArea,
    /// Every ball and ray ran out: the surface encloses nothing.
    #[error("no wall was found: the surface is open and nothing lies opposite anything")]
    Nothing,
}

impl NoWall {
    /// What to do about it.
    #[must_use]
    pub const fn help(&self) -> &'static str {
        match self {
            Self::Empty | Self::NoArea => "export the shell again",
            Self::Nothing => "give the inner surface as a second file, or a closed shell",
        }
    }
}

/// The wall of a shell. Arrays run over the points of the mesh; NaN is "no reading".
#[derive(Debug, Clone)]
pub struct Wall {
    /// How the wall was measured, in words.
    pub method: &'static str,
    /// Inscribed ball: diameter, mm.
    pub wall_mm: Vec<f64>,
    /// First way out along the inward normal, mm.
    pub ray_mm: Vec<f64>,
    /// Nearest surface that faces away by 120° or more, on the inner side of the point, mm.
    pub opposite_mm: Vec<f64>,
    /// 95 % half width of `wall_mm` from facets and noise at both its ends, mm.
    pub plus_minus_mm: Vec<f64>,
    /// What the ball says.
    pub reading: Vec<Reading>,
    /// Outside or inside.
    pub surface: Vec<Surface>,
    /// Bore of each point, from 1; 0 for none.
    pub bore: Vec<u16>,
    /// Share of the surface of each point (a third of its facets), mm².
    pub area_mm2: Vec<f64>,
    /// Least wall between the outer surface and what lies behind it; `None` if there is none.
    pub least: Option<Least>,
    /// Area-weighted share (in hundredths) and wall, mm, over the outer surface.
    pub percentiles_mm: Vec<(f64, f64)>,
    /// Area by wall, over the outer surface.
    pub histogram: Histogram,
    /// Rims and other edges, where no wall can be read.
    pub edges: Vec<Edges>,
    /// Bores and passages.
    pub bores: Vec<Bore>,
    /// Least material round them.
    pub webs: Vec<Web>,
    /// Where outer surface and cavity, given apart, lie on each other: not measured.
    pub opening: Option<Opening>,
    /// Of every facet: does it lie in that opening? Empty without one.
    pub in_opening: Vec<bool>,
    /// Closed hollows without a drain.
    pub trapped: Vec<Trapped>,
    /// Connected surfaces and what they bound.
    pub sheets: Vec<Sheet>,
    /// What could not be told or was put right.
    pub cautions: Vec<Caution>,
    seats: Seats,
}

/// The thinnest place.
#[derive(Debug, Clone, PartialEq)]
pub struct Least {
    /// The ball there, mm.
    pub wall_mm: Measured,
    /// The ray value there, mm (NaN if none).
    pub ray_mm: f64,
    /// Index of the point.
    pub at: u32,
    /// The point.
    pub point: Point,
}

/// Outer and inner surface, given as two meshes, as one; and the facet at which the inner begins,
/// for [`WallOptions::inner_from_facet`]. Their winding does not matter.
#[must_use]
pub fn joined(outer: &Mesh, inner: &Mesh) -> (Mesh, usize) {
    let shift = outer.points().len() as u32;
    let points = [outer.points(), inner.points()].concat();
    let mut facets = outer.facets().to_vec();
    facets.extend(inner.facets().iter().map(|f| f.map(|p| p + shift)));
    // Both were meshes, so every index is in range and every coordinate finite.
    let mesh = Mesh::new(points, facets).unwrap_or_default();
    (mesh, outer.facets().len())
}

/// Measures the wall. Lengths in mm, at every outer point (and every point of a bore).
///
/// A reading is exact for the faceted surface; against the true shape it is off by what a facet
/// cuts off (edge² / 8R on either side) and by scan noise, which `plus_minus_mm` estimates. A ball
/// may enter the sheet that it sits on by a few times that sheet's roughness (0.002 mm on a smooth
/// one, 0.04 at most); the opposite wall it never enters. Ma, Bae, Choi 2012 (shrinking ball, DOI
/// 10.1007/s00371-011-0594-7, from memory) gave the iteration.
///
/// # Errors
/// [`NoWall`] where there is no surface, or nothing lies opposite anything.
pub fn wall(mesh: &Mesh, topology: &Topology, options: &WallOptions) -> Result<Wall, NoWall> {
    Ok(wall_beside(mesh, topology, options, |_| ())?.0)
}

/// The same, with more to do at the same time that needs to know no more than which points lie outside
/// and which inside; what it gave comes back too.
///
/// # Errors
/// As [`wall`].
pub fn wall_beside<T: Send>(
    mesh: &Mesh,
    topology: &Topology,
    options: &WallOptions,
    beside: impl FnOnce(&[Surface]) -> T + Send,
) -> Result<(Wall, T), NoWall> {
    if mesh.facets().is_empty() {
        return Err(NoWall::Empty);
    }
    if mesh.area_mm2() <= 0.0 {
        return Err(NoWall::NoArea);
    }
    let opened = match options.inner_from_facet {
        Some(from) => opening::found(mesh, topology, from, options.largest_bore_mm),
        None => Opened::default(),
    };
    let oriented = orient::orient(mesh, topology, options.inner_from_facet, &opened);
    let normals = seat::facet_normals(mesh, topology, &oriented.turned);
    let (seats, (tree, facet_surface)) = rayon::join(
        || Seats::new(mesh, topology, &normals, options.edge_turn_deg),
        || {
            let tree = Tree::new(mesh, &oriented.turned, &normals, &opened.whole);
            let surface = match options.inner_from_facet {
                Some(from) => side::given(mesh, from),
                None => side::surfaces(mesh, topology, &tree, &oriented, &normals),
            };
            (tree, surface)
        },
    );
    let surface = figures::point_surfaces(mesh, &facet_surface);
    let (bores, bore) = if options.bores.is_empty() {
        let search = bores::Search {
            mesh,
            topology,
            normals: &normals,
            tree: &tree,
            seats: &seats,
            surface: &surface,
            opened: &opened,
        };
        search.find(options.largest_bore_mm)
    } else {
        bores::assign(mesh, &surface, &options.bores)
    };
    let wanted: Vec<bool> = (0..surface.len())
        .map(|p| {
            let asked = options.inner_too || surface[p] != Surface::Inner || bore[p] > 0;
            asked && !opened.at(p)
        })
        .collect();
    let (at, beside) = rayon::join(
        || {
            let mut at = ball::read_all(mesh, &tree, &seats, &wanted, options);
            if let Some(from) = options.inner_from_facet {
                let apart = through::Apart {
                    mesh,
                    normals: &normals,
                    opened: &opened,
                    from,
                };
                apart.mark(&seats, tree.origin(), &mut at, options);
            }
            figures::mark_feathers(mesh, &seats, &tree, &mut at, options);
            let lands = land::Lands {
                mesh,
                topology,
                normals: &normals,
                surface: &facet_surface,
                opened: &opened,
                sharp_cos: options.edge_turn_deg.to_radians().cos(),
            };
            lands.mark(&seats, &mut at, 2.0 * options.edge_reach_mm);
            at
        },
        || beside(&surface),
    );
    if at.iter().all(|a| !a.wall_mm.is_finite()) {
        return Err(NoWall::Nothing);
    }
    let webs = bores::webs(mesh, &tree, &seats, &at, &surface, &bore);
    let found = Found {
        at,
        surface,
        bore,
        bores,
        webs,
        opening: opened.told,
        in_opening: opened.whole,
    };
    let wall = assemble(mesh, topology, oriented, seats, found, options);
    Ok((wall, beside))
}

/// What the passes over the surface found.
struct Found {
    at: Vec<At>,
    surface: Vec<Surface>,
    bore: Vec<u16>,
    bores: Vec<Bore>,
    webs: Vec<Web>,
    opening: Option<Opening>,
    in_opening: Vec<bool>,
}

fn assemble(
    mesh: &Mesh,
    topology: &Topology,
    oriented: orient::Oriented,
    seats: Seats,
    found: Found,
    options: &WallOptions,
) -> Wall {
    let Found {
        at,
        surface,
        bore,
        bores,
        webs,
        opening,
        in_opening,
    } = found;
    let plus_minus_mm = figures::plus_minus(mesh, &seats, &at);
    let mut wall = Wall {
        method: "inscribed ball",
        wall_mm: at.iter().map(|a| a.wall_mm).collect(),
        ray_mm: at.iter().map(|a| a.ray_mm).collect(),
        opposite_mm: at.iter().map(|a| a.opposite_mm).collect(),
        plus_minus_mm,
        reading: at.iter().map(|a| a.reading).collect(),
        surface,
        bore,
        area_mm2: seats.area_mm2.clone(),
        least: None,
        percentiles_mm: Vec::new(),
        histogram: Histogram::default(),
        edges: Vec::new(),
        bores,
        webs,
        opening,
        in_opening,
        trapped: figures::trapped(&oriented),
        sheets: Vec::new(),
        cautions: Vec::new(),
        seats,
    };
    wall.cautions = figures::cautions(&wall, topology, &oriented, options);
    wall.sheets = oriented.sheets;
    wall.least = figures::least(mesh, &wall);
    wall.percentiles_mm = figures::percentiles(&wall);
    wall.histogram = figures::histogram(&wall);
    wall.edges = figures::edges(mesh, &wall, options);
    wall
}

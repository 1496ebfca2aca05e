//! Where the middle line of one tube may run: how far it is from being too near to the wall, a
//! part, the room that a part keeps free, or a tube that lies already.

use crate::mesh::{MeshQueries, Point, Vector};
use crate::stack::grid::{Depth, NODE_ERROR_MM, exact_depth};
use crate::stack::parts::{Bore, Part, Stack};
use crate::stack::placement::Tube;
use crate::stack::pose::Pose;

use super::Exit;

/// Deeper than this by the grid, mm, a place is inside without counting crossings.
const SURE_MM: f64 = 0.5;

/// A box that the middle line keeps away from.
struct Block {
    middle: Point,
    turn: nalgebra::Matrix3<f64>,
    half: Vector,
    keep: f64,
    /// What lies further off its middle keeps from it.
    reach: f64,
}

impl Block {
    /// Has a place so much to spare or more? Told by the ball round the block alone.
    fn leaves(&self, p: &Point, spare: f64) -> bool {
        let far = self.reach + spare;
        far <= 0.0 || (p - self.middle).norm_squared() >= far * far
    }

    fn spare(&self, p: &Point) -> f64 {
        let own = self.turn.tr_mul(&(p - self.middle)).abs() - self.half;
        own.sup(&Vector::zeros()).norm() + own.max().min(0.0) - self.keep
    }

    fn slope(&self, p: &Point) -> Vector {
        let own = self.turn.tr_mul(&(p - self.middle));
        let over = own.abs() - self.half;
        let mut way = over.sup(&Vector::zeros());
        if way.norm() < 1e-12 {
            way = Vector::zeros();
            way[over.imax()] = 1.0;
        }
        self.turn * way.zip_map(&own, |w, o| w.copysign(o)).normalize()
    }
}

/// A tube that lies already.
struct Laid {
    line: Vec<Point>,
    keep: f64,
    middle: Point,
    reach: f64,
}

impl Laid {
    fn new(tube: &Tube, keep: f64) -> Self {
        let line = tube.centreline.clone();
        let middle = line.get(line.len() / 2).copied().unwrap_or_default();
        let reach = line.iter().map(|p| (p - middle).norm()).fold(0.0, f64::max);
        Self {
            line,
            keep,
            middle,
            reach,
        }
    }

    fn slope(&self, p: &Point) -> Vector {
        let far = |q: &&Point| (*q - p).norm_squared();
        let near = self.line.iter().min_by(|a, b| far(a).total_cmp(&far(b)));
        near.and_then(|q| (p - q).try_normalize(1e-12))
            .unwrap_or_default()
    }

    /// Spare distance, where it is under `so_far`. Points stand for the pieces between them: 0.2 mm
    /// apart, they read 0.005 mm too far at a distance of 1 mm.
    fn spare(&self, p: &Point, so_far: f64) -> f64 {
        if (p - self.middle).norm() - self.reach - self.keep >= so_far {
            return so_far;
        }
        let least = self
            .line
            .iter()
            .map(|q| (q - p).norm_squared())
            .fold(f64::INFINITY, f64::min);
        so_far.min(least.sqrt() - self.keep)
    }
}

/// The room for one tube.
pub struct Room<'a> {
    depth: &'a Depth,
    blocks: Vec<Block>,
    laid: Vec<Laid>,
    wall: f64,
    /// Where the tube leaves through the wall, if that was told, and how far back from there it
    /// may be in the wall.
    mouth: Option<(Point, f64)>,
}

impl<'a> Room<'a> {
    #[allow(clippy::too_many_arguments)] // one tube's room, spelt out
    /// The room for the tube of part `own` to its bore; `alone`: as if no other part were there.
    pub fn new(
        depth: &'a Depth,
        stack: &Stack,
        poses: &[Pose],
        own: usize,
        bore: &Bore,
        exit: &Exit,
        tubes: &[Tube],
        alone: bool,
    ) -> Self {
        let radius = bore.outer_mm / 2.0;
        let mut blocks = Vec::new();
        for (i, part) in stack.parts.iter().enumerate() {
            if alone && i != own {
                continue;
            }
            let stub = part.spout.map_or(0.0, |s| s.length_mm);
            let keep = if i == own {
                // The stub may hold the tube's start nearer than the clearance.
                radius + stack.clearance_mm.min(stub - radius)
            } else {
                radius + stack.clearance_mm
            };
            blocks.push(body(&poses[i], &Vector::zeros(), part.half_mm(), keep));
            for zone in part.zones() {
                if i != own || !zone.solid {
                    let keep = radius + zone.radius_mm();
                    blocks.push(body(&poses[i], &zone.middle, zone.line_half(), keep));
                }
            }
        }
        let other = tubes.iter().filter(|t| t.name != bore.name);
        let laid = other.map(|t| Laid::new(t, stack.tubes_apart_mm(bore, t)));
        Self {
            depth,
            blocks,
            laid: laid.collect(),
            wall: radius + stack.wall_clearance_mm,
            mouth: exit
                .told
                .then(|| (exit.heading.at, super::mouth_mm(bore.outer_mm))),
        }
    }

    fn in_mouth(&self, p: &Point) -> bool {
        self.mouth.is_some_and(|(at, far)| (p - at).norm() < far)
    }

    /// What is to spare at a place, mm; negative where the middle line must not be. The wall is
    /// read from the grid.
    pub fn spare(&self, p: &Point) -> f64 {
        let wall = self.depth.depth(p) - self.wall;
        if wall < 0.0 && !self.in_mouth(p) {
            return wall;
        }
        self.beside(p, if self.in_mouth(p) { 1.0 } else { wall })
    }

    /// The same with the wall's exact distance.
    pub fn exact_spare(&self, queries: &MeshQueries, p: &Point) -> f64 {
        if self.in_mouth(p) {
            return self.beside(p, 1.0);
        }
        let grid = self.depth.depth(p);
        let beside = self.beside(p, 1.0);
        if self.wall_is_further(grid, beside) {
            return beside;
        }
        let deep = grid > SURE_MM;
        let near = deep.then(|| queries.nearest(p, self.wall_within(grid)));
        let depth = match near.flatten() {
            Some(near) => near.distance_mm,
            _ => exact_depth(queries, p),
        };
        beside.min(depth - self.wall)
    }

    /// Is the wall surely further off than what has least to spare? Depth changes by no more than the way one
    /// goes, so that what the grid tells is off by no more than the way to its nodes.
    fn wall_is_further(&self, grid: f64, least: f64) -> bool {
        grid - self.wall - self.depth.half_diagonal_mm() > least
    }

    /// No further than this is the wall, mm, by what the grid tells.
    fn wall_within(&self, grid: f64) -> f64 {
        grid.abs() + self.depth.half_diagonal_mm() + NODE_ERROR_MM
    }

    /// What is to spare by the grid, and the direction in which it grows.
    pub fn spare_and_slope(&self, p: &Point) -> (f64, Vector) {
        let mut least = (1.0, Vector::zeros());
        if !self.in_mouth(p) {
            let (depth, slope) = self.depth.depth_and_slope(p);
            least = (
                depth - self.wall,
                slope.try_normalize(1e-6).unwrap_or_default(),
            );
        }
        self.beside_and_slope(p, least)
    }

    /// What is exactly to spare, and the unit direction in which it grows.
    pub fn exact_spare_and_slope(&self, queries: &MeshQueries, p: &Point) -> (f64, Vector) {
        let beside = self.beside_and_slope(p, (1.0, Vector::zeros()));
        if self.in_mouth(p) {
            return beside;
        }
        let grid = self.depth.depth(p);
        if self.wall_is_further(grid, beside.0) {
            return beside;
        }
        let Some(near) = queries.nearest(p, self.wall_within(grid)) else {
            return beside;
        };
        let off = p - near.point;
        let (depth, off) = if grid > 0.0 {
            (near.distance_mm, off)
        } else {
            (-near.distance_mm, -off)
        };
        let wall = depth - self.wall;
        if wall < beside.0 {
            (wall, off.try_normalize(1e-12).unwrap_or_default())
        } else {
            beside
        }
    }

    fn beside_and_slope(&self, p: &Point, mut least: (f64, Vector)) -> (f64, Vector) {
        for block in &self.blocks {
            if block.leaves(p, least.0) {
                continue;
            }
            let spare = block.spare(p);
            if spare < least.0 {
                least = (spare, block.slope(p));
            }
        }
        for tube in &self.laid {
            let spare = tube.spare(p, least.0);
            if spare < least.0 {
                least = (spare, tube.slope(p));
            }
        }
        least
    }

    fn beside(&self, p: &Point, so_far: f64) -> f64 {
        let mut least = so_far;
        for block in &self.blocks {
            if !block.leaves(p, least) {
                least = least.min(block.spare(p));
            }
        }
        for tube in &self.laid {
            least = tube.spare(p, least);
        }
        least
    }
}

fn body(pose: &Pose, middle: &Vector, half: [f64; 3], keep: f64) -> Block {
    Block {
        middle: pose.place(middle),
        turn: pose.turn,
        half: Vector::from(half),
        keep,
        reach: Vector::from(half).norm() + keep,
    }
}

/// Where a part's tube begins: the end of its spout, and the way the spout points.
pub fn spout_end(part: &Part, pose: &Pose) -> Option<super::curve::Heading> {
    let (at, way) = part.spout_end()?;
    Some(super::curve::Heading {
        at: pose.place(&at),
        way: pose.turn * way,
    })
}

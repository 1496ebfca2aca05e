//! Proofs that a stack cannot fit, cheap ones first. Each refuses only what no placement can do:
//! wherever a grid is read, it is read as a superset of what is possible.

mod ball;
mod body;
mod bores;
mod cell;
mod chain;
mod chambers;
mod core;
mod farkas;
mod outer;
mod pierce;
mod points;
mod poses;
mod prove;
mod several;
mod spread;
mod standing;
mod volume;

use std::sync::atomic::AtomicUsize;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use nalgebra::{Matrix3, Rotation3, SymmetricEigen};

use self::core::Core;
use super::cavity::Cavity;
use super::grid::{Depth, NODE_ERROR_MM};
use super::parts::Stack;
use crate::mesh::{MeshQueries, Point, Vector};

/// A need must exceed what there is by this before it counts, mm: above the certificate's
/// tolerance and the rounding of the figures, below anything that a shop could measure.
const SAFETY_MM: f64 = 1e-4;

/// Parts whose inner ball needs less depth than this, mm, are left to the bounds that read no grid: a
/// hollow as slim as that may lie between all nodes.
const LEAST_MM: f64 = 0.35;

/// Which argument refuses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BoundKind {
    /// A part's space diagonal is longer than the cavity.
    Diagonal,
    /// A part is thicker than a cylinder that holds the cavity.
    Cylinder,
    /// The parts, grown by what they keep, have more volume than the cavity.
    Volume,
    /// A part is thicker than the largest ball in the cavity.
    Ball,
    /// The middles of a part's inscribed balls find no room.
    Core,
    /// The parts' inscribed balls cannot stand in a row in any order.
    Chain,
    /// The parts cannot be shared out among the chambers of the cavity.
    Chambers,
    /// More parts than points, and each part holds a point wherever it stands.
    Pierce,
    /// The same, by several points that lie anywhere.
    Several,
    /// The bores are told to leave where they have no room beside each other.
    Bores,
}

impl BoundKind {
    /// Its name in reports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Diagonal => "diagonal",
            Self::Cylinder => "enclosing_cylinder",
            Self::Volume => "volume",
            Self::Ball => "inscribed_ball",
            Self::Core => "core_rectangle",
            Self::Chain => "ball_chain",
            Self::Chambers => "chambers",
            Self::Pierce => "piercing_points",
            Self::Several => "several_points",
            Self::Bores => "bores",
        }
    }

    /// The argument in one sentence.
    #[must_use]
    pub fn because(self) -> &'static str {
        match self {
            Self::Diagonal => {
                "opposite corners of the part would be further apart than any two points of the cavity"
            }
            Self::Cylinder => {
                "seen along a cylinder that holds the cavity, the part is wider than it"
            }
            Self::Volume => {
                "the parts with the room they keep free have more volume than the cavity"
            }
            Self::Ball => "the part holds a ball that is larger than any ball in the cavity",
            Self::Core => {
                "the middles of the part's inscribed balls need a rectangle that no deep enough region holds"
            }
            Self::Chain => {
                "balls inscribed in the parts cannot stand side by side along the cavity in any order"
            }
            Self::Chambers => {
                "the parts cannot be shared out among the separate deep regions of the cavity"
            }
            Self::Pierce | Self::Several => {
                "wherever each of these parts stands, it holds one of fewer points than there are parts"
            }
            Self::Bores => {
                "the bores with their tubes and webs do not find room beside each other where they leave"
            }
        }
    }

    /// Unit of its two figures.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::Volume => "mm3",
            Self::Chambers | Self::Pierce | Self::Several => "parts",
            _ => "mm",
        }
    }
}

/// A proof that no placement exists.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// The argument.
    pub bound: BoundKind,
    /// What a placement would need.
    pub need: f64,
    /// What the cavity has at the very most.
    pub have: f64,
    /// The parts it is about (indices into the stack); empty where all of them are.
    pub parts: Vec<usize>,
}

/// What all bounds look at.
pub(crate) struct Facts<'a> {
    pub cavity: &'a Cavity,
    pub stack: &'a Stack,
    pub depth: &'a Depth,
    pub queries: MeshQueries<'a>,
    cores: Mutex<Vec<(f64, Arc<Core>)>>,
    /// How much the dearest bound has looked at, over all its questions.
    looked: AtomicUsize,
    until: Option<Instant>,
}

impl<'a> Facts<'a> {
    fn new(cavity: &'a Cavity, stack: &'a Stack, depth: &'a Depth) -> Self {
        Self {
            cavity,
            stack,
            depth,
            queries: MeshQueries::new(cavity.mesh()),
            cores: Mutex::new(Vec::new()),
            looked: AtomicUsize::new(0),
            until: None,
        }
    }

    /// Has the time run out? A bound that is cut short says nothing.
    fn over(&self) -> bool {
        self.until.is_some_and(|t| Instant::now() >= t)
    }

    /// Boxes that keep the wall clearance all round (those on the faceplate do not; a part given
    /// as a convex surface is less than its box, so that nothing is said of it here).
    pub fn free(&self) -> Vec<usize> {
        (0..self.stack.parts.len())
            .filter(|&i| !self.seated(i) && self.is_box(i) && self.core_depth_mm(i) > LEAST_MM)
            .collect()
    }

    pub fn is_box(&self, part: usize) -> bool {
        self.stack.parts[part].surface.is_none()
    }

    pub fn seated(&self, part: usize) -> bool {
        self.cavity.faceplate.is_some() && self.stack.parts[part].on_faceplate
    }

    /// What a part keeps from the wall on every side, mm.
    pub fn wall_mm(&self, part: usize) -> f64 {
        if self.seated(part) {
            0.0
        } else {
            self.stack.wall_clearance_mm
        }
    }

    /// Where the middle of a part's inscribed ball can be; made once for each depth.
    pub fn core(&self, part: usize) -> Arc<Core> {
        let need = self.core_depth_mm(part) - SAFETY_MM;
        let mut cores = self.cores.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, core)) = cores.iter().find(|(n, _)| *n == need) {
            return Arc::clone(core);
        }
        let core = Arc::new(Core::new(self, need));
        cores.push((need, Arc::clone(&core)));
        core
    }

    /// The nodes that are deep enough, in groups of neighbours: what they can hold, the region can.
    pub fn deep_groups(&self, need: f64) -> Vec<Vec<Point>> {
        let [nx, ny, nz] = self.depth.counts();
        let deep = |v: f32| f64::from(v) >= need + NODE_ERROR_MM;
        let mut open: Vec<bool> = self.depth.values().iter().map(|v| deep(*v)).collect();
        let mut groups = Vec::new();
        for seed in 0..open.len() {
            if !std::mem::take(&mut open[seed]) {
                continue;
            }
            let (mut todo, mut group) = (vec![seed], Vec::new());
            while let Some(i) = todo.pop() {
                group.push(self.depth.node_at(i));
                let at = [i % nx, i / nx % ny, i / (nx * ny)];
                let near = |k: usize, n: usize| at[k].saturating_sub(1)..(at[k] + 2).min(n);
                for z in near(2, nz) {
                    for y in near(1, ny) {
                        for x in near(0, nx) {
                            let next = (z * ny + y) * nx + x;
                            if std::mem::take(&mut open[next]) {
                                todo.push(next);
                            }
                        }
                    }
                }
            }
            groups.push(group);
        }
        groups
    }

    /// Depth that the middle of a part's inscribed ball must have, mm.
    pub fn core_depth_mm(&self, part: usize) -> f64 {
        self.stack.parts[part].sides_mm()[2] / 2.0 + self.wall_mm(part)
    }
}

type Bound = fn(&Facts) -> Option<Proof>;

/// Milliseconds each.
const CHEAP: [Bound; 5] = [
    bores::refuse,
    volume::refuse,
    spread::diagonal,
    spread::cylinder,
    ball::refuse,
];
/// Tenths of a second each; the last some seconds where it is near to a proof, and no more than its share.
const DEAR: [Bound; 5] = [
    core::refuse,
    chain::refuse,
    chambers::refuse,
    pierce::refuse,
    several::refuse,
];

/// The first of the cheap bounds that refuses.
#[must_use]
pub fn cheap(cavity: &Cavity, stack: &Stack, depth: &Depth) -> Option<Proof> {
    let facts = Facts::new(cavity, stack, depth);
    CHEAP.iter().find_map(|bound| bound(&facts))
}

/// The first of the dearer bounds that refuses; none is begun once `until` has come. `None` says
/// nothing at all.
#[must_use]
pub fn dear(
    cavity: &Cavity,
    stack: &Stack,
    depth: &Depth,
    until: Option<Instant>,
) -> Option<Proof> {
    let facts = Facts {
        until,
        ..Facts::new(cavity, stack, depth)
    };
    let mut left = DEAR.iter().take_while(|_| !facts.over());
    left.find_map(|bound| bound(&facts))
}

/// Every bound that refuses, cheap ones first.
pub fn refusals<'a>(
    cavity: &'a Cavity,
    stack: &'a Stack,
    depth: &'a Depth,
) -> impl Iterator<Item = Proof> + 'a {
    let facts = Facts::new(cavity, stack, depth);
    CHEAP
        .iter()
        .chain(&DEAR)
        .filter_map(move |bound| bound(&facts))
}

/// Frames in which a cloud of points is boxed: its own main axes, and those turned until the box is
/// slimmest. None hangs on how the cavity lies in its file.
pub(crate) fn frames(points: &[Point]) -> [Matrix3<f64>; 2] {
    let n = points.len().max(1) as f64;
    let mean = points.iter().map(|p| p.coords).sum::<Vector>() / n;
    let spread: Matrix3<f64> = points
        .iter()
        .map(|p| (p.coords - mean) * (p.coords - mean).transpose())
        .sum();
    let axes = SymmetricEigen::new(spread).eigenvectors;
    [axes, slimmest(points, axes)]
}

/// Turns a frame by ever smaller steps while the two lesser widths of the points get less.
fn slimmest(points: &[Point], mut frame: Matrix3<f64>) -> Matrix3<f64> {
    let outer = spread::outermost(points);
    let rate = |frame: &Matrix3<f64>| {
        let mut w = [0, 1, 2].map(|k| spread::width(&outer, &frame.column(k).into_owned()));
        w.sort_by(f64::total_cmp);
        w[0] * w[0] + w[1] * w[1]
    };
    let (mut have, mut step) = (rate(&frame), 0.2);
    while step > 5e-4 {
        let turns = (0..6).map(|i| {
            let mut by = Vector::zeros();
            by[i / 2] = if i % 2 == 0 { step } else { -step };
            Rotation3::new(by).into_inner() * frame
        });
        let rated = turns.map(|f| (rate(&f), f));
        match rated.min_by(|a, b| a.0.total_cmp(&b.0)) {
            Some((less, turned)) if less < have - 1e-9 => (have, frame) = (less, turned),
            _ => step /= 2.0,
        }
    }
    frame
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Mesh, Point, Vector};
    use crate::stack::shapes::{block, sphere};

    fn told(mesh: Mesh, sizes: &[[f64; 3]]) -> Vec<BoundKind> {
        let cavity = Cavity::new(mesh).unwrap();
        let stack = Stack::of_boxes(sizes, 0.15, 0.25);
        let depth = Depth::new(&cavity);
        refusals(&cavity, &stack, &depth)
            .map(|p| {
                assert!(p.need > p.have, "{p:?}");
                p.bound
            })
            .collect()
    }

    /// Two rooms side by side, joined by nothing.
    fn two(a: &Mesh, apart: f64) -> Mesh {
        let (mut points, mut facets) = a.clone().into_parts();
        let n = points.len() as u32;
        points.extend(a.points().iter().map(|p| p + Vector::new(apart, 0.0, 0.0)));
        facets.extend(a.facets().iter().map(|f| f.map(|i| i + n)));
        Mesh::new(points, facets).unwrap()
    }

    #[test]
    fn each_bound_refuses_the_case_it_is_for() {
        use BoundKind::*;
        for (bound, mesh, sizes) in [
            (Volume, block(8.0, 8.0, 8.0), vec![[7.0, 7.0, 3.4]; 3]),
            (Diagonal, sphere(5.0, 24), vec![[9.6, 1.0, 1.0]]),
            (Cylinder, block(20.0, 4.0, 4.0), vec![[6.0, 5.2, 1.0]]),
            (Ball, block(12.0, 12.0, 3.0), vec![[3.0, 3.0, 2.6]]),
            (Core, block(7.0, 7.0, 7.0), vec![[9.5, 6.5, 2.0]]),
            (Chain, block(14.0, 4.0, 4.0), vec![[3.4, 3.4, 3.4]; 4]),
            (Pierce, sphere(5.0, 24), vec![[5.6, 5.2, 3.6]; 2]),
            (
                Chambers,
                two(&block(6.0, 6.0, 4.0), 9.0),
                vec![[5.0, 5.0, 3.0]; 3],
            ),
        ] {
            let all = told(mesh, &sizes);
            assert!(all.contains(&bound), "{bound:?} is not among {all:?}");
        }
    }

    #[test]
    fn a_hair_more_room_than_a_part_needs_is_never_refused() {
        for (x, y, z) in [
            (5.0, 3.0, 2.0),
            (8.0, 8.0, 1.0),
            (3.0, 3.0, 3.0),
            (9.0, 1.0, 1.0),
        ] {
            let room = |more: f64| block(x + 0.5 + more, y + 0.5 + more, z + 0.5 + more);
            assert_eq!(told(room(1e-5), &[[x, y, z]]), []);
            // Turned, moved, so that no grid line lies along a wall.
            let mut rng = crate::stack::search::rng::Rng::new(1);
            let turn = rng.turn();
            let turned =
                room(1e-5).mapped(|p| Point::from(turn * p.coords + Vector::repeat(0.123)));
            assert_eq!(told(turned.unwrap(), &[[x, y, z]]), []);
        }
    }
}

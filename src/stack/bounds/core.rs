//! Where the middle of a ball of given size can be: the region of depth ≥ need, as a set of small
//! cells that surely holds it, split into its connected components.
//!
//! A box with sides s1 ≥ s2 ≥ s3 holds a rectangle (s1 − s3) × (s2 − s3) of middles of balls of
//! radius s3/2; being connected, it lies in one component.

use rayon::prelude::*;

use super::spread::{largest_distance, thinnest_cylinder};
use super::{BoundKind, Facts, Proof, SAFETY_MM};
use crate::mesh::{Point, Vector};
use crate::stack::grid::{NODE_ERROR_MM, exact_depth};

/// Each node's cell is cut into this many along an axis where the region's rim runs through it.
const CUTS: usize = 3;
/// Cells on the rim are halved again while that asks for no more depths than this. Fewer: what the
/// grid hides sideways (0.2 mm in a straight tube turned off it) loses proofs; more: large regions,
/// whose proofs hang on no hundredth, take seconds.
const MOST_DEPTHS: usize = 250_000;
/// … and are no smaller than this, mm.
const FINEST_MM: f64 = 0.008;

/// The region, as cells.
pub(crate) struct Core {
    /// Middles of the cells that the rim of each component may run through; all of the component
    /// is within `reach_mm` of their hull, which is enough for every extent.
    rims: Vec<Vec<Point>>,
    /// Component of each coarse cell, if any of its small cells is in one (the first such).
    pub coarse: Vec<Vec<usize>>,
    /// Largest distance from a point of a cell on the rim to its middle, mm.
    pub reach_mm: f64,
    labels: Lattice,
}

/// Is a cell in the region?
#[derive(Clone, Copy, PartialEq)]
enum Part {
    Out,
    Rim,
    Whole,
}

/// What a cell with its middle at `p`, whose points are within `reach` of it, has of `{depth ≥ need}`.
/// `sure`: it is known to lie inside the cavity.
fn part_of(facts: &Facts, p: &Point, reach: f64, need: f64, sure: bool) -> Part {
    let d = if sure {
        let near = facts.queries.nearest(p, need + reach);
        near.map_or(f64::INFINITY, |n| n.distance_mm)
    } else {
        exact_depth(&facts.queries, p)
    };
    if d >= need + reach {
        Part::Whole
    } else if d + reach >= need {
        Part::Rim
    } else {
        Part::Out
    }
}

/// A small cell of the grid, and whether the rim may run through it.
type Small = ([i32; 3], bool);

/// The small cells of each node that may be in the region.
fn small_cells(facts: &Facts, need: f64) -> Vec<Vec<Small>> {
    let depth = facts.depth;
    let step = depth.step_mm();
    let small = step / CUTS as f64;
    let (wide, narrow) = (depth.half_diagonal_mm(), small * 3.0_f64.sqrt() / 2.0);
    let [nx, ny, _] = depth.counts();
    let nodes = depth.values().par_iter().enumerate();
    nodes
        .filter(|(_, v)| f64::from(**v) + NODE_ERROR_MM + wide >= need)
        .map(|(i, v)| {
            let base = [i % nx, i / nx % ny, i / (nx * ny)].map(|x| (x * CUTS) as i32);
            let v = f64::from(*v) - NODE_ERROR_MM;
            let (whole, sure) = (v - wide >= need, v - wide > 0.0);
            let node = depth.node_at(i);
            let mut out = Vec::new();
            for n in 0..CUTS.pow(3) {
                let at = [n % CUTS, n / CUTS % CUTS, n / (CUTS * CUTS)];
                let off = Vector::from_fn(|k, _| (at[k] as f64 + 0.5) * small - step / 2.0);
                let part = if whole {
                    Part::Whole
                } else {
                    part_of(facts, &(node + off), narrow, need, sure)
                };
                if part != Part::Out {
                    out.push(([0, 1, 2].map(|k| base[k] + at[k] as i32), part == Part::Rim));
                }
            }
            out
        })
        .collect()
}

/// Cells on the rim, by component, halved until they are small or many; and their reach. Depth is
/// `need` all along the rim, so the rim stays in what is kept.
fn finer(
    facts: &Facts,
    need: f64,
    mut cells: Vec<(u32, Point)>,
    mut side: f64,
) -> (Vec<(u32, Point)>, f64) {
    let reach = |side: f64| side * 3.0_f64.sqrt() / 2.0;
    let mut asked = 0;
    loop {
        asked += 8 * cells.len();
        if asked > MOST_DEPTHS || side < 2.0 * FINEST_MM {
            return (cells, reach(side));
        }
        let sure = need - 2.0 * reach(side) > 0.0;
        side /= 2.0;
        cells = cells
            .par_iter()
            .flat_map_iter(|&(k, middle)| {
                (0..8).filter_map(move |i| {
                    let at = Vector::from_fn(|k, _| if i >> k & 1 == 1 { 0.5 } else { -0.5 });
                    let p = middle + at * side;
                    let part = part_of(facts, &p, reach(side), need, sure);
                    (part == Part::Rim).then_some((k, p))
                })
            })
            .collect();
    }
}

impl Core {
    /// Covers `{depth ≥ need}`.
    pub fn new(facts: &Facts, need: f64) -> Self {
        let depth = facts.depth;
        let step = depth.step_mm();
        let small = step / CUTS as f64;
        let [nx, ny, _] = depth.counts();
        let cells = small_cells(facts, need);
        let middle = |c: &[i32; 3]| {
            depth.node([0, 0, 0])
                + Vector::from_fn(|k, _| (f64::from(c[k]) + 0.5) * small - step / 2.0)
        };
        let mut labels = Lattice::new(depth.counts());
        for (c, _) in cells.iter().flatten() {
            labels.set(c, OPEN);
        }
        let mut found = 0;
        for (seed, _) in cells.iter().flatten() {
            if labels.get(seed) == OPEN {
                flood(&mut labels, *seed, found);
                found += 1;
            }
        }
        let rim = cells.iter().flatten().filter(|c| c.1);
        let rim = rim.map(|(c, _)| (labels.get(c), middle(c))).collect();
        let (rim, reach_mm) = finer(facts, need, rim, small);
        let mut rims = vec![Vec::new(); found as usize];
        for (k, p) in rim {
            rims[k as usize].push(p);
        }
        // A component without a rim is none: looked at closer, nothing of it is deep enough.
        let mut number = 0;
        let renamed: Vec<u32> = rims
            .iter()
            .map(|r| {
                number += u32::from(!r.is_empty());
                if r.is_empty() { NONE } else { number - 1 }
            })
            .collect();
        for label in labels.cells.iter_mut().filter(|l| **l < OPEN) {
            *label = renamed[*label as usize];
        }
        rims.retain(|r| !r.is_empty());
        let mut coarse = vec![Vec::new(); rims.len()];
        for c in cells.iter().filter(|c| !c.is_empty()) {
            let at = c[0].0.map(|x| x as usize / CUTS);
            let node = (at[2] * ny + at[1]) * nx + at[0];
            let mut seen: Vec<u32> = c.iter().map(|s| labels.get(&s.0)).collect();
            seen.retain(|s| *s != NONE);
            seen.sort_unstable();
            seen.dedup();
            for s in seen {
                coarse[s as usize].push(node);
            }
        }
        Self {
            rims,
            coarse,
            reach_mm,
            labels,
        }
    }

    /// Number of components.
    pub fn components(&self) -> usize {
        self.rims.len()
    }

    /// Rim points of one component, or of all.
    pub fn rim(&self, component: Option<usize>) -> Vec<Point> {
        match component {
            Some(k) => self.rims[k].clone(),
            None => self.rims.concat(),
        }
    }

    /// The component of this region that holds a component of a deeper one.
    pub fn holder_of(&self, deeper: &Self, component: usize) -> Option<usize> {
        let mut cells = deeper.labels.cells.iter();
        let place = cells.position(|l| *l as usize == component)?;
        let label = self.labels.cells[place];
        (label < OPEN).then_some(label as usize)
    }

    /// Can a component hold the rectangle of a part's inner balls, as far as its extents tell?
    /// If not: what the rectangle needs and what the component has.
    pub fn too_narrow(&self, component: usize, sides: [f64; 3]) -> Option<(f64, f64)> {
        too_narrow(&self.rims[component], self.reach_mm, sides)
    }
}

/// Is a cloud of points, each stretched by `reach`, too narrow for the rectangle of a part's inner
/// balls? What that needs and what there is.
fn too_narrow(rim: &[Point], reach: f64, sides: [f64; 3]) -> Option<(f64, f64)> {
    let (long, short) = (sides[0] - sides[2], sides[1] - sides[2]);
    let need = long.hypot(short);
    let (lo, hi) = rim
        .iter()
        .fold((rim[0], rim[0]), |(l, h), p| (l.inf(p), h.sup(p)));
    let widest = (hi - lo).max();
    // One side of the box round it is long enough: no need to look closer.
    if need > widest {
        let boxed = (hi - lo).norm() + 2.0 * reach;
        if need > boxed + SAFETY_MM {
            return Some((need, boxed));
        }
        let have = largest_distance(rim) + 2.0 * reach;
        if need > have + SAFETY_MM {
            return Some((need, have));
        }
    }
    let have = 2.0 * (thinnest_cylinder(rim) + reach);
    (short > have + SAFETY_MM).then_some((short, have))
}

/// A cell of the region that no component has been through yet.
const OPEN: u32 = u32::MAX - 1;
/// A cell that is not of the region.
const NONE: u32 = u32::MAX;

/// A label for every small cell of the grid's box.
struct Lattice {
    counts: [i32; 3],
    cells: Vec<u32>,
}

impl Lattice {
    fn new(coarse: [usize; 3]) -> Self {
        let counts = coarse.map(|n| (n * CUTS) as i32);
        let cells = coarse.iter().map(|n| n * CUTS).product();
        Self {
            counts,
            cells: vec![NONE; cells],
        }
    }

    fn place(&self, c: &[i32; 3]) -> Option<usize> {
        let inside = (0..3).all(|k| c[k] >= 0 && c[k] < self.counts[k]);
        let [nx, ny, _] = self.counts.map(|n| n as usize);
        inside.then(|| (c[2] as usize * ny + c[1] as usize) * nx + c[0] as usize)
    }

    fn get(&self, c: &[i32; 3]) -> u32 {
        self.place(c).map_or(NONE, |i| self.cells[i])
    }

    fn set(&mut self, c: &[i32; 3], label: u32) {
        if let Some(i) = self.place(c) {
            self.cells[i] = label;
        }
    }
}

/// Labels all cells that touch `seed`'s by face, edge or corner.
fn flood(labels: &mut Lattice, seed: [i32; 3], label: u32) {
    let mut todo = vec![seed];
    labels.set(&seed, label);
    while let Some(c) = todo.pop() {
        for n in 0..27 {
            let next = [c[0] + n % 3 - 1, c[1] + n / 3 % 3 - 1, c[2] + n / 9 - 1];
            if labels.get(&next) == OPEN {
                labels.set(&next, label);
                todo.push(next);
            }
        }
    }
}

/// Would even the nodes that are deep enough hold the part's rectangle? Then its core does, and
/// there is no need to look closer.
fn wide_enough(facts: &Facts, part: usize) -> bool {
    let groups = facts.deep_groups(facts.core_depth_mm(part));
    let sides = facts.stack.parts[part].sides_mm();
    groups.iter().any(|g| too_narrow(g, 0.0, sides).is_none())
}

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let mut parts = facts.free();
    parts.sort_by(|&a, &b| facts.core_depth_mm(b).total_cmp(&facts.core_depth_mm(a)));
    for part in parts {
        if wide_enough(facts, part) {
            continue;
        }
        let sides = facts.stack.parts[part].sides_mm();
        let core = facts.core(part);
        // No component is left to the ball's own bound.
        let narrow: Option<Vec<(f64, f64)>> = (0..core.components())
            .map(|k| core.too_narrow(k, sides))
            .collect();
        let widest = narrow.and_then(|all| {
            all.into_iter()
                .max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0)))
        });
        if let Some((need, have)) = widest {
            return Some(Proof {
                bound: BoundKind::Core,
                need,
                have,
                parts: vec![part],
            });
        }
    }
    None
}

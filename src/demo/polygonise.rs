//! From the implicit solid to a mesh: cells that the surface passes are tracked from one to the
//! next, one point a cell, one quadrilateral an edge.
//!
//! A point a cell gives nearly even facets, as a scanner's are; a tetrahedral march gives
//! slivers. Where a cell is passed twice the result would not be a manifold; the caller sees
//! that ([`sound`]) and takes a slightly different grid.

use std::collections::{HashMap, HashSet};

use rayon::prelude::*;

use crate::mesh::{Point, Vector};

use super::jet::Jet;

pub(crate) type Cell = [i32; 3];
pub(crate) type Field<'a> = &'a (dyn Fn(&Point) -> Jet + Sync);

/// Points and triangles.
#[derive(Debug, Clone, Default)]
pub(crate) struct Net {
    pub points: Vec<Point>,
    pub facets: Vec<[u32; 3]>,
}

const CORNERS: [Cell; 8] = [
    [0, 0, 0],
    [1, 0, 0],
    [0, 1, 0],
    [1, 1, 0],
    [0, 0, 1],
    [1, 0, 1],
    [0, 1, 1],
    [1, 1, 1],
];

fn plus(a: Cell, b: Cell) -> Cell {
    [a[0] + b[0], a[1] + b[1], a[2] + b[2]]
}

struct Grid<'a> {
    field: Field<'a>,
    step_mm: f64,
    shift: Vector,
    value: HashMap<Cell, f64>,
}

impl Grid<'_> {
    fn point(&self, c: Cell) -> Point {
        Point::from(self.shift + Vector::new(c[0] as f64, c[1] as f64, c[2] as f64) * self.step_mm)
    }

    /// Evaluates the corners of these cells that are not known yet.
    fn learn(&mut self, cells: &[Cell]) {
        let mut fresh: Vec<Cell> = cells
            .iter()
            .flat_map(|&c| CORNERS.map(|k| plus(c, k)))
            .filter(|c| !self.value.contains_key(c))
            .collect();
        fresh.sort_unstable();
        fresh.dedup();
        let known: Vec<f64> = fresh
            .par_iter()
            .map(|&c| (self.field)(&self.point(c)).v)
            .collect();
        self.value.extend(fresh.into_iter().zip(known));
    }

    fn corners(&self, cell: Cell) -> [f64; 8] {
        CORNERS.map(|k| self.value[&plus(cell, k)])
    }
}

/// Walks from a place inside towards +x until the surface is passed: the first cell to track.
fn first_cell(grid: &Grid, inside: &Point) -> Option<Cell> {
    let start = (inside.coords - grid.shift) / grid.step_mm;
    let mut cell = [
        start.x.floor() as i32,
        start.y.floor() as i32,
        start.z.floor() as i32,
    ];
    let far = (80.0 / grid.step_mm) as i32;
    for _ in 0..far {
        if (grid.field)(&grid.point(cell)).v >= 0.0 {
            cell[0] -= 1;
            return Some(cell);
        }
        cell[0] += 1;
    }
    None
}

/// The net of the piece of surface met from `inside`, with a grid of `step_mm`.
pub(crate) fn polygonise(field: Field, inside: &Point, step_mm: f64, shift: Vector) -> Net {
    let mut grid = Grid {
        field,
        step_mm,
        shift,
        value: HashMap::new(),
    };
    let Some(first) = first_cell(&grid, inside) else {
        return Net::default();
    };
    let passed = track(&mut grid, first);
    let index: HashMap<Cell, u32> = passed.iter().copied().zip(0u32..).collect();
    let points: Vec<Point> = passed.par_iter().map(|&c| middle(&grid, c)).collect();
    let facets = quads(&grid, &passed, &index)
        .iter()
        .flat_map(|q| split(&points, *q))
        .collect();
    Net { points, facets }
}

/// Every cell that the surface passes, in an order that hangs on the surface alone.
fn track(grid: &mut Grid, first: Cell) -> Vec<Cell> {
    let mut seen = HashSet::from([first]);
    let mut wave = vec![first];
    let mut passed = Vec::new();
    while !wave.is_empty() {
        grid.learn(&wave);
        let mut next = Vec::new();
        for &cell in &wave {
            let v = grid.corners(cell);
            let inside = v.iter().filter(|&&x| x < 0.0).count();
            if inside == 0 || inside == 8 {
                continue;
            }
            passed.push(cell);
            for axis in 0..3 {
                for side in 0..2 {
                    let on_side = |k: usize| CORNERS[k][axis] == side;
                    let mut signs = (0..8).filter(|&k| on_side(k)).map(|k| v[k] < 0.0);
                    let one = signs.next();
                    if signs.all(|s| Some(s) == one) {
                        continue;
                    }
                    let mut over = cell;
                    over[axis] += if side == 0 { -1 } else { 1 };
                    if seen.insert(over) {
                        next.push(over);
                    }
                }
            }
        }
        wave = next;
    }
    passed
}

/// Mean of the places where the cell's edges pass the surface.
fn middle(grid: &Grid, cell: Cell) -> Point {
    let v = grid.corners(cell);
    let (mut sum, mut count) = (Vector::zeros(), 0.0);
    for a in 0..8 {
        for bit in [1, 2, 4] {
            let b = a | bit;
            if b == a || (v[a] < 0.0) == (v[b] < 0.0) {
                continue;
            }
            let t = v[a] / (v[a] - v[b]);
            let (pa, pb) = (
                grid.point(plus(cell, CORNERS[a])),
                grid.point(plus(cell, CORNERS[b])),
            );
            sum += pa.coords + (pb - pa) * t;
            count += 1.0;
        }
    }
    Point::from(sum / f64::max(count, 1.0))
}

/// One quadrilateral for each grid edge that passes the surface, seen from outside.
fn quads(grid: &Grid, passed: &[Cell], index: &HashMap<Cell, u32>) -> Vec<[u32; 4]> {
    let mut quads = Vec::with_capacity(passed.len());
    for &cell in passed {
        for axis in 0..3 {
            let mut end = cell;
            end[axis] += 1;
            let (here, there) = (grid.value[&cell] < 0.0, grid.value[&end] < 0.0);
            if here == there {
                continue;
            }
            let (j, k) = ((axis + 1) % 3, (axis + 2) % 3);
            let around = |dj: i32, dk: i32| {
                let mut c = cell;
                c[j] -= dj;
                c[k] -= dk;
                index.get(&c).copied()
            };
            let ring = [around(0, 0), around(1, 0), around(1, 1), around(0, 1)];
            if let [Some(a), Some(b), Some(c), Some(d)] = ring {
                quads.push(if here { [a, b, c, d] } else { [d, c, b, a] });
            }
        }
    }
    quads
}

/// Two triangles along the shorter diagonal.
fn split(points: &[Point], [a, b, c, d]: [u32; 4]) -> [[u32; 3]; 2] {
    let far = |i: u32, k: u32| (points[i as usize] - points[k as usize]).norm_squared();
    if far(a, c) <= far(b, d) {
        [[a, b, c], [a, c, d]]
    } else {
        [[a, b, d], [b, c, d]]
    }
}

/// Newton steps along the gradient until the field is zero to rounding.
pub(crate) fn project(field: Field, mut p: Point) -> Point {
    for _ in 0..20 {
        let j = field(&p);
        let step = j.g * (j.v / j.g.norm_squared().max(1e-6));
        let long = step.norm();
        p -= if long > 0.5 {
            step * (0.5 / long)
        } else {
            step
        };
        if long < 1e-10 {
            break;
        }
    }
    p
}

/// Slides the points to the middle of their neighbours and back onto the surface, to even out
/// the facets; after the last round every point lies on the surface.
pub(crate) fn even_out(net: &mut Net, field: Field, rounds: usize) {
    let n = net.points.len();
    for round in 0..=rounds {
        if round > 0 {
            let (mut sum, mut count) = (vec![Vector::zeros(); n], vec![0.0; n]);
            for f in &net.facets {
                for k in 0..3 {
                    let (a, b) = (f[k] as usize, f[(k + 1) % 3] as usize);
                    sum[a] += net.points[b].coords;
                    count[a] += 1.0;
                }
            }
            for i in 0..n {
                if count[i] > 0.0 {
                    let to = sum[i] / count[i] - net.points[i].coords;
                    net.points[i] += to * 0.7;
                }
            }
        }
        let last = round == rounds;
        net.points = net
            .points
            .par_iter()
            .map(|p| {
                if last {
                    project(field, *p)
                } else {
                    nearer(field, *p)
                }
            })
            .collect();
    }
}

/// One Newton step: enough between rounds.
fn nearer(field: Field, p: Point) -> Point {
    let j = field(&p);
    let step = j.g * (j.v / j.g.norm_squared().max(1e-6));
    let long = step.norm();
    p - if long > 0.5 {
        step * (0.5 / long)
    } else {
        step
    }
}

/// Whether every edge has two facets, one each way round.
pub(crate) fn sound(net: &Net) -> bool {
    let mut edges: HashSet<(u32, u32)> = HashSet::with_capacity(net.facets.len() * 3);
    for f in &net.facets {
        for k in 0..3 {
            if !edges.insert((f[k], f[(k + 1) % 3])) {
                return false;
            }
        }
    }
    edges.iter().all(|&(a, b)| edges.contains(&(b, a)))
}

//! How deep a place lies in the tissue: distance to the seated body or to free air, on a grid.
//!
//! In the frame of the base plane (z out of the ear, 0 in the plane). Grid points next to the
//! surface get the exact nearest surface point; it is then handed on from neighbour to neighbour
//! in eight sweeps. Inside the body the distance is negative, so it runs straight through zero and
//! a look-up between grid points is good to about a hundredth of a millimetre.

use nalgebra::{Isometry3, Vector3};
use rayon::prelude::*;

use crate::mesh::{Point, nearest_on_triangle};

use super::body::Body;
use super::raster::{Grid, Scratch, fill};
use super::slices::{Flat, Slices};

/// Room left around the seated body, mm. A body that turns swings out sideways; beyond the grid the
/// depth is that of its edge plus the way there.
const MARGIN_MM: f64 = 3.0;

/// Depth in the tissue around a seated body.
pub(super) struct Tissue {
    grid: Grid,
    /// Height of the uppermost layer, and the step down to the next.
    top: f64,
    step: f64,
    layers: usize,
    /// Signed distance to the body, layer by layer from the top.
    solid: Vec<f64>,
    /// From the input's pose into the frame of the base plane.
    pub into: Isometry3<f64>,
}

impl Tissue {
    /// `None` where nothing is seated.
    pub fn new(body: &Body, cell_mm: f64) -> Option<Self> {
        let slices = Slices::new(body, &body.base.normal, cell_mm)?;
        let wide = Flat::repeat(MARGIN_MM);
        let grid = Grid::over([slices.bounds[0] - wide, slices.bounds[1] + wide], cell_mm);
        let step = slices.heights[0] - slices.heights[1];
        let below = (MARGIN_MM / step).ceil() as usize;
        let seated = slices.heights.len();
        let mut out = Self {
            grid,
            top: slices.heights[0],
            step,
            layers: seated + below,
            solid: Vec::new(),
            into: slices.frame(),
        };
        let (mut near, inside) = out.next_to_surface(&slices);
        out.hand_on(&mut near);
        out.solid = (0..near.len())
            .map(|at| {
                let d = (near[at] - out.node(at)).norm();
                if inside[at] { -d } else { d }
            })
            .collect();
        Some(out)
    }

    fn height(&self, k: usize) -> f64 {
        self.top - k as f64 * self.step
    }

    fn node(&self, at: usize) -> Vector3<f64> {
        let (k, rest) = (at / self.grid.len(), at % self.grid.len());
        let p = self.grid.point(rest % self.grid.nx, rest / self.grid.nx);
        Vector3::new(p.x, p.y, self.height(k))
    }

    /// Exact nearest surface points for grid points within a cell of the surface, far ones for the
    /// rest; and which grid points are inside.
    fn next_to_surface(&self, slices: &Slices) -> (Vec<Vector3<f64>>, Vec<bool>) {
        let far = Vector3::repeat(1e6);
        let per_layer: Vec<(Vec<Vector3<f64>>, Vec<bool>)> = (0..self.layers)
            .into_par_iter()
            .map_init(Scratch::default, |scratch, k| {
                let mut near = vec![far; self.grid.len()];
                let mut best = vec![f64::INFINITY; self.grid.len()];
                let height = self.height(k);
                for f in slices.near_layer(k) {
                    self.scatter(slices, f, height, &mut near, &mut best);
                }
                let mut inside = vec![false; self.grid.len()];
                if k < slices.heights.len() {
                    let mut outline = Vec::new();
                    slices.outline(k, slices.heights[k], &mut outline);
                    fill(slices, &self.grid, &outline, scratch);
                    inside.copy_from_slice(scratch.inside());
                }
                (near, inside)
            })
            .collect();
        let (near, inside): (Vec<_>, Vec<_>) = per_layer.into_iter().unzip();
        (near.concat(), inside.concat())
    }

    fn scatter(
        &self,
        slices: &Slices,
        facet: u32,
        height: f64,
        near: &mut [Vector3<f64>],
        best: &mut [f64],
    ) {
        let [a, b, c] = slices.corners(facet).map(Point::from);
        let (low, high) = (a.inf(&b).inf(&c), a.sup(&b).sup(&c));
        if height < low.z - self.step || height > high.z + self.step {
            return;
        }
        for j in self.grid.span(1, low.y, high.y) {
            for i in self.grid.span(0, low.x, high.x) {
                let p = self.grid.point(i, j);
                let p = Point::new(p.x, p.y, height);
                let n = nearest_on_triangle(&p, &a, &b, &c);
                let sq = (n - p).norm_squared();
                let at = j * self.grid.nx + i;
                if sq < best[at] {
                    (best[at], near[at]) = (sq, n.coords);
                }
            }
        }
    }

    /// Eight sweeps, one for each way of running through the grid (vector distance transform after
    /// Danielsson 1980, Computer Graphics and Image Processing 14).
    fn hand_on(&self, near: &mut [Vector3<f64>]) {
        let (nx, ny, nz) = (self.grid.nx, self.grid.ny, self.layers);
        let plane = nx * ny;
        for way in 0..8 {
            let turn = |k: usize, count: usize, bit: usize| {
                if way & bit == 0 { k } else { count - 1 - k }
            };
            for k in 0..nz {
                let z = turn(k, nz, 1);
                for j in 0..ny {
                    let y = turn(j, ny, 2);
                    for i in 0..nx {
                        let x = turn(i, nx, 4);
                        let at = z * plane + y * nx + x;
                        let here = self.node(at);
                        let mut best = (near[at] - here).norm_squared();
                        let back =
                            |d: usize, bit: usize| if way & bit == 0 { at - d } else { at + d };
                        let from = [
                            (i > 0).then(|| back(1, 4)),
                            (j > 0).then(|| back(nx, 2)),
                            (k > 0).then(|| back(plane, 1)),
                        ];
                        for other in from.into_iter().flatten() {
                            let sq = (near[other] - here).norm_squared();
                            if sq < best {
                                best = sq;
                                near[at] = near[other];
                            }
                        }
                    }
                }
            }
        }
    }

    /// Depth at a place in the frame of the base plane, mm: positive in the tissue, 0 or less in
    /// the body and in free air.
    pub fn depth(&self, p: &Vector3<f64>) -> f64 {
        if p.z >= 0.0 {
            return -p.z;
        }
        let (cell, t, beyond) = self.place(p);
        (self.mix(&self.corners(cell), &t) + beyond).min(-p.z)
    }

    /// The depth and which way it grows fastest (unit, or shorter near ridges).
    pub fn depth_and_slope(&self, p: &Vector3<f64>) -> (f64, Vector3<f64>) {
        let down = -Vector3::z();
        if p.z >= 0.0 {
            return (-p.z, down);
        }
        let (cell, t, beyond) = self.place(p);
        let v = self.corners(cell);
        let d = self.mix(&v, &t) + beyond;
        if d >= -p.z {
            return (-p.z, down);
        }
        if beyond > 0.0 {
            let first = self.grid.first;
            let last = self.grid.point(self.grid.nx - 1, self.grid.ny - 1);
            let inner = Vector3::new(
                p.x.clamp(first.x, last.x),
                p.y.clamp(first.y, last.y),
                p.z.clamp(self.height(self.layers - 1), self.top),
            );
            return (d, (p - inner) / beyond);
        }
        let along = |bit: usize| {
            (0..8)
                .filter(|k| k & bit == 0)
                .map(|k| {
                    let weight = |b: usize, t: f64| {
                        if b == bit {
                            1.0
                        } else if k & b == 0 {
                            1.0 - t
                        } else {
                            t
                        }
                    };
                    (v[k + bit] - v[k]) * weight(1, t.x) * weight(2, t.y) * weight(4, t.z)
                })
                .sum::<f64>()
        };
        let cell = self.grid.cell;
        let slope = Vector3::new(along(1) / cell, along(2) / cell, -along(4) / self.step);
        (d, slope)
    }

    /// Cell, place in it (0 to 1, z downward), and how far the place lies outside the grid.
    fn place(&self, p: &Vector3<f64>) -> (usize, Vector3<f64>, f64) {
        let raw = Vector3::new(
            (p.x - self.grid.first.x) / self.grid.cell,
            (p.y - self.grid.first.y) / self.grid.cell,
            (self.top - p.z) / self.step,
        );
        let most = [self.grid.nx, self.grid.ny, self.layers].map(|n| n as f64 - 1.000_001);
        let held = Vector3::from_fn(|k, _| raw[k].clamp(0.0, most[k]));
        let size = Vector3::new(self.grid.cell, self.grid.cell, self.step);
        let mut off = (raw - held).component_mul(&size);
        // above the top layer there is only the sliver up to the base plane
        off.z = off.z.max(0.0);
        let cell = held.map(|v| v as usize);
        let at = (cell.z * self.grid.ny + cell.y) * self.grid.nx + cell.x;
        let beyond = if off.norm_squared() > 1e-8 {
            off.norm()
        } else {
            0.0
        };
        (at, held.map(f64::fract), beyond)
    }

    fn corners(&self, at: usize) -> [f64; 8] {
        let (nx, plane) = (self.grid.nx, self.grid.len());
        std::array::from_fn(|k| self.solid[at + (k & 1) + (k >> 1 & 1) * nx + (k >> 2) * plane])
    }

    fn mix(&self, v: &[f64; 8], t: &Vector3<f64>) -> f64 {
        let x: [f64; 4] = std::array::from_fn(|k| v[2 * k] + (v[2 * k + 1] - v[2 * k]) * t.x);
        let y: [f64; 2] = std::array::from_fn(|k| x[2 * k] + (x[2 * k + 1] - x[2 * k]) * t.y);
        y[0] + (y[1] - y[0]) * t.z
    }
}

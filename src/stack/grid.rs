//! Depth below the wall, kept on a grid: exact signed distance at every node, positive inside.
//! The search reads it by trilinear interpolation; the bounds read its nodes, which are exact, and
//! stretch them by the fact that depth changes by no more than the way one goes.

use rayon::prelude::*;

use super::cavity::{Cavity, Faceplate};
use crate::field::Tree;
use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};

/// Node spacing, mm. Finer: 0.25 costs 2.7 times the distance queries and found no more planted
/// cases; coarser: at 0.5 trilinear depth is off by over 0.05 mm in a 2 mm hollow.
const STEP_MM: f64 = 0.35;
/// Above this many nodes the step grows instead: only a cavity many times an ear's gets there.
const MOST_NODES: f64 = 1.5e6;
/// Room beyond the cavity's box, mm, so that a part that sticks out still feels which way is in.
const PAD_MM: f64 = 1.0;
/// Nodes so many steps outside, along each axis, are measured still; beyond, the way over the grid stands
/// for the distance. Most of the box round an ear's cavity is beyond, and took most of the time.
const NEAR_STEPS: usize = 3;
/// How far the depth of a node that was measured may be from the truth, mm: rounding to single precision, and the sign
/// of a node that lies within the columns' sideways nudge of the surface.
pub const NODE_ERROR_MM: f64 = 5e-5;
/// Sideways nudge of the columns that tell inside from outside, mm, so that none runs along an
/// edge of an axis-parallel mesh.
const NUDGE_MM: [f64; 2] = [1.37e-5, 1.91e-5];

/// Signed depth on a grid.
#[derive(Debug, Clone)]
pub struct Depth {
    origin: Point,
    step_mm: f64,
    counts: [usize; 3],
    values: Vec<f32>,
}

impl Depth {
    /// Measures the depth below the whole surface of a cavity.
    #[must_use]
    pub fn new(cavity: &Cavity) -> Self {
        let queries = MeshQueries::new(cavity.mesh());
        let mut grid = Self::empty(cavity.mesh());
        let inside = grid.signs(&queries);
        let near = grid.near(&inside);
        grid.fill_distance(&tree_of(cavity.mesh()), &near);
        grid.fill_beyond(&inside, &near);
        grid
    }

    /// Measures the depth below all walls but the faceplate, for parts that stand on it. Beyond
    /// the plane the field is its own mirror image, so that it stays even across it.
    #[must_use]
    pub fn beside(cavity: &Cavity, plate: &Faceplate, whole: &Self) -> Self {
        let mesh = cavity.mesh();
        let walls = (0..mesh.facets().len())
            .filter(|&f| !plate.carries(&mesh.corners(f)))
            .map(|f| mesh.facets()[f])
            .collect();
        let mut grid = whole.clone();
        let Ok(walls) = Mesh::new(mesh.points().to_vec(), walls) else {
            return grid;
        };
        let (all, walls) = (MeshQueries::new(mesh), tree_of(&walls));
        let nx = grid.counts[0];
        grid.values
            .par_chunks_mut(nx)
            .enumerate()
            .for_each(|(row, values)| {
                let mut guess = None;
                for (i, value) in values.iter_mut().enumerate() {
                    let mut p = whole.node_at(row * nx + i);
                    let over = plate.height(&p) + 1e-4;
                    let mut read = f64::from(*value);
                    if over > 0.0 {
                        p -= plate.outward * (2.0 * over);
                        read = whole.depth(&p);
                    }
                    if read < -PAD_MM {
                        *value = read as f32;
                        continue;
                    }
                    let hit = walls.nearest(&p, guess, f64::INFINITY, 0.0);
                    guess = hit.map(|h| h.slot);
                    let d = hit.map_or(1e3, |h| h.sq.sqrt());
                    // Below the plane the sign is known; over it, where the mirrored place is near a wall,
                    // counted.
                    let in_it = if over > 0.0 && read < 0.5 {
                        inside(&all, &p)
                    } else {
                        read > 0.0
                    };
                    *value = (if in_it { d } else { -d }) as f32;
                }
            });
        grid
    }

    fn empty(mesh: &Mesh) -> Self {
        let (lo, hi) = mesh.bounds().unwrap_or((Point::origin(), Point::origin()));
        let size = (hi - lo).add_scalar(2.0 * PAD_MM);
        let step_mm = STEP_MM.max((size.product() / MOST_NODES).cbrt());
        let counts = [0, 1, 2].map(|k| (size[k] / step_mm).ceil() as usize + 1);
        Self {
            origin: lo - Vector::repeat(PAD_MM),
            step_mm,
            counts,
            values: vec![0.0; counts.iter().product()],
        }
    }

    /// Exact distances of the nodes that are `near`: each is looked for from what was nearest to the one
    /// before it.
    fn fill_distance(&mut self, tree: &Tree, near: &[bool]) {
        let [nx, ny, _] = self.counts;
        let (origin, step) = (self.origin, self.step_mm);
        self.values
            .par_chunks_mut(nx)
            .enumerate()
            .for_each(|(row, values)| {
                let (j, k) = (row % ny, row / ny);
                let mut guess = None;
                for (i, value) in values.iter_mut().enumerate() {
                    if near[row * nx + i] {
                        let p = origin + Vector::new(i as f64, j as f64, k as f64) * step;
                        let hit = tree.nearest(&p, guess, f64::INFINITY, 0.0);
                        guess = hit.map(|h| h.slot);
                        *value = hit.map_or(f64::INFINITY, |h| h.sq.sqrt()) as f32;
                    }
                }
            });
    }

    /// Which nodes lie inside: counts how often a straight column along z goes in and out below each.
    fn signs(&self, queries: &MeshQueries) -> Vec<bool> {
        let [nx, ny, nz] = self.counts;
        let columns: Vec<Vec<bool>> = (0..nx * ny)
            .into_par_iter()
            .map(|c| {
                let mut foot = self.node([c % nx, c / nx, 0]);
                foot.x += NUDGE_MM[0];
                foot.y += NUDGE_MM[1];
                let hits = queries.ray_hits(&foot, &Vector::z());
                let (mut turns, mut next) = (0_i64, 0);
                (0..nz)
                    .map(|k| {
                        let height = k as f64 * self.step_mm;
                        while next < hits.len() && hits[next].at <= height {
                            turns += if hits[next].leaving { -1 } else { 1 };
                            next += 1;
                        }
                        turns > 0
                    })
                    .collect()
            })
            .collect();
        let mut out = vec![false; self.values.len()];
        for (c, column) in columns.iter().enumerate() {
            for (k, &inside) in column.iter().enumerate() {
                out[k * nx * ny + c] = inside;
            }
        }
        out
    }

    /// The nodes inside and those within [`NEAR_STEPS`] of them along each axis.
    fn near(&self, inside: &[bool]) -> Vec<bool> {
        let mut near = inside.to_vec();
        let strides = [1, self.counts[0], self.counts[0] * self.counts[1]];
        for (stride, count) in strides.into_iter().zip(self.counts) {
            let before = near.clone();
            for (i, value) in near.iter_mut().enumerate() {
                let at = i / stride % count;
                let from = at.saturating_sub(NEAR_STEPS);
                let to = (at + NEAR_STEPS).min(count - 1);
                *value = (from..=to).any(|k| before[i + k * stride - at * stride]);
            }
        }
        near
    }

    /// Signs, and for nodes far outside the way over the grid to the nearest that was measured: they only
    /// tell a part that sticks out which way is in.
    fn fill_beyond(&mut self, inside: &[bool], near: &[bool]) {
        for (i, value) in self.values.iter_mut().enumerate() {
            if !near[i] {
                *value = f32::MIN;
            } else if !inside[i] {
                *value = -*value;
            }
        }
        let strides = [1, self.counts[0], self.counts[0] * self.counts[1]];
        let step = self.step_mm as f32;
        for (stride, count) in strides.into_iter().zip(self.counts) {
            let n = self.values.len();
            let mut follow = |i: usize, from: usize| {
                if !near[i] {
                    self.values[i] = self.values[i].max(self.values[from] - step);
                }
            };
            for i in 0..n {
                if i / stride % count > 0 {
                    follow(i, i - stride);
                }
            }
            for i in (0..n).rev() {
                if i / stride % count + 1 < count {
                    follow(i, i + stride);
                }
            }
        }
    }

    /// Node spacing, mm.
    #[must_use]
    pub fn step_mm(&self) -> f64 {
        self.step_mm
    }

    /// Nodes along x, y, z.
    #[must_use]
    pub fn counts(&self) -> [usize; 3] {
        self.counts
    }

    /// Depths of all nodes, x fastest, mm.
    #[must_use]
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// Place of a node.
    #[must_use]
    pub fn node(&self, at: [usize; 3]) -> Point {
        self.origin + Vector::new(at[0] as f64, at[1] as f64, at[2] as f64) * self.step_mm
    }

    /// Place of a node by its index in [`Depth::values`].
    #[must_use]
    pub fn node_at(&self, i: usize) -> Point {
        let [nx, ny, _] = self.counts;
        self.node([i % nx, i / nx % ny, i / (nx * ny)])
    }

    /// Indices of the eight nodes round a place; of the nearest cell where it is beyond the grid.
    #[must_use]
    pub fn cell_nodes(&self, p: &Point) -> [usize; 8] {
        let at = [0, 1, 2].map(|k| {
            let x = (p[k] - self.origin[k]) / self.step_mm;
            x.clamp(0.0, (self.counts[k] - 1) as f64 - 1e-9) as usize
        });
        let [nx, ny, _] = self.counts;
        std::array::from_fn(|i| {
            ((at[2] + (i >> 2)) * ny + at[1] + (i >> 1 & 1)) * nx + at[0] + (i & 1)
        })
    }

    /// Index of the node nearest to a place.
    #[must_use]
    pub fn nearest_node(&self, p: &Point) -> usize {
        let far = |i: usize| (self.node_at(i) - p).norm_squared();
        let nodes = self.cell_nodes(p);
        let nearest = nodes.iter().min_by(|a, b| far(**a).total_cmp(&far(**b)));
        nearest.copied().unwrap_or(nodes[0])
    }

    /// Largest distance of any point of the grid's box from its nearest node, mm.
    #[must_use]
    pub fn half_diagonal_mm(&self) -> f64 {
        self.step_mm * 3.0_f64.sqrt() / 2.0
    }

    /// Interpolated depth at a point, mm; beyond the grid, less by the way to it.
    #[inline]
    #[must_use]
    pub fn depth(&self, p: &Point) -> f64 {
        let cell = self.cell(p);
        let [c000, c100, c010, c110, c001, c101, c011, c111] = cell.corners;
        let [tx, ty, tz] = cell.share;
        let low = lerp(lerp(c000, c100, tx), lerp(c010, c110, tx), ty);
        let high = lerp(lerp(c001, c101, tx), lerp(c011, c111, tx), ty);
        lerp(low, high, tz) - cell.away()
    }

    /// Interpolated depth and its gradient.
    #[inline]
    #[must_use]
    pub fn depth_and_slope(&self, p: &Point) -> (f64, Vector) {
        let (depth, slope) = self.depth_and_slope_below(p, f64::INFINITY);
        (depth, slope.unwrap_or_else(Vector::zeros))
    }

    /// Interpolated depth, and its gradient where the depth is less than `below`.
    #[inline]
    #[must_use]
    pub fn depth_and_slope_below(&self, p: &Point, below: f64) -> (f64, Option<Vector>) {
        let cell = self.cell(p);
        let c = &cell.corners;
        let [tx, ty, tz] = cell.share;
        let (x00, x10) = (lerp(c[0], c[1], tx), lerp(c[2], c[3], tx));
        let (x01, x11) = (lerp(c[4], c[5], tx), lerp(c[6], c[7], tx));
        let (low, high) = (lerp(x00, x10, ty), lerp(x01, x11, ty));
        let depth = lerp(low, high, tz);
        if cell.out.is_none() && depth >= below {
            return (depth, None);
        }
        let dx = lerp(
            lerp(c[1] - c[0], c[3] - c[2], ty),
            lerp(c[5] - c[4], c[7] - c[6], ty),
            tz,
        );
        let dy = lerp(x10 - x00, x11 - x01, tz);
        let mut slope = Vector::new(dx, dy, high - low) / self.step_mm;
        let Some(out) = cell.out else {
            return (depth, Some(slope));
        };
        for k in 0..3 {
            if out[k] != 0.0 {
                slope[k] = 0.0;
            }
        }
        let away = out.norm();
        let depth = depth - away;
        (depth, (depth < below).then(|| slope - out / away))
    }

    #[inline]
    fn cell(&self, p: &Point) -> Cell {
        let mut at = [0_usize; 3];
        let mut share = [0.0; 3];
        let mut out = None;
        for k in 0..3 {
            let x = (p[k] - self.origin[k]) / self.step_mm;
            let last = (self.counts[k] - 1) as f64 - 1e-9;
            let clamped = x.clamp(0.0, last);
            if clamped != x {
                out.get_or_insert_with(Vector::zeros)[k] = (x - clamped) * self.step_mm;
            }
            at[k] = clamped as usize;
            share[k] = clamped - at[k] as f64;
        }
        let [nx, ny, _] = self.counts;
        let base = (at[2] * ny + at[1]) * nx + at[0];
        // Two rows of two layers, each cut out once, so that bounds are looked at four times.
        let pair = |from: usize| {
            let v = &self.values[from..from + 2];
            [f64::from(v[0]), f64::from(v[1])]
        };
        let [a, b] = [pair(base), pair(base + nx)];
        let [c, d] = [pair(base + nx * ny), pair(base + nx * ny + nx)];
        Cell {
            corners: [a[0], a[1], b[0], b[1], c[0], c[1], d[0], d[1]],
            share,
            out,
        }
    }
}

/// The facets of a mesh, to be asked node by node.
fn tree_of(mesh: &Mesh) -> Tree {
    Tree::new(mesh.points(), mesh.facets(), &Topology::new(mesh).links)
}

/// Depths at a cell's corners, where in it a point lies, and how far beyond the grid.
struct Cell {
    corners: [f64; 8],
    share: [f64; 3],
    out: Option<Vector>,
}

impl Cell {
    #[inline]
    fn away(&self) -> f64 {
        self.out.map_or(0.0, |v| v.norm())
    }
}

#[inline]
fn lerp(a: f64, b: f64, t: f64) -> f64 {
    a + (b - a) * t
}

/// Exact signed depth at a point, mm.
#[must_use]
pub fn exact_depth(queries: &MeshQueries, p: &Point) -> f64 {
    let d = queries
        .nearest(p, f64::INFINITY)
        .map_or(f64::INFINITY, |n| n.distance_mm);
    if inside(queries, p) { d } else { -d }
}

/// Is the point inside? Counted along a skew ray that no modelled edge runs along.
fn inside(queries: &MeshQueries, p: &Point) -> bool {
    let skew = Vector::new(0.271_828_1, 0.314_159_2, 0.909_090_1);
    let turns: i64 = queries
        .ray_hits(p, &skew)
        .iter()
        .map(|h| if h.leaving { 1 } else { -1 })
        .sum();
    turns > 0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::shapes::{block, sphere};

    #[test]
    fn depth_in_a_ball_and_a_block() {
        let ball = Depth::new(&Cavity::new(sphere(5.0, 64)).unwrap());
        for p in [
            Point::new(0.3, 1.0, 2.0),
            Point::new(-4.0, 2.9, 0.4),
            Point::new(0.0, 5.5, 0.0),
        ] {
            let (d, slope) = ball.depth_and_slope(&p);
            assert!((d - (5.0 - p.coords.norm())).abs() < 0.02, "{d}");
            assert!((slope + p.coords.normalize()).norm() < 0.12);
        }
        let room = Cavity::new(block(10.0, 8.0, 6.0)).unwrap();
        let grid = Depth::new(&room);
        let queries = MeshQueries::new(room.mesh());
        for i in (0..grid.values().len()).step_by(97) {
            let exact = exact_depth(&queries, &grid.node_at(i));
            let off = (f64::from(grid.values()[i]) - exact).abs();
            // Nodes further out than three steps are only told roughly.
            assert!(
                off < NODE_ERROR_MM || (exact < -0.9 && off < 1.0),
                "{off} {exact}"
            );
        }
    }

    #[test]
    fn beside_the_faceplate_only_walls_count() {
        let plate = Faceplate {
            point: Point::new(0.0, 0.0, 3.0),
            outward: Vector::z(),
        };
        let room = Cavity::new(block(10.0, 8.0, 6.0))
            .unwrap()
            .with_faceplate(plate);
        let grid = Depth::beside(&room, &plate, &Depth::new(&room));
        let at = |x, y, z| grid.depth(&Point::new(x, y, z));
        assert!(
            (at(0.0, 1.0, 2.99) - 3.0).abs() < 0.02,
            "{}",
            at(0.0, 1.0, 2.99)
        );
        assert!((at(0.0, 3.0, 2.5) - 1.0).abs() < 0.02);
        assert!(at(5.4, 0.0, 2.0) < -0.3);
    }

    #[test]
    fn slope_is_the_derivative() {
        let ball = Depth::new(&Cavity::new(sphere(5.0, 24)).unwrap());
        let mut rng = crate::stack::search::rng::Rng::new(5);
        for _ in 0..200 {
            let p = Point::origin() + rng.direction() * rng.within(0.0, 9.0);
            let (_, slope) = ball.depth_and_slope(&p);
            for k in 0..3 {
                let mut e = Vector::zeros();
                e[k] = 1e-6;
                let twin = (ball.depth(&(p + e)) - ball.depth(&(p - e))) / 2e-6;
                assert!((twin - slope[k]).abs() < 1e-3, "{twin} {}", slope[k]);
            }
        }
    }
}

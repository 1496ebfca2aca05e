//! Where a level set may pass: cubes are halved until only cells beside the surface are left,
//! and the field is asked at their corners alone.
//!
//! A field that never rises faster than its slope leaves a cube untouched when its value at the
//! middle exceeds slope × half diagonal. Where a field breaks that promise (a sign that jumps at
//! an opening), neighbours of crossed faces are added until the surface closes.

use rayon::prelude::*;

use super::super::{Implicit, Sample};
use super::ContourError;
use crate::mesh::{Point, Vector};

pub(super) type Key = [u32; 3];
const NONE: u32 = u32::MAX;
const BLOCK: u32 = 8;
/// Corners asked at most: at about 90 bytes each this keeps a slip of the unit (a cell of 0.2 µm)
/// from eating the machine. An ear at 0.2 mm asks 0.2 to 0.5 million.
const MAX_CORNERS: usize = 60_000_000;
/// Cells along the side of the cubes the search starts from.
const COARSE: u32 = 64;

/// A number for each of some grid places, kept in blocks of 8³.
pub(super) struct Table {
    blocks: [u32; 3],
    first: Vec<u32>,
    ids: Vec<[u32; 512]>,
}

impl Table {
    fn new(dims: Key) -> Self {
        let blocks = dims.map(|d| d.div_ceil(BLOCK));
        Self {
            blocks,
            first: vec![NONE; blocks.iter().map(|&b| b as usize).product()],
            ids: Vec::new(),
        }
    }

    fn place(&self, k: Key) -> (usize, usize) {
        let b = k.map(|c| (c / BLOCK) as usize);
        let i = k.map(|c| (c % BLOCK) as usize);
        let [_, ny, nz] = self.blocks.map(|n| n as usize);
        ((b[0] * ny + b[1]) * nz + b[2], (i[0] * 8 + i[1]) * 8 + i[2])
    }

    pub fn get(&self, k: Key) -> Option<usize> {
        let (block, inner) = self.place(k);
        let block = self.first[block];
        let id = if block == NONE {
            NONE
        } else {
            self.ids[block as usize][inner]
        };
        (id != NONE).then_some(id as usize)
    }

    fn set(&mut self, k: Key, id: u32) {
        let (block, inner) = self.place(k);
        if self.first[block] == NONE {
            self.first[block] = self.ids.len() as u32;
            self.ids.push([NONE; 512]);
        }
        self.ids[self.first[block] as usize][inner] = id;
    }
}

/// A cell that the surface passes through.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    pub key: Key,
    /// Sample numbers of its corners; corner bit 0, 1, 2 = far along x, y, z.
    pub corners: [u32; 8],
    /// Bit c set where corner c is inside.
    pub mask: u8,
}

pub(super) struct Grid {
    pub cell_mm: f64,
    origin: Point,
    dims: Key,
    corner_ids: Table,
    pub samples: Vec<Sample>,
    cell_ids: Table,
    pub cells: Vec<Cell>,
}

impl Grid {
    /// Finds every cell of side `cell_mm` that the zero level of `f` crosses.
    pub fn new<F: Implicit + ?Sized>(f: &F, cell_mm: f64) -> Result<Self, ContourError> {
        let (lo, hi) = f.bounds();
        let size = (hi - lo) / cell_mm;
        let most = size.amax();
        if !(cell_mm > 0.0 && most.is_finite() && most < 1e6) {
            return Err(ContourError::TooFine { cell_mm });
        }
        // The odd shift keeps faces along the axes from lying exactly in grid planes.
        let shift = Vector::new(2.382, 2.618, 2.177) * cell_mm;
        let dims = [0, 1, 2].map(|k| size[k].ceil() as u32 + 5);
        let mut grid = Self {
            cell_mm,
            origin: lo - shift,
            dims,
            corner_ids: Table::new(dims.map(|d| d + 2)),
            samples: Vec::new(),
            cell_ids: Table::new(dims.map(|d| d + 2)),
            cells: Vec::new(),
        };
        let cubes = grid.cubes_near_surface(f)?;
        grid.ask_corners(f, &cubes, 2)?;
        let cells: Vec<Key> = cubes
            .iter()
            .flat_map(|&(k, _)| (0..8).map(move |c| step(k, c, 1)))
            .filter(|k| (0..3).all(|a| k[a] < dims[a]))
            .collect();
        grid.take_crossed(&cells);
        grid.close(f)?;
        Ok(grid)
    }

    pub fn cell_at(&self, key: Key) -> Option<usize> {
        self.cell_ids.get(key)
    }

    pub fn point(&self, k: Key) -> Point {
        self.origin + Vector::new(f64::from(k[0]), f64::from(k[1]), f64::from(k[2])) * self.cell_mm
    }

    fn cubes_near_surface<F: Implicit + ?Sized>(
        &self,
        f: &F,
    ) -> Result<Vec<(Key, Sample)>, ContourError> {
        let mut size = COARSE;
        let n = self.dims.map(|d| d.div_ceil(size));
        let mut cubes: Vec<(Key, Option<Sample>)> = Vec::new();
        for x in 0..n[0] {
            for y in 0..n[1] {
                cubes.extend((0..n[2]).map(|z| ([x * size, y * size, z * size], None)));
            }
        }
        loop {
            let half_mm = f64::from(size) / 2.0 * self.cell_mm;
            let far = f.slope() * half_mm * 3.0_f64.sqrt() * (1.0 + 1e-9);
            let kept: Vec<(Key, Sample)> = cubes
                .par_iter()
                .with_min_len(64)
                .filter_map(|(k, near)| {
                    let s = f.sample(&(self.point(*k) + Vector::repeat(half_mm)), near.as_ref());
                    (s.value_mm.abs() <= far).then_some((*k, s))
                })
                .collect();
            if size == 2 {
                return Ok(kept);
            }
            if kept.len() > MAX_CORNERS / 8 {
                return Err(ContourError::TooFine {
                    cell_mm: self.cell_mm,
                });
            }
            size /= 2;
            cubes = kept
                .iter()
                .flat_map(|&(k, s)| (0..8).map(move |c| (step(k, c, size), Some(s))))
                .filter(|(k, _)| (0..3).all(|a| k[a] < self.dims[a]))
                .collect();
        }
    }

    /// Asks the field at every corner of the cells in cubes of `size` cells, once each.
    fn ask_corners<F: Implicit + ?Sized>(
        &mut self,
        f: &F,
        cubes: &[(Key, Sample)],
        size: u32,
    ) -> Result<(), ContourError> {
        let mut wanted: Vec<(Point, usize)> = Vec::new();
        for (n, (k, _)) in cubes.iter().enumerate() {
            for x in 0..=size {
                for y in 0..=size {
                    for z in 0..=size {
                        let c = [k[0] + x, k[1] + y, k[2] + z];
                        let outside = (0..3).any(|a| c[a] > self.dims[a]);
                        if outside || self.corner_ids.get(c).is_some() {
                            continue;
                        }
                        let id = self.samples.len() + wanted.len();
                        self.corner_ids.set(c, id as u32);
                        wanted.push((self.point(c), n));
                    }
                }
            }
            if self.samples.len() + wanted.len() > MAX_CORNERS {
                return Err(ContourError::TooFine {
                    cell_mm: self.cell_mm,
                });
            }
        }
        self.samples.par_extend(
            wanted
                .par_iter()
                .with_min_len(64)
                .map(|(p, n)| f.sample(p, Some(&cubes[*n].1))),
        );
        Ok(())
    }

    /// Keeps the crossed ones among cells whose corners were asked.
    fn take_crossed(&mut self, keys: &[Key]) {
        for &key in keys {
            let ids: [Option<usize>; 8] =
                std::array::from_fn(|c| self.corner_ids.get(step(key, c as u32, 1)));
            let corners = ids.map(|id| id.map_or(NONE, |id| id as u32));
            if corners.contains(&NONE) || self.cell_ids.get(key).is_some() {
                continue;
            }
            let mask = (0..8).fold(0_u8, |m, c| {
                m | u8::from(self.samples[corners[c] as usize].value_mm < 0.0) << c
            });
            if mask != 0 && mask != 255 {
                self.cell_ids.set(key, self.cells.len() as u32);
                self.cells.push(Cell { key, corners, mask });
            }
        }
    }

    /// Adds the neighbour across every crossed face until none is missing.
    fn close<F: Implicit + ?Sized>(&mut self, f: &F) -> Result<(), ContourError> {
        let mut from = 0;
        while from < self.cells.len() {
            let mut missing: Vec<(Key, Sample)> = Vec::new();
            for cell in &self.cells[from..] {
                for axis in 0..3 {
                    for side in 0..2_u32 {
                        if face_mask(cell.mask, axis, side) {
                            let mut k = cell.key;
                            if side == 0 && k[axis] == 0 || k[axis] + 1 > self.dims[axis] {
                                return Err(ContourError::LeavesBounds);
                            }
                            k[axis] = k[axis] + 2 * side - 1;
                            if self.cell_ids.get(k).is_none() {
                                missing.push((k, self.samples[cell.corners[0] as usize]));
                            }
                        }
                    }
                }
            }
            from = self.cells.len();
            if missing
                .iter()
                .any(|(k, _)| (0..3).any(|a| k[a] >= self.dims[a]))
            {
                return Err(ContourError::LeavesBounds);
            }
            self.ask_corners(f, &missing, 1)?;
            let keys: Vec<Key> = missing.iter().map(|(k, _)| *k).collect();
            self.take_crossed(&keys);
        }
        Ok(())
    }
}

/// Whether corners on one face of a cell lie on both sides.
fn face_mask(mask: u8, axis: usize, side: u32) -> bool {
    let inside = (0..8_u32)
        .filter(|c| (c >> axis) & 1 == side && mask >> c & 1 == 1)
        .count();
    inside != 0 && inside != 4
}

/// Corner `c` of the cube at `k` with this side.
pub(super) fn step(k: Key, c: u32, by: u32) -> Key {
    [
        k[0] + (c & 1) * by,
        k[1] + (c >> 1 & 1) * by,
        k[2] + (c >> 2 & 1) * by,
    ]
}

//! A field kept on a grid where it is wanted, in blocks of 8³ cells: for those who ask millions of
//! times and can bear a stated error.

use std::ops::RangeInclusive;

use rayon::prelude::*;

use super::{ContourError, Implicit, Sample};
use crate::mesh::{Point, Vector};
use crate::units::Mm;

const SIDE: usize = 8;
const CORNERS: usize = SIDE + 1;
/// Blocks kept at most (6 KB each): 2.4 GB. A slip of the unit must not eat the machine; an ear
/// filled at 0.1 mm takes 60 thousand.
const MAX_BLOCKS: usize = 400_000;

/// Values of a field on a grid, interpolated in between.
pub struct Band {
    origin: Point,
    cell_mm: f64,
    blocks: [usize; 3],
    /// Which block's values, or `u32::MAX`.
    index: Vec<u32>,
    /// Value at the middle of every block.
    coarse: Vec<f64>,
    values: Vec<[f64; CORNERS * CORNERS * CORNERS]>,
    slope: f64,
}

/// What a [`Band`] knows at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Interpolated value, mm.
    pub value_mm: f64,
    /// Gradient of the interpolation; zero where only a bound is known.
    pub gradient: Vector,
    /// The field itself lies within this of the value, mm: proven from its slope. Where the
    /// surface is smooth with radius R, the interpolation is off by about cell² / (3 R) only.
    pub at_most_off_mm: f64,
}

impl Band {
    /// Keeps `f` at spacing `cell` in every block of the box `lo`…`hi` where its value may lie in
    /// `wanted` (mm): `-1.0..=1.0` for a band about the surface, `f64::NEG_INFINITY..=0.5` for all
    /// of the inside.
    ///
    /// # Errors
    /// [`ContourError::TooFine`] where that takes too many blocks, or the box is not finite.
    pub fn new<F: Implicit + ?Sized>(
        f: &F,
        (lo, hi): (Point, Point),
        cell: Mm,
        wanted: RangeInclusive<f64>,
    ) -> Result<Self, ContourError> {
        let cell_mm = cell.0;
        let too_fine = ContourError::TooFine { cell_mm };
        let size = (hi - lo) / (cell_mm * SIDE as f64);
        if !(cell_mm > 0.0 && size.iter().all(|s| s.is_finite() && *s < 10_000.0)) {
            return Err(too_fine);
        }
        let blocks = [0, 1, 2].map(|k| (size[k].ceil() as usize).max(1));
        let count = blocks.iter().product::<usize>();
        if count > 100 * MAX_BLOCKS {
            return Err(too_fine);
        }
        let mut out = Self {
            origin: lo,
            cell_mm,
            blocks,
            index: vec![u32::MAX; count],
            coarse: Vec::new(),
            values: Vec::new(),
            slope: f.slope(),
        };
        let middles = out.block_middles(f);
        let reach = out.slope * out.block_reach();
        let kept: Vec<usize> = (0..count)
            .filter(|&b| {
                let v = middles[b].value_mm;
                v - reach <= *wanted.end() && v + reach >= *wanted.start()
            })
            .collect();
        if kept.len() > MAX_BLOCKS {
            return Err(too_fine);
        }
        for (n, &b) in kept.iter().enumerate() {
            out.index[b] = n as u32;
        }
        out.values = kept
            .par_iter()
            .map(|&b| out.fill(f, b, &middles[b]))
            .collect();
        out.coarse = middles.into_iter().map(|s| s.value_mm).collect();
        Ok(out)
    }

    /// Spacing of the grid.
    #[must_use]
    pub fn cell(&self) -> Mm {
        Mm(self.cell_mm)
    }

    /// The box that is covered.
    #[must_use]
    pub fn bounds(&self) -> (Point, Point) {
        let size = Vector::from_fn(|k, _| (self.blocks[k] * SIDE) as f64 * self.cell_mm);
        (self.origin, self.origin + size)
    }

    /// The field at `p`: interpolated where it is kept, a bound from the block's middle elsewhere,
    /// `None` outside the box.
    #[must_use]
    pub fn at(&self, p: &Point) -> Option<Reading> {
        let q = (p - self.origin) / self.cell_mm;
        let mut cell = [0_usize; 3];
        for k in 0..3 {
            let most = self.blocks[k] * SIDE;
            if !(q[k] >= 0.0 && q[k] <= most as f64) {
                return None;
            }
            cell[k] = (q[k] as usize).min(most - 1);
        }
        let block = cell.map(|c| c / SIDE);
        let b = (block[0] * self.blocks[1] + block[1]) * self.blocks[2] + block[2];
        let n = self.index[b];
        if n == u32::MAX {
            let away = (p - self.middle(b)).norm();
            return Some(Reading {
                value_mm: self.coarse[b],
                gradient: Vector::zeros(),
                at_most_off_mm: self.slope * away,
            });
        }
        let t = Vector::from_fn(|k, _| q[k] - cell[k] as f64);
        let (value_mm, gradient) = trilinear(&self.values[n as usize], cell.map(|c| c % SIDE), &t);
        Some(Reading {
            value_mm,
            gradient: gradient / self.cell_mm,
            at_most_off_mm: self.slope * self.cell_mm * 3.0_f64.sqrt() / 2.0,
        })
    }

    fn block_reach(&self) -> f64 {
        SIDE as f64 * self.cell_mm * 3.0_f64.sqrt() / 2.0
    }

    fn corner(&self, b: usize) -> Point {
        let [_, ny, nz] = self.blocks;
        let k = [b / (ny * nz), b / nz % ny, b % nz];
        self.origin + Vector::from_fn(|a, _| (k[a] * SIDE) as f64 * self.cell_mm)
    }

    fn middle(&self, b: usize) -> Point {
        self.corner(b) + Vector::repeat(SIDE as f64 * self.cell_mm / 2.0)
    }

    fn block_middles<F: Implicit + ?Sized>(&self, f: &F) -> Vec<Sample> {
        let row = self.blocks[2];
        (0..self.index.len() / row)
            .into_par_iter()
            .flat_map_iter(|r| {
                let mut near: Option<Sample> = None;
                (0..row).map(move |z| {
                    let s = f.sample(&self.middle(r * row + z), near.as_ref());
                    near = Some(s);
                    s
                })
            })
            .collect()
    }

    fn fill<F: Implicit + ?Sized>(
        &self,
        f: &F,
        b: usize,
        near: &Sample,
    ) -> [f64; CORNERS * CORNERS * CORNERS] {
        let corner = self.corner(b);
        let mut last = *near;
        let mut out = [0.0; CORNERS * CORNERS * CORNERS];
        for row in 0..CORNERS * CORNERS {
            let (x, y) = (row / CORNERS, row % CORNERS);
            for step in 0..CORNERS {
                // There and back, so that each point lies beside the last.
                let z = if row % 2 == 0 {
                    step
                } else {
                    CORNERS - 1 - step
                };
                let p = corner + Vector::new(x as f64, y as f64, z as f64) * self.cell_mm;
                last = f.sample(&p, Some(&last));
                out[row * CORNERS + z] = last.value_mm;
            }
        }
        out
    }
}

fn trilinear(
    values: &[f64; CORNERS * CORNERS * CORNERS],
    c: [usize; 3],
    t: &Vector,
) -> (f64, Vector) {
    let at = |x: usize, y: usize, z: usize| {
        values[((c[0] + x) * CORNERS + c[1] + y) * CORNERS + c[2] + z]
    };
    let mix = |a: f64, b: f64, s: f64| a + (b - a) * s;
    let along_z = |x, y| mix(at(x, y, 0), at(x, y, 1), t.z);
    let rise_z = |x, y| at(x, y, 1) - at(x, y, 0);
    let (low, high) = (
        mix(along_z(0, 0), along_z(0, 1), t.y),
        mix(along_z(1, 0), along_z(1, 1), t.y),
    );
    let rise_y = mix(
        along_z(0, 1) - along_z(0, 0),
        along_z(1, 1) - along_z(1, 0),
        t.x,
    );
    let rise_z = mix(
        mix(rise_z(0, 0), rise_z(0, 1), t.y),
        mix(rise_z(1, 0), rise_z(1, 1), t.y),
        t.x,
    );
    (mix(low, high, t.x), Vector::new(high - low, rise_y, rise_z))
}

#[cfg(test)]
mod tests {
    use super::super::test_shapes::{scattered, torus};
    use super::super::{HalfSpace, SignedDistance};
    use super::*;
    use crate::mesh::Topology;

    #[test]
    fn a_linear_field_is_kept_exactly() {
        let f =
            HalfSpace::new(Point::new(0.3, 0.1, 0.2), &Vector::new(1.0, 2.0, -0.5)).expect("ok");
        let (lo, hi) = (Point::new(-2.0, -2.0, -2.0), Point::new(2.5, 2.0, 2.0));
        let band =
            Band::new(&f, (lo, hi), Mm(0.1), f64::NEG_INFINITY..=f64::INFINITY).expect("fits");
        for p in scattered(lo, hi, 500) {
            let (r, s) = (band.at(&p).expect("in the box"), f.sample(&p, None));
            assert!((r.value_mm - s.value_mm).abs() < 1e-12);
            assert!((r.gradient - s.gradient).norm() < 1e-10);
        }
        assert_eq!(band.at(&Point::new(9.0, 0.0, 0.0)), None);
        assert_eq!(band.at(&Point::new(f64::NAN, 0.0, 0.0)), None);
    }

    #[test]
    fn a_band_holds_its_bound_and_is_far_better_near_a_smooth_surface() {
        let mesh = torus(5.0, 2.0, 48);
        let f = SignedDistance::new(&mesh, &Topology::new(&mesh));
        let (lo, hi) = (Point::new(-8.0, -8.0, -3.0), Point::new(8.0, 8.0, 3.0));
        let band = Band::new(&f, (lo, hi), Mm(0.25), -0.6..=0.6).expect("fits");
        let (mut kept, mut worst) = (0, 0.0_f64);
        for p in scattered(lo, hi, 3000) {
            let (r, s) = (band.at(&p).expect("in the box"), f.distance(&p, None));
            let off = (r.value_mm - s.value_mm).abs();
            assert!(off <= r.at_most_off_mm + 1e-12);
            if s.value_mm.abs() < 0.6 {
                assert!(r.gradient.norm() > 0.9, "a point of the band is not kept");
                kept += 1;
                worst = worst.max(off);
            }
        }
        assert!(kept > 300 && worst < 0.02, "{kept} {worst}");
    }

    #[test]
    fn threads_and_sizes_out_of_reason() {
        let mesh = torus(5.0, 2.0, 20);
        let f = SignedDistance::new(&mesh, &Topology::new(&mesh));
        let make = || {
            Band::new(&f, f.bounds(), Mm(0.5), -1.0..=1.0)
                .expect("fits")
                .values
        };
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(1)
            .build()
            .expect("pool");
        assert!(pool.install(make) == make());
        assert!(Band::new(&f, f.bounds(), Mm(1e-9), -1.0..=1.0).is_err());
        assert!(Band::new(&f, f.bounds(), Mm(f64::NAN), -1.0..=1.0).is_err());
    }
}

//! Points that are one point become one index: first those with exactly the same coordinates,
//! then those nearer than a stated tolerance. STL lists every corner of every facet, and other
//! files double points along group borders; without this no edge has two facets.
//!
//! The weld never moves a point further than the tolerance and never chains: each point joins
//! the first earlier kept point within the tolerance, so a row of close points cannot collapse.
//! A facet whose corners it joins is left out and counted: kept, its two remaining edges would
//! lie on those of its neighbours and look like a fin. Facets that the file itself gives with two
//! equal corners stay; telling of those is soundness's work.

use crate::mesh::Point;

use super::error::{Fault, Trouble};

/// Marks an empty slot; an index never reaches it (see [`PointTable::index_of`]).
const EMPTY: u32 = u32::MAX;

/// Tolerances below this (mm) mean "exactly the same only": one step of an f32 coordinate at
/// 30 mm is 1.9·10⁻⁶ mm, so nothing that comes from such a file could be welded by less.
const LEAST_MM: f64 = 1e-9;

/// Gives equal points one index, in order of first appearance.
pub(super) struct PointTable {
    points: Vec<Point>,
    slots: Vec<u32>,
    mask: usize,
}

impl PointTable {
    /// `expected` must come from bytes that are there, never from a header.
    pub fn with_room(expected: usize) -> Self {
        let slots = (expected.max(8) * 2).next_power_of_two();
        Self {
            points: Vec::with_capacity(expected),
            slots: vec![EMPTY; slots],
            mask: slots - 1,
        }
    }

    /// Index of the point; −0.0 and 0.0 are the same coordinate.
    pub fn index_of(&mut self, p: Point) -> Result<u32, Fault> {
        let p = Point::new(p.x + 0.0, p.y + 0.0, p.z + 0.0);
        let mut slot = mix(p.x.to_bits(), p.y.to_bits(), p.z.to_bits()) as usize & self.mask;
        loop {
            let index = self.slots[slot];
            if index == EMPTY {
                return self.add(p, slot);
            }
            if self.points[index as usize] == p {
                return Ok(index);
            }
            slot = (slot + 1) & self.mask;
        }
    }

    fn add(&mut self, p: Point, slot: usize) -> Result<u32, Fault> {
        let index = u32::try_from(self.points.len()).unwrap_or(EMPTY);
        if index == EMPTY {
            let fact = "more than 4,294,967,294 different points";
            return Err(Fault::new(Trouble::TooLarge, fact));
        }
        self.points.push(p);
        self.slots[slot] = index;
        // Two thirds full: above that, linear probing walks long runs.
        if self.points.len() * 3 > self.slots.len() * 2 {
            self.grow();
        }
        Ok(index)
    }

    fn grow(&mut self) {
        let size = self.slots.len() * 2;
        self.mask = size - 1;
        self.slots.clear();
        self.slots.resize(size, EMPTY);
        for (index, p) in (0u32..).zip(&self.points) {
            let mut slot = mix(p.x.to_bits(), p.y.to_bits(), p.z.to_bits()) as usize & self.mask;
            while self.slots[slot] != EMPTY {
                slot = (slot + 1) & self.mask;
            }
            self.slots[slot] = index;
        }
    }

    pub fn into_points(self) -> Vec<Point> {
        self.points
    }
}

/// Spreads three words over one; the low bits must depend on all input bits, since coordinates
/// read from f32 have 29 zero bits at the low end.
const fn mix(a: u64, b: u64, c: u64) -> u64 {
    let h = (a ^ b.rotate_left(21) ^ c.rotate_left(42)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let h = (h ^ (h >> 32) ^ b).wrapping_mul(0xd6e8_feb8_6659_fd93);
    let h = (h ^ (h >> 32) ^ c).wrapping_mul(0xca5a_8263_9512_1157);
    h ^ (h >> 32)
}

/// Joins points nearer than `tolerance_mm` and renames the facets' corners; returns how many
/// facets collapsed by it and were left out. `points` are those of the exact weld, in mm.
pub(super) fn weld_near(
    points: &mut Vec<Point>,
    facets: &mut Vec<[u32; 3]>,
    tolerance_mm: f64,
) -> usize {
    if tolerance_mm < LEAST_MM || points.is_empty() {
        return 0;
    }
    let (kept, names) = keep_apart(points, tolerance_mm);
    if kept.len() == points.len() {
        return 0;
    }
    let before = facets.len();
    facets.retain_mut(|corners| {
        let was_flat = is_flat(*corners);
        *corners = corners.map(|c| names[c as usize]);
        was_flat || !is_flat(*corners)
    });
    *points = kept;
    before - facets.len()
}

/// Does the facet name one point twice?
const fn is_flat([a, b, c]: [u32; 3]) -> bool {
    a == b || b == c || c == a
}

/// Greedy in index order: the kept points, and for each point the index of the one it became.
fn keep_apart(points: &[Point], tolerance_mm: f64) -> (Vec<Point>, Vec<u32>) {
    let mut grid = Grid::new(points.len(), tolerance_mm);
    let mut kept: Vec<Point> = Vec::with_capacity(points.len());
    let mut names = Vec::with_capacity(points.len());
    for p in points {
        let index = grid.first_near(p, &kept).unwrap_or_else(|| {
            let index = kept.len() as u32;
            kept.push(*p);
            grid.insert(p, index);
            index
        });
        names.push(index);
    }
    (kept, names)
}

/// Cell side over tolerance. Too low: a ball of the tolerance touches more cells (at 2, up to 8
/// of them on half of all points). Too high: the worst file (a whole mesh within some microns)
/// holds more kept points in a cell, all of which must be looked at. 8 gives 1.95 cells a point
/// on average and at most some hundred kept points a cell.
const CELL_OVER_TOLERANCE: f64 = 8.0;

/// Kept points hashed by cell; points of one cell hang on one another in a list.
struct Grid {
    tolerance: f64,
    tolerance_sq: f64,
    per_cell: f64,
    heads: Vec<u32>,
    next: Vec<u32>,
    mask: usize,
}

impl Grid {
    fn new(points: usize, tolerance: f64) -> Self {
        let size = (points.max(8) * 2).next_power_of_two();
        Self {
            tolerance,
            tolerance_sq: tolerance * tolerance,
            per_cell: 1.0 / (CELL_OVER_TOLERANCE * tolerance),
            heads: vec![EMPTY; size],
            next: Vec::with_capacity(points),
            mask: size - 1,
        }
    }

    /// Rounded down; written out because the library's own is a call on this target.
    fn cell(&self, c: f64) -> i64 {
        let cells = c * self.per_cell;
        let towards_zero = cells as i64;
        towards_zero - i64::from(towards_zero as f64 > cells)
    }

    fn cells(&self, c: f64) -> std::ops::RangeInclusive<i64> {
        self.cell(c - self.tolerance)..=self.cell(c + self.tolerance)
    }

    fn slot(&self, x: i64, y: i64, z: i64) -> usize {
        mix(x as u64, y as u64, z as u64) as usize & self.mask
    }

    fn insert(&mut self, p: &Point, index: u32) {
        let slot = self.slot(self.cell(p.x), self.cell(p.y), self.cell(p.z));
        self.next.push(self.heads[slot]);
        self.heads[slot] = index;
    }

    /// The lowest index among kept points within the tolerance.
    fn first_near(&self, p: &Point, kept: &[Point]) -> Option<u32> {
        let [xs, ys, zs] = [p.x, p.y, p.z].map(|c| self.cells(c));
        let mut best = None;
        for x in xs {
            for y in ys.clone() {
                for z in zs.clone() {
                    let mut at = self.heads[self.slot(x, y, z)];
                    while at != EMPTY {
                        let near = (kept[at as usize] - p).norm_squared() <= self.tolerance_sq;
                        if near && best.is_none_or(|b| at < b) {
                            best = Some(at);
                        }
                        at = self.next[at as usize];
                    }
                }
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain slow twin of [`keep_apart`].
    fn slow(points: &[Point], t: f64) -> (Vec<Point>, Vec<u32>) {
        let mut kept: Vec<Point> = Vec::new();
        let mut names = Vec::new();
        for p in points {
            let near = kept.iter().position(|k| (k - p).norm_squared() <= t * t);
            names.push(near.unwrap_or_else(|| {
                kept.push(*p);
                kept.len() - 1
            }) as u32);
        }
        (kept, names)
    }

    /// Deterministic numbers in 0..1.
    fn numbers() -> impl FnMut() -> f64 {
        let mut state = 1u64;
        move || {
            state = mix(state, 0x1234, 0x77).wrapping_add(1);
            (state >> 11) as f64 / (1u64 << 53) as f64
        }
    }

    #[test]
    fn minus_zero_is_zero_and_one_step_away_is_not() {
        let mut table = PointTable::with_room(0);
        let a = table.index_of(Point::new(0.0, 1.0, 2.0)).unwrap();
        assert_eq!(table.index_of(Point::new(-0.0, 1.0, 2.0)).unwrap(), a);
        let next = f64::from_bits(1.0f64.to_bits() + 1);
        assert_ne!(table.index_of(Point::new(0.0, next, 2.0)).unwrap(), a);
        assert!(table.into_points().iter().all(|p| p.x.is_sign_positive()));
    }

    #[test]
    fn table_agrees_with_an_ordered_map_while_it_grows() {
        let mut next = numbers();
        let mut table = PointTable::with_room(0);
        let mut map = std::collections::BTreeMap::new();
        for _ in 0..20_000 {
            let p = [next(), next(), next()].map(|c| (c * 20.0).floor());
            let fresh = map.len() as u32;
            let want = *map.entry(p.map(f64::to_bits)).or_insert(fresh);
            assert_eq!(table.index_of(Point::from(p)).unwrap(), want);
        }
        assert_eq!(table.into_points().len(), map.len());
    }

    #[test]
    fn near_weld_agrees_with_its_slow_twin() {
        let mut next = numbers();
        for spread in [0.5, 5.0, 50.0] {
            let t = 1e-4;
            let points: Vec<Point> = (0..1500)
                .map(|_| Point::new(next() - 0.5, next() - 0.5, next() - 0.5) * (spread * t * 2.0))
                .collect();
            assert_eq!(keep_apart(&points, t), slow(&points, t), "spread {spread}");
        }
    }

    #[test]
    fn a_row_of_close_points_does_not_chain_into_one() {
        let t = 1e-4;
        let mut row: Vec<Point> = (0..100)
            .map(|i| Point::new(f64::from(i) * 0.6 * t, 0.0, 0.0))
            .collect();
        // The first collapses; the last names a point twice from the start and stays.
        let mut facets = vec![[0, 1, 99], [0, 50, 99], [3, 3, 4]];
        assert_eq!(weld_near(&mut row, &mut facets, t), 1);
        assert_eq!(row.len(), 50);
        assert_eq!(facets, [[0, 25, 49], [1, 1, 2]]);
    }

    #[test]
    fn walls_thicker_than_the_tolerance_stay_apart() {
        let t = 1e-3;
        let mut pair = vec![Point::origin(), Point::new(0.0, 0.0, 1.0001 * t)];
        weld_near(&mut pair, &mut Vec::new(), t);
        assert_eq!(pair.len(), 2);
    }
}

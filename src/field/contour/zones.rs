//! Places where refining went wrong, so that the next attempt is more careful there.

use std::collections::BTreeMap;

use crate::mesh::Point;

/// Side of a zone, in cells; a fault marks its own zone and those round about. Too small, and the
/// same fold can come again from beside it; too large, and facets stay off the level that could well
/// be refined. Other values are not tried.
const ZONE: f64 = 0.8;

/// How a place is refined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Care {
    /// Edges are turned and split, points go onto creases.
    Plain,
    /// Longest edges are split in their middle.
    Gentle,
    /// Nothing is done.
    HandsOff,
}

type Key = [i64; 3];

pub(super) struct Zones {
    width_mm: f64,
    care: BTreeMap<Key, Care>,
}

impl Zones {
    pub fn new(cell_mm: f64) -> Self {
        Self {
            width_mm: ZONE * cell_mm,
            care: BTreeMap::new(),
        }
    }

    fn key(&self, p: &Point) -> Key {
        [0, 1, 2].map(|k| (p[k] / self.width_mm).floor() as i64)
    }

    pub fn at(&self, p: &Point) -> Care {
        if self.care.is_empty() {
            return Care::Plain;
        }
        self.care.get(&self.key(p)).copied().unwrap_or(Care::Plain)
    }

    /// Asks for more care about these places, apart from known ones; false where no more can be
    /// asked for.
    pub fn more_care(&mut self, places: &[Point], known: &[Point]) -> bool {
        let next: BTreeMap<Key, Care> = places
            .iter()
            .filter(|p| !known.contains(p))
            .map(|p| {
                let worse = match self.at(p) {
                    Care::Plain => Care::Gentle,
                    Care::Gentle | Care::HandsOff => Care::HandsOff,
                };
                (self.key(p), worse)
            })
            .collect();
        let mut changed = false;
        for (k, care) in next {
            for n in 0..27_i64 {
                let beside = [k[0] + n % 3 - 1, k[1] + n / 3 % 3 - 1, k[2] + n / 9 - 1];
                let now = self.care.entry(beside).or_insert(Care::Plain);
                changed |= *now < care;
                *now = care.max(*now);
            }
        }
        changed
    }

    /// Middles of the zones that were left alone.
    pub fn given_up(&self) -> Vec<Point> {
        let off = self.care.iter().filter(|(_, c)| **c == Care::HandsOff);
        off.map(|(k, _)| Point::from(k.map(|c| (c as f64 + 0.5) * self.width_mm)))
            .collect()
    }
}

//! Places where refining went wrong, so that the next attempt is more careful there.

use std::collections::{BTreeMap, BTreeSet};

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
    /// Nothing is done, and the net is held inside its cells.
    Held,
}

type Key = [i64; 3];

pub(super) struct Zones {
    width_mm: f64,
    /// Care where nothing more was asked for.
    least: Care,
    care: BTreeMap<Key, Care>,
    /// Zones that more was asked for since this was last asked.
    changed: BTreeSet<Key>,
}

impl Zones {
    pub fn new(cell_mm: f64, least: Care) -> Self {
        Self {
            least,
            width_mm: ZONE * cell_mm,
            care: BTreeMap::new(),
            changed: BTreeSet::new(),
        }
    }

    fn key(&self, p: &Point) -> Key {
        [0, 1, 2].map(|k| (p[k] / self.width_mm).floor() as i64)
    }

    pub fn at(&self, p: &Point) -> Care {
        if self.care.is_empty() {
            return self.least;
        }
        self.care.get(&self.key(p)).copied().unwrap_or(self.least)
    }

    pub fn held(&self, p: &Point) -> bool {
        self.at(p) == Care::Held
    }

    pub fn count_held(&self) -> usize {
        self.care.values().filter(|c| **c == Care::Held).count()
    }

    /// Asks for one step more of care about these places, apart from known ones, and for no more
    /// than `last`; false where no more can be asked for.
    pub fn more_care(&mut self, places: &[Point], known: &[Point], last: Care) -> bool {
        let next: Vec<(Point, Care)> = places
            .iter()
            .filter(|p| !known.contains(p))
            .map(|p| {
                let worse = match self.at(p) {
                    Care::Plain => Care::Gentle,
                    Care::Gentle => Care::HandsOff,
                    Care::HandsOff | Care::Held => Care::Held,
                };
                (*p, worse.min(last))
            })
            .collect();
        self.mark(next)
    }

    /// Wants the net held about these places; false where it is already.
    pub fn hold(&mut self, places: &[Point]) -> bool {
        let next = places.iter().map(|p| (*p, Care::Held)).collect();
        self.mark(next)
    }

    fn mark(&mut self, places: Vec<(Point, Care)>) -> bool {
        let mut changed = false;
        for (p, care) in places {
            let k = self.key(&p);
            for n in 0..27_i64 {
                let away = [n % 3 - 1, n / 3 % 3 - 1, n / 9 - 1];
                // What is given up is kept small: only zones within half a zone of the place.
                let far = |a: usize| {
                    let within = p[a] / self.width_mm - k[a] as f64;
                    away[a] == if within < 0.5 { 1 } else { -1 }
                };
                if care >= Care::HandsOff && (0..3).any(far) {
                    continue;
                }
                let beside = [k[0] + away[0], k[1] + away[1], k[2] + away[2]];
                let now = self.care.entry(beside).or_insert(self.least);
                if *now < care {
                    *now = care;
                    self.changed.insert(beside);
                    changed = true;
                }
            }
        }
        changed
    }

    /// Whether more care was asked for about a place since [`Zones::settle`].
    pub fn has_changed(&self, p: &Point) -> bool {
        !self.changed.is_empty() && self.changed.contains(&self.key(p))
    }

    /// Forgets what changed.
    pub fn settle(&mut self) {
        self.changed.clear();
    }

    /// Middles of the zones that were left alone.
    pub fn given_up(&self) -> Vec<Point> {
        let off = self.care.iter().filter(|(_, c)| **c >= Care::HandsOff);
        off.map(|(k, _)| Point::from(k.map(|c| (c as f64 + 0.5) * self.width_mm)))
            .collect()
    }
}

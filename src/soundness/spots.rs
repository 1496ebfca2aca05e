//! Faults come in clumps: a fold is hundreds of crossing pairs in one place. What a person wants
//! is the places, so faults that share a corner of the mesh, directly or in a chain, are one spot.

use std::collections::HashMap;

use super::Spot;
use crate::mesh::{Point, Vector};

/// One fault: where it is and which mesh points it touches.
#[derive(Debug, Clone)]
pub(super) struct Fault {
    /// A place on it.
    pub at: Point,
    /// The mesh points it touches; unused slots repeat another.
    pub touches: [u32; 6],
}

/// Numbers in one set or another, joined as one goes (path halving, smaller root wins, so the
/// outcome hangs on nothing but the joins).
#[derive(Debug, Clone)]
pub(super) struct Sets(Vec<u32>);

impl Sets {
    pub fn new(n: usize) -> Self {
        Self((0..n as u32).collect())
    }

    pub fn root(&mut self, mut x: u32) -> u32 {
        while self.0[x as usize] != x {
            let up = self.0[self.0[x as usize] as usize];
            self.0[x as usize] = up;
            x = up;
        }
        x
    }

    pub fn join(&mut self, a: u32, b: u32) {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b) as usize] = a.min(b);
    }
}

/// Faults gathered to spots, the largest first; a spot's place is the fault nearest to the middle
/// of them all, so that it lies on the surface.
pub(super) fn spots(faults: &[Fault]) -> Vec<Spot> {
    let mut sets = Sets::new(faults.len());
    let mut first_at: HashMap<u32, u32> = HashMap::new();
    for (i, fault) in faults.iter().enumerate() {
        for &p in &fault.touches {
            let first = *first_at.entry(p).or_insert(i as u32);
            sets.join(first, i as u32);
        }
    }
    let mut number: HashMap<u32, usize> = HashMap::new();
    let mut members: Vec<Vec<usize>> = Vec::new();
    for i in 0..faults.len() {
        let root = sets.root(i as u32);
        let at = *number.entry(root).or_insert_with(|| {
            members.push(Vec::new());
            members.len() - 1
        });
        members[at].push(i);
    }
    members.sort_by_key(|m| (std::cmp::Reverse(m.len()), m[0]));
    members.iter().map(|m| spot(faults, m)).collect()
}

fn spot(faults: &[Fault], members: &[usize]) -> Spot {
    let sum: Vector = members.iter().map(|&i| faults[i].at.coords).sum();
    let middle = Point::from(sum / members.len() as f64);
    let nearest = members.iter().copied().min_by(|&i, &j| {
        let d = |k: usize| (faults[k].at - middle).norm_squared();
        d(i).total_cmp(&d(j))
    });
    Spot {
        count: members.len(),
        point: nearest.map_or(middle, |i| faults[i].at),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(x: f64, touches: [u32; 6]) -> Fault {
        Fault {
            at: Point::new(x, 0.0, 0.0),
            touches,
        }
    }

    #[test]
    fn a_chain_of_shared_corners_is_one_spot() {
        let found = spots(&[
            fault(9.0, [40, 41, 42, 40, 40, 40]),
            fault(0.0, [1, 2, 3, 1, 1, 1]),
            fault(1.0, [3, 4, 5, 3, 3, 3]),
            fault(2.0, [5, 6, 7, 5, 5, 5]),
        ]);
        assert_eq!(found.len(), 2);
        assert_eq!((found[0].count, found[1].count), (3, 1));
        assert_eq!(found[0].point.x, 1.0);
        assert_eq!(found[1].point.x, 9.0);
    }

    #[test]
    fn nothing_wrong_means_no_spots() {
        assert!(spots(&[]).is_empty());
    }
}

//! Shortest ways over the open nodes of the depth grid: how far every node is from a source
//! without leaving the room (Dijkstra 1959, to the 26 neighbours).

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use crate::mesh::Point;
use crate::stack::grid::Depth;

/// Way of every node from the sources, mm; infinite where none leads there.
pub struct Ways {
    way_mm: Vec<f32>,
    from: Vec<u32>,
}

/// Marks a node that nothing leads to, or that is itself a source.
const NONE: u32 = u32::MAX;

impl Ways {
    /// Walks from `sources` over the nodes that `open` lets through.
    pub fn new(depth: &Depth, sources: &[usize], open: &dyn Fn(usize) -> bool) -> Self {
        Self::until(depth, sources, open, &[], f32::INFINITY)
    }

    /// The same, ended when one of `goals` is reached and everything up to `more` mm further is.
    pub fn until(
        depth: &Depth,
        sources: &[usize],
        open: &dyn Fn(usize) -> bool,
        goals: &[usize],
        more: f32,
    ) -> Self {
        let mut last = f32::INFINITY;
        let [nx, ny, nz] = depth.counts();
        let n = nx * ny * nz;
        let mut ways = Self {
            way_mm: vec![f32::INFINITY; n],
            from: vec![NONE; n],
        };
        // 0: not asked yet, 1: open, 2: shut. Asking can be dear.
        let mut asked = vec![0_u8; n];
        let mut heap = BinaryHeap::new();
        for &s in sources {
            ways.way_mm[s] = 0.0;
            heap.push(Reverse((0_u32, s)));
        }
        let step = depth.step_mm() as f32;
        while let Some(Reverse((bits, at))) = heap.pop() {
            let here = f32::from_bits(bits);
            if here > ways.way_mm[at] {
                continue;
            }
            if last.is_infinite() && goals.contains(&at) {
                last = here + more;
            }
            if here > last || (more == 0.0 && last.is_finite()) {
                break;
            }
            let c = [at % nx, at / nx % ny, at / (nx * ny)];
            for k in 0..27_usize {
                let d = [k % 3, k / 3 % 3, k / 9];
                let off = (0..3).filter(|&m| d[m] != 1).count();
                let inside = (0..3).all(|m| {
                    let x = c[m] + d[m];
                    x >= 1 && x <= [nx, ny, nz][m]
                });
                if off == 0 || !inside {
                    continue;
                }
                let next = ((c[2] + d[2] - 1) * ny + c[1] + d[1] - 1) * nx + c[0] + d[0] - 1;
                let way = here + step * (off as f32).sqrt();
                if way >= ways.way_mm[next] {
                    continue;
                }
                if asked[next] == 0 {
                    asked[next] = 2 - u8::from(open(next));
                }
                if asked[next] == 1 {
                    ways.way_mm[next] = way;
                    ways.from[next] = at as u32;
                    // Ways are not negative, so their bits are in the order of their sizes.
                    heap.push(Reverse((way.to_bits(), next)));
                }
            }
        }
        ways
    }

    /// Way of a node, mm.
    pub fn of(&self, node: usize) -> f64 {
        f64::from(self.way_mm[node])
    }

    /// Way of a place, mm: of its nearest node that was reached, and the distance to it.
    pub fn at(&self, depth: &Depth, p: &Point) -> f64 {
        depth
            .cell_nodes(p)
            .into_iter()
            .map(|n| self.of(n) + (depth.node_at(n) - p).norm())
            .fold(f64::INFINITY, f64::min)
    }

    /// The nodes on the way back from a node to its source.
    pub fn back(&self, node: usize) -> impl Iterator<Item = usize> + '_ {
        std::iter::successors(Some(node), |&n| {
            Some(self.from[n])
                .filter(|f| *f != NONE)
                .map(|f| f as usize)
        })
    }
}

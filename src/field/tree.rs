//! A tree of facets made for one thing: the nearest surface point, when a guess is at hand.
//!
//! parry's tree answers the same question (and is the slow twin in the tests), but a level set
//! asks it half a million times, each next to the last: four boxes a node in single precision
//! and a start from the neighbour's facet answer several times as fast.

use rayon::prelude::*;

use super::leaf::Leaf;
use crate::mesh::{Link, Point, Vector};

/// Facets a leaf holds at most. 2 makes the tree twice as large; 8 tests facets in vain.
const LEAF: usize = 4;
/// Bins in which a split is looked for. Fewer than 8 split badly, more than 16 only cost time.
const BINS: usize = 12;
const LEAF_BIT: u32 = 1 << 31;
const NONE: u32 = u32::MAX;
/// Runs of fewer facets are built by one thread alone.
const ALONE: usize = 4096;
/// Steps from facet to facet at most, from a guess towards what is nearest. A neighbour's answer is
/// some three facets off; more steps than these lead along folds.
const STEPS: usize = 12;
/// A guess this near to the least possible distance is taken without a search, mm. Too
/// small, and rounding hides such guesses; too large, and the figures show it. Not tuned.
const AS_GOOD_MM: f64 = 1e-9;
/// Levels after which ranges are halved without a search. The stack of a query holds 128 entries
/// and each level adds 3; 18 + 16 halving levels (for 2³² facets) stay below that. Real scans of
/// 1.6 million facets reach 14.
const DEEP: usize = 18;

/// Where on a facet the nearest point lies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Feature {
    Face,
    /// Edge from corner k to corner k + 1.
    Edge(u8),
    Corner(u8),
}

#[derive(Debug, Clone, Copy)]
pub(crate) struct Hit {
    pub slot: u32,
    pub sq: f64,
    pub point: Point,
    pub feature: Feature,
}

#[derive(Debug, Clone, Copy)]
pub(crate) struct Tri {
    pub a: Point,
    pub ab: Vector,
    pub ac: Vector,
}

/// Four children: their boxes about the tree's middle, and where they are.
#[derive(Debug, Clone)]
#[repr(align(64))]
struct Node {
    lo: [[f32; 4]; 3],
    hi: [[f32; 4]; 3],
    /// Node index; or, with the top bit, the number of a leaf.
    child: [u32; 4],
}

/// The facets of a mesh in tree order.
#[derive(Debug, Clone)]
pub(crate) struct Tree {
    nodes: Vec<Node>,
    leaves: Vec<Leaf>,
    /// Slots under each child of each node.
    ranges: Vec<[(u32, u32); 4]>,
    pub tris: Vec<Tri>,
    /// Facet of each slot.
    pub facet: Vec<u32>,
    /// Slot of each facet.
    pub slot: Vec<u32>,
    /// Slots across the edges of each slot's facet; [`NONE`] where there is none.
    beside: Vec<[u32; 3]>,
    middle: Point,
    extent: f64,
}

/// A part of the tree over a run of facets, its root first.
#[derive(Default)]
struct Part {
    nodes: Vec<Node>,
    ranges: Vec<[(u32, u32); 4]>,
    /// First slot and count of each leaf.
    leaves: Vec<(u32, u32)>,
}

/// The boxes of all facets, about the tree's middle.
struct Build<'a> {
    boxes: &'a [(Vector, Vector)],
}

impl Tree {
    /// `links` tells what lies across the edges of each facet.
    pub fn new(points: &[Point], facets: &[[u32; 3]], links: &[[Link; 3]]) -> Self {
        let first = points.first().copied().unwrap_or_else(Point::origin);
        let (lo, hi) = points
            .iter()
            .fold((first, first), |(lo, hi), p| (lo.inf(p), hi.sup(p)));
        let middle = nalgebra::center(&lo, &hi);
        let boxes: Vec<(Vector, Vector)> = facets
            .par_iter()
            .with_min_len(4096)
            .map(|f| {
                let [a, b, c] = f.map(|i| points[i as usize] - middle);
                (a.inf(&b).inf(&c), a.sup(&b).sup(&c))
            })
            .collect();
        let mut order: Vec<u32> = (0..facets.len() as u32).collect();
        let mut part = Part::default();
        Build { boxes: &boxes }.node(&mut part, &mut order, 0, 0);
        let mut slot = vec![0; order.len()];
        for (s, &f) in order.iter().enumerate() {
            slot[f as usize] = s as u32;
        }
        let beside = order.par_iter().with_min_len(4096).map(|&f| {
            let links = links.get(f as usize).copied();
            links.unwrap_or([Link::Open; 3]).map(|link| match link {
                Link::Facet(g) | Link::Flipped(g) => slot[g as usize],
                Link::Open | Link::Fin => NONE,
            })
        });
        let beside = beside.collect();
        let tris: Vec<Tri> = order
            .par_iter()
            .with_min_len(4096)
            .map(|&f| {
                let [a, b, c] = facets[f as usize].map(|i| points[i as usize]);
                Tri {
                    a,
                    ab: b - a,
                    ac: c - a,
                }
            })
            .collect();
        let leaves = part.leaves.into_par_iter().with_min_len(1024);
        Self {
            nodes: part.nodes,
            leaves: leaves
                .map(|(first, count)| Leaf::new(&tris, first, count, &middle))
                .collect(),
            ranges: part.ranges,
            tris,
            facet: order,
            slot,
            beside,
            middle,
            extent: (hi - lo).amax(),
        }
    }

    pub fn nodes(&self) -> usize {
        self.nodes.len()
    }

    pub fn child_ranges(&self, node: usize) -> [(u32, u32); 4] {
        self.ranges[node]
    }

    /// Node index of a child, or the slots of a leaf.
    pub fn child(&self, node: usize, k: usize) -> Result<usize, std::ops::Range<usize>> {
        let c = self.nodes[node].child[k];
        if c & LEAF_BIT == 0 {
            Ok(c as usize)
        } else {
            match self.leaves.get((c & !LEAF_BIT) as usize) {
                Some(leaf) => Err(leaf.first as usize..(leaf.first + leaf.count) as usize),
                None => Err(0..0), // no child
            }
        }
    }

    /// The nearest point within the square root of `within_sq`; `guess` is a slot likely to be
    /// near, `least_mm` a distance that the answer cannot go below: a guess that reaches it is it.
    pub fn nearest(
        &self,
        p: &Point,
        guess: Option<u32>,
        within_sq: f64,
        least_mm: f64,
    ) -> Option<Hit> {
        let local = p - self.middle;
        if self.tris.is_empty() || !local.iter().all(|c| c.is_finite()) {
            return None;
        }
        let mut best: Option<Hit> = None;
        let mut best_sq = within_sq;
        // Boxes and query are rounded to single precision: what that can hide is added to the reach.
        let rounding = 4e-7 * (self.extent + local.amax());
        let reach_sq = |sq: f64| {
            let r = sq.sqrt() + rounding;
            (r * r * (1.0 + 1e-6)) as f32
        };
        if let Some(slot) = guess {
            self.climb(slot, p, &mut best, &mut best_sq);
            if best_sq.sqrt() <= least_mm + AS_GOOD_MM {
                return best;
            }
        }
        let mut reach = reach_sq(best_sq);
        let q = [local.x as f32, local.y as f32, local.z as f32];
        let mut stack = [(0_u32, 0_f32); 128];
        let mut top = 1;
        stack[0] = (0, 0.0);
        while top > 0 {
            top -= 1;
            let (at, away) = stack[top];
            if away > reach {
                continue;
            }
            if at & LEAF_BIT != 0 {
                let Some(leaf) = self.leaves.get((at & !LEAF_BIT) as usize) else {
                    continue; // no child
                };
                let before = best_sq;
                let away = leaf.away_sq(&q);
                for (slot, away) in (leaf.first..leaf.first + leaf.count).zip(away) {
                    if away <= reach {
                        self.ask(slot, p, &mut best, &mut best_sq);
                    }
                }
                if best_sq < before {
                    reach = reach_sq(best_sq);
                }
                continue;
            }
            let node = &self.nodes[at as usize];
            let away = node.away_sq(&q);
            let from = top;
            for (&child, &away) in node.child.iter().zip(&away) {
                if away <= reach {
                    let mut i = top;
                    while i > from && stack[i - 1].1 < away {
                        stack[i] = stack[i - 1];
                        i -= 1;
                    }
                    stack[i] = (child, away);
                    top += 1;
                }
            }
        }
        best
    }

    /// From a guess over the edge or corner that lies nearest to the neighbour beyond it, as long as that
    /// is nearer: a close bound spares two thirds of the search.
    fn climb(&self, guess: u32, p: &Point, best: &mut Option<Hit>, best_sq: &mut f64) {
        self.ask(guess, p, best, best_sq);
        let mut at = guess;
        for _ in 0..STEPS {
            let Some(hit) = best.filter(|hit| hit.slot == at) else {
                return;
            };
            let beside = &self.beside[at as usize];
            let ways = match hit.feature {
                Feature::Face => return,
                Feature::Edge(e) => [beside[e as usize], NONE],
                Feature::Corner(c) => [beside[c as usize], beside[(c as usize + 2) % 3]],
            };
            for way in ways.into_iter().filter(|&w| w != NONE) {
                self.ask(way, p, best, best_sq);
            }
            match best {
                Some(hit) if hit.slot != at => at = hit.slot,
                _ => return,
            }
        }
    }

    /// The nearest point of one facet.
    pub fn ask_one(&self, slot: u32, p: &Point) -> Hit {
        let (point, feature) = self.tris[slot as usize].nearest(p);
        Hit {
            slot,
            sq: (point - p).norm_squared(),
            point,
            feature,
        }
    }

    #[inline]
    fn ask(&self, slot: u32, p: &Point, best: &mut Option<Hit>, best_sq: &mut f64) {
        let (point, feature) = self.tris[slot as usize].nearest(p);
        let sq = (point - p).norm_squared();
        if sq < *best_sq || (best.is_none() && sq <= *best_sq) {
            *best_sq = sq;
            *best = Some(Hit {
                slot,
                sq,
                point,
                feature,
            });
        }
    }
}

impl Node {
    /// Not inlined: within the loop of a query the compiler takes the four lanes apart again.
    #[inline(never)]
    fn away_sq(&self, q: &[f32; 3]) -> [f32; 4] {
        let mut out = [0.0_f32; 4];
        for ((lo, hi), q) in self.lo.iter().zip(&self.hi).zip(q) {
            for ((out, lo), hi) in out.iter_mut().zip(lo).zip(hi) {
                let (below, above) = (lo - q, q - hi);
                let d = if below > above { below } else { above };
                let d = if d > 0.0 { d } else { 0.0 };
                *out += d * d;
            }
        }
        out
    }
}

impl Tri {
    /// Nearest point and the feature it lies on (Ericson, Real-Time Collision Detection, 2005, §5.1.5).
    #[inline]
    pub fn nearest(&self, p: &Point) -> (Point, Feature) {
        let Self { a, ab, ac } = self;
        let ap = p - a;
        let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
        if d1 <= 0.0 && d2 <= 0.0 {
            return (*a, Feature::Corner(0));
        }
        let bp = ap - ab;
        let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
        if d3 >= 0.0 && d4 <= d3 {
            return (a + ab, Feature::Corner(1));
        }
        let vc = d1 * d4 - d3 * d2;
        if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
            return (a + ab * (d1 / (d1 - d3)), Feature::Edge(0));
        }
        let cp = ap - ac;
        let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
        if d6 >= 0.0 && d5 <= d6 {
            return (a + ac, Feature::Corner(2));
        }
        let vb = d5 * d2 - d1 * d6;
        if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
            return (a + ac * (d2 / (d2 - d6)), Feature::Edge(2));
        }
        let va = d3 * d6 - d5 * d4;
        if va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0 {
            let t = (d4 - d3) / ((d4 - d3) + (d5 - d6));
            return (a + ab + (ac - ab) * t, Feature::Edge(1));
        }
        let sum = va + vb + vc;
        if sum <= 0.0 {
            return (*a, Feature::Corner(0)); // no area: its corners and edges were asked above
        }
        (a + ab * (vb / sum) + ac * (vc / sum), Feature::Face)
    }
}

impl Build<'_> {
    /// Makes the node over a run of facets that begins at slot `from`, and returns its index.
    fn node(&self, out: &mut Part, order: &mut [u32], from: usize, depth: usize) -> u32 {
        let at = out.nodes.len();
        out.nodes.push(Node {
            lo: [[f32::INFINITY; 4]; 3],
            hi: [[f32::NEG_INFINITY; 4]; 3],
            child: [u32::MAX; 4],
        });
        out.ranges.push([(0, 0); 4]);
        let many = order.len() > ALONE;
        let pieces = self.pieces(order, depth);
        let (mut rest, mut begins) = (order, from);
        let mut runs: Vec<(usize, &mut [u32])> = Vec::with_capacity(4);
        for (k, length) in pieces.into_iter().enumerate() {
            let (run, after) = rest.split_at_mut(length);
            let (lo, hi) = self.bounds(run);
            for axis in 0..3 {
                out.nodes[at].lo[axis][k] = (lo[axis] as f32).next_down();
                out.nodes[at].hi[axis][k] = (hi[axis] as f32).next_up();
            }
            out.ranges[at][k] = (begins as u32, (begins + length) as u32);
            runs.push((begins, run));
            (rest, begins) = (after, begins + length);
        }
        if many {
            let parts = runs.into_par_iter().map(|(from, run)| {
                let mut part = Part::default();
                self.child(&mut part, run, from, depth);
                part
            });
            for (k, part) in parts.collect::<Vec<Part>>().into_iter().enumerate() {
                out.nodes[at].child[k] = out.append(part);
            }
        } else {
            for (k, (from, run)) in runs.into_iter().enumerate() {
                out.nodes[at].child[k] = self.child(out, run, from, depth);
            }
        }
        at as u32
    }

    /// A leaf, or a node one level further down.
    fn child(&self, out: &mut Part, run: &mut [u32], from: usize, depth: usize) -> u32 {
        if run.len() > LEAF {
            return self.node(out, run, from, depth + 1);
        }
        out.leaves.push((from as u32, run.len() as u32));
        LEAF_BIT | (out.leaves.len() - 1) as u32
    }

    /// Sorts a run into up to four pieces; their lengths.
    fn pieces(&self, order: &mut [u32], depth: usize) -> Vec<usize> {
        let mut pieces = vec![(0, order.len())];
        while pieces.len() < 4 {
            let widest =
                (0..pieces.len()).max_by_key(|&i| (pieces[i].1 - pieces[i].0, usize::MAX - i));
            let Some(i) = widest.filter(|&i| pieces[i].1 - pieces[i].0 > LEAF) else {
                break;
            };
            let (f, t) = pieces[i];
            let m = if depth < DEEP {
                f + self.split(&mut order[f..t])
            } else {
                f + (t - f) / 2
            };
            pieces[i] = (f, m);
            pieces.push((m, t));
        }
        pieces.sort_unstable();
        let lengths = pieces.into_iter().map(|(f, t)| t - f);
        lengths.filter(|&l| l > 0).collect()
    }

    fn bounds(&self, run: &[u32]) -> (Vector, Vector) {
        let mut it = run.iter().map(|&i| self.boxes[i as usize]);
        let first = it.next().unwrap_or((Vector::zeros(), Vector::zeros()));
        it.fold(first, |(lo, hi), (l, h)| (lo.inf(&l), hi.sup(&h)))
    }

    /// Splits a run where the surface-area cost is least (in bins); in the middle if all coincide.
    fn split(&self, part: &mut [u32]) -> usize {
        let boxes = self.boxes;
        let twice = |i: u32| boxes[i as usize].0 + boxes[i as usize].1;
        let c0 = twice(part[0]);
        let (lo, hi) = part
            .iter()
            .fold((c0, c0), |(l, h), &i| (l.inf(&twice(i)), h.sup(&twice(i))));
        let axis = (hi - lo).imax();
        let width = hi[axis] - lo[axis];
        let half = part.len() / 2;
        if width <= 0.0 {
            return half;
        }
        let scale = BINS as f64 / width * (1.0 - 1e-9);
        let bin = |i: u32| ((twice(i)[axis] - lo[axis]) * scale) as usize;
        let empty = (
            Vector::repeat(f64::INFINITY),
            Vector::repeat(f64::NEG_INFINITY),
            0_usize,
        );
        let mut bins = [empty; BINS];
        for &i in part.iter() {
            let b = &mut bins[bin(i).min(BINS - 1)];
            let (l, h) = boxes[i as usize];
            *b = (b.0.inf(&l), b.1.sup(&h), b.2 + 1);
        }
        let cut = best_cut(&bins);
        let mut m = 0;
        for j in 0..part.len() {
            if bin(part[j]).min(BINS - 1) < cut {
                part.swap(m, j);
                m += 1;
            }
        }
        if m == 0 || m == part.len() { half } else { m }
    }
}

impl Part {
    /// Adds a part, and returns the number of its first node or, if it has none, of its leaf.
    fn append(&mut self, part: Part) -> u32 {
        let (nodes, leaves) = (self.nodes.len() as u32, self.leaves.len() as u32);
        let root = if part.nodes.is_empty() {
            LEAF_BIT | leaves
        } else {
            nodes
        };
        self.leaves.extend(part.leaves);
        self.ranges.extend(part.ranges);
        self.nodes.extend(part.nodes.into_iter().map(|mut node| {
            for child in node.child.iter_mut().filter(|c| **c != u32::MAX) {
                *child += if *child & LEAF_BIT == 0 {
                    nodes
                } else {
                    leaves
                };
            }
            node
        }));
        root
    }
}

type Bin = (Vector, Vector, usize);

fn best_cut(bins: &[Bin; BINS]) -> usize {
    let cost = |b: &Bin| {
        if b.2 == 0 {
            return 0.0;
        }
        let d = b.1 - b.0;
        (d.x * d.y + d.y * d.z + d.z * d.x) * b.2 as f64
    };
    let join = |a: &Bin, b: &Bin| (a.0.inf(&b.0), a.1.sup(&b.1), a.2 + b.2);
    let mut right = *bins;
    for i in (0..BINS - 1).rev() {
        right[i] = join(&bins[i], &right[i + 1]);
    }
    let mut left = bins[0];
    let (mut best, mut cut) = (f64::INFINITY, 1);
    for i in 1..BINS {
        let c = cost(&left) + cost(&right[i]);
        if c < best && left.2 > 0 && right[i].2 > 0 {
            (best, cut) = (c, i);
        }
        left = join(&left, &bins[i]);
    }
    cut
}

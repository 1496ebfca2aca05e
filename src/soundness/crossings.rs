//! Pairs of facets that cut or overlap each other without sharing a corner.
//!
//! Candidate pairs come from a walk of the shared tree against itself; each is then decided by
//! exact predicates. Corners are shared when their coordinates are, so a mesh whose points were
//! never welded does not cross itself along every edge. Pairs that do share a corner are left
//! out by definition: a fold about a common edge shows in its further neighbours.

use parry3d_f64::partitioning::BvhWorkspace;
use rayon::prelude::*;

use super::spots::Fault;
use super::triangles::{Triangle, meet};
use crate::field::pairs_where;
use crate::mesh::{Mesh, MeshQueries, Point};

/// Pairs after which counting stops: a mesh with so many is no surface. Too low: a scan with two
/// whole copies of itself (about 10 pairs a facet) is cut short; too high: a soup of facets that
/// all cross holds up the day and fills the memory.
const MOST_PAIRS: usize = 4_000_000;

/// Boxes that a facet's box may overlap, on average, before the mesh counts as a heap and only so
/// many candidates are tried. A sound scan has about 30, a scan with a copy of itself 60.
const MOST_OVERLAPS: usize = 1000;

/// Candidates tried at a time, so that they never fill the memory.
const BATCH: usize = 1 << 20;

/// All crossing pairs, lower facet first, in rising order; stops early in a heap of facets whose
/// boxes nearly all overlap.
pub(super) fn pairs(queries: &MeshQueries<'_>) -> Vec<[u32; 2]> {
    let (mesh, tree) = (queries.mesh, queries.tree());
    let mut search = Search::new(mesh);
    if is_heap(queries) {
        let most = MOST_OVERLAPS.saturating_mul(mesh.facets().len());
        let all = tree.leaf_pairs(tree, |a, b| a.intersects(b)).take(most);
        all.filter(|(f, g)| f < g)
            .for_each(|(f, g)| search.add(f, g));
    } else {
        // Three times as fast as asking for leaf pairs, but it cannot be stopped.
        let mut room = BvhWorkspace::default();
        tree.traverse_bvtt_single_tree::<false>(&mut room, &mut |f, g| search.add(f, g));
    }
    search.finish()
}

/// The same without a tree, for meshes that are surely no heap.
pub(super) fn pairs_drawn(mesh: &Mesh) -> Vec<(u32, u32)> {
    let (points, facets) = (mesh.points(), mesh.facets());
    pairs_where(points, facets, &vec![true; facets.len()], |f, g| {
        crosses(mesh, f as u32, g as u32)
    })
}

/// Do boxes overlap so often that trying all pairs is hopeless? Asked of some 256 facets.
fn is_heap(queries: &MeshQueries<'_>) -> bool {
    let (facets, tree) = (queries.mesh.facets().len(), queries.tree());
    let asked = (0..facets).step_by(facets.div_ceil(256).max(1));
    let places = asked.len();
    let overlaps: usize = asked
        .filter_map(|f| tree.leaf_node(f as u32))
        .map(|own| {
            tree.intersect_aabb(&own.aabb())
                .take(8 * MOST_OVERLAPS)
                .count()
        })
        .sum();
    overlaps > MOST_OVERLAPS * places
}

/// Candidate pairs on their way to being tried.
struct Search<'m> {
    mesh: &'m Mesh,
    waiting: Vec<[u32; 2]>,
    found: Vec<[u32; 2]>,
}

impl<'m> Search<'m> {
    fn new(mesh: &'m Mesh) -> Self {
        Self {
            mesh,
            waiting: Vec::new(),
            found: Vec::new(),
        }
    }

    fn add(&mut self, f: u32, g: u32) {
        let [a, b] = [f, g].map(|k| &self.mesh.facets()[k as usize]);
        if !a.iter().any(|p| b.contains(p)) {
            self.waiting.push([f.min(g), f.max(g)]);
            if self.waiting.len() >= BATCH {
                self.try_waiting();
            }
        }
    }

    fn try_waiting(&mut self) {
        let waiting = std::mem::take(&mut self.waiting);
        if self.found.len() < MOST_PAIRS {
            let crossing = waiting.into_par_iter();
            self.found
                .par_extend(crossing.filter(|&[f, g]| crosses(self.mesh, f, g)));
        }
    }

    fn finish(mut self) -> Vec<[u32; 2]> {
        self.try_waiting();
        self.found.par_sort_unstable();
        self.found
    }
}

fn crosses(mesh: &Mesh, f: u32, g: u32) -> bool {
    let (a, b) = (mesh.corners(f as usize), mesh.corners(g as usize));
    let apart = (0..3).any(|k| least(&a, k) > most(&b, k) || least(&b, k) > most(&a, k));
    !apart && meet(&a, &b) && !a.iter().any(|p| b.contains(p))
}

fn least(t: &Triangle, k: usize) -> f64 {
    t[0][k].min(t[1][k]).min(t[2][k])
}

fn most(t: &Triangle, k: usize) -> f64 {
    t[0][k].max(t[1][k]).max(t[2][k])
}

/// A pair as a fault: half-way between the two facets' middles.
pub(super) fn fault(mesh: &Mesh, [f, g]: [u32; 2]) -> Fault {
    let (a, b) = (mesh.corners(f as usize), mesh.corners(g as usize));
    let sum: crate::mesh::Vector = a.iter().chain(&b).map(|p| p.coords).sum();
    let ([a, b, c], [d, e, g]) = (mesh.facets()[f as usize], mesh.facets()[g as usize]);
    Fault {
        at: Point::from(sum / 6.0),
        touches: [a, b, c, d, e, g],
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::shapes::*;
    use super::*;
    use crate::mesh::Vector;

    fn fast(m: &Mesh) -> Vec<[u32; 2]> {
        pairs(&MeshQueries::new(m))
    }

    fn drawn(m: &Mesh) -> Vec<[u32; 2]> {
        let all = pairs_drawn(m).into_iter();
        all.map(|(f, g)| [f, g]).collect()
    }

    /// Every pair there is, with no tree.
    fn slow(m: &Mesh) -> Vec<[u32; 2]> {
        let n = m.facets().len() as u32;
        (0..n)
            .flat_map(|f| (f + 1..n).map(move |g| [f, g]))
            .filter(|&[f, g]| {
                let (a, b) = (m.corners(f as usize), m.corners(g as usize));
                !a.iter().any(|p| b.contains(p)) && meet(&a, &b)
            })
            .collect()
    }

    #[test]
    fn a_point_pushed_through_the_opposite_wall_is_one_spot() {
        let whole = torus(10.0, 3.0, 60, 24);
        let moved_point = 12 * 24; // outermost of its ring
        let (mut points, facets) = whole.into_parts();
        let outward = points[moved_point].coords.normalize();
        points[moved_point] -= outward * 7.0;
        let m = mesh(points, facets);
        let s = look(&m);
        assert_eq!(s.crossing_spots.len(), 1);
        assert!(s.crossing_pairs >= 3, "{}", s.crossing_pairs);
        assert!(!s.watertight && s.fin_edges == 0 && s.holes.is_empty());
        assert_eq!(fast(&m), slow(&m));
        assert_eq!(drawn(&m), slow(&m));
    }

    #[test]
    fn sound_meshes_do_not_cross() {
        for m in [
            torus(10.0, 4.0, 80, 40),
            ball(5.0, 16),
            bent_tube(3.5, 10.0, 0.7, 0.5),
        ] {
            assert!(fast(&m).is_empty());
            assert!(fast(&pose(&m)).is_empty());
        }
    }

    /// Corners that agree in place but not in number (a mesh never welded) are shared.
    #[test]
    fn an_unwelded_mesh_does_not_cross() {
        let m = ball(5.0, 10);
        let points = m
            .facets()
            .iter()
            .flatten()
            .map(|&p| m.points()[p as usize])
            .collect();
        let facets = (0..m.facets().len() as u32).map(|f| [3 * f, 3 * f + 1, 3 * f + 2]);
        assert!(fast(&mesh(points, facets.collect())).is_empty());
    }

    #[test]
    fn parts_that_cross_or_lie_in_one_plane_count() {
        let a = ball(5.0, 10);
        let m = both(&a, &moved(&ball(2.0, 6), Vector::new(5.0, 0.3, 0.2)));
        let s = look(&m);
        assert_eq!(s.crossing_spots.len(), 1);
        assert_eq!(fast(&m), slow(&m));
        assert_eq!(drawn(&m), slow(&m));
        let tile = |x: f64| {
            let at = |u: f64, v: f64| Point::new(x + u, v, 2.0);
            mesh(
                vec![at(0.0, 0.0), at(3.0, 0.0), at(0.0, 3.0)],
                vec![[0, 1, 2]],
            )
        };
        assert_eq!(fast(&both(&tile(0.0), &tile(1.0))), [[0, 1]]);
        assert!(fast(&both(&tile(0.0), &tile(3.1))).is_empty());
    }

    /// Thousands of facets that all cross each other end in a bounded count, not in a day's wait.
    #[test]
    fn a_heap_of_facets_is_cut_short() {
        let mut chance = Noise(7);
        let n = 6000_u32;
        let mut at = || Point::new(chance.normal(), chance.normal(), chance.normal()) * 10.0;
        let points = (0..3 * n).map(|_| at()).collect();
        let m = mesh(
            points,
            (0..n).map(|f| [3 * f, 3 * f + 1, 3 * f + 2]).collect(),
        );
        assert!(is_heap(&MeshQueries::new(&m)));
        assert!(!is_heap(&MeshQueries::new(&torus(10.0, 4.0, 80, 40))));
        let found = fast(&m).len();
        assert!(found > 100_000 && found <= MOST_PAIRS + BATCH, "{found}");
    }

    /// A plate run through a tube crosses it all round, in one place.
    #[test]
    fn a_plate_through_a_tube_is_one_spot_each_way_round() {
        let tube = bent_tube(3.5, 10.0, 0.7, 0.5);
        let plate = surface(30, 30, false, false, |s, t| {
            Point::new(20.0 * s - 10.0, 20.0 * t - 10.0, 4.123)
        });
        let m = both(&tube, &plate);
        let s = look(&m);
        assert_eq!(s.crossing_spots.len(), 1);
        assert!((s.crossing_spots[0].point.z - 4.123).abs() < 0.5);
        assert_eq!(fast(&m), slow(&m));
        assert_eq!(drawn(&m), slow(&m));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(10))]

        /// On crumpled balls of 512 facets the tree finds exactly what all pairs find, and a turn
        /// by whole quarter turns (exact in f64) changes nothing.
        #[test]
        fn the_tree_misses_nothing(seed in any::<u64>(), crumple in 0.05_f64..1.5) {
            let m = noisy(&ball(5.0, 8), crumple, seed);
            let found = fast(&m);
            prop_assert_eq!(&found, &slow(&m));
            let turned = m.mapped(|p| Point::new(-p.y, p.x, p.z)).expect("finite");
            prop_assert_eq!(&found, &fast(&turned));
        }
    }
}

//! Exact signed distance to a scan: nearest point by tree, sign by the cheapest rule that holds.
//!
//! The solid is the scan, its facets wound alike (see [`super::agree`]), with virtual facets across
//! its openings (see [`super::caps`]); inside is where the winding number of the two together is at
//! least one half. That number changes at facets only, so the signed distance is continuous. Where
//! it hangs on the virtual facets alone, the sign is *unsure*, and said to be so.

use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

use rayon::prelude::*;

use super::agree;
use super::caps::Caps;
use super::crossing::crossing_pairs;
use super::moments::{Winding, solid_angles};
use super::pseudonormal::Pseudonormals;
use super::tree::{Hit, Tree};
use super::{Implicit, Sample};
use crate::mesh::{Mesh, Point, Topology, Vector};
use crate::soundness::Soundness;
use crate::units::Mm2;

/// Half width of the band about a winding number of one half in which the scan's own facets do
/// not tell the side. A clean cut passes from 0.7 to 0.3 within about a third of its radius. Below
/// 0.1 a ragged rim is called sure; above 0.3 half of a canal behind a pinhole would be unsure.
const UNSURE_BAND: f64 = 0.2;
/// Queries of a batch that share their last answer as a start; the split must not depend on
/// the number of threads.
const CHUNK: usize = 256;

/// Tells meshes apart, so that a sample of one is never taken for a start in another.
static NEXT_MESH: AtomicU32 = AtomicU32::new(1);

/// How the side of a point is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignRule {
    /// Normal of the nearest feature: quick, right on closed oriented surfaces that nowhere cross.
    Pseudonormal,
    /// Winding number at least one half: right on soups, crossings and fins, slower.
    Winding,
}

/// A scan that can be asked how far, and on which side, a point lies.
pub struct SignedDistance {
    number: u32,
    closed: Mesh,
    scan_facets: usize,
    caps: Caps,
    tree: Tree,
    pseudonormals: Option<Pseudonormals>,
    winding: OnceLock<Winding>,
    inside_out: bool,
}

impl SignedDistance {
    /// Prepares a mesh. Openings are closed by virtual facets; the rule is
    /// [`SignRule::Pseudonormal`] where the closed mesh is sound as far as its edges tell, else
    /// [`SignRule::Winding`]. A mesh that is inside out as a whole is read as if turned round
    /// (see [`SignedDistance::inside_out`]). Facets that cross are not looked for: use
    /// [`SignedDistance::for_scan`] or [`SignedDistance::with_rule`] where they may occur.
    #[must_use]
    pub fn new(mesh: &Mesh, topology: &Topology) -> Self {
        let alike = agree::wound_alike(mesh, topology);
        let own = alike.as_ref().map(Topology::new);
        let caps = Caps::new(
            alike.as_ref().unwrap_or(mesh),
            own.as_ref().unwrap_or(topology),
        );
        let (points, mut facets) = alike.unwrap_or_else(|| mesh.clone()).into_parts();
        facets.extend(&caps.facets);
        let closed = Mesh::new(points, facets).expect("caps join points that exist");
        let own = if caps.facets.is_empty() {
            own
        } else {
            Some(Topology::new(&closed))
        };
        let topology = own.as_ref().unwrap_or(topology);
        let (tree, normals) = rayon::join(
            || Tree::new(closed.points(), closed.facets(), &topology.links),
            || Pseudonormals::new(&closed, topology),
        );
        let mut out = Self {
            number: NEXT_MESH.fetch_add(1, Ordering::Relaxed),
            inside_out: closed.signed_volume_mm3() < 0.0,
            scan_facets: mesh.facets().len(),
            closed,
            tree,
            caps,
            pseudonormals: None,
            winding: OnceLock::new(),
        };
        out.pseudonormals = normals.filter(|_| !out.spans_cross() && out.parts_agree(topology));
        out
    }

    /// Whether a virtual facet passes through another facet: spans over ragged rims do, and beside
    /// them the nearest normal told the wrong side.
    fn spans_cross(&self) -> bool {
        let facets = self.closed.facets();
        let spans: Vec<bool> = (0..facets.len()).map(|f| f >= self.scan_facets).collect();
        !crossing_pairs(self.closed.points(), facets, &spans).is_empty()
    }

    /// The same, with the rule that what [`crate::soundness`] found asks for.
    #[must_use]
    pub fn for_scan(mesh: &Mesh, topology: &Topology, soundness: &Soundness) -> Self {
        let out = Self::new(mesh, topology);
        if soundness.crossing_pairs > 0 {
            out.with_rule(SignRule::Winding)
        } else {
            out
        }
    }

    /// Asks for a rule. [`SignRule::Pseudonormal`] is granted only where it holds.
    #[must_use]
    pub fn with_rule(mut self, rule: SignRule) -> Self {
        if rule == SignRule::Winding {
            self.pseudonormals = None;
        }
        self
    }

    /// The rule in use.
    #[must_use]
    pub fn rule(&self) -> SignRule {
        if self.pseudonormals.is_some() {
            SignRule::Pseudonormal
        } else {
            SignRule::Winding
        }
    }

    /// True where the mesh as given encloses a negative volume and was read turned round.
    #[must_use]
    pub fn inside_out(&self) -> bool {
        self.inside_out
    }

    /// The mesh with its virtual facets behind its own.
    #[must_use]
    pub fn closed(&self) -> &Mesh {
        &self.closed
    }

    /// How many loops were closed by virtual facets, and the flat area of them.
    #[must_use]
    pub fn openings(&self) -> (usize, Mm2) {
        (self.caps.loops, Mm2(self.caps.area_mm2))
    }

    /// True for a facet that spans an opening and is no part of the scan.
    #[must_use]
    pub fn is_virtual(&self, facet: u32) -> bool {
        facet as usize >= self.scan_facets
    }

    /// Signed distance at `p`: negative inside. `near`: any earlier sample close by, for speed.
    /// A field without facets is infinitely far.
    #[must_use]
    pub fn distance(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let near = near.filter(|s| s.mesh == self.number);
        let Some(hit) = self.hit(p, near) else {
            return Sample {
                distance_mm: f64::INFINITY,
                ..Sample::of_shape(p, f64::INFINITY, Vector::zeros())
            };
        };
        let facet = self.tree.facet[hit.slot as usize];
        let away_mm = hit.sq.sqrt();
        let sign = match near {
            // No surface lies within the neighbour's ball, so its side is ours.
            Some(s) if (p - s.at).norm() < s.distance_mm.abs() => s.distance_mm.signum(),
            _ => self.side(p, &hit, facet),
        };
        let gradient = ((p - hit.point) * sign)
            .try_normalize(1e-9)
            .unwrap_or_else(|| self.outward(&hit, facet));
        let value_mm = sign * away_mm;
        Sample {
            at: *p,
            value_mm,
            gradient,
            distance_mm: value_mm,
            facet,
            mesh: self.number,
        }
    }

    /// Nearest point; `near` is a sample of this mesh.
    fn hit(&self, p: &Point, near: Option<&Sample>) -> Option<Hit> {
        let guess = near.map(|s| self.tree.slot[s.facet as usize]);
        match (near, guess) {
            // Asked before at this very point: the facet is known.
            (Some(s), Some(slot)) if s.at == *p => Some(self.tree.ask_one(slot, p)),
            _ => {
                let least = near.map_or(-1.0, |s| s.distance_mm.abs() - (p - s.at).norm());
                self.tree.nearest(p, guess, f64::INFINITY, least)
            }
        }
    }

    /// Signed distances of many points, in parallel; the same answers for any number of threads.
    #[must_use]
    pub fn distances(&self, points: &[Point]) -> Vec<Sample> {
        let chunks = points.par_chunks(CHUNK).flat_map_iter(|chunk| {
            let mut last = None;
            chunk.iter().map(move |p| {
                let s = self.distance(p, last.as_ref());
                last = Some(s);
                s
            })
        });
        chunks.collect()
    }

    /// The nearest point of the surface (virtual facets too), or `None` without facets.
    #[must_use]
    pub fn nearest(&self, p: &Point, near: Option<&Sample>) -> Option<(Point, u32)> {
        let hit = self.hit(p, near.filter(|s| s.mesh == self.number))?;
        Some((hit.point, self.tree.facet[hit.slot as usize]))
    }

    /// Generalized winding number of the scan and its virtual facets: about 1 inside, 0 outside.
    #[must_use]
    pub fn winding_number(&self, p: &Point) -> f64 {
        let w = self
            .winding
            .get_or_init(|| Winding::new(&self.tree))
            .at(&self.tree, p);
        if self.inside_out { -w } else { w }
    }

    /// Winding number of the scan's own facets alone: one half somewhere in every opening.
    #[must_use]
    pub fn open_winding_number(&self, p: &Point) -> f64 {
        let caps: f64 = (self.scan_facets..self.closed.facets().len())
            .map(|f| {
                let slot = self.tree.slot[f] as usize;
                solid_angles(&self.tree.tris[slot..=slot], p)
            })
            .sum::<f64>()
            / (4.0 * std::f64::consts::PI);
        let caps = if self.inside_out { -caps } else { caps };
        self.winding_number(p) - caps
    }

    /// True where the scan's own facets do not tell on which side `p` lies: in and near openings,
    /// and near fins or stray sheets.
    #[must_use]
    pub fn is_unsure(&self, p: &Point) -> bool {
        let doubtful = |w: f64| (w - 0.5).abs() < UNSURE_BAND;
        doubtful(self.open_winding_number(p)) || doubtful(self.winding_number(p))
    }

    fn side(&self, p: &Point, hit: &Hit, facet: u32) -> f64 {
        if let Some(normals) = &self.pseudonormals {
            let along = (p - hit.point).dot(normals.of(facet, hit.feature));
            if along != 0.0 {
                return if (along < 0.0) ^ self.inside_out {
                    -1.0
                } else {
                    1.0
                };
            }
        }
        if self.winding_number(p) >= 0.5 {
            -1.0
        } else {
            1.0
        }
    }

    fn outward(&self, hit: &Hit, facet: u32) -> Vector {
        let n = self.pseudonormals.as_ref().map_or_else(
            || self.closed.area_vector(facet as usize),
            |n| *n.of(facet, hit.feature),
        );
        let n = if self.inside_out { -n } else { n };
        n.try_normalize(1e-300).unwrap_or_else(Vector::z)
    }

    /// Whether just outside every part reads outside and just inside reads inside. A stray part
    /// that is inside out would turn its whole neighbourhood round.
    fn parts_agree(&self, topology: &Topology) -> bool {
        let (part, parts) = topology.parts(&self.closed);
        if parts < 2 {
            return true;
        }
        let mut largest = vec![(0.0, 0); parts];
        for (f, &k) in part.iter().enumerate() {
            let area = self.closed.area_vector(f).norm();
            if area > largest[k as usize].0 {
                largest[k as usize] = (area, f);
            }
        }
        largest.iter().all(|&(twice_area, f)| {
            let [a, b, c] = self.closed.corners(f);
            let middle = Point::from((a.coords + b.coords + c.coords) / 3.0);
            let step = self.closed.area_vector(f) / twice_area * (1e-3 * twice_area.sqrt());
            let step = if self.inside_out { -step } else { step };
            self.winding_number(&(middle + step)) < 0.5
                && self.winding_number(&(middle - step)) >= 0.5
        })
    }
}

impl Implicit for SignedDistance {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        self.distance(p, near)
    }

    fn bounds(&self) -> (Point, Point) {
        self.closed
            .bounds()
            .unwrap_or((Point::origin(), Point::origin()))
    }
}

#[cfg(test)]
mod tests {
    use super::super::moments::winding_exact;
    use super::super::test_shapes::*;
    use super::*;
    use crate::mesh::MeshQueries;

    fn field(mesh: &Mesh) -> SignedDistance {
        SignedDistance::new(mesh, &Topology::new(mesh))
    }

    fn cube(half: f64) -> (Point, Point) {
        (
            Point::new(-half, -half, -half),
            Point::new(half, half, half),
        )
    }

    #[test]
    fn nearest_agrees_with_the_general_tree_with_any_guess() {
        let mesh = torus(5.0, 2.0, 40);
        let (d, slow) = (field(&mesh), MeshQueries::new(&mesh));
        let (lo, hi) = cube(8.0);
        let mut last = None;
        for p in scattered(lo, hi, 3000) {
            let s = d.distance(&p, last.as_ref());
            let n = slow.nearest(&p, f64::INFINITY).expect("facets");
            assert!((s.value_mm.abs() - n.distance_mm).abs() < 1e-12);
            last = Some(s);
        }
    }

    #[test]
    fn distance_to_a_sphere_errs_inward_by_less_than_the_sagitta() {
        for n in [16, 32, 64] {
            let d = field(&sphere(Point::origin(), 5.0, n));
            assert_eq!(d.rule(), SignRule::Pseudonormal);
            let sagitta = 5.0 * (1.0 - (std::f64::consts::PI / n as f64).cos());
            let (lo, hi) = cube(7.0);
            for p in scattered(lo, hi, 500) {
                let miss = d.distance(&p, None).value_mm - (p.coords.norm() - 5.0);
                assert!((-1e-9..=sagitta).contains(&miss), "{n} rings: {miss}");
            }
        }
    }

    #[test]
    fn signs_by_normal_and_by_winding_number_are_the_same() {
        let hollow = both(&torus(5.0, 2.0, 30), &torus(5.0, 1.2, 20), true);
        for mesh in [torus(5.0, 2.0, 30), bent_tube(2.0, 4.0, 1.5, 24), hollow] {
            let quick = field(&mesh);
            let slow = field(&mesh).with_rule(SignRule::Winding);
            assert_eq!(quick.rule(), SignRule::Pseudonormal);
            let (lo, hi) = cube(7.5);
            for p in scattered(lo, hi, 2000) {
                let (a, b) = (quick.distance(&p, None), slow.distance(&p, None));
                assert_eq!(a.value_mm, b.value_mm);
            }
        }
    }

    /// Deep inside a closed ear of 100 thousand facets too, smooth and rough: the nearest facet's normal
    /// tells the side that the winding number tells. Where noise has made facets cross it does not, and
    /// [`SignedDistance::for_scan`] does not ask it.
    #[test]
    fn signs_are_the_same_deep_inside_an_ear() {
        use crate::demo::{Base, EarModel, Side, ear};
        use crate::soundness::crossing_pairs_drawn;
        for noise_mm in [0.0, 0.02] {
            let mesh = ear(&EarModel {
                facets: 100_000,
                base: Base::Closed,
                noise_mm,
                ..EarModel::medium(Side::Left)
            })
            .mesh;
            let (quick, slow) = (field(&mesh), field(&mesh).with_rule(SignRule::Winding));
            assert_eq!(quick.rule(), SignRule::Pseudonormal);
            let (lo, hi) = Implicit::bounds(&quick);
            let unlike = scattered(lo, hi, 4000).into_iter().filter(|p| {
                let (a, b) = (quick.distance(p, None), slow.distance(p, None));
                a.value_mm != b.value_mm
            });
            let (unlike, crossing) = (unlike.count(), crossing_pairs_drawn(&mesh));
            assert!(unlike == 0 || crossing > 0, "{noise_mm}: {unlike}");
        }
    }

    #[test]
    fn winding_number_follows_its_slow_twin() {
        for mesh in [torus(5.0, 2.0, 40), bent_tube(2.0, 4.0, 1.5, 40)] {
            let open = kept(&mesh, |p| p.z < 1.0);
            let links = Topology::new(&open).links;
            let tree = Tree::new(open.points(), open.facets(), &links);
            let fast = Winding::new(&tree);
            let (lo, hi) = cube(8.0);
            // The first term left out falls with the fourth power of the distance.
            for (far, within) in [(1.5, 0.025), (2.0, 0.006), (3.0, 0.001), (4.0, 0.0003)] {
                let worst = scattered(lo, hi, 3000)
                    .iter()
                    .map(|p| (fast.at_with(&tree, p, far) - winding_exact(&tree, p)).abs())
                    .fold(0.0, f64::max);
                assert!(worst < within, "far {far}: {worst}");
            }
        }
    }

    #[test]
    fn a_stray_part_inside_out_does_not_turn_its_neighbourhood() {
        let stray = sphere(Point::new(0.0, 0.0, 9.0), 0.5, 8).inverted();
        let d = field(&both(&sphere(Point::origin(), 5.0, 24), &stray, false));
        assert_eq!(d.rule(), SignRule::Winding);
        assert!(d.distance(&Point::new(0.0, 0.0, 8.0), None).value_mm > 0.0);
    }

    #[test]
    fn a_mesh_inside_out_is_read_turned_round_and_says_so() {
        let d = field(&torus(5.0, 2.0, 20).inverted());
        assert!(d.inside_out());
        assert!(d.distance(&Point::new(5.0, 0.0, 0.0), None).value_mm < -1.9);
        assert!(d.distance(&Point::origin(), None).value_mm > 2.9);
    }

    #[test]
    fn an_opening_is_spanned_and_what_hangs_on_it_is_unsure() {
        let open = kept(&sphere(Point::origin(), 5.0, 60), |p| p.z < 3.0);
        let d = field(&open);
        assert_eq!(d.rule(), SignRule::Pseudonormal);
        let (loops, area) = d.openings();
        assert_eq!(loops, 1);
        let flat = std::f64::consts::PI * (25.0 - 9.0);
        assert!((area.value() / flat - 1.0).abs() < 0.03, "{area}");
        let at = |z: f64| Point::new(0.3, 0.2, z);
        assert!((d.distance(&at(1.0), None).value_mm + 2.0).abs() < 0.15);
        assert!((d.distance(&at(4.5), None).value_mm - 1.5).abs() < 0.15);
        assert!(d.is_virtual(d.distance(&at(4.0), None).facet));
        assert!(!d.is_virtual(d.distance(&at(-4.0), None).facet));
        assert!(!d.is_unsure(&at(-2.0)) && !d.is_unsure(&at(9.0)));
        assert!(d.is_unsure(&at(3.0)) && d.is_unsure(&at(3.3)));
    }

    /// However a scan is torn, wound and roughened: the signed distance changes by no more than the
    /// way gone, so a side never changes in empty space; and far from it one is outside.
    #[test]
    fn a_side_changes_at_facets_only() {
        let hemisphere = kept(&sphere(Point::origin(), 5.0, 40), |p| p.z < 0.4 * p.x.sin());
        let open_tube = kept(&bent_tube(2.0, 4.0, 1.5, 32), |p| p.z > -4.8);
        for mesh in [
            hemisphere.clone(),
            rough(&hemisphere, 0.1),
            rough(&open_tube, 0.1),
            torn_sphere(5.0, 0.15),
        ] {
            let d = field(&mesh);
            let (lo, hi) = cube(9.0);
            let steps = scattered(
                Point::new(-0.3, -0.3, -0.3),
                Point::new(0.3, 0.3, 0.3),
                4000,
            );
            for (p, step) in scattered(lo, hi, 4000).iter().zip(steps) {
                let q = p + step.coords;
                let (a, b) = (d.distance(p, None), d.distance(&q, None));
                let change = (a.value_mm - b.value_mm).abs();
                assert!(change <= step.coords.norm() + 1e-9, "{p} {q}: {change}");
                let (inner, outer) = Implicit::bounds(&d);
                let within = p.coords.sup(&inner.coords) == p.coords
                    && p.coords.inf(&outer.coords) == p.coords;
                assert!(within || a.value_mm > 0.0, "{p}: inside, out of the bounds");
            }
        }
    }

    #[test]
    fn a_torn_sphere_has_the_sides_of_a_whole_one() {
        let d = field(&torn_sphere(5.0, 0.0));
        let (lo, hi) = cube(7.0);
        for p in scattered(lo, hi, 4000) {
            // Under the ragged opening, which ends at 0.63 of the radius.
            if p.z < 0.6 * 5.0 && (p.coords.norm() - 5.0).abs() > 0.3 {
                let inside = d.distance(&p, None).value_mm < 0.0;
                assert_eq!(inside, p.coords.norm() < 5.0, "{p}");
            }
        }
    }

    #[test]
    fn small_holes_and_a_fin_leave_the_signs_as_they_were() {
        let whole = torus(5.0, 2.0, 40);
        let (mut points, mut facets) = whole.clone().into_parts();
        let facets_left = facets.split_off(7); // a hole of seven facets
        let [a, b, _] = facets_left[900];
        points.push(points[a as usize] + Vector::new(0.0, 0.0, 0.4));
        let mut facets = facets_left;
        facets.push([a, b, points.len() as u32 - 1]);
        let torn = Mesh::new(points, facets).expect("indices kept");
        let (d, sound) = (field(&torn), field(&whole));
        assert_eq!(d.rule(), SignRule::Winding);
        let (lo, hi) = cube(8.0);
        for p in scattered(lo, hi, 2000) {
            let (x, y) = (d.distance(&p, None), sound.distance(&p, None));
            if y.value_mm.abs() > 0.5 {
                assert_eq!(x.value_mm < 0.0, y.value_mm < 0.0, "{p}");
            }
        }
    }

    #[test]
    fn no_facets_and_wild_points_do_no_harm() {
        let none = field(&Mesh::default());
        assert!(none.distance(&Point::origin(), None).value_mm.is_infinite());
        let d = field(&torus(5.0, 2.0, 12));
        let nan = d.distance(&Point::new(f64::NAN, 0.0, 0.0), None);
        assert_eq!(nan.facet, u32::MAX);
        assert!(d.distance(&Point::new(1e9, 0.0, 0.0), None).value_mm > 9e8);
        let flat = Mesh::new(vec![Point::origin(); 3], vec![[0, 1, 2], [0, 0, 1]]).expect("ok");
        assert!(
            field(&flat)
                .distance(&Point::new(1.0, 0.0, 0.0), None)
                .value_mm
                == 1.0
        );
    }

    #[test]
    fn a_batch_answers_as_single_questions_do() {
        let d = field(&bent_tube(2.0, 4.0, 1.5, 24));
        let (lo, hi) = cube(8.0);
        let points = scattered(lo, hi, 1000);
        let batch = d.distances(&points);
        for (p, s) in points.iter().zip(&batch) {
            assert!((d.distance(p, None).value_mm - s.value_mm).abs() < 1e-12);
        }
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(1)
            .build()
            .expect("pool");
        assert_eq!(pool.install(|| d.distances(&points)), batch);
    }
}

//! Offset solids: everything nearer to a scan than a distance; and how far a mesh lies from the level it stands
//! for.

use rayon::prelude::*;

use super::{Implicit, Sample, SignedDistance};
use crate::mesh::{Mesh, Point, Vector};
use crate::units::{Mm, Mm2};

/// A scan moved outward (positive) or inward by the same distance everywhere, as a solid. By zone of an ear:
/// [`crate::shell::Moved`].
pub struct Offset<'a> {
    /// The scan.
    pub field: &'a SignedDistance,
    /// By how much.
    pub by: Mm,
}

impl<'a> Offset<'a> {
    /// The scan moved by a distance.
    #[must_use]
    pub fn by(field: &'a SignedDistance, by: Mm) -> Self {
        Self { field, by }
    }
}

impl Implicit for Offset<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let mut s = self.field.distance(p, near);
        s.value_mm -= self.by.0;
        s
    }

    fn bounds(&self) -> (Point, Point) {
        let (lo, hi) = Implicit::bounds(self.field);
        let grow = Vector::repeat(self.by.0.max(0.0));
        (lo - grow, hi + grow)
    }
}

/// How far a mesh lies from the level it stands for, mm, unsigned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// Largest at a vertex.
    pub vertex_max: Mm,
    /// Root mean square at vertices.
    pub vertex_rms: Mm,
    /// Largest at the middle of a facet.
    pub centre_max: Mm,
    /// Root mean square at the middles of facets, every facet counted once.
    pub centre_rms: Mm,
}

/// Measures a drawn surface against the solid it was drawn from, at every vertex and facet middle.
#[must_use]
pub fn deviation<F: Implicit + ?Sized>(f: &F, mesh: &Mesh) -> Deviation {
    let off = |points: Vec<Point>| -> (f64, f64) {
        let all: Vec<f64> = points
            .par_chunks(256)
            .flat_map_iter(|chunk| {
                let mut near: Option<Sample> = None;
                chunk.iter().map(move |p| {
                    let s = f.sample(p, near.as_ref());
                    near = Some(s);
                    s.value_mm.abs()
                })
            })
            .collect();
        let sum: f64 = all.iter().map(|d| d * d).sum();
        let max = all.iter().copied().fold(0.0, f64::max);
        (max, (sum / all.len().max(1) as f64).sqrt())
    };
    let (vertex_max, vertex_rms) = off(mesh.points().to_vec());
    let middles = (0..mesh.facets().len()).map(|t| {
        let [a, b, c] = mesh.corners(t);
        Point::from((a.coords + b.coords + c.coords) / 3.0)
    });
    let (centre_max, centre_rms) = off(middles.collect());
    Deviation {
        vertex_max: Mm(vertex_max),
        vertex_rms: Mm(vertex_rms),
        centre_max: Mm(centre_max),
        centre_rms: Mm(centre_rms),
    }
}

/// Area of a drawn surface whose nearest point of the scan lies on no facet of it but on a virtual
/// one across an opening: there the surface follows the span over the opening, not the ear.
#[must_use]
pub fn over_openings(field: &SignedDistance, mesh: &Mesh) -> Mm2 {
    if field.openings().0 == 0 {
        return Mm2(0.0);
    }
    let middle = |t: usize| {
        let [a, b, c] = mesh.corners(t);
        Point::from((a.coords + b.coords + c.coords) / 3.0)
    };
    let middles: Vec<Point> = (0..mesh.facets().len()).map(middle).collect();
    let spans = field.distances(&middles).into_iter().enumerate();
    let area = spans
        .filter(|(_, s)| s.facet != u32::MAX && field.is_virtual(s.facet))
        .map(|(t, _)| mesh.area_vector(t).norm() / 2.0);
    Mm2(area.fold(0.0, |sum, a| sum + a))
}

/// Pairs of facets of a mesh that cross, by exact tests, over the whole of it.
#[must_use]
pub fn crossings(mesh: &Mesh) -> usize {
    super::crossing::all_crossing_pairs(mesh).len()
}

#[cfg(test)]
mod tests {
    use super::super::crossing::all_crossing_pairs;
    use super::super::surface;
    use super::super::test_shapes::*;
    use super::*;
    use crate::mesh::Topology;

    fn field(mesh: &Mesh) -> SignedDistance {
        SignedDistance::new(mesh, &Topology::new(mesh))
    }

    /// Draws, and holds the drawing against everything that is promised of it.
    fn drawn(f: &impl Implicit, cell_mm: f64) -> Mesh {
        let s = surface(f, cell_mm).expect("a surface");
        let topo = Topology::new(&s.mesh);
        let faults = (topo.open_edges, topo.fins.len(), topo.flipped_edges);
        assert_eq!(faults, (0, 0, 0), "open, fins, flipped");
        assert_eq!((s.folded, s.unsettled.len()), (0, 0), "folded, unsettled");
        assert_eq!(all_crossing_pairs(&s.mesh), vec![]);
        let d = deviation(f, &s.mesh);
        // What is promised at 0.2 mm; a facet's middle may be off in proportion to larger cells.
        let scale = (cell_mm / 0.2).max(1.0);
        assert!(d.vertex_max.0 <= 0.005, "{d:?}");
        assert!(d.centre_max.0 <= 0.015 * scale, "{d:?}");
        assert!(d.centre_rms.0 <= 0.003 * scale, "{d:?}");
        s.mesh
    }

    #[test]
    fn a_box_keeps_its_edges_inward_and_rounds_them_outward() {
        let d = field(&boxed(Point::origin(), Point::new(10.0, 8.0, 6.0), 5));
        let inner = drawn(&Offset::by(&d, Mm(-1.0)), 0.4);
        assert!((inner.signed_volume_mm3() - 192.0).abs() < 1e-6);
        let r: f64 = 0.5;
        let pi = std::f64::consts::PI;
        let steiner = 480.0 + 376.0 * r + pi * 24.0 * r * r + 4.0 / 3.0 * pi * r.powi(3);
        let outer = drawn(&Offset::by(&d, Mm(r)), 0.2).signed_volume_mm3();
        // Chords cut what is round, so the drawing is smaller, by less than the middle's promise.
        assert!(
            outer < steiner && outer > steiner - 0.003 * 376.0,
            "{outer} {steiner}"
        );
    }

    #[test]
    fn a_torus_has_the_volume_of_its_tube() {
        let d = field(&torus(4.0, 1.6, 96));
        for r in [0.3, -0.6] {
            let got = drawn(&Offset::by(&d, Mm(r)), 0.2).signed_volume_mm3();
            let want = 2.0 * std::f64::consts::PI.powi(2) * 4.0 * (1.6 + r).powi(2);
            assert!(got < want && got > 0.99 * want, "{r}: {got} {want}");
        }
    }

    /// Between two balls, the inner one off the middle: an offset by more than half of the wall at
    /// its thinnest must break through there and stay one sound surface.
    #[test]
    fn an_eccentric_hollow_ball_breaks_through_where_it_is_thin() {
        let outer = sphere(Point::origin(), 4.0, 48);
        let inner = sphere(Point::new(3.0, 0.0, 0.0), 0.6, 32);
        let d = field(&both(&outer, &inner, true)); // wall 0.4 to 6.4
        // What is left must be wider than a cell (0.3 mm here): thinner walls may be missed.
        let whole = drawn(&Offset::by(&d, Mm(-0.05)), 0.2);
        assert_eq!(parts(&whole), 2);
        let broken = drawn(&Offset::by(&d, Mm(-0.7)), 0.2);
        assert_eq!(parts(&broken), 1);
    }

    /// Walls that meet at 40° and 15°: the ridge is not promised, but the net stays closed with
    /// every point on the level, crosses nowhere, and where it is blunt is counted and placed.
    #[test]
    fn sharp_ridges_stay_closed_and_are_told() {
        for (off_mm, radius_mm) in [(2.2, 1.2), (1.0, 2.0)] {
            let outer = sphere(Point::origin(), 4.0, 48);
            let inner = sphere(Point::new(off_mm, 0.0, 0.0), radius_mm, 32);
            let d = field(&both(&outer, &inner, true));
            let f = Offset::by(&d, Mm(-0.7));
            let s = surface(&f, 0.25).expect("a surface");
            let topo = Topology::new(&s.mesh);
            assert_eq!((topo.open_edges, topo.fins.len()), (0, 0));
            let v = deviation(&f, &s.mesh);
            assert!(v.vertex_max.0 <= 0.005);
            assert!(v.centre_max.0 <= 0.015 || s.blunt + s.folded + s.given_up.len() > 0);
            assert_eq!((all_crossing_pairs(&s.mesh), s.crossing), (vec![], 0));
        }
    }

    /// Sheets torn open, roughened and wound both ways: whatever is asked, a closed surface in one
    /// part without crossings comes, of the volume of the whole shape.
    #[test]
    fn torn_and_rough_scans_give_closed_surfaces_that_nowhere_cross() {
        let ball = |r: f64| 4.0 / 3.0 * std::f64::consts::PI * r.powi(3);
        let hemisphere = kept(&sphere(Point::origin(), 4.0, 40), |p| p.z < 0.05);
        let scans = [
            (hemisphere.clone(), 0.5, 0.05),
            (rough(&hemisphere, 0.1), 0.5, 0.08),
            (torn_sphere(4.0, 0.0), 0.95, 0.06),
            (torn_sphere(4.0, 0.15), 0.95, 0.09),
        ];
        for (n, (scan, share, within)) in scans.into_iter().enumerate() {
            let d = field(&scan);
            let base = drawn_soundly(&Offset::by(&d, Mm(0.0)), 0.3).signed_volume_mm3();
            assert!(
                (base / (share * ball(4.0)) - 1.0).abs() < within,
                "{n}: {base}"
            );
            for r in [0.3, -0.8] {
                let v = drawn_soundly(&Offset::by(&d, Mm(r)), 0.3).signed_volume_mm3();
                assert!(v > 0.0 && (v > base) == (r > 0.0), "{n} {r}: {v} {base}");
            }
        }
    }

    #[test]
    fn an_open_tube_is_closed_flat_at_its_end() {
        let whole = bent_tube(2.0, 4.0, 0.0, 48); // 10 mm long
        let scan = kept(&whole, |p| (p.x - 4.0).hypot(p.y) > 1.9 || p.z < 0.0);
        let d = field(&scan);
        assert_eq!(d.openings().0, 1);
        let (whole, pi) = (field(&whole), std::f64::consts::PI);
        for r in [0.3, -0.5] {
            let got = drawn(&Offset::by(&d, Mm(r)), 0.2).signed_volume_mm3();
            let same = drawn(&Offset::by(&whole, Mm(r)), 0.2).signed_volume_mm3();
            assert!((got / same - 1.0).abs() < 1e-3, "{r}: {got} {same}");
            let plain = pi * (2.0_f64 + r.min(0.0)).powi(2) * (10.0 + 2.0 * r.min(0.0));
            assert!(got > 0.98 * plain, "{r}: {got} {plain}");
        }
    }

    fn drawn_soundly(f: &impl Implicit, cell_mm: f64) -> Mesh {
        let s = surface(f, cell_mm).expect("a surface");
        let topo = Topology::new(&s.mesh);
        let faults = (topo.open_edges, topo.fins.len(), topo.flipped_edges);
        assert_eq!(faults, (0, 0, 0), "open, fins, flipped");
        assert_eq!(all_crossing_pairs(&s.mesh), vec![]);
        assert!(deviation(f, &s.mesh).vertex_max.0 <= 0.005);
        assert_eq!(parts(&s.mesh), 1);
        s.mesh
    }

    fn parts(mesh: &Mesh) -> usize {
        Topology::new(mesh).parts(mesh).1
    }

    /// An inner corner rounded by an outward offset of its outside: an L-shaped bar shrinks by r
    /// on every side, and keeps what lies between a square and a quarter disc at the inner corner.
    #[test]
    fn an_l_shaped_bar_shrinks_round_its_inner_corner() {
        let (a, b) = (
            field(&boxed(Point::origin(), Point::new(6.0, 2.0, 2.0), 2)),
            field(&boxed(Point::origin(), Point::new(2.0, 5.0, 2.0), 2)),
        );
        let bar = drawn(&super::super::Union(vec![&a, &b]), 0.2);
        assert!((bar.signed_volume_mm3() - (24.0 + 12.0)).abs() < 0.02);
        let d = field(&bar);
        let got = drawn(&Offset::by(&d, Mm(-0.5)), 0.2).signed_volume_mm3();
        let beside_round = (1.0 - std::f64::consts::FRAC_PI_4) * 0.25;
        let want = 5.0 + 4.0 - 1.0 + beside_round; // 1 mm high
        assert!((got - want).abs() < 0.01, "{got} {want}");
    }

    #[test]
    fn tight_folds_of_a_bent_tube_stay_sound() {
        let d = field(&bent_tube(2.0, 2.5, 2.0, 48));
        for r in [1.0, -1.6] {
            drawn(&Offset::by(&d, Mm(r)), 0.2);
        }
        let gone = surface(&Offset::by(&d, Mm(-2.5)), 0.2);
        assert_eq!(gone.err(), Some(super::super::ContourError::Empty));
    }

    #[test]
    fn a_made_ear_is_offset_as_promised_whatever_the_threads() {
        use crate::demo::{EarModel, Side, ear};
        let model = EarModel {
            facets: 6_000,
            ..EarModel::small(Side::Left)
        };
        let d = field(&ear(&model).mesh);
        for r in [0.3, -1.2] {
            let f = Offset::by(&d, Mm(r));
            let mesh = drawn(&f, 0.3);
            let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build();
            let alone = pool.expect("a pool").install(|| surface(&f, 0.3));
            assert!(alone.expect("a surface").mesh == mesh);
        }
    }
}

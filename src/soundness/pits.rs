//! Pits: places where the surface lies deeper than the surface round about says it should, as a
//! bubble in the material or a void leaves them. Bumps are the same outward, with negative depth.
//!
//! A smooth patch is fitted to a *ring* about a place and asked for the height within it. That is
//! done on evenly spread samples at several ring sizes, coarsely; what stands out is looked at
//! again on the scan's own points, with the ring laid about the pit as it was found. A pit must be
//! bounded: what runs on through the ring (a groove, a fold, an edge) is form and is not told
//! here, nor is a pit closer to an open edge than the ring needs.

use std::collections::{HashMap, HashSet};
use std::f64::consts::PI;

use rayon::prelude::*;

use super::quadric::{Frame, Quadric};
use super::rings::Rings;
use super::samples::Samples;
use super::{Pit, Soundness};
use crate::mesh::{Mesh, Point, Vector};

/// Least depth of a pit, mm. Too low: the form of a sound ear is full of dents of 0.1 to 0.2 mm.
/// Too high: the shallowest bubble that shows on a shell after build-up (0.3) is lost.
const LEAST_DEPTH_MM: f64 = 0.25;

/// Least depth in multiples of the noise. Too low: of a thousand rings one is off by 4 by chance.
/// Too high: a bubble 0.4 deep is lost in a scan of 0.08 mm noise.
const LEAST_DEPTH_NOISES: f64 = 5.0;

/// Least depth in multiples of the ring's own misfit. Too low: folds and flares, where no smooth
/// patch fits the ring, read as pits (2 to 3). Too high: pits on a strongly curved wall are lost.
const LEAST_DEPTH_MISFITS: f64 = 4.0;

/// Spacing of the places looked at, and inner radii of the rings laid about each, mm: a pit must
/// fit within a ring, and not be much smaller than it. They cover pits 0.8 to 4 mm wide in steps
/// of 1.5. Too wide a spacing: a bubble falls between places, or reaches into the ring; too small:
/// only time.
const LOOKS: [(f64, &[f64]); 2] = [(0.7, &[0.5, 0.75]), (1.1, &[1.1, 1.6, 2.3])];

/// Smallest inner radius of a ring, mm; smaller pits are no bubbles that anyone mends.
const LEAST_INNER_MM: f64 = 0.5;

/// How far a ring reaches beyond its inner radius, mm. Too thin: the fit hangs on few points. Too
/// wide: the fit has to follow more of the form than one patch can.
const RING_MM: f64 = 1.3;

/// Largest width of a pit, mm; what is wider is form.
const WIDEST_MM: f64 = 4.8;

/// Spacing of samples, mm. Too wide: a bubble 0.8 across is averaged away; too small: noise is not
/// averaged at all.
const SAMPLE_MM: f64 = 0.35;

/// Samples taken of a ring in the first look. Too few: the fit follows their noise (the look is
/// repeated on all points anyway); too many: only time, of which this is most.
const FIRST_LOOK: f64 = 44.0;

/// A ring point's normal must lie within about 55° of the middle's, so that the patch is one
/// height over a plane. Too low: the far side of a thin canal tip joins in. Too high: narrow canals
/// have no ring.
const LEAST_DOT: f64 = 0.57;

/// Pits deeper than what is asked for, deepest first, then bumps, highest first; on the main part
/// only. Depth is along the normal, in mm, at the deepest point; width is measured at a tenth of
/// the depth. Misses grooves, and pits closer than about 1 mm to an open edge.
#[must_use]
pub fn pits(mesh: &Mesh, soundness: &Soundness) -> Vec<Pit> {
    pits_where(mesh, soundness, |_| true)
}

/// As [`pits`], but only about the places asked for: most of a scan is concha, and looking at the
/// canal alone takes a third of the time.
#[must_use]
pub fn pits_where(
    mesh: &Mesh,
    soundness: &Soundness,
    wanted: impl Fn(&Point) -> bool + Sync,
) -> Vec<Pit> {
    let scan = Scan::new(mesh, soundness);
    let samples = Samples::new(&scan.oriented, scan.sample_mm);
    let mut standing_out: Vec<Candidate> = LOOKS
        .iter()
        .flat_map(|(spacing, inners)| scan.look(&samples, *spacing, inners, &wanted))
        .collect();
    standing_out.sort_by(|a, b| b.clarity.total_cmp(&a.clarity).then(a.start.cmp(&b.start)));
    let measured: Vec<Option<Pit>> = thinned(standing_out)
        .par_iter()
        .map(|c| scan.measure(c))
        .collect();
    let mut found: Vec<Pit> = Vec::new();
    for pit in measured.into_iter().flatten() {
        let same = |p: &Pit| (p.point - pit.point).norm() < 0.5 * p.width_mm.max(pit.width_mm);
        if !found.iter().any(same) {
            found.push(pit);
        }
    }
    found.sort_by(|a, b| b.depth_mm.total_cmp(&a.depth_mm));
    found
}

/// The clearest of the candidates that lie within half a ring of each other.
fn thinned(candidates: Vec<Candidate>) -> Vec<Candidate> {
    let mut kept: Vec<Candidate> = Vec::new();
    for c in candidates {
        let covered = |k: &Candidate| (k.at - c.at).norm() < 0.6 * k.inner_mm;
        if !kept.iter().any(covered) {
            kept.push(c);
        }
    }
    kept
}

/// A place that stands out at some ring size.
struct Candidate {
    at: Point,
    /// A point of the scan at the place.
    start: u32,
    inner_mm: f64,
    /// Depth over misfit.
    clarity: f64,
}

/// The scan's points, ready to be looked at.
struct Scan<'m> {
    mesh: &'m Mesh,
    rings: Rings<'m>,
    /// Points of the main part with outward normals, and their numbers in the mesh.
    oriented: Vec<(Point, Vector)>,
    numbers: Vec<u32>,
    normals: Vec<Vector>,
    least_mm: f64,
    noise_mm: f64,
    sample_mm: f64,
}

impl<'m> Scan<'m> {
    fn new(mesh: &'m Mesh, soundness: &Soundness) -> Self {
        let mut normals = mesh.point_normals();
        if soundness.inverted {
            normals.iter_mut().for_each(|n| *n = -*n);
        }
        let mut in_main = vec![false; mesh.points().len()];
        for (corners, part) in mesh.facets().iter().zip(&soundness.part_of_facet) {
            if *part == soundness.main_part {
                corners.iter().for_each(|&p| in_main[p as usize] = true);
            }
        }
        let numbers = (0..mesh.points().len() as u32).filter(|&p| in_main[p as usize]);
        let numbers: Vec<u32> = numbers.collect();
        let with_normal = |&p: &u32| (mesh.points()[p as usize], normals[p as usize]);
        let oriented = numbers.iter().map(with_normal).collect();
        Self {
            mesh,
            rings: Rings::new(mesh),
            oriented,
            numbers,
            normals,
            least_mm: LEAST_DEPTH_MM.max(LEAST_DEPTH_NOISES * soundness.noise_mm),
            noise_mm: soundness.noise_mm,
            sample_mm: SAMPLE_MM.max(0.8 * soundness.edge_mm),
        }
    }

    /// Places that stand out, among those a spacing apart, at one of the ring sizes.
    fn look(
        &self,
        samples: &Samples,
        spacing_mm: f64,
        inners: &[f64],
        wanted: &(impl Fn(&Point) -> bool + Sync),
    ) -> Vec<Candidate> {
        let reach = inners.iter().fold(0.0, |m: f64, i| m.max(*i)) + RING_MM;
        let in_cell = |(cell, places): &(_, Vec<u32>)| {
            let asked = |&&i: &&u32| wanted(&samples.points[i as usize]);
            let places: Vec<u32> = places.iter().filter(asked).copied().collect();
            let about = if places.is_empty() {
                Vec::new()
            } else {
                samples.about(*cell, reach)
            };
            let stands_out = |i: u32| self.candidate(samples, &about, reach, inners, i);
            places
                .into_iter()
                .filter_map(stands_out)
                .collect::<Vec<_>>()
        };
        let cells = samples.places(spacing_mm);
        cells.par_iter().flat_map_iter(in_cell).collect()
    }

    /// The ring size at which the place stands out most clearly, if at any.
    fn candidate(
        &self,
        samples: &Samples,
        about: &[(Point, u32)],
        reach: f64,
        inners: &[f64],
        place: u32,
    ) -> Option<Candidate> {
        let at = samples.points[place as usize];
        let mut near: Vec<(f64, u32)> = Vec::with_capacity(400);
        for (p, i) in about {
            let distance_sq = (p - at).norm_squared();
            if distance_sq < reach * reach {
                near.push((distance_sq.sqrt(), *i));
            }
        }
        let mut best: Option<Candidate> = None;
        for &inner in inners {
            let expected = PI * RING_MM * (2.0 * inner + RING_MM) / self.sample_mm.powi(2);
            let every = ((expected / FIRST_LOOK) as usize).max(1);
            let members = |lo: f64, hi: f64| {
                let all = near.iter().filter(move |(d, _)| *d >= lo && *d < hi);
                all.step_by(every)
                    .map(|&(_, i)| (samples.points[i as usize], samples.normals[i as usize]))
            };
            let Some(view) = View::new(at, members(inner, inner + RING_MM)) else {
                continue;
            };
            let inside = members(0.0, inner).filter(|(_, n)| n.dot(&view.frame.out) > 0.0);
            // A pit hardly wider than a sample is half filled in by the sample's mean.
            let share = if inner < 1.0 { 0.45 } else { 0.7 };
            let inside = inside.map(|(p, _)| p);
            let (depth, misfit) = view.deepest(inside, share * self.least_mm);
            let clarity = depth.abs() / misfit.max(0.02);
            let clear = depth.abs() > share * self.least_mm && clarity > 0.75 * LEAST_DEPTH_MISFITS;
            if clear && best.as_ref().is_none_or(|b| clarity > b.clarity) {
                best = Some(Candidate {
                    at,
                    start: self.numbers[samples.first[place as usize] as usize],
                    inner_mm: inner,
                    clarity,
                });
            }
        }
        best
    }

    /// Looks at the candidate on the scan's own points, re-centring the ring on what is found.
    fn measure(&self, candidate: &Candidate) -> Option<Pit> {
        let (mut at, mut start) = (candidate.at, candidate.start);
        let (mut inner, mut last) = (candidate.inner_mm, None);
        for _ in 0..4 {
            let near = self.patch(&at, start, inner + RING_MM);
            let found = self.pit_within(&near, at, inner)?;
            (at, start) = (found.middle, found.deepest);
            inner = (1.15 * found.radius_mm + 0.1).max(LEAST_INNER_MM);
            last = Some(found.pit);
        }
        last.filter(|p| p.depth_mm.abs() >= self.least_mm)
    }

    /// Points within `reach_mm` of a place that hang together with point `start`, by number.
    fn patch(&self, at: &Point, start: u32, reach_mm: f64) -> Vec<u32> {
        let distance_sq = |p: u32| (self.mesh.points()[p as usize] - at).norm_squared();
        let mut seen = HashSet::from([start]);
        let (mut order, mut round, mut next) = (vec![start], Vec::new(), 0);
        while next < order.len() {
            self.rings.neighbours(order[next], &mut round);
            for &q in &round {
                if distance_sq(q) < reach_mm * reach_mm && seen.insert(q) {
                    order.push(q);
                }
            }
            next += 1;
        }
        order
    }

    /// The pit or bump inside a ring of the points given.
    fn pit_within(&self, near: &[u32], at: Point, inner: f64) -> Option<Found> {
        let point = |p: u32| self.mesh.points()[p as usize];
        let ring = near.iter().filter(|&&p| (point(p) - at).norm() >= inner);
        let view = View::new(at, ring.map(|&p| (point(p), self.normals[p as usize])))?.settled()?;
        let above: HashMap<u32, f64> = near
            .iter()
            .filter(|&&p| (point(p) - at).norm() < inner + 0.5 * RING_MM)
            .map(|&p| (p, view.above_mm(&point(p))))
            .collect();
        let inside = |p: &u32| (point(*p) - at).norm() < inner;
        let deepest = near
            .iter()
            .copied()
            .filter(inside)
            .max_by(|p, q| above[p].abs().total_cmp(&above[q].abs()))?;
        let depth = self.settled_depth(&above, deepest, -above[&deepest]);
        if depth.abs() < LEAST_DEPTH_MISFITS * view.misfit_mm.max(0.2 * self.noise_mm) {
            return None;
        }
        let members = self.reach_of(&above, deepest, depth);
        if !members.iter().all(inside)
            && members
                .iter()
                .any(|p| (point(*p) - at).norm() > inner + 0.4 * RING_MM)
        {
            return None; // it runs on through the ring: form, no pit
        }
        let at: Vec<Point> = members.iter().map(|&p| point(p)).collect();
        Found::new(&at, &view, (deepest, point(deepest)), depth)
    }

    /// Depth at the deepest point, averaged over its neighbours where noise would decide it.
    fn settled_depth(&self, above: &HashMap<u32, f64>, deepest: u32, depth: f64) -> f64 {
        let mut round = Vec::new();
        self.rings.neighbours(deepest, &mut round);
        let levels: Vec<f64> = round
            .iter()
            .filter_map(|q| above.get(q))
            .map(|z| -z)
            .collect();
        let mean = (levels.iter().sum::<f64>() + depth) / (levels.len() + 1) as f64;
        // The mean of a cap and its neighbours lies shallower than its bottom, by about as much as
        // the extreme of noisy points lies deeper than it.
        let trust = (3.0 * self.noise_mm / depth.abs()).min(1.0);
        depth + trust * (mean - depth)
    }

    /// Points joined to the deepest that lie deeper than a tenth of its depth and than the noise.
    fn reach_of(&self, above: &HashMap<u32, f64>, deepest: u32, depth: f64) -> Vec<u32> {
        let level = (0.1 * depth.abs()).max(2.0 * self.noise_mm);
        let mut seen = HashSet::from([deepest]);
        let (mut order, mut round, mut next) = (vec![deepest], Vec::new(), 0);
        while next < order.len() {
            self.rings.neighbours(order[next], &mut round);
            for &q in &round {
                let deep = above.get(&q).is_some_and(|z| -z * depth.signum() > level);
                if deep && seen.insert(q) {
                    order.push(q);
                }
            }
            next += 1;
        }
        order
    }
}

/// A pit with what is needed to lay the next ring about it.
struct Found {
    pit: Pit,
    deepest: u32,
    middle: Point,
    radius_mm: f64,
}

impl Found {
    fn new(members: &[Point], view: &View, deepest: (u32, Point), depth_mm: f64) -> Option<Self> {
        let mut width_sq = 0.0_f64;
        let mut ends = (members[0], members[0]);
        let step = members.len().div_ceil(400);
        for (i, p) in members.iter().step_by(step).enumerate() {
            for q in members.iter().step_by(step).skip(i + 1) {
                if (p - q).norm_squared() > width_sq {
                    width_sq = (p - q).norm_squared();
                    ends = (*p, *q);
                }
            }
        }
        let width_mm = width_sq.sqrt();
        let middle = view.lifted(&nalgebra::center(&ends.0, &ends.1));
        let radius = |p: &Point| (view.lifted(p) - middle).norm();
        (width_mm <= WIDEST_MM).then(|| Self {
            pit: Pit {
                depth_mm,
                width_mm,
                point: deepest.1,
            },
            deepest: deepest.0,
            middle,
            radius_mm: members.iter().map(radius).fold(0.0, f64::max),
        })
    }
}

/// A smooth patch through a ring of points about a place.
#[derive(Clone)]
struct View {
    frame: Frame,
    fit: Quadric,
    ring: Vec<[f64; 3]>,
    reach: f64,
    /// Root mean square of what the ring itself leaves over, mm.
    misfit_mm: f64,
}

impl View {
    /// Fits the points of the ring; `None` where they do not go all the way round.
    fn new(at: Point, ring: impl Iterator<Item = (Point, Vector)>) -> Option<Self> {
        let ring: Vec<(Point, Vector)> = ring.collect();
        let rough: Vector = ring.iter().map(|(_, n)| n).sum();
        let frame = Frame::new(at, rough.try_normalize(1e-9)?);
        let kept = ring.iter().filter(|(_, n)| n.dot(&frame.out) > LEAST_DOT);
        let local: Vec<[f64; 3]> = kept.map(|(p, _)| frame.local(p)).collect();
        let mut sectors = [0_u32; 8];
        for [x, y, _] in &local {
            let s = usize::from(*x > 0.0) | usize::from(*y > 0.0) << 1;
            sectors[s | usize::from(x.abs() > y.abs()) << 2] += 1;
        }
        if local.len() < 16 || sectors.contains(&0) {
            return None;
        }
        let reach = local
            .iter()
            .map(|[x, y, _]| x.hypot(*y))
            .fold(0.0, f64::max);
        let fit = Quadric::fit(&local, reach)?;
        let mut out = Self {
            frame,
            fit,
            ring: local,
            reach,
            misfit_mm: 0.0,
        };
        out.misfit_mm = out.misfit();
        Some(out)
    }

    /// The same with the arc-like form, which costs a few rounds more.
    fn settled(mut self) -> Option<Self> {
        self.fit = Quadric::fit_bent(&self.ring, self.reach)?;
        self.misfit_mm = self.misfit();
        Some(self)
    }

    fn misfit(&self) -> f64 {
        let sq: f64 = self
            .ring
            .iter()
            .map(|[x, y, z]| (z - self.fit.height(*x, *y)).powi(2))
            .sum();
        (sq / (self.ring.len() - 6) as f64).sqrt()
    }

    /// How far a point lies above the patch, along its normal, mm.
    fn above_mm(&self, p: &Point) -> f64 {
        let [x, y, z] = self.frame.local(p);
        (z - self.fit.height(x, y)) * self.fit.foreshortening(x, y)
    }

    /// The point of the patch over or under `p`.
    fn lifted(&self, p: &Point) -> Point {
        let [x, y, _] = self.frame.local(p);
        self.frame.origin
            + self.frame.x * x
            + self.frame.y * y
            + self.frame.out * self.fit.height(x, y)
    }

    /// The largest depth (positive) or height (negative) among points inside the ring, and the
    /// misfit of the patch asked. Where the plain patch reads nearly `doubt_mm`, the arc-like form
    /// is asked.
    fn deepest(&self, inside: impl Iterator<Item = Point>, doubt_mm: f64) -> (f64, f64) {
        let inside: Vec<Point> = inside.collect();
        let extreme = |view: &Self| {
            let all = inside.iter().map(|p| -view.above_mm(p));
            all.fold(0.0, |m: f64, d| if d.abs() > m.abs() { d } else { m })
        };
        let plain = extreme(self);
        if plain.abs() < 0.8 * doubt_mm {
            return (plain, self.misfit_mm);
        }
        self.clone()
            .settled()
            .map_or((0.0, self.misfit_mm), |view| {
                (extreme(&view), view.misfit_mm)
            })
    }
}

#[cfg(test)]
mod tests {
    use super::super::shapes::*;
    use super::*;

    fn find(m: &Mesh) -> Vec<Pit> {
        pits(m, &look(m))
    }

    /// A shape with a round dent about a point: a bowl `depth` deep with a sharp rim, as a bubble has.
    fn dented(m: &Mesh, at: Point, width: f64, depth: f64) -> Mesh {
        let normals = m.point_normals();
        let mut i = 0;
        m.mapped(|p| {
            i += 1;
            let r = (p - at).norm() / (0.5 * width);
            let bowl = (1.0 - r * r).max(0.0);
            p - normals[i - 1] * (depth * bowl)
        })
        .expect("finite")
    }

    /// A place on the tube's straight first leg, and one on its outer bend.
    fn places(radius: f64) -> [Point; 2] {
        let bend = Point::new(10.0, 0.0, 9.0);
        let a = 0.35_f64;
        let out = Vector::new(-a.cos(), 0.0, a.sin());
        [Point::new(0.0, radius, 5.0), bend + out * (10.0 + radius)]
    }

    #[test]
    fn smooth_shapes_have_none() {
        let shapes = [
            ("tube 2.5", bent_tube(2.5, 8.0, 0.8, 0.2)),
            ("tube 4", bent_tube(4.0, 10.0, 0.8, 0.25)),
            ("thin oval", ellipsoid([2.2, 4.0, 12.0], 60)),
            ("ball", ball(6.0, 40)),
            ("torus", torus(10.0, 4.0, 300, 120)),
            ("coarse tube", bent_tube(3.5, 10.0, 0.7, 0.6)),
        ];
        for (name, m) in shapes {
            for noise in [0.0, 0.08] {
                assert_eq!(find(&noisy(&m, noise, 9)), [], "{name}, noise {noise}");
            }
        }
    }

    #[test]
    fn bubbles_are_found_and_measured() {
        let tube = bent_tube(3.5, 10.0, 0.7, 0.2);
        for at in places(3.5) {
            for (width, depth) in [
                (0.8, 0.3),
                (1.2, 0.5),
                (2.0, 0.3),
                (2.0, 1.0),
                (3.0, 0.8),
                (4.0, 0.5),
            ] {
                let found = find(&dented(&tube, at, width, depth));
                assert_eq!(found.len(), 1, "{width} × {depth}: {found:?}");
                let p = &found[0];
                assert!(
                    (p.point - at).norm() < depth + 0.4,
                    "{width} × {depth}: {p:?}"
                );
                assert!(
                    (p.depth_mm - depth).abs() < 0.15 * depth + 0.03,
                    "{width} × {depth}: {p:?}"
                );
                assert!(
                    p.width_mm < width && p.width_mm > 0.95 * width - 0.45,
                    "{width} × {depth}: {p:?}"
                );
            }
        }
    }

    #[test]
    fn bumps_are_pits_with_negative_depth() {
        let tube = bent_tube(3.5, 10.0, 0.7, 0.2);
        let found = find(&dented(&tube, places(3.5)[0], 2.0, -0.5));
        assert_eq!(found.len(), 1);
        assert!((found[0].depth_mm + 0.5).abs() < 0.1);
    }

    #[test]
    fn noise_hides_shallow_ones_only() {
        let tube = bent_tube(3.5, 10.0, 0.7, 0.2);
        let at = places(3.5)[1];
        let found = find(&noisy(&dented(&tube, at, 2.0, 0.8), 0.08, 4));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].depth_mm - 0.8).abs() < 0.16, "{found:?}");
        assert_eq!(find(&noisy(&dented(&tube, at, 2.0, 0.3), 0.08, 4)), []);
    }

    #[test]
    fn pose_winding_and_company_change_nothing() {
        let tube = bent_tube(3.5, 10.0, 0.7, 0.25);
        let m = dented(
            &dented(&tube, places(3.5)[0], 2.0, 0.6),
            places(3.5)[1],
            1.4,
            0.4,
        );
        let plain = find(&m);
        assert_eq!(plain.len(), 2);
        for other in [pose(&m), m.inverted(), both(&ball(0.4, 3), &m)] {
            let found = find(&other);
            assert_eq!(found.len(), 2, "{found:?}");
            for (a, b) in plain.iter().zip(&found) {
                assert!((a.depth_mm - b.depth_mm).abs() < 0.03, "{a:?} {b:?}");
                assert!((a.width_mm - b.width_mm).abs() < 0.3, "{a:?} {b:?}");
            }
        }
    }

    /// A groove runs on: form, not a pit.
    #[test]
    fn a_groove_is_no_pit() {
        let tube = surface(200, 110, false, true, |s, t| {
            let a = -t * 2.0 * std::f64::consts::PI;
            let groove = 0.6 * (-((t - 0.5) * 22.0 / 0.7).powi(2)).exp();
            let r = 3.5 - groove;
            Point::new(r * a.cos(), r * a.sin(), 30.0 * s)
        });
        assert_eq!(find(&tube), []);
    }
}

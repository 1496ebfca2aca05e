//! The section function that every canal figure rests on: cut the surface by a plane, chain the
//! cut into outlines, close what a hole left open, and take the piece that holds the point asked
//! about. Holes are bridged and the bridged length is recorded, never hidden.

use std::f64::consts::PI;

use nalgebra::{Point2, Vector2};

use crate::mesh::{MeshQueries, Point, Vector};

use super::Section;
use super::outline::{Outline, chains, close};

/// A piece whose outline is further away than this does not answer for the point asked about.
/// Too small: a rough first axis that runs beside a bend finds nothing (starts are up to 2 mm off).
/// Too large: beyond the tip the plane meets the concha rim and takes it for canal.
const NEAREST_PIECE_MM: f64 = 3.0;

/// Sections are looked for this far around the point. Too small: the flare at the aperture is cut
/// off (concha sections reach 16 mm from the axis). Too large: only time is lost.
const REACH_MM: f64 = 22.0;

/// … but first only this far, which holds a whole canal section (up to 14 mm wide) and saves the
/// facets of the concha that the same plane cuts. An outline that comes near this is cut again.
const FIRST_REACH_MM: f64 = 10.0;

/// Moves every point a little along its normal, the same way each time it is asked: a copy of the
/// scan with fresh noise, without copying the scan.
#[derive(Clone, Copy)]
pub(super) struct Nudge<'a> {
    pub normals: &'a [Vector],
    pub sigma_mm: f64,
    pub seed: u64,
}

impl Nudge<'_> {
    /// Nudges never exceed this many sigma (four uniform numbers add up to no more).
    const MOST_SIGMA: f64 = 3.5;

    /// How much rounder (over 1) or flatter (under 1) this copy bridges holes; the same on all of
    /// it, from 0.3 to 1.7.
    fn bulge(&self) -> f64 {
        0.3 + 1.4 * (mix(self.seed) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn moved(&self, i: u32, p: Point) -> Point {
        // Sum of four uniform 16-bit numbers: near enough to a normal distribution, and cheap.
        let bits = mix(self.seed ^ (u64::from(i) + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        let sum: u64 = (0..4).map(|k| (bits >> (16 * k)) & 0xFFFF).sum();
        let normal = (sum as f64 / 65535.0 - 2.0) * 3.0_f64.sqrt();
        p + self.normals[i as usize] * (self.sigma_mm * normal)
    }
}

/// Steele, Lea, Flood 2014 (SplitMix64's finaliser).
pub(super) fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// What to cut, and whether a freshly noised copy of it is meant.
#[derive(Clone, Copy)]
pub(super) struct Cutter<'a> {
    pub queries: &'a MeshQueries<'a>,
    pub nudge: Option<Nudge<'a>>,
    /// Sections that do not lie wholly within the first reach are the ear's bulk and left out: for
    /// the first look at many ends, where only tubes matter.
    pub tubes_only: bool,
    /// Facets that take part (the canal's own surface, floaters left out); empty: all.
    pub part_of_facet: &'a [u32],
    /// The part to cut when `part_of_facet` is given.
    pub part: u32,
}

/// The plane's own axes: `u × v = n`.
struct Plane {
    origin: Point,
    u: Vector,
    v: Vector,
    n: Vector,
}

impl Plane {
    fn new(origin: Point, n: Vector) -> Self {
        let aside = if n.x.abs() < 0.6 {
            Vector::x()
        } else {
            Vector::y()
        };
        let u = n.cross(&aside).normalize();
        Self {
            origin,
            u,
            v: n.cross(&u),
            n,
        }
    }

    fn flat(&self, p: &Point) -> Point2<f64> {
        let d = p - self.origin;
        Point2::new(d.dot(&self.u), d.dot(&self.v))
    }

    fn lift(&self, p: &Point2<f64>) -> Point {
        self.origin + self.u * p.x + self.v * p.y
    }
}

/// A section without its outline and widths.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cut {
    pub centre: Point,
    pub area_mm2: f64,
    pub perimeter_mm: f64,
    pub gap_mm: f64,
}

impl Cutter<'_> {
    /// The section of the solid through `origin` square to `normal` (unit): the piece that holds
    /// `origin`, or else the nearest within 3 mm. `None` where the plane meets no such piece.
    pub(super) fn section(&self, origin: &Point, normal: &Vector) -> Option<Section> {
        let (outline, plane, cut) = self.cut(origin, normal)?;
        let (largest_mm, wide, smallest_mm) = calipers(&outline.points);
        Some(Section {
            at_mm: 0.0,
            centre: cut.centre,
            normal: plane.n,
            area_mm2: cut.area_mm2,
            largest_mm,
            largest_dir: plane.u * wide.x + plane.v * wide.y,
            smallest_mm,
            perimeter_mm: cut.perimeter_mm,
            gap_mm: cut.gap_mm,
            outline: outline.points.iter().map(|q| plane.lift(q)).collect(),
        })
    }

    /// The few figures of the section that settling an axis needs.
    pub(super) fn quick(&self, origin: &Point, normal: &Vector) -> Option<Cut> {
        self.cut(origin, normal).map(|c| c.2)
    }

    fn cut(&self, origin: &Point, normal: &Vector) -> Option<(Outline, Plane, Cut)> {
        let plane = Plane::new(*origin, *normal);
        let mut outlines = self.outlines(&plane, FIRST_REACH_MM);
        let whole = |o: &Outline| {
            (o.gap_mm == 0.0 || self.tubes_only)
                && o.points
                    .iter()
                    .all(|p| p.coords.norm_squared() < (FIRST_REACH_MM - 1.0).powi(2))
        };
        // What lies within reach of the point shows already; if nothing does, a wider cut finds
        // nothing either.
        let mut chosen = choose(&outlines)?;
        if !whole(&outlines[chosen]) || !holds_origin(&outlines[chosen].points) {
            if self.tubes_only {
                return None;
            }
            outlines = self.outlines(&plane, REACH_MM);
            chosen = choose(&outlines)?;
        }
        let outline = outlines.swap_remove(chosen);
        let cut = measure(&outline, &plane)?;
        Some((outline, plane, cut))
    }

    /// Where along the way from `a` to `b` (0 to 1) the surface (never nudged) is first crossed.
    pub(super) fn leaves(&self, a: &Point, b: &Point) -> Option<f64> {
        let hit = |h: &crate::mesh::RayHit| {
            let ours =
                self.part_of_facet.is_empty() || self.part_of_facet[h.facet as usize] == self.part;
            ours && h.at <= 1.0
        };
        self.queries
            .ray_hits(a, &(b - a))
            .into_iter()
            .find(hit)
            .map(|h| h.at)
    }

    fn outlines(&self, plane: &Plane, reach_mm: f64) -> Vec<Outline> {
        let slack_mm = self.nudge.map_or(0.0, |n| Nudge::MOST_SIGMA * n.sigma_mm);
        let facets = self
            .queries
            .facets_near_plane(&plane.origin, &plane.n, reach_mm, slack_mm);
        let mut ends: Vec<(u64, u32)> = Vec::with_capacity(facets.len());
        let mut places: Vec<[Point2<f64>; 2]> = Vec::with_capacity(facets.len() / 2);
        for f in facets {
            if !self.part_of_facet.is_empty() && self.part_of_facet[f as usize] != self.part {
                continue;
            }
            let corners = self.queries.mesh.facets()[f as usize];
            if let Some((keys, segment)) = self.cut_facet(corners, plane) {
                let s = places.len() as u32;
                ends.push((keys[0], s * 2));
                ends.push((keys[1], s * 2 + 1));
                places.push(segment);
            }
        }
        // A copy bridges a little flatter or rounder than the scan itself: nobody knows.
        let bulge = self.nudge.map_or(1.0, |n| n.bulge());
        close(chains(&ends, &places), bulge)
    }

    fn cut_facet(&self, corners: [u32; 3], plane: &Plane) -> Option<([u64; 2], [Point2<f64>; 2])> {
        let p = corners.map(|c| {
            let p = self.queries.mesh.points()[c as usize];
            self.nudge.map_or(p, |n| n.moved(c, p))
        });
        let h = p.map(|p| (p - plane.origin).dot(&plane.n));
        let above = h.map(|h| h >= 0.0);
        if above[0] == above[1] && above[1] == above[2] {
            return None;
        }
        let mut keys = [0_u64; 2];
        let mut at = [Point2::origin(); 2];
        let mut k = 0;
        for e in 0..3 {
            let (i, j) = (e, (e + 1) % 3);
            if above[i] != above[j] && k < 2 {
                // always from the smaller index, so that both neighbours compute the same point
                let (i, j) = if corners[i] < corners[j] {
                    (i, j)
                } else {
                    (j, i)
                };
                keys[k] = (u64::from(corners[i]) << 32) | u64::from(corners[j]);
                at[k] = plane.flat(&(p[i] + (p[j] - p[i]) * (h[i] / (h[i] - h[j]))));
                k += 1;
            }
        }
        (k == 2).then_some((keys, at))
    }
}

/// The outline that holds the origin: the innermost one that bounds material (an odd number of
/// outlines hold the origin up to it); or else the nearest within reach.
fn choose(outlines: &[Outline]) -> Option<usize> {
    let mut holding: Vec<(f64, usize)> = (0..outlines.len())
        .filter(|&i| holds_origin(&outlines[i].points))
        .map(|i| (signed_area(&outlines[i].points).abs(), i))
        .collect();
    holding.sort_by(|a, b| b.0.total_cmp(&a.0));
    if !holding.is_empty() {
        let deepest_odd = (holding.len() - 1) / 2 * 2;
        return Some(holding[deepest_odd].1);
    }
    let near = |o: &Outline| {
        o.points
            .iter()
            .map(|p| p.coords.norm())
            .fold(f64::INFINITY, f64::min)
    };
    (0..outlines.len())
        .filter(|&i| outlines[i].points.len() > 2)
        .map(|i| (near(&outlines[i]), i))
        .filter(|&(d, _)| d <= NEAREST_PIECE_MM)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, i)| i)
}

fn holds_origin(points: &[Point2<f64>]) -> bool {
    let mut inside = false;
    for (i, a) in points.iter().enumerate() {
        let b = &points[(i + 1) % points.len()];
        if (a.y > 0.0) != (b.y > 0.0) && a.x + (b.x - a.x) * (a.y / (a.y - b.y)) > 0.0 {
            inside = !inside;
        }
    }
    inside
}

fn signed_area(points: &[Point2<f64>]) -> f64 {
    (0..points.len())
        .map(|i| {
            points[i]
                .coords
                .perp(&points[(i + 1) % points.len()].coords)
        })
        .sum::<f64>()
        / 2.0
}

fn measure(outline: &Outline, plane: &Plane) -> Option<Cut> {
    let p = &outline.points;
    let area = signed_area(p);
    if p.len() < 3 || area.abs() < 1e-9 {
        return None;
    }
    let mut moment = Vector2::zeros();
    let mut perimeter_mm = 0.0;
    for (i, a) in p.iter().enumerate() {
        let b = &p[(i + 1) % p.len()];
        moment += (a.coords + b.coords) * a.coords.perp(&b.coords);
        perimeter_mm += (b - a).norm();
    }
    let centroid = Point2::from(moment / (6.0 * area));
    Some(Cut {
        centre: plane.lift(&centroid),
        area_mm2: area.abs(),
        perimeter_mm,
        gap_mm: outline.gap_mm,
    })
}

/// Largest and smallest distance between two parallel lines that hold the outline, and the
/// direction of the largest. On the convex hull the smallest stands on a side, the largest
/// joins two corners (Shamos 1978).
fn calipers(points: &[Point2<f64>]) -> (f64, Vector2<f64>, f64) {
    let hull = hull(points);
    let mut largest = (0.0, Vector2::x());
    for (i, a) in hull.iter().enumerate() {
        for b in &hull[i + 1..] {
            let d = b - a;
            if d.norm_squared() > largest.0 {
                largest = (d.norm_squared(), d);
            }
        }
    }
    let mut smallest = f64::INFINITY;
    for i in 0..hull.len() {
        if let Some(side) = (hull[(i + 1) % hull.len()] - hull[i]).try_normalize(1e-12) {
            let width = hull
                .iter()
                .map(|p| side.perp(&(p - hull[i])).abs())
                .fold(0.0, f64::max);
            smallest = smallest.min(width);
        }
    }
    let wide = largest.1.try_normalize(1e-12).unwrap_or_else(Vector2::x);
    (
        largest.0.sqrt(),
        wide,
        if smallest.is_finite() { smallest } else { 0.0 },
    )
}

/// Convex hull, counter-clockwise (Andrew 1979, monotone chain). Outlines of fine scans are first
/// thinned to the outermost point in each of 360 sectors about the middle.
fn hull(points: &[Point2<f64>]) -> Vec<Point2<f64>> {
    let mut p = if points.len() > 360 {
        extremes(points)
    } else {
        points.to_vec()
    };
    p.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    p.dedup();
    if p.len() < 3 {
        return p;
    }
    let mut out: Vec<Point2<f64>> = Vec::with_capacity(p.len() + 1);
    for half in 0..2 {
        let floor = out.len();
        let walk: Box<dyn Iterator<Item = &Point2<f64>>> = if half == 0 {
            Box::new(p.iter())
        } else {
            Box::new(p.iter().rev())
        };
        for q in walk {
            while out.len() >= floor + 2
                && (out[out.len() - 1] - out[out.len() - 2]).perp(&(q - out[out.len() - 2])) <= 0.0
            {
                out.pop();
            }
            out.push(*q);
        }
        out.pop();
    }
    out
}

fn extremes(points: &[Point2<f64>]) -> Vec<Point2<f64>> {
    let middle = points.iter().map(|p| p.coords).sum::<Vector2<f64>>() / points.len() as f64;
    let mut far = vec![(f64::NEG_INFINITY, 0_usize); 360];
    for (i, p) in points.iter().enumerate() {
        let d = p.coords - middle;
        let slot = ((d.y.atan2(d.x) / (2.0 * PI) + 0.5) * 360.0) as usize % 360;
        let r = d.norm_squared();
        if r > far[slot].0 {
            far[slot] = (r, i);
        }
    }
    far.iter()
        .filter(|f| f.0 >= 0.0)
        .map(|f| points[f.1])
        .collect()
}

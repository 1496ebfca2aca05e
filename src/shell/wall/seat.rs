//! What a ball sits on at each point: the normal, how rough the sheet is there, and whether the
//! point lies on a sharp edge, where no ball fits.

use std::collections::HashMap;

use nalgebra::Vector3;
use rayon::prelude::*;

use crate::mesh::{Link, Mesh, Topology, Vector};

/// How far a ball may enter the sheet it sits on beside the sheet's own roughness, mm. A facet is
/// a chord of the true surface, so a ball tangent to the surface always cuts its neighbours a
/// little. Too low (0): balls on any faceted convex surface collapse to the facet size. Too high
/// (above 0.02): a convex ridge of 30° reads as a wall. Readings between two walls do not depend
/// on it, since the opposite wall is never entered.
const SLACK_MM: f64 = 0.002;
/// Slack for each mm of local roughness (what the neighbouring facets rise or fall against the
/// tangent plane). At 0, noise of 0.02 mm on edges of 0.19 mm stops balls on their own sheet; at 4
/// one in 10,000; above 8 the cap below is reached everywhere.
const SLACK_BY_ROUGHNESS: f64 = 4.0;
/// No sheet is taken to be rougher than this, mm; beyond it the reading says so by its kind.
const SLACK_CAP_MM: f64 = 0.06;
/// A facet tilted by more than this against its point's normal marks an edge, degrees. The facets of
/// a square edge tilt by 45; those of a bore of 1.5 mm cut into 24 by 7.5, noise of 0.02 mm on
/// edges of 0.19 mm mostly under 20.
const STEEP_DEG: f64 = 30.0;
/// Facets thinner than this share of their longest side have no direction of their own.
const SLIVER: f64 = 0.02;

/// Facets around every point, and the frames made from them.
#[derive(Debug, Clone)]
pub(super) struct Seats {
    /// Unit normals, out of the material; zero where a point has no facet with a direction.
    pub normal: Vec<Vector>,
    /// What a ball may enter the sheet by, mm.
    pub slack_mm: Vec<f64>,
    /// How far the sheet's facets rise or fall against its tangent plane, mm.
    pub rough_mm: Vec<f64>,
    /// Turn of the sharpest convex edge at the point, degrees; 0 where none is sharp or it is noise.
    pub convex_deg: Vec<f32>,
    /// On an open rim.
    pub open: Vec<bool>,
    /// A third of the facets around, mm².
    pub area_mm2: Vec<f64>,
    around: Around,
    /// Convex edges of at least [`KEEP_DEG`]: lower point, other point, turn; sorted.
    sharp: Vec<(u32, u32, f32)>,
}

/// Convex edges that turn less than this are not kept, degrees: below it everything curved is one.
const KEEP_DEG: f64 = 20.0;

/// For every point, the facets that name it.
#[derive(Debug, Clone)]
struct Around {
    start: Vec<u32>,
    facets: Vec<u32>,
}

impl Around {
    fn new(mesh: &Mesh) -> Self {
        let mut start = vec![0_u32; mesh.points().len() + 1];
        for &c in mesh.facets().iter().flatten() {
            start[c as usize + 1] += 1;
        }
        for i in 1..start.len() {
            start[i] += start[i - 1];
        }
        let mut next = start.clone();
        let mut facets = vec![0; mesh.facets().len() * 3];
        for (f, corners) in mesh.facets().iter().enumerate() {
            for &c in corners {
                facets[next[c as usize] as usize] = f as u32;
                next[c as usize] += 1;
            }
        }
        Self { start, facets }
    }

    fn of(&self, point: usize) -> &[u32] {
        &self.facets[self.start[point] as usize..self.start[point + 1] as usize]
    }
}

/// Unit normals of all facets, out of the material; a sliver takes that of its neighbours.
pub(super) fn facet_normals(mesh: &Mesh, topology: &Topology, turned: &[bool]) -> Vec<Vector> {
    let vector = |f: usize| {
        let v = mesh.area_vector(f);
        if turned[f] { -v } else { v }
    };
    (0..mesh.facets().len())
        .into_par_iter()
        .map(|f| {
            let [a, b, c] = mesh.corners(f);
            let longest_sq = (b - a).norm_squared();
            let longest_sq = longest_sq.max((c - b).norm_squared());
            let longest_sq = longest_sq.max((a - c).norm_squared());
            let own = vector(f);
            if own.norm() > SLIVER * longest_sq {
                return own.normalize();
            }
            let mut sum = own;
            for link in topology.links[f] {
                if let Link::Facet(g) | Link::Flipped(g) = link {
                    sum += vector(g as usize);
                }
            }
            sum.try_normalize(1e-300).unwrap_or_else(Vector::zeros)
        })
        .collect()
}

impl Seats {
    /// `edge_turn_deg`: convex edges that turn by this much are sharp.
    pub fn new(
        mesh: &Mesh,
        topology: &Topology,
        facet_normals: &[Vector],
        edge_turn_deg: f64,
    ) -> Self {
        let around = Around::new(mesh);
        let frames: Vec<Frame> = (0..mesh.points().len())
            .into_par_iter()
            .map(|p| Frame::new(mesh, topology, facet_normals, p, around.of(p)))
            .collect();
        let rough_mm: Vec<f64> = (0..frames.len())
            .into_par_iter()
            .map(|p| {
                let ring = || around.of(p).iter().flat_map(|&f| mesh.facets()[f as usize]);
                let mean = |steep_too: bool| {
                    let (mut sum, mut n) = (0.0, 0_u32);
                    for c in ring() {
                        let frame = &frames[c as usize];
                        if steep_too || !frame.steep {
                            sum += frame.rough_mm;
                            n += 1;
                        }
                    }
                    (n > 0).then(|| sum / f64::from(n))
                };
                mean(false).or_else(|| mean(true)).unwrap_or(0.0)
            })
            .collect();
        let slack = |rough: &f64| (SLACK_MM + SLACK_BY_ROUGHNESS * rough).min(SLACK_CAP_MM);
        let sharp = sharp_edges(mesh, topology, facet_normals);
        let mut convex_deg = vec![0.0_f32; frames.len()];
        for (a, b, turn) in lasting(mesh, &sharp, edge_turn_deg) {
            for p in [a, b] {
                convex_deg[p as usize] = convex_deg[p as usize].max(turn);
            }
        }
        Self {
            sharp,
            normal: frames.iter().map(|f| f.normal).collect(),
            slack_mm: rough_mm.iter().map(slack).collect(),
            rough_mm,
            convex_deg,
            open: frames.iter().map(|f| f.open).collect(),
            area_mm2: frames.iter().map(|f| f.area_mm2).collect(),
            around,
        }
    }

    /// Convex edges of 20° or more from a point to points of higher index, with their turn in degrees.
    pub fn sharp_from(&self, point: usize) -> impl Iterator<Item = (u32, f64)> + '_ {
        let from = self.sharp.partition_point(|e| (e.0 as usize) < point);
        let own = move |e: &&(u32, u32, f32)| e.0 as usize == point;
        self.sharp[from..]
            .iter()
            .take_while(own)
            .map(|e| (e.1, f64::from(e.2)))
    }

    /// Facets at a point.
    pub fn around(&self, point: usize) -> &[u32] {
        self.around.of(point)
    }
}

struct Frame {
    normal: Vector,
    rough_mm: f64,
    /// On an edge, convex or not: what its facets do there is shape, not roughness.
    steep: bool,
    open: bool,
    area_mm2: f64,
}

impl Frame {
    /// The normal is weighted by the facets' angles at the point (Thürmer, Wüthrich 1998), so that
    /// it depends on the surface and not on how it is cut into facets.
    fn new(mesh: &Mesh, topology: &Topology, normals: &[Vector], p: usize, facets: &[u32]) -> Self {
        let mut sum = Vector::zeros();
        let mut area_mm2 = 0.0;
        let (mut length, mut sides) = (0.0, 0.0);
        let mut open = false;
        for &f in facets {
            let f = f as usize;
            let corners = mesh.facets()[f];
            let Some(k) = corners.iter().position(|&c| c as usize == p) else {
                continue;
            };
            let [a, b, c] = [0, 1, 2].map(|i| mesh.points()[corners[(k + i) % 3] as usize]);
            let (u, v) = (b - a, c - a);
            let twice = u.cross(&v).norm();
            area_mm2 += twice / 6.0;
            sum += twice.atan2(u.dot(&v)) * normals[f];
            length += u.norm() + v.norm();
            sides += 2.0;
            for e in [k, (k + 2) % 3] {
                open |= topology.links[f][e] == Link::Open;
            }
        }
        let normal = sum.try_normalize(1e-12).unwrap_or_else(Vector::zeros);
        let tilt = |f: &u32| normals[*f as usize].dot(&normal).clamp(-1.0, 1.0).acos();
        let tilts: f64 = facets.iter().map(tilt).sum();
        let steepest = facets.iter().map(tilt).fold(0.0, f64::max);
        let rough_mm = if facets.is_empty() {
            0.0
        } else {
            length / f64::max(sides, 1.0) * tilts / facets.len() as f64 / 4.0
        };
        Self {
            normal,
            rough_mm,
            steep: steepest > STEEP_DEG.to_radians(),
            open,
            area_mm2,
        }
    }
}

fn sharp_edges(mesh: &Mesh, topology: &Topology, normals: &[Vector]) -> Vec<(u32, u32, f32)> {
    let keep = KEEP_DEG.to_radians().cos();
    let mut out: Vec<(u32, u32, f32)> = (0..mesh.facets().len())
        .into_par_iter()
        .flat_map_iter(|f| {
            let corners = mesh.facets()[f];
            (0..3).filter_map(move |e| match topology.links[f][e] {
                Link::Facet(g) | Link::Flipped(g) if (g as usize) > f => {
                    let cos = convex_cos(mesh, normals, f, g as usize);
                    let (a, b) = (corners[e], corners[(e + 1) % 3]);
                    let turn = cos.clamp(-1.0, 1.0).acos().to_degrees() as f32;
                    (cos <= keep).then_some((a.min(b), a.max(b), turn))
                }
                _ => None,
            })
        })
        .collect();
    out.sort_by_key(|e| (e.0, e.1));
    out
}

/// Sharp edges that hang together over at least this length, mm, and number, are a rim. Noise of
/// 0.02 mm on facets of 0.19 mm makes one edge in 300 turn by 40°, but alone or in pairs; the rim
/// of the least hole that prints (0.5 mm) is 1.6 mm long.
const RIM_MM: f64 = 1.0;
const RIM_EDGES: u32 = 3;

/// The sharp edges that belong to a rim.
fn lasting(mesh: &Mesh, edges: &[(u32, u32, f32)], turn_deg: f64) -> Vec<(u32, u32, f32)> {
    let sharp: Vec<_> = edges
        .iter()
        .copied()
        .filter(|e| f64::from(e.2) >= turn_deg)
        .collect();
    let mut root: HashMap<u32, u32> = sharp
        .iter()
        .flat_map(|e| [(e.0, e.0), (e.1, e.1)])
        .collect();
    for &(a, b, _) in &sharp {
        let (x, y) = (top(&mut root, a), top(&mut root, b));
        root.insert(x.max(y), x.min(y));
    }
    let mut sums: HashMap<u32, (f64, u32)> = HashMap::new();
    for &(a, b, _) in &sharp {
        let sum = sums.entry(top(&mut root, a)).or_default();
        sum.0 += (mesh.points()[a as usize] - mesh.points()[b as usize]).norm();
        sum.1 += 1;
    }
    let lasts = |root: u32| sums[&root].0 >= RIM_MM && sums[&root].1 >= RIM_EDGES;
    sharp
        .into_iter()
        .filter(|e| lasts(top(&mut root, e.0)))
        .collect()
}

/// The representative of a point's group, shortening the way to it.
fn top(root: &mut HashMap<u32, u32>, mut p: u32) -> u32 {
    while root[&p] != p {
        let up = root[&root[&p]];
        root.insert(p, up);
        p = up;
    }
    p
}

/// Cosine of the turn across the edge between two facets where it is convex, else 1.
pub(super) fn convex_cos(mesh: &Mesh, normals: &[Vector], f: usize, g: usize) -> f64 {
    let theirs = mesh.facets()[g];
    let mine = mesh.facets()[f];
    let Some(far) = theirs.iter().find(|c| !mine.contains(c)) else {
        return 1.0;
    };
    let step: Vector3<f64> = mesh.points()[*far as usize] - mesh.points()[mine[0] as usize];
    if step.dot(&normals[f]) < 0.0 {
        normals[f].dot(&normals[g])
    } else {
        1.0
    }
}

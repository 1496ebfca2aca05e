//! From readings at points to figures: least, percentiles, histogram, thin spots, edges, cautions.

use kiddo::{ImmutableKdTree, SquaredEuclidean};

use crate::mesh::{Mesh, Point, Topology, Vector};
use crate::units::Measured;

use super::ball::{At, Reading};
use super::bores::connected;
use super::orient::Oriented;
use super::seat::Seats;
use super::side::Surface;
use super::tree::Tree;
use super::{Caution, Least, Trapped, Wall, WallOptions};

/// Width of a bin of the histogram, mm: half the accuracy that a wall is printed to.
const BIN_MM: f64 = 0.05;
/// Bins; the last takes everything from 5 mm on.
const BINS: usize = 101;
/// Shares for which the wall is given, in hundredths of the outer area.
const SHARES: [f64; 7] = [1.0, 5.0, 25.0, 50.0, 75.0, 95.0, 99.0];
/// An edge that turns by this much bounds a wedge of 60° or less: a feather.
const FEATHER_TURN_DEG: f32 = 120.0;

/// A connected area whose wall is under a limit.
#[derive(Debug, Clone, PartialEq)]
pub struct ThinSpot {
    /// Least wall in it, mm.
    pub least_mm: Measured,
    /// Its area on the measured surface, mm² (facets partly under the limit count in part).
    pub area_mm2: f64,
    /// Where it is least.
    pub point: Point,
    /// Its area-weighted middle.
    pub middle: Point,
    /// Share of its border that runs along an edge or an open rim: 0 where thicker wall holds it
    /// all round, near 1 for a lip or a fin that stands free.
    pub free_border: f64,
    /// Its points.
    pub points: Vec<u32>,
}

/// A connected zone in which no wall can be read, since the balls sit in an edge.
#[derive(Debug, Clone, PartialEq)]
pub struct Edges {
    /// Area of the zone, mm².
    pub area_mm2: f64,
    /// Length of the sharp convex edges in it, mm; 0 for a rounded one.
    pub sharp_mm: f64,
    /// Sharpest turn in it, degrees: 90 for a square rim, 120 and more for a feather.
    pub turn_deg: f64,
    /// Where the turn is sharpest.
    pub point: Point,
    /// Its points.
    pub points: usize,
}

/// Area by wall: bin `k` holds walls from `k · bin_mm` up; the last bin is open upwards.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Histogram {
    /// Width of a bin, mm.
    pub bin_mm: f64,
    /// Area in each bin, mm².
    pub area_mm2: Vec<f64>,
}

impl Wall {
    /// Does the point count for the outer wall's figures? Surface of which it cannot be told
    /// whether it is outside does count: a thin place must not get lost there.
    #[must_use]
    pub fn counts(&self, point: usize) -> bool {
        self.reading[point] == Reading::Wall && self.surface[point] != Surface::Inner
    }

    /// Counts some points as edge, whatever their ball says, and takes the figures anew: the rim that
    /// a part of its own will close is no wall.
    pub fn leave_out(&mut self, mesh: &Mesh, which: impl Fn(&Point) -> bool) {
        for (p, at) in mesh.points().iter().enumerate() {
            if self.reading[p] == Reading::Wall && which(at) {
                self.reading[p] = Reading::Edge;
            }
        }
        self.least = least(mesh, self);
        self.percentiles_mm = percentiles(self);
        self.histogram = histogram(self);
    }

    /// The ball at a point with its half width.
    #[must_use]
    pub fn at(&self, point: usize) -> Measured {
        Measured::exact(self.wall_mm[point], self.plus_minus_mm[point])
    }

    /// Connected areas of the outer wall under `limit_mm`, thinnest first. `mesh` is the measured one.
    #[must_use]
    pub fn thin_spots(&self, mesh: &Mesh, limit_mm: f64) -> Vec<ThinSpot> {
        self.thin_spots_by(mesh, |_| limit_mm)
    }

    /// The same with a limit (mm) of each point's own: a soft canal and a hard body differ.
    #[must_use]
    pub fn thin_spots_by(&self, mesh: &Mesh, limit_mm: impl Fn(usize) -> f64) -> Vec<ThinSpot> {
        let under = |p: usize| self.counts(p) && self.wall_mm[p] < limit_mm(p);
        let groups = connected(mesh, &self.seats, under);
        let mut spot_of = vec![u32::MAX; mesh.points().len()];
        for (k, group) in groups.iter().enumerate() {
            group.iter().for_each(|&p| spot_of[p] = k as u32);
        }
        let mut sums = vec![(0.0, Vector::zeros()); groups.len()];
        for (f, corners) in mesh.facets().iter().enumerate() {
            let Some(&p) = corners.iter().find(|&&p| spot_of[p as usize] != u32::MAX) else {
                continue;
            };
            let margins = corners.map(|p| {
                let p = p as usize;
                let counted = self.counts(p) && self.wall_mm[p].is_finite();
                counted.then(|| self.wall_mm[p] - limit_mm(p))
            });
            let area = share_below(margins) * mesh.area_vector(f).norm() / 2.0;
            let [a, b, c] = mesh.corners(f);
            let sum = &mut sums[spot_of[p as usize] as usize];
            sum.0 += area;
            sum.1 += area / 3.0 * (a.coords + b.coords + c.coords);
        }
        let mut spots: Vec<ThinSpot> = groups
            .into_iter()
            .zip(sums)
            .map(|(group, (area_mm2, moment))| self.spot(mesh, &group, area_mm2, moment))
            .collect();
        spots.sort_by(|x, y| {
            let by_least = x.least_mm.value.total_cmp(&y.least_mm.value);
            by_least.then_with(|| x.points.cmp(&y.points))
        });
        spots
    }

    fn spot(&self, mesh: &Mesh, group: &[usize], area_mm2: f64, moment: Vector) -> ThinSpot {
        let least = group
            .iter()
            .copied()
            .min_by(|&p, &q| self.wall_mm[p].total_cmp(&self.wall_mm[q]))
            .unwrap_or(group[0]);
        let (mut free, mut border) = (0_u32, 0_u32);
        for &p in group {
            for &f in self.seats.around(p) {
                for &q in &mesh.facets()[f as usize] {
                    let q = q as usize;
                    if group.binary_search(&q).is_err() {
                        border += 1;
                        free += u32::from(self.reading[q] == Reading::Edge);
                    }
                }
            }
        }
        ThinSpot {
            least_mm: Measured::exact(self.wall_mm[least], self.plus_minus_mm[least]),
            area_mm2,
            point: mesh.points()[least],
            middle: if area_mm2 > 0.0 {
                Point::from(moment / area_mm2)
            } else {
                mesh.points()[least]
            },
            free_border: if border > 0 {
                f64::from(free) / f64::from(border)
            } else {
                0.0
            },
            points: group.iter().map(|&p| p as u32).collect(),
        }
    }

    /// Area of the outer wall that was measured, mm².
    #[must_use]
    pub fn measured_mm2(&self) -> f64 {
        let counted = (0..self.wall_mm.len()).filter(|&p| self.counts(p));
        counted.map(|p| self.area_mm2[p]).sum()
    }
}

/// Share of a facet on which a margin, linear between its corners, is below 0. Corners without a
/// wall (`None`) take no part: with one of those each corner stands for a third.
fn share_below(margins: [Option<f64>; 3]) -> f64 {
    let [Some(a), Some(b), Some(c)] = margins else {
        let below = margins.iter().flatten().filter(|&&m| m < 0.0).count();
        return below as f64 / 3.0;
    };
    let mut m = [a, b, c];
    m.sort_by(f64::total_cmp);
    let [a, b, c] = m;
    if c < 0.0 {
        1.0
    } else if a >= 0.0 {
        0.0
    } else if b >= 0.0 {
        a / (a - b) * (a / (a - c))
    } else {
        1.0 - c / (c - a) * (c / (c - b))
    }
}

/// A point lies on the surface that most of its facets' area belongs to.
pub(super) fn point_surfaces(mesh: &Mesh, facets: &[Surface]) -> Vec<Surface> {
    let mut votes = vec![[0.0_f64; 3]; mesh.points().len()];
    for (f, corners) in mesh.facets().iter().enumerate() {
        let k = facets[f] as usize;
        let area = mesh.area_vector(f).norm();
        corners.iter().for_each(|&c| votes[c as usize][k] += area);
    }
    votes
        .iter()
        .map(|v| {
            if v[0] >= v[1] && v[0] >= v[2] {
                Surface::Outer
            } else if v[1] >= v[2] {
                Surface::Inner
            } else {
                Surface::Unclear
            }
        })
        .collect()
}

/// Walls that end in a wedge under 60° count as its edge up to a stated distance: the knife edge
/// itself would read 0, and is told as an edge with its turn.
pub(super) fn mark_feathers(
    mesh: &Mesh,
    seats: &Seats,
    tree: &Tree,
    at: &mut [At],
    options: &WallOptions,
) {
    let knives: Vec<[f64; 3]> = (0..mesh.points().len())
        .filter(|&p| seats.convex_deg[p] >= FEATHER_TURN_DEG)
        .map(|p| mesh.points()[p].into())
        .collect();
    if knives.is_empty() {
        return;
    }
    let Ok(near) = ImmutableKdTree::<f64, 3>::new_from_slice(&knives) else {
        return;
    };
    let reach_sq = options.feather_reach_mm * options.feather_reach_mm;
    for (p, here) in at.iter_mut().enumerate() {
        // In a wedge of 60° the ball's two contacts are as far apart as each is from the edge.
        let maybe = here.reading == Reading::Wall && here.wall_mm < 1.2 * options.feather_reach_mm;
        if !maybe {
            continue;
        }
        let own: [f64; 3] = mesh.points()[p].into();
        let far: [f64; 3] = (tree.origin() + here.contact).into();
        let knife = near
            .query(&own)
            .nearest_one::<SquaredEuclidean<f64>>()
            .execute();
        let there = near
            .query(&far)
            .nearest_one::<SquaredEuclidean<f64>>()
            .execute();
        if knife.distance <= reach_sq && there.distance <= reach_sq * 1.2 {
            here.reading = Reading::Edge;
        }
    }
}

/// Half width for each mm of roughness at the two ends of a wall, root sum of squares. Noise shows
/// as roughness of about a third of its standard deviation, facets of a curved wall as what they
/// cut off. At 4, 95 to 99.5 % of the noisy walls in the tests were held (noise 0.005 to 0.02 mm);
/// a smooth coarse mesh gets about three times what its facets can be off by.
pub(super) const WIDTH_BY_ROUGHNESS: f64 = 4.0;

pub(super) fn plus_minus(mesh: &Mesh, seats: &Seats, at: &[At]) -> Vec<f64> {
    at.iter()
        .enumerate()
        .map(|(p, here)| half_width(mesh, seats, p, here.facet))
        .collect()
}

/// Half width of the wall between a point and a facet; NaN without the facet.
pub(super) fn half_width(mesh: &Mesh, seats: &Seats, point: usize, facet: u32) -> f64 {
    let Some(corners) = mesh.facets().get(facet as usize) else {
        return f64::NAN;
    };
    let far: f64 = corners.iter().map(|&c| seats.rough_mm[c as usize]).sum();
    let both = (seats.rough_mm[point].powi(2) + (far / 3.0).powi(2)).sqrt();
    // Coordinates of a scan are rarely good to more than a thousandth.
    (WIDTH_BY_ROUGHNESS * both).max(0.001)
}

pub(super) fn least(mesh: &Mesh, wall: &Wall) -> Option<Least> {
    let counted = (0..wall.wall_mm.len()).filter(|&p| wall.counts(p));
    let p = counted.min_by(|&p, &q| wall.wall_mm[p].total_cmp(&wall.wall_mm[q]))?;
    Some(Least {
        wall_mm: Measured::exact(wall.wall_mm[p], wall.plus_minus_mm[p]),
        ray_mm: wall.ray_mm[p],
        at: p as u32,
        point: mesh.points()[p],
    })
}

pub(super) fn percentiles(wall: &Wall) -> Vec<(f64, f64)> {
    let mut sorted: Vec<(f64, f64)> = (0..wall.wall_mm.len())
        .filter(|&p| wall.counts(p))
        .map(|p| (wall.wall_mm[p], wall.area_mm2[p]))
        .collect();
    sorted.sort_by(|x, y| x.0.total_cmp(&y.0));
    let all: f64 = sorted.iter().map(|s| s.1).sum();
    let mut out = Vec::new();
    let (mut sum, mut next) = (0.0, 0);
    for (value, area) in sorted {
        sum += area;
        while next < SHARES.len() && sum >= SHARES[next] / 100.0 * all {
            out.push((SHARES[next], value));
            next += 1;
        }
    }
    out
}

pub(super) fn histogram(wall: &Wall) -> Histogram {
    let mut area_mm2 = vec![0.0; BINS];
    for p in (0..wall.wall_mm.len()).filter(|&p| wall.counts(p)) {
        let bin = (wall.wall_mm[p] / BIN_MM) as usize;
        area_mm2[bin.min(BINS - 1)] += wall.area_mm2[p];
    }
    Histogram {
        bin_mm: BIN_MM,
        area_mm2,
    }
}

/// Zones of edge readings, largest first.
pub(super) fn edges(mesh: &Mesh, wall: &Wall, options: &WallOptions) -> Vec<Edges> {
    let seats = &wall.seats;
    let sharp = |p: usize| f64::from(seats.convex_deg[p]) >= options.edge_turn_deg;
    let groups = connected(mesh, seats, |p| wall.reading[p] == Reading::Edge);
    let mut zones: Vec<Edges> = groups
        .iter()
        .map(|group| {
            let turn = |&p: &usize| seats.convex_deg[p];
            let sharpest = group.iter().max_by(|p, q| turn(p).total_cmp(&turn(q)));
            let sharpest = sharpest.copied().unwrap_or(group[0]);
            let mut sharp_mm = 0.0;
            for &p in group.iter().filter(|&&p| sharp(p)) {
                for (q, turn_deg) in seats.sharp_from(p) {
                    if turn_deg >= options.edge_turn_deg && sharp(q as usize) {
                        sharp_mm += (mesh.points()[p] - mesh.points()[q as usize]).norm();
                    }
                }
            }
            Edges {
                area_mm2: group.iter().map(|&p| wall.area_mm2[p]).sum(),
                sharp_mm,
                turn_deg: f64::from(seats.convex_deg[sharpest]),
                point: mesh.points()[sharpest],
                points: group.len(),
            }
        })
        .collect();
    zones.sort_by(|x, y| y.area_mm2.total_cmp(&x.area_mm2));
    zones
}

pub(super) fn trapped(oriented: &Oriented) -> Vec<Trapped> {
    oriented
        .sheets
        .iter()
        .filter(|s| s.closed && !s.opens && s.depth % 2 == 1)
        .map(|s| Trapped {
            volume_mm3: s.volume_mm3,
            point: s.point,
        })
        .collect()
}

pub(super) fn cautions(
    wall: &Wall,
    topology: &Topology,
    oriented: &Oriented,
    options: &WallOptions,
) -> Vec<Caution> {
    let area = |keep: &dyn Fn(usize) -> bool| -> f64 {
        let kept = (0..wall.reading.len()).filter(|&p| keep(p));
        // An empty sum of floats is −0, which prints with its sign.
        kept.map(|p| wall.area_mm2[p]).sum::<f64>() + 0.0
    };
    let mut out = Vec::new();
    let unbounded_mm2 = area(&|p| wall.reading[p] == Reading::Unbounded);
    if topology.open_edges > 0 || unbounded_mm2 > 0.0 {
        out.push(Caution::Open {
            edges: topology.open_edges,
            unbounded_mm2,
        });
    }
    if !topology.fins.is_empty() {
        out.push(Caution::Fins {
            edges: topology.fins.len(),
        });
    }
    if oriented.flipped_facets > 0 {
        out.push(Caution::Flipped {
            facets: oriented.flipped_facets,
        });
    }
    for (sheet, s) in oriented.sheets.iter().enumerate() {
        // An inner surface given apart may well be wound as a solid of its own; that is no fault.
        if s.turned && !(options.inner_from_facet.is_some() && s.depth == 1) {
            out.push(Caution::InsideOut { sheet });
        }
    }
    if oriented.one_sided > 0 {
        out.push(Caution::OneSided {
            sheets: oriented.one_sided,
        });
    }
    let area_mm2 = area(&|p| wall.surface[p] == Surface::Unclear);
    if area_mm2 > 0.0 {
        out.push(Caution::UnclearSides { area_mm2 });
    }
    if oriented.inner_astray {
        out.push(Caution::InnerNotInside);
    }
    if !wall.surface.contains(&Surface::Inner) {
        out.push(Caution::NoInner);
    }
    out
}

//! Which end of the blob is the canal? Ends of the surface are found as local maxima of the mean
//! geodesic distance (Hilaga et al. 2001 use the same function), each is followed inward by the
//! level sets of the distance from it, and each path is settled to an axis. The one that is
//! longest, roundest and furthest from where scanning stopped is the canal; two that are nearly
//! as good are an honest *cannot tell*.

use rayon::prelude::*;

use crate::mesh::{MeshQueries, Point, Vector};
use crate::soundness::Soundness;

use super::NoCanal;
use super::axis::{self, Axis};
use super::coarse::Graph;
use super::curve::{line_direction, smoothed};
use super::cut::Cutter;
use super::face::base_plane;
use super::verdict::{Candidate, choose};

/// Side of the cells that points are gathered in. Finer: slower, and noise lengthens paths.
/// Coarser: a 4 mm wide canal is only a few nodes around.
const CELL_MM: f64 = 0.6;
/// Two maxima nearer than this (along the surface) are the same end.
const SAME_END_MM: f64 = 5.0;
/// Points that the mean distance is taken from. 8 already give the same ends on every ear tried.
const SOURCES: usize = 16;
/// Level sets stop where their radius (rms) passes this: the bulk of the ear is reached. Canals
/// are up to 14 mm wide (radius 7), conchas 15 mm and more.
const BULK_RADIUS_MM: f64 = 8.0;
/// The most ends that are followed, farthest first.
const MOST_ENDS: usize = 14;
/// A part of the surface smaller than this (mm², mm) cannot hold a canal.
const LEAST_PART_MM2: f64 = 120.0;
/// Rounds of settling after which ends that lead to the same canal are recognised.
const ROUNDS_TO_BEGIN: usize = 2;
/// … and that are enough to compare different ones.
const ROUNDS_TO_COMPARE: usize = 5;
/// Stations while ends are compared; only the canal chosen is measured in finer steps.
const COMPARE_STATION_MM: f64 = 0.5;
/// Axes whose tips and middles are nearer than this are the same canal.
const SAME_TIP_MM: f64 = 2.0;

/// The canal that was chosen: the surface part it is on and its axis so far.
pub(super) struct Found {
    pub part: u32,
    pub axis: Axis,
    pub graph: Graph,
}

/// Finds the canal.
pub(super) fn seek(queries: &MeshQueries, soundness: &Soundness) -> Result<Found, NoCanal> {
    let mut candidates = Vec::new();
    let mut bases = Vec::new();
    let mut graphs = Vec::new();
    for part in parts_to_search(queries, soundness) {
        let ours = |f: usize| soundness.part_of_facet.get(f).is_none_or(|&p| p == part);
        let graph = Graph::new(queries.mesh, ours, CELL_MM);
        if graph.len() < 20 {
            continue;
        }
        if let Some(base) = base_plane(queries.mesh, &graph, soundness, part) {
            bases.push((part, base));
        }
        let cutter = Cutter {
            queries,
            nudge: None,
            tubes_only: false,
            part_of_facet: &soundness.part_of_facet,
            part,
        };
        candidates.extend(candidates_of(&graph, &cutter));
        graphs.push((part, graph));
    }
    let chosen = choose(candidates, &bases)?;
    let graph = graphs
        .into_iter()
        .find(|g| g.0 == chosen.part)
        .map(|g| g.1)
        .ok_or(NoCanal::NothingTubular)?;
    Ok(Found {
        part: chosen.part,
        axis: chosen.axis,
        graph,
    })
}

/// Every end is followed for a few rounds; of those that came to the same tip only the first is
/// settled further, since settling is where the time goes.
fn candidates_of(graph: &Graph, cutter: &Cutter) -> Vec<Candidate> {
    let first_look = Cutter {
        tubes_only: true,
        ..*cutter
    };
    let begun: Vec<Axis> = ends(graph)
        .into_par_iter()
        .filter_map(|end| follow(graph, &first_look, end))
        .collect();
    let mut unlike: Vec<Axis> = Vec::new();
    for axis in begun {
        let marks = |a: &Axis| (a.place(a.tip_at), a.place(0.5 * (a.aperture_at + a.tip_at)));
        let (tip, middle) = marks(&axis);
        let seen = |other: &Axis| {
            let (t, m) = marks(other);
            (t - tip).norm() < SAME_TIP_MM && (m - middle).norm() < SAME_TIP_MM
        };
        if !unlike.iter().any(seen) {
            unlike.push(axis);
        }
    }
    unlike
        .into_par_iter()
        .filter_map(|a| {
            let core = a.core();
            let settled =
                axis::settle(cutter, &core, ROUNDS_TO_COMPARE, COMPARE_STATION_MM).unwrap_or(a);
            Candidate::new(cutter, settled, graph)
        })
        .collect()
}

fn parts_to_search(queries: &MeshQueries, soundness: &Soundness) -> Vec<u32> {
    let mut areas = vec![0.0; soundness.parts.max(1)];
    for (f, &p) in soundness.part_of_facet.iter().enumerate() {
        areas[p as usize] += 0.5 * queries.mesh.area_vector(f).norm();
    }
    if soundness.part_of_facet.is_empty() {
        return vec![0];
    }
    let mut order: Vec<u32> = (0..areas.len() as u32)
        .filter(|&p| areas[p as usize] >= LEAST_PART_MM2)
        .collect();
    order.sort_by(|&a, &b| {
        areas[b as usize]
            .total_cmp(&areas[a as usize])
            .then(a.cmp(&b))
    });
    order.truncate(6);
    order
}

/// Local maxima of the mean geodesic distance, farthest first.
fn ends(graph: &Graph) -> Vec<u32> {
    let mut sources: Vec<u32> = Vec::new();
    let mut nearest = vec![f64::INFINITY; graph.len()];
    let mut mean = vec![0.0; graph.len()];
    let first = graph.distances(&[0]);
    let mut next = farthest(&first);
    while sources.len() < SOURCES {
        let from = graph.distances(&[next]);
        for (v, &d) in from.iter().enumerate() {
            let d = if d.is_finite() { d } else { 0.0 };
            nearest[v] = f64::min(nearest[v], d);
            mean[v] += d / SOURCES as f64;
        }
        sources.push(next);
        next = farthest(&nearest);
    }
    let mut peaks: Vec<u32> = (0..graph.len() as u32)
        .filter(|&v| {
            graph
                .neighbours(v)
                .iter()
                .all(|&(n, _)| mean[n as usize] <= mean[v as usize])
        })
        .collect();
    peaks.extend_from_slice(&sources);
    peaks.sort_by(|&a, &b| {
        mean[b as usize]
            .total_cmp(&mean[a as usize])
            .then(a.cmp(&b))
    });
    peaks.dedup();
    let mut kept: Vec<(u32, Vec<f64>)> = Vec::new();
    for p in peaks {
        if kept.len() >= MOST_ENDS {
            break;
        }
        if kept.iter().all(|(_, d)| d[p as usize] > SAME_END_MM) {
            kept.push((p, graph.distances(&[p])));
        }
    }
    kept.into_iter().map(|(p, _)| p).collect()
}

fn farthest(distance: &[f64]) -> u32 {
    let finite = |d: f64| if d.is_finite() { d } else { f64::NEG_INFINITY };
    (0..distance.len()).fold(0, |best, v| {
        if finite(distance[v]) > finite(distance[best]) {
            v
        } else {
            best
        }
    }) as u32
}

/// Follows one end inward and begins an axis on it.
fn follow(graph: &Graph, cutter: &Cutter, end: u32) -> Option<Axis> {
    let rough = usable(&level_set_path(graph, end))?;
    axis::settle(cutter, &rough, ROUNDS_TO_BEGIN, COMPARE_STATION_MM).ok()
}

/// Centroids of level sets of the distance from `end`, from the end towards the bulk.
fn level_set_path(graph: &Graph, end: u32) -> Vec<Point> {
    let distance = graph.distances(&[end]);
    let step = 0.5;
    let mut sums: Vec<(Vector, f64, f64)> = Vec::new();
    for (v, &d) in distance.iter().enumerate() {
        if d.is_finite() && d < 60.0 {
            let k = (d / step) as usize;
            if sums.len() <= k {
                sums.resize(k + 1, (Vector::zeros(), 0.0, 0.0));
            }
            let (w, p) = (graph.areas[v], graph.places[v].coords);
            sums[k].0 += p * w;
            sums[k].1 += w;
            sums[k].2 += p.norm_squared() * w;
        }
    }
    let mut path = Vec::new();
    for k in 1..sums.len().saturating_sub(1) {
        let window = &sums[k - 1..=k + 1];
        let w: f64 = window.iter().map(|s| s.1).sum();
        if w <= 0.0 {
            break;
        }
        let c: Vector = window.iter().map(|s| s.0).sum::<Vector>() / w;
        let spread = (window.iter().map(|s| s.2).sum::<f64>() / w - c.norm_squared())
            .max(0.0)
            .sqrt();
        if spread > BULK_RADIUS_MM {
            break;
        }
        path.push(Point::from(c));
    }
    path
}

/// The rough core, outside → inside: the path without the blunt first part, smoothed.
fn usable(path: &[Point]) -> Option<Vec<Point>> {
    // The first level sets wrap round the blunt end and hardly advance.
    let skip = path.iter().position(|p| (p - path[0]).norm() > 1.0)?;
    let mut core: Vec<Point> = path[skip..].to_vec();
    core.reverse();
    if core.len() < 6 || (core[0] - core[core.len() - 1]).norm() < 2.5 {
        return None;
    }
    let core = smoothed(&core, 1.5);
    line_direction(&core).map(|_| core)
}

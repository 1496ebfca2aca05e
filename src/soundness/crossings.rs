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
use crate::mesh::{Mesh, MeshQueries, Point};

/// All crossing pairs, lower facet first, in rising order.
pub(super) fn pairs(queries: &MeshQueries<'_>) -> Vec<[u32; 2]> {
    let mesh = queries.mesh;
    let facets = mesh.facets();
    let mut candidates: Vec<[u32; 2]> = Vec::new();
    let mut room = BvhWorkspace::default();
    queries
        .tree()
        .traverse_bvtt_single_tree::<false>(&mut room, &mut |f, g| {
            let (a, b) = (&facets[f as usize], &facets[g as usize]);
            if !a.iter().any(|p| b.contains(p)) {
                candidates.push([f.min(g), f.max(g)]);
            }
        });
    let mut found: Vec<[u32; 2]> = candidates
        .into_par_iter()
        .filter(|&[f, g]| crosses(mesh, f, g))
        .collect();
    found.sort_unstable();
    found
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

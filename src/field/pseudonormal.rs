//! On which side of a closed, oriented mesh a point lies, from the nearest feature alone.
//!
//! Angle-weighted pseudonormals (Bærentzen, Aanæs 2005) give the sign without a sum over the
//! mesh; they hold only where every edge has two agreeing facets.

use rayon::prelude::*;

use super::tree::Feature;
use crate::mesh::{Link, Mesh, Topology, Vector};

/// Normals of every facet, its edges and its corners.
#[derive(Debug, Clone)]
pub(crate) struct Pseudonormals {
    /// Face, edges 0→1, 1→2, 2→0.
    facets: Vec<[Vector; 4]>,
    corners: Vec<[u32; 3]>,
    points: Vec<Vector>,
}

impl Pseudonormals {
    /// `None` where the mesh is not closed and oriented, or has facets without area.
    pub fn new(mesh: &Mesh, topology: &Topology) -> Option<Self> {
        let normals: Vec<Vector> = (0..mesh.facets().len())
            .into_par_iter()
            .map(|f| mesh.normal(f))
            .collect::<Option<_>>()?;
        let facets = (0..normals.len())
            .into_par_iter()
            .map(|f| {
                let mut out = [normals[f]; 4];
                for e in 0..3 {
                    let Link::Facet(g) = topology.links[f][e] else {
                        return None;
                    };
                    out[e + 1] += normals[g as usize];
                }
                Some(out)
            })
            .collect::<Option<_>>()?;
        let mut points = vec![Vector::zeros(); mesh.points().len()];
        for (f, corners) in mesh.facets().iter().enumerate() {
            let at = mesh.corners(f);
            for k in 0..3 {
                let (u, v) = (at[(k + 1) % 3] - at[k], at[(k + 2) % 3] - at[k]);
                points[corners[k] as usize] += normals[f] * u.angle(&v);
            }
        }
        Some(Self {
            facets,
            corners: mesh.facets().to_vec(),
            points,
        })
    }

    pub fn of(&self, facet: u32, feature: Feature) -> &Vector {
        let f = facet as usize;
        match feature {
            Feature::Face => &self.facets[f][0],
            Feature::Edge(e) => &self.facets[f][e as usize + 1],
            Feature::Corner(c) => &self.points[self.corners[f][c as usize] as usize],
        }
    }
}

//! Which points lie round a point: the rings of the mesh about it.

use crate::mesh::Mesh;

/// For every point, the facets that name it, packed one after another.
pub(super) struct Rings<'m> {
    mesh: &'m Mesh,
    start: Vec<u32>,
    facet: Vec<u32>,
}

impl<'m> Rings<'m> {
    pub fn new(mesh: &'m Mesh) -> Self {
        let mut start = vec![0_u32; mesh.points().len() + 1];
        for &p in mesh.facets().iter().flatten() {
            start[p as usize + 1] += 1;
        }
        for i in 1..start.len() {
            start[i] += start[i - 1];
        }
        let mut next = start.clone();
        let mut facet = vec![0_u32; 3 * mesh.facets().len()];
        for (f, corners) in mesh.facets().iter().enumerate() {
            for &p in corners {
                facet[next[p as usize] as usize] = f as u32;
                next[p as usize] += 1;
            }
        }
        Self { mesh, start, facet }
    }

    /// The facets that name a point.
    pub fn facets_at(&self, p: u32) -> &[u32] {
        &self.facet[self.start[p as usize] as usize..self.start[p as usize + 1] as usize]
    }

    /// Points that share a facet with `p`, each once, in an order fixed by the mesh; not `p`.
    pub fn neighbours(&self, p: u32, into: &mut Vec<u32>) {
        into.clear();
        for &f in self.facets_at(p) {
            for &q in &self.mesh.facets()[f as usize] {
                if q != p && !into.contains(&q) {
                    into.push(q);
                }
            }
        }
    }

    /// `p` and the points within `rings` steps of it, nearest rings first.
    pub fn about(&self, p: u32, rings: usize) -> Vec<u32> {
        let mut out = vec![p];
        let (mut from, mut near) = (0, Vec::new());
        for _ in 0..rings {
            let to = out.len();
            for i in from..to {
                self.neighbours(out[i], &mut near);
                for &q in &near {
                    if !out.contains(&q) {
                        out.push(q);
                    }
                }
            }
            from = to;
        }
        out
    }
}

//! Facets wound against their neighbours, turned round.
//!
//! A scan may hold patches that are wound the wrong way. Within what hangs together by edges of two
//! facets, the larger area tells which way is meant; parts as a whole keep theirs, since a hollow's
//! wall is rightly wound the other way round.

use crate::mesh::{Link, Mesh, Topology};

/// The mesh with its facets wound alike, or `None` where they are so already.
pub(crate) fn wound_alike(mesh: &Mesh, topology: &Topology) -> Option<Mesh> {
    if topology.flipped_edges == 0 {
        return None;
    }
    let mut turned: Vec<Option<bool>> = vec![None; mesh.facets().len()];
    for seed in 0..turned.len() {
        if turned[seed].is_some() {
            continue;
        }
        turned[seed] = Some(false);
        let mut part = vec![seed];
        let mut area = [0.0, 0.0];
        let mut next = 0;
        while let Some(&f) = part.get(next) {
            next += 1;
            let mine = turned[f] == Some(true);
            area[usize::from(mine)] += mesh.area_vector(f).norm();
            for link in topology.links[f] {
                let (g, its) = match link {
                    Link::Facet(g) => (g as usize, mine),
                    Link::Flipped(g) => (g as usize, !mine),
                    Link::Open | Link::Fin => continue,
                };
                // Already asked otherwise round a one-sided ring: what is left is capped.
                if turned[g].is_none() {
                    turned[g] = Some(its);
                    part.push(g);
                }
            }
        }
        if area[1] > area[0] {
            for f in part {
                turned[f] = turned[f].map(|t| !t);
            }
        }
    }
    let (points, mut facets) = mesh.clone().into_parts();
    for (f, t) in facets.iter_mut().zip(turned) {
        if t == Some(true) {
            f.swap(1, 2);
        }
    }
    Some(Mesh::new(points, facets).expect("indices kept"))
}

#[cfg(test)]
mod tests {
    use super::super::test_shapes::*;
    use super::*;

    #[test]
    fn a_patch_wound_the_wrong_way_is_turned_back() {
        let whole = both(&torus(5.0, 2.0, 24), &torus(5.0, 1.0, 24), true);
        assert!(wound_alike(&whole, &Topology::new(&whole)).is_none());
        let (points, mut facets) = whole.clone().into_parts();
        for f in facets.iter_mut().take(400) {
            f.swap(0, 1);
        }
        let spoilt = Mesh::new(points, facets).expect("indices kept");
        let mended = wound_alike(&spoilt, &Topology::new(&spoilt)).expect("flipped edges");
        assert_eq!(Topology::new(&mended).flipped_edges, 0);
        assert!((mended.signed_volume_mm3() - whole.signed_volume_mm3()).abs() < 1e-9);
    }
}

//! The one piece of a mesh that is pulled, by itself and facing outward.
//!
//! Which piece that is must be sure: on a scan with a loose plate the plate is the largest, and a
//! plate has no undercut at all.

use std::borrow::Cow;

use crate::mesh::{Mesh, Point, Topology};

use super::body::{NoBody, close, kept};

/// Another piece with this share of the largest one's area, and not inside it, makes it doubtful
/// which of them is pulled. Lower: a floater of the scan would do that (15 mm² of 2900 are usual);
/// higher: a small piece beside the plate that it stood on would be passed over for the plate.
const RIVAL_SHARE: f64 = 0.03;
/// Larger than this across is no earpiece, mm; at 140 its grids took gigabytes and minutes.
const LARGEST_MM: f64 = 80.0;

/// One connected piece, facing outward as a whole.
pub(super) struct Piece<'m> {
    pub mesh: Cow<'m, Mesh>,
    pub topology: Cow<'m, Topology>,
    /// Where each point of the input went; `None` where the piece is all of it.
    place: Option<Vec<Option<u32>>>,
}

impl<'m> Piece<'m> {
    /// The part asked for, or else the largest by area where no other comes near it.
    pub fn new(mesh: &'m Mesh, topology: &'m Topology, part: Option<u32>) -> Result<Self, NoBody> {
        let (part_of, parts) = topology.parts(mesh);
        let mut area = vec![0.0; parts];
        for (f, &p) in part_of.iter().enumerate() {
            area[p as usize] += 0.5 * mesh.area_vector(f).norm();
        }
        let wanted = match part {
            Some(p) if (p as usize) < parts => p as usize,
            _ => only_one(mesh, &part_of, &area)?,
        };
        if area[wanted] <= 0.0 {
            return Err(NoBody::Empty);
        }
        let (mesh, topology, place) = if parts == 1 {
            (Cow::Borrowed(mesh), Cow::Borrowed(topology), None)
        } else {
            let (points, facets, place) = kept(mesh, |f| part_of[f] as usize == wanted);
            let mesh = Mesh::new(points, facets).map_err(|_| NoBody::Empty)?;
            let topology = Topology::new(&mesh);
            (Cow::Owned(mesh), Cow::Owned(topology), Some(place))
        };
        let (low, high) = mesh.bounds().ok_or(NoBody::Empty)?;
        if (high - low).max() > LARGEST_MM {
            return Err(NoBody::TooLarge);
        }
        let (mesh, topology) = if inside_out(&mesh, &topology) {
            let turned = mesh.inverted();
            // Edges are counted from a facet's first corner: turned round, they are others.
            let topology = Topology::new(&turned);
            (Cow::Owned(turned), Cow::Owned(topology))
        } else {
            (mesh, topology)
        };
        Ok(Self {
            mesh,
            topology,
            place,
        })
    }

    /// A figure per point of the piece as one per point of the input (0 elsewhere).
    pub fn to_input(&self, figures: &[f64]) -> Vec<f64> {
        let of = |p: &Option<u32>| p.map_or(0.0, |i| figures[i as usize]);
        match &self.place {
            Some(place) => place.iter().map(of).collect(),
            None => figures.to_vec(),
        }
    }
}

/// The largest part, if nothing beside it is nearly as large.
fn only_one(mesh: &Mesh, part_of: &[u32], area: &[f64]) -> Result<usize, NoBody> {
    let largest = (0..area.len())
        .max_by(|&a, &b| area[a].total_cmp(&area[b]).then(b.cmp(&a)))
        .ok_or(NoBody::Empty)?;
    let mut boxes = vec![None::<(Point, Point)>; area.len()];
    for (f, &p) in part_of.iter().enumerate() {
        for c in mesh.corners(f) {
            let (low, high) = boxes[p as usize].unwrap_or((c, c));
            boxes[p as usize] = Some((low.inf(&c), high.sup(&c)));
        }
    }
    let within = |p: usize| match (boxes[p], boxes[largest]) {
        (Some(a), Some(b)) => (0..3).all(|k| a.0[k] >= b.0[k] && a.1[k] <= b.1[k]),
        _ => true,
    };
    let rival = |&p: &usize| p != largest && area[p] > RIVAL_SHARE * area[largest] && !within(p);
    match (0..area.len()).find(rival) {
        Some(_) => Err(NoBody::SeveralPieces),
        None => Ok(largest),
    }
}

/// Whether the piece, its openings closed, encloses a negative volume.
fn inside_out(mesh: &Mesh, topology: &Topology) -> bool {
    if topology.open_edges == 0 {
        return mesh.signed_volume_mm3() < 0.0;
    }
    let place: Vec<Option<u32>> = (0..mesh.points().len() as u32).map(Some).collect();
    let (mut points, mut facets) = mesh.clone().into_parts();
    let mut lid = vec![false; facets.len()];
    close(mesh, topology, &place, &mut points, &mut facets, &mut lid);
    Mesh::new(points, facets).is_ok_and(|closed| closed.signed_volume_mm3() < 0.0)
}

//! The body that is pulled: one closed solid and the plane beyond which there is free air.
//!
//! A pull is a question about the solid, not about the triangles, so the scan is made into a solid
//! once, here: its largest part alone (floaters do not hold an ear; a cavity inside a shell does
//! not either), openings closed by flat fans, facets turned outward, long facets split so that a
//! figure taken at the points speaks for the whole surface.

use std::collections::{HashMap, HashSet};

use crate::mesh::{Mesh, Point, Topology};

use super::BasePlane;

/// Longest edge left after splitting, mm. Too long: a depth that peaks inside a facet is missed
/// (a flat lid of two facets has no point in its middle). Too short: a box of large facets becomes
/// a million. An edge of 1 mm on a wall of 3 mm radius strays 0.04 mm from it.
const LONGEST_EDGE_MM: f64 = 1.0;
/// Splitting stops here; a larger body is measured as it is.
const MOST_FACETS: usize = 2_000_000;

/// A closed solid, seated in tissue up to the base plane.
#[derive(Debug, Clone)]
pub struct Body {
    pub(super) mesh: Mesh,
    /// True for facets that close an opening: they bound the solid but are no surface.
    pub(super) lid: Vec<bool>,
    /// True for points that belong to a real facet.
    pub(super) real: Vec<bool>,
    /// Where each point of the input went.
    pub(super) place: Vec<Option<u32>>,
    /// Facets disagree which way is out: what is inside is told by parity, not by winding.
    pub(super) by_parity: bool,
    pub(super) base: BasePlane,
}

/// Why a mesh is no body to pull.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoBody {
    /// There is no facet with an area.
    #[error("the mesh has no surface")]
    Empty,
    /// Nothing of the body lies below the base plane, or the plane misses it by far.
    #[error("the base plane does not cut the body or touch it: nothing is seated below it")]
    PlaneOff,
    /// It is larger than any earpiece.
    #[error("the mesh is over 80 mm across, which no earpiece is")]
    TooLarge,
    /// There are several pieces, and which of them is pulled is not known.
    #[error("the mesh has several pieces side by side, and which is pulled cannot be told")]
    SeveralPieces,
}

impl Body {
    /// Makes the body of a mesh in millimetres. Openings of any size are closed by a flat fan from
    /// their middle; only the part with the largest area counts.
    ///
    /// # Errors
    /// [`NoBody`] where there is no surface, or where no point lies below the base plane.
    pub fn new(mesh: &Mesh, topology: &Topology, base: BasePlane) -> Result<Self, NoBody> {
        let (part_of, parts) = topology.parts(mesh);
        let mut area = vec![0.0; parts];
        for (f, &p) in part_of.iter().enumerate() {
            area[p as usize] += mesh.area_vector(f).norm();
        }
        let main = (0..parts)
            .max_by(|&a, &b| area[a].total_cmp(&area[b]).then(b.cmp(&a)))
            .ok_or(NoBody::Empty)?;
        if area[main] <= 0.0 {
            return Err(NoBody::Empty);
        }
        let (mut points, mut facets, place) = kept(mesh, |f| part_of[f] as usize == main);
        let mut lid = vec![false; facets.len()];
        close(mesh, topology, &place, &mut points, &mut facets, &mut lid);
        let mut closed = Mesh::new(points, facets).map_err(|_| NoBody::Empty)?;
        if closed.signed_volume_mm3() < 0.0 {
            closed = closed.inverted();
        }
        let (points, facets) = closed.into_parts();
        let (points, facets, lid) = split_long(points, facets, lid);
        let mesh = Mesh::new(points, facets).map_err(|_| NoBody::Empty)?;
        let real = real_points(&mesh, &lid);
        let body = Self {
            mesh,
            lid,
            real,
            place,
            by_parity: topology.flipped_edges > 0,
            base,
        };
        body.seated()
    }

    /// Checks that the plane bounds this body: something lies below it, and the outermost point is
    /// not so far below it that the body would float in tissue.
    fn seated(self) -> Result<Self, NoBody> {
        let heights = self.mesh.points().iter().map(|p| self.base.height(p));
        let (low, high) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), z| {
            (l.min(z), h.max(z))
        });
        if low < -0.05 && high > -0.5 {
            Ok(self)
        } else {
            Err(NoBody::PlaneOff)
        }
    }

    /// The base plane.
    #[must_use]
    pub fn base(&self) -> &BasePlane {
        &self.base
    }

    /// The same body with the points of every cell drawn together into their middle: still closed,
    /// for facets that fold away do so on both sides of an edge. For searches only.
    pub(super) fn thinned(&self, cell_mm: f64) -> Self {
        let mut of_cell: HashMap<[i64; 3], u32> = HashMap::new();
        let mut sums: Vec<(crate::mesh::Vector, f64)> = Vec::new();
        let points = self.mesh.points().iter();
        let to: Vec<u32> = points
            .map(|p| {
                let key = [0, 1, 2].map(|k| (p[k] / cell_mm).floor() as i64);
                let cell = *of_cell.entry(key).or_insert(sums.len() as u32);
                if cell as usize == sums.len() {
                    sums.push((crate::mesh::Vector::zeros(), 0.0));
                }
                let sum = &mut sums[cell as usize];
                *sum = (sum.0 + p.coords, sum.1 + 1.0);
                cell
            })
            .collect();
        let (mut facets, mut lid) = (Vec::new(), Vec::new());
        for (corners, &is_lid) in self.mesh.facets().iter().zip(&self.lid) {
            let [a, b, c] = corners.map(|k| to[k as usize]);
            if a != b && b != c && c != a {
                facets.push([a, b, c]);
                lid.push(is_lid);
            }
        }
        let points = sums.iter().map(|(sum, n)| Point::from(sum / *n)).collect();
        let mesh = Mesh::new(points, facets).unwrap_or_default();
        let real = real_points(&mesh, &lid);
        Self {
            mesh,
            lid,
            real,
            place: Vec::new(),
            by_parity: self.by_parity,
            base: self.base,
        }
    }

    /// A figure per point of the body as a figure per point of the input mesh; points of parts
    /// that are not the body get 0.
    pub(super) fn to_input(&self, figures: &[f64]) -> Vec<f64> {
        let of = |p: &Option<u32>| p.map_or(0.0, |i| figures[i as usize]);
        self.place.iter().map(of).collect()
    }
}

/// The wanted facets with the points they use, and where every point went.
pub(super) fn kept(
    mesh: &Mesh,
    wanted: impl Fn(usize) -> bool,
) -> (Vec<Point>, Vec<[u32; 3]>, Vec<Option<u32>>) {
    let mut place = vec![None; mesh.points().len()];
    let (mut points, mut facets) = (Vec::new(), Vec::new());
    for (f, corners) in mesh.facets().iter().enumerate() {
        if !wanted(f) {
            continue;
        }
        facets.push(corners.map(|c| {
            *place[c as usize].get_or_insert_with(|| {
                points.push(mesh.points()[c as usize]);
                points.len() as u32 - 1
            })
        }));
    }
    (points, facets, place)
}

/// Fans over every boundary loop of the part, wound so that they agree with the facets they meet.
pub(super) fn close(
    mesh: &Mesh,
    topology: &Topology,
    place: &[Option<u32>],
    points: &mut Vec<Point>,
    facets: &mut Vec<[u32; 3]>,
    lid: &mut Vec<bool>,
) {
    let rims = topology.boundary_loops(mesh);
    let mut on_rim = vec![false; points.len()];
    for &p in rims.iter().flat_map(|rim| &rim.points) {
        if let Some(p) = place[p as usize] {
            on_rim[p as usize] = true;
        }
    }
    let mut runs: HashSet<(u32, u32)> = HashSet::new();
    for corners in facets.iter() {
        for e in 0..3 {
            let (a, b) = (corners[e], corners[(e + 1) % 3]);
            if on_rim[a as usize] && on_rim[b as usize] {
                runs.insert((a, b));
            }
        }
    }
    for rim in rims {
        let Some(ours) = rim
            .points
            .iter()
            .map(|&p| place[p as usize])
            .collect::<Option<Vec<u32>>>()
        else {
            continue;
        };
        let hub = points.len() as u32;
        points.push(rim.centre(mesh));
        for (k, &a) in ours.iter().enumerate() {
            let b = ours[(k + 1) % ours.len()];
            let along = runs.contains(&(a, b));
            facets.push(if along { [b, a, hub] } else { [a, b, hub] });
            lid.push(true);
        }
    }
}

type Parts = (Vec<Point>, Vec<[u32; 3]>, Vec<bool>);

/// Splits every edge longer than the limit in its middle, on both sides alike, until none is left.
fn split_long(mut points: Vec<Point>, mut facets: Vec<[u32; 3]>, mut lid: Vec<bool>) -> Parts {
    for _ in 0..12 {
        let mut middle: HashMap<(u32, u32), u32> = HashMap::new();
        let (mut next, mut next_lid) = (Vec::with_capacity(facets.len()), Vec::new());
        for (&corners, &is_lid) in facets.iter().zip(&lid) {
            let mids: [Option<u32>; 3] = std::array::from_fn(|e| {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                let (p, q) = (points[a as usize], points[b as usize]);
                ((q - p).norm() > LONGEST_EDGE_MM).then(|| {
                    *middle.entry((a.min(b), a.max(b))).or_insert_with(|| {
                        points.push(nalgebra::center(&p, &q));
                        points.len() as u32 - 1
                    })
                })
            });
            let before = next.len();
            split(corners, mids, &mut next);
            next_lid.extend(std::iter::repeat_n(is_lid, next.len() - before));
        }
        let done = middle.is_empty() || next.len() > MOST_FACETS;
        (facets, lid) = (next, next_lid);
        if done {
            break;
        }
    }
    (points, facets, lid)
}

/// One facet with some of its edges cut in the middle.
fn split(corners: [u32; 3], mids: [Option<u32>; 3], out: &mut Vec<[u32; 3]>) {
    let turned = |k: usize| {
        let at = |i: usize| (i + k) % 3;
        (
            [corners[at(0)], corners[at(1)], corners[at(2)]],
            [mids[at(0)], mids[at(1)], mids[at(2)]],
        )
    };
    for k in 0..3 {
        match turned(k) {
            ([a, b, c], [Some(ab), Some(bc), Some(ca)]) => {
                out.extend([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]);
                return;
            }
            ([a, b, c], [Some(ab), Some(bc), None]) => {
                out.extend([[ab, b, bc], [a, ab, bc], [a, bc, c]]);
                return;
            }
            ([a, b, c], [Some(ab), None, None]) => {
                out.extend([[a, ab, c], [ab, b, c]]);
                return;
            }
            _ => {}
        }
    }
    out.push(corners);
}

fn real_points(mesh: &Mesh, lid: &[bool]) -> Vec<bool> {
    let mut real = vec![false; mesh.points().len()];
    for (corners, &lid) in mesh.facets().iter().zip(lid) {
        if !lid {
            corners.iter().for_each(|&c| real[c as usize] = true);
        }
    }
    real
}

//! The base plane: tissue on one side, free air on the other.
//!
//! Either it is given, or it is fitted to the rim where scanning stopped, or to the outer face:
//! the largest connected piece of surface that looks out of the ear. Where there is neither, no
//! undercut can be told, for nobody knows where the ear ends.

use nalgebra::Matrix3;

use crate::mesh::{Link, Mesh, Point, Topology, Vector};

/// A plane with its normal out of the ear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BasePlane {
    /// A point of it, mm.
    pub point: Point,
    /// Unit normal, from the tissue into the free air.
    pub normal: Vector,
}

/// Why no base plane was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoBase {
    /// No rim and no outer face in the direction asked for.
    #[error(
        "neither an opening where scanning stopped nor an outer face was found, so it is not known where the ear ends"
    )]
    NotFound,
    /// The surface opens on another side than the one asked for.
    #[error("the surface is open on another side than the one that the pull points to")]
    OpensElsewhere,
    /// The direction has no length, or is not finite.
    #[error("the direction has no length")]
    NoDirection,
}

/// An opening smaller than this is a hole in the scan, not the place where scanning stopped: a
/// canal cut open at its tip is up to 60 mm² (common practice, no source), a concha's base 200 up.
const LEAST_OPENING_MM2: f64 = 80.0;
/// An outer face smaller than this tells nothing: the least canal section is about 12 mm² (from
/// memory), and a tube cut square must still do.
const LEAST_FACE_MM2: f64 = 8.0;
/// Facets within this cosine of the outward direction (37°) make up the outer face. Too wide: the
/// flanks of a domed face tilt the plane. Too narrow: a face askew to the pull by 30° is lost.
const FACING_COS: f64 = 0.8;
/// A rim must face the direction asked for at least this much (60°).
const RIM_COS: f64 = 0.5;
/// The plane is laid through this share of the rim's depth, so that a rim that waves does not
/// stand in the tissue. 0: one notch pulls the plane in; 0.5: half of the rim is buried.
const RIM_SHARE: f64 = 0.05;

/// How far below its middle the plane of a domed outer face may be laid, mm. 0: all that lies
/// under the rounded edge of the face counts as held by it (twice the area of the same ear with an
/// open base). Without a bound, a body that widens inward like a funnel would be all "outer face".
const MOST_LOWERED_MM: f64 = 1.0;

impl BasePlane {
    /// A plane through a point, with its normal (any length) out of the ear.
    ///
    /// # Errors
    /// [`NoBase::NoDirection`] where the normal has no length.
    pub fn given(point: Point, outward: Vector) -> Result<Self, NoBase> {
        let normal = unit(&outward)?;
        Ok(Self { point, normal })
    }

    /// The plane of a rim (points in mm, any order): least squares, then moved inward to the 5 %
    /// of the rim that lie deepest. `outward` says which side is air.
    ///
    /// # Errors
    /// [`NoBase::NotFound`] with fewer than three points or points on one line.
    pub fn of_rim(rim: &[Point], outward: Vector) -> Result<Self, NoBase> {
        let weighted: Vec<(Point, f64)> = rim.iter().map(|p| (*p, 1.0)).collect();
        let (middle, normal) = fitted(&weighted).ok_or(NoBase::NotFound)?;
        let normal = if normal.dot(&outward) < 0.0 {
            -normal
        } else {
            normal
        };
        let mut heights: Vec<f64> = rim.iter().map(|p| (p - middle).dot(&normal)).collect();
        heights.sort_by(f64::total_cmp);
        let low = heights[(heights.len() as f64 * RIM_SHARE) as usize];
        Ok(Self {
            point: middle + normal * low,
            normal,
        })
    }

    /// The plane of a mesh's base opening, or else of its outer face, on the side that `outward`
    /// points to.
    ///
    /// # Errors
    /// [`NoBase`] where there is neither.
    pub fn of(mesh: &Mesh, topology: &Topology, outward: Vector) -> Result<Self, NoBase> {
        let outward = unit(&outward)?;
        let middle = nalgebra::Vector3::from_fn(|k, _| {
            mesh.points().iter().map(|p| p[k]).sum::<f64>() / mesh.points().len().max(1) as f64
        });
        let mut elsewhere = false;
        for rim in topology.boundary_loops(mesh) {
            if rim.area_mm2(mesh) < LEAST_OPENING_MM2 {
                continue;
            }
            let points: Vec<Point> = rim
                .points
                .iter()
                .map(|&i| mesh.points()[i as usize])
                .collect();
            // The body lies behind its opening, whatever was asked for.
            let away = rim.centre(mesh).coords - middle;
            match Self::of_rim(&points, away) {
                Ok(plane) if plane.normal.dot(&outward) > RIM_COS => return Ok(plane),
                _ => elsewhere = true,
            }
        }
        if elsewhere {
            return Err(NoBase::OpensElsewhere);
        }
        Self::of_outer_face(mesh, topology, outward)
    }

    /// The plane of the largest connected piece of surface that looks along `outward`.
    ///
    /// # Errors
    /// [`NoBase`] where no such piece is large enough.
    pub fn of_outer_face(
        mesh: &Mesh,
        topology: &Topology,
        outward: Vector,
    ) -> Result<Self, NoBase> {
        let mut normal = unit(&outward)?;
        let smooth = smoothed_normals(mesh, topology);
        let mut plane = Err(NoBase::NotFound);
        // The second round looks along the face found in the first, for a pull askew to it.
        for _ in 0..2 {
            let face = largest_facing(topology, &smooth, &normal);
            let weighted: Vec<(Point, f64)> = face
                .iter()
                .flat_map(|&f| {
                    let third = mesh.area_vector(f).norm() / 6.0;
                    mesh.corners(f).map(|p| (p, third))
                })
                .collect();
            if weighted.iter().map(|w| w.1).sum::<f64>() < LEAST_FACE_MM2 {
                break;
            }
            let Some((point, n)) = fitted(&weighted) else {
                break;
            };
            normal = if n.dot(&normal) < 0.0 { -n } else { n };
            let low = lowest_share(&weighted, &point, &normal).max(-MOST_LOWERED_MM);
            plane = Ok(Self {
                point: point + normal * low,
                normal,
            });
        }
        plane
    }

    /// Height over the plane, mm: negative in the tissue.
    #[must_use]
    pub fn height(&self, p: &Point) -> f64 {
        (p - self.point).dot(&self.normal)
    }
}

pub(super) fn unit(v: &Vector) -> Result<Vector, NoBase> {
    if !v.iter().all(|c| c.is_finite()) {
        return Err(NoBase::NoDirection);
    }
    v.try_normalize(1e-12).ok_or(NoBase::NoDirection)
}

/// Least-squares plane of weighted points: their middle and the normal.
fn fitted(weighted: &[(Point, f64)]) -> Option<(Point, Vector)> {
    let total: f64 = weighted.iter().map(|w| w.1).sum();
    if weighted.len() < 3 || total <= 0.0 {
        return None;
    }
    let middle = weighted.iter().map(|(p, w)| p.coords * *w).sum::<Vector>() / total;
    let spread: Matrix3<f64> = weighted
        .iter()
        .map(|(p, w)| (p.coords - middle) * (p.coords - middle).transpose() * *w)
        .sum();
    let eigen = spread.symmetric_eigen();
    let mut sorted = eigen.eigenvalues;
    sorted.as_mut_slice().sort_by(f64::total_cmp);
    // On one line the second spread is nothing, and any normal across it would do.
    if sorted[1] <= 1e-9 * sorted[2] {
        return None;
    }
    let normal: Vector = eigen
        .eigenvectors
        .column(eigen.eigenvalues.imin())
        .into_owned();
    Some((Point::from(middle), normal.try_normalize(1e-12)?))
}

/// Height over the plane that a small share of the weight lies under.
fn lowest_share(weighted: &[(Point, f64)], point: &Point, normal: &Vector) -> f64 {
    let mut heights: Vec<(f64, f64)> = weighted
        .iter()
        .map(|(p, w)| ((p - point).dot(normal), *w))
        .collect();
    heights.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut left = RIM_SHARE * heights.iter().map(|h| h.1).sum::<f64>();
    for (height, weight) in heights {
        left -= weight;
        if left <= 0.0 {
            return height.min(0.0);
        }
    }
    0.0
}

/// Facets larger than this are not turned by scan noise, and keep their own normal: with that of
/// their neighbours, the side of a block of few facets looks half upward.
const NOISELESS_MM2: f64 = 0.5;

/// Facet normals weighted by area and averaged twice with the neighbours', so that scan noise does
/// not tear the outer face apart.
fn smoothed_normals(mesh: &Mesh, topology: &Topology) -> Vec<(Vector, f64)> {
    let mut normals: Vec<Vector> = (0..mesh.facets().len())
        .map(|f| mesh.area_vector(f))
        .collect();
    for _ in 0..2 {
        normals = (0..normals.len())
            .map(|f| {
                let around = topology.links[f].iter().filter_map(|l| match l {
                    Link::Facet(g) => Some(normals[*g as usize]),
                    _ => None,
                });
                normals[f] + around.sum::<Vector>()
            })
            .collect();
    }
    (0..normals.len())
        .map(|f| {
            let own = mesh.area_vector(f);
            let area = 0.5 * own.norm();
            let n = if area > NOISELESS_MM2 {
                own
            } else {
                normals[f]
            };
            (n.try_normalize(1e-300).unwrap_or_else(Vector::zeros), area)
        })
        .collect()
}

/// The connected piece of facets facing `outward` that has the largest area.
fn largest_facing(topology: &Topology, smooth: &[(Vector, f64)], outward: &Vector) -> Vec<usize> {
    let facing = |f: usize| smooth[f].0.dot(outward) > FACING_COS;
    let mut seen = vec![false; smooth.len()];
    let mut best: (f64, Vec<usize>) = (0.0, Vec::new());
    for seed in 0..smooth.len() {
        if seen[seed] || !facing(seed) {
            continue;
        }
        seen[seed] = true;
        let (mut piece, mut area, mut next) = (vec![seed], 0.0, 0);
        while next < piece.len() {
            let f = piece[next];
            next += 1;
            area += smooth[f].1;
            for link in &topology.links[f] {
                if let Link::Facet(g) = *link
                    && !seen[g as usize]
                    && facing(g as usize)
                {
                    seen[g as usize] = true;
                    piece.push(g as usize);
                }
            }
        }
        if area > best.0 {
            best = (area, piece);
        }
    }
    best.1
}

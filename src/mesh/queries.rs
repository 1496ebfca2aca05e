//! Spatial questions: nearest point, ray hits, facets near a plane. One shared tree (parry's BVH)
//! answers them all; building it is the only cost.

use nalgebra::Point3;
use parry3d_f64::bounding_volume::Aabb;
use parry3d_f64::math::Vector as PVec;
use parry3d_f64::partitioning::{Bvh, BvhBuildStrategy};

use super::{Mesh, Point, Vector};

/// A mesh with the tree that makes spatial queries quick.
pub struct MeshQueries<'m> {
    /// The mesh asked about.
    pub mesh: &'m Mesh,
    tree: Bvh,
}

pub(crate) fn pvec(p: &Point) -> PVec {
    PVec::new(p.x, p.y, p.z)
}

impl<'m> MeshQueries<'m> {
    /// Builds the tree.
    #[must_use]
    pub fn new(mesh: &'m Mesh) -> Self {
        let boxes: Vec<Aabb> = (0..mesh.facets().len())
            .map(|f| facet_box(mesh, f))
            .collect();
        Self {
            mesh,
            tree: Bvh::from_leaves(BvhBuildStrategy::Binned, &boxes),
        }
    }

    /// The tree itself, for a query with a rule of its own.
    #[must_use]
    pub fn tree(&self) -> &Bvh {
        &self.tree
    }

    /// Facets whose boxes come within `slack_mm` of the plane through `origin` (unit `normal`)
    /// and within `reach_mm` of `origin`, in the tree's order (the same every time).
    #[must_use]
    pub fn facets_near_plane(
        &self,
        origin: &Point,
        normal: &Vector,
        reach_mm: f64,
        slack_mm: f64,
    ) -> Vec<u32> {
        let o = pvec(origin);
        let n = PVec::new(normal.x, normal.y, normal.z);
        self.tree
            .leaves(|node| {
                let (lo, hi) = (node.mins(), node.maxs());
                let centre = (lo + hi) * 0.5 - o;
                let half = (hi - lo) * 0.5;
                let spread = half.dot(n.abs()) + slack_mm;
                centre.dot(n).abs() <= spread
                    && (centre.abs() - half).max(PVec::ZERO).length() <= reach_mm
            })
            .collect()
    }
}

pub(crate) fn facet_box(mesh: &Mesh, f: usize) -> Aabb {
    let [a, b, c] = mesh.corners(f);
    let lo: Point3<f64> = a.inf(&b).inf(&c);
    let hi = a.sup(&b).sup(&c);
    Aabb::new(pvec(&lo), pvec(&hi))
}

/// The surface point nearest to a query.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nearest {
    /// The facet it lies on.
    pub facet: u32,
    /// The point itself.
    pub point: Point,
    /// Its distance from the query, mm; never negative.
    pub distance_mm: f64,
}

/// Where a ray meets a facet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RayHit {
    /// The facet met.
    pub facet: u32,
    /// How far along the ray, in units of its direction's length.
    pub at: f64,
    /// True where the ray leaves through the facet (it runs with the facet's normal).
    pub leaving: bool,
}

impl MeshQueries<'_> {
    /// The nearest surface point within `within_mm`, if any. Exact (Ericson 2005, §5.1.5).
    #[must_use]
    pub fn nearest(&self, p: &Point, within_mm: f64) -> Option<Nearest> {
        let q = pvec(p);
        let best = self.tree.find_best(
            within_mm * within_mm,
            |node, _| {
                let outside = (node.mins() - q).max(q - node.maxs()).max(PVec::ZERO);
                outside.length_squared()
            },
            |f, _| {
                let [a, b, c] = self.mesh.corners(f as usize);
                let point = nearest_on_triangle(p, &a, &b, &c);
                Some(((point - p).norm_squared(), point))
            },
        );
        best.map(|(facet, (sq, point))| Nearest {
            facet,
            point,
            distance_mm: sq.sqrt(),
        })
    }

    /// Every place where the ray from `origin` along `dir` meets the surface, nearest first.
    /// A ray through an edge or corner meets every facet there (Woop, Benthin, Wald 2013 keeps
    /// edges closed); `dir` need not be a unit vector, but must not be zero.
    #[must_use]
    pub fn ray_hits(&self, origin: &Point, dir: &Vector) -> Vec<RayHit> {
        let o = pvec(origin);
        let d = PVec::new(dir.x, dir.y, dir.z) + PVec::ZERO;
        let near_ray = |lo: PVec, hi: PVec| {
            let (mut t0, mut t1) = (0.0_f64, f64::INFINITY);
            for k in 0..3 {
                let pad = 1e-12 * (1.0 + lo[k].abs().max(hi[k].abs()));
                if d[k] == 0.0 {
                    if o[k] < lo[k] - pad || o[k] > hi[k] + pad {
                        return false;
                    }
                } else {
                    let (a, b) = ((lo[k] - pad - o[k]) / d[k], (hi[k] + pad - o[k]) / d[k]);
                    t0 = t0.max(a.min(b));
                    t1 = t1.min(a.max(b));
                }
            }
            t0 <= t1
        };
        let shear = Shear::new(dir);
        let mut hits: Vec<RayHit> = self
            .tree
            .leaves(|node| near_ray(node.mins(), node.maxs()))
            .filter_map(|facet| {
                let at = shear.hit(origin, self.mesh.corners(facet as usize))?;
                let leaving = self.mesh.area_vector(facet as usize).dot(dir) > 0.0;
                (at >= 0.0).then_some(RayHit { facet, at, leaving })
            })
            .collect();
        hits.sort_by(|x, y| x.at.total_cmp(&y.at).then(x.facet.cmp(&y.facet)));
        hits
    }
}

/// The point of a triangle nearest to `p` (Ericson, Real-Time Collision Detection, 2005, §5.1.5).
#[must_use]
#[inline]
pub fn nearest_on_triangle(p: &Point, a: &Point, b: &Point, c: &Point) -> Point {
    let (ab, ac, ap) = (b - a, c - a, p - a);
    let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return *a;
    }
    let bp = p - b;
    let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
    if d3 >= 0.0 && d4 <= d3 {
        return *b;
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        return a + ab * (d1 / (d1 - d3));
    }
    let cp = p - c;
    let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
    if d6 >= 0.0 && d5 <= d6 {
        return *c;
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        return a + ac * (d2 / (d2 - d6));
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0 {
        return b + (c - b) * ((d4 - d3) / ((d4 - d3) + (d5 - d6)));
    }
    let sum = va + vb + vc;
    if sum <= 0.0 {
        return *a; // no area: its corners and edges were asked above
    }
    a + ab * (vb / sum) + ac * (vc / sum)
}

/// The ray turned onto the z axis by a shear, so that edge tests of neighbouring facets agree
/// to the last bit (Woop, Benthin, Wald 2013, JCGT 2(1)).
pub(crate) struct Shear {
    kx: usize,
    ky: usize,
    kz: usize,
    sx: f64,
    sy: f64,
    sz: f64,
}

impl Shear {
    pub(crate) fn new(dir: &Vector) -> Self {
        let kz = dir.iamax();
        let (mut kx, mut ky) = ((kz + 1) % 3, (kz + 2) % 3);
        if dir[kz] < 0.0 {
            std::mem::swap(&mut kx, &mut ky);
        }
        Self {
            kx,
            ky,
            kz,
            sx: dir[kx] / dir[kz],
            sy: dir[ky] / dir[kz],
            sz: 1.0 / dir[kz],
        }
    }

    #[inline]
    pub(crate) fn hit(&self, origin: &Point, corners: [Point; 3]) -> Option<f64> {
        let sheared = |p: Point| {
            let d = p - origin;
            (
                d[self.kx] - self.sx * d[self.kz],
                d[self.ky] - self.sy * d[self.kz],
                self.sz * d[self.kz],
            )
        };
        let [a, b, c] = [
            sheared(corners[0]),
            sheared(corners[1]),
            sheared(corners[2]),
        ];
        let u = c.0 * b.1 - c.1 * b.0;
        let v = a.0 * c.1 - a.1 * c.0;
        let w = b.0 * a.1 - b.1 * a.0;
        if (u < 0.0 || v < 0.0 || w < 0.0) && (u > 0.0 || v > 0.0 || w > 0.0) {
            return None;
        }
        let det = u + v + w;
        (det != 0.0).then(|| (u * a.2 + v * b.2 + w * c.2) / det)
    }
}

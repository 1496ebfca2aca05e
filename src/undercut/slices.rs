//! Exact sections of a body across a pull: the body turned so that the pull is z, its facets
//! sorted into slabs, and the outline at any height as directed segments.
//!
//! Each cut edge is worked out from its two points in one fixed order, so the segments of
//! neighbouring facets share their ends to the last bit and every outline closes.

use nalgebra::{Isometry3, Matrix3, Rotation3, UnitQuaternion, Vector2, Vector3};

use crate::mesh::{Point, Vector};

use super::body::Body;
use super::grouped::Grouped;

/// A point across the pull, mm.
pub(super) type Flat = Vector2<f64>;

/// A piece of outline, with the solid on its left.
pub(super) type Segment = [Flat; 2];

/// A body turned so that the pull is z, cut into slabs from the outside in.
pub(super) struct Slices {
    /// Points of the body: x and y across the pull, z along it, 0 in the base plane's point.
    pub points: Vec<Vector3<f64>>,
    /// Whether a point counts: on the real surface and below the base plane.
    pub seated: Vec<bool>,
    /// Heights of the layers, falling.
    pub heights: Vec<f64>,
    /// The base plane's normal in these coordinates.
    pub air: Vector3<f64>,
    /// Least and largest x and y of the seated points.
    pub bounds: [Flat; 2],
    axes: [Vector; 3],
    origin: Point,
    facets: Vec<[u32; 3]>,
    by_parity: bool,
    /// Facets that reach into the slab above layer k: `members[starts[k]..starts[k + 1]]`.
    starts: Vec<u32>,
    members: Vec<u32>,
}

/// A layer this much below the outermost height, as a share of the layer step: a lid square to
/// the pull is then just inside the first section, not on it.
const FIRST_LAYER: f64 = 1e-3;

impl Slices {
    /// `None` where the pull does not lead out of the base plane or nothing is seated.
    pub fn new(body: &Body, pull: &Vector, layer_mm: f64) -> Option<Self> {
        let axes = across(pull);
        let origin = body.base.point;
        let turn = |v: &Vector| Vector3::new(v.dot(&axes[0]), v.dot(&axes[1]), v.dot(&axes[2]));
        let air = turn(&body.base.normal);
        if air.z < 0.02 {
            return None;
        }
        let points: Vec<Vector3<f64>> = body
            .mesh
            .points()
            .iter()
            .map(|p| turn(&(p - origin)))
            .collect();
        let seated: Vec<bool> = points
            .iter()
            .zip(&body.real)
            .map(|(p, real)| *real && p.dot(&air) < 0.0)
            .collect();
        let mut low = Vector3::repeat(f64::INFINITY);
        let mut high = Vector3::repeat(f64::NEG_INFINITY);
        for (p, _) in points.iter().zip(&seated).filter(|(_, s)| **s) {
            // A point is free where its way out meets the base plane.
            let out = -(air.x * p.x + air.y * p.y) / air.z;
            low = low.inf(p);
            high = high.sup(&Vector3::new(p.x, p.y, out));
        }
        if low.z > high.z {
            return None;
        }
        let count = (((high.z - low.z) / layer_mm).ceil() as usize).clamp(1, 4000);
        let step = (high.z - low.z) / count as f64;
        let heights = (0..=count)
            .map(|k| high.z - (k as f64 + FIRST_LAYER) * step)
            .collect();
        let mut out = Self {
            points,
            seated,
            heights,
            air,
            bounds: [low.xy(), high.xy()],
            axes,
            origin,
            facets: body.mesh.facets().to_vec(),
            by_parity: body.by_parity,
            starts: Vec::new(),
            members: Vec::new(),
        };
        out.sort_into_slabs();
        Some(out)
    }

    /// Slab k holds the facets between layer k − 1 and layer k (slab 0: above layer 0), ends included.
    fn sort_into_slabs(&mut self) {
        let layers = self.heights.len();
        let (top, step) = (self.heights[0], self.heights[0] - self.heights[1]);
        let slab = |z: f64| (((top - z) / step).ceil().max(0.0) as usize).min(layers - 1);
        let range = |f: &[u32; 3]| {
            let z = f.map(|c| self.points[c as usize].z);
            let (low, high) = (z[0].min(z[1]).min(z[2]), z[0].max(z[1]).max(z[2]));
            let first = slab(high + 1e-9 * step);
            // wholly below the last layer, or wholly above the first
            let none = low > top || high < self.heights[layers - 1];
            (!none).then(|| first..=(slab(low - 1e-9 * step) + 1).min(layers - 1))
        };
        let mut starts = vec![0_u32; layers + 1];
        for k in self.facets.iter().filter_map(range).flatten() {
            starts[k + 1] += 1;
        }
        for k in 0..layers {
            starts[k + 1] += starts[k];
        }
        let mut members = vec![0_u32; starts[layers] as usize];
        let mut next = starts.clone();
        for (i, f) in self.facets.iter().enumerate() {
            for k in range(f).into_iter().flatten() {
                members[next[k] as usize] = i as u32;
                next[k] += 1;
            }
        }
        (self.starts, self.members) = (starts, members);
    }

    /// Distance between two layers, mm.
    pub fn step(&self) -> f64 {
        self.heights[0] - self.heights[1]
    }

    /// The outline at any height up to the first layer.
    pub fn outline_at(&self, height: f64, out: &mut Vec<Segment>) {
        let slab = ((self.heights[0] - height) / self.step()).ceil().max(0.0) as usize;
        self.outline(slab.min(self.heights.len() - 1), height, out);
    }

    /// The outline at a height between layers `slab − 1` and `slab`, both included.
    pub fn outline(&self, slab: usize, height: f64, out: &mut Vec<Segment>) {
        out.clear();
        let range = self.starts[slab] as usize..self.starts[slab + 1] as usize;
        for &f in &self.members[range] {
            self.cut(self.facets[f as usize], height, out);
        }
    }

    fn cut(&self, corners: [u32; 3], height: f64, out: &mut Vec<Segment>) {
        let above = corners.map(|c| self.points[c as usize].z > height);
        let count = above.iter().filter(|a| **a).count();
        if count == 0 || count == 3 {
            return;
        }
        let odd = above
            .iter()
            .position(|&a| a == (count == 1))
            .unwrap_or_default();
        let [a, b, c] = [0, 1, 2].map(|k| corners[(odd + k) % 3]);
        let (ab, ca) = (self.cross(a, b, height), self.cross(c, a, height));
        out.push(if count == 1 { [ab, ca] } else { [ca, ab] });
    }

    fn cross(&self, a: u32, b: u32, height: f64) -> Flat {
        let (p, q) = (
            self.points[a.min(b) as usize],
            self.points[a.max(b) as usize],
        );
        let t = (height - p.z) / (q.z - p.z);
        p.xy() + (q.xy() - p.xy()) * t
    }

    /// Signed distance across the pull to the part of the plane at `height` that is free air:
    /// negative in it, infinite where there is none.
    pub fn to_air(&self, p: &Flat, height: f64) -> f64 {
        let over = self.air.x * p.x + self.air.y * p.y + self.air.z * height;
        let lean = self.air.xy().norm();
        if lean < 1e-9 {
            return if over >= 0.0 {
                f64::NEG_INFINITY
            } else {
                f64::INFINITY
            };
        }
        -over / lean
    }

    /// Exact in-plane distance from `p` to the section at `height` (0 inside it).
    pub fn distance(&self, outline: &Grouped, p: &Flat, height: f64) -> f64 {
        let air = self.to_air(p, height).max(0.0);
        // Inside by winding, or by parity where facets disagree.
        if air == 0.0 || self.is_inside(outline.winding(p)) {
            return 0.0;
        }
        air.min(outline.nearest_sq(p).sqrt())
    }

    pub fn is_inside(&self, winding: i32) -> bool {
        if self.by_parity {
            winding % 2 != 0
        } else {
            winding > 0
        }
    }

    /// Facets that reach into the slabs above and below layer `k` (a layer below the last too).
    pub fn near_layer(&self, k: usize) -> impl Iterator<Item = u32> + '_ {
        let slabs = self.heights.len();
        let first = self.starts[k.min(slabs - 1)] as usize;
        let last = self.starts[(k + 2).min(slabs)] as usize;
        self.members[first..last].iter().copied()
    }

    /// Corners of a facet in these coordinates.
    pub fn corners(&self, facet: u32) -> [Vector3<f64>; 3] {
        self.facets[facet as usize].map(|c| self.points[c as usize])
    }

    /// The motion from the input's pose into these coordinates.
    pub fn frame(&self) -> Isometry3<f64> {
        let turn = Matrix3::from_columns(&self.axes).transpose();
        let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
        // The axes are square to about 1e-8 only where the normal came from a fit.
        let turn = UnitQuaternion::new_normalize(turn.into_inner());
        Isometry3::from_parts((-(turn * self.origin.coords)).into(), turn)
    }
}

/// Two unit vectors square to the pull, and the pull.
pub(super) fn across(pull: &Vector) -> [Vector; 3] {
    let mut least = Vector::zeros();
    least[pull.iamin()] = 1.0;
    let u = pull.cross(&least).normalize();
    [u, pull.cross(&u), *pull]
}

pub(super) fn nearest_on_segment(p: &Flat, [a, b]: &Segment) -> Flat {
    let d = b - a;
    let t = (p - a).dot(&d) / d.norm_squared();
    // A segment without length gives NaN, which clamp keeps: its first end is as good as any.
    let t = if t.is_finite() {
        t.clamp(0.0, 1.0)
    } else {
        0.0
    };
    a + d * t
}

//! Four facets asked at once, in single precision: which of them are worth an exact question.
//!
//! A query for a level set visits 30 to 70 facets, of which one is the answer; asked one by one in
//! double precision they took four fifths of the time of a drawing.

use super::tree::Tri;
use crate::mesh::Point;

/// A facet whose corner has a sine below the root of this is always asked exactly: single precision
/// cannot tell where it is met. Too low, and a nearest point may be missed; too high, and facets are
/// asked in vain. Not tuned.
const SLIVER: f32 = 1e-4;

type Lanes = [f32; 4];

/// Up to four facets, about the tree's middle.
#[derive(Debug, Clone)]
#[repr(align(16))]
pub(crate) struct Leaf {
    a: [Lanes; 3],
    ab: [Lanes; 3],
    ac: [Lanes; 3],
    /// One over the squared lengths of a–b, a–c, b–c; 0 where there is no length.
    over: [Lanes; 3],
    /// One over the determinant of a–b and a–c; NaN for slivers.
    over_det: Lanes,
    pub first: u32,
    pub count: u32,
}

fn dot(u: &[f32; 3], v: &[f32; 3]) -> f32 {
    u[0] * v[0] + u[1] * v[1] + u[2] * v[2]
}

impl Leaf {
    pub fn new(tris: &[Tri], first: u32, count: u32, middle: &Point) -> Self {
        let mut out = Self {
            a: [[0.0; 4]; 3],
            ab: [[0.0; 4]; 3],
            ac: [[0.0; 4]; 3],
            over: [[0.0; 4]; 3],
            over_det: [f32::NAN; 4],
            first,
            count,
        };
        for (k, t) in tris[first as usize..(first + count) as usize]
            .iter()
            .enumerate()
        {
            let a = t.a - middle;
            for x in 0..3 {
                out.a[x][k] = a[x] as f32;
                out.ab[x][k] = t.ab[x] as f32;
                out.ac[x][k] = t.ac[x] as f32;
            }
            let (ab, ac) = (t.ab.map(|x| x as f32), t.ac.map(|x| x as f32));
            let sq = [ab, ac, ac - ab].map(|e| e.norm_squared());
            for (over, sq) in out.over.iter_mut().zip(sq) {
                over[k] = if sq > 1e-30 { 1.0 / sq } else { 0.0 };
            }
            let det = sq[0] * sq[1] - ab.dot(&ac).powi(2);
            if det > SLIVER * sq[0] * sq[1] {
                out.over_det[k] = 1.0 / det;
            }
        }
        out
    }

    /// Squared distance of each facet, single precision; 0 for slivers. Not inlined, as the node's.
    #[inline(never)]
    pub fn away_sq(&self, q: &[f32; 3]) -> Lanes {
        let mut out = [0.0; 4];
        for k in 0..4 {
            let at = |v: &[Lanes; 3]| [v[0][k], v[1][k], v[2][k]];
            let (a, ab, ac) = (at(&self.a), at(&self.ab), at(&self.ac));
            let ap = [q[0] - a[0], q[1] - a[1], q[2] - a[2]];
            let bp = [ap[0] - ab[0], ap[1] - ab[1], ap[2] - ab[2]];
            let bc = [ac[0] - ab[0], ac[1] - ab[1], ac[2] - ab[2]];
            let (d1, d2) = (dot(&ab, &ap), dot(&ac, &ap));
            let along = |d: f32, from: &[f32; 3], e: &[f32; 3]| {
                let d = if d > 0.0 { d } else { 0.0 };
                let d = if d < 1.0 { d } else { 1.0 };
                let r = [from[0] - d * e[0], from[1] - d * e[1], from[2] - d * e[2]];
                dot(&r, &r)
            };
            let e1 = along(d1 * self.over[0][k], &ap, &ab);
            let e2 = along(d2 * self.over[1][k], &ap, &ac);
            let e3 = along(dot(&bc, &bp) * self.over[2][k], &bp, &bc);
            let (aa, bb, mix) = (dot(&ab, &ab), dot(&ac, &ac), dot(&ab, &ac));
            let v = (bb * d1 - mix * d2) * self.over_det[k];
            let w = (aa * d2 - mix * d1) * self.over_det[k];
            let r = [0, 1, 2].map(|x| ap[x] - v * ab[x] - w * ac[x]);
            let flat = dot(&r, &r);
            let least = if e1 < e2 { e1 } else { e2 };
            let least = if e3 < least { e3 } else { least };
            // The lowest of v, w and 1 − v − w; for a sliver it is no number.
            let low = if v < w { v } else { w };
            let rest = 1.0 - v - w;
            let low = if rest < low { rest } else { low };
            let met = if low >= 0.0 { flat } else { least };
            out[k] = if v.is_nan() { 0.0 } else { met };
        }
        out
    }
}

//! One size of box as the proof by several points sees it: places of it that need so much depth, and how
//! far it is from a point. The places are corners and the middles of edges and faces, and the middles
//! of the balls that fill its thickness in the corners and in the middle.

use crate::mesh::{Point, Vector};
use crate::stack::Pose;

/// A place of the box and the depth it needs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// From the box's middle along its own axes, mm.
    pub at: Vector,
    /// Length of that, mm.
    pub far_mm: f64,
    /// Depth that it needs, mm.
    pub need_mm: f64,
}

/// What tells the depth at a place and the way in which it grows.
pub(super) type Read<'a> = &'a (dyn Fn(&Point) -> (f64, Vector) + Sync);

/// A box, what it keeps from the wall, and how near to a point it holds it.
pub(super) struct Body {
    pub half: Vector,
    /// Half its space diagonal, mm.
    pub reach_mm: f64,
    pub places: Vec<Place>,
    /// A box nearer to a point than this holds it, mm.
    pub hold_mm: f64,
}

impl Body {
    pub fn new(size_mm: [f64; 3], wall_mm: f64, hold_mm: f64) -> Self {
        let half = Vector::from(size_mm) / 2.0;
        let thin = half.min();
        let mut places = Vec::new();
        let mut put = |at: Vector, need_mm: f64| {
            let far_mm = at.norm();
            places.push(Place {
                at,
                far_mm,
                need_mm,
            });
        };
        let signs = |n: usize| Vector::from_fn(|k, _| [n % 3, n / 3 % 3, n / 9][k] as f64 - 1.0);
        // Corners first: they decide most cells.
        for turned in [3.0, 2.0, 1.0] {
            for n in (0..27).filter(|&n| signs(n).norm_squared() == turned) {
                put(signs(n).component_mul(&half), wall_mm);
            }
        }
        for n in 0..27 {
            let room = half.map(|h| h - thin);
            // Where the box is no longer than thick along an axis, one place stands for three.
            if (0..3).all(|k| signs(n)[k] == 0.0 || room[k] > 0.0) {
                put(signs(n).component_mul(&room), wall_mm + thin);
            }
        }
        Self {
            half,
            reach_mm: half.norm(),
            places,
            hold_mm,
        }
    }

    /// By how much the box fails to stand: what its worst place lacks, mm; negative where it may stand.
    pub fn lacks_mm(&self, read: Read, pose: &Pose) -> f64 {
        let lacks = |p: &Place| p.need_mm - read(&pose.place(&p.at)).0;
        self.places.iter().map(lacks).fold(f64::MIN, f64::max)
    }

    /// By how much the box holds a point, mm; negative where it keeps off.
    pub fn holds_mm(&self, pose: &Pose, point: &Point) -> f64 {
        self.hold_mm - to_box_mm(&pose.turn.tr_mul(&(point - pose.middle)), &self.half)
    }

    /// The shift and the turn that would mend what is worst, to first order: the place that lacks most, or
    /// the point that is held most; and by how much, mm.
    pub fn mend(&self, read: Read, points: &[Point], pose: &Pose) -> (Vector, Vector, f64) {
        let mut worst = (Vector::zeros(), Vector::zeros(), f64::MIN);
        for place in &self.places {
            let v = pose.turn * place.at;
            let (depth, slope) = read(&(pose.middle + v));
            if place.need_mm - depth > worst.2 {
                worst = (slope, v.cross(&slope), place.need_mm - depth);
            }
        }
        for point in points {
            let held = self.holds_mm(pose, point);
            if held > worst.2 {
                let d = point - pose.middle;
                let own = pose.turn.tr_mul(&d);
                let k = (own.abs() - self.half).imax();
                let e = pose.turn.column(k) * own[k].signum();
                worst = (-e, e.cross(&d), held);
            }
        }
        let (along, about, by) = worst;
        let turned = about / self.reach_mm.powi(2);
        let share = by / (along.norm_squared() + about.dot(&turned)).max(1e-6);
        (along * share, turned * share, by)
    }
}

/// Signed distance of a place from a box about the origin; inside negative, the way to the nearest face.
#[inline]
pub(super) fn to_box_mm(at: &Vector, half: &Vector) -> f64 {
    let q = at.abs() - half;
    q.sup(&Vector::zeros()).norm() + q.max().min(0.0)
}

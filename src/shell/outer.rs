//! The outer surface: the scan built up by zone, cut across the canal, under the faceplate's plane
//! and by free planes.

use crate::canal::Canal;
use crate::field::{Bore, HalfSpace, Implicit, Outside, Sample};
use crate::mesh::Point;
use crate::units::Mm;

use super::faceplate::Plane;
use super::track::Track;

/// A cut across the canal may not reach the concha, whose underside may lie beyond the cut's plane
/// too: it takes off only what is this near the axis, over the canal's own width, mm. Less: a lobe
/// of an oval canal stays. More: a concha close by is cut into.
const BESIDE_MM: f64 = 1.5;

/// Beyond an arc position: what is taken off is past the plane and near the rest of the axis.
pub(super) struct Across {
    keep: HalfSpace,
    around: Bore,
}

impl Across {
    /// At arc position `at`; `reach_mm` is how far the canal's wall lies from the axis at most.
    pub fn new(track: &Track, at: f64, reach_mm: f64) -> Option<Self> {
        let (point, along) = track.at(at);
        let end = (track.length_mm() + 3.0).max(at + 3.0);
        let around = Bore::new(track.line(at, end, 0.5), Mm(reach_mm + BESIDE_MM))?;
        let keep = HalfSpace::new(point, &along)?;
        Some(Self { keep, around })
    }
}

impl Implicit for Across {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let plane = self.keep.sample(p, near);
        if plane.value_mm <= 0.0 {
            return plane;
        }
        let beside = Outside(&self.around).sample(p, near);
        if beside.value_mm < plane.value_mm {
            beside
        } else {
            plane
        }
    }

    fn bounds(&self) -> (Point, Point) {
        Implicit::bounds(&self.keep)
    }
}

/// Above a plane the solid goes straight on as it is in the plane.
pub(super) struct Straight<'a> {
    pub solid: &'a dyn Implicit,
    pub above: Plane,
    /// How far up, mm.
    pub by_mm: f64,
}

impl Implicit for Straight<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let height = self.above.height(p);
        if height <= 0.0 {
            return self.solid.sample(p, near);
        }
        let n = self.above.outward;
        let mut s = self.solid.sample(&(p - n * height), near);
        s.at = *p;
        s.gradient -= n * s.gradient.dot(&n);
        s
    }

    fn bounds(&self) -> (Point, Point) {
        let (lo, hi) = self.solid.bounds();
        let up = self.above.outward * self.by_mm;
        (lo.inf(&(lo + up)), hi.sup(&(hi + up)))
    }

    fn slope(&self) -> f64 {
        self.solid.slope()
    }
}

/// How far the wall of the canal lies from the axis at most, from arc position `from` inward.
pub(super) fn reach(canal: &Canal, from: f64) -> f64 {
    let beyond = canal.sections.iter().filter(|s| s.at_mm >= from - 1.0);
    let far = beyond.flat_map(|s| s.outline.iter().map(move |p| (p - s.centre).norm()));
    far.fold(canal.narrowest.largest_mm / 2.0, f64::max)
}

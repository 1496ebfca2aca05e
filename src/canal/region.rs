//! Where along the ear a place lies, once the canal is known.

use crate::mesh::Point;
use crate::soundness::Region;

use super::Canal;

/// The last of the canal counts as tip.
const TIP_MM: f64 = 2.0;
/// Beyond this share of the depth outside the aperture a place belongs to the outer face.
const OUTER_FACE_SHARE: f64 = 0.75;

/// Region of a place, and its arc position from the aperture (mm, negative outside it). The arc
/// position is that of the nearest point of the axis, continued straight beyond both ends.
#[must_use]
pub fn region_of(canal: &Canal, place: &Point) -> (Region, Option<f64>) {
    let Some((at, aside)) = nearest_on_axis(canal, place) else {
        return (Region::Unknown, None);
    };
    let reach = 0.5 * canal.aperture.largest_mm.max(6.0);
    let outward = (place - canal.aperture.centre).dot(&-canal.aperture.normal);
    if at <= 0.0 || (outward > 0.0 && aside > 1.3 * reach) {
        let region = if outward > OUTER_FACE_SHARE * canal.outer_reach_mm {
            Region::OuterFace
        } else {
            Region::Concha
        };
        return (region, Some(at.min(-outward)));
    }
    // Beside the canal but well away from its wall: the concha's underside curls back here.
    if aside > reach + 4.0 {
        return (Region::Concha, Some(at));
    }
    let length = canal.length_mm.value;
    let region = match (canal.bends.first(), canal.bends.get(1)) {
        _ if at > length - TIP_MM => Region::Tip,
        (Some(first), _) if at <= first.at_mm.value => Region::SealZone,
        (Some(_), Some(second)) if at <= second.at_mm.value => Region::BetweenBends,
        (Some(_), Some(_)) => Region::PastSecondBend,
        _ => Region::Canal,
    };
    (region, Some(at))
}

/// Arc position of the nearest axis point and the distance from it.
fn nearest_on_axis(canal: &Canal, place: &Point) -> Option<(f64, f64)> {
    let mut at = 0.0;
    let mut best: Option<(f64, f64)> = None;
    let last = canal.axis.len().checked_sub(2)?;
    for i in 0..=last {
        let (a, b) = (canal.axis[i], canal.axis[i + 1]);
        let d = b - a;
        let length = d.norm();
        let t = (place - a).dot(&d) / (length * length).max(1e-18);
        let low = if i == 0 { f64::NEG_INFINITY } else { 0.0 };
        let high = if i == last { f64::INFINITY } else { 1.0 };
        let t = t.clamp(low, high);
        let aside = (place - (a + d * t)).norm();
        if best.is_none_or(|b| aside < b.1) {
            best = Some((at + t * length, aside));
        }
        at += length;
    }
    best
}

//! How far a shell's outer surface lies from the scan that it was made of. Where a plane cut the scan
//! off, that is how much was taken away there; where the scan is open, there is nothing to tell.

use super::build::{Impression, Own};
use crate::mesh::Mesh;

/// Signed distance of each point of a surface from the scan, mm: positive outside it, negative inside.
/// NaN where the nearest place is a span over an opening, which is no part of the scan.
#[must_use]
pub fn deviation_mm(scan: &Impression, surface: &Mesh) -> Vec<f64> {
    let own = Own::of(scan);
    let field = own.field();
    let samples = field.distances(surface.points());
    let told = samples.into_iter().map(|s| {
        if field.is_virtual(s.facet) {
            f64::NAN
        } else {
            s.distance_mm
        }
    });
    told.collect()
}

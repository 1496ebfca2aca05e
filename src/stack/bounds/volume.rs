//! Volume: parts grown by m = min(wall clearance, half the pair clearance) are disjoint and lie
//! inside the cavity. A box grown by m all round has the volume abc + 2(ab + bc + ca)m +
//! π(a + b + c)m² + 4/3 πm³ (Steiner 1840, from memory).

use std::f64::consts::PI;

use super::{BoundKind, Facts, Proof};

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let need: f64 = (0..facts.stack.parts.len())
        .map(|i| grown_mm3(facts, i))
        .sum();
    let have = facts.cavity.volume_mm3();
    // Rounding of a sum over many facets, and the certificate's tolerance on every face.
    let safety = 1e-6 * have + 1e-2;
    (need > have + safety).then(|| Proof {
        bound: BoundKind::Volume,
        need,
        have,
        parts: Vec::new(),
    })
}

/// Volume of a part with the room that is its own, mm³. A part on the faceplate may lie in the
/// surface itself, so it counts bare.
pub(super) fn grown_mm3(facts: &Facts, part: usize) -> f64 {
    if let Some(surface) = &facts.stack.parts[part].surface {
        return surface.signed_volume_mm3(); // bare: what it keeps would only add
    }
    let [a, b, c] = facts.stack.parts[part].size_mm;
    let m = if facts.seated(part) {
        0.0
    } else {
        facts
            .stack
            .wall_clearance_mm
            .min(facts.stack.clearance_mm / 2.0)
    };
    a * b * c
        + 2.0 * (a * b + b * c + c * a) * m
        + PI * (a + b + c) * m * m
        + 4.0 / 3.0 * PI * m * m * m
}

//! The beginnings of tubes, kept clear while parts are placed: the first half millimetre just as the tube
//! must be, and a lane before it that is a little slimmer and longer.

use super::model::Body;
use crate::stack::parts::{Stack, Zone};

/// Length of a tube's beginning that is kept clear just as the tube must be, mm: a tube of 3 mm radius has
/// left the straight by 0.04 mm there.
const BEGINNING_MM: f64 = 0.5;

/// The first of a part's tube as a bare line that keeps off as the tube does: where the square bar of
/// [`lead`] alone is kept clear, parts stood such that the tube's first point was 0.006 mm too near to the
/// wall, and nothing but the tube was moved (30 November 2026).
pub fn beginning(stack: &Stack, part: usize) -> Option<Body> {
    let (at, way) = stack.parts[part].spout_end()?;
    let radius = stack.bore_of(part)?.outer_mm / 2.0;
    let half = BEGINNING_MM / 2.0;
    let points = vec![(way * half, 0.0), (-way * half, BEGINNING_MM)];
    Some(Body {
        part,
        middle: at + way * half,
        half: [0, 1, 2].map(|k| half * way[k].abs()),
        wall_need: stack.wall_clearance_mm + radius,
        zone: true,
        may_share: false,
        rod_mm: Some(radius),
        lead: true,
        coarse: points.clone(),
        fine: points,
    })
}

/// How far two bodies keep apart, mm; `None` where they need not.
pub fn apart_mm(stack: &Stack, a: &Body, b: &Body) -> Option<f64> {
    if a.part == b.part || (a.may_share && b.may_share) {
        return None;
    }
    match (a.rod_mm, b.rod_mm) {
        (Some(_), Some(_)) => {
            let (a, b) = (stack.bore_of(a.part)?, stack.bore_of(b.part)?);
            (a.name != b.name).then(|| stack.bores_apart_mm(a, b))
        }
        (Some(radius), None) => from_rod_mm(stack, radius, b),
        (None, Some(radius)) => from_rod_mm(stack, radius, a),
        (None, None) if a.zone || b.zone => Some(0.0),
        (None, None) => Some(stack.clearance_mm),
    }
}

/// How far a tube's middle line keeps from a body, mm. Leads are kept from leads already.
fn from_rod_mm(stack: &Stack, radius: f64, other: &Body) -> Option<f64> {
    match (other.zone, other.lead) {
        (false, _) => Some(radius + stack.clearance_mm),
        (true, false) => Some(radius),
        (true, true) => None,
    }
}

/// The beginning of a part's tube, a little slimmer than the tube: half its width long, or
/// `lane_mm`, whichever is more.
pub fn lead(stack: &Stack, part: usize, lane_mm: f64) -> Option<Zone> {
    let (at, way) = stack.parts[part].spout_end()?;
    let radius = stack.bore_of(part)?.outer_mm / 2.0;
    let half = radius.max(lane_mm) / 2.0;
    Some(Zone {
        middle: at + way * half,
        half: [0, 1, 2].map(|k| {
            if way[k] == 0.0 {
                radius * 0.5_f64.sqrt()
            } else {
                half
            }
        }),
        solid: true,
        round: None,
        lead: true,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::Vector;
    use crate::stack::parse_stack;

    #[test]
    fn a_beginning_keeps_off_as_its_tube_does() {
        let mut text = "clearance_mm = 0.15\nwall_clearance_mm = 0.25\n".to_string();
        for (part, bore) in [("a", "low"), ("b", "high"), ("c", "low")] {
            text += &format!(
                "[[part]]\nname = \"{part}\"\nsize_mm = [5.0, 3.0, 2.0]\nbore = \"{bore}\"\n\
                 spout = {{ face = \"+x\", outer_mm = 1.2, length_mm = 1.5 }}\n"
            );
        }
        for bore in ["low", "high"] {
            text += &format!("[[bore]]\nname = \"{bore}\"\ninner_mm = 1.0\nouter_mm = 1.6\n");
        }
        let stack = parse_stack(&text, "s.toml".as_ref()).unwrap();
        let rods: Vec<Body> = (0..3).map(|p| beginning(&stack, p).unwrap()).collect();
        assert!((rods[0].wall_need - 1.05).abs() < 1e-12);
        // From the spout's end, 4 mm off the part's middle, half a millimetre on.
        let (least, most) = (rods[0].middle - Vector::x() * 0.25, rods[0].middle.x + 0.25);
        assert!((least - Vector::x() * 4.0).norm() < 1e-12 && (most - 4.5).abs() < 1e-12);
        let apart = |a: usize, b: usize| apart_mm(&stack, &rods[a], &rods[b]);
        assert_eq!(apart(0, 0), None);
        assert_eq!(apart(0, 2), None, "of one bore");
        assert!((apart(0, 1).unwrap() - 1.75).abs() < 1e-12);
        let solid = Body {
            part: 1,
            zone: false,
            rod_mm: None,
            lead: false,
            ..beginning(&stack, 1).unwrap()
        };
        assert!((apart_mm(&stack, &rods[0], &solid).unwrap() - 0.95).abs() < 1e-12);
        let zone = Body {
            zone: true,
            ..solid
        };
        assert!((apart_mm(&stack, &zone, &rods[0]).unwrap() - 0.8).abs() < 1e-12);
    }
}

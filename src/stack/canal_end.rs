//! Where the canal of a cavity ends. The room in an ear's shell is shaped like the impression that it was
//! made from, so its canal is found and measured as an impression's is; the end that is narrowest and
//! furthest off is as often the helix.

use super::grid::Depth;
use super::parts::Stack;
use super::tip::Tip;
use crate::canal;
use crate::mesh::{Mesh, MeshQueries, Point, Topology};
use crate::soundness;

/// How far before the end of the room bores are looked for first, mm: the end itself is a dome.
const BEFORE_END_MM: f64 = 0.6;
/// Steps in which a place with room for a tube is looked for from there, mm.
const STEP_MM: f64 = 0.25;

/// The end of a room that reaches so far along an axis: a place on it just before, and the way there.
/// `None` where the axis has no such place.
#[must_use]
pub fn axis_end(axis: &[Point], open_to_mm: f64) -> Option<Tip> {
    let wanted = open_to_mm - BEFORE_END_MM;
    let mut gone = 0.0;
    for pair in axis.windows(2) {
        let step = pair[1] - pair[0];
        let long = step.norm();
        if gone + long >= wanted {
            let share = ((wanted - gone) / long.max(1e-12)).clamp(0.0, 1.0);
            return Some(Tip {
                at: pair[0] + step * share,
                outward: step.try_normalize(1e-12)?,
                told: false,
            });
        }
        gone += long;
    }
    None
}

/// The end of the canal, as far in as the thickest tube of the stack reaches. `None` where the room has no
/// canal, or a narrower one.
pub(super) fn canal_end(mesh: &Mesh, depth: &Depth, stack: &Stack) -> Option<Tip> {
    let need = stack.thickest_tube_mm()? / 2.0 + stack.wall_clearance_mm - depth.half_diagonal_mm();
    let topology = Topology::new(mesh);
    let queries = MeshQueries::new(mesh);
    let sound = soundness::inspect(mesh, &topology, &queries);
    let (_, canal) = canal::with_its_piece(mesh, &topology, &queries, sound);
    let canal = canal.ok().filter(|c| c.aperture_reached)?;
    let length_mm = canal.length_mm.value;
    let steps = (length_mm / STEP_MM) as usize;
    (0..steps)
        .filter_map(|k| axis_end(&canal.axis, length_mm - STEP_MM * k as f64))
        .find(|tip| depth.depth(&tip.at) >= need)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::{EarModel, Side, ear};
    use crate::shell::Plan;
    use crate::shell::tests::ears::shell_of;
    use crate::stack::route::tip_of;
    use crate::stack::{Cavity, TipGuess, parse_stack};

    const STACK: &str = "[[bore]]\nname = \"b\"\ninner_mm = 1.0\nouter_mm = 1.6\n\
        [[part]]\nname = \"a\"\nsize_mm = [5.0, 2.7, 2.0]\nbore = \"b\"\nspout = { face = \"+x\", outer_mm = 1.2 }\n";

    /// The room in a made ear's shell.
    fn room_of(mesh: &Mesh) -> Cavity {
        let plan = Plan {
            facet_mm: 0.5,
            ..Plan::default()
        };
        let shell = shell_of(mesh, &plan).expect("a shell");
        Cavity::new(shell.cavity.expect("a room")).expect("closed")
    }

    /// Rooms in the shells of made ears, whose axis is known: the end is on it, a few mm before the ear's,
    /// and looks along it. The narrow end furthest off is another lobe on one of them or both.
    #[test]
    fn the_end_of_a_made_ears_canal() {
        let stack = parse_stack(STACK, "s.toml".as_ref()).expect("a stack");
        let mut elsewhere = 0;
        for model in [EarModel::medium(Side::Left), EarModel::large(Side::Right)] {
            let made = ear(&EarModel {
                facets: 12_000,
                ..model
            });
            let truth = made.truth.canal.expect("has a canal");
            let axis: Vec<Point> = truth.axis_mm.iter().map(|p| Point::from(*p)).collect();
            let cavity = room_of(&made.mesh);
            let depth = Depth::new(&cavity);
            let tip = canal_end(cavity.mesh(), &depth, &stack).expect("a canal");
            let off = |p: &Point| (p - tip.at).norm();
            let aside: Vec<f64> = axis.iter().map(off).collect();
            let nearest = (0..axis.len()).min_by(|&a, &b| aside[a].total_cmp(&aside[b]));
            let nearest = nearest.expect("an axis");
            assert!(aside[nearest] < 0.6, "{}", aside[nearest]);
            let before = off(&Point::from(truth.tip.point_mm));
            assert!((2.0..8.0).contains(&before), "{before}");
            let way = (axis[nearest] - axis[nearest - 4]).normalize();
            // The room's canal is not quite the ear's, and a mm further along a bend is 15°.
            assert!(way.dot(&tip.outward) > 0.9, "{}", way.dot(&tip.outward));
            // Told by nobody, that is where the tubes leave; told, they leave where they were told to.
            let queries = MeshQueries::new(cavity.mesh());
            let found = tip_of(&cavity, &stack, &depth, &queries);
            assert_eq!(found, Some((tip, Some(TipGuess::Canal))));
            let narrow = Tip::ends(&depth, &stack);
            let told = cavity.clone().with_tip(narrow[0]);
            assert_eq!(
                tip_of(&told, &stack, &depth, &queries),
                Some((narrow[0], None))
            );
            elsewhere += usize::from(off(&narrow[0].at) > 10.0);
        }
        assert!(elsewhere > 0, "any end would have done");
    }

    #[test]
    fn a_plain_box_has_no_canal() {
        let stack = parse_stack(STACK, "s.toml".as_ref()).expect("a stack");
        let cavity = Cavity::new(crate::stack::shapes::block(24.0, 9.0, 6.5)).expect("closed");
        let depth = Depth::new(&cavity);
        assert_eq!(canal_end(cavity.mesh(), &depth, &stack), None);
    }
}

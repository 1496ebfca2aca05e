//! Where the surface is open, double or unclear, the wall there was not measured, and the other
//! answers do not speak for it.

use crate::checks::{Answer, number};
use crate::limits::Limits;
use crate::shell::wall::Caution;

use super::{WallCheck, WallFacts};
use crate::checks::Verdict;

pub static CHECK: WallCheck = WallCheck {
    id: "surface-open",
    asks: "Is the surface closed, so that the wall could be measured all over?",
    explains: "Open edges, edges with more than two facets, a surface whose sides can't be told, \
        or an inner surface that does not lie inside. Facets wound the wrong way are read right and \
        only mentioned.",
    worst: Verdict::CannotTell,
    limits: &[],
    run,
};

fn run(facts: &WallFacts, _: &Limits) -> Answer {
    let mut missing = Vec::new();
    let mut mentioned = Vec::new();
    for caution in &facts.wall.cautions {
        match *caution {
            Caution::Open {
                edges,
                unbounded_mm2,
            } => missing.push(format!(
                "{edges} open edges, no wall over {}",
                number(unbounded_mm2, "mm2")
            )),
            Caution::Fins { edges } => missing.push(format!("{edges} edges with over two facets")),
            Caution::OneSided { sheets } => {
                missing.push(format!("surfaces with one side only: {sheets}"))
            }
            Caution::UnclearSides { area_mm2 } => missing.push(format!(
                "outside or inside not told over {}",
                number(area_mm2, "mm2")
            )),
            Caution::InnerNotInside => {
                missing.push("the inner surface does not lie inside the outer".to_owned());
            }
            Caution::Flipped { facets } => {
                mentioned.push(format!("{facets} facets wound the wrong way, read right"));
            }
            Caution::InsideOut { .. } => {
                mentioned.push("a surface wound inside out, read right".to_owned());
            }
            Caution::NoInner => mentioned.push("no inner surface was found".to_owned()),
        }
    }
    let mentioned = mentioned.join("; ");
    if missing.is_empty() {
        return Answer::holds("closed all over").and(&mentioned);
    }
    Answer::cannot_tell(
        missing.join("; "),
        "repair the mesh, or give both surfaces whole",
    )
    .and(&mentioned)
}

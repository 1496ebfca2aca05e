//! Is the wall thick enough everywhere, after polishing? The question that a finished shell is
//! measured for.

use crate::checks::{Answer, Bar, Verdict, area, figure, undecided};
use crate::limits::{Limits, rows};
use crate::shell::wall::ThinSpot;

use super::{RIM_ADVICE, WallCheck, WallFacts, decide, polished};

pub static CHECK: WallCheck = WallCheck {
    id: "wall-too-thin",
    asks: "Is every wall thick enough after polishing?",
    explains: "The wall is the inscribed ball at every outer point, less the finishing stock, held \
        against the limit of its place: canal (hard or soft) or body. Places under it are told with \
        area and least value. Rims and edges are listed apart. Where no canal is told, the \
        body's limit stands everywhere. Of a shell made here it is told which places lie in the wedge \
        of the faceplate's rim (`rim-sharp`), and which lie within 1.5 mm of what breaks on the scan; they \
        break it like any other.",
    worst: Verdict::Repair,
    limits: &[
        &rows::WALL_BODY,
        &rows::WALL_CANAL,
        &rows::WALL_SOFT_CANAL,
        &rows::CANAL_MATERIAL,
        &rows::WALL_STOCK,
    ],
    run,
};

fn run(facts: &WallFacts, limits: &Limits) -> Answer {
    let counted: Vec<usize> = (0..facts.wall.wall_mm.len())
        .filter(|&p| facts.wall.counts(p))
        .collect();
    let bar_at = |p: usize| {
        let row = facts.least_at(p, limits).0;
        Bar::at_least(row, limits)
    };
    let value_at = |p: usize| polished(facts.wall.at(p), limits);
    let Some((k, told)) = decide(counted.iter().map(|&p| (value_at(p), bar_at(p)))) else {
        return Answer::cannot_tell(
            "no outer wall was measured",
            "see `surface-open`, or give the inner surface as a second file",
        );
    };
    let (value, bar) = (value_at(counted[k]), bar_at(counted[k]));
    if told == Some(true) {
        return Answer::holds(format!("least {}", figure(&value, "mm")))
            .value(value, "mm")
            .limit(bar);
    }
    let spots = facts.thin_spots(limits);
    let findings = spots
        .iter()
        .map(|spot| {
            let why = match facts.scan_fault_at(&spot.point) {
                _ if facts.rim_of(&spot.points).is_some() => ", at the rim".to_owned(),
                Some(id) => format!(", beside what `{id}` names on the scan"),
                None => String::new(),
            };
            let says = format!(
                "{} over {}{why}",
                figure(&polished(spot.least_mm, limits), "mm"),
                area(spot.area_mm2),
            );
            facts.finding(&spot.point, says)
        })
        .collect();
    let answer = if told == Some(false) {
        let all: f64 = spots.iter().map(|s| s.area_mm2).sum();
        let places = if spots.len() == 1 { "place" } else { "places" };
        let says = format!(
            "least {}; {} thin {places}, {} in all",
            figure(&value, "mm"),
            spots.len(),
            area(all)
        );
        match facts.told_at_rim(&spots) {
            Some((more, true)) => Answer::breaks(Verdict::Repair, says, RIM_ADVICE).and(&more),
            some => {
                let rim = |s: &ThinSpot| facts.rim_of(&s.points).is_some();
                let mut others = spots.iter().filter(|s| !rim(s));
                let scan = others.all(|s| facts.scan_fault_at(&s.point).is_some());
                let advice = if scan {
                    "mend the scan there and make the shell anew"
                } else {
                    thicken(facts)
                };
                Answer::breaks(Verdict::Repair, says, advice)
                    .and(&some.map(|s| s.0).unwrap_or_default())
            }
        }
    } else {
        Answer::cannot_tell(
            undecided(&value, &bar),
            "measure that place on the printed part",
        )
    };
    answer.value(value, "mm").limit(bar).findings(findings)
}

/// What to do where nothing tells why it is thin. In a wedge the wall is thin however thick it is made.
fn thicken(facts: &WallFacts) -> &'static str {
    let wedge = |turn_deg: f64| turn_deg >= WEDGE_TURN_DEG;
    if facts.wall.edges.iter().any(|e| wedge(e.turn_deg)) {
        "thicken the wall there before printing; where it runs out to an edge of 60 deg or less (told with the \
         wall's figures) that does not help: there the shell is to be cut less aslant"
    } else {
        "thicken the wall there before printing"
    }
}

/// The turn of an edge whose wedge has 60 degrees or less.
const WEDGE_TURN_DEG: f64 = 120.0;

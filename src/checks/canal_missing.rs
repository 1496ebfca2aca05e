//! Is there a canal at all? Everything that follows hangs on the right end having been found.

use crate::canal::NoCanal;
use crate::limits::Limits;

use super::{Answer, Check, Facts, Verdict, figure};

pub static CHECK: Check = Check {
    id: "canal-missing",
    asks: "Is one end of the scan, and only one, shaped like an ear canal?",
    explains: "The canal is looked for by shape alone: no landmark, pose or order of facets is \
        needed. Where nothing on the surface is shaped like a canal, this check breaks; where two \
        ends look alike or the axis does not settle, it can't be told. Either way nothing along \
        the canal is judged.",
    worst: Verdict::CannotTell,
    limits: &[],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    if let Err(answer) = facts.lengths(limits) {
        return *answer;
    }
    match facts.canal {
        Ok(canal) => {
            let says = format!("a canal of {}", figure(&canal.length_mm, "mm"));
            let open = if canal.tip_open {
                "its tip is a hole in the scan, so it may be longer"
            } else {
                ""
            };
            Answer::holds(says).and(open).value(canal.length_mm, "mm")
        }
        Err(why @ NoCanal::NothingTubular) => Answer::breaks(
            Verdict::CannotTell,
            why.to_string(),
            "look at the scan: is it an ear impression, and is its canal on it?",
        ),
        Err(why @ NoCanal::TwoTips) => Answer::cannot_tell(
            why.to_string(),
            "cut off stand, plate or sprue in the scan, then vet it again",
        ),
        Err(why) => Answer::cannot_tell(
            why.to_string(),
            "look at the scan: holes, folds or too little canal hinder the measurement",
        ),
    }
}

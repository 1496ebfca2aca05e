//! Is what was measured a shell at all? A solid impression, half of a pair, two surfaces that do not
//! belong together or a wrong unit all have "thick" walls, and would pass every other check.

use crate::checks::{Answer, Verdict, number};
use crate::limits::{Limits, rows};
use crate::read::extent;
use crate::shell::wall::Caution;

use super::{WallCheck, WallFacts};

pub static CHECK: WallCheck = WallCheck {
    id: "not-a-shell",
    asks: "Is it a hollow shell as large as an earpiece, with both its surfaces?",
    explains: "A solid mesh, an outer surface whose inner one was not given, an inner surface that \
        does not lie inside, a size that no earpiece has (a wrong unit), or walls that are mostly \
        thicker than a shell's: whatever is thick there says nothing of a shell's wall. Then no \
        other check of the wall holds; where it is the unit or the pair that can't be right, none \
        breaks either.",
    worst: Verdict::CannotTell,
    limits: &[
        &rows::SHELL_SIZE_LEAST,
        &rows::SHELL_SIZE_MOST,
        &rows::SHELL_WALL_MOST,
    ],
    run,
};

/// Why the measured walls do not speak for a shell.
pub(super) struct Doubt {
    pub says: String,
    advice: &'static str,
    /// Not even a thin wall is to be believed.
    pub of_all: bool,
}

/// What casts doubt on the whole measurement, if anything.
pub(super) fn doubt(facts: &WallFacts, limits: &Limits) -> Option<Doubt> {
    let size_mm = extent(facts.mesh.points());
    let sizes = limits.number(&rows::SHELL_SIZE_LEAST)..=limits.number(&rows::SHELL_SIZE_MOST);
    if !sizes.contains(&size_mm) {
        return Some(Doubt {
            says: format!("{} across is no size of an earpiece", number(size_mm, "mm")),
            advice: "say the right unit with `--unit`",
            of_all: true,
        });
    }
    let has = |wanted: &Caution| facts.wall.cautions.contains(wanted);
    if has(&Caution::InnerNotInside) {
        return Some(Doubt {
            says: "the inner surface does not lie inside the outer".to_owned(),
            advice: "give the outer and the inner surface of one shell, in this order and one pose",
            of_all: true,
        });
    }
    if has(&Caution::NoInner) {
        return Some(Doubt {
            says: "no inner surface was found: it is solid, or half of a pair".to_owned(),
            advice: "give the inner surface as a second file, or the hollowed shell",
            of_all: false,
        });
    }
    let most = limits.number(&rows::SHELL_WALL_MOST);
    let middle = facts.wall.percentiles_mm.iter().find(|p| p.0 == 50.0)?.1;
    (middle > most).then(|| Doubt {
        says: format!("half of the wall is over {} thick", number(middle, "mm")),
        advice: "see that both surfaces are in one unit and of one shell",
        of_all: false,
    })
}

fn run(facts: &WallFacts, limits: &Limits) -> Answer {
    match doubt(facts, limits) {
        Some(doubt) => Answer::cannot_tell(doubt.says, doubt.advice),
        None => Answer::holds(format!(
            "hollow, {} across",
            number(extent(facts.mesh.points()), "mm")
        )),
    }
}

//! Is what was scanned an impression at all? A finished shell has a canal, bends and a side as well, and
//! would be judged as the ear that it was made for: told by how thick it is, for an impression is solid.

use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, figure, undecided};

/// Noise of this many sizes is told apart from the two faces of a wall at 95 %: 1.96 · √2.
const WALL_OF_NOISE: f64 = 2.77;

pub static CHECK: Check = Check {
    id: "not-an-impression",
    asks: "Is it as solid as an impression?",
    explains: "A closed surface holds twice its volume over its area: a plate or a thin shell as \
        much as it is thick, a ball of radius r two thirds of r. Under `scan.thickness_least_mm` \
        it is a finished shell, or a scan that was hollowed out, and no other check then judges a \
        length. An open surface holds no volume, and is taken for what it was given as.",
    worst: Verdict::CannotTell,
    limits: &[&rows::THICKNESS_LEAST],
    run,
};

/// Twice the volume over the area, mm; `None` where the surface is open.
fn thickness(facts: &Facts) -> Option<Measured> {
    let sound = facts.soundness;
    let volume_mm3 = sound.volume_mm3?.abs();
    let thick_mm = 2.0 * volume_mm3 / sound.area_mm2.max(f64::MIN_POSITIVE);
    Some(Measured::exact(thick_mm, WALL_OF_NOISE * sound.noise_mm))
}

/// How thin it is, where that is surely too thin for an impression.
pub(super) fn hollow(facts: &Facts, limits: &Limits) -> Option<String> {
    let value = thickness(facts)?;
    let bar = Bar::at_least(&rows::THICKNESS_LEAST, limits);
    let thin = bar.judge(&value) == Some(false);
    thin.then(|| format!("{} thick on the whole: hollow", figure(&value, "mm")))
}

fn run(facts: &Facts, limits: &Limits) -> Answer {
    if let Err(answer) = facts.unit(limits) {
        return *answer;
    }
    let Some(value) = thickness(facts) else {
        return Answer::holds("the surface is open: how solid it is was not asked");
    };
    let bar = Bar::at_least(&rows::THICKNESS_LEAST, limits);
    let advice = "give the scan of the impression; a finished shell is for `secondbend wall`";
    let answer = match bar.judge(&value) {
        Some(true) => Answer::holds(format!(
            "solid, {} thick on the whole",
            figure(&value, "mm")
        )),
        Some(false) => Answer::breaks(
            Verdict::CannotTell,
            hollow(facts, limits).unwrap_or_default(),
            advice,
        ),
        None => Answer::cannot_tell(undecided(&value, &bar), advice),
    };
    answer.value(value, "mm").limit(bar)
}

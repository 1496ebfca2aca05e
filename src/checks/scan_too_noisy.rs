//! Scan noise: a rough surface hides pits and widens every `±`.

use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, undecided};

/// 95 % half width of the noise figure, as a share of it. On 24 made ears with 0.02 to 0.15 mm of
/// noise and 10k to 100k facets it read 0.87 to 1.09 of the truth, least on dense noisy ones.
/// Too low: such an ear is told wrongly near the limit. Too high: a limit near is never told.
const SHARE: f64 = 0.15;

pub static CHECK: Check = Check {
    id: "scan-too-noisy",
    asks: "Is the surface smooth enough to be measured?",
    explains: "Noise is the standard deviation of the points about smooth patches fitted to them, \
        square to the surface. Hair, wax or skin on the cast count as noise too. Over the limit \
        the scan is made again.",
    worst: Verdict::Retake,
    limits: &[&rows::NOISE],
    run,
};

fn run(facts: &Facts, limits: &Limits) -> Answer {
    if let Err(answer) = facts.lengths(limits) {
        return *answer;
    }
    let bar = Bar::at_most(&rows::NOISE, limits);
    let noise = facts.soundness.noise_mm;
    let value = Measured::exact(noise, SHARE * noise);
    let says = format!("noise {noise:.3} ± {:.3} mm", value.plus_minus);
    let answer = match bar.judge(&value) {
        Some(true) => Answer::holds(says),
        Some(false) => Answer::breaks(Verdict::Retake, says, "clean the cast and scan it again"),
        None => Answer::cannot_tell(undecided(&value, &bar), "look at the surface"),
    };
    answer.value(value, "mm").limit(bar)
}

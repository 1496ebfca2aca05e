//! Where the canal is too narrow for two walls it closes, and sound has only the bores.

use crate::checks::{Answer, Bar, Verdict, figure, number, undecided};
use crate::limits::{Limits, rows};
use crate::units::Measured;

use super::{ShellCheck, ShellFacts};

pub static CHECK: ShellCheck = ShellCheck {
    id: "canal-closes-early",
    asks: "Is the cavity open far enough into the canal?",
    explains: "The length from where the cavity ends to where the canal ends, along the axis: there \
        the canal is solid but for its bores. It is given to half a facet.",
    worst: Verdict::Repair,
    limits: &[&rows::CANAL_SOLID],
    run,
};

/// How far the cavity is open, in words; before the aperture (a negative figure) there is no canal.
pub fn open_to_words(open_to_mm: f64) -> String {
    if open_to_mm < 0.0 {
        let before = number(-open_to_mm, "mm");
        return format!(
            "not open as far as the canal (the cavity ends {before} before the aperture)"
        );
    }
    format!("open to {} from the aperture", number(open_to_mm, "mm"))
}

fn run(facts: &ShellFacts, limits: &Limits) -> Answer {
    let Some(open_to) = facts.shell.canal_open_to_mm else {
        return Answer::cannot_tell(
            "no part of a cavity lies on the canal's axis",
            "see `cavity-missing`",
        );
    };
    let solid = Measured::exact(
        facts.shell.canal_end_mm - open_to,
        facts.plan.facet_mm / 2.0,
    );
    let bar = Bar::at_most(&rows::CANAL_SOLID, limits);
    let says = format!(
        "{}, solid over the last {}",
        open_to_words(open_to),
        figure(&solid, "mm")
    );
    let answer = match bar.judge(&solid) {
        Some(true) => Answer::holds(says),
        Some(false) => Answer::breaks(
            Verdict::Repair,
            says,
            "make the canal's wall thinner, or cut it shorter",
        ),
        None => Answer::cannot_tell(undecided(&solid, &bar), "cut the canal a little shorter"),
    };
    answer.value(solid, "mm").limit(bar)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cavity_that_ends_before_the_canal_is_no_negative_length() {
        assert_eq!(open_to_words(8.5), "open to 8.50 mm from the aperture");
        let before = open_to_words(-1.94);
        assert!(
            before.contains("ends 1.94 mm before the aperture"),
            "{before}"
        );
        assert!(!before.contains('-'), "{before}");
    }
}

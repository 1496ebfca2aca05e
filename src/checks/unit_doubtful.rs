//! The unit: most mesh files name none, and a scan in the wrong one is wrong in every length.
//! A unit is never guessed from size; size only tells that a named one can't be right.

use crate::limits::{Limits, rows};
use crate::read::{Unit, UnitFrom};
use crate::units::Measured;

use super::{Answer, Bar, Check, Facts, Verdict, figure};

pub static CHECK: Check = Check {
    id: "unit-doubtful",
    asks: "Is the unit of length known, and is the scan as large as an ear impression in it?",
    explains: "STL, PLY, OBJ and OFF files name no unit of length. Where nobody names one, \
        millimetres are taken if the greatest distance across the scan is then plausible for an ear \
        impression, and otherwise no length is told. A unit that was named and gives an \
        implausible size breaks this check, and no other check then judges a length. A scan too \
        large for an impression alone may be one with its stand or plate: then the canal found on \
        it, as wide as an ear's, vouches for the unit. Nothing is ever scaled in silence.",
    worst: Verdict::CannotTell,
    limits: &[&rows::SIZE_LEAST, &rows::SIZE_MOST, &rows::SIZE_WITH_STAND],
    run,
};

/// A unit as the option `--unit` names it.
const fn name(unit: Unit) -> &'static str {
    match unit {
        Unit::Um => "um",
        Unit::Mm => "mm",
        Unit::Cm => "cm",
        Unit::Inch => "inch",
        Unit::Foot => "foot",
        Unit::M => "m",
    }
}

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let Some(size) = facts.size else {
        return Answer::cannot_tell("the scan has no facets", "export the scan again");
    };
    let units: Vec<&str> = facts
        .plausible_units(limits)
        .into_iter()
        .map(name)
        .collect();
    let advice = if units.is_empty() {
        "its size is that of an ear in no usual unit: look at what the file holds".to_owned()
    } else {
        format!(
            "ask whoever exported it; plausible, with `--unit`: {}",
            units.join(", ")
        )
    };
    let Some(unit) = facts.scan.unit else {
        return Answer::cannot_tell(
            "nobody names the unit of length, and in millimetres the scan is not as large as an ear",
            advice,
        );
    };
    let from = match facts.scan.unit_from {
        UnitFrom::Option => "as told by --unit",
        UnitFrom::File => "as the file says",
        _ => "taken since the size is plausible",
    };
    let value = Measured::exact(size, 0.0);
    let says = format!(
        "unit {} ({from}); {} across",
        name(unit),
        figure(&value, "mm")
    );
    let least = Bar::at_least(&rows::SIZE_LEAST, limits);
    let most = Bar::at_most(&rows::SIZE_MOST, limits);
    if facts.with_stand(limits) {
        let stand = Bar::at_most(&rows::SIZE_WITH_STAND, limits);
        return Answer::holds(says)
            .and("too large for an impression alone: a stand or plate seems to be scanned with it")
            .value(value, "mm")
            .limit(stand);
    }
    let nearer = if size < least.value { least } else { most };
    let answer = match nearer.judge(&value) {
        Some(true) => Answer::holds(says),
        _ => Answer::breaks(Verdict::CannotTell, says, advice),
    };
    answer.value(value, "mm").limit(nearer)
}

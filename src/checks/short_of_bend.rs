//! Does the canal reach far enough past its bends? The commonest reason to take an impression
//! again: in one production site 831 of 915 impressions did not pass the second bend (Nielsen
//! and Darkner 2011). Two checks share this file, since they differ in the bend alone.

use crate::canal::Canal;
use crate::limits::{Limits, rows};
use crate::units::{Bound, Measured};

use super::{Answer, Bar, Check, Facts, Verdict, figure, number, tip_feathered, undecided};

pub static FIRST: Check = Check {
    id: "short-past-first-bend",
    asks: "Does the canal go on far enough past its first bend?",
    explains: "Counted along the axis from the peak of the first bend's curvature to the tip (the \
        report has the length from the bend's inner end too). A feathered tip does not count: \
        the length ends at the last full section. Without a told bend the whole canal is an \
        upper bound: if even that is too short, this breaks; else it can't be told.",
    worst: Verdict::Retake,
    limits: &[&rows::PAST_FIRST_BEND],
    run: |facts, limits| {
        let bar = Bar::at_least(&rows::PAST_FIRST_BEND, limits);
        past(facts, limits, 1, bar)
    },
};

pub static SECOND: Check = Check {
    id: "short-past-second-bend",
    asks: "Does the canal go on far enough past its second bend?",
    explains: "Counted as for the first bend. Good is 5-7 mm past the second bend, the least is \
        its beginning; the limit between the two is common practice. More is never a fault. \
        Where no second bend is told, the impression may be too short to show it or the ear may \
        have none: that is for a person to say, unless the canal ends so soon past the first bend \
        (`canal.between_bends_most_mm`) that it can't show the second.",
    worst: Verdict::Retake,
    limits: &[
        &rows::PAST_SECOND_BEND,
        &rows::PAST_SECOND_BEND_GOOD,
        &rows::BETWEEN_BENDS,
    ],
    run: |facts, limits| {
        let bar = Bar::at_least(&rows::PAST_SECOND_BEND, limits);
        past(facts, limits, 2, bar)
    },
};

const DEEPER: &str = "take the impression again with the canal block deeper, past the second bend";

fn ordinal(bend: usize) -> &'static str {
    if bend == 1 { "first" } else { "second" }
}

fn past(facts: &Facts, limits: &Limits, bend: usize, bar: Bar) -> Answer {
    let canal = match facts.canal(limits) {
        Ok(canal) => canal,
        Err(answer) => return *answer,
    };
    let feather = tip_feathered::lost_mm(canal, limits);
    let Some(found) = canal.bends.get(bend - 1) else {
        return unseen(canal, limits, bend, bar, feather);
    };
    if !canal.bends_sure || outer_end_missing(canal) {
        return unsure_which(canal, bend, bar, feather);
    }
    let value = less(found.past_mm, feather);
    let from = format!("{} past the {} bend", figure(&value, "mm"), ordinal(bend));
    let lost = if feather > 0.0 {
        format!("{} of feathered tip left out", number(feather, "mm"))
    } else {
        String::new()
    };
    let answer = match bar.judge(&value) {
        Some(true) => Answer::holds(from).and(&short_of_good(&value, bend, limits)),
        Some(false) => Answer::breaks(Verdict::Retake, from, DEEPER)
            .findings(vec![facts.finding(&canal.tip, "the canal ends here")]),
        None => Answer::cannot_tell(
            undecided(&value, &bar),
            "a finer scan, or a person, decides",
        ),
    };
    answer.and(&lost).value(value, "mm").limit(bar)
}

/// Noise could add or drop a bend, so "second" may be another one than it seems. The innermost bend
/// has the least past it and the outermost the most: only where all would answer alike is that told.
fn unsure_which(canal: &Canal, bend: usize, bar: Bar, feather: f64) -> Answer {
    let past: Vec<Measured> = canal
        .bends
        .iter()
        .map(|b| less(b.past_mm, feather))
        .collect();
    let (Some(outermost), Some(innermost)) = (past.first(), past.last()) else {
        return Answer::cannot_tell("no bend was told".to_string(), "look at the model");
    };
    let why = if outer_end_missing(canal) {
        "the outer end of the canal is not on the scan"
    } else {
        "one of the bends is barely a bend"
    };
    let says = format!(
        "{why}, so the {} bend can't be named for sure",
        ordinal(bend)
    );
    let answer = if bar.judge(innermost) == Some(true) {
        let enough = format!("{} past the innermost bend", figure(innermost, "mm"));
        Answer::holds(enough).and("enough whichever bend is the one meant")
    } else if bar.judge(outermost) == Some(false) && !outer_end_missing(canal) {
        Answer::breaks(Verdict::Retake, says, DEEPER)
    } else {
        Answer::cannot_tell(
            says,
            "look at the bends on the model and decide which is meant",
        )
    };
    answer.value(*innermost, "mm").limit(bar)
}

/// Without an aperture, and with fewer than two bends, a bend may lie where the scan has no canal.
fn outer_end_missing(canal: &Canal) -> bool {
    !canal.aperture_reached && canal.bends.len() < 2
}

/// No such bend was told: what lies past it is at most what lies past the bend before it, or
/// the whole canal. That can break the check, and never make it hold.
fn unseen(canal: &Canal, limits: &Limits, bend: usize, bar: Bar, feather: f64) -> Answer {
    let says = format!("no {} bend was told", ordinal(bend));
    let (whole, of) = match canal.bends.first() {
        Some(first) if bend == 2 => (first.past_mm, "past the first"),
        _ => (canal.length_mm, "in all"),
    };
    let most = Measured {
        bound: Bound::AtMost,
        ..less(whole, feather)
    };
    let too_short = bar.judge(&most) == Some(false) || ends_too_soon(canal, limits, bend, &most);
    let length = format!("the canal has {} {of}", figure(&less(whole, feather), "mm"));
    if whole.bound != Bound::AtLeast && too_short && canal.aperture_reached {
        return Answer::breaks(Verdict::Retake, says, DEEPER)
            .and(&format!("{length}, too little to reach past it"));
    }
    Answer::cannot_tell(
        says,
        "look whether the impression is too short to show it, or the ear has none",
    )
    .and(&length)
}

/// A canal that ends before the place where a second bend is looked for, and shows none, has
/// not reached it.
fn ends_too_soon(canal: &Canal, limits: &Limits, bend: usize, past_first: &Measured) -> bool {
    let reach = Bar::at_least(&rows::BETWEEN_BENDS, limits);
    bend == 2 && canal.bends.len() < 2 && reach.judge(past_first) == Some(false)
}

fn less(length: Measured, feather: f64) -> Measured {
    Measured {
        value: length.value - feather,
        ..length
    }
}

fn short_of_good(value: &Measured, bend: usize, limits: &Limits) -> String {
    let good = Bar::at_least(&rows::PAST_SECOND_BEND_GOOD, limits);
    if bend == 2 && good.judge(value) == Some(false) {
        format!(
            "enough, though short of the {} called good",
            number(good.value, "mm")
        )
    } else {
        String::new()
    }
}

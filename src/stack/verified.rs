//! What measuring a placement again comes to, in words: what is short, or how much is to spare at least of
//! each kind.

use super::certificate::{Certificate, Margin, MarginKind, TOLERANCE_MM};
use super::parts::Stack;
use super::report::names;
use super::tip::Tip;

/// What a placement that was measured again comes to, in lines: what fails; where nothing does, the
/// tightest margin of each kind. Whether tubes leave where they should is only judged where the end was `told`.
#[must_use]
pub fn verify_text(stack: &Stack, told: Option<Tip>, certificate: &Certificate) -> String {
    let mut out = String::from(match (certificate.fits(), certificate.holds()) {
        (true, _) => "holds: every margin reaches its clearance, the tightest of each kind being\n",
        (false, false) => "does not hold: short are\n",
        (false, true) => "does not hold: the margins do, but tubes are missing\n",
    });
    for &i in &certificate.unlaid {
        out += &format!("  no tube for \"{}\"\n", stack.parts[i].name);
    }
    let failing = certificate
        .margins
        .iter()
        .filter(|m| m.spare_mm() < -TOLERANCE_MM);
    let tightest = MarginKind::ALL
        .iter()
        .filter_map(|&k| certificate.tightest(k));
    let shown: Vec<&Margin> = if certificate.holds() {
        tightest.filter(|m| m.have.0.is_finite()).collect()
    } else {
        failing.collect()
    };
    for m in shown {
        let who = names(stack, &m.parts).join(" and ");
        let what = m.kind.words();
        out += &match m.kind {
            // Kept as minus what they are off.
            MarginKind::Seat | MarginKind::TubeEnds => {
                format!("  {what}: {who}, {:.4} mm\n", (-m.have.0).max(0.0))
            }
            _ => format!(
                "  {what}: {who}, {:.4} mm (asked: {:.2})\n",
                m.have.0, m.need.0
            ),
        };
    }
    if let Some(says) = end_not_judged(stack, told) {
        out += &format!("  {says}\n");
    }
    out
}

/// What is said where a placement was measured and where its tubes leave was not judged, since neither the
/// stack nor a `told` tip says where they should.
#[must_use]
pub fn end_not_judged(stack: &Stack, told: Option<Tip>) -> Option<&'static str> {
    let untold = stack.bores_in_use().any(|b| b.exit.is_none());
    (untold && !told.is_some_and(|tip| tip.told)).then_some(
        "where the tubes leave was not judged: `--tip` with `--tip-direction` has it judged",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::certificate::certify;
    use crate::stack::shapes::one_above_the_other;

    #[test]
    fn what_is_short_is_named_and_what_is_not_is_left_out() {
        let told = |apart: f64| {
            let (stack, room, placement) = one_above_the_other(apart);
            verify_text(
                &stack,
                room.tip,
                &certify(&room, &stack, &placement).expect("judged"),
            )
        };
        let text = told(3.0);
        assert!(
            text.contains("where the tubes leave was not judged"),
            "{text}"
        );
        assert!(
            text.starts_with("does not hold: the margins do, but tubes are missing"),
            "{text}"
        );
        assert!(text.contains("no tube for \"a\""), "{text}");
        assert!(
            text.contains("distance between two parts: a and c, 1.0000 mm (asked: 0.15)"),
            "{text}"
        );
        let text = told(2.1);
        assert!(text.starts_with("does not hold: short are"), "{text}");
        assert!(
            text.contains("distance between two parts: a and c, 0.1000 mm (asked: 0.15)"),
            "{text}"
        );
        assert!(!text.contains("from the wall"), "{text}");
    }
}

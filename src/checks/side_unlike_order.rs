//! Left or right: a swapped label or a mirrored file is found only when shape and order are
//! held side by side, and after that never again until it is in the wrong ear.

use crate::canal::Side;
use crate::limits::Limits;

use super::{Answer, Check, Facts, Verdict};

pub static CHECK: Check = Check {
    id: "side-unlike-order",
    asks: "Is the scan of the side that the order names?",
    explains: "The side is read from the shape of the concha and the run of the canal; it is told \
        only when the evidence clears a stated margin. It is held against `--side`, in an intake against what the file's name says. A mirrored \
        file reads as the other side, so a break means: label, order or file is wrong, and nobody \
        can say which ear this is. Without `--side` there is nothing to hold it against: the side \
        is reported, the question is not answered, and the verdict is not held back by that, unless \
        the file's name says the other side.",
    worst: Verdict::CannotTell,
    limits: &[],
    run,
};

const fn name(side: Side) -> &'static str {
    match side {
        Side::Left => "left",
        Side::Right => "right",
    }
}

/// A file's name is no order: nothing breaks by it. But where it names the other side, nobody can say
/// which ear this is.
fn unordered(read: Side, named: Option<Side>) -> Answer {
    let read_as = format!("the scan reads as a {} ear", name(read));
    let (says, advice) = match named {
        Some(side) if side != read => {
            return Answer::cannot_tell(
                format!("{read_as}, and its file's name says {}", name(side)),
                "look which is wrong: label, name or file; give the order's side with `--side`",
            );
        }
        Some(_) => (
            format!("{read_as}, as its file's name says; no side was ordered"),
            "give the order's side with `--side left` or `--side right`",
        ),
        None => (
            format!("{read_as}; no side was ordered"),
            "give the order's side with `--side left` or `--side right`",
        ),
    };
    Answer::cannot_tell(says, advice).not_deciding()
}

fn run(facts: &Facts, limits: &Limits) -> Answer {
    let read = match facts.canal(limits) {
        Ok(canal) => canal.side,
        Err(answer) if facts.ordered.is_none() => return answer.not_deciding(),
        Err(answer) => return *answer,
    };
    match (read, facts.ordered) {
        (Some(read), Some(ordered)) if read == ordered => Answer::holds(format!(
            "the scan reads as a {} ear, as {}",
            name(read),
            if facts.ordered_by_name {
                "its file's name says"
            } else {
                "ordered"
            }
        )),
        (Some(read), Some(ordered)) => Answer::breaks(
            Verdict::CannotTell,
            format!(
                "the scan reads as a {} ear, {} says {}",
                name(read),
                if facts.ordered_by_name {
                    "its file's name"
                } else {
                    "the order"
                },
                name(ordered)
            ),
            "stop: label, order or file is wrong (two files swapped, or one mirrored); find which \
             before anything is designed",
        ),
        (Some(read), None) => unordered(read, facts.named),
        (None, Some(ordered)) => Answer::cannot_tell(
            "the shape does not tell left from right",
            format!("make sure by the label that it is a {} ear", name(ordered)),
        ),
        (None, None) => Answer::cannot_tell(
            "the shape does not tell left from right, and no side was ordered",
            "go by the label",
        )
        .not_deciding(),
    }
}

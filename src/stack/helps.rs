//! What would help, tried and not guessed: a raised faceplate, a thinner wall, a shorter canal, a part
//! left out.
//! Cheapest change first; for a change with a value, the least value that works, to a tenth.

use std::cell::Cell;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use super::cavity::Cavity;
use super::grid::Depth;
use super::parts::Stack;
use super::verdict::{FitOptions, Verdict, fit, fit_in};
use crate::units::Mm;

/// A change of the shell that makes another cavity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ShellChange {
    /// The faceplate so much further out.
    RaiseFaceplate(Mm),
    /// The wall so much thinner.
    ThinWall(Mm),
    /// The canal cut so much shorter.
    ShortenCanal(Mm),
}

/// Makes the cavity of a changed shell; `None` where the change is not allowed (a wall under its
/// limit) or gives no cavity.
pub type Remake<'a> = dyn Fn(ShellChange) -> Option<Cavity> + 'a;

/// A change that was tried.
#[derive(Debug, Clone, PartialEq)]
pub struct Help {
    /// What is changed: `raise_faceplate_mm`, `thin_wall_mm`, `shorten_canal_mm`, `leave_out`.
    pub change: &'static str,
    /// By how much, where the change has a value.
    pub value_mm: Option<Mm>,
    /// The part left out.
    pub part: Option<String>,
    /// What came of it.
    pub verdict: Verdict,
}

impl Help {
    /// The change in words.
    #[must_use]
    pub fn words(&self) -> String {
        let by = self.value_mm.map_or(0.0, |v| v.0);
        match (self.change, &self.part) {
            (_, Some(part)) => format!("\"{part}\" left out"),
            ("raise_faceplate_mm", _) => format!("faceplate {by:.1} mm higher"),
            ("thin_wall_mm", _) => format!("wall {by:.1} mm thinner"),
            ("shorten_canal_mm", _) => format!("canal cut {by:.1} mm shorter"),
            (other, _) => other.replace('_', " "),
        }
    }
}

/// Largest change of a shell that is tried, in tenths of a mm.
const MOST_TENTHS: [u32; 3] = [30, 5, 20];

/// The share of the time that one try may take: a try that finds nothing takes all it is given.
const TRY_SHARE: f64 = 0.15;

/// A kind of shell change: its name, how it is made, its largest value in tenths of a mm.
type ShellTry = (&'static str, fn(Mm) -> ShellChange, u32);

/// Tries changes until one of each kind works or `until` has come; what was not tried is not
/// listed. `remake_s` is how long the first shell took: none is begun that could not be finished.
#[must_use]
#[allow(clippy::too_many_arguments)] // one question, spelt out
pub fn helps(
    cavity: &Cavity,
    stack: &Stack,
    options: FitOptions,
    until: Option<Instant>,
    remake: Option<&Remake>,
    remake_s: f64,
    stop: &AtomicBool,
) -> Vec<Help> {
    let over = || until.is_some_and(|t| Instant::now() >= t);
    let whole = until.map(|t| t.saturating_duration_since(Instant::now()).as_secs_f64());
    let share = if remake.is_some() { TRY_SHARE } else { 1.0 };
    let left = || FitOptions {
        seconds: until.zip(whole).map(|(t, whole)| {
            let left = t.saturating_duration_since(Instant::now()).as_secs_f64();
            left.min(share * whole)
        }),
        ..options
    };
    let mut out = Vec::new();
    let dearest = Cell::new(remake_s);
    if let Some(remake) = remake {
        let changes: [ShellTry; 3] = [
            (
                "raise_faceplate_mm",
                ShellChange::RaiseFaceplate,
                MOST_TENTHS[0],
            ),
            ("thin_wall_mm", ShellChange::ThinWall, MOST_TENTHS[1]),
            (
                "shorten_canal_mm",
                ShellChange::ShortenCanal,
                MOST_TENTHS[2],
            ),
        ];
        for (change, make, most) in changes {
            let works = |tenths: u32| {
                let began = room_for(dearest.get(), until)?;
                let room = remake(make(Mm(f64::from(tenths) / 10.0)));
                dearest.set(dearest.get().max(began.elapsed().as_secs_f64()));
                let verdict =
                    room.map_or(Verdict::NotFound, |c| fit(&c, stack, left(), stop).verdict);
                Some(verdict == Verdict::Fits)
            };
            let Some(least) = least_that_works(most, &works) else {
                break;
            };
            out.push(Help {
                change,
                value_mm: Some(Mm(f64::from(least.unwrap_or(most)) / 10.0)),
                part: None,
                verdict: if least.is_some() {
                    Verdict::Fits
                } else {
                    Verdict::NotFound
                },
            });
        }
    }
    let mut order: Vec<usize> = (0..stack.parts.len()).collect();
    order.sort_by(|&a, &b| {
        stack.parts[a]
            .volume_mm3()
            .total_cmp(&stack.parts[b].volume_mm3())
    });
    let depth = (!over() && stack.parts.len() > 1).then(|| Depth::new(cavity));
    for part in order {
        let Some(depth) = &depth else { break };
        if over() {
            break;
        }
        let verdict = fit_in(cavity, depth, &stack.without(part), left(), stop).verdict;
        let works = verdict == Verdict::Fits;
        out.push(Help {
            change: "leave_out",
            value_mm: None,
            part: Some(stack.parts[part].name.clone()),
            verdict,
        });
        if works {
            break;
        }
    }
    out
}

/// The least of 1..=most that works, if the most does. More is taken to work where less does. `None`
/// where nothing could be tried any more; what time cuts short is told by the best so far.
#[allow(clippy::option_option)] // not tried, tried in vain, and what works
fn least_that_works(most: u32, works: &dyn Fn(u32) -> Option<bool>) -> Option<Option<u32>> {
    if !works(most)? {
        return Some(None);
    }
    let (mut fails, mut holds) = (0, most);
    while holds - fails > 1 {
        let mid = (fails + holds) / 2;
        match works(mid) {
            Some(true) => holds = mid,
            Some(false) => fails = mid,
            None => break,
        }
    }
    Some(Some(holds))
}

/// Now, if a job of so many seconds may still be begun: it cannot be cut short.
fn room_for(seconds: f64, until: Option<Instant>) -> Option<Instant> {
    let now = Instant::now();
    let enough = until.is_none_or(|t| t.saturating_duration_since(now).as_secs_f64() > seconds);
    enough.then_some(now)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::shapes::block;

    #[test]
    fn the_faceplate_is_raised_by_what_just_works() {
        // A box 4 mm deep wants 4.5; the room is 4 deep and grows with the faceplate.
        let stack = Stack::of_boxes(&[[6.0, 5.0, 4.0], [1.0, 1.0, 1.0]], 0.15, 0.25);
        let room = |more: f64| Cavity::new(block(9.0, 5.6, 4.0 + more)).ok();
        let remake = |change: ShellChange| match change {
            ShellChange::RaiseFaceplate(Mm(x)) => room(x),
            _ => None,
        };
        let options = FitOptions {
            effort: 6,
            seconds: None,
            ..FitOptions::default()
        };
        let cavity = room(0.0).unwrap();
        let all = helps(
            &cavity,
            &stack,
            options,
            None,
            Some(&remake),
            0.0,
            &AtomicBool::new(false),
        );
        assert_eq!(all[0].change, "raise_faceplate_mm");
        assert_eq!(all[0].verdict, Verdict::Fits);
        assert!(
            (all[0].value_mm.unwrap().0 - 0.6).abs() < 0.11,
            "{:?}",
            all[0].value_mm
        );
        assert_eq!(all[1].verdict, Verdict::NotFound);
        let last = all.last().unwrap();
        assert_eq!(
            (last.part.as_deref(), &last.verdict),
            (Some("part 1"), &Verdict::Fits)
        );
    }
}

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

/// Makes the cavities of changed shells.
pub trait Remake {
    /// May this change be made at all (no wall under its limit, a plan that can be carried out)? Told at once.
    fn allows(&self, change: ShellChange) -> bool;
    /// The cavity of the changed shell; `None` where it has none.
    fn room(&self, change: ShellChange) -> Option<Cavity>;
}

/// What would help.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Helps {
    /// What was tried, cheapest first.
    pub tried: Vec<Help>,
    /// What was not.
    pub untried: Vec<Untried>,
}

/// A change that was not tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Untried {
    /// As in [`Help`].
    pub change: &'static str,
    /// Why not.
    pub why: NotTried,
}

/// Why a change was not tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotTried {
    /// It may not be made: a wall would go under its limit, or the plan could not be carried out.
    NotAllowed,
    /// There was no time for it.
    NoTime,
}

impl Untried {
    /// Both in words.
    #[must_use]
    pub fn words(&self) -> String {
        let why = match self.why {
            NotTried::NotAllowed => "the plan and the limits allow none",
            NotTried::NoTime => "no time was left",
        };
        let what = match self.change {
            "raise_faceplate_mm" => "a higher faceplate",
            "thin_wall_mm" => "thinner walls",
            "shorten_canal_mm" => "a shorter canal",
            "leave_out" => "leaving out a part not named here",
            other => other,
        };
        format!("{what}: {why}")
    }
}

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
            ("thin_wall_mm", _) => format!("walls {by:.1} mm thinner, none under its limit"),
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

/// Changes of a shell, cheapest first.
const SHELL_TRIES: [ShellTry; 3] = [
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

/// How the time is shared out among the tries.
struct Clock {
    until: Option<Instant>,
    /// Seconds that one try may take.
    each_s: Option<f64>,
}

impl Clock {
    fn new(until: Option<Instant>, share: f64) -> Self {
        let left = until.map(|t| t.saturating_duration_since(Instant::now()).as_secs_f64());
        Self {
            until,
            each_s: left.map(|s| share * s),
        }
    }

    fn left_s(&self) -> Option<f64> {
        let left = |t: Instant| t.saturating_duration_since(Instant::now()).as_secs_f64();
        self.until.map(left)
    }

    fn over(&self) -> bool {
        self.left_s().is_some_and(|s| s <= 0.0)
    }

    /// Is there time for a job of so many seconds that cannot be cut short?
    fn room_for(&self, seconds: f64) -> bool {
        self.left_s().is_none_or(|s| s > seconds)
    }

    fn of(&self, options: FitOptions) -> FitOptions {
        let seconds = self.left_s().zip(self.each_s).map(|(a, b)| a.min(b));
        FitOptions { seconds, ..options }
    }
}

/// Tries changes until one of each kind works or `until` has come. `depth` is that of the cavity; `remake_s` is
/// how long the first shell took: none is begun that could not be finished.
#[must_use]
#[allow(clippy::too_many_arguments)] // one question, spelt out
pub fn helps(
    cavity: &Cavity,
    depth: &Depth,
    stack: &Stack,
    options: FitOptions,
    until: Option<Instant>,
    remake: Option<(&dyn Remake, f64)>,
    stop: &AtomicBool,
) -> Helps {
    let share = if remake.is_some() { TRY_SHARE } else { 1.0 };
    let clock = Clock::new(until, share);
    let mut out = Helps::default();
    if let Some((remake, remake_s)) = remake {
        let dearest = Cell::new(remake_s);
        let works = |change: ShellChange| {
            if !clock.room_for(dearest.get()) {
                return None;
            }
            let began = Instant::now();
            let room = remake.room(change);
            let took = began.elapsed().as_secs_f64();
            dearest.set(dearest.get().max(took));
            let fits = |c| fit(&c, stack, clock.of(options), stop).verdict == Verdict::Fits;
            Some(room.is_some_and(fits))
        };
        for (change, make, most) in SHELL_TRIES {
            let made = |tenths: u32| make(Mm(f64::from(tenths) / 10.0));
            let most = (1..=most).rev().find(|&t| remake.allows(made(t)));
            match most.map(|most| (most, least_that_works(most, &|t| works(made(t))))) {
                None => out.leave(change, NotTried::NotAllowed),
                Some((_, None)) => out.leave(change, NotTried::NoTime),
                Some((most, Some(least))) => out.tried.push(Help {
                    change,
                    value_mm: Some(Mm(f64::from(least.unwrap_or(most)) / 10.0)),
                    part: None,
                    verdict: if least.is_some() {
                        Verdict::Fits
                    } else {
                        Verdict::NotFound
                    },
                }),
            }
        }
    }
    if stack.parts.len() > 1 {
        one_left_out(cavity, depth, stack, options, &clock, stop, &mut out);
    }
    out
}

/// The smallest part left out, else the next larger, until one helps.
fn one_left_out(
    cavity: &Cavity,
    depth: &Depth,
    stack: &Stack,
    options: FitOptions,
    clock: &Clock,
    stop: &AtomicBool,
    out: &mut Helps,
) {
    let volume = |i: usize| stack.parts[i].volume_mm3();
    let mut order: Vec<usize> = (0..stack.parts.len()).collect();
    order.sort_by(|&a, &b| volume(a).total_cmp(&volume(b)));
    for part in order {
        if clock.over() {
            return out.leave("leave_out", NotTried::NoTime);
        }
        let verdict = fit_in(cavity, depth, &stack.without(part), clock.of(options), stop).verdict;
        let works = verdict == Verdict::Fits;
        out.tried.push(Help {
            change: "leave_out",
            value_mm: None,
            part: Some(stack.parts[part].name.clone()),
            verdict,
        });
        if works {
            return;
        }
    }
}

impl Helps {
    fn leave(&mut self, change: &'static str, why: NotTried) {
        self.untried.push(Untried { change, why });
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::shapes::block;

    fn room(more_mm: f64) -> Option<Cavity> {
        Cavity::new(block(9.0, 5.6, 4.0 + more_mm)).ok()
    }

    struct Rooms;

    impl Remake for Rooms {
        fn allows(&self, change: ShellChange) -> bool {
            match change {
                ShellChange::RaiseFaceplate(_) => true,
                ShellChange::ThinWall(_) => false,
                ShellChange::ShortenCanal(by) => by.0 < 0.35,
            }
        }

        fn room(&self, change: ShellChange) -> Option<Cavity> {
            match change {
                ShellChange::RaiseFaceplate(Mm(x)) => room(x),
                _ => None,
            }
        }
    }

    #[test]
    fn the_faceplate_is_raised_by_what_just_works() {
        // A box 4 mm deep wants 4.5; the room is 4 deep and grows with the faceplate.
        let stack = Stack::of_boxes(&[[6.0, 5.0, 4.0], [1.0, 1.0, 1.0]], 0.15, 0.25);
        let options = FitOptions {
            effort: 6,
            seconds: None,
            ..FitOptions::default()
        };
        let cavity = room(0.0).unwrap();
        let stop = AtomicBool::new(false);
        let depth = Depth::new(&cavity);
        let ask = |until: Option<Instant>| {
            let remake: &dyn Remake = &Rooms;
            helps(
                &cavity,
                &depth,
                &stack,
                options,
                until,
                Some((remake, 0.0)),
                &stop,
            )
        };
        let Helps {
            tried: all,
            untried,
        } = ask(None);
        assert_eq!(all[0].change, "raise_faceplate_mm");
        assert_eq!(all[0].verdict, Verdict::Fits);
        assert!(
            (all[0].value_mm.unwrap().0 - 0.6).abs() < 0.11,
            "{:?}",
            all[0].value_mm
        );
        // A canal cut shorter by up to 0.3 is allowed, and makes no room; thinner walls are not.
        assert_eq!(all[1].change, "shorten_canal_mm");
        assert_eq!(all[1].verdict, Verdict::NotFound);
        assert_eq!(all[1].value_mm, Some(Mm(0.3)));
        let left = |change, why| Untried { change, why };
        assert_eq!(untried, [left("thin_wall_mm", NotTried::NotAllowed)]);
        let last = all.last().unwrap();
        assert_eq!(
            (last.part.as_deref(), &last.verdict),
            (Some("part 1"), &Verdict::Fits)
        );
        let none = ask(Some(Instant::now()));
        assert_eq!(none.tried, []);
        let each = none.untried.iter().map(|u| (u.change, u.why));
        let late = NotTried::NoTime;
        assert_eq!(
            each.collect::<Vec<_>>(),
            [
                ("raise_faceplate_mm", late),
                ("thin_wall_mm", NotTried::NotAllowed),
                ("shorten_canal_mm", late),
                ("leave_out", late)
            ]
        );
    }
}

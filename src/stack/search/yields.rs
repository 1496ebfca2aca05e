//! What starts have come to so far, so that time goes where something comes of it: lengths kept before the
//! spouts that leave the parts no room, and starts that end too far off for any polish, are tried seldom.
//!
//! Both hang on the room: in a close one hardly a placement keeps 4.5 mm free, in one with sharp corners all
//! read 0.14 mm too near to the wall and many a polish still ends well.

/// A length is barren whose starts came near less often than this share of how often the best one's did,
/// once so many were made.
const BARREN: f64 = 0.125;
const STARTS: usize = 64;
/// Nearer than this a start is always polished, mm. Of 32 planted cases with five tubes 491 of 641 such polishes
/// ended well, and 14 of 1261 others (30 November 2026).
const CLOSE_MM: f64 = 0.06;
/// Polishes from farther off go on while one in so many ends well, after so many.
const WORTH: usize = 20;
const POLISHES: usize = 16;
/// What is barren is still tried every so many turns.
const SELDOM: usize = 8;

/// How often something was tried, and how often it came to what was hoped for.
#[derive(Clone, Copy, Default)]
struct Tally {
    tried: usize,
    came: usize,
}

impl Tally {
    fn add(&mut self, came: bool) {
        self.tried += 1;
        self.came += usize::from(came);
    }

    fn share(&self) -> f64 {
        self.came as f64 / self.tried.max(1) as f64
    }
}

/// What starts and polishes came to.
pub struct Yields {
    lanes: Vec<Tally>,
    far: Tally,
}

impl Yields {
    /// Nothing known yet of so many lengths.
    pub fn new(lanes: usize) -> Self {
        Self {
            lanes: vec![Tally::default(); lanes],
            far: Tally::default(),
        }
    }

    /// Which length a start keeps free: all take turns, but for barren ones.
    pub fn lane(&self, turn: usize) -> usize {
        let (count, own) = (self.lanes.len(), turn % self.lanes.len());
        let share = |lane: usize| self.lanes[lane].share();
        let best = (0..count).fold(0, |best, lane| {
            if share(lane) > share(best) {
                lane
            } else {
                best
            }
        });
        let told = self.lanes[own].tried >= STARTS;
        let barren = told && share(own) < BARREN * share(best);
        if barren && !(turn / count).is_multiple_of(SELDOM) {
            best
        } else {
            own
        }
    }

    /// Is a start that ended so far off, mm, worth a polish in this round?
    pub fn worth(&self, near_mm: f64, round: usize) -> bool {
        near_mm < CLOSE_MM
            || self.far.tried < POLISHES + WORTH * self.far.came
            || round.is_multiple_of(SELDOM)
    }

    /// Notes whether a start that kept such a length came near.
    pub fn started(&mut self, lane: usize, near: bool) {
        self.lanes[lane].add(near);
    }

    /// Notes how a polish ended that began so far off, mm.
    pub fn polished(&mut self, near_mm: f64, fits: bool) {
        if near_mm >= CLOSE_MM {
            self.far.add(fits);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_that_leaves_no_room_is_kept_seldom_and_never_forgotten() {
        let mut yields = Yields::new(3);
        for n in 0..STARTS {
            yields.started(0, n % 4 == 0);
            yields.started(1, n % 8 == 0);
            assert_eq!(yields.lane(n), n % 3);
            yields.started(2, false);
        }
        let drawn: Vec<usize> = (0..240).map(|turn| yields.lane(turn)).collect();
        let count = |lane: usize| drawn.iter().filter(|l| **l == lane).count();
        assert_eq!([count(0), count(1), count(2)], [150, 80, 10]);
        // Where none comes near none is the worse.
        let mut yields = Yields::new(3);
        for _ in 0..STARTS {
            (0..3).for_each(|lane| yields.started(lane, false));
        }
        assert!((0..30).all(|turn| yields.lane(turn) == turn % 3));
    }

    #[test]
    fn polishes_from_far_off_go_on_while_they_pay() {
        let mut yields = Yields::new(1);
        for _ in 0..POLISHES {
            assert!(yields.worth(0.1, 1));
            yields.polished(0.1, false);
            yields.polished(0.01, false);
        }
        assert!(!yields.worth(0.1, 1) && yields.worth(0.1, SELDOM) && yields.worth(0.05, 1));
        yields.polished(0.1, true);
        assert!(yields.worth(0.1, 1));
    }
}

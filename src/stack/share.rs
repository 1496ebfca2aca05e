//! Which share of ears a stack fits: of those asked, and with 95 % of all that are like them.
//!
//! An ear whose answer is "not found" may be either, so the share of those asked is an interval; the interval
//! for all ears is exact by the binomial law (Clopper, Pearson 1934, Biometrika 26, 404-413), its lower end for
//! those that surely fit and its upper end for those that are not proven to refuse.

/// How often each answer was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Ears with a placement.
    pub fits: usize,
    /// Ears with a proof that there is none.
    pub cannot_fit: usize,
    /// Ears with neither.
    pub not_found: usize,
}

/// Beyond each end of the interval for all ears.
const TAIL: f64 = 0.025;
/// Halvings of the interval that a bound is looked for in: to 1e-15.
const HALVINGS: usize = 50;

impl Tally {
    /// Ears asked.
    #[must_use]
    pub fn ears(&self) -> usize {
        self.fits + self.cannot_fit + self.not_found
    }

    /// Share of the ears asked that it fits, least and most; `None` where none was asked.
    #[must_use]
    pub fn of_these(&self) -> Option<(f64, f64)> {
        let n = self.ears();
        let share = |k: usize| k as f64 / n as f64;
        (n > 0).then(|| (share(self.fits), share(self.fits + self.not_found)))
    }

    /// Share of all ears that these are a chance draw of: 95 % interval; `None` where none was asked.
    #[must_use]
    pub fn of_all(&self) -> Option<(f64, f64)> {
        let n = self.ears();
        let most = self.fits + self.not_found;
        (n > 0).then(|| (least(self.fits, n), 1.0 - least(n - most, n)))
    }
}

/// The share under which `k` or more of `n` come by chance in one draw of forty at the most.
fn least(k: usize, n: usize) -> f64 {
    if k == 0 {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..HALVINGS {
        let mid = 0.5 * (low + high);
        if at_least(k, n, mid) < TAIL {
            low = mid;
        } else {
            high = mid;
        }
    }
    low
}

/// Chance of `k` or more of `n`, each with chance `p` in 0 < p < 1.
fn at_least(k: usize, n: usize, p: f64) -> f64 {
    let odds = (p / (1.0 - p)).ln();
    // Logarithms, since for many ears the single terms are too small to be numbers.
    let mut term = n as f64 * (1.0 - p).ln();
    let mut sum = 0.0;
    for i in 0..=n {
        if i >= k {
            sum += term.exp();
        }
        term += ((n - i) as f64 / (i + 1) as f64).ln() + odds;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn tally(fits: usize, cannot_fit: usize, not_found: usize) -> Tally {
        Tally {
            fits,
            cannot_fit,
            not_found,
        }
    }

    #[test]
    fn none_and_all_of_n_are_the_closed_form() {
        // No success in n: (1 - p)^n = 0.025 at the upper end.
        for n in [1, 10, 400] {
            let end = 1.0 - TAIL.powf(1.0 / n as f64);
            let (low, high) = tally(0, n, 0).of_all().expect("ears");
            assert_relative_eq!(high, end, epsilon = 1e-12);
            assert_eq!(low, 0.0);
            let (low, high) = tally(n, 0, 0).of_all().expect("ears");
            assert_relative_eq!(low, 1.0 - end, epsilon = 1e-12);
            assert_eq!(high, 1.0);
        }
        assert_eq!(tally(0, 0, 0).of_all(), None);
    }

    #[test]
    fn what_was_not_found_may_be_either() {
        let t = tally(4, 3, 3);
        assert_eq!(t.of_these(), Some((0.4, 0.7)));
        let (low, high) = t.of_all().expect("ears");
        assert_eq!(low, tally(4, 6, 0).of_all().expect("ears").0);
        assert_eq!(high, tally(7, 3, 0).of_all().expect("ears").1);
    }

    #[test]
    fn at_whatever_share_the_interval_holds_it_95_times_of_100() {
        let n = 17;
        let each: Vec<(f64, f64)> = (0..=n)
            .map(|k| tally(k, n - k, 0).of_all().expect("ears"))
            .collect();
        for step in 1..200 {
            let p = f64::from(step) / 200.0;
            let chance =
                |k: usize| at_least(k, n, p) - if k < n { at_least(k + 1, n, p) } else { 0.0 };
            let held = (0..=n).filter(|&k| (each[k].0..=each[k].1).contains(&p));
            assert!(held.map(chance).sum::<f64>() >= 0.95, "{p}");
        }
    }
}

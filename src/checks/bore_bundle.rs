//! How wide may `n` equal bores be, side by side within an oval section, with webs between
//! them and a wall round about? Closed forms only; where the best arrangement of many bores is
//! not known, the answer is a lower and an upper bound.

use std::f64::consts::PI;

/// An ellipse by its half axes, `a` the larger, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oval {
    /// Half the largest width.
    pub a: f64,
    /// Half the smallest width.
    pub b: f64,
}

impl Oval {
    /// The ellipse with a section's area and its ratio of widths. A dented section has less
    /// area than its widths promise, so it reads narrower, as it should.
    #[must_use]
    pub fn of(area_mm2: f64, largest_mm: f64, smallest_mm: f64) -> Option<Self> {
        let ratio = largest_mm / smallest_mm;
        let fine = area_mm2 > 0.0 && ratio.is_finite() && ratio >= 1.0;
        fine.then(|| Self {
            a: (area_mm2 * ratio / PI).sqrt(),
            b: (area_mm2 / (ratio * PI)).sqrt(),
        })
    }

    /// Both widths larger by `by` (smaller where negative), never below nothing.
    #[must_use]
    pub fn widened(self, by: f64) -> Self {
        Self {
            a: (self.a + by / 2.0).max(0.0),
            b: (self.b + by / 2.0).max(0.0),
        }
    }

    /// Least distance from the point `c` of the long axis to the outline; negative outside.
    fn clearance(self, c: f64) -> f64 {
        let focal_sq = self.a * self.a - self.b * self.b;
        // Near the middle the outline is nearest at the sides, beyond at the end of the axis.
        if focal_sq > 0.0 && c * self.a <= focal_sq {
            self.b * (1.0 - c * c / focal_sq).max(0.0).sqrt()
        } else {
            self.a - c
        }
    }
}

/// What is asked of the bores.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bundle {
    /// How many bores.
    pub count: u32,
    /// Least material between two, mm.
    pub web_mm: f64,
    /// Least material between a bore and the outside, mm.
    pub wall_mm: f64,
}

/// Largest bore diameter (mm) that the bundle may have: surely possible, and surely not
/// exceeded. The two agree for one and two bores.
#[must_use]
pub fn largest_bore(bundle: Bundle, oval: Oval) -> (f64, f64) {
    let row = largest(oval, |d| fits_row(bundle, oval, bundle.count, d));
    let upper = largest(oval, |d| fits_row(bundle, oval, bundle.count.min(2), d));
    let ring = largest(oval, |d| fits_ring(bundle, oval, d));
    (row.max(ring).min(upper), upper)
}

/// `n` bores in a row along the long axis. For two it is the best there is: no two points of an
/// ellipse that keep their distance from its outline lie further apart than two on its long axis.
fn fits_row(bundle: Bundle, oval: Oval, n: u32, d: f64) -> bool {
    let end = f64::from(n.saturating_sub(1)) * (d + bundle.web_mm) / 2.0;
    oval.clearance(end) >= d / 2.0 + bundle.wall_mm
}

/// `n` bores in a ring about the middle, within the circle of the smallest width.
fn fits_ring(bundle: Bundle, oval: Oval, d: f64) -> bool {
    let n = f64::from(bundle.count);
    let ring = if bundle.count < 2 {
        0.0
    } else {
        (d + bundle.web_mm) / (2.0 * (PI / n).sin())
    };
    ring + d / 2.0 + bundle.wall_mm <= oval.b
}

/// The largest diameter that passes, by halving; what passes at `d` passes at anything smaller.
fn largest(oval: Oval, passes: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, 2.0 * oval.a);
    if !passes(low) {
        return 0.0;
    }
    // 60 halvings of a few millimetres end below 1e-15 mm.
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if passes(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bores(count: u32, web_mm: f64, wall_mm: f64) -> Bundle {
        Bundle {
            count,
            web_mm,
            wall_mm,
        }
    }

    /// Two bores of 1.5 with a web of 0.7 in a circle of radius 4 keep a wall of 2.15: centres
    /// at ±1.1, so 4 − 1.1 − 0.75.
    #[test]
    fn two_bores_in_a_circle() {
        let oval = Oval { a: 4.0, b: 4.0 };
        let (low, high) = largest_bore(bores(2, 0.7, 2.15), oval);
        assert!(
            (low - 1.5).abs() < 1e-12 && (high - 1.5).abs() < 1e-12,
            "{low} {high}"
        );
    }

    #[test]
    fn one_bore_takes_the_smallest_width_less_two_walls() {
        let (low, high) = largest_bore(bores(1, 9.0, 0.6), Oval { a: 5.0, b: 2.0 });
        assert!(
            (low - 2.8).abs() < 1e-12 && (high - 2.8).abs() < 1e-12,
            "{low} {high}"
        );
    }

    /// Three equal circles that touch lie in a circle of r (1 + 2/√3); four of r (1 + √2).
    #[test]
    fn rings_agree_with_the_known_packings_of_circles() {
        for (n, factor) in [
            (3, 1.0 + 2.0 / 3f64.sqrt()),
            (4, 1.0 + 2f64.sqrt()),
            (6, 3.0),
        ] {
            let (low, high) = largest_bore(bores(n, 0.0, 0.0), Oval { a: 3.0, b: 3.0 });
            assert!((low - 2.0 * 3.0 / factor).abs() < 1e-9, "{n}: {low}");
            assert!(low <= high);
        }
    }

    #[test]
    fn nothing_fits_in_less_than_two_walls() {
        assert_eq!(
            largest_bore(bores(2, 0.5, 0.6), Oval { a: 4.0, b: 0.5 }),
            (0.0, 0.0)
        );
    }

    /// A slow twin: both centres tried all over the ellipse, walls measured on its outline.
    #[test]
    fn two_bores_in_an_ellipse_against_a_search() {
        for (a, b) in [(4.0, 2.5), (3.0, 2.9), (5.0, 1.6)] {
            let bundle = bores(2, 0.5, 0.6);
            let (exact, _) = largest_bore(bundle, Oval { a, b });
            let searched = search_two(bundle, a, b);
            assert!(
                searched <= exact + 1e-3,
                "search beats the closed form: {searched} {exact}"
            );
            assert!(searched >= exact - 0.06, "{a} {b}: {searched} {exact}");
        }
    }

    fn search_two(bundle: Bundle, a: f64, b: f64) -> f64 {
        let outline: Vec<(f64, f64)> = (0..400)
            .map(|i| f64::from(i) * PI / 200.0)
            .map(|t| (a * t.cos(), b * t.sin()))
            .collect();
        let mut places = Vec::new();
        for i in -30..=30 {
            for j in 0..=15 {
                let (x, y) = (a * f64::from(i) / 30.0, b * f64::from(j) / 15.0);
                if (x / a).powi(2) + (y / b).powi(2) <= 1.0 {
                    let room = outline
                        .iter()
                        .map(|(u, v)| (u - x).hypot(v - y))
                        .fold(f64::MAX, f64::min);
                    places.push((x, y, 2.0 * (room - bundle.wall_mm)));
                    places.push((x, -y, 2.0 * (room - bundle.wall_mm)));
                }
            }
        }
        let mut best = 0.0f64;
        for p in &places {
            for q in &places {
                let apart = (p.0 - q.0).hypot(p.1 - q.1) - bundle.web_mm;
                best = best.max(p.2.min(q.2).min(apart));
            }
        }
        best
    }
}

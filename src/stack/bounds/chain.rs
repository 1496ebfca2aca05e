//! Balls in a row. Each part holds a ball of radius s3/2 whose middle lies in the part's core
//! region; sorted along any axis, neighbours are at least the sum of their radii and the clearance
//! apart, and sideways no more than the regions allow, so they advance along the axis. If even the
//! best of all orders runs out of length, nothing fits.

use super::core::Core;
use super::{BoundKind, Facts, Proof, SAFETY_MM, frames};
use crate::mesh::Vector;

/// More parts than this would take 2ⁿ n² steps too many.
const MOST_PARTS: usize = 12;

/// Interval of a part's middle along the axes of a frame.
pub(super) type Reach = [[f64; 2]; 3];

/// Where each part's inner ball may have its middle, as intervals in a frame.
pub(super) fn reaches(
    core: &Core,
    component: Option<usize>,
    frame: &nalgebra::Matrix3<f64>,
) -> Reach {
    let rim = core.rim(component);
    [0, 1, 2].map(|k| {
        let axis: Vector = frame.column(k).into_owned();
        let heights = rim.iter().map(|p| p.coords.dot(&axis));
        let (lo, hi) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
            (l.min(x), h.max(x))
        });
        [lo - core.reach_mm, hi + core.reach_mm]
    })
}

/// Shortfall of the best order along axis `along`, mm: positive where no order fits.
pub(super) fn shortfall(radii: &[f64], clearance: f64, reach: &[Reach], along: usize) -> f64 {
    let n = radii.len();
    if !(2..=MOST_PARTS).contains(&n) {
        return 0.0;
    }
    let sideways = |i: usize, j: usize, k: usize| {
        (reach[i][k][1] - reach[j][k][0])
            .max(reach[j][k][1] - reach[i][k][0])
            .max(0.0)
    };
    let advance = |i: usize, j: usize| {
        let apart = radii[i] + radii[j] + clearance - SAFETY_MM;
        let (a, b) = (
            sideways(i, j, (along + 1) % 3),
            sideways(i, j, (along + 2) % 3),
        );
        (apart * apart - a * a - b * b).max(0.0).sqrt()
    };
    // Least place of the last ball, and least shortfall on the way, by set and last member.
    let mut least = vec![(f64::INFINITY, f64::INFINITY); (1 << n) * n];
    for i in 0..n {
        least[(1 << i) * n + i] = (reach[i][along][0], 0.0);
    }
    let mut best = f64::INFINITY;
    for set in 1_usize..1 << n {
        for last in 0..n {
            let (place, short) = least[set * n + last];
            if set >> last & 1 == 0 || place == f64::INFINITY {
                continue;
            }
            if set + 1 == 1 << n {
                best = best.min(short);
            }
            for next in 0..n {
                if set >> next & 1 == 1 {
                    continue;
                }
                let to = (place + advance(last, next)).max(reach[next][along][0]);
                let over = short.max(to - reach[next][along][1]);
                let slot = &mut least[(set | 1 << next) * n + next];
                // Place and shortfall are lowered apart: each stays a lower bound.
                *slot = (slot.0.min(to), slot.1.min(over));
            }
        }
    }
    best
}

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let parts = facts.free();
    if parts.len() < 2 || parts.len() > MOST_PARTS {
        return None;
    }
    let cores: Vec<_> = parts.iter().map(|&i| facts.core(i)).collect();
    if cores.iter().any(|c| c.components() == 0) {
        return None; // the ball's own bound says so
    }
    let widest = parts.iter().enumerate().min_by(|a, b| {
        facts
            .core_depth_mm(*a.1)
            .total_cmp(&facts.core_depth_mm(*b.1))
    })?;
    let radii: Vec<f64> = parts
        .iter()
        .map(|&i| facts.stack.parts[i].sides_mm()[2] / 2.0)
        .collect();
    for frame in frames(&cores[widest.0], None) {
        let reach: Vec<Reach> = cores.iter().map(|c| reaches(c, None, &frame)).collect();
        for along in 0..3 {
            let short = shortfall(&radii, facts.stack.clearance_mm, &reach, along);
            if short > SAFETY_MM {
                let ends = reach.iter().map(|r| r[along]);
                let have = ends.fold([f64::INFINITY, f64::NEG_INFINITY], |[l, h], r| {
                    [l.min(r[0]), h.max(r[1])]
                });
                return Some(Proof {
                    bound: BoundKind::Chain,
                    need: have[1] - have[0] + short,
                    have: have[1] - have[0],
                    parts: parts.clone(),
                });
            }
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_balls_in_a_straight_tube() {
        // Radii 1, 2, 1, a tube as wide as the widest ball: in line they take 1+2·... between
        // first and last middle: (1+2) + (2+1) = 6, or 2 + 3 = 5 with the large one at an end.
        let line = |length: f64| vec![[[0.0, length], [0.0, 0.0], [0.0, 0.0]]; 3];
        let radii = [1.0, 2.0, 1.0];
        assert!(shortfall(&radii, 0.0, &line(5.0), 0) <= 0.0);
        let short = shortfall(&radii, 0.0, &line(4.5), 0);
        assert!((short - 0.5).abs() < 1e-3, "{short}");
        // A tube wide enough to pass each other needs no length.
        let wide = vec![[[0.0, 0.1], [0.0, 4.0], [0.0, 4.0]]; 3];
        assert!(shortfall(&radii, 0.0, &wide, 0) <= 0.0);
    }
}

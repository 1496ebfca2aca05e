//! Balls in a row. Each part holds a ball of radius s3/2 whose middle lies in the part's core
//! region; sorted along any axis, neighbours are at least the sum of their radii and the clearance
//! apart, and sideways no more than the regions allow, so they advance along the axis. If even the
//! best of all orders runs out of length, nothing fits.

use nalgebra::Matrix3;

use super::{BoundKind, Facts, Proof, SAFETY_MM, frames};
use crate::mesh::{Point, Vector};

/// More parts than this would take 2ⁿ n² steps too many.
const MOST_PARTS: usize = 12;

/// Interval of a part's middle along the axes of a frame.
pub(super) type Reach = [[f64; 2]; 3];

/// Where each part's inner ball may have its middle, as intervals in a frame: the points' own, each
/// stretched by `more`.
pub(super) fn reaches(points: &[Point], more: f64, frame: &Matrix3<f64>) -> Reach {
    [0, 1, 2].map(|k| {
        let axis: Vector = frame.column(k).into_owned();
        let heights = points.iter().map(|p| p.coords.dot(&axis));
        let (lo, hi) = heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
            (l.min(x), h.max(x))
        });
        [lo - more, hi + more]
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
    let radii: Vec<f64> = parts
        .iter()
        .map(|&i| facts.stack.parts[i].sides_mm()[2] / 2.0)
        .collect();
    let clearance = facts.stack.clearance_mm;
    let (clouds, stretch) = deep_nodes(facts, &parts);
    // What stands in a row on the nodes that are deep enough does in the region that holds them: only
    // where even those fall short is it worth a closer look.
    let widest = clouds.iter().max_by_key(|c| c.len())?;
    let hopeful = frames(widest).iter().any(|frame| {
        let inner: Vec<Reach> = clouds.iter().map(|c| reaches(c, stretch, frame)).collect();
        (0..3).any(|along| shortfall(&radii, clearance, &inner, along) > SAFETY_MM)
    });
    if !hopeful {
        return None;
    }
    let cores: Vec<_> = parts.iter().map(|&i| facts.core(i)).collect();
    if cores.iter().any(|c| c.components() == 0) {
        return None; // the ball's own bound says so
    }
    let rims: Vec<Vec<Point>> = cores.iter().map(|c| c.rim(None)).collect();
    let widest = rims.iter().max_by_key(|c| c.len())?;
    for frame in frames(widest) {
        let each = rims.iter().zip(&cores);
        let reach: Vec<Reach> = each.map(|(r, c)| reaches(r, c.reach_mm, &frame)).collect();
        for along in 0..3 {
            let short = shortfall(&radii, clearance, &reach, along);
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

/// The nodes that are deep enough for each part; where a part has none (a slim region runs between
/// the nodes), those that might be, for all parts: then no closer look is spared.
fn deep_nodes(facts: &Facts, parts: &[usize]) -> (Vec<Vec<Point>>, f64) {
    let cloud = |less: f64| -> Vec<Vec<Point>> {
        let nodes = parts.iter().map(|&i| {
            let groups = facts.deep_groups(facts.core_depth_mm(i) - less);
            groups.concat()
        });
        nodes.collect()
    };
    let (sure, wide) = (cloud(0.0), facts.depth.half_diagonal_mm());
    if sure.iter().all(|c| !c.is_empty()) {
        return (sure, 0.0);
    }
    (cloud(wide), -wide)
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

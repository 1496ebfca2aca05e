//! From the loose segments of a plane cut to closed outlines. Where a hole left a gap, the outline
//! goes on over it as round as it comes to it on both sides: a straight bridge would move the
//! centroid inward, and with it the axis (by 0.04 mm for a hole of 3 mm in a canal of 9).

use nalgebra::{Point2, Vector2};

/// A closed outline, and how much of it was bridged.
pub(super) struct Outline {
    pub points: Vec<Point2<f64>>,
    pub gap_mm: f64,
}

/// Joins segments that end on the same mesh edge. Returns chains and whether each is closed.
/// A small open-addressed table finds the mates: sorting the ends took a third of the whole time.
pub(super) fn chains(
    ends: &[(u64, u32)],
    places: &[[Point2<f64>; 2]],
) -> Vec<(Vec<Point2<f64>>, bool)> {
    let mut mate = vec![u32::MAX; places.len() * 2];
    let size = (ends.len() * 2).next_power_of_two().max(16);
    let mut waiting = vec![(0_u64, u32::MAX); size]; // no edge has key 0: its points differ
    for &(key, end) in ends {
        let mut slot = (key.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40) as usize & (size - 1);
        while waiting[slot].0 != 0 && waiting[slot].0 != key {
            slot = (slot + 1) & (size - 1);
        }
        let other = waiting[slot].1;
        if waiting[slot].0 == key && other != u32::MAX {
            mate[other as usize] = end;
            mate[end as usize] = other;
            waiting[slot].1 = u32::MAX;
        } else {
            waiting[slot] = (key, end);
        }
    }
    let mut used = vec![false; places.len()];
    let mut out = Vec::new();
    let point = |end: u32| places[end as usize / 2][end as usize % 2];
    // open chains first, from a loose end; then what is left is closed
    let loose = (0..mate.len() as u32).filter(|&e| mate[e as usize] == u32::MAX);
    let all = (0..places.len() as u32).map(|s| s * 2);
    for start in loose.chain(all) {
        if used[start as usize / 2] {
            continue;
        }
        let mut chain = vec![point(start)];
        let mut here = start;
        let closed = loop {
            used[here as usize / 2] = true;
            let far = here ^ 1;
            let next = mate[far as usize];
            if next == u32::MAX {
                chain.push(point(far));
                break false;
            }
            if used[next as usize / 2] {
                break true;
            }
            chain.push(point(next));
            here = next;
        };
        out.push((chain, closed));
    }
    out
}

/// Bridges open chains, always the nearest two loose ends first. `bulge` 1 goes on as round as the
/// outline is at both ends of a gap, 0 straight across.
pub(super) fn close(chains: Vec<(Vec<Point2<f64>>, bool)>, bulge: f64) -> Vec<Outline> {
    let (closed, mut open): (Vec<_>, Vec<_>) = chains.into_iter().partition(|c| c.1);
    let mut out: Vec<Outline> = closed
        .into_iter()
        .map(|(points, _)| Outline {
            points,
            gap_mm: 0.0,
        })
        .collect();
    let mut gaps = vec![0.0; open.len()];
    // A cut through a torn scan may leave very many crumbs; the longest are what matters.
    if open.len() > 60 {
        open.sort_by_key(|c| std::cmp::Reverse(c.0.len()));
        open.truncate(60);
        gaps.truncate(60);
    }
    while !open.is_empty() {
        let (i, j, flip, gap) = nearest_ends(&open);
        gaps[i] += gap;
        if i == j {
            let (mut points, _) = open.swap_remove(i);
            let gap_mm = gaps.swap_remove(i);
            let across = bridge(&points, &points, bulge);
            points.extend(across);
            out.push(Outline { points, gap_mm });
        } else {
            let (mut tail, _) = open.swap_remove(j);
            gaps[i] += gaps[j];
            gaps.swap_remove(j);
            let (head, _) = &mut open[i];
            if flip.0 {
                head.reverse();
            }
            if flip.1 {
                tail.reverse();
            }
            let across = bridge(head, &tail, bulge);
            head.extend(across);
            head.extend(tail);
        }
    }
    out
}

/// The pair of loose ends that lie nearest: chains `i < j` (or `i == j`: its own two ends), how
/// to turn them so that the end of `i` meets the start of `j`, and the distance.
fn nearest_ends(open: &[(Vec<Point2<f64>>, bool)]) -> (usize, usize, (bool, bool), f64) {
    let ends = |c: &Vec<Point2<f64>>| [c[0], c[c.len() - 1]];
    let mut best = (0, 0, (false, false), f64::INFINITY);
    for i in 0..open.len() {
        let [s, e] = ends(&open[i].0);
        let own = (s - e).norm();
        if own < best.3 {
            best = (i, i, (false, false), own);
        }
        for (j, other) in open.iter().enumerate().skip(i + 1) {
            let [s2, e2] = ends(&other.0);
            for (d, flip) in [
                ((e - s2).norm(), (false, false)),
                ((e - e2).norm(), (false, true)),
                ((s - s2).norm(), (true, false)),
                ((s - e2).norm(), (true, true)),
            ] {
                if d < best.3 {
                    best = (i, j, flip, d);
                }
            }
        }
    }
    best
}

/// Gaps are bridged round from this width on, mm; under it a bulge is below the noise of any scan.
const ROUND_FROM_MM: f64 = 0.5;
/// … and up to this one. Too high: over half of a torn section would be made up from its rims. Too
/// low: a bubble of 4 mm pulls the axis inward.
const ROUND_TO_MM: f64 = 5.0;
/// The outline's direction at a gap is taken over so much of it, mm. Under 0.5 noise turns it; over
/// 3 it is that of another part of the section.
const RUN_UP_MM: f64 = 1.2;
/// Directions that turn from the straight bridge by more than this are a torn rim, not a wall.
const MOST_TURN: f64 = 1.0;

/// Points between the end of `head` and the start of `tail` (which may be the same chain): a cubic
/// that leaves and arrives in the directions that the chains have there.
fn bridge(head: &[Point2<f64>], tail: &[Point2<f64>], bulge: f64) -> Vec<Point2<f64>> {
    let (Some(&a), Some(&b)) = (head.last(), tail.first()) else {
        return Vec::new();
    };
    let gap = b - a;
    let wide = gap.norm();
    if !(ROUND_FROM_MM..=ROUND_TO_MM).contains(&wide) {
        return Vec::new();
    }
    let leave = run_up(head.iter().rev()).map(|from| a - from);
    let arrive = run_up(tail.iter()).map(|to| to - b);
    let (Some(leave), Some(arrive)) = (leave, arrive) else {
        return Vec::new();
    };
    let turn = |v: &Vector2<f64>| gap.perp(v).atan2(gap.dot(v));
    // Over the run-up a round wall has already turned by some of what it turns in the gap.
    let share = bulge * wide / (wide + RUN_UP_MM);
    let (out, home) = (turn(&leave) * share, turn(&arrive) * share);
    if out.abs() > MOST_TURN || home.abs() > MOST_TURN || out * home > 0.0 {
        return Vec::new();
    }
    let side = Vector2::new(-gap.y, gap.x) / wide;
    let steps = (wide / 0.4).ceil() as usize;
    (1..steps)
        .map(|k| {
            let t = k as f64 / steps as f64;
            let (s, u) = (1.0 - t, t);
            // Hermite: height over the chord with the slopes of both ends.
            let height = wide * (out.tan() * t * s * s - home.tan() * s * u * u);
            a + gap * t + side * height
        })
        .collect()
}

/// The point so far along a chain, or its last one if that is at least half as far.
fn run_up<'a>(mut chain: impl Iterator<Item = &'a Point2<f64>>) -> Option<Point2<f64>> {
    let mut here = *chain.next()?;
    let mut gone = 0.0;
    for next in chain {
        gone += (next - here).norm();
        here = *next;
        if gone >= RUN_UP_MM {
            break;
        }
    }
    (gone >= 0.5 * RUN_UP_MM).then_some(here)
}

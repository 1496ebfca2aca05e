//! Chambers. A part's inner ball has its middle in one component of the deep region, and every
//! point of the part is within √3/2 · s3 of its core there. So each part belongs to a chamber, and
//! the parts of one chamber must pass the row of balls and the volume within that chamber's reach.

use super::chain::{Reach, reaches, shortfall};
use super::core::Core;
use super::volume::grown_mm3;
use super::{BoundKind, Facts, Proof, SAFETY_MM, frames};
use crate::mesh::Vector;
use crate::stack::grid::{NODE_ERROR_MM, exact_depth};
use rayon::prelude::*;

/// More chambers than this are crumbs of the region's rim; the bound says nothing.
const MOST_CHAMBERS: usize = 12;
/// Assignments tried before the bound gives up (and says nothing).
const MOST_TRIES: usize = 200_000;

struct Chamber {
    volume_mm3: f64,
    /// Intervals of the parts' middles, by frame, then part.
    reach: Vec<Vec<Reach>>,
}

pub(super) fn refuse(facts: &Facts) -> Option<Proof> {
    let mut parts = facts.free();
    parts.sort_by(|&a, &b| grown_mm3(facts, b).total_cmp(&grown_mm3(facts, a)));
    let thinnest = parts
        .iter()
        .copied()
        .min_by(|&a, &b| facts.core_depth_mm(a).total_cmp(&facts.core_depth_mm(b)))?;
    if parts.len() < 2 {
        return None;
    }
    if facts.deep_groups(facts.core_depth_mm(thinnest)).len() < 2 {
        return None; // even the nodes that are deep enough hang together
    }
    let room = facts.core(thinnest);
    let n = room.components();
    // One chamber alone is left to the volume and the row of balls.
    if !(2..=MOST_CHAMBERS).contains(&n) {
        return None;
    }
    let mut allowed = vec![vec![false; n]; parts.len()];
    for (row, &part) in allowed.iter_mut().zip(&parts) {
        let core = facts.core(part);
        let sides = facts.stack.parts[part].sides_mm();
        for k in 0..core.components() {
            if core.too_narrow(k, sides).is_none() {
                row[room.holder_of(&core, k)?] = true;
            }
        }
    }
    let inside = inside_volumes(facts);
    let chambers: Vec<Chamber> = (0..n)
        .map(|k| {
            let hosts: Vec<usize> = (0..parts.len())
                .filter(|&p| allowed[p][k])
                .map(|p| parts[p])
                .collect();
            Chamber {
                volume_mm3: within_reach(facts, &inside, &room, k, &hosts),
                reach: frames(&room.rim(Some(k)))
                    .iter()
                    .map(|f| vec![reaches(&room.rim(Some(k)), room.reach_mm, f); parts.len()])
                    .collect(),
            }
        })
        .collect();
    let mut search = Sharing {
        facts,
        parts: &parts,
        allowed: &allowed,
        chambers: &chambers,
        tries: 0,
        most_placed: 0,
    };
    let shared = search.share(&mut vec![Vec::new(); n], 0);
    (!shared && search.tries < MOST_TRIES).then(|| Proof {
        bound: BoundKind::Chambers,
        need: parts.len() as f64,
        have: search.most_placed as f64,
        parts: parts.clone(),
    })
}

/// Volume of the cavity less what surely lies beyond the reach of a part seated in the chamber.
fn within_reach(facts: &Facts, inside: &[f64], room: &Core, k: usize, hosts: &[usize]) -> f64 {
    let depth = facts.depth;
    let whole = facts.cavity.volume_mm3();
    let grown = facts
        .stack
        .wall_clearance_mm
        .min(facts.stack.clearance_mm / 2.0);
    let thickest = hosts
        .iter()
        .map(|&i| facts.stack.parts[i].sides_mm()[2])
        .fold(0.0, f64::max);
    let reach = 3.0_f64.sqrt() / 2.0 * thickest + grown + 2.0 * depth.half_diagonal_mm();
    let beyond = (reach / depth.step_mm()).powi(2);
    let far_sq = distances_sq(depth.counts(), &room.coarse[k]);
    let out: f64 = inside
        .iter()
        .zip(&far_sq)
        .filter(|(_, d)| **d > beyond)
        .map(|(v, _)| v)
        .sum();
    whole - out
}

/// How much of each node's cell is surely inside the cavity, mm³: all of it where the node is deep
/// enough, else those of its small cells that are.
fn inside_volumes(facts: &Facts) -> Vec<f64> {
    const CUTS: usize = 3;
    let depth = facts.depth;
    let (step, wide) = (depth.step_mm(), depth.half_diagonal_mm());
    let small = step / CUTS as f64;
    let narrow = wide / CUTS as f64;
    let values = depth.values().par_iter().enumerate();
    values
        .map(|(i, v)| {
            let v = f64::from(*v);
            if v - NODE_ERROR_MM >= wide {
                return step.powi(3);
            }
            if v + NODE_ERROR_MM <= -wide {
                return 0.0;
            }
            let sure = (0..CUTS.pow(3)).filter(|n| {
                let at = [n % CUTS, n / CUTS % CUTS, n / (CUTS * CUTS)];
                let off = Vector::from_fn(|k, _| (at[k] as f64 + 0.5) * small - step / 2.0);
                exact_depth(&facts.queries, &(depth.node_at(i) + off)) >= narrow
            });
            sure.count() as f64 * small.powi(3)
        })
        .collect()
}

struct Sharing<'a> {
    facts: &'a Facts<'a>,
    parts: &'a [usize],
    allowed: &'a [Vec<bool>],
    chambers: &'a [Chamber],
    tries: usize,
    most_placed: usize,
}

impl Sharing<'_> {
    fn share(&mut self, groups: &mut Vec<Vec<usize>>, next: usize) -> bool {
        self.most_placed = self.most_placed.max(next);
        if next == self.parts.len() || self.tries >= MOST_TRIES {
            return true;
        }
        for k in 0..groups.len() {
            if !self.allowed[next][k] {
                continue;
            }
            self.tries += 1;
            groups[k].push(next);
            if self.holds(k, &groups[k]) && self.share(groups, next + 1) {
                return true;
            }
            groups[k].pop();
        }
        false
    }

    /// Could the chamber hold these parts, as far as volume and the row of balls tell?
    fn holds(&self, k: usize, group: &[usize]) -> bool {
        let chamber = &self.chambers[k];
        let need: f64 = group
            .iter()
            .map(|&g| grown_mm3(self.facts, self.parts[g]))
            .sum();
        if need > chamber.volume_mm3 * (1.0 + 1e-6) + 1e-2 {
            return false;
        }
        let radius = |g: &usize| self.facts.stack.parts[self.parts[*g]].sides_mm()[2] / 2.0;
        let radii: Vec<f64> = group.iter().map(radius).collect();
        chamber.reach.iter().all(|frame| {
            let reach: Vec<Reach> = group.iter().map(|&g| frame[g]).collect();
            (0..3).all(|along| {
                shortfall(&radii, self.facts.stack.clearance_mm, &reach, along) <= SAFETY_MM
            })
        })
    }
}

/// Squared distance, in steps, of every node from the nearest of `from`: exact, axis by axis
/// (Felzenszwalb and Huttenlocher 2012).
fn distances_sq(counts: [usize; 3], from: &[usize]) -> Vec<f64> {
    let mut d = vec![1e12; counts.iter().product()];
    for &i in from {
        d[i] = 0.0;
    }
    let strides = [1, counts[0], counts[0] * counts[1]];
    for axis in 0..3 {
        let (n, stride) = (counts[axis], strides[axis]);
        for start in 0..d.len() {
            if start / stride % n != 0 {
                continue;
            }
            let line: Vec<f64> = (0..n).map(|i| d[start + i * stride]).collect();
            for (i, value) in envelope(&line).into_iter().enumerate() {
                d[start + i * stride] = value;
            }
        }
    }
    d
}

/// For each i: least over j of f(j) + (i − j)².
fn envelope(f: &[f64]) -> Vec<f64> {
    let (mut at, mut from): (Vec<usize>, Vec<f64>) = (vec![0], vec![f64::NEG_INFINITY]);
    let key = |j: usize| f[j] + (j * j) as f64;
    for q in 1..f.len() {
        loop {
            let p = at[at.len() - 1];
            let meet = (key(q) - key(p)) / (2.0 * (q - p) as f64);
            if meet > from[from.len() - 1] || at.len() == 1 {
                at.push(q);
                from.push(meet);
                break;
            }
            at.pop();
            from.pop();
        }
    }
    let mut k = 0;
    (0..f.len())
        .map(|i| {
            while k + 1 < at.len() && from[k + 1] < i as f64 {
                k += 1;
            }
            f[at[k]] + (i as f64 - at[k] as f64).powi(2)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_by_slow_twin() {
        let counts = [7, 5, 6];
        let from = [3, 60, 150];
        let got = distances_sq(counts, &from);
        let at = |i: usize| [i % 7, i / 7 % 5, i / 35].map(|x| x as f64);
        for (i, g) in got.iter().enumerate() {
            let twin = from.iter().map(|&j| {
                let (a, b) = (at(i), at(j));
                (0..3).map(|k| (a[k] - b[k]).powi(2)).sum::<f64>()
            });
            assert!((g - twin.fold(f64::INFINITY, f64::min)).abs() < 1e-9);
        }
    }
}

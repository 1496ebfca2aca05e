//! Lines some of which run into another and are one with it from there on. Drawn together, both give
//! way at the joint: a tube drawn after another had to come in where that one happened to lie.

use crate::mesh::{Point, Vector};

/// Rough lines that are no further from each other than this run in the same way, mm.
const SAME_WAY_MM: f64 = 0.6;
/// What a line has to itself before another runs into it, mm. Less: it has no room to turn.
const OWN_MM: f64 = 1.5;

/// Where a line runs into another.
#[derive(Debug, Clone, Copy)]
pub struct Joint {
    /// Into which line.
    pub of: usize,
    /// The first of its points that are those of the other.
    pub from: usize,
    /// Which of the other's that is.
    pub at: usize,
}

/// Lines, whole from beginning to end; what several share, each has.
#[derive(Debug, Clone)]
pub struct Net {
    /// The lines.
    pub lines: Vec<Vec<Point>>,
    joints: Vec<Option<Joint>>,
}

impl Net {
    /// Lines that run into those they are said to. A line that another runs into runs into none.
    pub fn new(lines: Vec<Vec<Point>>, joints: Vec<Option<Joint>>) -> Self {
        let mut net = Self { lines, joints };
        for k in 0..net.lines.len() {
            if let Some(j) = net.joints[k] {
                net.take_rest(k, j);
            }
        }
        net
    }

    /// A line ends as the one that it runs into.
    fn take_rest(&mut self, k: usize, joint: Joint) {
        let rest = self.lines[joint.of][joint.at..].to_vec();
        self.lines[k].truncate(joint.from);
        self.lines[k].extend(rest);
    }

    /// A line was moved: those that share points with it have them there too.
    pub fn moved(&mut self, k: usize) {
        let root = self.joints[k].map_or(k, |j| j.of);
        if let Some(j) = self.joints[k] {
            let rest = self.lines[k][j.from..].to_vec();
            self.lines[root].truncate(j.at);
            self.lines[root].extend(rest);
        }
        for other in (0..self.lines.len()).filter(|&o| o != k) {
            if let Some(j) = self.joints[other].filter(|j| j.of == root) {
                self.take_rest(other, j);
            }
        }
    }

    /// Has a line run into its other a point later, where there is one.
    pub fn join_later(&mut self, k: usize) {
        if let Some(mut joint) = self.joints[k]
            && joint.at + 1 < self.lines[joint.of].len()
        {
            joint.at += 1;
            self.joints[k] = Some(joint);
            self.take_rest(k, joint);
        }
    }

    /// Where a line runs into another.
    pub fn joint(&self, k: usize) -> Option<Joint> {
        self.joints[k]
    }

    /// Sets points at equal ways along a line and those that share points with it, about a chord
    /// apart; joints stay where they are. `None`, and nothing done, where one is shorter than two chords.
    pub fn even(&mut self, k: usize, chord: f64) -> Option<()> {
        let root = self.joints[k].map_or(k, |j| j.of);
        let group: Vec<usize> = (0..self.lines.len())
            .filter(|&o| o == root || self.joints[o].is_some_and(|j| j.of == root))
            .collect();
        if group
            .iter()
            .any(|&o| length_mm(&self.lines[o]) < 2.0 * chord)
        {
            return None;
        }
        let old = std::mem::take(&mut self.lines[root]);
        let mut marks: Vec<usize> = group
            .iter()
            .filter_map(|&o| self.joints[o])
            .map(|j| j.at)
            .collect();
        marks.extend([0, old.len() - 1]);
        marks.sort_unstable();
        marks.dedup();
        let mut new = vec![old[0]];
        let mut moved = vec![0; old.len()];
        for w in marks.windows(2) {
            new.pop();
            new.extend(evened(&old[w[0]..=w[1]], chord));
            moved[w[1]] = new.len() - 1;
        }
        self.lines[root] = new;
        for &o in &group {
            if let Some(mut joint) = self.joints[o] {
                self.lines[o] = evened(&self.lines[o][..=joint.from], chord);
                joint.from = self.lines[o].len() - 1;
                joint.at = moved[joint.at];
                self.joints[o] = Some(joint);
                self.take_rest(o, joint);
            }
        }
        Some(())
    }

    /// The same for all lines.
    pub fn even_all(&mut self, chord: f64) -> Option<()> {
        for k in 0..self.lines.len() {
            if self.joints[k].is_none() {
                self.even(k, chord)?;
            }
        }
        Some(())
    }
}

/// Where a rough line may run into another that ends where it does: where they come to run in the same
/// way.
pub fn meeting(line: &[Point], of: usize, other: &[Point]) -> Option<Joint> {
    let shared = |p: &&Point| off_line(p, other).0 <= SAME_WAY_MM;
    let common = line.iter().rev().take_while(shared).count().max(1);
    let own = |line: &[Point]| {
        line.windows(2)
            .scan(0.0, |way, w| {
                *way += (w[1] - w[0]).norm();
                Some(*way)
            })
            .take_while(|way| *way < OWN_MM)
            .count()
            + 1
    };
    let most = line.len() - 1;
    let from = (line.len() - common).max(own(line));
    let nearest = |p: &Point| {
        (0..other.len()).min_by(|&a, &b| {
            (other[a] - p)
                .norm_squared()
                .total_cmp(&(other[b] - p).norm_squared())
        })
    };
    let at = nearest(line.get(from)?)?.max(own(other));
    (from <= most && at < other.len()).then_some(Joint { of, from, at })
}

/// Length of a line, mm.
pub fn length_mm(line: &[Point]) -> f64 {
    line.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// Distance from a line, and the way off it.
pub fn off_line(p: &Point, line: &[Point]) -> (f64, Vector) {
    off_line_within(p, line, f64::INFINITY, f64::INFINITY)
        .unwrap_or_else(|| (f64::INFINITY, Vector::zeros()))
}

/// Distance from a line of which no piece is longer than `longest`, and the way off it, where that is less
/// than `within`. From a point that is further off, as many pieces are passed over as it takes to come near.
pub fn off_line_within(
    p: &Point,
    line: &[Point],
    longest: f64,
    within: f64,
) -> Option<(f64, Vector)> {
    let mut best = None;
    let mut near = Near::new(within.max(0.0), longest);
    let mut i = 0;
    while i + 1 < line.len() {
        let from = p - line[i];
        let passed = near.passed(from.norm_squared());
        if passed > 0 {
            i += passed;
            continue;
        }
        let along = line[i + 1] - line[i];
        let (on, whole) = (from.dot(&along), along.norm_squared());
        // Most pieces are nearest at an end: no division for those.
        let off = if on <= 0.0 {
            from
        } else if on >= whole {
            p - line[i + 1]
        } else {
            from - along * (on / whole)
        };
        let sq = off.norm_squared();
        if sq < near.sq {
            (best, near) = (Some(off), Near::new(sq.sqrt(), longest));
        }
        i += 1;
    }
    best.map(|off| {
        let way = off.try_normalize(1e-12).unwrap_or_default();
        (near.sq.sqrt(), way)
    })
}

/// Squares of the distances from which so many pieces can be passed over.
struct Near {
    sq: f64,
    over: [(usize, f64); 3],
}

impl Near {
    fn new(within: f64, longest: f64) -> Self {
        let over = [9, 3, 1].map(|n| {
            let far = within + n as f64 * longest;
            (n, far * far)
        });
        Self {
            sq: within * within,
            over,
        }
    }

    fn passed(&self, sq: f64) -> usize {
        let enough = self.over.iter().find(|(_, far)| sq > *far);
        enough.map_or(0, |o| o.0)
    }
}

/// The longest piece of a line, mm.
pub fn longest_mm(line: &[Point]) -> f64 {
    let sq = line.windows(2).map(|w| (w[1] - w[0]).norm_squared());
    sq.fold(0.0, f64::max).sqrt()
}

/// Points at equal ways along a piece of a line, its ends among them.
fn evened(piece: &[Point], chord: f64) -> Vec<Point> {
    let length = length_mm(piece);
    let n = (length / chord).ceil().max(1.0);
    let chord = length / n;
    let (mut out, mut gone) = (vec![piece[0]], 0.0);
    for w in piece.windows(2) {
        let size = (w[1] - w[0]).norm();
        while out.len() as f64 * chord <= gone + size && (out.len() as f64) < n {
            let t = (out.len() as f64 * chord - gone) / size;
            out.push(w[0] + (w[1] - w[0]) * t);
        }
        gone += size;
    }
    out.push(piece[piece.len() - 1]);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One line along x, and one that comes down to it and goes along.
    fn two() -> [Vec<Point>; 2] {
        let straight = (0..=20).map(|i| Point::new(0.5 * f64::from(i), 0.0, 0.0));
        let down = (0..8).map(|i| Point::new(0.3 * f64::from(i), 4.0 - 0.5 * f64::from(i), 0.0));
        let along = (5..=20).map(|i| Point::new(0.5 * f64::from(i), 0.1, 0.0));
        [straight.collect(), down.chain(along).collect()]
    }

    fn net() -> Net {
        let lines = two();
        let joint = meeting(&lines[1], 0, &lines[0]).unwrap();
        Net::new(lines.to_vec(), vec![None, Some(joint)])
    }

    #[test]
    fn lines_meet_where_they_come_to_run_the_same_way() {
        let net = net();
        let joint = net.joint(1).unwrap();
        assert!((net.lines[0][joint.at].x - 2.0).abs() < 0.6, "{joint:?}");
        assert_eq!(net.lines[1][joint.from..], net.lines[0][joint.at..]);
        // What runs side by side from the start keeps some way to itself.
        let lines = two();
        let same = meeting(&lines[0], 0, &lines[0]).unwrap();
        assert!(lines[0][same.from].x >= OWN_MM && lines[0][same.at].x >= OWN_MM);
    }

    #[test]
    fn a_line_passed_over_in_leaps_is_as_far_as_piece_by_piece() {
        let [_, line] = two();
        let longest = longest_mm(&line);
        for i in 0..4000 {
            let at = |k: i32| f64::from(i / k % 20) * 0.7 - 3.0;
            let p = Point::new(at(1), at(20), at(400));
            let (far, off) = off_line(&p, &line);
            for within in [0.3, 2.0, 5.0] {
                let told = off_line_within(&p, &line, longest, within);
                assert_eq!(told, (far < within).then_some((far, off)), "{p} {within}");
            }
        }
    }

    #[test]
    fn what_is_shared_moves_for_both_and_stays_shared_when_evened() {
        let mut net = net();
        let joint = net.joint(1).unwrap();
        let place = net.lines[0][joint.at];
        for chord in [0.2, 0.7] {
            net.even_all(chord).unwrap();
            let joint = net.joint(1).unwrap();
            assert_eq!(net.lines[0][joint.at], place);
            assert_eq!(net.lines[1][joint.from..], net.lines[0][joint.at..]);
            for w in net.lines[0].windows(2) {
                assert!((w[1] - w[0]).norm() <= chord + 1e-9);
            }
        }
        for k in [0, 1] {
            for p in &mut net.lines[k] {
                p.z += 1.0;
            }
            net.moved(k);
            let joint = net.joint(1).unwrap();
            assert_eq!(net.lines[1][joint.from..], net.lines[0][joint.at..]);
        }
        let joint = net.joint(1).unwrap();
        assert_eq!(net.lines[0][joint.at].z, 2.0);
        assert_eq!(net.lines[0][joint.at - 1].z, 1.0);
        net.join_later(1);
        assert_eq!(net.joint(1).unwrap().at, joint.at + 1);
        assert_eq!(net.even(1, 30.0), None);
    }
}

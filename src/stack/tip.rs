//! Where the bores leave. A stack file or a caller may say; a cavity alone does not. Where it has no canal
//! that can be measured either, its narrow end is taken: of the ends that the thickest tube can reach, the one that lies furthest
//! from the cavity's widest place for how wide it is itself.

use super::grid::Depth;
use super::parts::Stack;
use super::route::ways::Ways;
use crate::mesh::{Point, Vector};

/// The end of the cavity that the bores lead out of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tip {
    /// A point of it, inside the cavity.
    pub at: Point,
    /// Unit direction out of the cavity there.
    pub outward: Vector,
    /// Was it told? Then the tubes end in the section through it, square to the direction; else it
    /// was found, and they end near it.
    pub told: bool,
}

/// What an end that nobody told was found by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TipGuess {
    /// The cavity has a canal, measured as an impression's is.
    Canal,
    /// It has none: its narrow end was taken, which may be another lobe than the canal.
    NarrowEnd,
}

impl TipGuess {
    /// Its name in JSON.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Canal => "canal",
            Self::NarrowEnd => "narrow_end",
        }
    }

    /// What the tubes leave through, in words.
    #[must_use]
    pub fn through(self) -> &'static str {
        match self {
            Self::Canal => {
                "through the end of the canal that the cavity itself was measured to have"
            }
            Self::NarrowEnd => {
                "through the cavity's narrow end, which may be another than its canal's"
            }
        }
    }
}

/// Ends closer together than this are one end, mm: half a canal's width is 2 to 4.
const APART_MM: f64 = 5.0;
/// How far back from its end the direction of the tip and its width are read, mm. Shorter: the
/// grid's steps show (0.35 mm); longer: a canal's bend would.
const READ_MM: f64 = 4.0;
/// Ends looked at.
const MOST_ENDS: usize = 4;

impl Tip {
    /// The ends of a cavity that the tubes of this stack may reach, narrowest and furthest first.
    /// Nodes a little too shallow count: a canal that fits a tube closely may run between them.
    #[must_use]
    pub(crate) fn ends(depth: &Depth, stack: &Stack) -> Vec<Self> {
        let Some(thick) = stack.thickest_tube_mm() else {
            return Vec::new();
        };
        let need = thick / 2.0 + stack.wall_clearance_mm - depth.half_diagonal_mm();
        let deep = |i: usize| f64::from(depth.values()[i]);
        let nodes = 0..depth.values().len();
        let widest = nodes.clone().max_by(|&a, &b| deep(a).total_cmp(&deep(b)));
        let Some(widest) = widest.filter(|&i| deep(i) >= need) else {
            return Vec::new();
        };
        let ways = Ways::new(depth, &[widest], &|i| deep(i) >= need);
        let mut left: Vec<usize> = nodes.filter(|&i| ways.of(i).is_finite()).collect();
        let mut ends: Vec<(f64, Self)> = Vec::new();
        for _ in 0..MOST_ENDS {
            let far = left
                .iter()
                .copied()
                .max_by(|&a, &b| ways.of(a).total_cmp(&ways.of(b)));
            let Some(end) = far else { break };
            let at = depth.node_at(end);
            let near = |i: usize, mm: f64| (depth.node_at(i) - at).norm() < mm;
            let wide = left
                .iter()
                .filter(|&&i| near(i, READ_MM))
                .map(|&i| deep(i))
                .fold(need.max(0.1), f64::max);
            // From the middle of a slice further back to that of the last one: a single shortest way
            // cuts corners and lies up to 30 degrees off.
            let slice = |from: f64| {
                let whole = ways.of(end);
                let inside = |i: &usize| {
                    let back = whole - ways.of(*i);
                    (from..from + READ_MM / 2.0).contains(&back) && near(*i, from + READ_MM)
                };
                let nodes: Vec<usize> = left.iter().copied().filter(inside).collect();
                let sum: Vector = nodes.iter().map(|&i| depth.node_at(i).coords).sum();
                (!nodes.is_empty()).then(|| sum / nodes.len() as f64)
            };
            let outward = slice(READ_MM / 8.0)
                .zip(slice(READ_MM))
                .and_then(|(outer, inner)| (outer - inner).try_normalize(1e-9));
            if let Some(outward) = outward {
                let tip = Self {
                    at,
                    outward,
                    told: false,
                };
                ends.push((ways.of(end) / wide, tip));
            }
            left.retain(|&i| !near(i, APART_MM));
        }
        ends.sort_by(|a, b| b.0.total_cmp(&a.0));
        ends.into_iter().map(|e| e.1).collect()
    }
}

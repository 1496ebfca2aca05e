//! Where the bores leave. A stack file or a caller may say; a cavity alone does not, and then its
//! narrow end is taken: of the ends that the thickest tube can reach, the one that lies furthest
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
}

/// Ends closer together than this are one end, mm: half a canal's width is 2 to 4.
const APART_MM: f64 = 5.0;
/// How far back from its end the direction of the tip and its width are read, mm. Shorter: the
/// grid's steps show (0.35 mm); longer: a canal's bend would.
const READ_MM: f64 = 4.0;
/// Ends looked at.
const MOST_ENDS: usize = 4;

impl Tip {
    /// The narrow end of a cavity for the tubes of this stack; `None` where they go nowhere.
    #[must_use]
    pub fn find(depth: &Depth, stack: &Stack) -> Option<Self> {
        let need = stack.thickest_tube_mm()? / 2.0 + stack.wall_clearance_mm;
        let deep = |i: usize| f64::from(depth.values()[i]);
        let widest = (0..depth.values().len()).max_by(|&a, &b| deep(a).total_cmp(&deep(b)))?;
        if deep(widest) < need {
            return None;
        }
        let ways = Ways::new(depth, &[widest], &|i| deep(i) >= need);
        let mut left: Vec<usize> = (0..depth.values().len())
            .filter(|&i| ways.of(i).is_finite())
            .collect();
        let mut best: Option<(f64, usize)> = None;
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
                .fold(need, f64::max);
            let score = ways.of(end) / wide;
            if best.is_none_or(|(b, _)| score > b) {
                best = Some((score, end));
            }
            left.retain(|&i| !near(i, APART_MM));
        }
        let (_, end) = best?;
        let at = depth.node_at(end);
        let behind = ways
            .back(end)
            .map(|i| depth.node_at(i))
            .take_while(|p| (p - at).norm() <= READ_MM)
            .last()?;
        let outward = (at - behind).try_normalize(1e-9).unwrap_or_else(Vector::x);
        Some(Self { at, outward })
    }
}

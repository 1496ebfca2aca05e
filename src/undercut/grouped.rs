//! One section's outline in small groups with boxes, so that a distance asks few of its segments.
//! A group is passed over only where its box is no nearer than what was found: the figures are
//! those of asking them all.

use super::slices::{Flat, Segment, nearest_on_segment};

/// Segments in a group. With 4 the boxes cost what the segments did; with 32 most of what a group
/// holds is far away.
const GROUP: usize = 8;
/// Cells that segments are sorted by, mm: about the length of a few.
const CELL_MM: f64 = 0.25;

/// An outline whose segments lie in groups.
pub(super) struct Grouped {
    segments: Vec<Segment>,
    boxes: Vec<[Flat; 2]>,
}

impl Grouped {
    pub fn new(segments: &[Segment]) -> Self {
        let mut keyed: Vec<(u64, u32)> = segments
            .iter()
            .enumerate()
            .map(|(i, s)| (interleaved(&s[0]), i as u32))
            .collect();
        keyed.sort_unstable();
        let segments: Vec<Segment> = keyed.iter().map(|k| segments[k.1 as usize]).collect();
        let boxes = segments
            .chunks(GROUP)
            .map(|group| {
                let first = [group[0][0], group[0][0]];
                group
                    .iter()
                    .flatten()
                    .fold(first, |[low, high], p| [low.inf(p), high.sup(p)])
            })
            .collect();
        Self { segments, boxes }
    }

    fn groups(&self) -> impl Iterator<Item = (&[Flat; 2], &[Segment])> {
        self.boxes.iter().zip(self.segments.chunks(GROUP))
    }

    /// How often the outline runs round a point.
    pub fn winding(&self, p: &Flat) -> i32 {
        let mut winding = 0;
        for ([low, high], group) in self.groups() {
            if low.y > p.y || high.y <= p.y || low.x >= p.x {
                continue;
            }
            for [a, b] in group {
                if (a.y <= p.y) != (b.y <= p.y) {
                    let x = a.x + (b.x - a.x) * ((p.y - a.y) / (b.y - a.y));
                    if x < p.x {
                        winding += if b.y > a.y { -1 } else { 1 };
                    }
                }
            }
        }
        winding
    }

    /// Squared distance to the nearest segment; infinite where there is none.
    pub fn nearest_sq(&self, p: &Flat) -> f64 {
        let to_box = |[low, high]: &[Flat; 2]| {
            let d = (low - p).sup(&(p - high)).sup(&Flat::zeros());
            d.norm_squared()
        };
        let to_group = |group: &[Segment], best: f64| {
            let sq = |s: &Segment| (nearest_on_segment(p, s) - p).norm_squared();
            group.iter().map(sq).fold(best, f64::min)
        };
        let nearest = self
            .groups()
            .map(|(b, group)| (to_box(b), group))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let Some((_, first)) = nearest else {
            return f64::INFINITY;
        };
        let start = to_group(first, f64::INFINITY);
        self.groups().fold(start, |best, (b, group)| {
            if to_box(b) < best {
                to_group(group, best)
            } else {
                best
            }
        })
    }
}

/// The cell of a place, its two numbers' bits in turn (Morton 1966): near in the plane is mostly
/// near in the order.
fn interleaved(p: &Flat) -> u64 {
    let spread = |v: f64| {
        // Earpieces are under 80 mm across; beyond that the order is merely poor.
        let mut x = (v / CELL_MM + 32768.0).clamp(0.0, 65535.0) as u64;
        x = (x | (x << 8)) & 0x00FF_00FF;
        x = (x | (x << 4)) & 0x0F0F_0F0F;
        x = (x | (x << 2)) & 0x3333_3333;
        (x | (x << 1)) & 0x5555_5555
    };
    spread(p.x) | (spread(p.y) << 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two rings of many sides and a square beside them, and places all over.
    #[test]
    fn figures_are_those_of_asking_every_segment() {
        let ring = |centre: Flat, r: f64, n: usize, turn: f64| {
            let at = move |k: usize| {
                let t = turn * std::f64::consts::TAU * k as f64 / n as f64;
                centre + Flat::new(r * t.cos(), r * (t.sin() + 0.2 * (3.0 * t).cos()))
            };
            (0..n).map(move |k| [at(k), at(k + 1)])
        };
        let outline: Vec<Segment> = ring(Flat::new(0.3, -1.0), 7.0, 211, 1.0)
            .chain(ring(Flat::new(0.5, -0.7), 2.0, 60, -1.0))
            .chain(ring(Flat::new(14.0, 3.0), 3.0, 4, 1.0))
            .collect();
        let grouped = Grouped::new(&outline);
        for k in 0..4000_u32 {
            let p = Flat::new(
                f64::from(k % 61) * 0.55 - 12.0,
                f64::from(k / 61) * 0.37 - 12.0,
            );
            let slow = outline
                .iter()
                .map(|s| (nearest_on_segment(&p, s) - p).norm_squared())
                .fold(f64::INFINITY, f64::min);
            assert_eq!(grouped.nearest_sq(&p), slow);
            let turns = |s: &Segment| {
                let [a, b] = s.map(|q| q - p);
                a.perp(&b).atan2(a.dot(&b))
            };
            let angle: f64 = outline.iter().map(turns).sum();
            let round = (angle / std::f64::consts::TAU).round() as i32;
            assert_eq!(grouped.winding(&p), round, "{p}");
        }
    }
}

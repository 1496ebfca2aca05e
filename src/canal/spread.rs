//! How sure the canal figures are. The scan is measured again on copies with fresh noise of the
//! size found on the scan itself and with the axis started elsewhere; the spread of the figures,
//! a term for the size of the facets and a floor for resampling make the `±` (95 %).

use rayon::prelude::*;

use crate::mesh::Vector;

use super::axis::{self, Axis};
use super::bends::{RawBend, bends};
use super::curve::STATION_MM;
use super::cut::{Cutter, Nudge, mix};

/// Copies measured. The 97.5 % point of Student's t with 7 degrees of freedom goes with 8.
const COPIES: u64 = 8;
const STUDENT_7: f64 = 2.365;
/// Rounds of settling for a copy, which starts almost settled.
const ROUNDS: usize = 2;
/// Noise put on copies of a scan that shows none (its rounding and its facets are still there).
const LEAST_NOISE_MM: f64 = 0.003;

/// Where a span ends is where curvature is least, which is flat there: on made ears without noise
/// it was off by up to 0.12 mm.
const SPAN_END_MM: f64 = 0.1;

/// Half widths at 95 %.
#[derive(Debug, Clone, Default)]
pub(super) struct Spread {
    pub length_mm: f64,
    pub bends: Vec<BendSpread>,
    pub area_share: f64,
    pub width_mm: f64,
    /// Every copy shows the same number of bends.
    pub count_sure: bool,
    /// Copies that could not be measured at all.
    pub lost: usize,
}

/// Half widths of one bend's figures.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct BendSpread {
    pub at_mm: f64,
    pub turn_deg: f64,
    pub curvature_per_mm: f64,
    pub past_mm: f64,
    pub past_from_span_end_mm: f64,
}

struct Copy {
    length: f64,
    tip_at: f64,
    aperture_at: f64,
    areas: Vec<f64>,
    widths: Vec<f64>,
    bends: Vec<RawBend>,
}

/// Measures the copies. `facet_mm` is how far facets of this size cut a canal wall short.
pub(super) fn spread(
    cutter: &Cutter,
    normals: &[Vector],
    axis: &Axis,
    found: &[RawBend],
    noise_mm: f64,
    facet_mm: f64,
) -> Spread {
    let core = axis.core();
    let copies: Vec<Copy> = (0..COPIES)
        .into_par_iter()
        .filter_map(|k| {
            let seed = mix(k + 1);
            let nudge = Nudge {
                normals,
                sigma_mm: noise_mm.max(LEAST_NOISE_MM),
                seed,
            };
            let copy = Cutter {
                nudge: Some(nudge),
                tubes_only: false,
                queries: cutter.queries,
                part_of_facet: cutter.part_of_facet,
                part: cutter.part,
            };
            // start a little further in at each end, so that stations fall elsewhere
            let trim = (k % 4) as usize;
            let start = &core
                [trim.min(core.len() / 4)..core.len() - ((k / 4) as usize).min(core.len() / 4)];
            axis::settle(&copy, start, ROUNDS, STATION_MM)
                .ok()
                .map(|a| figures(&copy, &a))
        })
        .collect();
    let lost = COPIES as usize - copies.len();
    if copies.len() < 3 {
        return Spread {
            lost,
            length_mm: f64::INFINITY,
            bends: found.iter().map(|_| BendSpread::lost()).collect(),
            area_share: f64::INFINITY,
            width_mm: f64::INFINITY,
            count_sure: false,
        };
    }
    // Only differences along the axis matter; a settled axis still wanders by what it last moved.
    // Measured on made ears without noise: errors up to 0.011 mm at 40k facets and 0.036 at 10k.
    let floor = 0.01 + axis.moved_mm.min(1.0) + 1.5 * facet_mm;
    // The tip is one point of the surface: its noise is that of the scan, not of a section.
    let tip = 1.96 * noise_mm + facet_mm;
    let whole =
        |values: Vec<f64>, extra: f64| (STUDENT_7 * deviation(&values)).hypot(floor).hypot(extra);
    let length_mm = whole(copies.iter().map(|c| c.length).collect(), tip);
    let bends = found
        .iter()
        .map(|b| bend_spread(b, axis, &copies, floor, tip, noise_mm, facet_mm))
        .collect();
    let count_sure = copies.iter().all(|c| c.bends.len() == found.len());
    let (area_share, width_mm) = section_spread(&copies, facet_mm, noise_mm);
    Spread {
        length_mm,
        bends,
        area_share,
        width_mm,
        count_sure,
        lost,
    }
}

impl BendSpread {
    fn lost() -> Self {
        let i = f64::INFINITY;
        Self {
            at_mm: i,
            turn_deg: i,
            curvature_per_mm: i,
            past_mm: i,
            past_from_span_end_mm: i,
        }
    }
}

fn figures(cutter: &Cutter, axis: &Axis) -> Copy {
    let mut areas = Vec::new();
    let mut widths = Vec::new();
    for k in 1..=9 {
        let at = axis.aperture_at + (axis.tip_zone_at - axis.aperture_at) * f64::from(k) / 10.0;
        let i = axis
            .arcs
            .partition_point(|&a| a < at)
            .min(axis.points.len() - 1);
        if let Some(s) = cutter.section(&axis.points[i], &axis.directions[i]) {
            areas.push(s.area_mm2);
            widths.push(s.smallest_mm);
        } else {
            areas.push(f64::NAN);
            widths.push(f64::NAN);
        }
    }
    Copy {
        length: axis.tip_at - axis.aperture_at,
        tip_at: axis.tip_at,
        aperture_at: axis.aperture_at,
        areas,
        widths,
        bends: bends(&axis.points, axis.aperture_at, axis.tip_at),
    }
}

fn bend_spread(
    bend: &RawBend,
    axis: &Axis,
    copies: &[Copy],
    floor: f64,
    tip: f64,
    noise_mm: f64,
    facet_mm: f64,
) -> BendSpread {
    let same: Vec<(&RawBend, &Copy)> = copies
        .iter()
        .filter_map(|c| {
            let nearest = c.bends.iter().min_by(|a, b| {
                (a.point - bend.point)
                    .norm()
                    .total_cmp(&(b.point - bend.point).norm())
            })?;
            ((nearest.point - bend.point).norm() < 3.0).then_some((nearest, c))
        })
        .collect();
    if same.len() < 3 {
        return BendSpread {
            ..BendSpread::lost()
        };
    }
    let of = |f: &dyn Fn(&RawBend, &Copy) -> f64| {
        STUDENT_7 * deviation(&same.iter().map(|(b, c)| f(b, c)).collect::<Vec<f64>>())
    };
    let place = of(&|b, _| (b.point - bend.point).dot(&axis_direction(axis, bend.at)));
    BendSpread {
        at_mm: of(&|b, c| b.at - c.aperture_at).hypot(floor),
        turn_deg: of(&|b, _| b.turn_deg).hypot(0.35).hypot(15.0 * facet_mm),
        curvature_per_mm: of(&|b, _| b.peak_curvature).hypot(0.002),
        past_mm: place.hypot(floor).hypot(tip),
        past_from_span_end_mm: of(&|b, c| c.tip_at - b.span.1)
            .hypot(floor)
            .hypot(tip)
            .hypot(noise_mm)
            .hypot(SPAN_END_MM),
    }
}

fn axis_direction(axis: &Axis, at: f64) -> Vector {
    (axis.place(at + 0.25) - axis.place(at - 0.25))
        .try_normalize(1e-12)
        .unwrap_or_else(Vector::z)
}

fn section_spread(copies: &[Copy], facet_mm: f64, noise_mm: f64) -> (f64, f64) {
    let column = |f: &dyn Fn(&Copy) -> &Vec<f64>, k: usize| -> Vec<f64> {
        copies
            .iter()
            .map(|c| f(c)[k])
            .filter(|v| v.is_finite())
            .collect()
    };
    let (mut share, mut width) = (0.0_f64, 0.0_f64);
    for k in 0..9 {
        let areas = column(&|c| &c.areas, k);
        let widths = column(&|c| &c.widths, k);
        if areas.len() >= 3 {
            let mean = areas.iter().sum::<f64>() / areas.len() as f64;
            share = share.max(STUDENT_7 * deviation(&areas) / mean.max(1e-9));
        }
        if widths.len() >= 3 {
            width = width.max(STUDENT_7 * deviation(&widths));
        }
    }
    // Facets cut the wall short all round: an area loses 4 facet_mm / diameter of itself (6 mm taken).
    (
        share.hypot(4.0 * facet_mm / 6.0).hypot(0.002),
        width
            .hypot(2.0 * facet_mm)
            .hypot(1.96 * noise_mm)
            .hypot(0.01),
    )
}

fn deviation(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0)).sqrt()
}

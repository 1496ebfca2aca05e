//! Volume of the solid by quadrature on the model: lengths of many parallel lines inside it.

use rayon::prelude::*;

use crate::mesh::{Point, Vector};

use super::polygonise::{Field, Net};
use super::slice::crossings;

/// Spacing of the lines. At 0.25 mm a medium ear's volume is within 0.02 % of what its meshes of 20k
/// and 40k facets tend to; at 0.4 mm within 0.03 %.
const LINES_MM: f64 = 0.25;

/// Volume, mm³. The mesh is asked only for the box outside which there is nothing.
pub(crate) fn volume_mm3(field: Field, net: &Net) -> f64 {
    let Some(&first) = net.points.first() else {
        return 0.0;
    };
    let (low, high) = net
        .points
        .iter()
        .fold((first, first), |(a, b), p| (a.inf(p), b.sup(p)));
    let count = |k: usize| ((high[k] - low[k] + 2.0) / LINES_MM).ceil() as usize;
    let rows: Vec<f64> = (0..count(1))
        .into_par_iter()
        .map(|i| {
            let y = low.y - 1.0 + LINES_MM * i as f64;
            let along = |k: usize| {
                let from = Point::new(low.x - 1.0, y, low.z - 1.0 + LINES_MM * k as f64);
                let met = crossings(field, &from, &Vector::x(), high.x - low.x + 2.0);
                met.chunks_exact(2).map(|c| c[1] - c[0]).sum::<f64>()
            };
            (0..count(2)).map(along).sum()
        })
        .collect();
    rows.iter().sum::<f64>() * LINES_MM * LINES_MM
}

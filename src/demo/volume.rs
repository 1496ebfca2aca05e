//! Volume of the solid by quadrature on the model.
//!
//! The drawn facets serve as the cells of the quadrature, no more: their own volume is corrected
//! by the gap between facet and solid, read from the model at the edges' middles. The gap is a
//! quadratic to leading order and that rule integrates it exactly, so what is left falls with the
//! fourth power of the facet size. (Lengths of parallel lines were tried: 0.1 % off on a ball at
//! 0.25 mm, from the silhouette.)

use rayon::prelude::*;

use crate::mesh::Point;

use super::polygonise::{Field, Net};

/// Volume, mm³, of the solid on whose surface the closed net's points lie.
pub(crate) fn volume_mm3(field: Field, net: &Net) -> f64 {
    let Some(origin) = net.points.first().copied() else {
        return 0.0;
    };
    let height = |p: Point| {
        let j = field(&p);
        j.v / j.g.norm().max(1e-6)
    };
    let parts: Vec<f64> = net
        .facets
        .par_iter()
        .map(|f| {
            let [a, b, c] = f.map(|i| net.points[i as usize]);
            let wedge = (a - origin).dot(&(b - origin).cross(&(c - origin))) / 6.0;
            let area = (b - a).cross(&(c - a)).norm() / 2.0;
            let middles = [(a, b), (b, c), (c, a)].map(|(p, q)| nalgebra::center(&p, &q));
            // Negative height: the facet runs inside the solid and gives too little.
            wedge - area * middles.map(height).iter().sum::<f64>() / 3.0
        })
        .collect();
    parts.iter().sum()
}

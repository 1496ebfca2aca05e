//! Faults of the scan: what is done to the mesh after the surface was drawn.

use crate::mesh::Point;

use super::clip::{ball, keep_below, rim};
use super::faults::{Fault, HoleTruth};
use super::polygonise::{Field, Net, even_out, polygonise};
use super::solid::{Lobe, Solid};

/// How far below the outer face an open scan stops, mm.
const BASE_CUT_MM: f64 = 1.6;

/// Leaves the outer face off, as when scanning stopped there.
pub(crate) fn open_base(net: &mut Net, solid: &Solid) {
    let field: Field = &|p: &Point| solid.at(p);
    keep_below(net, field, &|p: &Point| below(solid, p));
}

/// Zero along the rim of an open base, positive beyond it.
pub(crate) fn below(solid: &Solid, p: &Point) -> super::jet::Jet {
    solid.over_face(p) + super::jet::Jet::constant(BASE_CUT_MM)
}

/// Does one fault to the mesh; a hole is told with its measures, from the model.
pub(crate) fn spoil(net: &mut Net, solid: &Solid, fault: &Fault) -> Option<HoleTruth> {
    let (place, normal) = fault.spot()?.on(solid);
    let field: Field = &|p: &Point| solid.at(p);
    match *fault {
        Fault::Hole { radius_mm, .. } => {
            keep_below(net, field, &ball(place, radius_mm));
            return Some(measured(&rim(field, &place, radius_mm, 720)));
        }
        Fault::Floater {
            gap_mm, width_mm, ..
        } => add_blob(net, place + normal * (gap_mm + width_mm / 2.0), width_mm),
        Fault::Crossing { width_mm, .. } => add_blob(net, place, width_mm),
        Fault::Fin { height_mm, .. } => {
            if let Some((a, b)) = nearest_edge(net, &place) {
                let middle = nalgebra::center(&net.points[a as usize], &net.points[b as usize]);
                net.points.push(middle + normal * height_mm);
                net.facets.push([a, b, net.points.len() as u32 - 1]);
            }
        }
        Fault::Flipped { radius_mm, .. } => flip(net, &place, radius_mm),
        _ => {}
    }
    None
}

/// A closed, slightly flattened ball as a part of its own.
fn add_blob(net: &mut Net, centre: Point, width_mm: f64) {
    let r = width_mm / 2.0;
    let lobe = Lobe::new(centre.into(), [r, 0.9 * r, 0.95 * r], 17.0, 31.0);
    let field: Field = &|p: &Point| lobe.at(p);
    let mut blob = polygonise(
        field,
        &centre,
        width_mm / 9.0,
        centre.coords.map(|c| c + 0.013),
    );
    even_out(&mut blob, field, 3);
    let first = net.points.len() as u32;
    net.points.extend(blob.points);
    net.facets
        .extend(blob.facets.iter().map(|f| f.map(|i| i + first)));
}

fn middle(net: &Net, f: [u32; 3]) -> Point {
    let [a, b, c] = f.map(|i| net.points[i as usize].coords);
    Point::from((a + b + c) / 3.0)
}

fn nearest_edge(net: &Net, place: &Point) -> Option<(u32, u32)> {
    let far = |f: &&[u32; 3]| (middle(net, **f) - place).norm_squared();
    let facet = net.facets.iter().min_by(|a, b| far(a).total_cmp(&far(b)))?;
    Some((facet[0], facet[1]))
}

fn flip(net: &mut Net, place: &Point, radius_mm: f64) {
    let near: Vec<usize> = (0..net.facets.len())
        .filter(|&i| (middle(net, net.facets[i]) - place).norm() < radius_mm)
        .collect();
    for i in near {
        net.facets[i].swap(1, 2);
    }
}

/// Length, fan area, span and middle of a rim given as closely spaced points.
fn measured(rim: &[Point]) -> HoleTruth {
    let n = rim.len();
    let (mut length_mm, mut middle) = (0.0, crate::mesh::Vector::zeros());
    for i in 0..n {
        let (a, b) = (rim[i], rim[(i + 1) % n]);
        let long = (b - a).norm();
        length_mm += long;
        middle += (a.coords + b.coords) * (long / 2.0);
    }
    let middle = Point::from(middle / length_mm);
    let fan = (0..n).map(|i| (rim[i] - middle).cross(&(rim[(i + 1) % n] - middle)));
    let area_mm2 = fan.sum::<crate::mesh::Vector>().norm() / 2.0;
    let across = |i: usize| rim.iter().map(move |p| (p - rim[i]).norm());
    HoleTruth {
        length_mm,
        area_mm2,
        span_mm: (0..n).flat_map(across).fold(0.0, f64::max),
        point_mm: middle.into(),
        at_mm: None,
    }
}

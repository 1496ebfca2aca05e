//! Made ears: impressions of ears that nobody has, with the exact truth beside them.
//!
//! A measure can only be judged against something that it did not make. Here the shape is an
//! implicit solid (a swept canal joined to a concha of measured proportions), the mesh is drawn on
//! it with every point on the surface to rounding, and the truth is worked out on the
//! solid by code that shares nothing with the measures. No check ever uses this room.

mod axis;
mod chance;
mod clip;
mod curve;
mod faults;
mod jet;
mod model;
mod orchestra;
mod polygonise;
mod slice;
mod solid;
mod spline;
mod spoil;
mod truth;
mod tube;
mod volume;

pub use faults::{Fault, HoleTruth, Placed, Spot};
pub use model::{Base, Bend, Canal, Concha, EarModel, Section, Side};
pub use truth::{ApertureTruth, BendTruth, CanalTruth, FrameTruth, SectionTruth, TipTruth, Truth};

pub use orchestra::{Form, Order, pit_orchestra, write_all};

use rayon::prelude::*;

use crate::mesh::{Mesh, Point, Vector};

use chance::Chance;
use polygonise::{Field, Net};
use solid::Solid;

/// A made ear and what is true of it.
#[derive(Debug, Clone)]
pub struct DemoEar {
    /// The scan, as a scanner would give it.
    pub mesh: Mesh,
    /// What is true of it.
    pub truth: Truth,
}

/// Makes an ear. The same model gives the same bytes whatever the thread count.
///
/// Parameters out of the range of real ears make odd shapes, no error; a model that has no
/// surface at all gives an empty mesh.
#[must_use]
pub fn ear(model: &EarModel) -> DemoEar {
    let mut shaped = model.clone();
    for fault in &model.faults {
        fault.shape(&mut shaped);
    }
    let mut solid = Solid::new(&shaped);
    for fault in &model.faults {
        fault.mould(&shaped, &mut solid);
    }
    let mut net = draw(&shaped, &solid);
    let mut truth = truth::of(&shaped, &solid, &net);
    if model.base == Base::Open {
        spoil::open_base(&mut net, &solid);
    }
    for fault in &model.faults {
        truth.note(fault, &solid, spoil::spoil(&mut net, &solid, fault));
    }
    if model.noise_mm > 0.0 {
        roughen(&mut net, &solid, model);
    }
    place(model, net, truth)
}

/// Mirror, pose, winding and unit: from the model's own pose to the file's.
fn place(model: &EarModel, mut net: Net, truth: Truth) -> DemoEar {
    let mirrored = truth.side == Side::Left;
    let to_file = |p: Point| {
        let p = if mirrored {
            Point::new(-p.x, p.y, p.z)
        } else {
            p
        };
        model.pose * p
    };
    if mirrored != model.faults.contains(&Fault::Inverted) {
        net.facets.iter_mut().for_each(|f| f.swap(1, 2));
    }
    let unit = if truth.unit == "inch" {
        1.0 / 25.4
    } else {
        1.0
    };
    let points = net.points.iter().map(|p| to_file(*p) * unit);
    DemoEar {
        mesh: Mesh::new(points.collect(), net.facets).unwrap_or_default(),
        truth: truth.moved(&to_file),
    }
}

/// The surface as a mesh of about the wanted number of facets, every point on the surface.
fn draw(model: &EarModel, solid: &Solid) -> Net {
    let field: Field = &|p: &Point| solid.at(p);
    let inside = solid.heart(model.canal.length_mm);
    // An irrational shift keeps grid corners off the surface's symmetries.
    let shift = |k: usize| Vector::new(0.137_1, 0.271_8, 0.314_2) * (1.0 + 0.37 * k as f64);
    let trial_mm = 0.7;
    let trial = polygonise::polygonise(field, &inside, trial_mm, shift(0));
    let wanted = model.facets.max(200) as f64;
    let scanned = |f: &&[u32; 3]| {
        let p = trial.points[f[0] as usize];
        model.base == Base::Closed || spoil::below(solid, &p).v < 0.0
    };
    let count = trial.facets.iter().filter(scanned).count().max(1);
    let mut step_mm = trial_mm * (count as f64 / wanted).sqrt();
    let mut net = Net::default();
    for attempt in 0..12 {
        net = polygonise::polygonise(field, &inside, step_mm, shift(attempt));
        if polygonise::sound(&net) {
            break;
        }
        step_mm *= 0.993;
    }
    polygonise::even_out(&mut net, field, 4);
    net
}

/// Scanner noise along the surface normal.
fn roughen(net: &mut Net, solid: &Solid, model: &EarModel) {
    let mut chance = Chance::new(model.seed ^ 0x5CA7_7E12);
    let heights: Vec<f64> = net
        .points
        .iter()
        .map(|_| chance.normal() * model.noise_mm)
        .collect();
    net.points = net
        .points
        .par_iter()
        .zip(&heights)
        .map(|(p, h)| p + solid.at(p).g.normalize() * *h)
        .collect();
}

#[cfg(test)]
mod tests;

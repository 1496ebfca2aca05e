//! What is true of a made ear, worked out on the model and never on its mesh.
//!
//! All figures follow the definitions that the measure follows (axis of section centroids,
//! aperture at the flare, tip where the straight end leaves the solid, bends as peaks of smoothed
//! curvature). Where the model's own numbers differ from the definition's (a bend of 40 degrees
//! put in is a little less by the definition, since smoothing and the span's ends take their
//! share) the definition's are the truth and the model's stand in [`crate::demo::EarModel`].

use serde::Serialize;

use crate::mesh::{Point, Vector};

use super::axis::{Axis, axis};
use super::curve::{Curve, bends};
use super::faults::{Fault, HoleTruth, Placed};
use super::model::{Base, EarModel, Side};
use super::polygonise::{Field, Net};
use super::slice::slice;
use super::solid::Solid;

/// Everything true of a made ear. Lengths mm, angles degrees, in the pose of the mesh; where the
/// file's unit is not mm the truth still is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Truth {
    /// Always `secondbend.truth/1`.
    pub schema: &'static str,
    /// Which ear the shape is.
    pub side: Side,
    /// Which ear the order says; differs where the file was mirrored.
    pub ordered_side: Side,
    /// Unit of the coordinates in the file.
    pub unit: &'static str,
    /// Closed or open base.
    pub base: Base,
    /// `None` where the canal is too short for an axis.
    pub canal: Option<CanalTruth>,
    /// Anatomical directions; `None` on a bare canal.
    pub frame: Option<FrameTruth>,
    /// Holes put in (the base opening apart).
    pub holes: Vec<HoleTruth>,
    /// Closed everywhere: no base opening, no hole, no fin, no flipped facet.
    pub watertight: bool,
    /// Separate pieces of surface.
    pub parts: usize,
    /// Volume of the solid by quadrature on the model, where the mesh is closed and unspoilt.
    pub volume_mm3: Option<f64>,
    /// Faults put in, with their measures.
    pub faults: Vec<Placed>,
}

/// The canal's truth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CanalTruth {
    /// Arc length of the axis from aperture to tip.
    pub length_mm: f64,
    /// False where no flare is met; then the aperture is the outer end and lengths are lower bounds.
    pub aperture_reached: bool,
    /// Where the canal begins.
    pub aperture: ApertureTruth,
    /// Where the axis' straight end leaves the solid.
    pub tip: TipTruth,
    /// Arc position at which the tip zone begins.
    pub tip_zone_mm: f64,
    /// Bends, outermost first.
    pub bends: Vec<BendTruth>,
    /// Smallest section between aperture and tip zone.
    pub narrowest: SectionTruth,
    /// Sections every 0.25 mm from aperture to tip zone.
    pub sections: Vec<SectionTruth>,
    /// How far the last round of the fixed point moved aperture, tip and middle: under 1e-5 where
    /// it settled, as on every shipped ear.
    pub settled_mm: f64,
    /// The axis from aperture to tip, 0.05 mm apart.
    pub axis_mm: Vec<[f64; 3]>,
}

/// The aperture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ApertureTruth {
    /// On the axis.
    pub point_mm: [f64; 3],
    /// Direction of the axis there, outside → inside.
    pub normal: [f64; 3],
    /// Area of the section there.
    pub area_mm2: f64,
}

/// The tip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TipTruth {
    /// Tip point.
    pub point_mm: [f64; 3],
}

/// A bend.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BendTruth {
    /// 1 for the outermost.
    pub order: usize,
    /// Arc position of the curvature peak from the aperture.
    pub at_mm: f64,
    /// Angle between the directions at the ends of its span.
    pub turn_deg: f64,
    /// Largest curvature of the smoothed axis.
    pub peak_curvature_per_mm: f64,
    /// Arc length from the peak to the tip.
    pub past_mm: f64,
    /// Arc length from the span's inner end to the tip.
    pub past_from_span_end_mm: f64,
    /// Place of the peak.
    pub point_mm: [f64; 3],
}

/// A section square to the axis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SectionTruth {
    /// Arc position from the aperture.
    pub at_mm: f64,
    /// Area.
    pub area_mm2: f64,
    /// Diameter of the circle of that area.
    pub equivalent_diameter_mm: f64,
}

/// Anatomical directions, unit vectors.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FrameTruth {
    /// Out of the ear, square to the head.
    pub out: [f64; 3],
    /// Up.
    pub up: [f64; 3],
    /// Towards the nose.
    pub forward: [f64; 3],
}

/// The swept curve, leaving out what the definition leaves out.
fn rough(model: &EarModel, solid: &Solid) -> Curve {
    let last = model.canal.length_mm - model.canal.tip_round_mm;
    let count = (last / 0.25).ceil().max(4.0) as usize;
    let at = |i: usize| {
        solid
            .tube
            .centre(0.5 + (last - 0.5) * i as f64 / count as f64)
    };
    Curve::new((0..=count).map(at).collect())
}

/// The canal's truth in the model's own pose.
fn canal(model: &EarModel, solid: &Solid) -> Option<CanalTruth> {
    let field: Field = &|p: &Point| solid.at(p);
    let axis = axis(field, rough(model, solid))?;
    let (from, to) = (axis.aperture_mm, axis.tip_mm);
    let sections = sections(field, &axis);
    // Where no flare is met, the first millimetre is the rim of a cut end, not canal.
    let from_mm = if axis.aperture_reached { 0.0 } else { 1.0 };
    let narrowest = *sections
        .iter()
        .filter(|s| s.at_mm >= from_mm)
        .min_by(|a, b| a.area_mm2.total_cmp(&b.area_mm2))?;
    let line = axis.line.part(from, to, 0.05);
    let bends = bends(&axis.line, from, to);
    let bend = |(k, b): (usize, &super::curve::FoundBend)| BendTruth {
        order: k + 1,
        at_mm: b.at_mm - from,
        turn_deg: b.turn_deg,
        peak_curvature_per_mm: b.curvature_per_mm,
        past_mm: to - b.at_mm,
        past_from_span_end_mm: to - b.span_mm[1],
        point_mm: axis.line.at(b.at_mm).into(),
    };
    let n = line.points.len();
    Some(CanalTruth {
        length_mm: to - from,
        aperture_reached: axis.aperture_reached,
        aperture: ApertureTruth {
            point_mm: line.points[0].into(),
            normal: normal(&axis, from).into(),
            area_mm2: sections.first().map_or(0.0, |s| s.area_mm2),
        },
        tip: TipTruth {
            point_mm: line.points[n - 1].into(),
        },
        tip_zone_mm: axis.tip_zone_mm - from,
        bends: bends.iter().enumerate().map(bend).collect(),
        narrowest,
        sections,
        settled_mm: axis.settled_mm,
        axis_mm: line.points.iter().map(|p| (*p).into()).collect(),
    })
}

/// Direction of the axis (smoothed by 2 mm) at an arc length.
fn normal(axis: &Axis, at_mm: f64) -> Vector {
    let tangents = axis.line.tangents(2.0);
    let arcs = &axis.line.arc_mm;
    let i = arcs
        .partition_point(|&a| a <= at_mm)
        .clamp(1, arcs.len() - 1);
    let t = (at_mm - arcs[i - 1]) / (arcs[i] - arcs[i - 1]);
    (tangents[i - 1] * (1.0 - t) + tangents[i] * t).normalize()
}

fn sections(field: Field, axis: &Axis) -> Vec<SectionTruth> {
    let length = axis.tip_zone_mm - axis.aperture_mm;
    let count = (length / 0.25).floor() as usize;
    let at = |k: usize| {
        let at_mm = 0.25 * k as f64;
        let place = axis.aperture_mm + at_mm;
        let s = slice(field, &axis.line.at(place), &normal(axis, place), 96)?;
        Some(SectionTruth {
            at_mm,
            area_mm2: s.area_mm2,
            equivalent_diameter_mm: 2.0 * (s.area_mm2 / std::f64::consts::PI).sqrt(),
        })
    };
    (0..=count).filter_map(at).collect()
}

/// Everything true of the solid, before the scan is spoilt, in the model's own pose.
pub(crate) fn of(model: &EarModel, solid: &Solid, net: &Net) -> Truth {
    let has = |f: &Fault| model.faults.contains(f);
    let left = (model.side == Side::Left) != has(&Fault::Mirrored);
    let closed = model.base == Base::Closed;
    Truth {
        schema: "secondbend.truth/1",
        side: if left { Side::Left } else { Side::Right },
        ordered_side: model.side,
        unit: if has(&Fault::Inches) { "inch" } else { "mm" },
        base: model.base,
        canal: canal(model, solid),
        frame: model.concha.is_some().then(frame),
        holes: Vec::new(),
        watertight: closed,
        parts: 1,
        volume_mm3: (closed && super::polygonise::sound(net))
            .then(|| super::volume::volume_mm3(&|p| solid.at(p), net)),
        faults: Vec::new(),
    }
}

impl CanalTruth {
    /// Arc position of the axis point nearest to `p`; `None` beyond the axis' ends.
    fn arc_of(&self, p: &Point) -> Option<f64> {
        let far = |i: &usize| (Point::from(self.axis_mm[*i]) - p).norm_squared();
        let last = self.axis_mm.len().checked_sub(1)?;
        let near = (0..=last).min_by(|a, b| far(a).total_cmp(&far(b)))?;
        (near > 0 && near < last).then(|| self.length_mm * near as f64 / last as f64)
    }
}

/// Directions of the model's own pose (right ear).
fn frame() -> FrameTruth {
    FrameTruth {
        out: [1.0, 0.0, 0.0],
        up: [0.0, 0.0, 1.0],
        forward: [0.0, 1.0, 0.0],
    }
}

impl Truth {
    /// Notes a fault that was put in, and what it changes.
    pub(crate) fn note(&mut self, fault: &Fault, solid: &Solid, hole: Option<HoleTruth>) {
        let point = fault.spot().map(|s| s.on(solid).0);
        let at_mm = point.and_then(|p| self.canal.as_ref()?.arc_of(&p));
        if let Some(hole) = hole {
            self.holes.push(HoleTruth { at_mm, ..hole });
        }
        match fault {
            Fault::Hole { .. } | Fault::Fin { .. } | Fault::Flipped { .. } => {
                self.watertight = false;
                self.volume_mm3 = None;
            }
            Fault::Floater { .. } | Fault::Crossing { .. } => {
                self.parts += 1;
                self.volume_mm3 = None;
            }
            _ => {}
        }
        self.faults.push(Placed {
            fault: *fault,
            point_mm: point.map(Into::into),
            at_mm,
        });
    }

    /// The truth of the same ear with every point moved by `f`, which keeps lengths.
    pub(crate) fn moved(mut self, f: &dyn Fn(Point) -> Point) -> Self {
        let point = |p: &mut [f64; 3]| *p = f(Point::from(*p)).into();
        let turn = |v: &mut [f64; 3]| {
            *v = (f(Point::from(*v)) - f(Point::origin())).into();
        };
        if let Some(c) = &mut self.canal {
            point(&mut c.aperture.point_mm);
            turn(&mut c.aperture.normal);
            point(&mut c.tip.point_mm);
            c.bends.iter_mut().for_each(|b| point(&mut b.point_mm));
            c.axis_mm.iter_mut().for_each(point);
        }
        if let Some(frame) = &mut self.frame {
            turn(&mut frame.out);
            turn(&mut frame.up);
            turn(&mut frame.forward);
        }
        self.holes.iter_mut().for_each(|h| point(&mut h.point_mm));
        let placed = self.faults.iter_mut();
        placed.filter_map(|f| f.point_mm.as_mut()).for_each(point);
        self
    }
}

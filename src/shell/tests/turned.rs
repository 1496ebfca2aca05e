//! An impression turned on a lathe: a concha of radius 9 from z = −10 to 0 and a canal of radius 4
//! from there to z = 20, with bends told at 8 and 14. Whatever is made of it has closed forms.

use std::f64::consts::TAU;

use crate::canal::{Bend, Canal, Frame, Section};
use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};
use crate::shell::{Impression, Plan, Shell, ShellError, build};
use crate::soundness::{self, Soundness};
use crate::units::Measured;

pub const SIDES: usize = 144;

/// A surface of revolution about z; the profile runs from one pole to the other, (r, z).
pub fn turned(profile: &[(f64, f64)], step: f64) -> Mesh {
    let mut fine: Vec<(f64, f64)> = vec![profile[0]];
    for pair in profile.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        let n = ((b.0 - a.0).hypot(b.1 - a.1) / step).ceil() as usize;
        fine.extend((1..=n).map(|k| {
            let t = k as f64 / n as f64;
            (a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t)
        }));
    }
    let rings = &fine[1..fine.len() - 1];
    let mut points = Vec::new();
    for (r, z) in rings {
        for k in 0..SIDES {
            let (sin, cos) = (k as f64 / SIDES as f64 * TAU).sin_cos();
            points.push(Point::new(r * cos, r * sin, *z));
        }
    }
    let n = SIDES as u32;
    let mut facets = Vec::new();
    for i in 0..rings.len() as u32 - 1 {
        for k in 0..n {
            let (a, b) = (i * n + k, i * n + (k + 1) % n);
            facets.push([a, b, b + n]);
            facets.push([a, b + n, a + n]);
        }
    }
    let (first, last) = (points.len() as u32, points.len() as u32 + 1);
    points.push(Point::new(0.0, 0.0, fine[0].1));
    points.push(Point::new(0.0, 0.0, fine[fine.len() - 1].1));
    let end = (rings.len() as u32 - 1) * n;
    for k in 0..n {
        let next = (k + 1) % n;
        facets.push([next, k, first]);
        facets.push([end + k, end + next, last]);
    }
    Mesh::new(points, facets).expect("a lathe makes meshes")
}

fn exact(value: f64) -> Measured {
    Measured::exact(value, 0.0)
}

fn section(at_mm: f64) -> Section {
    let ring = (0..72).map(|k| (f64::from(k) / 72.0 * TAU).sin_cos());
    Section {
        at_mm,
        centre: Point::new(0.0, 0.0, at_mm),
        normal: Vector::z(),
        area_mm2: TAU * 8.0,
        largest_mm: 8.0,
        largest_dir: Vector::x(),
        smallest_mm: 8.0,
        perimeter_mm: TAU * 4.0,
        gap_mm: 0.0,
        outline: ring
            .map(|(s, c)| Point::new(4.0 * c, 4.0 * s, at_mm))
            .collect(),
    }
}

fn bend(order: usize, at: f64) -> Bend {
    Bend {
        order,
        at_mm: exact(at),
        turn_deg: exact(20.0),
        peak_curvature_per_mm: exact(0.08),
        past_mm: exact(20.0 - at),
        past_from_span_end_mm: exact(18.0 - at),
        point: Point::new(0.0, 0.0, at),
        towards: Vector::x(),
    }
}

pub struct Turned {
    pub mesh: Mesh,
    pub topology: Topology,
    pub soundness: Soundness,
    pub canal: Canal,
}

impl Turned {
    pub fn new() -> Self {
        Self::flared(9.0, 9.0)
    }

    /// The same with a concha that goes from one radius at the outer face to another at the aperture.
    pub fn flared(outer_mm: f64, inner_mm: f64) -> Self {
        let profile = [
            (0.0, -10.0),
            (outer_mm, -10.0),
            (inner_mm, 0.0),
            (4.0, 0.0),
            (4.0, 20.0),
            (0.0, 20.0),
        ];
        let mesh = turned(&profile, 0.5);
        let topology = Topology::new(&mesh);
        let soundness = soundness::inspect(&mesh, &topology, &MeshQueries::new(&mesh));
        let canal = Canal {
            axis: (0..=80)
                .map(|k| Point::new(0.0, 0.0, f64::from(k) / 4.0))
                .collect(),
            length_mm: exact(20.0),
            aperture_reached: true,
            aperture: section(0.0),
            tip: Point::new(0.0, 0.0, 20.0),
            tip_zone_mm: 19.9,
            bends: vec![bend(1, 8.0), bend(2, 14.0)],
            bends_sure: true,
            sections: (0..=80).map(|k| section(f64::from(k) / 4.0)).collect(),
            narrowest: section(10.0),
            feather: None,
            pits: Vec::new(),
            side: None,
            side_margin: 0.0,
            frame: Some(Frame {
                out: -Vector::z(),
                up: Vector::y(),
                forward: Vector::x(),
            }),
            outer_reach_mm: 10.0,
            face: Some(-Vector::z()),
            part: 0,
            tip_open: false,
            area_share: 0.0,
            width_plus_minus_mm: 0.0,
        };
        Self {
            mesh,
            topology,
            soundness,
            canal,
        }
    }

    pub fn impression(&self) -> Impression<'_> {
        Impression {
            mesh: &self.mesh,
            topology: &self.topology,
            soundness: &self.soundness,
            canal: &self.canal,
        }
    }

    pub fn shell(&self, plan: &Plan) -> Result<Shell, ShellError> {
        build(&self.impression(), plan)
    }
}

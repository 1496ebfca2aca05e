//! A made-up ear with every figure good, to be spoilt in one place by a test. It is no mesh of
//! an ear: checks look at figures only.

use std::path::PathBuf;

use crate::canal::{Bend, Canal, NoCanal, Section, Side};
use crate::mesh::{Mesh, Point, Vector};
use crate::read::{Format, Scan, Unit, UnitFrom, Weld};
use crate::soundness::{Hole, Pit, Soundness};
use crate::undercut::{BasePlane, CannotTell, PullFigures, Pulls, Withdrawal};
use crate::units::Measured;

/// All that a check may look at, owned, so that a test can spoil it.
pub struct Ear {
    pub scan: Scan,
    pub soundness: Soundness,
    pub canal: Result<Canal, NoCanal>,
    pub ordered: Option<Side>,
    pub pull: Result<Pulls, CannotTell>,
}

/// Length of the fixture's canal, mm; its axis runs up the z axis from the origin.
pub const LENGTH_MM: f64 = 20.0;
/// Where its bends are, mm from the aperture.
pub const BENDS_MM: [f64; 2] = [6.0, 14.0];

impl Ear {
    /// An ear on which every check holds.
    pub fn good() -> Self {
        Self {
            scan: scan(),
            soundness: Soundness {
                watertight: false,
                parts: 1,
                part_of_facet: vec![0],
                holes: vec![hole(true, 0.0, 0.0, -12.0, 25.0)],
                volume_mm3: None,
                volume_if_capped_mm3: 6000.0,
                enclosing_mm2: 2900.0,
                area_mm2: 2900.0,
                noise_mm: 0.02,
                edge_mm: 0.3,
                ..Soundness::default()
            },
            canal: Ok(canal()),
            ordered: Some(Side::Left),
            pull: Ok(pulls(0.2)),
        }
    }

    /// Makes the best straight pull this deep.
    pub fn held_by(&mut self, depth_mm: f64) {
        self.pull = Ok(pulls(depth_mm));
    }

    /// Makes the best way out squeeze this much, whatever a straight pull needs.
    pub fn squeezed_by(&mut self, depth_mm: f64) {
        let squeeze = Measured::at_most(depth_mm, 0.1);
        let way = Withdrawal::told(squeeze, Point::new(4.0, 0.0, 15.0));
        self.pull = Ok(Pulls {
            way: Some(Ok(way)),
            ..pulls(3.0)
        });
    }

    /// Its canal, for a test to spoil.
    pub fn canal(&mut self) -> &mut Canal {
        self.canal
            .as_mut()
            .expect("the fixture has a canal until a test takes it away")
    }

    /// Makes one bend's length to the tip this.
    pub fn past(&mut self, bend: usize, past: Measured) {
        self.canal().bends[bend - 1].past_mm = past;
    }

    /// Puts a hole at a height along the canal.
    pub fn hole_at(&mut self, z: f64, span_mm: f64) {
        self.soundness.holes.push(hole(false, 4.0, 0.0, z, span_mm));
    }

    /// Puts a pit at a height along the canal.
    pub fn pit_at(&mut self, z: f64, depth_mm: f64, width_mm: f64) {
        self.canal().pits.push(Pit {
            depth_mm,
            width_mm,
            point: Point::new(4.0, 0.0, z),
        });
    }
}

fn pulls(depth_mm: f64) -> Pulls {
    let pull = PullFigures {
        direction: -Vector::z(),
        largest_mm: Measured::exact(depth_mm, 0.1),
        area_mm2: Measured::exact(10.0 * depth_mm, 1.0),
    };
    Pulls {
        base: BasePlane {
            point: Point::new(0.0, 0.0, -12.0),
            normal: -Vector::z(),
        },
        straight: pull,
        best: pull,
        held_at: Point::new(4.0, 0.0, 17.0),
        depth_mm: None,
        way: None,
    }
}

fn scan() -> Scan {
    // One facet as long as an ear: only the box of the points is looked at.
    let points = vec![
        Point::new(-10.0, -12.0, -14.0),
        Point::new(12.0, 10.0, -14.0),
        Point::new(0.0, 0.0, 20.0),
    ];
    Scan {
        mesh: Mesh::new(points, vec![[0, 1, 2]]).expect("three points, one facet"),
        path: PathBuf::from("left.stl"),
        sha256: "00".repeat(32),
        bytes: 134,
        format: Format::StlBinary,
        unit: Some(Unit::Mm),
        unit_from: UnitFrom::Option,
        plausible_units: Vec::new(),
        weld: Weld::default(),
        notes: Vec::new(),
    }
}

fn hole(base: bool, x: f64, y: f64, z: f64, span_mm: f64) -> Hole {
    Hole {
        base,
        length_mm: 3.0 * span_mm,
        area_mm2: 0.7 * span_mm * span_mm,
        span_mm,
        point: Point::new(x, y, z),
        rim: vec![0, 1, 2],
    }
}

fn section(at_mm: f64) -> Section {
    let (largest_mm, smallest_mm) = (10.0, 7.0);
    Section {
        at_mm,
        centre: Point::new(0.0, 0.0, at_mm),
        normal: Vector::z(),
        area_mm2: std::f64::consts::PI * largest_mm * smallest_mm / 4.0,
        largest_mm,
        largest_dir: Vector::x(),
        smallest_mm,
        perimeter_mm: 26.91,
        gap_mm: 0.0,
        outline: Vec::new(),
    }
}

fn bend(order: usize) -> Bend {
    let at = BENDS_MM[order - 1];
    Bend {
        order,
        at_mm: Measured::exact(at, 0.1),
        turn_deg: Measured::exact(30.0, 1.0),
        peak_curvature_per_mm: Measured::exact(0.1, 0.01),
        past_mm: Measured::exact(LENGTH_MM - at, 0.15),
        past_from_span_end_mm: Measured::exact(LENGTH_MM - at - 2.5, 0.2),
        point: Point::new(0.0, 0.0, at),
        towards: Vector::y(),
    }
}

fn canal() -> Canal {
    let stations: Vec<f64> = (0..=80).map(|i| 0.25 * f64::from(i)).collect();
    Canal {
        axis: stations.iter().map(|&z| Point::new(0.0, 0.0, z)).collect(),
        length_mm: Measured::exact(LENGTH_MM, 0.1),
        aperture_reached: true,
        aperture: section(0.0),
        tip: Point::new(0.0, 0.0, LENGTH_MM),
        tip_zone_mm: 18.0,
        bends_sure: true,
        bends: vec![bend(1), bend(2)],
        sections: stations.iter().map(|&z| section(z)).collect(),
        narrowest: section(12.0),
        feather: None,
        pits: Vec::new(),
        side: Some(Side::Left),
        side_margin: -0.7,
        frame: None,
        outer_reach_mm: 12.0,
        face: None,
        part: 0,
        tip_open: false,
        area_share: 0.01,
        width_plus_minus_mm: 0.05,
    }
}

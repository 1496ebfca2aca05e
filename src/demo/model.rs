//! The parameters of a made ear. Everything that shapes it is here and public; nothing is hidden
//! in the maker but the names of the lobes.
//!
//! Sizes follow published spreads (see each field); what has no source says so.

use nalgebra::Isometry3;
use serde::Serialize;

pub use super::faults::Fault;

/// Which ear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The left ear.
    Left,
    /// The right ear.
    Right,
}

/// How the scan ends on the outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Base {
    /// The outer face was scanned too: a closed surface.
    Closed,
    /// Scanning stopped short of the outer face: one large opening.
    Open,
}

/// A bend of the canal's raw curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bend {
    /// Middle of the bend, mm of arc from the nominal entrance (usual: 5 to 10 and 14 to 20, common
    /// practice, no source).
    pub at_mm: f64,
    /// Turn in the horizontal plane, degrees; positive turns forward. Going in, the first bend
    /// turns backward, the second forward (Gray 1918). Usual size 20 to 60 and 10 to 40, from memory.
    pub forward_deg: f64,
    /// Turn upward, degrees: real canals twist out of one plane (Martinez et al. 2023).
    pub up_deg: f64,
    /// The bend is spread over this length either way of its middle, mm. The largest curvature is
    /// 1.094 × turn ÷ this.
    pub half_span_mm: f64,
}

impl Bend {
    /// The share of the turn that is done at arc position `s_mm`: 0 before the bend, 1 past it,
    /// three times continuously differentiable between.
    #[must_use]
    pub fn share_at(&self, s_mm: f64) -> f64 {
        let x = ((s_mm - self.at_mm) / self.half_span_mm.max(1e-6)).clamp(-1.0, 1.0);
        let x2 = x * x;
        0.5 + x * (35.0 - x2 * (35.0 - x2 * (21.0 - 5.0 * x2))) / 32.0
    }
}

/// The canal's section at one place; between places everything changes smoothly.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Section {
    /// Arc position from the nominal entrance, mm.
    pub at_mm: f64,
    /// Area of the ellipse, mm² (casts: 63.4, sd 13.5 at the first bend; 61.6, sd 13.5 at 12 mm;
    /// Voss et al. 2020).
    pub area_mm2: f64,
    /// Long over short diameter, 1 or more.
    pub aspect: f64,
    /// How far the top of the long axis leans forward, degrees. At the entrance it runs down and
    /// backward, further in it lies over (Gray 1918).
    pub lean_deg: f64,
}

/// The canal: a curve with bends, swept by sections.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Canal {
    /// Direction at the entrance, degrees forward of straight in.
    pub entry_forward_deg: f64,
    /// Direction at the entrance, degrees above level.
    pub entry_up_deg: f64,
    /// The bends, in any order.
    pub bends: Vec<Bend>,
    /// Length of the raw curve from the nominal entrance to the end, mm. The true aperture lies
    /// about a millimetre or two from the nominal entrance, where the flare begins.
    pub length_mm: f64,
    /// Sections; at least one.
    pub sections: Vec<Section>,
    /// The end is rounded over this length, mm.
    pub tip_round_mm: f64,
    /// Slant of the end: how many mm further in the one edge reaches, per mm across.
    pub tip_oblique: f64,
    /// Root-mean-square height of gentle unevenness of the wall, mm.
    pub uneven_mm: f64,
}

/// The concha: cavum, cymba and what cuts into them. All lengths in mm.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Concha {
    /// Cavum height (18.2, sd 1.7: HUTUBS, Brinkmann et al. 2019; 18.8, sd 2.0: CIPIC, Algazi et al. 2001).
    pub cavum_height_mm: f64,
    /// Cavum width (17.5, sd 2.1; 15.3, sd 2.6: same sources).
    pub cavum_width_mm: f64,
    /// Cavum depth (11.4, sd 1.4; 9.8, sd 1.8: same sources).
    pub cavum_depth_mm: f64,
    /// Cymba height (10.1, sd 1.3; 6.9, sd 1.3: same sources).
    pub cymba_height_mm: f64,
    /// Width of the notch between tragus and antitragus (6.4, sd 1.5; 5.3, sd 1.4: same sources).
    pub notch_width_mm: f64,
    /// Thickness of the crus of the helix where it leaves the front of the concha; 0 for none.
    pub crus_mm: f64,
    /// How far the tragus stands back over the entrance.
    pub tragus_mm: f64,
    /// How far the antitragus stands into the cavum.
    pub antitragus_mm: f64,
    /// How far the outer face stands proud of the concha's rim.
    pub proud_mm: f64,
    /// Tilt of the outer face, degrees: forward edge up, upper edge up.
    pub face_tilt_deg: [f64; 2],
    /// Root-mean-square height of the outer face's unevenness.
    pub face_uneven_mm: f64,
    /// Root-mean-square height of the unevenness elsewhere.
    pub uneven_mm: f64,
    /// Width of the rounding between canal and cavum.
    pub flare_mm: f64,
}

/// A made ear: change any field, then call [`crate::demo::ear`].
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EarModel {
    /// Which ear. The model's own pose has x out of the head on a right ear, y forward, z up;
    /// a left ear is its mirror image in x.
    pub side: Side,
    /// The canal.
    pub canal: Canal,
    /// The concha; `None` makes a bare canal, whose outer end is cut square.
    pub concha: Option<Concha>,
    /// Whether the outer face was scanned.
    pub base: Base,
    /// What went wrong, in the order in which it is put in.
    pub faults: Vec<Fault>,
    /// Wanted number of facets; the mesh comes within 15 % (faults apart).
    pub facets: usize,
    /// Standard deviation of scanner noise along the surface normal, mm; 0 for an exact surface.
    pub noise_mm: f64,
    /// Where the scan lies.
    #[serde(skip)]
    pub pose: Isometry3<f64>,
    /// Chooses unevenness and noise.
    pub seed: u64,
}

impl Default for EarModel {
    fn default() -> Self {
        Self::medium(Side::Right)
    }
}

fn section(at_mm: f64, area_mm2: f64, aspect: f64, lean_deg: f64) -> Section {
    Section {
        at_mm,
        area_mm2,
        aspect,
        lean_deg,
    }
}

impl Canal {
    /// A canal with two bends that goes on 6 mm past the second, of the published mean sections.
    #[must_use]
    pub fn usual() -> Self {
        let bend = |at_mm, forward_deg, up_deg, half_span_mm| Bend {
            at_mm,
            forward_deg,
            up_deg,
            half_span_mm,
        };
        Self {
            entry_forward_deg: 26.0,
            entry_up_deg: 9.0,
            bends: vec![bend(8.5, -40.0, -4.0, 5.0), bend(18.0, 29.0, -11.0, 4.6)],
            length_mm: 24.5,
            sections: vec![
                section(-6.0, 90.0, 1.35, 14.0),
                section(0.0, 80.0, 1.42, 16.0),
                section(4.0, 66.0, 1.40, 19.0),
                section(8.5, 63.4, 1.32, 25.0),
                section(13.0, 61.0, 1.27, 36.0),
                section(18.0, 53.0, 1.25, 52.0),
                section(24.5, 43.0, 1.20, 66.0),
            ],
            tip_round_mm: 3.2,
            tip_oblique: 0.12,
            uneven_mm: 0.05,
        }
    }

    fn scaled(mut self, along: f64, across: f64) -> Self {
        for bend in &mut self.bends {
            bend.at_mm *= along;
            bend.half_span_mm *= along;
        }
        for section in &mut self.sections {
            section.at_mm *= along;
            section.area_mm2 *= across * across;
        }
        self.length_mm *= along;
        self.tip_round_mm *= across;
        self
    }
}

impl Concha {
    /// About the mean of the published measures.
    #[must_use]
    pub fn usual() -> Self {
        Self {
            cavum_height_mm: 18.4,
            cavum_width_mm: 16.4,
            cavum_depth_mm: 10.8,
            cymba_height_mm: 8.6,
            notch_width_mm: 5.8,
            crus_mm: 4.6,
            tragus_mm: 4.0,
            antitragus_mm: 3.0,
            proud_mm: 1.5,
            face_tilt_deg: [4.0, -3.0],
            face_uneven_mm: 0.35,
            uneven_mm: 0.12,
            flare_mm: 4.0,
        }
    }

    fn scaled(mut self, by: f64) -> Self {
        for size in [
            &mut self.cavum_height_mm,
            &mut self.cavum_width_mm,
            &mut self.cavum_depth_mm,
            &mut self.cymba_height_mm,
            &mut self.notch_width_mm,
            &mut self.crus_mm,
            &mut self.tragus_mm,
            &mut self.antitragus_mm,
        ] {
            *size *= by;
        }
        self
    }
}

impl EarModel {
    fn sized(side: Side, canal: Canal, concha: Concha) -> Self {
        Self {
            side,
            canal,
            concha: Some(concha),
            base: Base::Closed,
            faults: Vec::new(),
            facets: 40_000,
            noise_mm: 0.0,
            pose: Isometry3::identity(),
            seed: 1,
        }
    }

    /// An ear of the published mean sizes.
    #[must_use]
    pub fn medium(side: Side) -> Self {
        Self::sized(side, Canal::usual(), Concha::usual())
    }

    /// An ear near the lower end of the published spread (about −1.5 sd), with a waist and a
    /// sharper first bend.
    #[must_use]
    pub fn small(side: Side) -> Self {
        let mut canal = Canal::usual().scaled(0.9, 0.84);
        canal.bends[0].forward_deg = -48.0;
        canal.bends[1].forward_deg = 33.0;
        canal.sections[2].area_mm2 *= 0.88;
        Self::sized(side, canal, Concha::usual().scaled(0.87))
    }

    /// An ear near the upper end of the published spread (about +1.5 sd), gently bent.
    #[must_use]
    pub fn large(side: Side) -> Self {
        let mut canal = Canal::usual().scaled(1.06, 1.16);
        canal.bends[0].forward_deg = -32.0;
        canal.bends[1].forward_deg = 22.0;
        canal.entry_forward_deg = 20.0;
        Self::sized(side, canal, Concha::usual().scaled(1.13))
    }

    /// The same ear, bare: a canal without a concha.
    #[must_use]
    pub fn bare(mut self) -> Self {
        self.concha = None;
        self
    }

    /// The same ear with one more fault.
    #[must_use]
    pub fn with(mut self, fault: Fault) -> Self {
        self.faults.push(fault);
        self
    }
}

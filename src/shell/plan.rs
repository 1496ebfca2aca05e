//! What is asked of a shell, with the defaults and what each rests on.

use crate::mesh::{Point, Vector};

use super::wall::GivenBore;

/// Where lengths along the canal are counted from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Past {
    /// The aperture.
    Aperture,
    /// The curvature peak of the first bend.
    FirstBend,
    /// The curvature peak of the second bend.
    SecondBend,
}

impl Past {
    /// As said to people.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Aperture => "the aperture",
            Self::FirstBend => "the first bend",
            Self::SecondBend => "the second bend",
        }
    }
}

/// The cut across the canal, square to its axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cut {
    /// Where it is counted from.
    pub past: Past,
    /// How far past it, mm along the axis.
    pub by_mm: f64,
    /// Radius that its edge is rounded with, mm.
    pub round_mm: f64,
}

/// Which way the faceplate looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Facing {
    /// As the outer face of the impression (or the rim where scanning stopped).
    Found,
    /// Square to the canal's axis at the aperture.
    Axis,
    /// In this direction, out of the ear.
    Given(Vector),
}

/// Whether the outer side is closed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lid {
    /// A faceplate of this thickness, mm, is part of the shell.
    Closed {
        /// Its thickness, mm.
        thickness_mm: f64,
    },
    /// The cavity opens outward; the faceplate is a part of its own.
    Open,
}

/// The faceplate's plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Faceplate {
    /// Which way it looks, before the tilt.
    pub facing: Facing,
    /// Height over the middle of the aperture, along the facing, mm; `None`: found from the outer
    /// face.
    pub height_mm: Option<f64>,
    /// Moved outward by this, mm (negative: inward). Over the impression's own outer face the
    /// sides go straight on.
    pub raise_mm: f64,
    /// Tilted so that it looks this much further up, degrees.
    pub tilt_up_deg: f64,
    /// Tilted so that it looks this much further forward, degrees.
    pub tilt_forward_deg: f64,
    /// Closed or open.
    pub lid: Lid,
}

/// A plane to trim by: what lies beyond it is cut off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FreePlane {
    /// A point of it, mm, in the pose of the scan.
    pub point: Point,
    /// Away from what is kept.
    pub outward: Vector,
}

/// The zones of an ear, from the tip outward, as options and reports name them.
pub const ZONES: [&str; 6] = [
    "tip",
    "past-second-bend",
    "between-bends",
    "seal-zone",
    "concha",
    "cymba",
];

/// How much is added to the scan, mm, by zone (negative: taken off).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BuildUp {
    /// The last 2 mm of the finished canal.
    pub tip_mm: f64,
    /// Canal past the second bend.
    pub past_second_bend_mm: f64,
    /// Canal between the bends; where the bends cannot be told, all of it past the seal zone.
    pub between_bends_mm: f64,
    /// Aperture to first bend.
    pub seal_zone_mm: f64,
    /// Outside the aperture.
    pub concha_mm: f64,
    /// Helix and cymba: the upper part of what lies outside the aperture.
    pub cymba_mm: f64,
}

impl BuildUp {
    /// The same everywhere.
    #[must_use]
    pub const fn even(by_mm: f64) -> Self {
        Self {
            tip_mm: by_mm,
            past_second_bend_mm: by_mm,
            between_bends_mm: by_mm,
            seal_zone_mm: by_mm,
            concha_mm: by_mm,
            cymba_mm: by_mm,
        }
    }

    /// Puts one zone's amount, by its name as options and reports have it (one of [`ZONES`]); whether there is
    /// such a zone.
    pub fn put(&mut self, zone: &str, by_mm: f64) -> bool {
        let amount = match zone {
            "tip" => &mut self.tip_mm,
            "past-second-bend" => &mut self.past_second_bend_mm,
            "between-bends" => &mut self.between_bends_mm,
            "seal-zone" => &mut self.seal_zone_mm,
            "concha" => &mut self.concha_mm,
            "cymba" => &mut self.cymba_mm,
            _ => return false,
        };
        *amount = by_mm;
        true
    }

    /// Every amount by its zone, in the order of [`ZONES`].
    #[must_use]
    pub fn by_zone(&self) -> [(&'static str, f64); 6] {
        let amounts = self.named();
        std::array::from_fn(|k| (ZONES[k], amounts[k].1))
    }

    /// Every amount with its name in a plan file.
    #[must_use]
    pub const fn named(&self) -> [(&'static str, f64); 6] {
        [
            ("build_up.tip_mm", self.tip_mm),
            ("build_up.past_second_bend_mm", self.past_second_bend_mm),
            ("build_up.between_bends_mm", self.between_bends_mm),
            ("build_up.seal_zone_mm", self.seal_zone_mm),
            ("build_up.concha_mm", self.concha_mm),
            ("build_up.cymba_mm", self.cymba_mm),
        ]
    }
}

/// What the canal is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Material {
    /// As the body.
    Hard,
    /// Soft.
    Soft,
}

/// Walls as finished, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Walls {
    /// Body.
    pub body_mm: f64,
    /// Canal.
    pub canal_mm: f64,
    /// What the canal is made of.
    pub canal: Material,
    /// Where canal and body meet: arc position from the aperture, mm (negative: outside it).
    pub joint_at_mm: f64,
    /// The canal stays solid over this length before its end, mm; 0: the wall alone.
    pub solid_tip_mm: f64,
}

/// Bores from the cavity to the tip.
#[derive(Debug, Clone, PartialEq)]
pub enum Bores {
    /// So many alike, placed in the tip section so that webs and outer wall are as even as can be.
    Count {
        /// How many; 0 for none.
        count: usize,
        /// Diameter, mm.
        diameter_mm: f64,
    },
    /// Straight bores, given by their ends in the pose of the scan.
    Given(Vec<GivenBore>),
}

/// Everything that is asked of a shell.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The cut across the canal; `None` keeps the impression's own tip.
    pub cut: Option<Cut>,
    /// The faceplate.
    pub faceplate: Faceplate,
    /// Further planes.
    pub planes: Vec<FreePlane>,
    /// Build-up by zone.
    pub build_up: BuildUp,
    /// Walls, as finished.
    pub walls: Walls,
    /// Sound bores.
    pub bores: Bores,
    /// Least material between bores that the layout aims at, mm.
    pub web_mm: f64,
    /// Least material outside bores that the layout aims at, mm.
    pub bore_wall_mm: f64,
    /// Diameter of a vent, mm: one more bore at the tip, and a hole through a closed faceplate.
    pub vent_mm: Option<f64>,
    /// What sanding and polishing will take off the outer surface: added to it, and so to the
    /// wall, mm. The faceplate's plane stays where it is.
    pub finishing_stock_mm: f64,
    /// Size of the facets drawn, mm.
    pub facet_mm: f64,
}

impl Default for Plan {
    fn default() -> Self {
        Self {
            // At or 1 to 3 mm past the second bend; edge radius 0.5 to 1 (common practice, no source).
            cut: Some(Cut {
                past: Past::SecondBend,
                by_mm: 2.0,
                round_mm: 0.5,
            }),
            faceplate: Faceplate {
                facing: Facing::Found,
                height_mm: None,
                raise_mm: 0.0,
                tilt_up_deg: 0.0,
                tilt_forward_deg: 0.0,
                lid: Lid::Open,
            },
            planes: Vec::new(),
            // 0.3 a surface keeps remakes lowest (Pirzanski 2006, Hearing Review), put where the
            // seal is; the rest by common practice, no source: canal 0.1-0.3, tip 0, concha 0-0.2,
            // helix and cymba 0.
            build_up: BuildUp {
                tip_mm: 0.0,
                past_second_bend_mm: 0.2,
                between_bends_mm: 0.2,
                seal_zone_mm: 0.3,
                concha_mm: 0.0,
                cymba_mm: 0.0,
            },
            // Printed shells 0.8-1.0 (from memory), canal 0.6-0.8 (common practice, no source).
            walls: Walls {
                body_mm: 1.0,
                canal_mm: 0.8,
                canal: Material::Hard,
                joint_at_mm: 0.0,
                solid_tip_mm: 0.0,
            },
            bores: Bores::Count {
                count: 0,
                diameter_mm: 1.5,
            },
            // Common practice, no source: as the limits `bores.web_mm` and `bores.wall_mm`.
            web_mm: 0.5,
            bore_wall_mm: 0.6,
            vent_mm: None,
            // Common practice, no source (0.05-0.2 a surface): as `wall.finishing_stock_mm`.
            finishing_stock_mm: 0.1,
            facet_mm: FACET_MM,
        }
    }
}

/// Smaller: time grows with its inverse square (0.2 mm takes twice as long). Larger: the middles
/// of facets on the canal (radius 3 to 4 mm) stand more than 0.003 mm off on average.
pub const FACET_MM: f64 = 0.3;

/// A plan that cannot be meant.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{what} is {value}; it may be {least} to {most}")]
pub struct PlanFault {
    /// Which figure, by its name in a plan file.
    pub what: &'static str,
    /// What it is.
    pub value: f64,
    /// The least it may be.
    pub least: f64,
    /// The most.
    pub most: f64,
}

impl Plan {
    /// Checks every figure against the range that can be meant; none of these is a limit of the
    /// trade, they only catch slips (a comma, a unit).
    ///
    /// # Errors
    /// The first figure out of its range.
    pub fn check(&self) -> Result<(), PlanFault> {
        for (what, value, least, most) in self.figures() {
            // Written so that NaN fails.
            if !(value >= least && value <= most) {
                return Err(PlanFault {
                    what,
                    value,
                    least,
                    most,
                });
            }
        }
        Ok(())
    }

    fn figures(&self) -> Vec<(&'static str, f64, f64, f64)> {
        let f = &self.faceplate;
        let mut all = vec![
            ("faceplate.raise_mm", f.raise_mm, -20.0, 20.0),
            ("faceplate.tilt_up_deg", f.tilt_up_deg, -45.0, 45.0),
            (
                "faceplate.tilt_forward_deg",
                f.tilt_forward_deg,
                -45.0,
                45.0,
            ),
            ("wall.body_mm", self.walls.body_mm, 0.2, 10.0),
            ("wall.canal_mm", self.walls.canal_mm, 0.2, 10.0),
            ("wall.joint_at_mm", self.walls.joint_at_mm, -20.0, 40.0),
            ("wall.solid_tip_mm", self.walls.solid_tip_mm, 0.0, 40.0),
            ("bores.web_mm", self.web_mm, 0.0, 5.0),
            ("bores.wall_mm", self.bore_wall_mm, 0.0, 5.0),
            ("finishing_stock_mm", self.finishing_stock_mm, 0.0, 2.0),
            ("facet_mm", self.facet_mm, 0.1, 1.0),
        ];
        all.extend(f.height_mm.map(|h| ("faceplate.height_mm", h, -20.0, 40.0)));
        if let Lid::Closed { thickness_mm } = f.lid {
            all.push(("faceplate.thickness_mm", thickness_mm, 0.2, 10.0));
        }
        if let Some(cut) = &self.cut {
            all.push(("cut.by_mm", cut.by_mm, -20.0, 40.0));
            all.push(("cut.round_mm", cut.round_mm, 0.0, 2.0));
        }
        all.extend(self.vent_mm.map(|d| ("vent_mm", d, 0.2, 5.0)));
        all.extend(
            self.build_up
                .named()
                .map(|(what, by)| (what, by, -2.0, 3.0)),
        );
        match &self.bores {
            Bores::Count { count, diameter_mm } => {
                all.push(("bores.count", *count as f64, 0.0, 8.0));
                all.push(("bores.diameter_mm", *diameter_mm, 0.2, 6.0));
            }
            Bores::Given(bores) => all.extend(
                bores
                    .iter()
                    .map(|b| ("bore.diameter_mm", b.diameter_mm, 0.2, 6.0)),
            ),
        }
        all
    }
}

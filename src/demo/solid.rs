//! The ear as one implicit solid: negative inside, zero on the surface, slope known everywhere.
//!
//! The concha is built of ellipsoids, since that is how it is measured (height, width, depth), and
//! joined to the canal by a rounding of stated width, so that the canal further in than that
//! width is exactly the swept ellipse. The names are those of the anatomy that leaves its print:
//! tragus, antitragus and crus are hollows of the impression, the notch is a lobe.

use nalgebra::{Matrix3, Rotation3};

use crate::mesh::{Point, Vector};

use super::chance::{Chance, Waves};
use super::jet::Jet;
use super::model::{Concha, EarModel};
use super::tube::Tube;

/// An ellipsoid, roughly a distance near its surface.
#[derive(Debug, Clone)]
pub(crate) struct Lobe {
    centre: Point,
    /// Rows: axes over half-lengths.
    squash: Matrix3<f64>,
    scale_mm: f64,
}

impl Lobe {
    pub fn new(centre: [f64; 3], half: [f64; 3], about_x_deg: f64, about_z_deg: f64) -> Self {
        let turn = Rotation3::from_axis_angle(&Vector::x_axis(), about_x_deg.to_radians())
            * Rotation3::from_axis_angle(&Vector::z_axis(), about_z_deg.to_radians());
        let inverse =
            Matrix3::from_diagonal(&Vector::new(1.0 / half[0], 1.0 / half[1], 1.0 / half[2]));
        Self {
            centre: Point::from(centre),
            squash: inverse * turn.matrix().transpose(),
            scale_mm: (half[0] * half[1] * half[2]).cbrt(),
        }
    }

    pub fn at(&self, p: &Point) -> Jet {
        let q = self.squash * (p - self.centre);
        let square = Jet {
            v: q.norm_squared(),
            g: self.squash.transpose() * q * 2.0,
        };
        (square.sqrt() - Jet::constant(1.0)).scaled(self.scale_mm)
    }
}

/// A rod whose thickness changes from one end to the other.
#[derive(Debug, Clone)]
pub(crate) struct Rod {
    from: Point,
    along: Vector,
    radius_mm: [f64; 2],
}

impl Rod {
    pub fn new(from: Point, to: Point, radius_mm: [f64; 2]) -> Self {
        Self {
            from,
            along: to - from,
            radius_mm,
        }
    }

    pub fn at(&self, p: &Point) -> Jet {
        let length_sq = self.along.norm_squared();
        let raw = (p - self.from).dot(&self.along) / length_sq;
        let t = raw.clamp(0.0, 1.0);
        let away = p - (self.from + self.along * t);
        let distance = away.norm().max(1e-9);
        let thicker = self.radius_mm[1] - self.radius_mm[0];
        let mut g = away / distance;
        if raw == t {
            g -= self.along * (thicker / length_sq);
        }
        Jet {
            v: distance - self.radius_mm[0] - thicker * t,
            g,
        }
    }
}

/// A half-space with an uneven border.
#[derive(Debug, Clone)]
struct Face {
    normal: Vector,
    through: Point,
    uneven: Waves,
}

impl Face {
    /// Height over the face, mm.
    fn at(&self, p: &Point) -> Jet {
        let flat = Jet {
            v: self.normal.dot(&(p - self.through)),
            g: self.normal,
        };
        flat + self.uneven.at(p)
    }
}

#[derive(Debug, Clone)]
struct Bowl {
    cavum: Lobe,
    cymba: Lobe,
    horn: Lobe,
    notch: Lobe,
    tragus: Lobe,
    antitragus: Lobe,
    crus: Option<Rod>,
    uneven: Waves,
    face: Face,
    flare_mm: f64,
}

impl Bowl {
    fn new(c: &Concha, chance: &mut Chance) -> Self {
        let (width, height) = (c.cavum_width_mm / 2.0, c.cavum_height_mm / 2.0);
        // The entrance (origin) lies low and to the front in the cavum's floor, behind the tragus.
        let (y, z) = (-0.40 * width, 0.16 * height);
        let deep = 0.72 * c.cavum_depth_mm;
        let x = deep - 0.6;
        let rim = x + c.cavum_depth_mm - deep;
        let top = z + height;
        let cymba = c.cymba_height_mm;
        let tilt = c.face_tilt_deg.map(|d| d.to_radians().tan());
        let jitter = |chance: &mut Chance, mm: f64| chance.between(-mm, mm);
        let j: Vec<f64> = (0..8).map(|_| jitter(chance, 0.4)).collect();
        let crus = (c.crus_mm > 0.0).then(|| {
            let thick = c.crus_mm / 2.0;
            let back = Point::new(0.8, y - 0.25 * width + j[0], top - 0.6 + j[1]);
            let front = Point::new(rim + 1.0, y + 1.55 * width, top + 1.6 + j[2]);
            Rod::new(back, front, [0.45 * thick, 1.55 * thick])
        });
        Self {
            cavum: Lobe::new([x, y, z], [deep, width, height], 8.0, 0.0),
            cymba: Lobe::new(
                [x + 1.0, y - 0.5 + j[3], top + 0.42 * cymba],
                [0.78 * deep, 1.02 * width, 0.68 * cymba],
                22.0,
                0.0,
            ),
            horn: Lobe::new(
                [x + 1.6, y + 0.82 * width + j[4], top + 0.86 * cymba],
                [0.5 * deep, 0.45 * width, 0.36 * cymba],
                38.0,
                0.0,
            ),
            notch: Lobe::new(
                [x + 0.8, y + 0.42 * width + j[5], z - 0.98 * height],
                [0.62 * deep, 0.5 * c.notch_width_mm, 0.42 * height],
                -12.0,
                0.0,
            ),
            tragus: Lobe::new(
                [
                    rim - 1.2,
                    y + width + 5.6 - c.tragus_mm + j[6],
                    z - 0.28 * height,
                ],
                [0.62 * c.cavum_depth_mm, 5.0, 0.62 * height],
                0.0,
                12.0,
            ),
            antitragus: Lobe::new(
                [
                    rim,
                    y - 0.55 * width + j[7],
                    z - height - 3.4 + c.antitragus_mm,
                ],
                [5.0, 4.2, 3.8],
                20.0,
                0.0,
            ),
            crus,
            uneven: Waves::new(chance, c.uneven_mm, 6.0),
            face: Face {
                normal: Vector::new(1.0, -tilt[0], -tilt[1]).normalize(),
                through: Point::new(rim + c.proud_mm, y, z + 4.0),
                uneven: Waves::new(chance, c.face_uneven_mm, 9.0),
            },
            flare_mm: c.flare_mm,
        }
    }

    /// The concha without its outer face.
    fn cup(&self, p: &Point) -> Jet {
        let mut cup = self.cavum.at(p).smooth_min(self.cymba.at(p), 3.0);
        cup = cup.smooth_min(self.horn.at(p), 3.0);
        cup = cup.smooth_min(self.notch.at(p), 3.0);
        cup = cup.without(self.tragus.at(p), 2.6);
        cup = cup.without(self.antitragus.at(p), 2.4);
        if let Some(crus) = &self.crus {
            cup = cup.without(crus.at(p), 2.2);
        }
        cup + self.uneven.at(p)
    }
}

/// The whole solid of a right ear in its own pose.
#[derive(Debug, Clone)]
pub(crate) struct Solid {
    pub tube: Tube,
    bowl: Option<Bowl>,
    wall: Waves,
}

/// Rounding of the rim between concha and outer face, mm.
const RIM_MM: f64 = 3.0;

impl Solid {
    pub fn new(model: &EarModel) -> Self {
        let mut chance = Chance::new(model.seed ^ 0x00EA_4000);
        let wall = Waves::new(&mut chance, model.canal.uneven_mm, 7.0);
        Self {
            tube: Tube::new(&model.canal, model.concha.is_none()),
            bowl: model.concha.as_ref().map(|c| Bowl::new(c, &mut chance)),
            wall,
        }
    }

    /// Negative inside, zero on the surface, with its gradient.
    pub fn at(&self, p: &Point) -> Jet {
        let canal = self.tube.at(p) + self.wall.at(p);
        let Some(bowl) = &self.bowl else {
            return canal;
        };
        let whole = canal.smooth_min(bowl.cup(p), bowl.flare_mm);
        whole.smooth_max(bowl.face.at(p), RIM_MM)
    }

    /// Height over the outer face, mm; `None` on a bare canal.
    pub fn over_face(&self, p: &Point) -> Option<Jet> {
        self.bowl.as_ref().map(|b| b.face.at(p))
    }

    /// A place surely inside: half way along the canal.
    pub fn heart(&self, length_mm: f64) -> Point {
        self.tube.centre(length_mm / 2.0)
    }
}

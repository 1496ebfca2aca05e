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
    back: Lobe,
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
        let (y, z) = (-0.42 * width, 0.16 * height);
        let deep = 0.72 * c.cavum_depth_mm;
        let x = deep - 0.6;
        let rim = x + c.cavum_depth_mm - deep;
        let (top, cymba) = (z + height, c.cymba_height_mm);
        let crown = top + cymba;
        let tilt = c.face_tilt_deg.map(|d| d.to_radians().tan());
        let j: Vec<f64> = (0..8).map(|_| chance.between(-0.4, 0.4)).collect();
        let crus = (c.crus_mm > 0.0).then(|| {
            let thick = c.crus_mm / 2.0;
            let back = Point::new(0.4, y - 0.30 * width + j[0], top - 0.8 + j[1]);
            let front = Point::new(rim - 0.6, y + 1.30 * width, top + 1.2 + j[2]);
            Rod::new(back, front, [0.45 * thick, 1.35 * thick])
        });
        Self {
            cavum: Lobe::new([x, y, z], [deep, width, height], 8.0, 0.0),
            // The wall under the antihelix runs in one arc from the cymba down to the antitragus.
            back: Lobe::new(
                [x + 0.9, y - 0.42 * width, 0.5 * (z - 0.55 * height + crown)],
                [0.80 * deep, 0.82 * width, 0.5 * (crown - z + 0.45 * height)],
                -4.0,
                0.0,
            ),
            cymba: Lobe::new(
                [x + 1.2, y + 0.02 * width + j[3], top + 0.40 * cymba],
                [0.64 * deep, 0.96 * width, 0.62 * cymba],
                24.0,
                0.0,
            ),
            horn: Lobe::new(
                [x + 1.8, y + 0.62 * width + j[4], top + 0.74 * cymba],
                [0.52 * deep, 0.62 * width, 0.36 * cymba],
                24.0,
                0.0,
            ),
            notch: Lobe::new(
                [x + 0.9, y + 0.48 * width + j[5], z - 0.84 * height],
                [0.64 * deep, 0.62 * c.notch_width_mm, 0.40 * height],
                -16.0,
                0.0,
            ),
            tragus: Lobe::new(
                [
                    rim - 0.8,
                    y + width + 5.4 - c.tragus_mm + j[6],
                    z - 0.20 * height,
                ],
                [0.60 * c.cavum_depth_mm, 5.0, 0.60 * height],
                0.0,
                12.0,
            ),
            antitragus: Lobe::new(
                [
                    rim + 0.5,
                    y - 0.58 * width + j[7],
                    z - height - 3.2 + c.antitragus_mm,
                ],
                [6.0, 4.6, 3.6],
                24.0,
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

    /// The concha without its outer face; `None` where it is surely over `limit`.
    fn cup(&self, p: &Point, limit: f64) -> Option<Jet> {
        let lobes = [
            &self.cavum,
            &self.back,
            &self.cymba,
            &self.horn,
            &self.notch,
        ]
        .map(|l| l.at(p));
        let least = lobes.iter().map(|l| l.v).fold(f64::INFINITY, f64::min);
        // Each rounding lowers the union by a sixth of its width at most; hollows only raise it.
        let lowered: f64 = JOIN_MM.iter().sum::<f64>() / 6.0 + self.uneven.bound();
        if least - lowered > limit {
            return None;
        }
        let mut cup = lobes[0];
        for (lobe, k) in lobes[1..].iter().zip(JOIN_MM) {
            cup = cup.smooth_min(*lobe, k);
        }
        cup = cup.without(self.tragus.at(p), 2.6);
        cup = cup.without(self.antitragus.at(p), 2.4);
        if let Some(crus) = &self.crus {
            cup = cup.without(crus.at(p), 2.2);
        }
        Some(cup + self.uneven.at(p))
    }
}

/// The whole solid of a right ear in its own pose.
#[derive(Debug, Clone)]
pub(crate) struct Solid {
    pub tube: Tube,
    bowl: Option<Bowl>,
    wall: Waves,
    extras: Vec<Extra>,
}

/// What a fault adds to or takes from the solid, with the width of the rounding.
#[derive(Debug, Clone)]
pub(crate) enum Extra {
    JoinLobe(Lobe, f64),
    CutLobe(Lobe, f64),
    JoinRod(Rod, f64),
    JoinSlab(Slab, f64),
}

/// A box along the model's axes, its edges rounded.
#[derive(Debug, Clone)]
pub(crate) struct Slab {
    pub low: Point,
    pub high: Point,
}

impl Slab {
    fn at(&self, p: &Point) -> Jet {
        let mut all: Option<Jet> = None;
        for k in 0..3 {
            let mut g = Vector::zeros();
            g[k] = 1.0;
            let above = Jet {
                v: p[k] - self.high[k],
                g,
            };
            let below = Jet {
                v: self.low[k] - p[k],
                g: -g,
            };
            let slab = above.smooth_max(below, 0.1);
            all = Some(all.map_or(slab, |a| a.smooth_max(slab, 0.8)));
        }
        all.unwrap_or(Jet::constant(0.0))
    }
}

/// Roundings with which back, cymba, horn and notch join the cavum, mm.
const JOIN_MM: [f64; 4] = [3.0, 3.0, 3.5, 4.0];

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
            extras: Vec::new(),
        }
    }

    /// The same solid with something added or taken away.
    pub fn push(&mut self, extra: Extra) {
        self.extras.push(extra);
    }

    /// Negative inside, zero on the surface, with its gradient.
    pub fn at(&self, p: &Point) -> Jet {
        let mut whole = match &self.bowl {
            Some(bowl) => self.ear(bowl, p),
            None => self.wall(p),
        };
        for extra in &self.extras {
            whole = match extra {
                Extra::JoinLobe(lobe, k) => whole.smooth_min(lobe.at(p), *k),
                Extra::CutLobe(lobe, k) => whole.without(lobe.at(p), *k),
                Extra::JoinRod(rod, k) => whole.smooth_min(rod.at(p), *k),
                Extra::JoinSlab(slab, k) => whole.smooth_min(slab.at(p), *k),
            };
        }
        whole
    }

    fn wall(&self, p: &Point) -> Jet {
        self.tube.at(p) + self.wall.at(p)
    }

    /// Canal and concha behind the outer face. What lies too far off to be felt through a
    /// rounding is not evaluated; the result is the same, since a rounding ends at its width.
    fn ear(&self, bowl: &Bowl, p: &Point) -> Jet {
        let wall_least = self.tube.at_least(p) - self.wall.bound();
        let whole = if wall_least > 0.0 {
            match bowl.cup(p, f64::INFINITY) {
                Some(cup) if cup.v + bowl.flare_mm < wall_least => cup,
                Some(cup) => self.wall(p).smooth_min(cup, bowl.flare_mm),
                None => self.wall(p),
            }
        } else {
            let wall = self.wall(p);
            match bowl.cup(p, wall.v + bowl.flare_mm) {
                Some(cup) => wall.smooth_min(cup, bowl.flare_mm),
                None => wall,
            }
        };
        let face_most = bowl.face.normal.dot(&(p - bowl.face.through)) + bowl.face.uneven.bound();
        if whole.v - face_most >= RIM_MM {
            return whole;
        }
        whole.smooth_max(bowl.face.at(p), RIM_MM)
    }

    /// Height over the outer face, mm. On a bare canal: distance out from its outer end.
    pub fn over_face(&self, p: &Point) -> Jet {
        match &self.bowl {
            Some(b) => b.face.at(p),
            None => self.tube.outward(p),
        }
    }

    /// A place surely inside: half way along the canal.
    pub fn heart(&self, length_mm: f64) -> Point {
        self.tube.centre(length_mm / 2.0)
    }

    /// The middle of the cavum (the entrance on a bare canal).
    pub fn cavum_middle(&self) -> Point {
        self.bowl
            .as_ref()
            .map_or(self.tube.centre(1.0), |b| b.cavum.centre)
    }

    /// A point of the outer face, over the middle of the cavum.
    pub fn face_middle(&self) -> Point {
        let from = self.cavum_middle();
        let field: super::polygonise::Field = &|p: &Point| self.at(p);
        let out = super::slice::crossings(field, &from, &Vector::x(), 60.0);
        from + Vector::x() * out.first().copied().unwrap_or(0.0)
    }
}

//! How sharp the rim is where the outer surface meets the faceplate's plane. A side that flares
//! towards the plane meets it in a lip: the wall in such a wedge tends to nothing whatever wall was
//! asked for, and as printed it is an edge that can cut.

use std::collections::HashSet;

use crate::mesh::{Mesh, Point, Vector};
use crate::units::Measured;

use super::cavity::on_plate;
use super::faceplate::Plane;

/// The rim, station by station.
#[derive(Debug, Clone, PartialEq)]
pub struct Rim {
    /// One for each edge of the border that has a side below it.
    pub stations: Vec<Station>,
}

/// A piece of the border.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Station {
    /// Its middle.
    pub point: Point,
    /// Its length, mm.
    pub length_mm: f64,
    /// The angle inside the material between plane and side, degrees: 90 for a square wall.
    pub angle_deg: f64,
}

/// The side is looked at over this stretch below the plane, mm: where walls as thin as the trade's
/// limits are read in a wedge. Nearer to the plane a hundredth of a millimetre of drawing is degrees;
/// further down, another part of the side is told for the rim (one sample ear leans by 66° over the
/// first 0.2 mm and by 59° over the first 0.8).
const BAND_MM: [f64; 2] = [0.15, 0.6];
/// Where the drawn outer surface passes a height is known to this, mm (95 %). What follows for the angle
/// is 1.1 to 1.5°; drawn with facets of 0.2 to 0.4 mm, the leasts of five sample ears moved by 1.0° at most
/// from end to end, and by 1.5° on a sixth.
const DRAWN_MM: f64 = 0.01;

impl Rim {
    /// Measures the rim of an outer surface (mm, closed, facets outward) in the faceplate's plane.
    ///
    /// The angle at a place of the border is that between the plane and the straight line through the
    /// outlines 0.15 and 0.6 mm below it, from how far the place lies outside each; or that of the
    /// line from the place itself to the lower outline where that is less, as it is under a lip
    /// thinner than 0.15 mm. 0° to 180°, 90° for a square wall. What lies closer to the edge, such
    /// as a blunted lip, is not seen. Facets of a round side and the drawing are in its `±`.
    #[must_use]
    pub fn new(outer: &Mesh, plate: &Plane) -> Self {
        let flat = Flat::new(plate);
        let [near, deep] = BAND_MM.map(|depth| flat.outline(outer, -depth));
        let station = |[a, b]: [Point; 2]| {
            let point = nalgebra::center(&a, &b);
            let p = flat.of(&point);
            let (below, far) = (aside(&near, p), aside(&deep, p)?);
            let whole = (BAND_MM[1] + plate.height(&point)).atan2(far);
            let lower = below.map_or(whole, |x| (BAND_MM[1] - BAND_MM[0]).atan2(far - x));
            Some(Station {
                point,
                length_mm: (b - a).norm(),
                angle_deg: whole.min(lower).to_degrees(),
            })
        };
        Self {
            stations: border(outer, plate)
                .into_iter()
                .filter_map(station)
                .collect(),
        }
    }

    /// Where it is sharpest; `None` without a border.
    #[must_use]
    pub fn sharpest(&self) -> Option<&Station> {
        let stations = self.stations.iter();
        stations.min_by(|a, b| a.angle_deg.total_cmp(&b.angle_deg))
    }

    /// The station nearest to a place.
    #[must_use]
    pub fn nearest(&self, p: &Point) -> Option<&Station> {
        let far = |s: &&Station| (s.point - p).norm();
        self.stations
            .iter()
            .min_by(|a, b| far(a).total_cmp(&far(b)))
    }

    /// Length of the border, mm.
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        self.stations.iter().map(|s| s.length_mm).sum()
    }

    /// Length of the border whose angle is under a limit (degrees), mm.
    #[must_use]
    pub fn under_mm(&self, limit_deg: f64) -> f64 {
        self.under(limit_deg)
            .map(|s| s.length_mm)
            .sum::<f64>()
            .abs()
    }

    /// The stations under a limit, degrees.
    pub fn under(&self, limit_deg: f64) -> impl Iterator<Item = &Station> {
        self.stations
            .iter()
            .filter(move |s| s.angle_deg < limit_deg)
    }
}

impl Station {
    /// The angle with its `±`, degrees: what two outlines, each off by [`DRAWN_MM`], turn it by.
    #[must_use]
    pub fn angle(&self) -> Measured {
        let off = DRAWN_MM * std::f64::consts::SQRT_2 / (BAND_MM[1] - BAND_MM[0]);
        let sin = self.angle_deg.to_radians().sin();
        // Under 45° the outlines are further apart than they are deep, and a nearest place is less sure
        // to be the one straight below: the `±` shrinks no more.
        Measured::exact(self.angle_deg, (off * (sin * sin).max(0.5)).to_degrees())
    }
}

fn border(outer: &Mesh, plate: &Plane) -> Vec<[Point; 2]> {
    let flat = on_plate(outer, plate);
    let mut edges = Vec::new();
    for f in (0..outer.facets().len()).filter(|&f| flat(f)) {
        let [a, b, c] = outer.facets()[f];
        edges.extend([[a, b], [b, c], [c, a]]);
    }
    let known: HashSet<[u32; 2]> = edges.iter().copied().collect();
    let of_border = edges
        .into_iter()
        .filter(|[a, b]| !known.contains(&[*b, *a]));
    of_border
        .map(|e| e.map(|p| outer.points()[p as usize]))
        .collect()
}

type Flat2 = [f64; 2];

struct Flat {
    plate: Plane,
    u: Vector,
    v: Vector,
}

impl Flat {
    fn new(plate: &Plane) -> Self {
        let n = plate.outward;
        let least = (0..3).min_by(|&i, &j| n[i].abs().total_cmp(&n[j].abs()));
        let mut across = Vector::zeros();
        across[least.unwrap_or(0)] = 1.0;
        let u = n.cross(&across).normalize();
        Self {
            plate: *plate,
            u,
            v: n.cross(&u),
        }
    }

    fn of(&self, p: &Point) -> Flat2 {
        let d = p - self.plate.point;
        [d.dot(&self.u), d.dot(&self.v)]
    }

    /// Where the surface passes a height: pieces with the material on their left.
    fn outline(&self, mesh: &Mesh, height_mm: f64) -> Vec<[Flat2; 2]> {
        let over: Vec<f64> = mesh
            .points()
            .iter()
            .map(|p| self.plate.height(p) - height_mm)
            .collect();
        let mut out = Vec::new();
        for corners in mesh.facets() {
            let c = corners.map(|p| p as usize);
            let (mut up, mut down) = (None, None);
            for k in 0..3 {
                let (a, b) = (c[k], c[(k + 1) % 3]);
                if (over[a] < 0.0) == (over[b] < 0.0) {
                    continue;
                }
                let t = over[a] / (over[a] - over[b]);
                let p = mesh.points()[a] + (mesh.points()[b] - mesh.points()[a]) * t;
                if over[a] < 0.0 {
                    up = Some(self.of(&p));
                } else {
                    down = Some(self.of(&p));
                }
            }
            if let (Some(up), Some(down)) = (up, down) {
                out.push([down, up]);
            }
        }
        out
    }
}

/// How far a point lies outside an outline, mm; less than nothing inside. `None` without one.
fn aside(outline: &[[Flat2; 2]], p: Flat2) -> Option<f64> {
    let mut winding = 0;
    let mut least = f64::INFINITY;
    for [a, b] in outline {
        let (d, q) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
        let along = d[0] * q[0] + d[1] * q[1];
        let t = (along / (d[0] * d[0] + d[1] * d[1])).clamp(0.0, 1.0);
        // An edge of no length gives no number, and is passed over by `min`.
        least = least.min((q[0] - t * d[0]).hypot(q[1] - t * d[1]));
        if (a[1] <= p[1]) != (b[1] <= p[1]) {
            let left = d[0] * q[1] - d[1] * q[0];
            if b[1] > a[1] && left > 0.0 {
                winding += 1;
            } else if b[1] < a[1] && left < 0.0 {
                winding -= 1;
            }
        }
    }
    least
        .is_finite()
        .then_some(if winding > 0 { -least } else { least })
}

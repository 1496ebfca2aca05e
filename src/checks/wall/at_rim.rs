//! Which thin places are thin only because they lie in the wedge where a made shell's outer surface
//! meets its faceplate. Their figures stand; more wall does not mend them.

use crate::mesh::Vector;
use crate::shell::wall::ThinSpot;
use crate::shell::{Plane, Rim, Station};

use super::WallFacts;

/// The faceplate's plane and the rim in it.
pub(super) struct AtPlate<'a> {
    plate: Plane,
    rim: &'a Rim,
    /// Of the measured mesh, by point.
    normals: Vec<Vector>,
}

/// A ball touches the faceplate's plane when it comes this near, mm. Too low: uneven normals of facets of
/// 0.3 mm part a place from its rim. Too high: walls that are thin down to the plane count as wedge; as
/// all points of a place must touch, one deeper than half a wall and this never does.
const TOUCHES_MM: f64 = 0.1;
/// The rim that a place belongs to is no further away than this, mm.
const NEAR_MM: f64 = 2.0;

impl<'a> WallFacts<'a> {
    /// The same for a made shell (its mesh closed, facets outward), whose rim is known.
    #[must_use]
    pub fn with_rim(mut self, plate: Plane, rim: &'a Rim) -> Self {
        self.at_plate = Some(AtPlate {
            plate,
            rim,
            normals: self.mesh.point_normals(),
        });
        self
    }

    /// The sharpest rim whose wedge holds every one of these points of the mesh: each one's ball
    /// touches the faceplate's plane, not the cavity. `None` where one lies elsewhere.
    #[must_use]
    pub fn rim_of(&self, points: &[u32]) -> Option<Station> {
        let at = self.at_plate.as_ref()?;
        let mut sharpest: Option<Station> = None;
        for &p in points {
            let p = p as usize;
            let up = at.normals[p].dot(&at.plate.outward);
            let point = &self.mesh.points()[p];
            let half = self.wall.wall_mm[p] / 2.0;
            let top = at.plate.height(point) + half * (1.0 - up);
            let station = at.rim.nearest(point)?;
            let near = (station.point - point).norm() < NEAR_MM && station.angle_deg < 90.0;
            if top.abs() > TOUCHES_MM || !near {
                return None;
            }
            if sharpest.is_none_or(|s| station.angle_deg < s.angle_deg) {
                sharpest = Some(*station);
            }
        }
        sharpest
    }

    /// What is said of thin places that lie at the rim, and whether all of them do; `None` where none
    /// does.
    pub(super) fn told_at_rim(&self, spots: &[ThinSpot]) -> Option<(String, bool)> {
        let rims = spots.iter().filter_map(|s| self.rim_of(&s.points));
        let rims: Vec<Station> = rims.collect();
        let by_angle = |a: &&Station, b: &&Station| a.angle_deg.total_cmp(&b.angle_deg);
        let least = rims.iter().min_by(by_angle)?;
        let all = rims.len() == spots.len();
        let how_many = match rims.len() {
            _ if all => "all of it".to_owned(),
            count => format!("{count} of them"),
        };
        Some((format!("{how_many} {}", at_rim(least)), all))
    }
}

/// A place at the rim, in words.
#[must_use]
pub fn at_rim(station: &Station) -> String {
    format!(
        "at the faceplate's rim, where the outer surface meets it at {:.0} deg",
        station.angle_deg
    )
}

/// What mends a sharp rim, and a place that is thin only because it lies in one.
pub const RIM_ADVICE: &str = "raise the faceplate (`--faceplate-raise 0.8`), which draws the sides out \
    straight, or blunt the rim in finishing (a sharp edge can hurt): a thicker wall does not mend it";

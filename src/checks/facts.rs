//! Everything that checks may look at. It holds what the rooms before have measured and adds
//! nothing but the places of things along the ear.

use crate::canal::{self, Canal, NoCanal, Side};
use crate::limits::{Limits, rows};
use crate::mesh::Point;
use crate::read::{Scan, Unit, extent};
use crate::soundness::{Region, Soundness};
use crate::undercut::{self, Pulls};
use crate::units::Measured;

use super::answer::{Answer, Finding, number};
use super::not_an_impression::{CHECK as NOT_AN_IMPRESSION, hollow};

/// Noise of one point is told apart from a length between two at 95 %: 1.96 · √2.
const LENGTH_OF_NOISE: f64 = 2.77;

/// What a scan's checks work from.
pub struct Facts<'a> {
    /// The scan as read.
    pub scan: &'a Scan,
    /// What is wrong with its surface.
    pub soundness: &'a Soundness,
    /// Its canal, or why there is none.
    pub canal: Result<&'a Canal, &'a NoCanal>,
    /// The side that the order names.
    pub ordered: Option<Side>,
    /// Is `ordered` what the file's name says, since nobody typed a side?
    pub ordered_by_name: bool,
    /// The side that the file's name says.
    pub named: Option<Side>,
    /// Greatest distance across the part that the canal is on (without a canal: the main part), in the mesh's unit; `None` without facets.
    pub size: Option<f64>,
    /// Its straight pulls, or why they can't be told; `None` where they were not measured.
    pub pull: Option<Result<&'a Pulls, &'a undercut::CannotTell>>,
}

impl<'a> Facts<'a> {
    /// Gathers them.
    #[must_use]
    pub fn new(
        scan: &'a Scan,
        soundness: &'a Soundness,
        canal: &'a Result<Canal, NoCanal>,
        ordered: Option<Side>,
    ) -> Self {
        let part = canal.as_ref().map_or(soundness.main_part, |c| c.part);
        let size = part_size(scan, soundness, part);
        Self {
            scan,
            soundness,
            canal: canal.as_ref(),
            ordered,
            ordered_by_name: false,
            named: None,
            size,
            pull: None,
        }
    }

    /// With the side that the file's name says.
    #[must_use]
    pub fn with_named(mut self, side: Option<Side>) -> Self {
        self.named = side;
        self
    }

    /// Whether the ordered side is what the file's name says.
    #[must_use]
    pub fn with_ordered_by_name(mut self, by_name: bool) -> Self {
        self.ordered_by_name = by_name;
        self
    }

    /// With its straight pulls.
    #[must_use]
    pub fn with_pull(mut self, pull: &'a Result<Pulls, undercut::CannotTell>) -> Self {
        self.pull = Some(pull.as_ref());
        self
    }

    /// The canal, where it may be held against limits in millimetres.
    ///
    /// # Errors
    /// A *cannot tell* where there is no canal, no unit, or no plausible size: a 35 mm scan read
    /// as 3.5 mm would otherwise be "too short, take it again" with full confidence.
    pub fn canal(&self, limits: &Limits) -> Result<&'a Canal, Box<Answer>> {
        self.lengths(limits)?;
        self.canal.map_err(|why| {
            Box::new(Answer::because(
                format!("no canal was measured: {why}"),
                "canal-missing",
            ))
        })
    }

    /// Whether lengths may be held against limits of an impression at all.
    ///
    /// # Errors
    /// A *cannot tell* where the unit is unknown or doubtful, or where it is no impression.
    pub fn lengths(&self, limits: &Limits) -> Result<(), Box<Answer>> {
        self.unit(limits)?;
        hollow(self, limits).map_or(Ok(()), |says| {
            Err(Box::new(Answer::because(says, NOT_AN_IMPRESSION.id)))
        })
    }

    /// Whether its unit of length is to be believed.
    ///
    /// # Errors
    /// A *cannot tell* where the unit is unknown or doubtful.
    pub fn unit(&self, limits: &Limits) -> Result<(), Box<Answer>> {
        let missing = match (self.scan.unit, self.size) {
            (None, _) => "the unit of length is unknown".to_owned(),
            (_, None) => "the scan has no facets".to_owned(),
            (Some(_), Some(size)) if !plausible(size, limits) && !self.with_stand(limits) => {
                format!("a scan {} long is not that of an ear", number(size, "mm"))
            }
            _ => return Ok(()),
        };
        Err(Box::new(Answer::because(missing, "unit-doubtful")))
    }

    /// Is it too large for an impression alone, but not for one with a stand or plate grown to it?
    /// The canal found on it, as wide as an ear's, vouches for the unit.
    #[must_use]
    pub fn with_stand(&self, limits: &Limits) -> bool {
        let over = |size: f64| {
            size > limits.number(&rows::SIZE_MOST) && size <= limits.number(&rows::SIZE_WITH_STAND)
        };
        self.canal.is_ok() && self.size.is_some_and(over)
    }

    /// Units in which the scan would be as large as an ear impression.
    #[must_use]
    pub fn plausible_units(&self, limits: &Limits) -> Vec<Unit> {
        let Some(size) = self.size else {
            return Vec::new();
        };
        let in_file = size / self.scan.unit.map_or(1.0, Unit::in_mm);
        [Unit::Um, Unit::Mm, Unit::Cm, Unit::Inch, Unit::M]
            .into_iter()
            .filter(|unit| plausible(in_file * unit.in_mm(), limits))
            .collect()
    }

    /// Where a point lies along the ear.
    #[must_use]
    pub fn region(&self, point: &Point) -> (Region, Option<f64>) {
        self.canal
            .map_or((Region::Unknown, None), |c| canal::region_of(c, point))
    }

    /// A finding at a point.
    #[must_use]
    pub fn finding(&self, point: &Point, says: impl Into<String>) -> Finding {
        let (region, at_mm) = self.region(point);
        let point = self.scan.unit.map(|_| *point);
        Finding {
            says: says.into(),
            region,
            at_mm,
            point,
        }
    }

    /// A length between two points of the surface, with the `±` that scan noise gives it.
    #[must_use]
    pub fn length(&self, value_mm: f64) -> Measured {
        Measured::exact(value_mm, LENGTH_OF_NOISE * self.soundness.noise_mm)
    }
}

fn plausible(size_mm: f64, limits: &Limits) -> bool {
    size_mm >= limits.number(&rows::SIZE_LEAST) && size_mm <= limits.number(&rows::SIZE_MOST)
}

/// Greatest distance across one part, as the reader takes it, so that both mean the same and a turn
/// changes nothing. A speck of dust far off, or a plate that the impression stands on, is not the
/// ear's size.
fn part_size(scan: &Scan, soundness: &Soundness, wanted: u32) -> Option<f64> {
    let mesh = &scan.mesh;
    let part = |f: usize| soundness.part_of_facet.get(f).copied().unwrap_or(wanted);
    let mut ours = vec![false; mesh.points().len()];
    for (f, corners) in mesh.facets().iter().enumerate() {
        if part(f) == wanted {
            corners.iter().for_each(|&c| ours[c as usize] = true);
        }
    }
    let points = mesh.points().iter().zip(&ours);
    let points: Vec<Point> = points.filter(|p| *p.1).map(|p| *p.0).collect();
    (!points.is_empty()).then(|| extent(&points))
}

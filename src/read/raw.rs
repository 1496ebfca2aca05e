//! What a format reader hands on: exactly welded points, facets in the file's own unit, and
//! notes. Here indices and coordinates of all formats meet the same checks.

use crate::mesh::Point;

use super::error::{Fault, Place, Trouble};
use super::weld::PointTable;
use super::{Format, Unit};

/// Coordinates beyond this, in the file's unit, are refused. Too low: a scan placed by a stage
/// or a map grid, in micrometres, is lost (10⁷ seen). Too high: sums of cubes of coordinates
/// lose all digits of an ear's volume.
const FARTHEST: f64 = 1e9;

/// A surface in the file's own unit.
#[derive(Debug)]
pub(super) struct Raw {
    pub points: Vec<Point>,
    pub facets: Vec<[u32; 3]>,
    /// Points as the file lists them, before any weld.
    pub listed: usize,
    pub format: Format,
    /// The unit that the file itself names.
    pub unit: Option<Unit>,
    pub notes: Vec<String>,
}

impl Raw {
    /// From points and facets that name them: checks indices and coordinates, leaves out points
    /// that no facet uses, welds equal ones. File order is kept.
    pub fn from_indexed(
        points: &[Point],
        mut facets: Vec<[u32; 3]>,
        format: Format,
        mut notes: Vec<String>,
    ) -> Result<Self, Fault> {
        let mut used = vec![false; points.len()];
        for (f, corners) in facets.iter().enumerate() {
            for &c in corners {
                let Some(slot) = used.get_mut(c as usize) else {
                    let fact = format!(
                        "names point {c} (counted from 0), but the file holds {}",
                        points.len()
                    );
                    return Err(Fault::at(Trouble::Malformed, Place::Facet(f), fact));
                };
                *slot = true;
            }
            check_finite(f, corners.map(|c| points[c as usize]))?;
        }
        let mut table = PointTable::with_room(points.len());
        let mut names = vec![0; points.len()];
        for ((p, name), used) in points.iter().zip(&mut names).zip(&used) {
            if *used {
                *name = table.index_of(*p)?;
            }
        }
        for corner in facets.iter_mut().flatten() {
            *corner = names[*corner as usize];
        }
        let unused = used.iter().filter(|u| !**u).count();
        if unused > 0 && !facets.is_empty() {
            notes.push(format!("{unused} points that no facet uses were left out"));
        }
        Ok(Self {
            points: table.into_points(),
            facets,
            listed: points.len(),
            format,
            unit: None,
            notes,
        })
    }
}

/// Refuses a facet with a corner that is not a place.
pub(super) fn check_finite(facet: usize, corners: [Point; 3]) -> Result<(), Fault> {
    let fine = |c: &f64| c.abs() <= FARTHEST;
    match corners.iter().flat_map(|p| p.iter()).find(|c| !fine(c)) {
        None => Ok(()),
        Some(bad) => {
            let fact = if bad.is_finite() {
                format!("a coordinate is {bad:e}, farther than {FARTHEST:e} from the origin")
            } else {
                format!("a coordinate is {bad}, not a number that is a place")
            };
            Err(Fault::at(Trouble::NotFinite, Place::Facet(facet), fact))
        }
    }
}

/// Refuses more facets than the cap.
pub(super) fn check_cap(facets: usize, max_facets: usize) -> Result<(), Fault> {
    // Three corners a facet must stay countable in 32 bits.
    const COUNTABLE: usize = u32::MAX as usize / 3;
    let cap = max_facets.min(COUNTABLE);
    if facets <= cap {
        return Ok(());
    }
    let fact = format!("{facets} facets or more, and the cap is {cap}");
    Err(Fault::new(Trouble::TooLarge, fact))
}

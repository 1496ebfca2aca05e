//! Relief advice: what must be trimmed so that the squeeze comes under the limit. Tried, not guessed.
//!
//! The tissue stays as it is (it was seated round the whole body); the body loses material where
//! it squeezes too much, by as much as it does, with a soft slope round about; then the way out is
//! relaxed and replayed for what is left, and so on. Tried for all binding places together, for all
//! but the seal zone, and for every region alone.

use std::collections::BTreeMap;

use crate::mesh::{Point, Vector};
use crate::soundness::Region;
use crate::units::{Measured, Mm, Mm2, Mm3};

use super::body::Body;
use super::replay::Seat;
use super::withdraw::{Grounds, Tried, Withdrawal, again, replayed};
use super::{CannotPull, PullSettings};

/// Rounds of trimming and relaxing. Most trials end before.
const ROUNDS: usize = 10;
/// A trial ends when so many rounds …
const IDLE: usize = 3;
/// … gain less than this, mm: more of the same does not help there.
const GAIN_MM: f64 = 0.01;
/// About so many points lead the way in a trial. With all 50 000 of a usual ear a dozen trials took
/// ten minutes; what is found is replayed with all of them.
const LEADERS: usize = 4000;
/// Regions that are tried alone: those that squeeze most.
const ALONE: usize = 3;
/// Taken off for every mm over the limit: at an edge, material goes off along the diagonal.
const FACTOR: f64 = 1.25;
/// A trial goes on until it is within the limit by this much, mm, since the replay sees closer: with
/// 0.01 made ears were left at 0.51 for a limit of 0.50; every hundredth more is trimmed for nothing.
const WITHIN_MM: f64 = 0.04;
/// Trimmed beyond the limit, mm, so that the next round need not trim a hundredth.
const BEYOND_MM: f64 = 0.08;
/// How fast the trimming runs out around a place, mm per mm: a step would leave an edge.
const SLOPE: f64 = 0.5;

/// One region's share of a trimming.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trim {
    /// Where.
    pub region: Region,
    /// Deepest material taken off, square to the surface.
    pub deepest: Mm,
    /// Where that is.
    pub at: Point,
    /// Surface that is trimmed at all.
    pub area: Mm2,
    /// Material taken off (depth times area).
    pub volume: Mm3,
}

/// A trimming that was tried, and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Relief {
    /// What is trimmed, most material first.
    pub trims: Vec<Trim>,
    /// Squeeze of the trimmed body on its way out (an upper bound, like the first).
    pub squeeze_mm: Measured,
    /// That is within the limit.
    pub enough: bool,
}

impl Relief {
    /// Material goes where the piece seals: it will leak there until it is built up again.
    #[must_use]
    pub fn trims_seal(&self) -> bool {
        self.trims.iter().any(|t| t.region == Region::SealZone)
    }

    fn volume(&self) -> f64 {
        self.trims.iter().map(|t| t.volume.value()).sum()
    }
}

/// Tries trimmings that bring the squeeze of `way` to the limit of the settings. The first of the
/// answer is the best: enough, if it can be without trimming the seal zone, and with the least
/// material; or else the least squeeze. Empty where the
/// way is within the limit already.
///
/// # Errors
/// [`CannotPull`] where nothing is seated.
pub fn relief(
    body: &Body,
    way: &Withdrawal,
    region_of: &(dyn Fn(&Point) -> Region + Sync),
    settings: &PullSettings,
) -> Result<Vec<Relief>, CannotPull> {
    if way.squeeze_mm.value <= settings.limit_mm {
        return Ok(Vec::new());
    }
    let grounds = Grounds::new(body).ok_or(CannotPull::LeadsIn)?;
    let seat = body.seat();
    let regions: Vec<Region> = seat.iter().map(|(_, p)| region_of(p)).collect();
    let trial = Trial::new(&grounds, &seat, &regions, settings);
    let (all, touched) = trial.run(way, &|_| true);
    let mut tried = vec![all];
    // What is trimmed where it seals, leaks: tried without it too.
    if touched.contains(&Region::SealZone) && touched.len() > 1 {
        tried.push(trial.run(way, &|r| r != Region::SealZone).0);
    }
    if touched.len() > 1 {
        for region in touched.into_iter().take(ALONE) {
            tried.push(trial.run(way, &|r| r == region).0);
        }
    }
    tried.sort_by(|a, b| {
        let rest = |r: &Relief| if r.enough { 0.0 } else { r.squeeze_mm.value };
        rest(a)
            .total_cmp(&rest(b))
            .then(a.trims_seal().cmp(&b.trims_seal()))
            .then(a.volume().total_cmp(&b.volume()))
    });
    Ok(tried)
}

/// Where a trial may trim.
type May<'f> = &'f dyn Fn(Region) -> bool;

/// What all trials have in common.
struct Trial<'a> {
    grounds: &'a Grounds<'a>,
    seat: &'a Seat,
    regions: &'a [Region],
    settings: &'a PullSettings,
    normals: Vec<Vector>,
    /// Surface around each point of the body, mm².
    around: Vec<f64>,
    /// Place in the seat of each point of the body.
    seated: Vec<Option<u32>>,
}

impl<'a> Trial<'a> {
    fn new(
        grounds: &'a Grounds,
        seat: &'a Seat,
        regions: &'a [Region],
        settings: &'a PullSettings,
    ) -> Self {
        let mesh = &grounds.body.mesh;
        let mut around = vec![0.0; mesh.points().len()];
        for (f, corners) in mesh.facets().iter().enumerate() {
            if !grounds.body.lid[f] {
                let third = mesh.area_vector(f).norm() / 6.0;
                corners.iter().for_each(|&c| around[c as usize] += third);
            }
        }
        let mut seated = vec![None; mesh.points().len()];
        for (k, (of, _)) in seat.iter().enumerate() {
            seated[*of as usize] = Some(k as u32);
        }
        Self {
            grounds,
            seat,
            regions,
            settings,
            normals: mesh.point_normals(),
            around,
            seated,
        }
    }

    /// Trims, where `may` allows it, until the way is within the limit. Also tells which regions
    /// squeezed too much.
    fn run(&self, way: &Withdrawal, may: May) -> (Relief, Vec<Region>) {
        let mut depth = vec![0.0; self.grounds.body.mesh.points().len()];
        let mut touched = Vec::new();
        let mut idle = 0;
        let mut now = Tried {
            poses: way.poses.clone(),
            at_body: way.at_body.clone(),
            squeeze_mm: way.squeeze_mm.value,
        };
        let few = self.seat.len().div_ceil(LEADERS).max(1);
        for _ in 0..ROUNDS {
            let worst = self.deepen(&now.at_body, may, &mut depth, &mut touched);
            if !worst {
                break;
            }
            self.slope_out(&mut depth, may);
            let trimmed = self.trimmed(&depth);
            let leaders: Seat = trimmed.iter().step_by(few).copied().collect();
            let next = again(self.grounds, &leaders, &trimmed, &now.poses);
            idle = if next.squeeze_mm < now.squeeze_mm - GAIN_MM {
                0
            } else {
                idle + 1
            };
            now = next;
            if now.squeeze_mm <= self.settings.limit_mm - WITHIN_MM || idle == IDLE {
                break;
            }
        }
        // What the trial says of itself does not count: the trimmed body is replayed.
        let squeeze_mm = replayed(
            self.grounds,
            &self.trimmed(&depth),
            &now.poses,
            self.settings,
        )
        .unwrap_or(way.squeeze_mm);
        let relief = Relief {
            trims: self.told(&depth),
            enough: squeeze_mm.value <= self.settings.limit_mm,
            squeeze_mm,
        };
        (relief, touched)
    }

    /// Takes off what is over the limit; false when nothing is.
    fn deepen(
        &self,
        at_body: &[f64],
        may: May,
        depth: &mut [f64],
        touched: &mut Vec<Region>,
    ) -> bool {
        let mut any = false;
        for ((of, _), region) in self.seat.iter().zip(self.regions) {
            let over = at_body[*of as usize] - (self.settings.limit_mm - WITHIN_MM);
            if over > 0.0 && may(*region) {
                depth[*of as usize] += FACTOR * over + BEYOND_MM;
                any = true;
                if !touched.contains(region) {
                    touched.push(*region);
                }
            }
        }
        any
    }

    /// Lets the trimming run out over the surface, along its edges.
    fn slope_out(&self, depth: &mut [f64], allowed: May) {
        let mesh = &self.grounds.body.mesh;
        let may = |i: u32| {
            let k = self.seated[i as usize];
            k.is_some_and(|k| allowed(self.regions[k as usize]))
        };
        let mut changed = true;
        while changed {
            changed = false;
            for corners in mesh.facets() {
                for e in 0..6 {
                    let (a, b) = (corners[e % 3], corners[(e % 3 + 1 + e / 3) % 3]);
                    let run = (mesh.points()[a as usize] - mesh.points()[b as usize]).norm();
                    let least = depth[a as usize] - SLOPE * run;
                    if least > depth[b as usize] + 1e-6 && may(b) {
                        depth[b as usize] = least;
                        changed = true;
                    }
                }
            }
        }
    }

    /// The seat of the trimmed body. A point whose inward offset is no deeper than that in the body
    /// is gone: there the trimming met itself from the other side.
    fn trimmed(&self, depth: &[f64]) -> Seat {
        let fine = &self.grounds.fine;
        self.seat
            .iter()
            .filter_map(|(of, p)| {
                let d = depth[*of as usize];
                if d == 0.0 {
                    return Some((*of, *p));
                }
                let inner = p - self.normals[*of as usize] * d;
                let under = -fine.depth(&(fine.into * inner).coords);
                (under > 0.7 * d - 0.05).then_some((*of, inner))
            })
            .collect()
    }

    fn told(&self, depth: &[f64]) -> Vec<Trim> {
        let mut by_region: BTreeMap<u8, Trim> = BTreeMap::new();
        for ((of, p), region) in self.seat.iter().zip(self.regions) {
            let d = depth[*of as usize];
            if d <= 0.0 {
                continue;
            }
            let area = self.around[*of as usize];
            let trim = by_region.entry(*region as u8).or_insert(Trim {
                region: *region,
                deepest: Mm(0.0),
                at: *p,
                area: Mm2(0.0),
                volume: Mm3(0.0),
            });
            if d > trim.deepest.value() {
                (trim.deepest, trim.at) = (Mm(d), *p);
            }
            trim.area = Mm2(trim.area.value() + area);
            trim.volume = Mm3(trim.volume.value() + area * d);
        }
        let mut out: Vec<Trim> = by_region.into_values().collect();
        out.sort_by(|a, b| b.volume.value().total_cmp(&a.volume.value()));
        out
    }
}

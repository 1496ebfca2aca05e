//! From an impression and a plan to a shell: the order of the work, and what could not be done.

use crate::canal::Canal;
use crate::field::{ContourError, HalfSpace, Implicit, Overlap, SignedDistance, Surface, surface};
use crate::mesh::{Mesh, Point, Topology};
use crate::soundness::Soundness;
use crate::units::Mm;

use super::bores::{self, MadeBore};
use super::cavity::{Room, drawn_out};
use super::faceplate::{self, Plane};
use super::outer::{Across, Straight, reach};
use super::plan::{BuildUp, Lid, Past, Plan};
use super::rim::Rim;
use super::slivers::close_slivers;
use super::solids::{Solid, pieces, subset};
use super::told::{Caution, ShellError};
use super::track::Track;
use super::trimmed::Trimmed;
use super::zones::{Amounts, Moved};

/// An impression with what was measured on it.
#[derive(Clone, Copy)]
pub struct Impression<'a> {
    /// The scan, mm.
    pub mesh: &'a Mesh,
    /// Its neighbourhoods.
    pub topology: &'a Topology,
    /// What is wrong with its surface.
    pub soundness: &'a Soundness,
    /// Its canal.
    pub canal: &'a Canal,
}

/// A shell as made. All meshes are closed, facets outward, in the pose of the scan.
#[derive(Debug, Clone)]
pub struct Shell {
    /// The outer surface: built up and trimmed, with nothing taken out.
    pub outer: Mesh,
    /// The room inside, closed where it meets the faceplate's underside or plane; bores are not
    /// part of it. `None` where the walls leave none.
    pub cavity: Option<Mesh>,
    /// The printable part: outer surface less cavity, bores, vent, and the opening.
    pub solid: Mesh,
    /// The faceplate's plane (its outer side).
    pub faceplate: Plane,
    /// Its height over the middle of the aperture, mm.
    pub faceplate_height_mm: f64,
    /// Area of the outer surface in the plane, mm².
    pub faceplate_area_mm2: f64,
    /// How sharp the outer surface is where it meets that plane.
    pub rim: Rim,
    /// Where the finished canal ends: arc position from the aperture, mm.
    pub canal_end_mm: f64,
    /// How far in the cavity reaches: arc position from the aperture, mm; from there the canal is
    /// solid. `None` without a cavity, or where it does not reach the axis.
    pub canal_open_to_mm: Option<f64>,
    /// Volume within the outer surface, mm³.
    pub outer_volume_mm3: f64,
    /// Volume of the cavity, mm³; 0 without one.
    pub cavity_volume_mm3: f64,
    /// Volume of material, mm³.
    pub material_mm3: f64,
    /// Bores and vent.
    pub bores: Vec<MadeBore>,
    /// What is as it is for a reason that ought to be known.
    pub cautions: Vec<Caution>,
}

/// How far over an open faceplate's plane the cavity is drawn before it is cut level, mm: more than
/// a facet, so that its rounded end is cut off whole.
const OVER_MM: f64 = 1.0;
/// A cut nearer than this to the tip would leave a sliver of dome, mm.
const LEAST_CUT_OFF_MM: f64 = 0.1;
/// Less canal than this is none, mm.
const LEAST_CANAL_MM: f64 = 1.0;
/// Rooms smaller than this that the walls leave beside the cavity are not worth a word, mm³.
const SPECK_MM3: f64 = 0.5;

/// Makes a shell. Lengths in mm; the pose stays that of the scan.
///
/// # Errors
/// [`ShellError`] where the plan asks for something that the scan does not tell (a second bend that
/// was not found, an outer face), or that cannot be made of it.
pub fn build(scan: &Impression, plan: &Plan) -> Result<Shell, ShellError> {
    build_beside(scan, plan, |_, _| ()).map(|(shell, ())| shell)
}

/// Makes a shell, and beside it asks `also` something of its outer surface and the faceplate's plane.
///
/// Putting solids together leaves all processors but one idle; whatever needs the outer surface alone
/// fits in there.
///
/// # Errors
/// [`ShellError`], as [`build`].
pub fn build_beside<T: Send>(
    scan: &Impression,
    plan: &Plan,
    also: impl FnOnce(&Mesh, &Plane) -> T + Send,
) -> Result<(Shell, T), ShellError> {
    plan.check()?;
    let canal = scan.canal;
    if !canal.aperture_reached {
        return Err(ShellError::NoAperture);
    }
    let track = Track::new(canal).ok_or(ShellError::NoAxis)?;
    let mut cautions = told_by_bends(canal, &plan.build_up)?;
    let end = canal_end(canal, plan)?;
    let own = Own::of(scan);
    let plate = faceplate::plane(&plan.faceplate, scan, own.mesh())?;
    let field = own.field();
    cautions.extend(left_out_or_closed(scan, plan, end));

    let maker = Maker {
        plan,
        canal,
        track,
        end,
        found: plate,
        plate: plate.moved(plan.faceplate.raise_mm),
    };
    maker.shell(own.mesh(), &field, cautions, also)
}

/// The piece of a scan that holds the canal: what is made is made of it alone.
pub(super) enum Own<'a> {
    Whole(&'a Impression<'a>),
    Part(Mesh, Topology, &'a Soundness),
}

impl<'a> Own<'a> {
    pub fn of(scan: &'a Impression<'a>) -> Self {
        if scan.soundness.parts < 2 {
            return Self::Whole(scan);
        }
        let mesh = subset(scan.mesh, |f| {
            scan.soundness.part_of_facet.get(f) == Some(&scan.canal.part)
        });
        let topology = Topology::new(&mesh);
        Self::Part(mesh, topology, scan.soundness)
    }

    pub fn mesh(&self) -> &Mesh {
        match self {
            Self::Whole(scan) => scan.mesh,
            Self::Part(mesh, ..) => mesh,
        }
    }

    pub fn field(&self) -> SignedDistance {
        match self {
            Self::Whole(scan) => SignedDistance::for_scan(scan.mesh, scan.topology, scan.soundness),
            Self::Part(mesh, topology, sound) => SignedDistance::for_scan(mesh, topology, sound),
        }
    }
}

/// What the build-up needs of the bends.
///
/// # Errors
/// [`ShellError`] where amounts differ at a bend that was not found, or above a line that cannot be told.
pub(crate) fn told_by_bends(canal: &Canal, b: &BuildUp) -> Result<Vec<Caution>, ShellError> {
    let mut out = Vec::new();
    let first_matters = b.seal_zone_mm != b.between_bends_mm;
    let second_matters = b.between_bends_mm != b.past_second_bend_mm;
    if canal.bends.is_empty() && (first_matters || second_matters) {
        return Err(ShellError::NoBend {
            past: Past::FirstBend,
        });
    }
    if canal.bends.len() == 1 && second_matters {
        out.push(Caution::OneBend);
    }
    if !canal.bends_sure && (first_matters || second_matters) {
        out.push(Caution::BendsUnsure);
    }
    if b.concha_mm != b.cymba_mm && canal.frame.is_none() {
        return Err(ShellError::NoFrame);
    }
    Ok(out)
}

fn canal_end(canal: &Canal, plan: &Plan) -> Result<f64, ShellError> {
    let length_mm = canal.length_mm.value;
    let Some(cut) = plan.cut else {
        return Ok(length_mm + plan.build_up.tip_mm + plan.finishing_stock_mm);
    };
    let from = match cut.past {
        Past::Aperture => 0.0,
        past => {
            if !canal.bends_sure {
                return Err(ShellError::BendsUnsure { past });
            }
            let k = usize::from(past == Past::SecondBend);
            let bend = canal.bends.get(k).ok_or(ShellError::NoBend { past })?;
            bend.at_mm.value
        }
    };
    let at_mm = from + cut.by_mm;
    if at_mm > length_mm - LEAST_CUT_OFF_MM {
        return Err(ShellError::CutBeyondTip { at_mm, length_mm });
    }
    if at_mm < LEAST_CANAL_MM {
        return Err(ShellError::CutOutside { at_mm });
    }
    Ok(at_mm + plan.finishing_stock_mm)
}

/// What of the scan was left out or closed: the base does not count, the faceplate cuts it off.
fn left_out_or_closed(scan: &Impression, plan: &Plan, end: f64) -> Vec<Caution> {
    let mut out = Vec::new();
    if scan.soundness.parts > 1 {
        out.push(Caution::PartsLeftOut {
            count: scan.soundness.parts - 1,
        });
    }
    let holes: Vec<f64> = scan
        .soundness
        .holes
        .iter()
        .filter(|h| !h.base)
        .map(|h| h.area_mm2)
        .collect();
    if !holes.is_empty() {
        out.push(Caution::ClosedOpenings {
            count: holes.len(),
            area_mm2: holes.iter().sum(),
        });
    }
    if scan.canal.tip_open && (plan.cut.is_none() || end > scan.canal.tip_zone_mm) {
        out.push(Caution::TipOpen);
    }
    out
}

type Cut = (Option<Mesh>, Vec<MadeBore>, Vec<Caution>);

struct Maker<'a> {
    plan: &'a Plan,
    canal: &'a Canal,
    track: Track,
    end: f64,
    found: Plane,
    plate: Plane,
}

impl Maker<'_> {
    fn shell<T: Send>(
        &self,
        scan: &Mesh,
        field: &SignedDistance,
        mut cautions: Vec<Caution>,
        also: impl FnOnce(&Mesh, &Plane) -> T + Send,
    ) -> Result<(Shell, T), ShellError> {
        let by = Amounts::build_up(
            &self.plan.build_up,
            self.plan.finishing_stock_mm,
            self.canal,
            &self.track,
            self.end,
            scan,
        );
        let moved = Moved {
            field,
            by: &by,
            sign: 1.0,
        };
        let outer = self.outer(&moved, &mut cautions)?;

        let walls = &self.plan.walls;
        let stock = self.plan.finishing_stock_mm;
        let most = walls.body_mm.max(walls.canal_mm) + stock;
        let (open, faceplate_area_mm2) = drawn_out(&outer, &self.plate, most + OVER_MM + 0.5);
        if faceplate_area_mm2 == 0.0 {
            return Err(ShellError::FaceplateMisses {
                height_mm: self.height(&self.plate.point),
            });
        }
        let (body, canal) = (walls.body_mm + stock, walls.canal_mm + stock);
        // The library numbers its solids, and facets come out in that order: the outer surface is always first.
        let (whole, (inner_field, depth)) = rayon::join(
            || Solid::new(&outer, "the outer surface"),
            || {
                rayon::join(
                    || SignedDistance::new(&open, &Topology::new(&open)),
                    || Amounts::walls(body, canal, walls.joint_at_mm, &self.track, &outer),
                )
            },
        );
        let whole = whole?;
        let under = match self.plan.faceplate.lid {
            Lid::Open => self.plate.moved(OVER_MM),
            Lid::Closed { thickness_mm } => self.plate.moved(-thickness_mm),
        };
        let solid_tip = (walls.solid_tip_mm > 0.0)
            .then(|| {
                let at = self.end - walls.solid_tip_mm;
                Across::new(&self.track, at, reach(self.canal, at) + 1.0)
            })
            .flatten();
        let room = Room::new(&inner_field, &depth, &under, solid_tip.as_ref()).ok_or(
            ShellError::NoDirection {
                what: "faceplate.facing",
            },
        )?;
        let room = room.solid();
        let cavity = self.cavity(&room, &mut cautions)?;
        // Putting solids together leaves the other processors idle, so it runs side by side.
        let (cuts, also) = rayon::join(
            || {
                let taken = cavity.as_ref().map(|c| Solid::new(c, "the cavity"));
                let taken = taken.transpose()?;
                let (level, cut) = rayon::join(
                    || self.level(taken.as_ref()),
                    || self.cut(&whole, taken.as_ref(), &room, &moved, cavity.as_ref()),
                );
                Ok::<_, ShellError>((level?, cut?))
            },
            || also(&outer, &self.plate),
        );
        let (level, (solid, bores, more)) = cuts?;
        cautions.extend(more);
        let level = level.or(cavity);
        let solid = solid.unwrap_or_else(|| outer.clone());
        let shell = Shell {
            faceplate: self.plate,
            faceplate_height_mm: self.height(&self.plate.point),
            faceplate_area_mm2,
            rim: Rim::new(&outer, &self.plate),
            canal_end_mm: self.end,
            canal_open_to_mm: level.as_ref().and_then(|c| self.open_to(c)),
            outer_volume_mm3: outer.signed_volume_mm3(),
            cavity_volume_mm3: level.as_ref().map_or(0.0, Mesh::signed_volume_mm3),
            material_mm3: solid.signed_volume_mm3(),
            outer,
            cavity: level,
            solid,
            bores,
            cautions,
        };
        Ok((shell, also))
    }

    /// The cavity as reported, where that is not as it was drawn: level with an open faceplate.
    fn level(&self, cavity: Option<&Solid>) -> Result<Option<Mesh>, ShellError> {
        let open = self.plan.faceplate.lid == Lid::Open;
        let cut = cavity.filter(|_| open).map(|room| {
            let level = room.below(&self.plate, "the cavity")?;
            Ok(level.mesh())
        });
        cut.transpose()
    }

    /// The outer surface less the cavity and all bores; `None` where nothing is taken out.
    fn cut(
        &self,
        whole: &Solid,
        taken: Option<&Solid>,
        room: &dyn Implicit,
        outer: &Moved,
        cavity: Option<&Mesh>,
    ) -> Result<Cut, ShellError> {
        let mut cautions = Vec::new();
        let bores = self.bores(room, outer, cavity, &mut cautions)?;
        let tubes = tubes(&bores)?;
        let both = match (taken, &tubes) {
            (Some(room), Some(tubes)) => Some(room.with(tubes, "the cavity")?),
            _ => None,
        };
        let hollow = both.as_ref().or(taken).or(tubes.as_ref());
        let solid = match hollow {
            Some(hollow) => Some(whole.without(hollow, "the shell")?.mesh()),
            None => None,
        };
        Ok((solid, bores, cautions))
    }

    fn height(&self, p: &Point) -> f64 {
        (p - self.canal.aperture.centre).dot(&self.plate.outward)
    }

    fn outer(&self, moved: &Moved, cautions: &mut Vec<Caution>) -> Result<Mesh, ShellError> {
        let plan = self.plan;
        let raise = plan.faceplate.raise_mm;
        let straight = Straight {
            solid: moved,
            above: self.found,
            by_mm: raise,
        };
        let drawn_out = raise > 0.0 && plan.faceplate.height_mm.is_none();
        if drawn_out {
            cautions.push(Caution::DrawnOut { by_mm: raise });
        }
        let across = plan.cut.and_then(|cut| {
            let across = Across::new(&self.track, self.end, reach(self.canal, self.end) + 1.0);
            across.map(|a| (a, cut.round_mm))
        });
        let mut planes = Vec::new();
        planes.push(half_space(&self.plate, "faceplate.facing")?);
        for p in &plan.planes {
            let plane = Plane {
                point: p.point,
                outward: p.outward,
            };
            planes.push(half_space(&plane, "plane.outward")?);
        }
        let cuts: Vec<&dyn Implicit> = planes.iter().map(|p| p as &dyn Implicit).collect();
        let across = across.as_ref().map(|(a, r)| (a as &dyn Implicit, *r));
        let mesh = if drawn_out {
            let parts = std::iter::once(&straight as &dyn Implicit);
            let edge = across.map_or(0.0, |(_, r)| r);
            let parts = parts.chain(across.map(|(a, _)| a)).collect();
            let rounded = Overlap::rounded(parts, Mm(edge));
            let all = std::iter::once(&rounded as &dyn Implicit).chain(cuts);
            self.draw(&Overlap::sharp(all.collect()), "outer surface", cautions)?
        } else {
            let trimmed = Trimmed {
                moved,
                rounded: across,
                cuts,
            };
            self.draw(&trimmed, "outer surface", cautions)?
        };
        let mesh = mesh.ok_or(ShellError::Drawing {
            what: "outer surface",
            why: ContourError::Empty,
        })?;
        let mut all = pieces(&mesh);
        if all.len() > 1 {
            cautions.push(Caution::PiecesLeftOut {
                count: all.len() - 1,
                volume_mm3: all[1..].iter().map(|p| p.0).sum(),
            });
        }
        Ok(all.swap_remove(0).1)
    }

    /// The room, one piece; for an open faceplate it reaches over the plane.
    fn cavity(
        &self,
        room: &dyn Implicit,
        cautions: &mut Vec<Caution>,
    ) -> Result<Option<Mesh>, ShellError> {
        let Some(mesh) = self.draw(room, "cavity", cautions)? else {
            cautions.push(Caution::NoCavity);
            return Ok(None);
        };
        let mut all = pieces(&mesh);
        let rest: Vec<f64> = all[1..]
            .iter()
            .map(|p| p.0)
            .filter(|v| *v > SPECK_MM3)
            .collect();
        if !rest.is_empty() {
            cautions.push(Caution::RoomsLeftSolid {
                count: rest.len(),
                volume_mm3: rest.iter().sum(),
            });
        }
        Ok(Some(all.swap_remove(0).1))
    }

    /// `None` where nothing lies inside.
    fn draw(
        &self,
        solid: &dyn Implicit,
        what: &'static str,
        cautions: &mut Vec<Caution>,
    ) -> Result<Option<Mesh>, ShellError> {
        match surface(solid, self.plan.facet_mm) {
            Ok(drawn) => {
                cautions.extend(roughness(&drawn, what));
                Ok(Some(close_slivers(drawn.mesh)))
            }
            Err(ContourError::Empty) => Ok(None),
            Err(why) => Err(ShellError::Drawing { what, why }),
        }
    }

    fn bores(
        &self,
        room: &dyn Implicit,
        outer: &Moved,
        cavity: Option<&Mesh>,
        cautions: &mut Vec<Caution>,
    ) -> Result<Vec<MadeBore>, ShellError> {
        let tip = self.track.at(self.end - 0.5).0;
        let built_up = outer.by.at(&tip).0;
        let (mut bores, more) =
            bores::bores(self.plan, self.canal, &self.track, self.end, room, built_up)?;
        cautions.extend(more);
        let cut = half_space(
            &Plane {
                point: self.track.at(self.end).0,
                outward: self.track.at(self.end).1,
            },
            "cut",
        )?;
        let material = Overlap::sharp(vec![outer, &cut]);
        for bore in &mut bores {
            bores::mark_material(bore, room, &material);
            bores::mark_wall(bore, outer, self.plan.cut.is_some());
        }
        if let (Some(d), Lid::Closed { thickness_mm }) =
            (self.plan.vent_mm, self.plan.faceplate.lid)
        {
            let hole =
                cavity.and_then(|c| bores::vent_outside(d, &self.plate, thickness_mm, c, room));
            match hole {
                Some(hole) => bores.push(hole),
                None => cautions.push(Caution::NoPlaceForVent),
            }
        }
        Ok(bores)
    }

    /// The innermost arc position of the cavity on the canal.
    fn open_to(&self, cavity: &Mesh) -> Option<f64> {
        let on_canal = cavity.points().iter().filter_map(|p| {
            let (at, aside) = self.track.nearest(p);
            (aside < self.track.reach_mm).then_some(at)
        });
        on_canal.max_by(f64::total_cmp)
    }
}

fn half_space(plane: &Plane, what: &'static str) -> Result<HalfSpace, ShellError> {
    HalfSpace::new(plane.point, &plane.outward).ok_or(ShellError::NoDirection { what })
}

fn roughness(drawn: &Surface, what: &'static str) -> Option<Caution> {
    let places = drawn.folded + drawn.crossing + drawn.unsettled.len();
    (places > 0).then(|| Caution::RoughDrawing {
        what,
        places,
        point: drawn
            .unsettled
            .first()
            .map(|u| u.1)
            .or_else(|| drawn.given_up.first().copied()),
    })
}

/// The bores as one solid.
fn tubes(bores: &[MadeBore]) -> Result<Option<Solid>, ShellError> {
    let mut all: Option<Solid> = None;
    for tube in bores.iter().filter_map(bores::cutter) {
        let tube = Solid::new(&tube, "a bore")?;
        all = Some(match all {
            None => tube,
            Some(all) => all.with(&tube, "the bores")?,
        });
    }
    Ok(all)
}

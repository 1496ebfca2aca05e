//! The room that `fit` places parts in: a cavity as given, or that of a shell made of a scan with
//! the options of `shell`. A scan can be made into other shells, so that what would help is tried.

use std::path::Path;
use std::time::Instant;

use crate::canal::{self, Canal};
use crate::checks::shell::ScanSays;
use crate::checks::{Facts, Verdict, number};
use crate::intake::named_side;
use crate::limits::{Limits, rows};
use crate::mesh::{Mesh, MeshQueries, Topology};
use crate::read::{ReadOptions, Scan, Unit, read_file};
use crate::report::{FileUsed, PlanReport, plan_report, shown};
use crate::shell::{Impression, Lid, Material, Plan, Shell, build};
use crate::soundness::{self, Soundness};
use crate::stack::{Cavity, Faceplate, Remake, ShellChange, axis_end};
use crate::units::Mm;

use super::Failure;
use super::args::{Fit, Shape};
use super::shell::plan_of;

/// The cavity, and whom it came from.
pub(super) struct Room {
    pub cavity: Cavity,
    /// What vetting said of the scan it was made on, where that is not to design on it.
    pub scan_verdict: Option<String>,
    /// What ought to be known of it.
    pub notes: Vec<String>,
    /// Path and SHA-256 of the mesh it came from.
    pub input: FileUsed,
    /// How long its shell took to make, seconds.
    pub made_in_s: f64,
    maker: Option<Maker>,
}

impl Room {
    /// The canal of the scan that the cavity was made of.
    pub(super) fn canal(&self) -> Option<&Canal> {
        self.maker.as_ref().map(|m| &m.canal)
    }
}

/// A scan that was measured and vetted, and the plan that its shell is to be made by.
pub(super) struct Measured {
    maker: Maker,
    name: String,
    input: FileUsed,
}

impl Measured {
    pub(super) fn read(
        shape: &Shape,
        limits: Limits,
        unit: Option<Unit>,
        path: &Path,
    ) -> Result<Self, Failure> {
        let plan = plan_of(shape, &limits)?;
        plan.check()
            .map_err(|e| Failure::new(e.to_string(), "mend that option"))?;
        let options = ReadOptions {
            unit,
            ..ReadOptions::default()
        };
        let scan = read_file(path, &options)?;
        let input = used(path, &scan);
        let name = shown(&path.to_string_lossy());
        let maker = Maker::measure(scan, plan, limits)
            .map_err(|why| Failure::new(format!("{name}: cannot tell: {why}"), SEE_VET))?;
        Ok(Self { maker, name, input })
    }

    /// The scan's verdict, and that in the words of `vet`.
    pub(super) fn vetted(&self) -> (Verdict, String) {
        (self.maker.vetted.verdict, self.maker.vetted.words())
    }

    /// The cavity of the shell that is made of it.
    pub(super) fn room(self) -> Result<Room, Failure> {
        let Self { maker, name, input } = self;
        let began = Instant::now();
        let shell = build(&maker.impression(), &maker.plan)
            .map_err(|e| Failure::new(format!("{name}: cannot tell or make: {e}"), e.help()))?;
        let cavity = maker.cavity(&shell).map_err(|why| {
            Failure::new(
                format!("{name}: {why}"),
                "make the wall thinner, or raise the faceplate",
            )
        })?;
        Ok(Room {
            cavity,
            scan_verdict: maker.scan_verdict(),
            notes: notes(&shell),
            input,
            made_in_s: began.elapsed().as_secs_f64(),
            maker: Some(maker),
        })
    }
}

fn used(path: &Path, scan: &Scan) -> FileUsed {
    FileUsed {
        path: path.to_string_lossy().into_owned(),
        sha256: scan.sha256.clone(),
    }
}

/// A measured scan, and the plan that its shell was made by.
struct Maker {
    /// A placement in the shell of a bad impression is no good one.
    vetted: ScanSays,
    mesh: Mesh,
    topology: Topology,
    soundness: Soundness,
    canal: Canal,
    plan: Plan,
    limits: Limits,
}

impl Room {
    pub(super) fn read(args: &Fit) -> Result<Self, Failure> {
        match (&args.scan, &args.cavity) {
            (Some(path), _) => Self::of_scan(args, path),
            (None, Some(path)) => Self::given(args, path),
            // The command line asks for one of the two.
            (None, None) => Err(Failure::new(
                "neither a scan nor a cavity was given",
                "name a scan, or a cavity with `--cavity`",
            )),
        }
    }

    fn given(args: &Fit, path: &Path) -> Result<Self, Failure> {
        if args.shape != Shape::default() {
            return Err(Failure::new(
                "a cavity is taken as it is: how a shell is to be made belongs to a scan",
                "leave those options out, or name a scan instead of `--cavity`",
            ));
        }
        let options = ReadOptions {
            // The stack file is in mm; a cavity that names no unit goes with it.
            unit: Some(args.unit.map_or(Unit::Mm, Into::into)),
            ..ReadOptions::default()
        };
        let scan = read_file(path, &options)?;
        let input = used(path, &scan);
        let cavity = Cavity::new(scan.mesh)
            .map_err(|e| Failure::new(format!("{}: {e}", path.display()), e.help()))?;
        Ok(Self {
            cavity,
            scan_verdict: None,
            notes: Vec::new(),
            input,
            made_in_s: 0.0,
            maker: None,
        })
    }

    fn of_scan(args: &Fit, path: &Path) -> Result<Self, Failure> {
        let limits = args
            .limits
            .as_deref()
            .map_or_else(|| Ok(Limits::default()), Limits::read)?;
        Measured::read(&args.shape, limits, args.unit.map(Into::into), path)?.room()
    }

    /// What the shell was made by, where the room is that of a shell.
    pub(super) fn plan(&self) -> Option<PlanReport> {
        self.maker.as_ref().map(|m| plan_report(&m.plan))
    }

    /// Changed shells, where the room is that of a shell.
    pub(super) fn remake(&self) -> Option<&dyn Remake> {
        self.maker.as_ref().map(|m| m as &dyn Remake)
    }
}

impl Remake for Maker {
    fn allows(&self, change: ShellChange) -> bool {
        self.changed(change).is_some()
    }

    fn room(&self, change: ShellChange) -> Option<Cavity> {
        let shell = build(&self.impression(), &self.changed(change)?).ok()?;
        self.cavity(&shell).ok()
    }
}

/// What a thinner wall keeps over its limit, mm: on the limit a wall could not be told to hold it, for the ± of
/// its measure (0.02 to 0.03).
const OVER_LIMIT_MM: f64 = 0.05;

const SEE_VET: &str = "see what `secondbend vet` says of the scan";

impl Maker {
    fn measure(scan: Scan, plan: Plan, limits: Limits) -> Result<Self, String> {
        if scan.unit.is_none() {
            return Err("the unit of length is unknown (say it with `--unit`)".to_owned());
        }
        let topology = Topology::new(&scan.mesh);
        let (soundness, found) = {
            let queries = MeshQueries::new(&scan.mesh);
            let first = soundness::inspect(&scan.mesh, &topology, &queries);
            canal::with_its_piece(&scan.mesh, &topology, &queries, first)
        };
        let vetted = ScanSays::of(
            &Facts::new(&scan, &soundness, &found, None).with_named(named_side(&scan.path)),
            &limits,
        );
        let canal = found.map_err(|why| format!("no canal was measured: {why}"))?;
        Ok(Self {
            vetted,
            mesh: scan.mesh,
            topology,
            soundness,
            canal,
            plan,
            limits,
        })
    }

    fn impression(&self) -> Impression<'_> {
        Impression {
            mesh: &self.mesh,
            topology: &self.topology,
            soundness: &self.soundness,
            canal: &self.canal,
        }
    }

    fn cavity(&self, shell: &Shell) -> Result<Cavity, String> {
        let mesh = shell
            .cavity
            .clone()
            .ok_or("there is no cavity: the walls leave no room")?;
        let lid_mm = match self.plan.faceplate.lid {
            Lid::Closed { thickness_mm } => thickness_mm,
            Lid::Open => 0.0,
        };
        let plane = shell.faceplate;
        let underside = Faceplate {
            point: plane.point - plane.outward * lid_mm,
            outward: plane.outward,
        };
        let cavity = Cavity::new(mesh)
            .map_err(|e| e.to_string())?
            .with_faceplate(underside);
        let open_to_mm = shell.canal_open_to_mm;
        Ok(
            match open_to_mm.and_then(|mm| axis_end(&self.canal.axis, mm)) {
                Some(tip) => cavity.with_tip(tip),
                None => cavity,
            },
        )
    }

    fn scan_verdict(&self) -> Option<String> {
        (self.vetted.verdict != Verdict::Design).then(|| self.vetted.words())
    }

    /// The plan with a change, no wall under its limit; `None` where that cannot be.
    fn changed(&self, change: ShellChange) -> Option<Plan> {
        let mut plan = self.plan.clone();
        match change {
            ShellChange::RaiseFaceplate(by) => plan.faceplate.raise_mm += by.0,
            ShellChange::ThinWall(by) => thin(&mut plan, by, &self.limits)?,
            ShellChange::ShortenCanal(by) => {
                let cut = plan.cut.as_mut()?;
                cut.by_mm -= by.0;
            }
        }
        plan.check().ok()?;
        Some(plan)
    }
}

/// Every wall thinner by so much, none under its limit; `None` where none would be thinner by all of it.
fn thin(plan: &mut Plan, by: Mm, limits: &Limits) -> Option<()> {
    let canal = match plan.walls.canal {
        Material::Hard => &rows::WALL_CANAL,
        Material::Soft => &rows::WALL_SOFT_CANAL,
    };
    let least = |limit| limits.number(limit) + OVER_LIMIT_MM;
    let (body, canal) = (least(&rows::WALL_BODY), least(canal));
    let walls = &mut plan.walls;
    if walls.body_mm - by.0 < body && walls.canal_mm - by.0 < canal {
        return None;
    }
    let thinner = |mm: f64, least: f64| (mm - by.0).max(least).min(mm);
    walls.body_mm = thinner(walls.body_mm, body);
    walls.canal_mm = thinner(walls.canal_mm, canal);
    Some(())
}

/// What ought to be known of a shell's cavity.
fn notes(shell: &Shell) -> Vec<String> {
    let mut out = Vec::new();
    match shell.canal_open_to_mm {
        Some(open) => out.push(format!(
            "the cavity reaches {} into the canal; from there {} of solid canal are left to \
             bore, which no tube is laid through",
            number(open, "mm"),
            number((shell.canal_end_mm - open).max(0.0), "mm")
        )),
        None => out.push("the cavity does not reach into the canal".to_owned()),
    }
    out.extend(shell.cautions.iter().map(crate::shell::Caution::words));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn walls_are_thinned_as_far_as_their_limits_and_no_further() {
        // By default 1.0 in the body and 0.8 in the canal, 0.6 asked of both.
        let thinned = |by: f64, canal: Material| {
            let mut plan = Plan::default();
            plan.walls.canal = canal;
            thin(&mut plan, Mm(by), &Limits::default())?;
            Some((plan.walls.body_mm, plan.walls.canal_mm))
        };
        let near = |got: Option<(f64, f64)>, body: f64, canal: f64| {
            let (b, c) = got.expect("allowed");
            assert!(
                (b - body).abs() < 1e-12 && (c - canal).abs() < 1e-12,
                "{b} {c}"
            );
        };
        near(thinned(0.1, Material::Hard), 0.9, 0.7);
        near(thinned(0.3, Material::Hard), 0.7, 0.65);
        assert_eq!(thinned(0.4, Material::Hard), None);
        // A soft canal is asked for 1.0: at 0.8 it is under its limit already, and stays as it is.
        near(thinned(0.3, Material::Soft), 0.7, 0.8);
    }
}

//! What can be typed. Nothing further in sees these types: they become settings once, here.

use std::path::PathBuf;

use clap::{ArgGroup, Args, Parser, Subcommand, ValueEnum};

use crate::canal::Side;
use crate::read::Unit;
use crate::shell::ZONES;

/// Measures scanned ear impressions and in-ear monitor shells.
///
/// Every answer is one of three: holds, breaks, cannot tell.
///
/// Exit code: 0 all hold, 1 something breaks, 2 cannot tell or cannot read.
///
/// It measures geometry only. It is no medical device, and no clearance to use a part in an ear.
#[derive(Debug, Parser)]
#[command(name = "secondbend", version, max_term_width = 100)]
pub struct Typed {
    #[command(subcommand)]
    pub command: Verb,
}

#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Can we design on this impression? Verdict, findings, canal figures
    Vet(Vet),
    /// Is every wall of a finished shell thick enough?
    Wall(Wall),
    /// Draw the surface that lies a given distance outside or inside of a scan, the same or by zone
    Offset(Offset),
    /// From an impression: trim, build up, hollow, bore; the shell's mesh, and its wall everywhere
    Shell(Box<Shell>),
    /// How does it come out? Straight pull, best pull, the way out, what to trim
    Undercut(Undercut),
    /// Print, explain and check the shop's limits
    Limits(LimitsArgs),
    /// Does the stack go in? A placement with its margins, or a proof, or what is in the way
    Fit(Box<Fit>),
    /// Over many ears: which share do stacks of drivers fit, and what limits the rest?
    Study(Box<Study>),
    /// A folder of scans: one line each, an index page, nothing lost past a bad file
    Intake(Intake),
    /// List the checks, or explain one
    Checks(ChecksArgs),
    /// Make practice scans with known truth
    Demo(Demo),
}

#[derive(Debug, Args)]
pub struct Vet {
    /// Scans of ear impressions: STL, PLY, OBJ, OFF or 3MF
    #[arg(value_name = "SCAN", required = true)]
    pub scans: Vec<PathBuf>,
    /// Write the reports as JSON (`-`: to the output); several scans: JSON Lines, one a line
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write one line a scan as CSV (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Write a page to look at: one HTML file that opens from disk with no network
    #[arg(long, value_name = "FILE.html")]
    pub page: Option<PathBuf>,
    /// Write a picture: four views, findings numbered
    #[arg(long, value_name = "FILE.png")]
    pub picture: Option<PathBuf>,
    /// The shop's limits (see `secondbend limits`)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Unit of length of the files, where they do not say it themselves
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// The side that the order names; the scan is held against it
    #[arg(long, value_enum)]
    pub side: Option<SideName>,
    /// Look for the way out of the ear with turning, too (takes up to half a minute)
    #[arg(long)]
    pub withdrawal: bool,
    /// Order or serial number, printed on every report
    #[arg(long, value_name = "TEXT")]
    pub order: Option<String>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Args)]
#[command(
    allow_negative_numbers = true,
    group = ArgGroup::new("room").required(true).args(["scan", "cavity"])
)]
pub struct Fit {
    /// The scan of an ear impression; the shell is made of it as `secondbend shell` makes it
    #[arg(value_name = "SCAN")]
    pub scan: Option<PathBuf>,
    /// Instead of a scan: the closed inner surface of a shell
    #[arg(long, value_name = "MESH")]
    pub cavity: Option<PathBuf>,
    #[command(flatten)]
    pub shape: Shape,
    /// Write the cavity that the parts were placed in (.stl, .ply or .3mf)
    #[arg(long, value_name = "FILE", requires = "scan")]
    pub cavity_out: Option<PathBuf>,
    /// The shop's limits (see `secondbend limits`); a shell's stock and webs are taken from them
    #[arg(long, value_name = "FILE", requires = "scan")]
    pub limits: Option<PathBuf>,
    /// The stack: parts, clearances, bores (TOML)
    #[arg(long, value_name = "FILE")]
    pub stack: PathBuf,
    /// Search nothing: measure every margin of this placement again
    #[arg(long, value_name = "PLACEMENT", conflicts_with_all = ["seed", "effort", "seconds"])]
    pub verify: Option<PathBuf>,
    /// Write the answer as JSON (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the placed parts and tubes as meshes (3MF, or PLY as one mesh)
    #[arg(long, value_name = "FILE")]
    pub parts: Option<PathBuf>,
    /// Write a page to look at: one HTML file that opens from disk with no network
    #[arg(long, value_name = "FILE.html")]
    pub page: Option<PathBuf>,
    /// Write a picture: four views, findings numbered
    #[arg(long, value_name = "FILE.png")]
    pub picture: Option<PathBuf>,
    /// Order or serial number, printed on every report
    #[arg(long, value_name = "TEXT")]
    pub order: Option<String>,
    /// Same seed and effort, same answer
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Rounds of 16 starts
    #[arg(long, value_name = "N", default_value_t = 10_000, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub effort: u32,
    /// Answer within so many seconds, whatever the effort: the search has 85 % of what reading
    /// leaves (80 % where a shell is made of a scan), the rest goes into what would help
    #[arg(long, value_name = "S", default_value_t = 10.0)]
    pub seconds: f64,
    /// A point in the end that the bores leave through, mm (default: where
    /// the cavity's canal ends)
    #[arg(
        long,
        value_name = "X,Y,Z",
        value_parser = three,
        allow_hyphen_values = true,
        requires = "tip_direction"
    )]
    pub tip: Option<[f64; 3]>,
    /// The way out there
    #[arg(
        long,
        value_name = "X,Y,Z",
        value_parser = three,
        allow_hyphen_values = true,
        requires = "tip"
    )]
    pub tip_direction: Option<[f64; 3]>,
    /// Unit of length of scan or cavity, where the file does not say it (default of a cavity: mm)
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Args)]
#[command(allow_negative_numbers = true)]
pub struct Study {
    /// Scans of ear impressions, or folders of them; a shell is made of each as `secondbend shell` makes it
    #[arg(value_name = "SCAN", required = true)]
    pub scans: Vec<PathBuf>,
    /// A stack: parts, clearances, bores (TOML); again for each further one
    #[arg(long = "stack", value_name = "FILE", required = true)]
    pub stacks: Vec<PathBuf>,
    #[command(flatten)]
    pub shape: Shape,
    /// The shop's limits (see `secondbend limits`)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Write the study as JSON (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write one line an ear and stack as CSV (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub csv: Option<PathBuf>,
    /// Same seed and effort, same answers
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Rounds of 16 starts, an ear and stack
    #[arg(long, value_name = "N", default_value_t = 10_000, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub effort: u32,
    /// Seconds for bounds and search, an ear and stack; making the shell comes on top
    #[arg(long, value_name = "S", default_value_t = 10.0)]
    pub seconds: f64,
    /// Unit of length of the scans, where the files do not say it
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Args)]
pub struct Wall {
    /// A finished shell, or its outer surface
    #[arg(value_name = "MESH")]
    pub mesh: PathBuf,
    /// Its inner surface, where that is a file of its own
    #[arg(value_name = "INNER")]
    pub inner: Option<PathBuf>,
    /// Write the report as JSON (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the mesh as PLY with `wall_mm`, `ray_mm` and `opposite_mm` at every point
    #[arg(long, value_name = "FILE.ply")]
    pub map: Option<PathBuf>,
    /// Write a page to look at: one HTML file that opens from disk with no network
    #[arg(long, value_name = "FILE.html")]
    pub page: Option<PathBuf>,
    /// Write a picture: four views, findings numbered
    #[arg(long, value_name = "FILE.png")]
    pub picture: Option<PathBuf>,
    /// The shop's limits (see `secondbend limits`)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Unit of length of the files, where they do not say it themselves
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// Order or serial number, printed on every report
    #[arg(long, value_name = "TEXT")]
    pub order: Option<String>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

/// `tip=-0.8`: a zone and its distance, mm.
fn zone_amount(text: &str) -> Result<(String, f64), String> {
    let (zone, by) = (text.split_once('='))
        .ok_or_else(|| "give a zone and its distance, as in seal-zone=0.3".to_owned())?;
    if !ZONES.contains(&zone) {
        let like = |name: &str| strsim::jaro_winkler(name, zone);
        let nearest = ZONES.iter().max_by(|a, b| like(a).total_cmp(&like(b)));
        let meant = nearest.filter(|name| like(name) > 0.7);
        return Err(match meant {
            Some(name) => format!("no zone has that name; did you mean `{name}={by}`?"),
            None => format!("no zone has that name; there are {}", ZONES.join(", ")),
        });
    }
    match by.parse::<f64>() {
        Ok(mm) if mm.is_finite() => Ok((zone.to_owned(), mm)),
        _ => Err(format!("`{by}` is no distance in mm")),
    }
}

#[derive(Debug, Args)]
pub struct Offset {
    /// The scan: STL, PLY, OBJ, OFF or 3MF
    #[arg(value_name = "MESH")]
    pub mesh: PathBuf,
    /// Distance in mm: positive outward, negative inward
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    pub by: f64,
    /// Another distance in one zone, as `ZONE=MM`, again for each zone: tip, past-second-bend,
    /// between-bends, seal-zone, concha (without cymba and helix), cymba (with helix); `--by` holds in
    /// the others
    #[arg(long = "zone", value_name = "ZONE=MM", value_parser = zone_amount)]
    pub zones: Vec<(String, f64)>,
    /// Size of the facets drawn, in mm; the accuracy promised is that at 0.2
    #[arg(long, value_name = "MM", default_value_t = 0.2)]
    pub facet: f64,
    /// Write the surface here, in mm: `.stl`, `.ply` or `.3mf`
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
    /// Write the report as JSON (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Unit of length of the file, where it does not say it itself
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// Order or serial number, printed on the report
    #[arg(long, value_name = "TEXT")]
    pub order: Option<String>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

/// How a shell is to be made of an impression, all but its bores; what is not typed is the plan's.
#[derive(Debug, Clone, Default, PartialEq, Args)]
#[command(allow_negative_numbers = true)]
pub struct Shape {
    /// A plan (TOML, see docs/shell.md); what is typed goes over it
    #[arg(long, value_name = "FILE")]
    pub plan: Option<PathBuf>,
    /// What the canal's cut is counted from [default: second-bend]
    #[arg(long, value_enum, value_name = "PLACE")]
    pub cut_past: Option<PastWord>,
    /// How far past it the canal is cut, mm [default: 2]
    #[arg(long, value_name = "MM")]
    pub cut: Option<f64>,
    /// Radius of the cut's edge, mm [default: 0.5]
    #[arg(long, value_name = "MM")]
    pub cut_round: Option<f64>,
    /// Whether a faceplate closes the shell [default: open]
    #[arg(long, value_enum)]
    pub faceplate: Option<LidWord>,
    /// Thickness of a closed faceplate, mm [default: 1]
    #[arg(long, value_name = "MM")]
    pub faceplate_thickness: Option<f64>,
    /// Which way it looks: found, axis, or X,Y,Z out of the ear [default: found]
    #[arg(long, value_name = "WAY", value_parser = facing)]
    pub faceplate_facing: Option<Facing>,
    /// Height of its plane over the aperture, mm [default: found from the outer face]
    #[arg(long, value_name = "MM")]
    pub faceplate_height: Option<f64>,
    /// Move the plane outward, mm
    #[arg(long, value_name = "MM")]
    pub faceplate_raise: Option<f64>,
    /// Tilt it to look further up, degrees
    #[arg(long, value_name = "DEG")]
    pub tilt_up: Option<f64>,
    /// Tilt it to look further forward, degrees
    #[arg(long, value_name = "DEG")]
    pub tilt_forward: Option<f64>,
    /// Build-up everywhere, mm [default: 0.3 in the seal zone, 0.2 further in, 0 elsewhere]
    #[arg(long, value_name = "MM")]
    pub build_up: Option<f64>,
    /// Build-up in the seal zone, mm
    #[arg(long, value_name = "MM")]
    pub seal_zone: Option<f64>,
    /// Wall after polishing, mm [default: body 1, canal 0.8]
    #[arg(long, value_name = "MM")]
    pub wall: Option<f64>,
    /// Wall of the canal after polishing, mm
    #[arg(long, value_name = "MM")]
    pub canal_wall: Option<f64>,
    /// What the canal is made of [default: hard]
    #[arg(long, value_enum)]
    pub canal: Option<MaterialWord>,
    /// Where canal and body meet, mm past the aperture [default: 0]
    #[arg(long, value_name = "MM")]
    pub joint: Option<f64>,
    /// Keep the canal solid over this length before its end, mm [default: 0]
    #[arg(long, value_name = "MM")]
    pub solid_tip: Option<f64>,
    /// What polishing will take off the outside, mm [default: the limit `wall.finishing_stock_mm`]
    #[arg(long, value_name = "MM")]
    pub stock: Option<f64>,
    /// Size of the facets drawn, mm [default: 0.3]
    #[arg(long, value_name = "MM")]
    pub facet: Option<f64>,
}

#[derive(Debug, Args)]
#[command(allow_negative_numbers = true)]
pub struct Shell {
    /// The scan of an ear impression: STL, PLY, OBJ, OFF or 3MF
    #[arg(value_name = "SCAN")]
    pub scan: PathBuf,
    /// Write the printable shell (.stl, .ply or .3mf)
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Write the cavity as a closed mesh, for `secondbend fit`
    #[arg(long, value_name = "FILE")]
    pub cavity_out: Option<PathBuf>,
    /// Write the outer surface as a closed mesh
    #[arg(long, value_name = "FILE")]
    pub outer_out: Option<PathBuf>,
    #[command(flatten)]
    pub shape: Shape,
    /// How many sound bores [default: 0]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(0..=8))]
    pub bores: Option<u8>,
    /// Diameter of the bores, mm [default: 1.5]
    #[arg(long, value_name = "MM")]
    pub bore: Option<f64>,
    /// Diameter of a vent, mm
    #[arg(long, value_name = "MM")]
    pub vent: Option<f64>,
    /// Look for the way out of the ear with turning, too (takes up to half a minute)
    #[arg(long)]
    pub withdrawal: bool,
    /// Write the report as JSON (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the shell as PLY with `wall_mm` and `ray_mm` at every point
    #[arg(long, value_name = "FILE.ply")]
    pub map: Option<PathBuf>,
    /// Write a page to look at: one HTML file that opens from disk with no network
    #[arg(long, value_name = "FILE.html")]
    pub page: Option<PathBuf>,
    /// Write a picture: four views, findings numbered
    #[arg(long, value_name = "FILE.png")]
    pub picture: Option<PathBuf>,
    /// The shop's limits (see `secondbend limits`)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Unit of length of the scan, where the file does not say it
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// Order or serial number, printed on the report
    #[arg(long, value_name = "TEXT")]
    pub order: Option<String>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PastWord {
    Aperture,
    FirstBend,
    SecondBend,
    /// No cut: the impression's own tip
    None,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LidWord {
    Open,
    Closed,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum MaterialWord {
    Hard,
    Soft,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Facing {
    Found,
    Axis,
    Given([f64; 3]),
}

fn facing(typed: &str) -> Result<Facing, String> {
    match typed {
        "found" => return Ok(Facing::Found),
        "axis" => return Ok(Facing::Axis),
        _ => {}
    }
    three(typed)
        .map(Facing::Given)
        .map_err(|_| "it takes found, axis, or three numbers X,Y,Z".to_owned())
}

/// Three finite numbers with commas between.
fn three(typed: &str) -> Result<[f64; 3], String> {
    let parts: Result<Vec<f64>, _> = typed.split(',').map(|x| x.trim().parse()).collect();
    match parts.as_deref() {
        Ok(&[x, y, z]) if [x, y, z].iter().all(|c: &f64| c.is_finite()) => Ok([x, y, z]),
        _ => Err("it takes three numbers X,Y,Z".to_owned()),
    }
}

#[derive(Debug, Args)]
pub struct Undercut {
    /// A scan, a finished shell, or any closed mesh
    #[arg(value_name = "MESH")]
    pub mesh: PathBuf,
    /// Pull this way, out of the ear (default: along the canal's axis at the aperture)
    #[arg(long, value_name = "X,Y,Z", allow_hyphen_values = true)]
    pub pull: Option<String>,
    /// Write the report with all poses as JSON (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the mesh as PLY with `undercut_mm` and `squeeze_mm` at every point
    #[arg(long, value_name = "FILE.ply")]
    pub map: Option<PathBuf>,
    /// Write a page to look at and to follow the way out on: one HTML file, no network
    #[arg(long, value_name = "FILE.html")]
    pub page: Option<PathBuf>,
    /// Write a picture: four views, findings numbered, what squeezes in colours
    #[arg(long, value_name = "FILE.png")]
    pub picture: Option<PathBuf>,
    /// Do not try what would have to be trimmed
    #[arg(long)]
    pub no_relief: bool,
    /// The shop's limits (see `secondbend limits`)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Unit of length of the file, where it does not say it itself
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// Order or serial number, printed on the report
    #[arg(long, value_name = "TEXT")]
    pub order: Option<String>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Args)]
pub struct Intake {
    /// The folder; its folders are looked into too
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// Where index, pages and lists go (default: `intake` in the folder)
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// The shop's limits (see `secondbend limits`)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Unit of length of the files, where they do not say it themselves
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// How many threads to use (default: one a core)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub jobs: Option<u16>,
    /// Print errors only; the exit code and the files tell the rest
    #[arg(long)]
    pub quiet: bool,
}

#[derive(Debug, Args)]
pub struct LimitsArgs {
    /// The limit to explain, for example `canal.past_first_bend_mm` (default: all)
    #[arg(value_name = "KEY", conflicts_with_all = ["check", "toml"])]
    pub key: Option<String>,
    /// Check a limits file and print nothing but its faults
    #[arg(long, value_name = "FILE", conflicts_with_all = ["toml", "limits"])]
    pub check: Option<PathBuf>,
    /// Print a commented TOML with every limit, to start a shop's own from
    #[arg(long)]
    pub toml: bool,
    /// Show the values of this limits file in place of the defaults
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct ChecksArgs {
    /// The check to explain, for example `short-past-second-bend` (default: list all)
    #[arg(value_name = "ID")]
    pub id: Option<String>,
}

#[derive(Debug, Args)]
pub struct Demo {
    /// The folder to make them in
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum UnitWord {
    Mm,
    Cm,
    Inch,
    M,
    Um,
}

impl From<UnitWord> for Unit {
    fn from(word: UnitWord) -> Self {
        match word {
            UnitWord::Mm => Self::Mm,
            UnitWord::Cm => Self::Cm,
            UnitWord::Inch => Self::Inch,
            UnitWord::M => Self::M,
            UnitWord::Um => Self::Um,
        }
    }
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum SideName {
    Left,
    Right,
}

impl From<SideName> for Side {
    fn from(name: SideName) -> Self {
        match name {
            SideName::Left => Self::Left,
            SideName::Right => Self::Right,
        }
    }
}

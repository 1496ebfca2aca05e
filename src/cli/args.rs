//! What can be typed. Nothing further in sees these types: they become settings once, here.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::canal::Side;
use crate::read::Unit;

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
    /// How does it come out? Straight pull, best pull, the way out, what to trim
    Undercut(Undercut),
    /// Print, explain and check the shop's limits
    Limits(LimitsArgs),
    /// Does the stack go in? A placement with its margins, or a proof, or what is in the way
    Fit(Fit),
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
    /// The shop's limits (see `secondbend limits`)
    #[arg(long, value_name = "FILE")]
    pub limits: Option<PathBuf>,
    /// Unit of length of the files, where they do not say it themselves
    #[arg(long, value_enum)]
    pub unit: Option<UnitWord>,
    /// The side that the order names; the scan is held against it
    #[arg(long, value_enum)]
    pub side: Option<SideName>,
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
pub struct Fit {
    /// The closed inner surface of a shell: STL, PLY, OBJ, OFF or 3MF
    #[arg(long, value_name = "MESH")]
    pub cavity: PathBuf,
    /// The stack: parts, clearances, bores (TOML)
    #[arg(long, value_name = "FILE")]
    pub stack: PathBuf,
    /// Search nothing: measure every margin of this placement again
    #[arg(long, value_name = "PLACEMENT", conflicts_with_all = ["seed", "effort", "seconds"])]
    pub verify: Option<PathBuf>,
    /// Write the answer as JSON (`-`: to the output)
    #[arg(long, value_name = "FILE")]
    pub json: Option<PathBuf>,
    /// Write the placed parts as meshes (3MF)
    #[arg(long, value_name = "FILE")]
    pub parts: Option<PathBuf>,
    /// Same seed and effort, same answer
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Rounds of 16 starts
    #[arg(long, value_name = "N", default_value_t = 500, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    pub effort: u32,
    /// Stop after so many seconds, whatever the effort
    #[arg(long, value_name = "S", default_value_t = 10.0)]
    pub seconds: f64,
    /// Unit of length of the cavity, where the file does not say it (default: mm)
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

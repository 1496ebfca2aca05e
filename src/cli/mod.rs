//! The command line: arguments become settings, the work is done by the rooms, the answer is
//! printed, and the exit code follows the verdict. Only here is anything printed.

mod args;
mod demo;
mod failure;
mod fit;
mod intake;
mod offset;
mod room;
mod shell;
mod study;
mod tables;
mod terminal;
mod undercut;
mod vet;
mod wall;

pub use failure::Failure;
pub use offset::{Moved, offset_of};
pub use shell::{Made, shell_of};
pub use undercut::{PullOptions, Pulled, undercut_of};
pub use vet::{Vetted, vet_scan, vetted};
pub use wall::wall_of;

use std::ffi::OsString;
use std::io::{self, Write};
use std::process::ExitCode;

use clap::Parser;

use args::{Typed, Verb};

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ending {
    /// All hold.
    AllHold = 0,
    /// Something breaks.
    SomethingBreaks = 1,
    /// Something could not be told or read, or the command itself is wrong.
    CannotTell = 2,
}

/// Runs a command line and says how it ended.
#[must_use]
pub fn main(typed: impl IntoIterator<Item = OsString>) -> ExitCode {
    let ending = match Typed::try_parse_from(typed) {
        Ok(typed) => run(typed.command).unwrap_or_else(|failure| {
            failure.print();
            Ending::CannotTell
        }),
        Err(e) => {
            // `--help` and `--version` come this way too. A closed pipe is nobody's fault.
            let _ = e.print();
            if e.use_stderr() {
                Ending::CannotTell
            } else {
                Ending::AllHold
            }
        }
    };
    ExitCode::from(ending as u8)
}

fn run(command: Verb) -> Result<Ending, Failure> {
    match command {
        Verb::Vet(args) => vet::run(args),
        Verb::Fit(args) => fit::run(&args),
        Verb::Offset(args) => offset::run(&args),
        Verb::Study(args) => study::run(&args),
        Verb::Intake(args) => intake::run(&args),
        Verb::Wall(args) => wall::run(&args),
        Verb::Shell(args) => shell::run(&args),
        Verb::Undercut(args) => undercut::run(&args),
        Verb::Limits(args) => tables::limits(&args),
        Verb::Checks(args) => tables::checks(&args),
        Verb::Demo(args) => demo::run(&args),
    }
}

/// The line under a report that says where the mesh went.
fn written(path: Option<&std::path::Path>) -> String {
    match path {
        Some(path) => format!(
            "written      {}\n",
            crate::report::shown(&path.to_string_lossy())
        ),
        None => "written      no mesh: `--out FILE` writes it\n".to_owned(),
    }
}

/// Prints to the output; colour is taken out where it is no terminal or `NO_COLOR` is set. A
/// closed pipe (`| head`) ends the printing and not the work.
fn print(text: &str) -> Result<(), Failure> {
    let fitted = match terminal::width() {
        Some(width) => terminal::narrowed(text, width),
        None => text.into(),
    };
    let written = anstream::stdout().write_all(fitted.as_bytes());
    match written {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(Failure::new(
            format!("the output cannot be written: {e}"),
            "free some space, or send the output elsewhere",
        )),
        _ => Ok(()),
    }
}

/// As many threads as asked for, or one a core.
fn threads(jobs: Option<u16>) -> Result<rayon::ThreadPool, Failure> {
    rayon::ThreadPoolBuilder::new()
        .num_threads(jobs.map_or(0, usize::from))
        .build()
        .map_err(|e| Failure::new(format!("no threads can be started: {e}"), "try `--jobs 1`"))
}

/// Values at the points of a map: viewers do not colour NaN, so points without a reading get −1,
/// which no length is.
fn drawable(values: &[f64]) -> Vec<f64> {
    let seen = |&x: &f64| if x.is_finite() { x } else { -1.0 };
    values.iter().map(seen).collect()
}

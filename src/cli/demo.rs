//! `secondbend demo DIR`: practice scans of an invented orchestra, each with its truth beside it.

use std::path::Path;

use crate::demo;
use crate::report::shown;

use super::args::Demo;
use super::{Ending, Failure, print};

pub(super) fn run(args: &Demo) -> Result<Ending, Failure> {
    std::fs::create_dir_all(&args.dir).map_err(|e| {
        let fact = format!("{}: the folder cannot be made: {e}", args.dir.display());
        Failure::new(fact, "name a folder that can be made or written to")
    })?;
    let mut printed = Ok(());
    demo::write_all(&args.dir, &mut |path: &Path| {
        if printed.is_ok() {
            printed = print(&format!("{}\n", shown(&path.to_string_lossy())));
        }
    })?;
    printed?;
    Ok(Ending::AllHold)
}

//! `secondbend demo DIR`: practice scans with their truth beside them, each named as it is
//! written.

use std::path::Path;

use crate::demo::write_all;
use crate::report::shown;

use super::args::Demo;
use super::{Ending, Failure, print};

pub(super) fn run(args: &Demo) -> Result<Ending, Failure> {
    std::fs::create_dir_all(&args.dir).map_err(|e| {
        Failure::new(
            format!("{}: the folder cannot be made: {e}", args.dir.display()),
            "name a folder that you may write to",
        )
    })?;
    let mut printed = Ok(());
    write_all(&args.dir, &mut |path: &Path| {
        if printed.is_ok() {
            printed = print(&format!("{}\n", shown(&path.to_string_lossy())));
        }
    })?;
    printed?;
    Ok(Ending::AllHold)
}

//! `secondbend demo DIR`: practice scans of an invented orchestra, each with its truth beside it.

use std::io::Write as _;

use crate::demo;

use super::args::Demo;
use super::{Ending, Failure};

pub(super) fn run(args: &Demo) -> Result<Ending, Failure> {
    std::fs::create_dir_all(&args.dir).map_err(|e| {
        let fact = format!("{}: the folder cannot be made: {e}", args.dir.display());
        Failure::new(fact, "name a folder that can be made or written to")
    })?;
    let mut files = 0_usize;
    demo::write_all(&args.dir, &mut |path| {
        files += 1;
        // a closed pipe loses this line only; the files are what was asked for
        let _ = writeln!(anstream::stdout(), "{}", path.display());
    })?;
    let _ = writeln!(
        anstream::stdout(),
        "{files} files; every order of them is invented"
    );
    Ok(Ending::AllHold)
}

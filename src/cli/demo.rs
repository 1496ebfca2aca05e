//! `secondbend demo DIR`.

use super::args::Demo;
use super::{Ending, Failure};

pub(super) fn run(args: &Demo) -> Result<Ending, Failure> {
    Err(Failure::new(
        format!(
            "{}: practice scans cannot be made by this version yet",
            args.dir.display()
        ),
        "use the ones in sample-meshes/",
    ))
}

//! The shell made from an impression, and the wall of any shell.
//!
//! [`build`] goes one way: the scan is built up by zone and trimmed (`outer`), hollowed to the wall
//! asked for (`cavity`), bored, and put together (`solids`). What is asked is a [`Plan`]; what was
//! asked and could not be done as asked is an error or a [`Caution`], never a guess.

mod bores;
mod build;
mod cavity;
mod deviation;
mod faceplate;
mod layout;
mod leaning;
mod outer;
mod plan;
mod plan_file;
mod rim;
mod slivers;
mod solids;
#[cfg(test)]
pub(crate) mod tests;
mod told;
mod track;
mod trimmed;
pub mod wall;
mod zones;

pub use bores::{MadeBore, Use};
pub(crate) use build::told_by_bends;
pub use build::{Impression, Shell, build, build_beside};
pub use deviation::deviation_mm;
pub use faceplate::Plane;
pub use plan::{
    Bores, BuildUp, Cut, Faceplate, Facing, FreePlane, Lid, Material, Past, Plan, PlanFault, Walls,
    ZONES,
};
pub(crate) use plan_file::LID_MM;
pub use plan_file::{PlanError, parse_plan, read_plan};
pub use rim::{Rim, Station};
pub use told::{Caution, ShellError};
pub use wall::GivenBore;
pub(crate) use zones::{Amounts, Moved};

//! Does the stack fit? Parts, the bounds that prove it cannot, the search that finds a placement,
//! and the certificate that re-computes it.

pub mod bounds;
mod canal_end;
mod cavity;
pub mod certificate;
mod file;
mod grid;
mod helps;
mod meshes;
mod parts;
mod placement;
mod pose;
pub mod route;
pub mod search;
#[cfg(test)]
pub(crate) mod shapes;
mod share;
mod tip;
mod verdict;
mod words;

pub use canal_end::axis_end;
pub use cavity::{Cavity, CavityError, Faceplate};
pub use file::{StackError, parse_stack, read_stack};
pub use grid::Depth;

pub use helps::{Help, Helps, NotTried, Remake, ShellChange, Untried, helps};
pub use meshes::part_meshes;
pub use parts::{Bore, Face, Part, Spout, Stack, Terminals, Zone};
pub use placement::{PlacedPart, Placement, PlacementError, Tube, found_in, printed};
pub use pose::Pose;
pub use share::Tally;
pub use tip::{Tip, TipGuess};
pub(crate) use verdict::fit_in;
pub use verdict::{Blocker, FitAnswer, FitOptions, Verdict, fit};
pub use words::end_not_judged;
pub(crate) use words::{OF_TUBES, tightest_words};

//! Meshes out: STL, PLY (with per-point figures), 3MF. Files are written whole or not at all.

mod error;
mod ply;
mod stl;
mod threemf;
mod whole;

pub use error::WriteError;
pub use ply::ply;
pub use stl::stl;
pub use threemf::threemf;
pub use whole::{refuse_inputs, whole_file};

//! The page: one self-contained HTML file that opens from disk with no network, from a
//! [`PageModel`] that each command fills.

mod base64;
mod data;
mod fit;
mod html;
mod index;
mod model;
mod pack;
mod published;
mod shell;
mod undercut;
mod vet;
mod wall;

pub use fit::{fit_page, verify_page};
pub use html::page;
pub use index::{GoneRow, IndexRow, UnreadRow, index_page};
pub use model::*;
pub use shell::{OnShell, shell_page};
pub use undercut::undercut_page;
pub use vet::vet_page;
pub use wall::wall_page;

#[cfg(test)]
mod tests;

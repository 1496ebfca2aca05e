//! The page: one self-contained HTML file that opens from disk with no network, from a
//! [`PageModel`] that each command fills.

mod base64;
mod data;
mod html;
mod model;
mod pack;
mod published;
mod vet;

pub use html::page;
pub use model::*;
pub use vet::vet_page;

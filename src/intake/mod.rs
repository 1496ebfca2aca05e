//! A day's scans: which files of a folder they are, what their names say, what is known of them
//! already, and which two belong to one head. Nothing is measured here.

mod files;
mod name;
mod pairs;
mod same;
mod store;

pub use files::{NoFolder, scans_in};
pub use name::{Named, named, named_side};
pub use pairs::{Ear, pair_words, side_by_side};
pub use same::{Same, SameBytes};
pub use store::{Kept, Key, Older, Store};

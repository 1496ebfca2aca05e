//! Tells the kind of a file by its content; the name's ending is a hint only, and a note says
//! where the two disagree.

use std::path::Path;

use super::error::{Fault, Trouble};
use super::raw::Raw;
use super::{ReadOptions, stl_binary};

/// Reads the bytes as what they are.
pub(super) fn read(bytes: &[u8], path: &Path, opts: &ReadOptions) -> Result<Raw, Fault> {
    let _ = path;
    if stl_binary::count(bytes).is_some() {
        return stl_binary::read(bytes, opts.max_facets);
    }
    Err(Fault::new(
        Trouble::UnknownKind,
        "of no kind that is read here",
    ))
}

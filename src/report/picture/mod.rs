//! Pictures.

use super::page::PageModel;

/// A picture.
#[must_use]
pub fn picture(_: &PageModel) -> Vec<u8> {
    Vec::new()
}

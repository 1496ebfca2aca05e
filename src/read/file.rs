//! From a path to bytes, without being held up: a folder, a pipe or a device is refused before
//! it is opened, and never more is read than the cap.

use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::path::Path;

use super::error::{Fault, ReadError, Trouble};
use super::{ReadOptions, Scan, read_bytes};

/// Reads a mesh file of any kind this library knows (told by its content, not by its name).
///
/// # Errors
/// [`ReadError`] for every file that cannot be read rightly: it names the file, the place in it
/// and what is so; [`ReadError::help`] says what to do.
pub fn read_file(path: &Path, opts: &ReadOptions) -> Result<Scan, ReadError> {
    let bytes = bytes_of(path, opts.max_bytes).map_err(|fault| fault.in_file(path))?;
    read_bytes(&bytes, path, opts)
}

fn bytes_of(path: &Path, max_bytes: u64) -> Result<Vec<u8>, Fault> {
    let meta = fs::metadata(path).map_err(|e| system(&e))?;
    if meta.is_dir() {
        return Err(Fault::new(Trouble::NotAFile, "this is a folder"));
    }
    if !meta.is_file() {
        let fact = "this is a pipe or a device, not a file";
        return Err(Fault::new(Trouble::NotAFile, fact));
    }
    if meta.len() > max_bytes {
        return Err(too_large(meta.len(), max_bytes));
    }
    let file = File::open(path).map_err(|e| system(&e))?;
    let mut bytes = Vec::with_capacity(meta.len() as usize + 1);
    // One more than the cap, so that a file that grows meanwhile is noticed.
    file.take(max_bytes.saturating_add(1))
        .read_to_end(&mut bytes)
        .map_err(|e| system(&e))?;
    if bytes.len() as u64 > max_bytes {
        return Err(too_large(bytes.len() as u64, max_bytes));
    }
    Ok(bytes)
}

pub(super) fn too_large(bytes: u64, max_bytes: u64) -> Fault {
    let fact = format!("{bytes} bytes or more, and the cap is {max_bytes}");
    Fault::new(Trouble::TooLarge, fact)
}

/// Why a file could not be read, in plain words and without the system's number.
#[must_use]
pub(crate) fn why_unread(e: &std::io::Error) -> String {
    match e.kind() {
        ErrorKind::NotFound => "there is no such file".to_owned(),
        ErrorKind::PermissionDenied => "the system does not allow reading it".to_owned(),
        ErrorKind::IsADirectory => "it is a folder".to_owned(),
        _ => format!("cannot be read: {e}"),
    }
}

fn system(e: &std::io::Error) -> Fault {
    match e.kind() {
        ErrorKind::NotFound => Fault::new(Trouble::NotFound, why_unread(e)),
        ErrorKind::PermissionDenied => Fault::new(Trouble::NoPermission, why_unread(e)),
        _ => Fault::new(Trouble::Unreadable, format!("reading failed: {e}")),
    }
}

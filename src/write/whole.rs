//! A file appears whole or not at all: it is written beside its final name and renamed at the
//! end, so a full disk or a stopped run leaves what was there before.

use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::WriteError;

/// Writes `path` with what `fill` writes, whole or not at all.
///
/// # Errors
/// [`WriteError`] where the folder is missing or closed to us, the disk is full, `path` is a
/// folder, or `fill` itself fails.
pub fn whole_file(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), WriteError> {
    if path.is_dir() || path.file_name().is_none() {
        let file = path.to_path_buf();
        return Err(WriteError::IsFolder { file });
    }
    if fs::metadata(path).is_ok_and(|there| !there.is_file()) {
        let file = path.to_path_buf();
        return Err(WriteError::NotAFile { file });
    }
    write_beside(path, fill).map_err(|e| WriteError::system(path, e))
}

fn write_beside(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> io::Result<()> {
    let folder = match path.parent() {
        Some(p) if p != Path::new("") => p,
        _ => Path::new("."),
    };
    let beside = open_beside(folder)?;
    let mut out = BufWriter::with_capacity(1 << 16, beside);
    fill(&mut out)?;
    let beside = out.into_inner().map_err(io::IntoInnerError::into_error)?;
    // Some file systems report a full disk only here.
    beside.as_file().sync_all()?;
    keep_rights(path, &beside)?;
    beside.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// Temporary files are closed to all but their owner; this one becomes a file like any other, with
/// the rights that the system gives a new file.
#[cfg(unix)]
fn open_beside(folder: &Path) -> io::Result<NamedTempFile> {
    use std::os::unix::fs::PermissionsExt;
    let usual = fs::Permissions::from_mode(0o666);
    tempfile::Builder::new()
        .permissions(usual)
        .tempfile_in(folder)
}

#[cfg(not(unix))]
fn open_beside(folder: &Path) -> io::Result<NamedTempFile> {
    NamedTempFile::new_in(folder)
}

/// A file that is replaced keeps its rights.
fn keep_rights(path: &Path, beside: &NamedTempFile) -> io::Result<()> {
    match fs::metadata(path) {
        Ok(old) => beside.as_file().set_permissions(old.permissions()),
        Err(_) => Ok(()),
    }
}

/// Refuses an output that is one of the inputs, also by another name or through a link.
///
/// # Errors
/// [`WriteError::IsInput`].
pub fn refuse_inputs(output: &Path, inputs: &[impl AsRef<Path>]) -> Result<(), WriteError> {
    let whole = |p: &Path| -> PathBuf { fs::canonicalize(p).unwrap_or_else(|_| p.to_path_buf()) };
    let target = whole(output);
    if inputs.iter().any(|input| whole(input.as_ref()) == target) {
        let file = output.to_path_buf();
        return Err(WriteError::IsInput { file });
    }
    Ok(())
}

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
    let beside = NamedTempFile::new_in(folder)?;
    let mut out = BufWriter::with_capacity(1 << 16, beside);
    fill(&mut out)?;
    let beside = out.into_inner().map_err(io::IntoInnerError::into_error)?;
    // Some file systems report a full disk only here.
    beside.as_file().sync_all()?;
    give_usual_rights(path, &beside)?;
    beside.persist(path).map_err(|e| e.error)?;
    Ok(())
}

/// Temporary files are closed to all but their owner; a report on a shared disk is for others
/// too. Takes over the rights of the file replaced, or those of a newly made file.
#[cfg(unix)]
fn give_usual_rights(path: &Path, beside: &NamedTempFile) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    let mode = match fs::metadata(path) {
        Ok(old) => old.permissions().mode() & 0o777,
        Err(_) => 0o644,
    };
    beside
        .as_file()
        .set_permissions(fs::Permissions::from_mode(mode))
}

#[cfg(not(unix))]
fn give_usual_rights(_: &Path, _: &NamedTempFile) -> io::Result<()> {
    Ok(())
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

//! Which files of a folder are scans: those with a mesh format's ending, in folders within too, in
//! the order of their names. Links to folders are not followed, since they can lead in a circle.

use std::fs;
use std::path::{Path, PathBuf};

const ENDINGS: [&str; 5] = ["stl", "ply", "obj", "off", "3mf"];
/// Folders within folders, at most. Deeper than any tray is sorted, and an end to what a broken
/// file system shows.
const DEEPEST: usize = 12;

/// A folder that cannot be looked into.
#[derive(Debug, thiserror::Error)]
#[error("{}: the folder cannot be read: {why}", folder.display())]
pub struct NoFolder {
    /// The folder.
    pub folder: PathBuf,
    /// Why.
    pub why: std::io::Error,
}

/// All scans below `folder`, leaving out `without` and what begins with a dot.
///
/// # Errors
/// [`NoFolder`] where the folder itself cannot be read; closed folders within are passed over.
pub fn scans_in(folder: &Path, without: &Path) -> Result<Vec<PathBuf>, NoFolder> {
    let mut found = Vec::new();
    look(folder, without, 0, &mut found).map_err(|why| NoFolder {
        folder: folder.to_path_buf(),
        why,
    })?;
    found.sort();
    Ok(found)
}

fn look(
    folder: &Path,
    without: &Path,
    depth: usize,
    found: &mut Vec<PathBuf>,
) -> std::io::Result<()> {
    for entry in fs::read_dir(folder)?.flatten() {
        let (path, name) = (entry.path(), entry.file_name());
        if name.to_string_lossy().starts_with('.') || same(&path, without) {
            continue;
        }
        let Ok(kind) = entry.file_type() else {
            continue;
        };
        if kind.is_dir() && depth < DEEPEST {
            let _ = look(&path, without, depth + 1, found);
        } else if fs::metadata(&path).is_ok_and(|m| m.is_file()) && is_mesh(&path) {
            found.push(path);
        }
    }
    Ok(())
}

fn same(a: &Path, b: &Path) -> bool {
    a == b || fs::canonicalize(a).is_ok_and(|a| fs::canonicalize(b).is_ok_and(|b| a == b))
}

fn is_mesh(path: &Path) -> bool {
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    ending.is_some_and(|e| ENDINGS.contains(&e.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scans_are_found_in_order_and_nothing_else_is() {
        let dir = tempfile::tempdir().expect("a folder");
        let touch = |name: &str| {
            let path = dir.path().join(name);
            fs::create_dir_all(path.parent().expect("a parent")).expect("made");
            fs::write(path, b"x").expect("written");
        };
        for name in [
            "b.STL",
            "a/z.ply",
            "notes.txt",
            ".hidden.stl",
            "out/old.stl",
            "c.3mf",
        ] {
            touch(name);
        }
        let found = scans_in(dir.path(), &dir.path().join("out")).expect("a folder");
        let names: Vec<String> = found
            .iter()
            .map(|p| {
                p.strip_prefix(dir.path())
                    .expect("within")
                    .to_string_lossy()
                    .replace('\\', "/")
            })
            .collect();
        assert_eq!(names, ["a/z.ply", "b.STL", "c.3mf"]);
        assert!(scans_in(&dir.path().join("none"), Path::new("x")).is_err());
    }
}

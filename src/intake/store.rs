//! What an intake knows already: a report, a page and a thumbnail a scan, under a key made of all
//! that they hang on. Whatever stopped a run, what it had written stands, and the next one goes on.

use std::collections::HashSet;
use std::fs;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::limits::Limits;
use crate::report::{Report, ReportError, json_line};
use crate::write::{WriteError, whole_file};

/// All that a scan's results hang on, as a digest.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Key {
    hex: String,
    stem: String,
}

impl Key {
    /// From the file's bytes (their SHA-256), its name within the folder, the unit that was typed,
    /// the limits, and this program's version.
    #[must_use]
    pub fn new(sha256: &str, name: &Path, unit: Option<&str>, limits: &Limits) -> Self {
        let limits = serde_json::to_string(&limits.as_tables()).unwrap_or_default();
        let name_text = name.to_string_lossy();
        let parts = [
            sha256,
            &name_text,
            unit.unwrap_or(""),
            &limits,
            env!("CARGO_PKG_VERSION"),
        ];
        let mut hash = Sha256::new();
        for part in parts {
            hash.update((part.len() as u64).to_le_bytes());
            hash.update(part.as_bytes());
        }
        let hex: String = hash
            .finalize()
            .iter()
            .take(12)
            .map(|b| format!("{b:02x}"))
            .collect();
        Self {
            hex,
            stem: plain_stem(name),
        }
    }
}

/// A file's name without its ending, as far as it may stand in the name of a page.
fn plain_stem(name: &Path) -> String {
    let stem = name.file_stem().unwrap_or_default().to_string_lossy();
    let plain = |c: char| {
        if c.is_ascii_alphanumeric() || c == '-' {
            c
        } else {
            '_'
        }
    };
    stem.chars().take(60).map(plain).collect()
}

/// Results that are kept under another key than those asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Older {
    /// The scan's file as it was named then.
    pub path: PathBuf,
    /// Its page, from the folder of the index.
    pub page: String,
}

/// What is kept of a scan, the long lists of its report left out.
#[derive(Debug, Clone)]
pub struct Kept {
    /// Its report, without axis and sections.
    pub report: Report,
    /// Its page, from the folder of the index.
    pub page: String,
    /// Its thumbnail, PNG.
    pub thumbnail: Vec<u8>,
}

/// The folder that results are kept in.
#[derive(Debug, Clone)]
pub struct Store {
    folder: PathBuf,
}

impl Store {
    /// Opens it; its folders are made where they are missing.
    ///
    /// # Errors
    /// What the system says of a folder that cannot be made.
    pub fn open(folder: &Path) -> std::io::Result<Self> {
        for within in ["pages", "records", "thumbnails"] {
            fs::create_dir_all(folder.join(within))?;
        }
        Ok(Self {
            folder: folder.to_path_buf(),
        })
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn page(key: &Key) -> String {
        format!("pages/{}-{}.html", key.stem, &key.hex[..8])
    }

    /// What is kept under other keys than these (of scans that were removed, renamed or changed, of other
    /// limits), in the order of paths; what cannot be read is passed over.
    #[must_use]
    pub fn older(&self, than: &[&Key]) -> Vec<Older> {
        let now: HashSet<&str> = than.iter().map(|k| k.hex.as_str()).collect();
        let records = fs::read_dir(self.folder.join("records"));
        let mut out: Vec<Older> = records
            .into_iter()
            .flatten()
            .flatten()
            .filter_map(|entry| self.older_one(&entry.path(), &now))
            .collect();
        out.sort_by(|a, b| (&a.path, &a.page).cmp(&(&b.path, &b.page)));
        out
    }

    fn older_one(&self, record: &Path, now: &HashSet<&str>) -> Option<Older> {
        #[derive(Deserialize)]
        struct Input {
            path: PathBuf,
        }
        #[derive(Deserialize)]
        struct Record {
            input: Input,
        }
        let hex = record.file_stem()?.to_str()?;
        if now.contains(hex) || record.extension().is_none_or(|e| e != "json") {
            return None;
        }
        let kept: Record = serde_json::from_str(&fs::read_to_string(record).ok()?).ok()?;
        let path = kept.input.path;
        let page = Self::page(&Key {
            stem: plain_stem(&path),
            hex: hex.get(..8)?.to_owned(),
        });
        let there = self.folder.join(&page).is_file();
        there.then_some(Older { path, page })
    }

    fn record(&self, key: &Key) -> PathBuf {
        self.folder
            .join("records")
            .join(format!("{}.json", key.hex))
    }

    fn thumbnail(&self, key: &Key) -> PathBuf {
        self.folder
            .join("thumbnails")
            .join(format!("{}.png", key.hex))
    }

    /// What is kept under a key, if all of it is there and can be read.
    #[must_use]
    pub fn get(&self, key: &Key) -> Option<Kept> {
        let mut report: Report = serde_json::from_str(&self.line(key)?).ok()?;
        if let Some(canal) = &mut report.canal {
            canal.axis_mm = Vec::new();
            canal.sections = Vec::new();
        }
        let page = Self::page(key);
        self.folder.join(&page).is_file().then_some(())?;
        Some(Kept {
            report,
            page,
            thumbnail: fs::read(self.thumbnail(key)).ok()?,
        })
    }

    /// The report's line of JSON Lines, whole.
    #[must_use]
    pub fn line(&self, key: &Key) -> Option<String> {
        fs::read_to_string(self.record(key)).ok()
    }

    /// Keeps a scan's results. The record comes last: where it is, the rest is.
    ///
    /// # Errors
    /// [`WriteError`] of the first file that cannot be written; a figure that is not finite.
    pub fn put(
        &self,
        key: &Key,
        report: &Report,
        html: &str,
        thumbnail: &[u8],
    ) -> Result<(), PutError> {
        let line = json_line(report)?;
        whole_file(&self.folder.join(Self::page(key)), |w| {
            w.write_all(html.as_bytes())
        })?;
        whole_file(&self.thumbnail(key), |w| w.write_all(thumbnail))?;
        whole_file(&self.record(key), |w| w.write_all(line.as_bytes()))?;
        Ok(())
    }
}

/// Why results could not be kept.
#[derive(Debug, thiserror::Error)]
pub enum PutError {
    /// A file cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The report cannot be.
    #[error(transparent)]
    Report(#[from] ReportError),
}

impl PutError {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> String {
        match self {
            Self::Write(e) => e.help().to_string(),
            Self::Report(e) => e.help().to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::{Setting, rows};

    #[test]
    fn a_key_changes_with_all_that_results_hang_on() {
        let limits = Limits::default();
        let mut other = Limits::default();
        other
            .put(&rows::PAST_FIRST_BEND, Setting::Number(7.5))
            .expect("an allowed value");
        let key = |sha: &str, name: &str, unit, limits: &Limits| {
            Key::new(sha, Path::new(name), unit, limits)
        };
        let one = key("aa", "a.stl", None, &limits);
        assert_eq!(one, key("aa", "a.stl", None, &limits));
        for changed in [
            key("ab", "a.stl", None, &limits),
            key("aa", "b.stl", None, &limits),
            key("aa", "a.stl", Some("cm"), &limits),
            key("aa", "a.stl", None, &other),
        ] {
            assert_ne!(one.hex, changed.hex);
        }
        let odd = key("aa", "a <b>\"\n.stl", None, &limits);
        assert!(
            odd.stem
                .chars()
                .all(|c| c.is_ascii_alphanumeric() || "-_".contains(c))
        );
    }
}

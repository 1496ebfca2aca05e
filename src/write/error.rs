//! Why a file could not be written, and what to do about it.

use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

/// Why a file could not be written. Whatever stood under that name before is still there.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The system refused or failed.
    #[error("{}: {fact}", file.display())]
    System {
        /// The file that was to be written.
        file: PathBuf,
        /// What happened, in words.
        fact: String,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// There is a folder of that name.
    #[error("{}: this is a folder", file.display())]
    IsFolder {
        /// The name given.
        file: PathBuf,
    },
    /// There is a pipe or a device of that name; renaming a file over it would destroy it.
    #[error("{}: this is a pipe or a device, not a file", file.display())]
    NotAFile {
        /// The name given.
        file: PathBuf,
    },
    /// The file is one that is being read.
    #[error("{}: this is an input, which is never written over", file.display())]
    IsInput {
        /// The name given.
        file: PathBuf,
    },
    /// A number to be written is NaN or infinite, or does not fit the format.
    #[error("{}: {what} is {value}, which this format cannot hold", file.display())]
    NotFinite {
        /// The file that was to be written.
        file: PathBuf,
        /// Which number.
        what: String,
        /// Its value.
        value: f64,
    },
    /// What was asked for cannot be written in this format.
    #[error("{}: {fact}", file.display())]
    Unfit {
        /// The file that was to be written.
        file: PathBuf,
        /// What does not fit.
        fact: String,
    },
}

impl WriteError {
    /// What to do next, one sentence.
    #[must_use]
    pub fn help(&self) -> &'static str {
        match self {
            Self::System { source, .. } => match source.kind() {
                ErrorKind::NotFound => "make the folder first, or name another",
                ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
                    "name a folder that you may write to"
                }
                ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
                    "free some space or name another disk; nothing half-written was left behind"
                }
                _ => "try another folder",
            },
            Self::IsFolder { .. } => "give a file name inside it",
            Self::IsInput { .. } | Self::NotAFile { .. } => "give another name",
            Self::NotFinite { .. } => "this is a fault of the program; please report it",
            Self::Unfit { .. } => "correct the names or sizes given",
        }
    }

    pub(super) fn system(file: &Path, source: io::Error) -> Self {
        let fact = match source.kind() {
            ErrorKind::NotFound => "its folder does not exist".to_owned(),
            ErrorKind::NotADirectory => "its folder is a file".to_owned(),
            ErrorKind::PermissionDenied => "the system does not allow writing it".to_owned(),
            ErrorKind::StorageFull => "the disk is full".to_owned(),
            _ => format!("writing failed: {source}"),
        };
        Self::System {
            file: file.to_path_buf(),
            fact,
            source,
        }
    }
}

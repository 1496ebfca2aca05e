//! The zip archive around a 3MF file, opened with the caution that a stranger's archive needs:
//! parts are unpacked only when wanted, and never to more than a cap.

use std::io::{Cursor, Read};

use zip::ZipArchive;

use super::super::error::{Fault, Place, Trouble, shown};
use super::super::text::decode;

/// Entries in an archive. Too low: models in many parts fail (some hundred seen). Too high: the
/// search for a name walks all of them.
const MOST_ENTRIES: usize = 10_000;

/// Unpacked over packed size. Too low: meshes with many zeros fail (text of coordinates packs 4
/// to 12 times smaller). Too high: bombs (1000 and up) are unpacked far before they are refused.
const MOST_RATIO: u64 = 100;
/// Small archives may pack better; this much is always allowed.
const ALWAYS: u64 = 16 << 20;

pub(super) struct Archive<'a> {
    zip: ZipArchive<Cursor<&'a [u8]>>,
    /// Bytes that may still be unpacked.
    left: u64,
    cap: u64,
}

impl<'a> Archive<'a> {
    pub fn open(bytes: &'a [u8], max_bytes: u64) -> Result<Self, Fault> {
        let zip = ZipArchive::new(Cursor::new(bytes)).map_err(|e| {
            let fact = format!("not a whole zip archive: {}", shown(&e.to_string()));
            Fault::new(Trouble::CutShort, fact)
        })?;
        if zip.len() > MOST_ENTRIES {
            let n = zip.len();
            let fact = format!("an archive of {n} entries, and the cap is {MOST_ENTRIES}");
            return Err(Fault::new(Trouble::TooLarge, fact));
        }
        let by_ratio = (bytes.len() as u64).saturating_mul(MOST_RATIO);
        let cap = max_bytes.min(by_ratio.saturating_add(ALWAYS));
        Ok(Self {
            zip,
            left: cap,
            cap,
        })
    }

    /// The text of a part, or `None` where there is none of that name (case does not count).
    pub fn part(&mut self, name: &str) -> Result<Option<String>, Fault> {
        let Some(index) = self.find(name) else {
            return Ok(None);
        };
        let place = || Place::Part(name.to_owned(), None);
        let broken = |e: &dyn std::fmt::Display| {
            let fact = format!("cannot be unpacked: {}", shown(&e.to_string()));
            Fault::at(Trouble::Malformed, place(), fact)
        };
        if self
            .zip
            .by_index_raw(index)
            .map_err(|e| broken(&e))?
            .encrypted()
        {
            let fact = "is encrypted";
            return Err(Fault::at(Trouble::Encrypted, place(), fact));
        }
        let entry = self.zip.by_index(index).map_err(|e| broken(&e))?;
        let mut bytes = Vec::new();
        // What the archive says of its sizes is not believed; what comes out is counted.
        let most = self.left.saturating_add(1);
        entry
            .take(most)
            .read_to_end(&mut bytes)
            .map_err(|e| broken(&e))?;
        let Some(left) = self.left.checked_sub(bytes.len() as u64) else {
            let fact = format!("unpacks to more than {} bytes", self.cap);
            return Err(Fault::at(Trouble::TooLarge, place(), fact));
        };
        self.left = left;
        Ok(Some(match String::from_utf8(bytes) {
            Ok(text) if !text.starts_with('\u{feff}') => text,
            Ok(text) => text.trim_start_matches('\u{feff}').to_owned(),
            Err(e) => decode(e.as_bytes()).into_owned(),
        }))
    }

    fn find(&self, name: &str) -> Option<usize> {
        let wanted = name.trim_start_matches('/');
        (0..self.zip.len()).find(|&i| {
            let entry = self.zip.name_for_index(i).and_then(Result::ok);
            entry.is_some_and(|e| e.trim_start_matches('/').eq_ignore_ascii_case(wanted))
        })
    }
}

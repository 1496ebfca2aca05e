//! From bytes to a [`Scan`]: tell the kind, read it, settle the unit, weld. The unit is settled
//! between the two welds, because a tolerance in millimetres means nothing before.

use std::fmt::Write;
use std::path::Path;

use sha2::{Digest, Sha256};

use crate::mesh::Mesh;

use super::error::{Fault, Trouble};
use super::file::too_large;
use super::raw::Raw;
use super::size::{extent, plausible, plausible_units, with_stand};
use super::weld::weld_near;
use super::{ReadError, ReadOptions, Scan, Unit, UnitFrom, Weld, sniff};

/// Reads a mesh from bytes; `path` is the name it is reported under, and its ending a hint where
/// the content alone leaves the kind open.
///
/// # Errors
/// As [`super::read_file`].
pub fn read_bytes(bytes: &[u8], path: &Path, opts: &ReadOptions) -> Result<Scan, ReadError> {
    // The digest of a large file takes as long as its parse; they share no data.
    let (sha256, read) = rayon::join(|| sha256(bytes), || surface(bytes, path, opts));
    let mut scan = read.map_err(|fault| fault.in_file(path))?;
    scan.sha256 = sha256;
    Ok(scan)
}

fn surface(bytes: &[u8], path: &Path, opts: &ReadOptions) -> Result<Scan, Fault> {
    check_options(bytes, opts)?;
    let mut raw = sniff::read(bytes, path, opts)?;
    check_any(&raw)?;
    let settled = settle_unit(&mut raw, opts);
    let scale = settled.unit.map_or(1.0, Unit::in_mm);
    #[allow(clippy::float_cmp)] // the constant itself, not a computed value
    if scale != 1.0 {
        raw.points.iter_mut().for_each(|p| *p *= scale);
    }
    let after_exact = raw.points.len();
    let tolerance_mm = match settled.unit {
        Some(_) => opts.weld_tolerance_mm,
        None => 0.0,
    };
    let collapsed = weld_near(&mut raw.points, &mut raw.facets, tolerance_mm);
    check_any(&raw)?;
    let weld = Weld {
        before: raw.listed,
        after_exact,
        after: raw.points.len(),
        collapsed,
        tolerance_mm,
    };
    let mesh = Mesh::new(raw.points, raw.facets)
        .map_err(|e| Fault::new(Trouble::Malformed, e.to_string()))?;
    Ok(Scan {
        mesh,
        path: path.to_path_buf(),
        sha256: String::new(),
        bytes: bytes.len() as u64,
        format: raw.format,
        unit: settled.unit,
        unit_from: settled.from,
        plausible_units: settled.plausible,
        weld,
        notes: raw.notes,
    })
}

fn check_any(raw: &Raw) -> Result<(), Fault> {
    if !raw.facets.is_empty() {
        return Ok(());
    }
    let mut fact = "there is not one facet in it".to_owned();
    if !raw.notes.is_empty() {
        fact = format!("{fact} ({})", raw.notes.join("; "));
    }
    Err(Fault::new(Trouble::NoSurface, fact))
}

fn check_options(bytes: &[u8], opts: &ReadOptions) -> Result<(), Fault> {
    let most = ReadOptions::MOST_WELD_MM;
    if !(0.0..=most).contains(&opts.weld_tolerance_mm) {
        let given = opts.weld_tolerance_mm;
        let fact = format!("a weld tolerance of {given} mm; it must be 0 to {most} mm");
        return Err(Fault::new(Trouble::BadOption, fact));
    }
    if bytes.is_empty() {
        return Err(Fault::new(Trouble::Empty, "the file is empty"));
    }
    if bytes.len() as u64 > opts.max_bytes {
        return Err(too_large(bytes.len() as u64, opts.max_bytes));
    }
    Ok(())
}

struct Settled {
    unit: Option<Unit>,
    from: UnitFrom,
    plausible: Vec<Unit>,
}

/// The file's own word, then the user's, then millimetres if the size is that of an impression.
fn settle_unit(raw: &mut Raw, opts: &ReadOptions) -> Settled {
    let said = |unit, from| Settled {
        unit: Some(unit),
        from,
        plausible: Vec::new(),
    };
    let size = extent(&raw.points);
    if let Some(own) = raw.unit {
        if let Some(given) = opts.unit.filter(|u| *u != own) {
            raw.notes.push(format!(
                "the file says its unit is {own}, so the unit given ({given}) was not used"
            ));
        }
        return said(own, UnitFrom::File);
    }
    if let Some(given) = opts.unit {
        if !plausible(size, given) {
            raw.notes.push(format!(
                "read in {given} as told, it is {:.3} mm across, which is no size of an ear impression",
                size * given.in_mm()
            ));
        }
        return said(given, UnitFrom::Option);
    }
    if plausible(size, Unit::Mm) {
        return said(Unit::Mm, UnitFrom::PlausibleSize);
    }
    if with_stand(size) {
        raw.notes.push(format!(
            "read in mm it is {size:.1} mm across, more than an impression alone: a stand or plate \
             may be scanned with it"
        ));
        return said(Unit::Mm, UnitFrom::PlausibleSize);
    }
    Settled {
        unit: None,
        from: UnitFrom::Unknown,
        plausible: plausible_units(size),
    }
}

/// SHA-256 of bytes, lower-case hex.
pub(crate) fn sha256(bytes: &[u8]) -> String {
    let mut hex = String::with_capacity(64);
    for byte in Sha256::digest(bytes) {
        write!(hex, "{byte:02x}").expect("writing to a String cannot fail");
    }
    hex
}

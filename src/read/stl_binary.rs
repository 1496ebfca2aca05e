//! Binary STL: 80 bytes of anything, a count, 50 bytes a facet. The count is believed only as
//! far as the bytes bear it out; normals and attribute words are not used, since the winding
//! says the same and is what everything later measures by.

use crate::mesh::Point;

use super::Format;
use super::error::{Fault, Place, Trouble};
use super::raw::{Raw, check_cap, check_finite};
use super::weld::PointTable;

/// Header and count.
pub(super) const HEAD: usize = 84;
/// One facet: normal, three corners, attribute word.
pub(super) const FACET: usize = 50;

/// Beyond this distance from the origin (file units) an f32 coordinate moves in steps over 0.001.
const COARSE: f64 = 16_384.0;

/// The header's count, if there is a whole header.
pub(super) fn count(bytes: &[u8]) -> Option<u64> {
    let word: [u8; 4] = bytes.get(80..HEAD)?.try_into().ok()?;
    Some(u64::from(u32::from_le_bytes(word)))
}

/// Does the length say exactly that this is binary STL?
pub(super) fn length_fits(bytes: &[u8]) -> bool {
    count(bytes).is_some_and(|n| HEAD as u64 + FACET as u64 * n == bytes.len() as u64)
}

pub(super) fn read(bytes: &[u8], max_facets: usize) -> Result<Raw, Fault> {
    let mut notes = Vec::new();
    let facets = facets_there(bytes, &mut notes)?;
    check_cap(facets, max_facets)?;
    let body = &bytes[HEAD..HEAD + FACET * facets];
    let mut table = PointTable::with_room(facets / 2 + 4);
    let mut corners_of = Vec::with_capacity(facets);
    let mut farthest = 0.0f64;
    for (f, record) in body.chunks_exact(FACET).enumerate() {
        let corners = [12, 24, 36].map(|at| point(record, at));
        check_finite(f, corners)?;
        let mut named = [0; 3];
        for (name, p) in named.iter_mut().zip(corners) {
            farthest = farthest.max(p.coords.amax());
            *name = table.index_of(p)?;
        }
        corners_of.push(named);
    }
    if farthest > COARSE {
        notes.push(format!(
            "the mesh lies up to {farthest:.0} from the origin, where this format's numbers \
             move in steps of {:.1e}",
            farthest * f64::from(f32::EPSILON)
        ));
    }
    Ok(Raw {
        points: table.into_points(),
        facets: corners_of,
        listed: 3 * facets,
        format: Format::StlBinary,
        unit: None,
        notes,
    })
}

/// How many facets to read: what the count says where the bytes agree, a note or an error where
/// they don't.
fn facets_there(bytes: &[u8], notes: &mut Vec<String>) -> Result<usize, Fault> {
    let Some(said) = count(bytes) else {
        let fact = format!(
            "{} bytes are no STL file, which has 84 or more",
            bytes.len()
        );
        return Err(Fault::new(Trouble::CutShort, fact));
    };
    let body = bytes.len() - HEAD;
    let (whole, rest) = (body / FACET, body % FACET);
    if said == whole as u64 {
        if rest > 0 {
            notes.push(format!("{rest} bytes after the last facet were left out"));
        }
        return Ok(whole);
    }
    // Programs that stream facets write 0 or all ones first and may never come back to it.
    let placeholder = said == 0 || said == u64::from(u32::MAX);
    if placeholder && whole > 0 && rest == 0 {
        notes.push(format!(
            "the header counts {said} facets; the {whole} that are there were read"
        ));
        return Ok(whole);
    }
    if said > whole as u64 {
        let fact = format!("the header counts {said} facets, but the file ends after {whole}");
        return Err(Fault::at(
            Trouble::CutShort,
            Place::Byte(bytes.len() as u64),
            fact,
        ));
    }
    if rest == 0 || said == 0 {
        let fact = format!("the header counts {said} facets, but there are bytes for {whole}");
        return Err(Fault::at(Trouble::Malformed, Place::Byte(80), fact));
    }
    // Less than the file holds, and what follows is no row of facets: something appended.
    let left = body - FACET * said as usize;
    notes.push(format!("{left} bytes after the last facet were left out"));
    Ok(said as usize)
}

fn point(record: &[u8], at: usize) -> Point {
    let c = |i: usize| {
        let word = [record[i], record[i + 1], record[i + 2], record[i + 3]];
        f64::from(f32::from_le_bytes(word))
    };
    Point::new(c(at), c(at + 4), c(at + 8))
}

//! OFF, the plain text kind: counts, points, faces, one a line. Prefixed kinds (`COFF`, `NOFF`…)
//! put more numbers after a point's three and are read by those three.

use crate::mesh::Point;

use super::Format;
use super::error::{Fault, Place, Trouble, shown};
use super::polygon::Faces;
use super::raw::{Raw, check_cap};
use super::text::{Lines, number};

/// Does this word open an OFF file?
pub(super) fn is_keyword(word: &str) -> bool {
    word.strip_suffix("OFF")
        .is_some_and(|prefix| prefix.chars().all(|c| "STCN4n".contains(c)))
}

pub(super) fn read(text: &str, max_facets: usize) -> Result<Raw, Fault> {
    let mut lines = Lines::new(text)
        .map(|(n, line)| (n, line.split('#').next().unwrap_or_default().trim()))
        .filter(|(_, line)| !line.is_empty());
    let (said_points, said_faces) = counts(&mut lines)?;
    let mut points = Vec::new();
    while (points.len() as u64) < said_points {
        let Some((n, line)) = lines.next() else {
            return Err(cut_short("points", points.len(), said_points));
        };
        points.push(point(n, line)?);
    }
    let mut faces = Faces::default();
    while (faces.len() as u64) < said_faces {
        let Some((n, line)) = lines.next() else {
            return Err(cut_short("faces", faces.len(), said_faces));
        };
        faces.push(face(n, line)?, Some(n));
        check_cap(faces.len(), max_facets)?;
    }
    let mut notes = Vec::new();
    let facets = faces.cut(&points, max_facets, &mut notes)?;
    let left = lines.count();
    if left > 0 {
        notes.push(format!("{left} lines after the last face were left out"));
    }
    Raw::from_indexed(&points, facets, Format::Off, notes)
}

fn cut_short(what: &str, got: usize, said: u64) -> Fault {
    let fact = format!("the file counts {said} {what}, but ends after {got}");
    Fault::new(Trouble::CutShort, fact)
}

/// Reads past the keyword (which may be missing, or share its line with the counts).
fn counts<'a>(lines: &mut impl Iterator<Item = (usize, &'a str)>) -> Result<(u64, u64), Fault> {
    let empty = || Fault::new(Trouble::CutShort, "the file ends before its counts");
    let (mut n, mut line) = lines.next().ok_or_else(empty)?;
    let first = line.split_ascii_whitespace().next().unwrap_or_default();
    if is_keyword(first) {
        if first.contains('4') || first.contains('n') {
            let fact = format!("{first} holds points of more than three dimensions");
            return Err(Fault::at(Trouble::Unsupported, Place::Line(n), fact));
        }
        line = line[first.len()..].trim();
        if line.starts_with("BINARY") {
            let fact = "binary OFF is not read";
            return Err(Fault::at(Trouble::Unsupported, Place::Line(n), fact));
        }
        if line.is_empty() {
            (n, line) = lines.next().ok_or_else(empty)?;
        }
    }
    let mut words = line.split_ascii_whitespace();
    let mut count = || whole(words.next().unwrap_or_default(), n);
    Ok((count()?, count()?))
}

fn whole(word: &str, line: usize) -> Result<u64, Fault> {
    word.parse().map_err(|_| {
        let fact = format!("\"{}\" where a count should be", shown(word));
        Fault::at(Trouble::Malformed, Place::Line(line), fact)
    })
}

fn point(n: usize, line: &str) -> Result<Point, Fault> {
    let mut words = line.split_ascii_whitespace();
    let mut next = || number(words.next().unwrap_or_default(), || Place::Line(n));
    Ok(Point::new(next()?, next()?, next()?))
}

fn face(n: usize, line: &str) -> Result<Vec<u32>, Fault> {
    let mut words = line.split_ascii_whitespace();
    let corners = whole(words.next().unwrap_or_default(), n)?;
    let mut polygon = Vec::new();
    for _ in 0..corners {
        let Some(word) = words.next() else {
            let got = polygon.len();
            let fact = format!("a face of {corners} corners names only {got}");
            return Err(Fault::at(Trouble::Malformed, Place::Line(n), fact));
        };
        // What does not fit 32 bits is out of range of any file, and is told so later.
        polygon.push(u32::try_from(whole(word, n)?).unwrap_or(u32::MAX));
    }
    Ok(polygon)
}

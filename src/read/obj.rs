//! OBJ: `v` and `f` lines, and nothing else of it, since only the surface is wanted. Read here
//! and not by a crate: the one that is kept rounds to 32 bits, tells no line in its errors, and
//! would need bytes, line ends, continued lines, colours and groups all cleaned beforehand; it
//! judges this reader in the tests.

use std::borrow::Cow;

use crate::mesh::Point;

use super::Format;
use super::error::{Fault, Place, Trouble, shown};
use super::polygon::Faces;
use super::raw::{Raw, check_cap};
use super::text::{Lines, number};

/// Words that announce curved surfaces and curves, which are no facets.
const CURVED: [&str; 5] = ["curv", "curv2", "surf", "cstype", "con"];
/// Words that announce lone points and lines.
const LONE: [&str; 2] = ["p", "l"];
/// Every other word that may open a line.
const HARMLESS: [&str; 27] = [
    "vt",
    "vn",
    "vp",
    "g",
    "o",
    "s",
    "mg",
    "usemtl",
    "mtllib",
    "maplib",
    "usemap",
    "bevel",
    "c_interp",
    "d_interp",
    "lod",
    "shadow_obj",
    "trace_obj",
    "ctech",
    "stech",
    "deg",
    "bmat",
    "step",
    "parm",
    "trim",
    "hole",
    "end",
    "scrv",
];

/// May a line of an OBJ file open with this word?
pub(super) fn is_keyword(word: &str) -> bool {
    word == "v" || word == "f" || [&CURVED[..], &LONE, &HARMLESS].concat().contains(&word)
}

/// Is there a line that gives a point?
pub(super) fn holds_a_point(text: &str) -> bool {
    Lines::new(text).any(|(_, line)| {
        let mut words = line.split_ascii_whitespace();
        words.next() == Some("v") && words.next().is_some_and(|w| w.parse::<f64>().is_ok())
    })
}

pub(super) fn read(text: &str, max_facets: usize) -> Result<Raw, Fault> {
    let mut reader = Reader::default();
    let mut lines = Lines::new(text);
    while let Some((n, line)) = lines.next() {
        let line = whole_line(line, &mut lines);
        let line = line.split('#').next().unwrap_or_default();
        let mut words = line.split_ascii_whitespace();
        let Some(word) = words.next() else { continue };
        match word {
            "v" => reader.point(n, words)?,
            "f" | "fo" => reader.face(n, words)?,
            _ if CURVED.contains(&word) => reader.curved += 1,
            _ if LONE.contains(&word) => reader.lone += 1,
            _ if HARMLESS.contains(&word) => {}
            _ => reader.unknown.push(n),
        }
        check_cap(reader.faces.len(), max_facets)?;
    }
    let mut notes = reader.notes();
    let facets = reader.faces.cut(&reader.points, max_facets, &mut notes)?;
    Raw::from_indexed(&reader.points, facets, Format::Obj, notes)
}

/// Joins lines that end in `\` with the next.
fn whole_line<'a>(line: &'a str, lines: &mut Lines<'a>) -> Cow<'a, str> {
    let mut whole = Cow::Borrowed(line);
    while let Some(start) = whole.trim_end().strip_suffix('\\') {
        let Some((_, next)) = lines.next() else { break };
        whole = format!("{start} {next}").into();
    }
    whole
}

#[derive(Default)]
struct Reader {
    points: Vec<Point>,
    faces: Faces,
    polygon: Vec<u32>,
    curved: usize,
    lone: usize,
    /// Lines that open with a word that is none of the format's.
    unknown: Vec<usize>,
}

impl Reader {
    /// `v x y z`; a fourth number is a weight (divides the others), six and more carry a colour.
    fn point<'a>(&mut self, n: usize, words: impl Iterator<Item = &'a str>) -> Result<(), Fault> {
        let mut c = [0.0; 4];
        let mut got = 0;
        for word in words {
            if let Some(slot) = c.get_mut(got) {
                *slot = number(word, || Place::Line(n))?;
            }
            got += 1;
        }
        if got < 3 {
            let fact = format!("a point with {got} coordinates");
            return Err(Fault::at(Trouble::Malformed, Place::Line(n), fact));
        }
        let weight = if got == 4 { c[3] } else { 1.0 };
        self.points.push(Point::new(c[0], c[1], c[2]) / weight);
        Ok(())
    }

    fn face<'a>(&mut self, n: usize, words: impl Iterator<Item = &'a str>) -> Result<(), Fault> {
        self.polygon.clear();
        for word in words {
            self.polygon.push(corner(word, self.points.len(), n)?);
        }
        self.faces.push(self.polygon.iter().copied(), Some(n));
        Ok(())
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.curved > 0 {
            notes.push("curves and curved surfaces were left out".to_owned());
        }
        if self.lone > 0 {
            let n = self.lone;
            notes.push(format!("{n} lone points or lines were left out"));
        }
        if let Some(first) = self.unknown.first() {
            let n = self.unknown.len();
            notes.push(format!(
                "{n} lines of no known kind were left out, the first is line {first}"
            ));
        }
        notes
    }
}

/// `7`, `7/1`, `7//3`, `7/1/3`, or counted back from the last point so far: `-1`.
fn corner(word: &str, points: usize, n: usize) -> Result<u32, Fault> {
    let fault = |fact| Err(Fault::at(Trouble::Malformed, Place::Line(n), fact));
    let digits = word.split('/').next().unwrap_or_default();
    let Ok(said) = digits.parse::<i64>() else {
        let fact = format!("\"{}\" where the number of a point should be", shown(word));
        return fault(fact);
    };
    let index = if said < 0 {
        said.saturating_add(points as i64)
    } else {
        said - 1
    };
    match u32::try_from(index) {
        Ok(i) => Ok(i),
        Err(_) => fault(format!("names point {said}, but {points} are there so far")),
    }
}

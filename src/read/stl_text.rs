//! Text STL, as programs write it rather than as it was once described: any case, several words
//! on a line, names of anything or nothing, several solids, no `endsolid`. Normals are skipped
//! (some are `nan`); the winding says the same.

use crate::mesh::Point;

use super::Format;
use super::error::{Fault, Place, Trouble, shown};
use super::polygon::Cutter;
use super::raw::{Raw, check_cap, check_finite};
use super::text::{Lines, number};
use super::weld::PointTable;

pub(super) fn read(text: &str, max_facets: usize) -> Result<Raw, Fault> {
    let mut reader = Reader {
        words: Words::new(text),
        table: PointTable::with_room(0),
        facets: Vec::new(),
        listed: 0,
        cutter: Cutter::default(),
        max_facets,
    };
    let ends = reader.solids()?;
    let mut notes = Vec::new();
    if ends.filled > 1 {
        let n = ends.filled;
        notes.push(format!(
            "{n} solids in one file were joined into one surface"
        ));
    }
    if ends.open {
        notes.push("the last solid has no endsolid; the file may be cut short".to_owned());
    }
    reader.cutter.tell(&mut notes);
    Ok(Raw {
        points: reader.table.into_points(),
        facets: reader.facets,
        listed: reader.listed,
        format: Format::StlText,
        unit: None,
        notes,
    })
}

/// Words with their lines; a name is skipped to the end of its line or to the next facet.
struct Words<'a> {
    lines: Lines<'a>,
    rest: std::str::SplitAsciiWhitespace<'a>,
    line: usize,
}

impl<'a> Words<'a> {
    fn new(text: &'a str) -> Self {
        Self {
            lines: Lines::new(text),
            rest: "".split_ascii_whitespace(),
            line: 0,
        }
    }

    fn next(&mut self) -> Option<&'a str> {
        loop {
            if let Some(word) = self.rest.next() {
                return Some(word);
            }
            let (number, line) = self.lines.next()?;
            self.line = number;
            self.rest = line.split_ascii_whitespace();
        }
    }

    /// The name after `solid` or `endsolid` may be any words. It ends with the line, or, where
    /// the file does not break its lines, at `facet normal` or a last `endsolid`.
    fn skip_name(&mut self) {
        loop {
            let mut ahead = self.rest.clone();
            let Some(word) = ahead.next() else { return };
            let facet = is(word, "facet") && ahead.next().is_some_and(|w| is(w, "normal"));
            if facet || (is(word, "endsolid") && ahead.next().is_none()) {
                return;
            }
            self.rest.next();
        }
    }
}

fn is(word: &str, keyword: &str) -> bool {
    word.eq_ignore_ascii_case(keyword)
}

struct Ends {
    /// Solids with a facet in them.
    filled: usize,
    /// The last one was not closed.
    open: bool,
}

struct Reader<'a> {
    words: Words<'a>,
    table: PointTable,
    facets: Vec<[u32; 3]>,
    listed: usize,
    cutter: Cutter,
    max_facets: usize,
}

impl<'a> Reader<'a> {
    fn solids(&mut self) -> Result<Ends, Fault> {
        let (mut filled, mut open, mut before) = (0, false, 0);
        while let Some(word) = self.words.next() {
            if is(word, "facet") {
                self.facet()?;
                check_cap(self.facets.len(), self.max_facets)?;
            } else if is(word, "solid") || is(word, "endsolid") {
                filled += usize::from(self.facets.len() > before);
                before = self.facets.len();
                open = is(word, "solid");
                self.words.skip_name();
            } else {
                return Err(self.unexpected(word, "facet or endsolid"));
            }
        }
        filled += usize::from(self.facets.len() > before);
        Ok(Ends { filled, open })
    }

    fn facet(&mut self) -> Result<(), Fault> {
        loop {
            let word = self.word()?;
            if is(word, "outer") {
                break;
            }
            if is(word, "vertex") || is(word, "facet") || is(word, "endfacet") {
                return Err(self.unexpected(word, "outer loop"));
            }
        }
        self.expect("loop")?;
        let mut corners = Vec::with_capacity(3);
        loop {
            let word = self.word()?;
            if is(word, "vertex") {
                corners.push(self.point()?);
            } else if is(word, "endloop") {
                break;
            } else {
                return Err(self.unexpected(word, "vertex or endloop"));
            }
        }
        self.expect("endfacet")?;
        self.add(&corners)
    }

    fn add(&mut self, corners: &[Point]) -> Result<(), Fault> {
        if corners.len() < 3 {
            let fact = format!("a facet with {} corners", corners.len());
            return Err(Fault::at(
                Trouble::Malformed,
                Place::Line(self.words.line),
                fact,
            ));
        }
        self.listed += corners.len();
        for &p in corners {
            check_finite(self.facets.len(), [p; 3])?;
        }
        if let &[a, b, c] = corners {
            let mut index = |p| self.table.index_of(p);
            self.facets.push([index(a)?, index(b)?, index(c)?]);
            return Ok(());
        }
        let mut cut = Vec::new();
        let all: Vec<u32> = (0..).take(corners.len()).collect();
        self.cutter.cut(corners, &all, &mut cut)?;
        for triangle in cut {
            let mut index = |i: u32| self.table.index_of(corners[i as usize]);
            let [a, b, c] = triangle;
            self.facets.push([index(a)?, index(b)?, index(c)?]);
        }
        Ok(())
    }

    fn point(&mut self) -> Result<Point, Fault> {
        let mut c = [0.0; 3];
        for value in &mut c {
            let word = self.word()?;
            *value = number(word, || Place::Line(self.words.line))?;
        }
        Ok(Point::from(c))
    }

    fn word(&mut self) -> Result<&'a str, Fault> {
        self.words.next().ok_or_else(|| {
            let fact = "the file ends in the middle of a facet";
            Fault::at(Trouble::CutShort, Place::Line(self.words.line), fact)
        })
    }

    fn expect(&mut self, keyword: &str) -> Result<(), Fault> {
        let word = self.word()?;
        if is(word, keyword) {
            return Ok(());
        }
        Err(self.unexpected(word, keyword))
    }

    fn unexpected(&self, word: &str, wanted: &str) -> Fault {
        let fact = format!("\"{}\" where {wanted} should be", shown(word));
        Fault::at(Trouble::Malformed, Place::Line(self.words.line), fact)
    }
}

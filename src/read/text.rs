//! Bytes of a text file made plain: byte-order marks, UTF-16, stray Latin-1 bytes and the three
//! kinds of line end. Numbers are read here too, so that a decimal comma is found in any format.

use std::borrow::Cow;

use super::error::{Fault, Place, Trouble, shown};

/// The text of the bytes. Bytes that are no UTF-8 (a Latin-1 name, say) become `�`: none of the
/// words or numbers of a mesh format holds one, so nothing that matters can be lost.
pub(super) fn decode(bytes: &[u8]) -> Cow<'_, str> {
    match bytes {
        [0xef, 0xbb, 0xbf, rest @ ..] => String::from_utf8_lossy(rest),
        [0xff, 0xfe, rest @ ..] => utf16(rest, u16::from_le_bytes).into(),
        [0xfe, 0xff, rest @ ..] => utf16(rest, u16::from_be_bytes).into(),
        _ => String::from_utf8_lossy(bytes),
    }
}

fn utf16(bytes: &[u8], word: fn([u8; 2]) -> u16) -> String {
    let words = bytes.chunks_exact(2).map(|b| word([b[0], b[1]]));
    char::decode_utf16(words)
        .map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER))
        .collect()
}

/// Lines with their numbers from 1, whether they end in LF, CR or both.
pub(super) struct Lines<'a> {
    rest: Option<&'a str>,
    number: usize,
}

impl<'a> Lines<'a> {
    pub const fn new(text: &'a str) -> Self {
        Self {
            rest: Some(text),
            number: 0,
        }
    }
}

impl<'a> Iterator for Lines<'a> {
    type Item = (usize, &'a str);

    fn next(&mut self) -> Option<Self::Item> {
        let text = self.rest?;
        self.number += 1;
        let end = text.bytes().position(|b| b == b'\n' || b == b'\r');
        let Some(end) = end else {
            self.rest = None;
            return Some((self.number, text));
        };
        let (line, after) = text.split_at(end);
        let skip = if after.starts_with("\r\n") { 2 } else { 1 };
        self.rest = Some(&after[skip..]);
        Some((self.number, line))
    }
}

/// A number in a text file. NaN and infinities are let through: whether they matter (a normal
/// does not) is for the caller.
pub(super) fn number(token: &str, place: impl FnOnce() -> Place) -> Result<f64, Fault> {
    if let Ok(value) = token.parse() {
        return Ok(value);
    }
    let place = place();
    let plain = |c: char| c.is_ascii_digit() || ",+-.eE".contains(c);
    if token.contains(',') && token.chars().all(plain) {
        let fact = format!("\"{}\" has a comma in a number", shown(token));
        return Err(Fault::at(Trouble::DecimalComma, place, fact));
    }
    let fact = format!("\"{}\" where a number should be", shown(token));
    Err(Fault::at(Trouble::Malformed, place, fact))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_kinds_of_line_end_and_their_numbers() {
        let got: Vec<_> = Lines::new("a\r\nb\rc\n\nd").collect();
        assert_eq!(got, [(1, "a"), (2, "b"), (3, "c"), (4, ""), (5, "d")]);
    }

    #[test]
    fn marks_and_wide_letters() {
        assert_eq!(decode(b"\xef\xbb\xbfsolid"), "solid");
        assert_eq!(decode(b"\xff\xfev\0 \0"), "v ");
        assert_eq!(decode(b"\xfe\xff\0v\0 "), "v ");
        assert_eq!(decode(b"solid M\xfcller"), "solid M\u{fffd}ller");
    }

    #[test]
    fn commas_are_told_from_other_nonsense() {
        let at = || Place::Line(3);
        assert_eq!(
            number("1,5", at).unwrap_err().trouble,
            Trouble::DecimalComma
        );
        assert_eq!(number("one", at).unwrap_err().trouble, Trouble::Malformed);
        assert_eq!(number("a,b", at).unwrap_err().trouble, Trouble::Malformed);
        assert!(number("nan", at).unwrap().is_nan());
    }
}

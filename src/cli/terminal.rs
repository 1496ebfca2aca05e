//! The terminal's width. Reports are laid out for 80 columns; on a narrower terminal long lines are
//! broken once more here, since a terminal that breaks them itself breaks words and loses the
//! indent.

use std::borrow::Cow;

use terminal_size::{Width, terminal_size_of};

/// Narrower than this no line is broken: nothing would be read more easily.
const LEAST: usize = 30;

/// Columns of the terminal that the output goes to; `None` where it goes elsewhere.
pub(super) fn width() -> Option<usize> {
    let (Width(columns), _) = terminal_size_of(std::io::stdout())?;
    (columns > 0).then_some(usize::from(columns))
}

/// The text with every line that is wider than `width` broken at spaces, what follows indented as
/// the line's own text is.
pub(super) fn narrowed(text: &str, width: usize) -> Cow<'_, str> {
    if width < LEAST || text.lines().all(|line| columns(line) <= width) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + text.len() / 8);
    for line in text.split_inclusive('\n') {
        let (body, end) = line
            .strip_suffix('\n')
            .map_or((line, ""), |body| (body, "\n"));
        if columns(body) <= width {
            out.push_str(body);
        } else {
            broken(body, width, &mut out);
        }
        out.push_str(end);
    }
    Cow::Owned(out)
}

fn broken(line: &str, width: usize, out: &mut String) {
    let hang = hang(line).min(width / 3);
    // Spaces within a line stand with the word after them, so that what is aligned stays so.
    let mut at = 0;
    let mut rest = line;
    while !rest.is_empty() {
        let spaces = rest.len() - rest.trim_start_matches(' ').len();
        let word_end = rest[spaces..].find(' ').map_or(rest.len(), |i| spaces + i);
        let (word, next) = rest.split_at(word_end);
        let wide = columns(word);
        if at > 0 && at + wide > width && columns(word.trim_start()) > 0 {
            out.push('\n');
            out.push_str(&" ".repeat(hang));
            out.push_str(word.trim_start());
            at = hang + columns(word.trim_start());
        } else {
            out.push_str(word);
            at += wide;
        }
        rest = next;
    }
}

/// Where the line's own text begins: after its indent, or after a label and the gap behind it.
fn hang(line: &str) -> usize {
    let plain = anstream::adapter::strip_str(line).to_string();
    let indent = plain.len() - plain.trim_start().len();
    if indent > 0 {
        return indent;
    }
    plain
        .find("  ")
        .map_or(2, |gap| plain.len() - plain[gap..].trim_start().len())
}

/// Columns that a line takes: escapes take none.
fn columns(line: &str) -> usize {
    anstream::adapter::strip_str(line)
        .to_string()
        .chars()
        .count()
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "\u{1b}[1mbreaks\u{1b}[0m       hole-elsewhere (repair, then design)\n             Outside the seal zone, is every hole small enough to fill in\n             passing?\n\ncanal        24.44 ± 0.07 mm long\n";

    #[test]
    fn nothing_changes_where_it_is_wide_enough() {
        assert_eq!(narrowed(TEXT, 80), TEXT);
        assert_eq!(narrowed(TEXT, 10), TEXT, "too narrow to help");
    }

    #[test]
    fn no_line_is_wider_and_no_word_is_lost() {
        for width in 30..80 {
            let got = narrowed(TEXT, width);
            for line in got.lines() {
                assert!(columns(line) <= width, "{width}: {line}");
            }
            let words = |t: &str| t.split_whitespace().map(str::to_owned).collect::<Vec<_>>();
            assert_eq!(words(&got), words(TEXT));
            assert_eq!(got.lines().filter(|l| l.is_empty()).count(), 1);
        }
    }

    #[test]
    fn what_follows_is_indented_as_the_text() {
        let got = narrowed(TEXT, 44);
        let lines: Vec<&str> = got.lines().collect();
        assert_eq!(lines[2], "             Outside the seal zone, is every");
        assert_eq!(lines[3], "             hole small enough to fill in");
    }

    #[test]
    fn a_word_wider_than_the_terminal_stands_alone() {
        let got = narrowed(
            "sha256       f590aa01f91a525353fc8f4d1e0c6fdd7d1154fa4dcb",
            30,
        );
        assert_eq!(got.lines().count(), 2, "{got}");
    }
}

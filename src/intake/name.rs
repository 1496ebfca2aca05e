//! What a file's name says: its order number and its side. Common practice, no source: a name begins
//! with the order ("PIT-0417", "A12", "20417") and says left or right as a word of its own.

use crate::canal::Side;

/// What a name says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Named {
    /// Order number as written; `None` where the name begins with none.
    pub order: Option<String>,
    /// The side it says; `None` where it says none, or both.
    pub side: Option<Side>,
}

/// Reads a file's name without its ending.
#[must_use]
pub fn named(stem: &str) -> Named {
    Named {
        order: order(stem),
        side: side(stem),
    }
}

/// The side that a file's name tells.
#[must_use]
pub fn named_side(path: &std::path::Path) -> Option<Side> {
    named(&path.file_stem().unwrap_or_default().to_string_lossy()).side
}

/// Letters, a dash or underscore perhaps, and figures, ended by anything that is neither.
fn order(stem: &str) -> Option<String> {
    let letters = stem.chars().take_while(char::is_ascii_alphabetic).count();
    let after = &stem[letters..];
    let dash = usize::from(letters > 0 && after.starts_with(['-', '_']));
    let digits = after[dash..]
        .chars()
        .take_while(char::is_ascii_digit)
        .count();
    let end = letters + dash + digits;
    let ended = !stem[end..].starts_with(char::is_alphanumeric);
    (digits > 0 && ended).then(|| stem[..end].to_owned())
}

fn side(stem: &str) -> Option<Side> {
    let words = stem
        .split(|c: char| !c.is_alphanumeric())
        .map(str::to_ascii_lowercase);
    let sides: Vec<Side> = words
        .filter_map(|w| match w.as_str() {
            "l" | "left" => Some(Side::Left),
            "r" | "right" => Some(Side::Right),
            _ => None,
        })
        .collect();
    let first = *sides.first()?;
    sides.iter().all(|&s| s == first).then_some(first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn orders_and_sides_are_read_and_never_guessed() {
        let cases = [
            (
                "PIT-0417-bassoon-right",
                Some("PIT-0417"),
                Some(Side::Right),
            ),
            ("20417_L", Some("20417"), Some(Side::Left)),
            ("A12 left ear", Some("A12"), Some(Side::Left)),
            ("PIT_9", Some("PIT_9"), None),
            ("bright-left", None, Some(Side::Left)),
            ("PIT-0417-left-and-right", Some("PIT-0417"), None),
            ("scan", None, None),
            ("A12b", None, None),
            ("", None, None),
            ("\u{e4}-12", None, None),
        ];
        for (stem, order, side) in cases {
            let want = Named {
                order: order.map(str::to_owned),
                side,
            };
            assert_eq!(named(stem), want, "{stem}");
        }
    }
}

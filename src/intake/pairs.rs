//! Left and right of one order side by side: a person's two canals are far more alike than two
//! people's (Balouch et al. 2023; Voss et al. 2020), so what is said here is for a look, not a check.

use std::collections::BTreeMap;

use crate::canal::Side;

/// One scan as far as pairs go.
#[derive(Debug, Clone, PartialEq)]
pub struct Ear {
    /// Its order number.
    pub order: Option<String>,
    /// Which ear.
    pub side: Option<Side>,
    /// Canal length, mm, where one was measured whole.
    pub length_mm: Option<f64>,
    /// Digest of its file: a file is no pair with its own copy.
    pub sha256: Option<String>,
}

/// For every scan what is to be said of its order's other scan; empty without an order.
#[must_use]
pub fn pair_words(ears: &[Ear]) -> Vec<String> {
    let mut orders: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, ear) in ears.iter().enumerate() {
        if let Some(order) = &ear.order {
            orders.entry(order).or_default().push(i);
        }
    }
    let mut out = vec![String::new(); ears.len()];
    for these in orders.values() {
        for &i in these {
            out[i] = words(ears, i, these);
        }
    }
    out
}

/// The order of a list, as indices: by order number, the left ear before the right, and as given
/// where both are the same; scans without an order come last. Figures within an order count as
/// numbers: A9 before A10.
#[must_use]
pub fn side_by_side(ears: &[Ear]) -> Vec<usize> {
    let mut out: Vec<usize> = (0..ears.len()).collect();
    out.sort_by_cached_key(|&i| {
        let ear = &ears[i];
        let side = match ear.side {
            Some(Side::Left) => 0,
            Some(Side::Right) => 1,
            None => 2,
        };
        let order = ear.order.as_deref();
        (order.is_none(), order.map(pieces), ear.order.clone(), side)
    });
    out
}

/// Runs of letters and runs of figures, the latter without leading noughts and by their length
/// first, which is the order of their values however long they are.
fn pieces(order: &str) -> Vec<(usize, String)> {
    let mut out: Vec<(usize, String)> = Vec::new();
    let mut rest = order;
    while let Some(first) = rest.chars().next() {
        let figure = first.is_ascii_digit();
        let end = rest.find(|c: char| c.is_ascii_digit() != figure);
        let (run, more) = rest.split_at(end.unwrap_or(rest.len()));
        out.push(if figure {
            let run = run.trim_start_matches('0');
            (run.len(), run.to_owned())
        } else {
            // After any number, whatever its length.
            (usize::MAX, run.to_lowercase())
        });
        rest = more;
    }
    out
}

/// A difference of lengths in words, to a tenth of a mm.
fn against_mm(more_mm: f64) -> String {
    match (more_mm * 10.0).round() {
        0.0 => "as long as".to_owned(),
        tenths if tenths > 0.0 => format!("{:.1} mm longer than", tenths / 10.0),
        tenths => format!("{:.1} mm shorter than", -tenths / 10.0),
    }
}

fn words(ears: &[Ear], i: usize, these: &[usize]) -> String {
    let (one, other) = match these {
        [_] => return "alone".to_owned(),
        [a, b] => (&ears[i], &ears[if i == *a { *b } else { *a }]),
        _ => return format!("{} scans under one order", these.len()),
    };
    let side = |s: Side| if s == Side::Left { "left" } else { "right" };
    if one.sha256.is_some() && one.sha256 == other.sha256 {
        return "no pair: the same scan twice".to_owned();
    }
    match (one.side, other.side) {
        (Some(a), Some(b)) if a == b => format!("two {} ears under one order", side(a)),
        (Some(_), Some(b)) => match (one.length_mm, other.length_mm) {
            (Some(x), Some(y)) => format!("pair: canal {} the {}", against_mm(x - y), side(b)),
            _ => format!("pair with the {}", side(b)),
        },
        _ => "two scans, sides not both told".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ear(order: &str, side: Side, length: f64) -> Ear {
        Ear {
            order: Some(order.to_owned()),
            side: Some(side),
            length_mm: Some(length),
            sha256: None,
        }
    }

    #[test]
    fn two_sides_are_a_pair_and_two_of_one_side_are_not() {
        let nameless = Ear {
            order: None,
            side: None,
            length_mm: None,
            sha256: None,
        };
        let ears = [
            ear("A1", Side::Left, 24.0),
            ear("A2", Side::Left, 20.0),
            ear("A1", Side::Right, 22.5),
            ear("A2", Side::Left, 21.0),
            ear("A3", Side::Right, 21.0),
            nameless,
        ];
        let said = pair_words(&ears);
        assert_eq!(said[0], "pair: canal 1.5 mm longer than the right");
        assert_eq!(said[2], "pair: canal 1.5 mm shorter than the left");
        assert_eq!(said[1], "two left ears under one order");
        assert_eq!(said[4], "alone");
        assert_eq!(said[5], "");
        let twice = ears[..3].iter().map(|e| Ear {
            sha256: Some("aa".to_owned()),
            ..e.clone()
        });
        let said = pair_words(&twice.collect::<Vec<_>>());
        assert_eq!(said[0], "no pair: the same scan twice");
        assert_eq!(said[2], said[0]);
    }

    #[test]
    fn left_and_right_of_one_order_stand_side_by_side() {
        let no_order = Ear {
            order: None,
            side: Some(Side::Left),
            length_mm: None,
            sha256: None,
        };
        let no_side = Ear {
            side: None,
            ..ear("A9", Side::Left, 1.0)
        };
        let ears = [
            no_order,
            ear("A10", Side::Right, 24.0),
            ear("A10", Side::Left, 24.0),
            no_side,
            ear("A9", Side::Right, 24.0),
            ear("A010", Side::Right, 24.0),
            ear("20417", Side::Right, 24.0),
            ear("A9", Side::Left, 24.0),
        ];
        assert_eq!(side_by_side(&ears), [6, 7, 4, 3, 5, 2, 1, 0]);
    }
}

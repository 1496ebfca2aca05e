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

fn words(ears: &[Ear], i: usize, these: &[usize]) -> String {
    let (one, other) = match these {
        [_] => return "alone".to_owned(),
        [a, b] => (&ears[i], &ears[if i == *a { *b } else { *a }]),
        _ => return format!("{} scans under one order", these.len()),
    };
    let side = |s: Side| if s == Side::Left { "left" } else { "right" };
    match (one.side, other.side) {
        (Some(a), Some(b)) if a == b => format!("two {} ears under one order", side(a)),
        (Some(_), Some(b)) => match (one.length_mm, other.length_mm) {
            (Some(x), Some(y)) => format!("pair: {:+.1} mm against the {}", x - y, side(b)),
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
        }
    }

    #[test]
    fn two_sides_are_a_pair_and_two_of_one_side_are_not() {
        let nameless = Ear {
            order: None,
            side: None,
            length_mm: None,
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
        assert_eq!(said[0], "pair: +1.5 mm against the right");
        assert_eq!(said[2], "pair: -1.5 mm against the left");
        assert_eq!(said[1], "two left ears under one order");
        assert_eq!(said[4], "alone");
        assert_eq!(said[5], "");
    }
}

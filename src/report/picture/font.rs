//! Letters as strokes, drawn for this program: capitals, figures and the signs that names and
//! figures need. Small letters are small capitals, which keeps the set short and the text even.

/// Strokes of a letter in a field 4 wide and 6 high (0 at the top); strokes are parted by spaces,
/// each is a run of x and y digits.
const fn strokes(c: char) -> &'static str {
    match c {
        'A' => "062046 1434",
        'B' => "06003041320313344506 0333",
        'C' => "4130100105163645",
        'D' => "0600304145360600",
        'E' => "40000646 0333",
        'F' => "400006 0333",
        'G' => "41301001051636454323",
        'H' => "0006 4046 0343",
        'I' => "1030 2026 1636",
        'J' => "404536160504",
        'K' => "0006 4003 0346",
        'L' => "000646",
        'M' => "0600234046",
        'N' => "06004640",
        'O' => "103041453616050110",
        'P' => "060030414233 0333",
        'Q' => "103041453616050110 2446",
        'R' => "060030414233 0333 2346",
        'S' => "413010010212334445361605",
        'T' => "0040 2026",
        'U' => "000516364540",
        'V' => "002640",
        'W' => "0016233640",
        'X' => "0046 4006",
        'Y' => "0023 4023 2326",
        'Z' => "00400646",
        '0' => "103041453616050110 1531",
        '1' => "112026 1636",
        '2' => "01103041420646",
        '3' => "01103041423323 33444536 1605 1636",
        '4' => "36300444",
        '5' => "400003334445361605",
        '6' => "4130100105163645443313 1304",
        '7' => "004016",
        '8' => "103041423313020110 13040516364544 4433",
        '9' => "051636454130100102133342",
        '.' => "2526",
        ',' => "252617",
        ':' => "2122 2425",
        ';' => "2122 242516",
        '-' => "1333",
        '+' => "0343 2125",
        '=' => "0242 0444",
        '_' => "0646",
        '/' => "0640",
        '\\' => "0046",
        '(' => "30121436",
        ')' => "10323416",
        '[' => "30101636",
        ']' => "10303616",
        '<' => "400346",
        '>' => "004306",
        '%' => "0640 0001 4546",
        '#' => "1016 3036 0242 0444",
        '\'' => "2021",
        '"' => "1011 3031",
        '!' => "2024 2526",
        '?' => "011030412324 2526",
        '*' => "2125 0244 4204",
        '&' => "460110302003051645",
        '@' => "34231423344301103041",
        ' ' => "",
        '\u{b1}' => "0242 2024 0646",
        '\u{b2}' => "1020211323",
        '\u{b0}' => "102021111010",
        _ => "0040460600",
    }
}

/// How far a letter goes on, in parts of its height.
const ADVANCE: f64 = 0.92;

/// A line of text as strokes: `size` is the height of a capital, (`x`, `y`) its top left corner.
/// Gives the strokes and where the next letter would begin.
pub(super) fn text(says: &str, x: f64, y: f64, size: f64) -> (Vec<Vec<[f64; 2]>>, f64) {
    let mut at = x;
    let mut out = Vec::new();
    for c in says.chars() {
        let small = c.is_lowercase() && c.is_ascii();
        let scale = size / 6.0 * if small { 0.8 } else { 1.0 };
        let top = y + size - 6.0 * scale;
        for stroke in strokes(c.to_ascii_uppercase()).split(' ') {
            let digits: Vec<f64> = stroke
                .bytes()
                .filter(u8::is_ascii_digit)
                .map(|b| f64::from(b - b'0'))
                .collect();
            let run = digits
                .chunks_exact(2)
                .map(|d| [at + d[0] * scale, top + d[1] * scale])
                .collect();
            out.push(run);
        }
        at += size * ADVANCE * if small { 0.84 } else { 1.0 };
    }
    (out, at)
}

/// Width of a line of text.
pub(super) fn width(says: &str, size: f64) -> f64 {
    text(says, 0.0, 0.0, size).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_is_whole_and_its_own() {
        let letters: Vec<char> = ('A'..='Z')
            .chain('0'..='9')
            .chain(".,:;-+=_/\\()[]<>%#'\"!?*&@\u{b1}\u{b2}\u{b0}".chars())
            .collect();
        for (i, &a) in letters.iter().enumerate() {
            for stroke in strokes(a).split(' ') {
                assert!(stroke.len() % 2 == 0 && stroke.len() >= 4, "{a}: {stroke}");
                let inside = stroke
                    .bytes()
                    .enumerate()
                    .all(|(k, b)| b.is_ascii_digit() && b - b'0' <= if k % 2 == 0 { 4 } else { 7 });
                assert!(inside, "{a}: {stroke}");
            }
            for &b in &letters[..i] {
                assert_ne!(strokes(a), strokes(b), "{a} and {b}");
            }
        }
    }
}

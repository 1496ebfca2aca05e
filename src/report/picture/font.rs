//! Letters as strokes, drawn for this program: capitals, small letters, figures and the signs that
//! names and figures need.

/// Strokes of a letter in a field 4 wide and 6 high (0 at the top; small letters are 4 high and go down
/// to 8); strokes are parted by spaces, each is a run of x and y digits.
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
        'a' => "42464536160503123243",
        'b' => "0006 0312324345361605",
        'c' => "4332120305163645",
        'd' => "4046 4332120305163645",
        'e' => "044443321203051636",
        'f' => "40302126 1242",
        'g' => "42473818 4332120305163645",
        'h' => "0006 0312324346",
        'i' => "2226 2021",
        'j' => "22271808 2021",
        'k' => "0006 4204 2346",
        'l' => "202536",
        'm' => "0206 03122326 23324346",
        'n' => "0206 0312324346",
        'o' => "123243453616050312",
        'p' => "0208 0312324345361605",
        'q' => "4248 4332120305163645",
        'r' => "0206 03123243",
        's' => "43321203143445361605",
        't' => "10152636 0232",
        'u' => "0205163645 4246",
        'v' => "022642",
        'w' => "0216243642",
        'x' => "0246 4206",
        'y' => "0226 4208",
        'z' => "02420646",
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

/// Room between two letters, of a word and of a space, in the same units.
const GAP: f64 = 1.5;
const SPACE: f64 = 1.8;

/// A line of text as strokes: `size` is the height of a capital, (`x`, `y`) its top left corner.
/// Gives the strokes and where the next letter would begin.
pub(super) fn text(says: &str, x: f64, y: f64, size: f64) -> (Vec<Vec<[f64; 2]>>, f64) {
    let scale = size / 6.0;
    let mut at = x;
    let mut out = Vec::new();
    for c in says.chars() {
        let runs: Vec<Vec<[f64; 2]>> = strokes(c).split(' ').map(run).collect();
        let across = || runs.iter().flatten().map(|p| p[0]);
        let (low, far) = match c {
            ' ' => (0.0, SPACE),
            // Figures are alike wide, so that they stand under each other.
            '0'..='9' => (0.0, 4.0),
            _ => (across().fold(4.0, f64::min), across().fold(0.0, f64::max)),
        };
        let placed = |run: Vec<[f64; 2]>| {
            let place = |[u, v]: [f64; 2]| [at + (u - low) * scale, y + v * scale];
            run.into_iter().map(place).collect()
        };
        out.extend(runs.into_iter().map(placed));
        at += (far - low + GAP) * scale;
    }
    (out, at)
}

/// The points of a stroke.
fn run(stroke: &str) -> Vec<[f64; 2]> {
    let digits: Vec<f64> = (stroke.bytes())
        .filter(u8::is_ascii_digit)
        .map(|b| f64::from(b - b'0'))
        .collect();
    digits.chunks_exact(2).map(|d| [d[0], d[1]]).collect()
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
            .chain('a'..='z')
            .chain('0'..='9')
            .chain(".,:;-+=_/\\()[]<>%#'\"!?*&@\u{b1}\u{b2}\u{b0}".chars())
            .collect();
        for (i, &a) in letters.iter().enumerate() {
            for stroke in strokes(a).split(' ') {
                assert!(stroke.len() % 2 == 0 && stroke.len() >= 4, "{a}: {stroke}");
                let inside = stroke
                    .bytes()
                    .enumerate()
                    .all(|(k, b)| b.is_ascii_digit() && b - b'0' <= if k % 2 == 0 { 4 } else { 8 });
                assert!(inside, "{a}: {stroke}");
            }
            // Unknown signs are a box.
            assert_ne!(strokes(a), strokes('\u{1f}'), "{a}");
            for &b in &letters[..i] {
                assert_ne!(strokes(a), strokes(b), "{a} and {b}");
            }
        }
    }
}

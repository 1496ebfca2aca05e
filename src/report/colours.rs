//! The colours of page and picture.
//!
//! The scale of the maps runs in a straight line through OKLab (Björn Ottosson 2020, "A perceptual
//! color space for image processing"; the two matrices from memory), from a dark blue to a light
//! yellow of our own choice: equal steps of value are equal steps of seen colour, lightness rises
//! all the way, and blue against yellow is the pair that red-green colour blindness leaves apart.

use super::page::{LineRole, Role};
use crate::checks::Outcome;

/// Red, green, blue, 0 to 255.
pub type Rgb = [u8; 3];

/// OKLab at the low end: dark blue. Darker, and shading could no longer be told on it.
const LOW: [f64; 3] = [0.30, 0.005, -0.125];
/// OKLab at the high end: light yellow. Lighter, and it would not stand off the page's ground.
const HIGH: [f64; 3] = [0.90, -0.01, 0.155];

/// The scale's colour at `t`, 0 (low) to 1 (high); clamped.
#[must_use]
pub fn scale(t: f64) -> Rgb {
    let t = if t.is_finite() {
        t.clamp(0.0, 1.0)
    } else {
        0.0
    };
    let lab: [f64; 3] = std::array::from_fn(|i| LOW[i] + (HIGH[i] - LOW[i]) * t);
    from_oklab(lab)
}

/// Where values lie on either side of 0: as far below, at 0, as far above.
const BELOW: [f64; 3] = [0.42, -0.01, -0.13];
const AT_ZERO: [f64; 3] = [0.93, 0.0, 0.012];
const ABOVE: [f64; 3] = [0.42, 0.08, 0.07];

/// The colour of a value on either side of 0 at `t`, 0 (as far below as the scale goes) over 0.5 (zero)
/// to 1; clamped. Both halves run in a straight line, so as much to either side is as dark.
#[must_use]
pub fn signed_scale(t: f64) -> Rgb {
    let t = if t.is_finite() {
        2.0 * t.clamp(0.0, 1.0) - 1.0
    } else {
        0.0
    };
    let end = if t < 0.0 { BELOW } else { ABOVE };
    from_oklab(std::array::from_fn(|i| {
        AT_ZERO[i] + (end[i] - AT_ZERO[i]) * t.abs()
    }))
}

/// OKLab to sRGB, each part clamped to what can be shown.
fn from_oklab([l, a, b]: [f64; 3]) -> Rgb {
    let cubed = [
        l + 0.396_337_777_4 * a + 0.215_803_757_3 * b,
        l - 0.105_561_345_8 * a - 0.063_854_172_8 * b,
        l - 0.089_484_177_5 * a - 1.291_485_548_0 * b,
    ]
    .map(|x| x * x * x);
    let linear = [
        [4.076_741_662_1, -3.307_711_591_3, 0.230_969_929_2],
        [-1.268_438_004_6, 2.609_757_401_1, -0.341_319_396_5],
        [-0.004_196_086_3, -0.703_418_614_7, 1.707_614_701_0],
    ]
    .map(|row| row.iter().zip(&cubed).map(|(m, x)| m * x).sum::<f64>());
    linear.map(|x| {
        let x = x.clamp(0.0, 1.0);
        let s = if x <= 0.003_130_8 {
            12.92 * x
        } else {
            1.055 * x.powf(1.0 / 2.4) - 0.055
        };
        (255.0 * s).round() as u8
    })
}

/// A surface's colour. Parts differ by `index`, in lightness too.
#[must_use]
pub const fn surface(role: Role, index: usize) -> Rgb {
    const PARTS: [Rgb; 6] = [
        [0x2f, 0x5d, 0x62],
        [0xc0, 0x8a, 0x3e],
        [0x6b, 0x5b, 0x95],
        [0x8f, 0xb3, 0x9b],
        [0x4a, 0x4e, 0x54],
        [0xd8, 0xc7, 0x7a],
    ];
    match role {
        Role::Scan => [0xcd, 0xbf, 0xab],
        Role::Shell => [0xb9, 0xc4, 0xc2],
        Role::Cavity => [0x9f, 0xb4, 0xbd],
        Role::Part => PARTS[index % PARTS.len()],
        Role::Tube => [0x8a, 0x6f, 0x4d],
    }
}

/// A line's colour.
#[must_use]
pub const fn line(role: LineRole) -> Rgb {
    match role {
        LineRole::Axis => [0x1d, 0x2b, 0x2e],
        LineRole::Aperture => [0x0f, 0x6f, 0x68],
        LineRole::Bend => [0x5a, 0x4a, 0x8a],
        LineRole::Rim => [0x93, 0x1f, 0x5f],
        LineRole::Tube => [0x8a, 0x5a, 0x14],
    }
}

/// An outcome's colour, dark enough for text. Not red, green or blue alone: red is the right ear,
/// blue the left, and the three differ in lightness and in their signs.
#[must_use]
pub const fn outcome(outcome: Outcome) -> Rgb {
    match outcome {
        Outcome::Holds => [0x0f, 0x66, 0x5e],
        Outcome::Breaks => [0x93, 0x1f, 0x5f],
        Outcome::CannotTell => [0x7a, 0x56, 0x00],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// sRGB to OKLab, by the forward matrices of the same source (from memory): they are not the
    /// ones used above, so a wrong digit in either shows.
    fn to_oklab(rgb: Rgb) -> [f64; 3] {
        let c = rgb.map(|x| {
            let x = f64::from(x) / 255.0;
            if x <= 0.040_45 {
                x / 12.92
            } else {
                ((x + 0.055) / 1.055).powf(2.4)
            }
        });
        let lms = [
            [0.412_221_470_8, 0.536_332_536_3, 0.051_445_992_9],
            [0.211_903_498_2, 0.680_699_545_1, 0.107_396_956_6],
            [0.088_302_461_9, 0.281_718_837_6, 0.629_978_700_5],
        ]
        .map(|row| row.iter().zip(&c).map(|(m, x)| m * x).sum::<f64>().cbrt());
        [
            [0.210_454_255_3, 0.793_617_785_0, -0.004_072_046_8],
            [1.977_998_495_1, -2.428_592_205_0, 0.450_593_709_9],
            [0.025_904_037_1, 0.782_771_766_2, -0.808_675_766_0],
        ]
        .map(|row| row.iter().zip(&lms).map(|(m, x)| m * x).sum())
    }

    #[test]
    fn equal_steps_of_value_are_equal_steps_of_colour() {
        let labs: Vec<[f64; 3]> = (0..=16)
            .map(|i| to_oklab(scale(f64::from(i) / 16.0)))
            .collect();
        let step = |a: &[f64; 3], b: &[f64; 3]| {
            a.iter()
                .zip(b)
                .map(|(x, y)| (x - y).powi(2))
                .sum::<f64>()
                .sqrt()
        };
        let even = step(&LOW, &HIGH) / 16.0;
        for pair in labs.windows(2) {
            let d = step(&pair[0], &pair[1]);
            // Eight bits a colour round a step by up to a tenth of it; a colour out of the
            // screen's gamut would be clamped and show here.
            assert!((d - even).abs() < 0.15 * even, "{d} against {even}");
            assert!(pair[1][0] > pair[0][0], "lightness rises");
        }
    }

    #[test]
    fn either_side_of_zero_darkens_alike() {
        for i in 0..=8 {
            let far = f64::from(i) / 16.0;
            let [below, above] = [0.5 - far, 0.5 + far].map(|t| to_oklab(signed_scale(t)));
            // Lightness alone tells how far, with no eye for colour; a colour that the screen cannot
            // show would be clamped and off.
            let want = AT_ZERO[0] + (BELOW[0] - AT_ZERO[0]) * 2.0 * far;
            for lab in [below, above] {
                assert!((lab[0] - want).abs() < 0.006, "{far}: {lab:?} not {want}");
            }
            // The sides differ in blue against yellow, which red-green colour blindness leaves.
            assert!(i == 0 || above[2] - below[2] > 0.35 * far, "{far}");
        }
    }

    #[test]
    fn grey_and_white_are_where_they_belong() {
        // OKLab puts white at L = 1 and greys on its axis, by its definition.
        assert_eq!(from_oklab([1.0, 0.0, 0.0]), [255, 255, 255]);
        let [r, g, b] = from_oklab([0.6, 0.0, 0.0]);
        assert!(r.abs_diff(g) <= 1 && g.abs_diff(b) <= 1);
    }

    #[test]
    fn text_colours_can_be_read_on_the_page() {
        // Contrast by WCAG 2.2: at least 4.5 against the page's ground.
        let luminance = |rgb: Rgb| {
            let l = rgb.map(|x| {
                let x = f64::from(x) / 255.0;
                if x <= 0.040_45 {
                    x / 12.92
                } else {
                    ((x + 0.055) / 1.055).powf(2.4)
                }
            });
            0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2]
        };
        let ground = luminance([0xf4, 0xf2, 0xec]);
        for o in [Outcome::Holds, Outcome::Breaks, Outcome::CannotTell] {
            let contrast = (ground + 0.05) / (luminance(outcome(o)) + 0.05);
            assert!(contrast > 4.5, "{o:?}: {contrast}");
        }
    }
}

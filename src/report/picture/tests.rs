//! The rasteriser against areas and depths known beforehand.

use super::canvas::{Canvas, Corner, Pen};
use super::*;

fn corner(x: f64, y: f64, near: f64) -> Corner {
    Corner {
        x,
        y,
        near,
        light: 1.0,
        value: 0.0,
    }
}

/// Pixels that are at least half of a colour, in a picture read back.
fn count(png: &[u8], like: Rgb) -> usize {
    let mut reader = png::Decoder::new(std::io::Cursor::new(png))
        .read_info()
        .expect("a picture");
    let mut bytes = vec![0; reader.output_buffer_size().expect("a size")];
    reader.next_frame(&mut bytes).expect("read");
    let near = |p: &[u8]| p.iter().zip(like).all(|(a, b)| a.abs_diff(b) < 128);
    bytes.chunks(3).filter(|p| near(p)).count()
}

#[test]
fn a_triangle_covers_its_area_and_the_nearer_one_hides_the_farther() {
    const RED: Rgb = [255, 0, 0];
    const GREEN: Rgb = [0, 255, 0];
    let mut canvas = Canvas::new(100, 100, [255, 255, 255]);
    let half = [
        corner(0.0, 0.0, 1.0),
        corner(100.0, 0.0, 1.0),
        corner(0.0, 100.0, 1.0),
    ];
    canvas.triangle(&half, 1.0, |_, _, _, _| RED);
    // Farther, and all over: only the other half is left for it. Once turned, once not.
    let far = [
        corner(-100.0, -100.0, 0.0),
        corner(300.0, -100.0, 0.0),
        corner(-100.0, 300.0, 0.0),
    ];
    canvas.triangle(&[far[0], far[2], far[1]], 1.0, |_, _, _, _| GREEN);
    let png = canvas.png();
    let (red, green) = (count(&png, RED), count(&png, GREEN));
    // Half of the square, give or take the pixels of its diagonal.
    assert!(red.abs_diff(5000) <= 100, "{red}");
    assert!(green.abs_diff(5000) <= 100, "{green}");
}

#[test]
fn a_line_is_as_wide_as_asked_and_nothing_leaves_its_box() {
    let mut canvas = Canvas::new(100, 60, [255, 255, 255]);
    canvas.within(0, 0, 50, 60);
    let pen = Pen {
        colour: [0, 0, 0],
        width: 4.0,
        hidden: 1.0,
    };
    canvas.line([-20.0, 30.0, 0.0], [300.0, 30.0, 0.0], pen);
    assert!(count(&canvas.png(), [0, 0, 0]).abs_diff(200) <= 50);
    for wild in [f64::NAN, f64::INFINITY, 1e300] {
        canvas.line([0.0, 0.0, 0.0], [wild, wild, 0.0], pen);
        canvas.triangle(
            &[
                corner(0.0, 0.0, 0.0),
                corner(wild, 0.0, 0.0),
                corner(0.0, wild, 0.0),
            ],
            1.0,
            |_, _, _, _| [0, 0, 0],
        );
    }
}

#[test]
fn long_texts_are_cut_at_a_word_and_short_ones_are_not() {
    assert_eq!(fitting("ear", 500.0, 10.0), "ear");
    let long = "a very long reason that no picture has room for";
    let cut = fitting(long, 150.0, 10.0);
    assert!(
        cut.ends_with("...") && long.starts_with(cut.trim_end_matches("...")),
        "{cut}"
    );
    assert!(font::width(&cut, 10.0) <= 150.0);
    assert_eq!(
        fitting("\u{e4}\u{f6}\u{fc}\u{df}\u{20ac}", 12.0, 10.0),
        "..."
    );
}

/// A fit that is good only under a condition says it whole, with the longest that a shell may add to it.
#[test]
fn a_long_reason_is_wrapped_and_loses_no_word() {
    use crate::stack::TipGuess;
    for guess in [TipGuess::Canal, TipGuess::NarrowEnd] {
        let through = guess.through();
        let says = format!(
            "a placement was found, and every margin measured again by other code; only if the tubes may \
             leave {through}: nobody told it"
        );
        let lines = reason_lines(&says);
        assert_eq!(lines.join(" "), says);
        assert!(
            lines.iter().all(|l| font::width(l, TEXT) <= 1160.0),
            "{lines:?}"
        );
    }
    assert_eq!(reason_lines("short"), ["short"]);
    assert!(reason_lines("").is_empty());
    assert_eq!(reason_lines("`--tip` has it"), ["--tip has it"]);
    // And what no room was left for is said to be missing.
    let lines = reason_lines(&"a word ".repeat(100));
    assert_eq!(lines.len(), REASON_LINES);
    assert!(lines[REASON_LINES - 1].ends_with("..."), "{lines:?}");
}

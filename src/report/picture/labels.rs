//! What stands over a view as text: names in a column to either side, each led to its place by a
//! thin line, and numbers of findings at their places. None stands over another.

use super::canvas::{Canvas, Pen};
use super::{Frame, GROUND, INK, RULE, font};
use crate::checks::Outcome;
use crate::report::colours;
use crate::report::page::PageModel;

/// Text height and what a line of it takes, pixels.
const TEXT: f64 = 9.0;
const LINE: f64 = 17.0;
/// From the edge of a view to its names, and what is left free above (the view's own name) and below (the
/// bar), pixels.
const EDGE: f64 = 14.0;
const ABOVE: f64 = 34.0;
const BELOW: f64 = 34.0;
/// Radius of a finding's disc, and how far two of them stay apart, pixels.
const DISC: f64 = 10.5;
const APART: f64 = 22.0;
/// No hidden part: text stands before everything.
const FRONT: f64 = 1e9;

/// What names take of a view at either side, pixels.
pub(super) fn margin(model: &PageModel) -> f64 {
    let wide = model.marks.iter().map(|m| font::width(&m.name, TEXT));
    wide.fold(14.0_f64, f64::max).min(120.0) + EDGE + 6.0
}

/// Names of places, each in the column nearer to it.
pub(super) fn names(canvas: &mut Canvas, model: &PageModel, frame: &Frame, view: [usize; 4]) {
    let [x, y, wide, high] = view.map(|v| v as f64);
    let places: Vec<[f64; 2]> = (model.marks.iter())
        .map(|m| {
            let [u, v, _] = frame.see(&m.point);
            [u, v]
        })
        .collect();
    for right in [false, true] {
        let here: Vec<usize> = (0..places.len())
            .filter(|&i| (places[i][0] > x + 0.5 * wide) == right)
            .collect();
        let wanted: Vec<f64> = here.iter().map(|&i| places[i][1]).collect();
        let lines = column(&wanted, [y + ABOVE, y + high - BELOW]);
        for (&i, line) in here.iter().zip(lines) {
            let name = &model.marks[i].name;
            let long = font::width(name, TEXT);
            let (left, end) = if right {
                (x + wide - EDGE - long, x + wide - EDGE - long - 5.0)
            } else {
                (x + EDGE, x + EDGE + long + 3.0)
            };
            lead(canvas, [end, line], places[i]);
            canvas.disc(places[i][0], places[i][1], 3.0, INK);
            canvas.block(left - 3.0, line - 8.0, long + 5.0, 16.0, GROUND);
            canvas.text(name, left, line - 5.0, TEXT, INK);
        }
    }
}

/// Numbers of findings, in the colour of their answer; led to their places where they had to make way.
pub(super) fn numbers(canvas: &mut Canvas, model: &PageModel, frame: &Frame, view: [usize; 4]) {
    let found: Vec<_> = (model.findings())
        .filter_map(|(row, f)| Some((row.outcome, f.number, f.point.as_ref()?)))
        .collect();
    let places: Vec<[f64; 2]> = (found.iter())
        .map(|(_, _, p)| {
            let [u, v, _] = frame.see(p);
            [u, v]
        })
        .collect();
    let stand = scattered(&places, view.map(|v| v as f64));
    for ((outcome, _, _), (place, at)) in found.iter().zip(places.iter().zip(&stand)) {
        if place != at {
            lead(canvas, *at, *place);
            canvas.disc(place[0], place[1], 3.0, colours::outcome(*outcome));
        }
    }
    for ((outcome, number, _), [x, y]) in found.iter().zip(stand) {
        disc(canvas, *outcome, *number, x, y);
    }
}

fn disc(canvas: &mut Canvas, outcome: Outcome, number: usize, x: f64, y: f64) {
    let says = number.to_string();
    // The last letter brings the room to a next one along.
    let wide = font::width(&says, TEXT) - TEXT * 0.25;
    canvas.disc(x, y, DISC + 1.5, [255, 255, 255]);
    canvas.disc(x, y, DISC, colours::outcome(outcome));
    canvas.text(&says, x - 0.5 * wide, y - 4.5, TEXT, [255, 255, 255]);
}

fn lead(canvas: &mut Canvas, from: [f64; 2], to: [f64; 2]) {
    for (colour, width) in [(RULE, 2.4), (INK, 1.0)] {
        let pen = Pen {
            colour,
            width,
            hidden: 1.0,
        };
        canvas.line([from[0], from[1], FRONT], [to[0], to[1], FRONT], pen);
    }
}

/// Heights of lines of text in a column, each near to the one wanted, a line apart, in the order of what
/// is wanted and within bounds (beyond the lower one where there are too many).
fn column(wanted: &[f64], [top, bottom]: [f64; 2]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..wanted.len()).collect();
    order.sort_by(|&a, &b| wanted[a].total_cmp(&wanted[b]));
    let mut out = wanted.to_vec();
    let mut least = top;
    for &i in &order {
        out[i] = out[i].max(least);
        least = out[i] + LINE;
    }
    // Whatever ran over the end goes up again, as far as there is room.
    let mut most = bottom;
    for (n, &i) in order.iter().enumerate().rev() {
        let first = top + n as f64 * LINE;
        out[i] = out[i].min(most).max(first);
        most = out[i] - LINE;
    }
    out
}

/// Places of discs, each as near as a ring of places round its own allows to where it is wanted.
fn scattered(wanted: &[[f64; 2]], [x, y, wide, high]: [f64; 4]) -> Vec<[f64; 2]> {
    const ROUND: [f64; 4] = [0.0, 22.0, 34.0, 46.0];
    let mut out: Vec<[f64; 2]> = Vec::new();
    for &[u, v] in wanted {
        let rings = ROUND.iter().flat_map(|&r| {
            (0..12).map(move |k| {
                let turn = f64::from(k) * std::f64::consts::PI / 6.0;
                [u + r * turn.sin(), v - r * turn.cos()]
            })
        });
        let within = |p: &[f64; 2]| {
            (x + DISC..x + wide - DISC).contains(&p[0])
                && (y + DISC..y + high - DISC).contains(&p[1])
        };
        let free = |p: &[f64; 2]| out.iter().all(|q| (p[0] - q[0]).hypot(p[1] - q[1]) > APART);
        let best = rings.clone().find(|p| within(p) && free(p));
        out.push(best.unwrap_or([u, v]));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stand_a_line_apart_within_their_column_and_in_order() {
        let wanted = [300.0, 52.0, 50.0, 51.0, 399.0, 398.0, -20.0];
        let lines = column(&wanted, [34.0, 390.0]);
        let mut order: Vec<usize> = (0..wanted.len()).collect();
        order.sort_by(|&a, &b| lines[a].total_cmp(&lines[b]));
        for pair in order.windows(2) {
            assert!(lines[pair[1]] - lines[pair[0]] >= LINE - 1e-9, "{lines:?}");
            assert!(wanted[pair[0]] <= wanted[pair[1]], "{lines:?}");
        }
        assert!(
            lines.iter().all(|l| (34.0..=390.0).contains(l)),
            "{lines:?}"
        );
        assert_eq!(lines[0], 300.0);
    }

    #[test]
    fn discs_leave_each_other_room_and_stay_in_view() {
        let wanted = vec![[100.0, 100.0]; 9];
        let stand = scattered(&wanted, [0.0, 0.0, 300.0, 300.0]);
        for (i, a) in stand.iter().enumerate() {
            for b in &stand[..i] {
                assert!((a[0] - b[0]).hypot(a[1] - b[1]) > APART, "{a:?} {b:?}");
            }
        }
        assert_eq!(stand[0], wanted[0]);
        let edge = scattered(&[[2.0, 2.0], [2.0, 2.0]], [0.0, 0.0, 300.0, 300.0]);
        assert!(edge[0][0] >= DISC && edge[0][1] >= DISC, "{edge:?}");
    }
}

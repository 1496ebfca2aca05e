//! The picture of `docs/undercut.md`: depth and squeeze over the turn of the first bend, drawn from
//! what was measured. `SECONDBEND_WRITE_DOCS=1 cargo test --lib undercut` draws it anew.

use std::fmt::Write;

/// One made ear: turn of its first bend, depth along the axis, depth of the best pull, squeeze.
pub struct Bent {
    pub turn_deg: f64,
    pub straight_mm: f64,
    pub best_mm: f64,
    pub squeeze_mm: f64,
}

/// One line's figure of an ear.
type Of = fn(&Bent) -> f64;

const WIDE: f64 = 560.0;
const HIGH: f64 = 320.0;
/// Room for the labels: left, right, top, bottom.
const ROOM: [f64; 4] = [46.0, 130.0, 18.0, 40.0];

/// A plain line chart. Colours after Okabe and Ito (2008, from memory), told apart by the
/// colour-blind too; every line is named at its end.
pub fn svg(ears: &[Bent]) -> String {
    let most = ears
        .iter()
        .map(|e| e.straight_mm)
        .fold(1.0, f64::max)
        .ceil();
    let (low, high) = (ears[0].turn_deg, ears[ears.len() - 1].turn_deg);
    let x = |deg: f64| ROOM[0] + (deg - low) / (high - low) * (WIDE - ROOM[0] - ROOM[1]);
    let y = |mm: f64| HIGH - ROOM[3] - mm / most * (HIGH - ROOM[2] - ROOM[3]);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDE} {HIGH}\" font-family=\"sans-serif\" \
         font-size=\"12\">\n<rect width=\"{WIDE}\" height=\"{HIGH}\" fill=\"white\"/>\n"
    );
    let (left, right) = (x(low), x(high));
    for k in 0..=most as u32 {
        let at = y(f64::from(k));
        let _ = writeln!(
            out,
            "<path d=\"M{left:.1} {at:.1}H{right:.1}\" stroke=\"#ddd\"/><text x=\"{:.1}\" y=\"{:.1}\" \
             text-anchor=\"end\">{k}</text>",
            left - 6.0,
            at + 4.0
        );
    }
    for e in ears {
        let _ = writeln!(
            out,
            "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{:.0}</text>",
            x(e.turn_deg),
            HIGH - ROOM[3] + 16.0,
            e.turn_deg
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">turn of the first bend, degrees</text>\n\
         <text x=\"{left:.1}\" y=\"12\">mm</text>",
        0.5 * (left + right),
        HIGH - 8.0
    );
    let lines: [(&str, &str, Of); 3] = [
        ("along the axis", "#D55E00", |e| e.straight_mm),
        ("best straight pull", "#0072B2", |e| e.best_mm),
        ("way out: squeeze", "#009E73", |e| e.squeeze_mm),
    ];
    for (name, colour, of) in lines {
        let path: Vec<String> = ears
            .iter()
            .map(|e| format!("{:.1},{:.1}", x(e.turn_deg), y(of(e))))
            .collect();
        let _ = writeln!(
            out,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\"/>\n\
             <text x=\"{:.1}\" y=\"{:.1}\" fill=\"{colour}\">{name}</text>",
            path.join(" "),
            right + 8.0,
            y(of(&ears[ears.len() - 1])) + 4.0
        );
    }
    out.push_str("</svg>\n");
    out
}

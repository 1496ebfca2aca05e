//! The picture: four views of what a page shows, axis and bends drawn, findings numbered, map and
//! legend where there is one; and the thumbnail of an intake's index. Drawn without a graphics card.

mod canvas;
mod font;
mod labels;

use super::colours::{self, Rgb};
use super::page::{Layer, Line, LineRole, MapLimit, PageModel, Role, ScalarMap, View};
use super::text::shown;
use crate::checks::{Outcome, Sense};
use crate::mesh::{Point, Vector};
use canvas::{Canvas, Corner, Pen};

const GROUND: Rgb = [0xfb, 0xfa, 0xf6];
const INK: Rgb = [0x20, 0x29, 0x2b];
const SOFT: Rgb = [0x54, 0x5e, 0x5f];
const RULE: Rgb = [0xcf, 0xca, 0xbd];
/// The picture: two by two views under a head and over a foot.
const WIDE: usize = 1200;
const VIEW_HIGH: usize = 420;
const HEAD: usize = 92;
const FOOT: usize = 84;
/// Text height, pixels. Lower than 9, and strokes run into each other.
const TEXT: f64 = 10.0;
/// From one line of the head to the next, pixels, and lines that the head leaves a verdict's reason.
const LINE: f64 = 16.0;
const REASON_LINES: usize = 2;

/// The picture as PNG.
#[must_use]
pub fn picture(model: &PageModel) -> Vec<u8> {
    let mut canvas = Canvas::new(WIDE, HEAD + 2 * VIEW_HIGH + FOOT, GROUND);
    head(&mut canvas, model);
    foot(&mut canvas, model);
    // Aslant, and then from where most is seen: outside, the front, above.
    let chosen = [0, 1, 3, 5].into_iter().filter_map(|i| model.views.get(i));
    for (i, view) in chosen.enumerate() {
        let (x, y) = (i % 2 * WIDE / 2, HEAD + i / 2 * VIEW_HIGH);
        canvas.within(x, y, WIDE / 2, VIEW_HIGH);
        let place = [x, y, WIDE / 2, VIEW_HIGH];
        let frame = Frame::new(model, view, place, [labels::margin(model), 34.0]);
        scene(&mut canvas, model, &frame, Some(place));
        canvas.text(&view.name, x as f64 + 14.0, y as f64 + 12.0, TEXT, SOFT);
        scale_bar(&mut canvas, &frame, x, y);
    }
    canvas.within(0, 0, WIDE, HEAD + 2 * VIEW_HIGH + FOOT);
    canvas.block(0.0, HEAD as f64, WIDE as f64, 1.0, RULE);
    canvas.block(0.0, (HEAD + VIEW_HIGH) as f64, WIDE as f64, 1.0, RULE);
    canvas.block(0.0, (HEAD + 2 * VIEW_HIGH) as f64, WIDE as f64, 1.0, RULE);
    canvas.block(
        (WIDE / 2) as f64,
        HEAD as f64,
        1.0,
        (2 * VIEW_HIGH) as f64,
        RULE,
    );
    canvas.png()
}

/// A small picture, aslant, without words.
#[must_use]
pub fn thumbnail(model: &PageModel) -> Vec<u8> {
    let (wide, high) = (168, 116);
    let mut canvas = Canvas::new(wide, high, GROUND);
    if let Some(view) = model.views.first() {
        let frame = Frame::new(model, view, [0, 0, wide, high], [6.0; 2]);
        scene(&mut canvas, model, &frame, None);
    }
    canvas.png()
}

fn head(canvas: &mut Canvas, model: &PageModel) {
    let colour = colours::outcome(model.verdict.tone);
    canvas.block(0.0, 0.0, WIDE as f64, 7.0, colour);
    canvas.text(
        &fitting(&model.verdict.words, 560.0, 20.0),
        14.0,
        18.0,
        20.0,
        colour,
    );
    for (i, line) in reason_lines(&model.verdict.because).iter().enumerate() {
        canvas.text(line, 14.0, 52.0 + LINE * i as f64, TEXT, INK);
    }
    let name = fitting(&shown(&model.title), 560.0, TEXT);
    canvas.text(
        &name,
        WIDE as f64 - 14.0 - font::width(&name, TEXT),
        18.0,
        TEXT,
        INK,
    );
    let order = model.order.as_ref().map(|o| format!("order {}", shown(o)));
    let side = model.side.map(|s| match s {
        crate::canal::Side::Left => "left ear",
        crate::canal::Side::Right => "right ear",
    });
    let tags: Vec<&str> = order.as_deref().into_iter().chain(side).collect();
    let tags = fitting(&tags.join(", "), 560.0, TEXT);
    canvas.text(
        &tags,
        WIDE as f64 - 14.0 - font::width(&tags, TEXT),
        34.0,
        TEXT,
        INK,
    );
}

/// The verdict's reason in lines; the last that there is room for says where it was cut. Of what is to be
/// typed the marks are left out, which the page sets in other letters.
fn reason_lines(because: &str) -> Vec<String> {
    let plain = because.replace('`', "");
    let mut rest = plain.as_str();
    let mut out = Vec::new();
    while out.len() + 1 < REASON_LINES && !rest.is_empty() {
        let (first, more) = split_at_width(rest, 1160.0, TEXT);
        out.push(first.to_owned());
        rest = more;
    }
    if !rest.is_empty() {
        out.push(fitting(rest, 1160.0, TEXT));
    }
    out
}

/// What it is traced by, what it is not, and the legend of the map.
fn foot(canvas: &mut Canvas, model: &PageModel) {
    let top = (HEAD + 2 * VIEW_HIGH) as f64;
    let record: Vec<String> = model
        .records
        .iter()
        .filter(|r| ["SHA-256", "limits", "made by"].contains(&r.label.as_str()))
        .map(|r| format!("{} {}", r.label, shown(&r.value)))
        .collect();
    let mapped = map_of(model);
    let room = if mapped.is_some() { 760.0 } else { 1160.0 };
    canvas.text(
        &fitting(&record[..record.len().min(1)].join(""), room, 9.0),
        14.0,
        top + 14.0,
        9.0,
        SOFT,
    );
    canvas.text(
        &fitting(&record[record.len().min(1)..].join(", "), room, 9.0),
        14.0,
        top + 32.0,
        9.0,
        SOFT,
    );
    let caution = model.cautions.first().map_or("", String::as_str);
    let (first, rest) = split_at_width(caution, room, 9.0);
    canvas.text(first, 14.0, top + 50.0, 9.0, SOFT);
    canvas.text(&fitting(rest, room, 9.0), 14.0, top + 66.0, 9.0, SOFT);
    if let Some((_, map)) = mapped {
        legend(canvas, map, 800.0, top + 14.0, 380.0);
    }
}

fn legend(canvas: &mut Canvas, map: &ScalarMap, x: f64, y: f64, wide: f64) {
    let untold = map.values.iter().any(|v| !v.is_finite());
    let grey = if untold { " (grey: no figure)" } else { "" };
    let says = format!("{}, mm{grey}", map.name);
    canvas.text(&fitting(&says, wide, TEXT), x, y, TEXT, INK);
    let [low, high] = map.range_mm;
    let steps = 190;
    for i in 0..steps {
        let t = (f64::from(i) + 0.5) / f64::from(steps);
        let w = wide / f64::from(steps);
        canvas.block(
            x + f64::from(i) * w,
            y + 18.0,
            w + 0.5,
            14.0,
            scale_of(map)(t),
        );
    }
    canvas.text(&format!("{low:.1}"), x, y + 38.0, TEXT, INK);
    let end = format!("{high:.1} +");
    canvas.text(
        &end,
        x + wide - font::width(&end, TEXT),
        y + 38.0,
        TEXT,
        INK,
    );
    if let Some(limit) = &map.limit {
        let at = x + wide * ((limit.value_mm - low) / (high - low)).clamp(0.0, 1.0);
        canvas.block(
            at - 1.5,
            y + 13.0,
            3.0,
            24.0,
            colours::outcome(Outcome::Breaks),
        );
        let says = format!("limit {:.2}", limit.value_mm);
        canvas.text(
            &says,
            at + 6.0,
            y + 38.0,
            TEXT,
            colours::outcome(Outcome::Breaks),
        );
    }
}

/// The map that the picture is drawn in.
fn map_of(model: &PageModel) -> Option<(usize, &ScalarMap)> {
    let mut each = model.layers.iter().enumerate();
    each.find_map(|(i, l)| Some((i, l.maps.iter().find(|m| m.first)?)))
}

fn fitting(says: &str, room: f64, size: f64) -> String {
    let (first, rest) = split_at_width(says, room, size);
    if rest.is_empty() {
        first.to_owned()
    } else {
        format!("{}...", first.trim_end())
    }
}

/// As many whole words as there is room for, and the rest.
fn split_at_width(says: &str, room: f64, size: f64) -> (&str, &str) {
    let room = room - font::width("...", size);
    let fits = |end: usize| font::width(&says[..end], size) <= room;
    if fits(says.len()) {
        return (says, "");
    }
    let ends: Vec<usize> = says
        .char_indices()
        .map(|(i, _)| i)
        .filter(|&i| fits(i))
        .collect();
    let hard = ends.last().copied().unwrap_or(0);
    let soft = says[..hard].rfind(' ').filter(|&i| i > hard / 2);
    let cut = soft.unwrap_or(hard);
    (&says[..cut], says[cut..].trim_start())
}

/// A direction to look from, laid out in a box of the picture.
struct Frame {
    right: Vector,
    up: Vector,
    toward: Vector,
    /// Place on the screen of the origin, and pixels a mm.
    origin: [f64; 2],
    zoom: f64,
    size: f64,
}

impl Frame {
    fn new(
        model: &PageModel,
        view: &View,
        [x, y, wide, high]: [usize; 4],
        margin: [f64; 2],
    ) -> Self {
        let toward = view.from.try_normalize(1e-12).unwrap_or_else(Vector::z);
        let other = if toward.x.abs() < 0.8 {
            Vector::x()
        } else {
            Vector::y()
        };
        let right = view
            .up
            .cross(&toward)
            .try_normalize(1e-9)
            .unwrap_or_else(|| other.cross(&toward).normalize());
        let up = toward.cross(&right);
        let (mut low, mut far) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in model
            .layers
            .iter()
            .filter(|l| l.shown)
            .flat_map(|l| l.mesh.points())
        {
            for (k, d) in [p.coords.dot(&right), p.coords.dot(&up)]
                .into_iter()
                .enumerate()
            {
                low[k] = low[k].min(d);
                far[k] = far[k].max(d);
            }
        }
        if low[0] > far[0] {
            (low, far) = ([-1.0; 2], [1.0; 2]);
        }
        let room = [wide as f64 - 2.0 * margin[0], high as f64 - 2.0 * margin[1]];
        let zoom =
            (room[0] / (far[0] - low[0]).max(1e-9)).min(room[1] / (far[1] - low[1]).max(1e-9));
        let middle = [0.5 * (low[0] + far[0]), 0.5 * (low[1] + far[1])];
        Self {
            right,
            up,
            toward,
            origin: [
                x as f64 + 0.5 * wide as f64 - middle[0] * zoom,
                y as f64 + 0.5 * high as f64 + middle[1] * zoom,
            ],
            zoom,
            size: model.extent().1,
        }
    }

    fn see(&self, p: &Point) -> [f64; 3] {
        let c = &p.coords;
        [
            self.origin[0] + c.dot(&self.right) * self.zoom,
            self.origin[1] - c.dot(&self.up) * self.zoom,
            c.dot(&self.toward),
        ]
    }

    /// From light and shade to the brightness of a colour.
    fn light(&self, normal: &Vector) -> f64 {
        let to = normal.dot(&self.toward).abs();
        let lamp = (self.up * 0.75 - self.right * 0.5 + self.toward * 0.6).normalize();
        0.40 + 0.40 * to + 0.28 * normal.dot(&lamp).max(0.0)
    }
}

/// All of a view; with `words` in the box of the picture that is given.
fn scene(canvas: &mut Canvas, model: &PageModel, frame: &Frame, words: Option<[usize; 4]>) {
    let mapped = map_of(model).map(|(i, _)| i);
    let mut parts = 0;
    let indexed: Vec<(usize, usize, &Layer)> = model
        .layers
        .iter()
        .enumerate()
        .map(|(i, layer)| {
            let index = parts;
            parts += usize::from(layer.role == Role::Part);
            (i, index, layer)
        })
        .filter(|(_, _, layer)| layer.shown)
        .collect();
    for glass in [false, true] {
        for &(i, index, layer) in indexed.iter().filter(|(_, _, l)| l.glass == glass) {
            let map = if mapped == Some(i) {
                layer.maps.iter().find(|m| m.first)
            } else {
                None
            };
            surface(
                canvas,
                layer,
                map,
                frame,
                colours::surface(layer.role, index),
            );
        }
    }
    for line in &model.lines {
        draw_line(canvas, line, frame, if words.is_some() { 2.2 } else { 1.2 });
    }
    if let Some(view) = words {
        labels::names(canvas, model, frame, view);
        labels::numbers(canvas, model, frame, view);
        return;
    }
    for (row, finding) in model.findings() {
        if let Some(point) = &finding.point {
            let [x, y, _] = frame.see(point);
            canvas.disc(x, y, 4.0, [255, 255, 255]);
            canvas.disc(x, y, 3.0, colours::outcome(row.outcome));
        }
    }
}

fn surface(
    canvas: &mut Canvas,
    layer: &Layer,
    map: Option<&ScalarMap>,
    frame: &Frame,
    colour: Rgb,
) {
    let normals = layer.mesh.point_normals();
    let solid = if layer.glass { 0.16 } else { 1.0 };
    let lit: Vec<Corner> = layer
        .mesh
        .points()
        .iter()
        .zip(&normals)
        .enumerate()
        .map(|(i, (p, n))| {
            let [x, y, near] = frame.see(p);
            let value = map.map_or(f64::NAN, |m| m.values.get(i).copied().unwrap_or(f64::NAN));
            Corner {
                x,
                y,
                near,
                light: frame.light(n),
                value,
            }
        })
        .collect();
    for (f, facet) in layer.mesh.facets().iter().enumerate() {
        let mut corners = facet.map(|p| lit[p as usize]);
        // Boxes have edges: one light a facet.
        if let (Role::Part, Some(n)) = (layer.role, layer.mesh.normal(f)) {
            let light = frame.light(&n);
            corners.iter_mut().for_each(|c| c.light = light);
        }
        canvas.triangle(&corners, solid, |light, value, x, y| match map {
            None => shaded(colour, light),
            Some(map) => shaded(map_colour(map, value, x, y), 0.6 + 0.4 * light),
        });
    }
}

fn map_colour(map: &ScalarMap, value: f64, x: usize, y: usize) -> Rgb {
    if !value.is_finite() {
        return [0xcc, 0xca, 0xc2];
    }
    let beyond = |l: &MapLimit| match l.sense {
        Sense::AtLeast => value < l.value_mm,
        Sense::AtMost => value > l.value_mm,
    };
    // Stripes beyond the limit, as on the page.
    if map.limit.as_ref().is_some_and(beyond) && (x + y) % 6 < 2 {
        return colours::outcome(Outcome::Breaks);
    }
    let [low, high] = map.range_mm;
    scale_of(map)((value - low) / (high - low).max(1e-9))
}

fn scale_of(map: &ScalarMap) -> fn(f64) -> Rgb {
    if map.signed {
        colours::signed_scale
    } else {
        colours::scale
    }
}

fn shaded(colour: Rgb, light: f64) -> Rgb {
    colour.map(|c| (f64::from(c) * light).round().clamp(0.0, 255.0) as u8)
}

fn draw_line(canvas: &mut Canvas, line: &Line, frame: &Frame, width: f64) {
    let pen = Pen {
        colour: colours::line(line.role),
        width: if line.role == LineRole::Axis {
            width * 1.2
        } else {
            width
        },
        hidden: 0.55,
    };
    // A hair nearer than the surface that it lies on.
    let nearer = 0.004 * frame.size;
    let seen: Vec<[f64; 3]> = line
        .points
        .iter()
        .map(|p| {
            let [x, y, near] = frame.see(p);
            [x, y, near + nearer]
        })
        .collect();
    for pair in seen.windows(2) {
        canvas.line(pair[0], pair[1], pen);
    }
}

fn scale_bar(canvas: &mut Canvas, frame: &Frame, x: usize, y: usize) {
    let mm = if frame.size > 5.0 { 5.0 } else { 1.0 };
    let (left, base) = (x as f64 + 14.0, (y + VIEW_HIGH) as f64 - 16.0);
    canvas.block(left, base, mm * frame.zoom, 2.0, INK);
    canvas.text(
        &format!("{mm:.0} mm"),
        left + mm * frame.zoom + 8.0,
        base - 5.0,
        9.0,
        INK,
    );
}

#[cfg(test)]
mod tests;

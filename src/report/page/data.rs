//! What the page's script draws from, as one JSON text that is safe inside a page.

use serde_json::{Value, json};

use super::base64::base64;
use super::model::*;
use super::pack::{Viewed, pack, pack_values, viewed};
use crate::checks::Sense;
use crate::mesh::{Point, Vector};
use crate::report::colours::{self, Rgb};

/// The data, and whether a surface was thinned: name, facets shown, facets in all.
pub(super) struct Data {
    pub json: String,
    pub thinned: Vec<(String, usize, usize)>,
}

pub(super) fn data(model: &PageModel) -> Data {
    let meshes: Vec<_> = model.layers.iter().map(|l| &l.mesh).collect();
    let views: Vec<Viewed> = viewed(&meshes);
    let thinned = model.layers.iter().zip(&views).filter(|(_, v)| v.thinned);
    let thinned = thinned.map(|(l, v)| {
        let (shown, all) = (v.mesh.facets().len(), l.mesh.facets().len());
        (l.name.clone(), shown, all)
    });
    let (centre, radius) = model.extent();
    let mut parts = 0;
    let layers: Vec<Value> = model
        .layers
        .iter()
        .zip(&views)
        .map(|(layer, view)| {
            let index = parts;
            parts += usize::from(layer.role == Role::Part);
            layer_json(layer, view, index)
        })
        .collect();
    let json = json!({
        "centre": place(&centre),
        "radius": rounded(radius),
        "views": model.views.iter().map(|v| json!({
            "name": v.name, "from": direction(&v.from), "up": direction(&v.up),
        })).collect::<Vec<_>>(),
        "layers": layers,
        "lines": model.lines.iter().map(line_json).collect::<Vec<_>>(),
        "marks": model.marks.iter()
            .map(|m| json!({ "name": m.name, "at": place(&m.point) })).collect::<Vec<_>>(),
        "findings": model.findings().map(|(row, f)| json!({
            "n": f.number, "tone": row.outcome, "says": f.says,
            "at": f.point.as_ref().map(place), "mm": f.at_mm.map(rounded),
        })).collect::<Vec<_>>(),
        "spine": model.spine.as_ref().map(spine_json),
        "motion": model.motion.as_ref().map(motion_json),
        "plots": model.plots.iter().map(plot_json).collect::<Vec<_>>(),
        "scale": coded(colours::scale),
        "signedScale": coded(colours::signed_scale),
    });
    Data {
        json: safe(&json.to_string()),
        thinned: thinned.collect(),
    }
}

/// A scale of colours in 256 steps.
fn coded(scale: fn(f64) -> Rgb) -> String {
    let steps = (0..=255).flat_map(|i| scale(f64::from(i) / 255.0));
    base64(&steps.collect::<Vec<u8>>())
}

/// Inside a page, a text that closes the script element would end it, whatever JSON it stands in.
fn safe(json: &str) -> String {
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        match c {
            '<' => out.push_str("\\u003c"),
            '>' => out.push_str("\\u003e"),
            '&' => out.push_str("\\u0026"),
            '\u{2028}' => out.push_str("\\u2028"),
            '\u{2029}' => out.push_str("\\u2029"),
            c => out.push(c),
        }
    }
    out
}

/// A tenth of a micrometre: finer than any scan, and half the text.
fn rounded(x: f64) -> Value {
    json!((x * 1e4).round() / 1e4 + 0.0)
}

fn place(p: &Point) -> Value {
    json!([rounded(p.x), rounded(p.y), rounded(p.z)])
}

/// Directions need more digits: ten millimetres off, a tenth of a micrometre is 1e-5 of them.
fn direction(v: &Vector) -> Value {
    let fine = |x: f64| json!((x * 1e7).round() / 1e7 + 0.0);
    json!([fine(v.x), fine(v.y), fine(v.z)])
}

fn hex([r, g, b]: Rgb) -> String {
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn layer_json(layer: &Layer, view: &Viewed, index: usize) -> Value {
    let packed = pack(&view.mesh);
    let source = |&p: &u32| view.from[p as usize] as usize;
    let maps: Vec<Value> = layer
        .maps
        .iter()
        .map(|map| {
            let values = packed.order.iter().map(|p| {
                let at = source(p);
                map.values.get(at).copied().unwrap_or(f64::NAN)
            });
            json!({
                "name": map.name,
                "first": map.first,
                "signed": map.signed,
                "range": [map.range_mm[0], map.range_mm[1]],
                "limit": map.limit.as_ref().map(|l| json!({
                    "mm": l.value_mm, "words": l.words,
                    "goodBelow": l.sense == Sense::AtMost,
                })),
                "values": base64(&pack_values(values, map.range_mm)),
            })
        })
        .collect();
    json!({
        "name": layer.name,
        "colour": hex(colours::surface(layer.role, index)),
        "shown": layer.shown,
        "glass": layer.glass,
        "flat": layer.role == Role::Part,
        "low": packed.low,
        "step": packed.step,
        "points": packed.order.len(),
        "facets": view.mesh.facets().len(),
        "places": base64(&packed.places),
        "corners": base64(&packed.facets),
        "maps": maps,
    })
}

fn line_json(line: &Line) -> Value {
    let width = match line.role {
        LineRole::Axis | LineRole::Tube => 3.0,
        LineRole::Aperture | LineRole::Bend | LineRole::Rim => 2.5,
    };
    json!({
        "name": line.name,
        "colour": hex(colours::line(line.role)),
        "width": width,
        "points": line.points.iter().map(place).collect::<Vec<_>>(),
    })
}

fn spine_json(spine: &Spine) -> Value {
    json!({
        "counted": spine.counted,
        "within": spine.within,
        "layers": spine.layers,
        "start": rounded(spine.start_mm),
        "at": spine.stations.iter().map(|s| rounded(s.at_mm)).collect::<Vec<_>>(),
        "points": spine.stations.iter().map(|s| place(&s.point)).collect::<Vec<_>>(),
        "normals": spine.stations.iter().map(|s| direction(&s.normal)).collect::<Vec<_>>(),
    })
}

/// Poses keep all their digits: they are rigid only to as many as they have.
fn motion_json(motion: &Motion) -> Value {
    json!({ "name": motion.name, "layer": motion.layer, "poses": motion.poses })
}

fn plot_json(plot: &Plot) -> Value {
    json!({
        "title": plot.title,
        "across": plot.across,
        "upward": plot.upward.replace("mm2", "mm\u{b2}"),
        "bars": plot.stroke == Stroke::Bars,
        "series": plot.series.iter().map(|[x, y]| json!([rounded(*x), rounded(*y)])).collect::<Vec<_>>(),
        "spread": plot.spread.as_ref().map(|s| json!({ "name": s.name, "rows": s.rows })),
        "dots": plot.dots.iter().map(|d| json!({ "name": d.name, "row": d.row })).collect::<Vec<_>>(),
        "ticks": plot.ticks.iter().map(|(at, name)| json!({ "at": rounded(*at), "name": name })).collect::<Vec<_>>(),
        "limit": plot.limit.as_ref().map(|(at, words)| json!({ "at": at, "words": words })),
        "alongSpine": plot.along_spine,
    })
}

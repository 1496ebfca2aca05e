//! A fixed set of practice scans: the ear impressions of a pit orchestra that does not exist.
//!
//! The Halmwick Opera, its orders and its players are invented. Each file shows one thing that
//! a front desk meets, and has its truth beside it.

use std::io::Write;
use std::path::{Path, PathBuf};

use nalgebra::{Isometry3, Translation3, UnitQuaternion, Vector3};
use serde_json::Value;

use crate::write::{WriteError, ply, stl, whole_file};

use super::chance::Chance;
use super::faults::{Fault, Spot};
use super::model::{Base, EarModel, Side};
use super::{DemoEar, ear};

/// How an order's scan is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Binary STL.
    Stl,
    /// Binary PLY.
    Ply,
}

/// One order of the Halmwick Opera's pit.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// File name without its ending: order, instrument, side ordered.
    pub name: String,
    /// What the file shows.
    pub shows: &'static str,
    /// The ear.
    pub model: EarModel,
    /// The file's kind.
    pub form: Form,
}

/// Facets of each practice scan: 0.8 MB as binary STL.
const FACETS: usize = 16_000;

/// Order number, instrument, what the scan shows, ear.
type Row = (u64, &'static str, &'static str, EarModel);

fn canal(at_mm: f64, around_deg: f64) -> Spot {
    Spot::Canal { at_mm, around_deg }
}

fn concha(back_deg: f64, up_deg: f64) -> Spot {
    Spot::Concha { back_deg, up_deg }
}

fn open(model: EarModel, noise_mm: f64) -> EarModel {
    EarModel {
        base: Base::Open,
        noise_mm,
        ..model
    }
}

/// Scans that can be designed on, or nearly.
fn usable() -> [Row; 6] {
    let (left, right) = (Side::Left, Side::Right);
    let bubble = Fault::Bubble {
        spot: canal(13.5, 200.0),
        width_mm: 2.4,
        depth_mm: 1.1,
    };
    let horn = open(EarModel::large(right), 0.03);
    let harp = open(EarModel::small(left), 0.02);
    let bassoon = EarModel::large(right).with(bubble);
    let stand = Fault::Stand {
        radius_mm: 2.5,
        length_mm: 16.0,
    };
    let floater = Fault::Floater {
        spot: canal(16.0, 90.0),
        gap_mm: 4.0,
        width_mm: 2.2,
    };
    let bass = EarModel::large(right).with(stand).with(floater);
    let oboes = [EarModel::medium(right), EarModel::medium(left)];
    let [first, second] = oboes;
    [
        (401, "oboe", "a good impression, outer face scanned", first),
        (402, "oboe", "the other ear of the same player", second),
        (405, "horn", "a large ear, open base, usual noise", horn),
        (
            408,
            "harp",
            "a small ear, sharp first bend, open base",
            harp,
        ),
        (417, "bassoon", "a bubble between the bends", bassoon),
        (422, "bass", "on its stand, a floater beside it", bass),
    ]
}

/// Scans that must be repaired, asked about or taken again.
fn spoilt() -> [Row; 6] {
    let (left, right) = (Side::Left, Side::Right);
    let hole = |spot, radius_mm| Fault::Hole { spot, radius_mm };
    let viola = open(EarModel::medium(left), 0.0)
        .with(hole(canal(5.0, 300.0), 0.9))
        .with(hole(concha(45.0, 35.0), 2.0));
    let timpani = EarModel::medium(right).with(Fault::NoSecondBend { past_mm: 6.5 });
    let feather = Fault::Feather {
        length_mm: 3.2,
        thick_mm: 1.2,
    };
    let trumpet = open(EarModel::medium(left), 0.02).with(feather);
    let fin = Fault::Fin {
        spot: canal(9.0, 90.0),
        height_mm: 0.9,
    };
    let flipped = Fault::Flipped {
        spot: concha(35.0, -10.0),
        radius_mm: 1.2,
    };
    let crossing = Fault::Crossing {
        spot: concha(75.0, 5.0),
        width_mm: 2.6,
    };
    let celesta = EarModel::small(left).with(fin).with(flipped).with(crossing);
    let clarinet = EarModel::medium(left).with(Fault::Mirrored);
    let drums = EarModel::small(right).with(Fault::Inches);
    [
        (411, "timpani", "too short: no second bend", timpani),
        (413, "viola", "holes in the seal zone and the concha", viola),
        (420, "trumpet", "a feathered tip", trumpet),
        (
            424,
            "clarinet",
            "mirrored: ordered left, shaped right",
            clarinet,
        ),
        (429, "drums", "written in inches", drums),
        (431, "celesta", "a fin, flipped facets, a crossing", celesta),
    ]
}

/// Lays the scan somewhere, as scanners do; the first order keeps the model's own pose.
fn laid(number: u64, mut model: EarModel) -> EarModel {
    let mut chance = Chance::new(number);
    let turn = chance.direction() * chance.between(0.0, std::f64::consts::PI);
    let shift = Vector3::from_fn(|_, _| chance.between(-40.0, 40.0));
    if number > 401 {
        let turn = UnitQuaternion::from_scaled_axis(turn);
        model.pose = Isometry3::from_parts(Translation3::from(shift), turn);
    }
    model.seed = number;
    model.facets = FACETS;
    model
}

/// The dozen orders, by number.
#[must_use]
pub fn pit_orchestra() -> Vec<Order> {
    let order = |(number, instrument, shows, model): Row| {
        let side = match model.side {
            Side::Left => "left",
            Side::Right => "right",
        };
        Order {
            name: format!("PIT-{number:04}-{instrument}-{side}"),
            shows,
            model: laid(number, model),
            form: if number == 408 { Form::Ply } else { Form::Stl },
        }
    };
    let mut orders: Vec<Order> = usable().into_iter().chain(spoilt()).map(order).collect();
    orders.sort_by(|a, b| a.name.cmp(&b.name));
    orders
}

/// Writes every order's scan and, beside it, `<name>.truth.json`; tells each file when it is
/// there. The folder must exist.
///
/// # Errors
/// [`WriteError`] of the first file that could not be written.
pub fn write_all(dir: &Path, told: &mut dyn FnMut(&Path)) -> Result<(), WriteError> {
    for order in pit_orchestra() {
        let made = ear(&order.model);
        for path in write(dir, &order, &made)? {
            told(&path);
        }
    }
    Ok(())
}

pub(crate) fn write(dir: &Path, order: &Order, made: &DemoEar) -> Result<[PathBuf; 2], WriteError> {
    let ending = match order.form {
        Form::Stl => "stl",
        Form::Ply => "ply",
    };
    let scan = dir.join(format!("{}.{ending}", order.name));
    match order.form {
        Form::Stl => stl(&scan, &made.mesh)?,
        Form::Ply => ply(&scan, &made.mesh, &[])?,
    }
    let truth = dir.join(format!("{}.truth.json", order.name));
    let text = truth_text(order, made);
    whole_file(&truth, |w: &mut dyn Write| w.write_all(text.as_bytes()))?;
    Ok([scan, truth])
}

fn truth_text(order: &Order, made: &DemoEar) -> String {
    let mut value = serde_json::to_value(&made.truth).unwrap_or(Value::Null);
    if let Value::Object(map) = &mut value {
        map.insert("shows".into(), order.shows.into());
    }
    let mut text = String::new();
    lines(&value, 0, &mut text);
    text.push('\n');
    text
}

/// JSON for eyes: one key a line, but a list of plain numbers on one line, to 1e-5.
fn lines(value: &Value, depth: usize, out: &mut String) {
    match value {
        Value::Number(n) if n.is_f64() => {
            let rounded = (n.as_f64().unwrap_or(0.0) * 1e5).round() / 1e5;
            out.push_str(&format!("{}", rounded + 0.0));
        }
        Value::Array(items) if items.iter().all(Value::is_number) => {
            out.push('[');
            for (k, item) in items.iter().enumerate() {
                out.push_str(if k > 0 { ", " } else { "" });
                lines(item, depth, out);
            }
            out.push(']');
        }
        Value::Array(items) => {
            let items = items.iter().map(|i| (String::new(), i));
            block(['[', ']'], items, depth, out);
        }
        Value::Object(map) => {
            let items = map
                .iter()
                .map(|(k, i)| (format!("{}: ", Value::from(k.as_str())), i));
            block(['{', '}'], items, depth, out);
        }
        plain => out.push_str(&plain.to_string()),
    }
}

fn block<'a>(
    marks: [char; 2],
    items: impl Iterator<Item = (String, &'a Value)>,
    depth: usize,
    out: &mut String,
) {
    let new_line = |out: &mut String, depth: usize| {
        out.push('\n');
        out.push_str(&"  ".repeat(depth));
    };
    out.push(marks[0]);
    for (k, (key, item)) in items.enumerate() {
        out.push_str(if k > 0 { "," } else { "" });
        new_line(out, depth + 1);
        out.push_str(&key);
        lines(item, depth + 1, out);
    }
    new_line(out, depth);
    out.push(marks[1]);
}

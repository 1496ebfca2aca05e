//! 3MF: a zip archive of XML parts. Everything on the build list becomes one surface, with all
//! transforms applied, and a note says how many pieces that were.
//!
//! The crate that writes this format here is not used to read it: it takes a coordinate that it
//! cannot read for 0 and drops a damaged triangle without a word, and a measuring tool must not.
//! It judges this reader in the tests.

mod archive;
mod model;
mod xml;

use std::collections::BTreeMap;
use std::rc::Rc;

use nalgebra::Vector3;

use crate::mesh::Point;

use super::error::{Fault, Place, Trouble, shown};
use super::raw::{Raw, check_cap};
use super::{Format, ReadOptions, Unit};
use archive::Archive;
use model::{Model, Object, Shape, Transform};
use xml::Event;

/// Components within components. Too low: assemblies of assemblies fail (3 seen). Too high: a
/// circle of references eats the stack before it is noticed.
const DEEPEST: usize = 32;
/// Pieces placed in all. Each may be small, but a few lines of nested components name millions.
const MOST_PIECES: usize = 100_000;

pub(super) fn read(bytes: &[u8], opts: &ReadOptions) -> Result<Raw, Fault> {
    let mut archive = Archive::open(bytes, opts.max_bytes)?;
    let root = root_part(&mut archive)?;
    let mut joiner = Joiner {
        archive,
        models: BTreeMap::new(),
        root: root.clone(),
        max_facets: opts.max_facets,
        points: Vec::new(),
        facets: Vec::new(),
        told: Told::default(),
    };
    let model = joiner.model(&root)?;
    for item in &model.items {
        let part = item.path.as_ref().unwrap_or(&root).clone();
        joiner.place(&part, item.object, &item.transform, 0)?;
    }
    let notes = joiner.notes(&model);
    let mut raw = Raw::from_indexed(&joiner.points, joiner.facets, Format::ThreeMf, notes)?;
    raw.unit = Some(model.unit);
    Ok(raw)
}

/// The part that the archive's own list of relationships calls the model.
fn root_part(archive: &mut Archive) -> Result<String, Fault> {
    const LIST: &str = "_rels/.rels";
    let Some(text) = archive.part(LIST)? else {
        let fact = "the archive is no 3MF file: it has no list of relationships (_rels/.rels)";
        return Err(Fault::new(Trouble::UnknownKind, fact));
    };
    let mut models = Vec::new();
    xml::walk(LIST, &text, |event| {
        let Event::Open(element) = event else {
            return Ok(());
        };
        if element.local != "Relationship" {
            return Ok(());
        }
        let kind = element.text("Type").unwrap_or_default();
        if kind.ends_with("/keystore") {
            let fact = "the content is protected (it comes with a key store)";
            return Err(Fault::new(Trouble::Encrypted, fact));
        }
        if kind.ends_with("/3dmodel") {
            models.push(element.text("Target").unwrap_or_default().to_owned());
        }
        Ok(())
    })?;
    match models.as_slice() {
        [one] => Ok(one.clone()),
        [] => Err(Fault::at(
            Trouble::Malformed,
            Place::Part(LIST.to_owned(), None),
            "names no 3D model",
        )),
        many => Err(Fault::at(
            Trouble::Malformed,
            Place::Part(LIST.to_owned(), None),
            format!("names {} 3D models where one is allowed", many.len()),
        )),
    }
}

/// What happened on the way that people should know.
#[derive(Default)]
struct Told {
    pieces: usize,
    supports: usize,
    mirrored: usize,
    lattices: usize,
    other_units: usize,
}

struct Joiner<'a> {
    archive: Archive<'a>,
    models: BTreeMap<String, Rc<Model>>,
    root: String,
    max_facets: usize,
    points: Vec<Point>,
    facets: Vec<[u32; 3]>,
    told: Told,
}

impl Joiner<'_> {
    fn model(&mut self, part: &str) -> Result<Rc<Model>, Fault> {
        if let Some(model) = self.models.get(part) {
            return Ok(Rc::clone(model));
        }
        let Some(text) = self.archive.part(part)? else {
            let fact = format!("the archive lacks the part {} that it names", shown(part));
            return Err(Fault::new(Trouble::Malformed, fact));
        };
        let model = Rc::new(Model::parse(part, &text, self.max_facets)?);
        self.models.insert(part.to_owned(), Rc::clone(&model));
        Ok(model)
    }

    /// Adds an object and what it is made of.
    fn place(&mut self, part: &str, id: u32, by: &Transform, depth: usize) -> Result<(), Fault> {
        let fault = |trouble, fact: String| {
            Err(Fault::at(trouble, Place::Part(part.to_owned(), None), fact))
        };
        let model = self.model(part)?;
        let Some(object) = model.objects.get(&id) else {
            return fault(
                Trouble::Malformed,
                format!("object {id} is named but not there"),
            );
        };
        self.told.pieces += 1;
        if self.told.pieces > MOST_PIECES {
            let fact = format!("more than {MOST_PIECES} pieces are placed");
            return fault(Trouble::TooLarge, fact);
        }
        if object.support {
            self.told.supports += 1;
            return Ok(());
        }
        self.told.lattices += usize::from(object.lattice);
        match &object.shape {
            Shape::Triangles { .. } => self.add(part, &model, object, by),
            Shape::Components(_) if depth >= DEEPEST => {
                let fact = format!("object {id}: components within components, {DEEPEST} deep");
                fault(Trouble::Malformed, fact)
            }
            Shape::Components(list) => {
                for c in list {
                    let inner = c.path.as_deref().unwrap_or(part);
                    self.place(inner, c.object, &by.after(&c.transform), depth + 1)?;
                }
                Ok(())
            }
            Shape::None => {
                let fact = format!("object {id} has neither triangles nor components");
                fault(Trouble::Unsupported, fact)
            }
        }
    }

    fn add(
        &mut self,
        part: &str,
        model: &Model,
        object: &Object,
        by: &Transform,
    ) -> Result<(), Fault> {
        let Shape::Triangles { points, facets } = &object.shape else {
            return Ok(());
        };
        check_cap(self.facets.len() + facets.len(), self.max_facets)?;
        check_cap(
            (self.points.len() + points.len()).div_ceil(3),
            self.max_facets,
        )?;
        let scale = self.scale_of(part, model)?;
        let mirrored = by.linear.determinant() < 0.0;
        self.told.mirrored += usize::from(mirrored);
        let first = self.points.len() as u32;
        self.points
            .extend(points.iter().map(|p| by.apply(&(p * scale))));
        self.facets.extend(facets.iter().map(|&[a, b, c]| {
            // Mirroring turns the winding round; outside stays outside.
            let [b, c] = if mirrored { [c, b] } else { [b, c] };
            [first + a, first + b, first + c]
        }));
        Ok(())
    }

    /// Parts may each name a unit; all is brought to that of the root part.
    fn scale_of(&mut self, part: &str, model: &Model) -> Result<f64, Fault> {
        let root = self.root.clone();
        let unit = self.model(&root)?.unit;
        if part == root || model.unit == unit {
            return Ok(1.0);
        }
        self.told.other_units += 1;
        Ok(model.unit.in_mm() / unit.in_mm())
    }

    fn notes(&self, root: &Model) -> Vec<String> {
        let told = &self.told;
        let mut notes = Vec::new();
        let mut say = |n: usize, least: usize, what: &str| {
            if n >= least {
                notes.push(format!("{n} {what}"));
            }
        };
        let leaves = root.items.len();
        say(leaves, 2, "build items were joined into one surface");
        say(told.supports, 1, "support objects were left out");
        say(
            told.mirrored,
            1,
            "objects are placed mirrored; their facets were turned to match",
        );
        say(
            told.lattices,
            1,
            "objects have a beam lattice, which was left out",
        );
        say(
            told.other_units,
            1,
            "objects are in another unit than the file's own and were scaled",
        );
        let mut unbuilt = root.objects.len();
        unbuilt -= root.reached().len();
        say(
            unbuilt,
            1,
            "objects that are not on the build list were left out",
        );
        notes
    }
}

/// `unit="…"` of the format, millimetres where it is not given.
fn unit_named(name: Option<&str>) -> Option<Unit> {
    match name {
        None | Some("millimeter") => Some(Unit::Mm),
        Some("micron") => Some(Unit::Um),
        Some("centimeter") => Some(Unit::Cm),
        Some("inch") => Some(Unit::Inch),
        Some("foot") => Some(Unit::Foot),
        Some("meter") => Some(Unit::M),
        Some(_) => None,
    }
}

/// Twelve numbers of the format: three rows of the linear part, then the shift, for points
/// written as rows.
fn transform_of(m: [f64; 12]) -> Transform {
    let linear = nalgebra::Matrix3::new(m[0], m[3], m[6], m[1], m[4], m[7], m[2], m[5], m[8]);
    Transform {
        linear,
        shift: Vector3::new(m[9], m[10], m[11]),
    }
}

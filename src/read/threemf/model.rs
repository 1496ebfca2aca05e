//! One model part of a 3MF archive: its unit, its objects, its build list. Elements of other
//! namespaces (colours, slices, lattices) are passed over; some use the same words.

use std::collections::{BTreeMap, BTreeSet};

use nalgebra::{Matrix3, Vector3};

use crate::mesh::Point;

use super::super::Unit;
use super::super::error::{Fault, Trouble, shown};
use super::super::raw::check_cap;
use super::super::text::number;
use super::xml::{Element, Event, walk};
use super::{transform_of, unit_named};

/// Extensions that a file may require and that leave the triangles what they are.
const HARMLESS: [&str; 6] = [
    "core",
    "material",
    "production",
    "slice",
    "beamlattice",
    "trianglesets",
];

/// Where an object goes: `linear · p + shift`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Transform {
    pub linear: Matrix3<f64>,
    pub shift: Vector3<f64>,
}

impl Transform {
    fn none() -> Self {
        Self {
            linear: Matrix3::identity(),
            shift: Vector3::zeros(),
        }
    }

    pub fn apply(&self, p: &Point) -> Point {
        Point::from(self.linear * p.coords + self.shift)
    }

    /// `inner` first, then this.
    pub fn after(&self, inner: &Self) -> Self {
        Self {
            linear: self.linear * inner.linear,
            shift: self.linear * inner.shift + self.shift,
        }
    }

    fn of(element: &Element) -> Result<Self, Fault> {
        let Some(text) = element.text("transform") else {
            return Ok(Self::none());
        };
        let mut m = [0.0; 12];
        let mut words = text.split_ascii_whitespace();
        for value in &mut m {
            *value = number(words.next().unwrap_or_default(), || element.place())?;
        }
        let found = transform_of(m);
        let usable = found.linear.determinant().abs() > 0.0 && m.iter().all(|v| v.is_finite());
        if words.next().is_some() || !usable {
            let fact = format!("\"{}\" is no usable transform", shown(text));
            return Err(element.fault(Trouble::Malformed, fact));
        }
        Ok(found)
    }
}

/// An object named and placed: by the build list or within another object.
#[derive(Debug)]
pub(super) struct Placed {
    pub object: u32,
    pub transform: Transform,
    /// The part that holds the object, where it is another one.
    pub path: Option<String>,
}

impl Placed {
    fn of(element: &Element) -> Result<Self, Fault> {
        Ok(Self {
            object: element.index("objectid")?,
            transform: Transform::of(element)?,
            path: element.text("path").map(str::to_owned),
        })
    }
}

#[derive(Debug)]
pub(super) enum Shape {
    None,
    Triangles {
        points: Vec<Point>,
        facets: Vec<[u32; 3]>,
    },
    Components(Vec<Placed>),
}

#[derive(Debug)]
pub(super) struct Object {
    pub shape: Shape,
    /// Scaffolding for the printer, no part of the shape.
    pub support: bool,
    pub lattice: bool,
}

#[derive(Debug)]
pub(super) struct Model {
    pub unit: Unit,
    pub objects: BTreeMap<u32, Object>,
    pub items: Vec<Placed>,
}

impl Model {
    pub fn parse(part: &str, text: &str, max_facets: usize) -> Result<Self, Fault> {
        let mut parser = Parser {
            core: None,
            above: Vec::new(),
            object: None,
            max_facets,
            model: Self {
                unit: Unit::Mm,
                objects: BTreeMap::new(),
                items: Vec::new(),
            },
        };
        walk(part, text, |event| parser.meet(event))?;
        Ok(parser.model)
    }

    /// Objects of this part that the build list reaches.
    pub fn reached(&self) -> BTreeSet<u32> {
        let here = |p: &&Placed| p.path.is_none();
        let mut todo: Vec<u32> = self.items.iter().filter(here).map(|p| p.object).collect();
        let mut reached = BTreeSet::new();
        while let Some(id) = todo.pop() {
            let Some(object) = self.objects.get(&id) else {
                continue;
            };
            if !reached.insert(id) {
                continue;
            }
            if let Shape::Components(list) = &object.shape {
                todo.extend(list.iter().filter(here).map(|p| p.object));
            }
        }
        reached
    }
}

struct Parser<'a> {
    /// Prefix of the core namespace: that of the root element.
    core: Option<&'a str>,
    /// Local names of the open core elements, outermost first.
    above: Vec<&'a str>,
    object: Option<(u32, Object)>,
    max_facets: usize,
    model: Model,
}

impl<'a> Parser<'a> {
    fn meet(&mut self, event: Event<'_, 'a>) -> Result<(), Fault> {
        match event {
            Event::Open(element) => self.open(element),
            Event::Close(prefix, local) => {
                if self.core == Some(prefix) {
                    self.above.pop();
                    if local == "object"
                        && let Some((id, object)) = self.object.take()
                    {
                        self.model.objects.insert(id, object);
                    }
                }
                Ok(())
            }
        }
    }

    fn open(&mut self, element: &Element<'a>) -> Result<(), Fault> {
        let Some(core) = self.core else {
            self.core = Some(element.prefix);
            self.above.push(element.local);
            return self.root(element);
        };
        if element.prefix != core {
            if element.local == "beamlattice"
                && let Some((_, object)) = &mut self.object
            {
                object.lattice = true;
            }
            return Ok(());
        }
        let parent = self.above.last().copied().unwrap_or_default();
        self.above.push(element.local);
        match (parent, element.local) {
            ("resources", "object") => self.object(element),
            ("vertices", "vertex") => self.vertex(element),
            ("triangles", "triangle") => self.triangle(element),
            ("object", "mesh") => {
                let (points, facets) = (Vec::new(), Vec::new());
                self.shape(element, Shape::Triangles { points, facets })
            }
            ("object", "components") => self.shape(element, Shape::Components(Vec::new())),
            ("components", "component") => {
                if let Some((
                    _,
                    Object {
                        shape: Shape::Components(list),
                        ..
                    },
                )) = &mut self.object
                {
                    list.push(Placed::of(element)?);
                }
                Ok(())
            }
            ("build", "item") => {
                self.model.items.push(Placed::of(element)?);
                Ok(())
            }
            _ => Ok(()),
        }
    }

    fn root(&mut self, element: &Element<'a>) -> Result<(), Fault> {
        if element.local != "model" {
            let fact = format!("begins with {} where model should be", shown(element.local));
            return Err(element.fault(Trouble::Malformed, fact));
        }
        let name = element.text("unit");
        self.model.unit = unit_named(name).ok_or_else(|| {
            let fact = format!(
                "the unit \"{}\" is none of 3MF's",
                shown(name.unwrap_or_default())
            );
            element.fault(Trouble::Malformed, fact)
        })?;
        let required = element.text("requiredextensions").unwrap_or_default();
        for prefix in required.split_ascii_whitespace() {
            let uri = element.namespace(prefix).unwrap_or(prefix);
            if !HARMLESS.iter().any(|known| uri.contains(known)) {
                let fact = format!("the file requires \"{}\", which is not read", shown(uri));
                return Err(element.fault(Trouble::Unsupported, fact));
            }
        }
        Ok(())
    }

    fn object(&mut self, element: &Element<'a>) -> Result<(), Fault> {
        let id = element.index("id")?;
        if self.model.objects.contains_key(&id) {
            let fact = format!("a second object {id}");
            return Err(element.fault(Trouble::Malformed, fact));
        }
        let object = Object {
            shape: Shape::None,
            support: matches!(element.text("type"), Some("support" | "solidsupport")),
            lattice: false,
        };
        self.object = Some((id, object));
        Ok(())
    }

    fn shape(&mut self, element: &Element<'a>, shape: Shape) -> Result<(), Fault> {
        let Some((id, object)) = &mut self.object else {
            return Ok(());
        };
        if !matches!(object.shape, Shape::None) {
            let fact = format!("object {id} has two shapes");
            return Err(element.fault(Trouble::Malformed, fact));
        }
        object.shape = shape;
        Ok(())
    }

    fn vertex(&mut self, element: &Element<'a>) -> Result<(), Fault> {
        let p = Point::new(
            element.number("x")?,
            element.number("y")?,
            element.number("z")?,
        );
        if let Some((
            _,
            Object {
                shape: Shape::Triangles { points, .. },
                ..
            },
        )) = &mut self.object
        {
            points.push(p);
        }
        Ok(())
    }

    fn triangle(&mut self, element: &Element<'a>) -> Result<(), Fault> {
        let corners = [
            element.index("v1")?,
            element.index("v2")?,
            element.index("v3")?,
        ];
        let Some((
            id,
            Object {
                shape: Shape::Triangles { points, facets },
                ..
            },
        )) = &mut self.object
        else {
            return Ok(());
        };
        if let Some(c) = corners.iter().find(|&&c| c as usize >= points.len()) {
            let there = points.len();
            let fact = format!("a triangle of object {id} names point {c} of {there} (from 0)");
            return Err(element.fault(Trouble::Malformed, fact));
        }
        facets.push(corners);
        check_cap(facets.len(), self.max_facets)
    }
}

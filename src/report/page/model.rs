//! What a page or a picture shows, as plain data: every command fills one from its own results, and
//! the renderers know nothing of any command. Lengths in mm, places in the input's own pose.

use crate::canal::Side;
use crate::checks::{Outcome, Sense};
use crate::mesh::{Mesh, Point, Vector};
use crate::undercut::PoseRows;

/// A page: who it is about, what is said, what is drawn, and what it can be traced by.
#[derive(Debug, Clone)]
pub struct PageModel {
    /// The command that it answers: `vet`, `wall`, `fit`.
    pub command: &'static str,
    /// What it is about, mostly the name of a file.
    pub title: String,
    /// Order or serial number, as it was typed.
    pub order: Option<String>,
    /// Which ear, where it can be told.
    pub side: Option<Side>,
    /// The verdict, in the words of the command.
    pub verdict: Headline,
    /// What the reader is warned of.
    pub cautions: Vec<String>,
    /// The few figures that people look for first.
    pub figures: Vec<KeyFigure>,
    /// What was asked, with the answers; those that do not hold first.
    pub answers: Vec<AnswerRow>,
    /// Surfaces.
    pub layers: Vec<Layer>,
    /// Lines in space.
    pub lines: Vec<Line>,
    /// Named places.
    pub marks: Vec<Mark>,
    /// The line along which the section plane is moved.
    pub spine: Option<Spine>,
    /// Directions to look from; the first is how the page opens.
    pub views: Vec<View>,
    /// Curves and histograms.
    pub plots: Vec<Plot>,
    /// A surface that can be moved along a way.
    pub motion: Option<Motion>,
    /// What a result is traced by, years later: inputs, limits, version.
    pub records: Vec<Record>,
}

/// The verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Headline {
    /// Good, bad or untold.
    pub tone: Outcome,
    /// The verdict in words.
    pub words: String,
    /// Why, in a sentence.
    pub because: String,
}

/// A figure with its label.
#[derive(Debug, Clone, PartialEq)]
pub struct KeyFigure {
    /// What it is.
    pub label: String,
    /// Its value with `±` and unit.
    pub value: String,
}

/// A question and its answer.
#[derive(Debug, Clone, PartialEq)]
pub struct AnswerRow {
    /// Holds, breaks or cannot tell.
    pub outcome: Outcome,
    /// Its short name.
    pub id: String,
    /// What was asked.
    pub question: String,
    /// What was found, with the limit.
    pub answer: String,
    /// What to do.
    pub advice: Option<String>,
    /// Where; numbered through all answers.
    pub findings: Vec<Finding>,
}

/// A place where something is to be seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Its number on page and picture, from 1.
    pub number: usize,
    /// What is there.
    pub says: String,
    /// Where, if it has a place.
    pub point: Option<Point>,
    /// Arc position along the spine, mm.
    pub at_mm: Option<f64>,
}

/// What a surface is, which decides its colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// An impression as scanned.
    Scan,
    /// A shell, or its outer surface.
    Shell,
    /// The room inside a shell.
    Cavity,
    /// A part of a stack.
    Part,
    /// A tube.
    Tube,
}

/// A surface.
#[derive(Debug, Clone)]
pub struct Layer {
    /// Its name on the page.
    pub name: String,
    /// What it is.
    pub role: Role,
    /// The surface.
    pub mesh: Mesh,
    /// Drawn when the page opens.
    pub shown: bool,
    /// Drawn like glass, so that what is within is seen.
    pub glass: bool,
    /// Figures at its points.
    pub maps: Vec<ScalarMap>,
}

/// A figure at every point of a surface.
#[derive(Debug, Clone)]
pub struct ScalarMap {
    /// What it is, for example "wall thickness".
    pub name: String,
    /// A value a point, mm; NaN for none.
    pub values: Vec<f64>,
    /// The range that the colours span, mm; values beyond it get the end's colour.
    pub range_mm: [f64; 2],
    /// Values lie on either side of 0, and the colours do too; `range_mm` is then even about 0.
    pub signed: bool,
    /// The limit that it is held against.
    pub limit: Option<MapLimit>,
    /// The page opens and the picture is drawn in its colours; else they are there to be chosen.
    pub first: bool,
}

/// A limit of a map.
#[derive(Debug, Clone, PartialEq)]
pub struct MapLimit {
    /// Its value, mm.
    pub value_mm: f64,
    /// Which side of it is good.
    pub sense: Sense,
    /// What it is called in the legend.
    pub words: String,
}

/// What a line is, which decides its colour and width.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineRole {
    /// The canal's axis.
    Axis,
    /// The outline at the aperture.
    Aperture,
    /// The outline at a bend.
    Bend,
    /// The rim of a hole.
    Rim,
    /// The middle of a tube or bore.
    Tube,
}

/// A line in space.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Its name on the page; lines of one name are shown and hidden together.
    pub name: String,
    /// What it is.
    pub role: LineRole,
    /// Its points, mm.
    pub points: Vec<Point>,
}

/// A named place.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its name: "first bend".
    pub name: String,
    /// Where.
    pub point: Point,
}

/// The line along which the section plane is moved: outside to inside.
#[derive(Debug, Clone, PartialEq)]
pub struct Spine {
    /// What its positions are counted from: "from the aperture".
    pub counted: String,
    /// A station each.
    pub stations: Vec<Station>,
    /// Indices of the layers that are cut, together; the first is the one that tools work on.
    pub layers: Vec<usize>,
    /// Position at which the page opens, mm.
    pub start_mm: f64,
    /// What lies within the outline of a section, in words.
    pub within: &'static str,
}

/// One station of the spine.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Its position, mm.
    pub at_mm: f64,
    /// A point of the plane, within the section.
    pub point: Point,
    /// The plane's unit normal, along the spine.
    pub normal: Vector,
}

/// A direction to look from.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// Its name: "from above".
    pub name: String,
    /// From the model to the eye, unit vector.
    pub from: Vector,
    /// What is up on the screen.
    pub up: Vector,
}

/// A way that a surface is moved along.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// What the way is: "way out".
    pub name: String,
    /// Index of the layer that moves.
    pub layer: usize,
    /// Poses from the first, where it lies, to the last: rows on (x, y, z, 1) in mm. Between two of
    /// them it moves as a screw does.
    pub poses: Vec<PoseRows>,
}

/// How a series is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// A line through its points.
    Line,
    /// A bar a point, from zero.
    Bars,
}

/// A plot.
#[derive(Debug, Clone, PartialEq)]
pub struct Plot {
    /// What it shows.
    pub title: String,
    /// What runs to the right, with its unit.
    pub across: String,
    /// What runs upward, with its unit.
    pub upward: String,
    /// How the series is drawn.
    pub stroke: Stroke,
    /// Its points.
    pub series: Vec<[f64; 2]>,
    /// Published spread behind it.
    pub spread: Option<Spread>,
    /// Single published values with their spread.
    pub dots: Vec<Dot>,
    /// Places marked by a line across: position and name.
    pub ticks: Vec<(f64, String)>,
    /// A limit: value on the across axis for bars, upward for lines, and its words.
    pub limit: Option<(f64, String)>,
    /// True where positions are those of the spine, so that a click moves the section.
    pub along_spine: bool,
    /// Sources and warnings below it.
    pub note: String,
}

/// A published band.
#[derive(Debug, Clone, PartialEq)]
pub struct Spread {
    /// What it is, shortly.
    pub name: String,
    /// Position, low, mean, high.
    pub rows: Vec<[f64; 4]>,
}

/// A published value: position, low, mean, high.
#[derive(Debug, Clone, PartialEq)]
pub struct Dot {
    /// What it is, shortly.
    pub name: String,
    /// Position, low, mean, high.
    pub row: [f64; 4],
}

/// A line of the record.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// What it is.
    pub label: String,
    /// Its value.
    pub value: String,
}

impl Record {
    /// A line of the record.
    #[must_use]
    pub fn new(label: impl Into<String>, value: impl Into<String>) -> Self {
        Self {
            label: label.into(),
            value: value.into(),
        }
    }
}

impl KeyFigure {
    /// A figure with its label.
    #[must_use]
    pub fn new(label: impl Into<String>, value: impl Into<String>) -> Self {
        Self {
            label: label.into(),
            value: value.into(),
        }
    }
}

impl PageModel {
    /// All findings, in the order of their numbers.
    pub fn findings(&self) -> impl Iterator<Item = (&AnswerRow, &Finding)> {
        self.answers
            .iter()
            .flat_map(|a| a.findings.iter().map(move |f| (a, f)))
    }

    /// Middle and half the diagonal of the box round everything drawn; a unit box where nothing is.
    #[must_use]
    pub fn extent(&self) -> (Point, f64) {
        let boxes = self.layers.iter().filter_map(|l| l.mesh.bounds());
        match boxes.reduce(|(a, b), (c, d)| (a.inf(&c), b.sup(&d))) {
            Some((lo, hi)) => (nalgebra::center(&lo, &hi), 0.5 * (hi - lo).norm().max(1e-6)),
            None => (Point::origin(), 1.0),
        }
    }
}

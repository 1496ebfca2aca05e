//! The stack file: plain TOML, every fault told with its line and, for a misspelt key, the
//! nearest key there is.
//!
//! ```
//! let text = r#"
//! name = "one"
//! [[part]]
//! name = "full range"
//! size_mm = [6.3, 4.3, 3.0]
//! "#;
//! let stack = secondbend::stack::parse_stack(text, "one.toml".as_ref()).unwrap();
//! assert_eq!(stack.parts[0].size_mm, [6.3, 4.3, 3.0]);
//! assert_eq!(stack.clearance_mm, 0.15);
//! ```

use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::mesh::{Mesh, Point, Vector};
use crate::read::{ReadOptions, Unit, read_file, why_unread};

use super::cavity::Cavity;
use super::parts::{Bore, Face, Part, Spout, Stack, Terminals};

/// Part to part, where the file says nothing (0.1 tape to 0.3: common practice, no source).
const CLEARANCE_MM: f64 = 0.15;
/// Part to wall, where the file says nothing (0.2 to 0.3: common practice, no source).
const WALL_CLEARANCE_MM: f64 = 0.25;
/// Material beside a bore, where the file says nothing (common practice, no source).
const WEB_MM: f64 = 0.5;
/// No part of an earpiece comes near this; a larger figure is a slip of unit or comma.
const LARGEST_MM: f64 = 1000.0;
/// More parts than any earpiece holds; beyond it the search would only burn time.
const MOST_PARTS: usize = 32;
/// A stack file is a page of text.
const MOST_BYTES: u64 = 1 << 20;

/// Why a stack file was not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}{}: {what}", path.display(), line.map(|l| format!(":{l}")).unwrap_or_default())]
pub struct StackError {
    /// The file.
    pub path: PathBuf,
    /// Line, from 1, where there is one.
    pub line: Option<usize>,
    /// The fault.
    pub what: String,
    help: String,
}

impl StackError {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> &str {
        &self.help
    }
}

/// Reads a stack file.
///
/// # Errors
/// [`StackError`] with path, line and a next step.
pub fn read_stack(path: &Path) -> Result<Stack, StackError> {
    let fault = |what: String, help: &str| StackError {
        path: path.to_path_buf(),
        line: None,
        what,
        help: help.to_string(),
    };
    let meta = std::fs::metadata(path).map_err(|e| fault(why_unread(&e), "check the path"))?;
    if !meta.is_file() || meta.len() > MOST_BYTES {
        return Err(fault(
            "is no stack file (not a plain file, or over 1 MiB)".to_string(),
            "name a TOML file with [[part]] tables",
        ));
    }
    let bytes = std::fs::read(path).map_err(|e| fault(why_unread(&e), "check the path"))?;
    let text = String::from_utf8(bytes).map_err(|e| {
        fault(
            format!("byte {} is not UTF-8", e.utf8_error().valid_up_to()),
            "save the file as UTF-8 text",
        )
    })?;
    parse_stack(text.strip_prefix('\u{feff}').unwrap_or(&text), path)
}

/// Reads the text of a stack file; `path` is only named in errors.
///
/// # Errors
/// [`StackError`] with path, line and a next step.
pub fn parse_stack(text: &str, path: &Path) -> Result<Stack, StackError> {
    let reader = Reader { text, path };
    let doc = DeTable::parse(text).map_err(|e| {
        let at = e.span().unwrap_or(0..0);
        reader.fault(&at, e.message().to_string(), "mend the TOML here")
    })?;
    let top = reader.table(doc.get_ref(), doc.span(), "the stack file", &TOP)?;
    let mut stack = Stack {
        name: top.text("name")?.unwrap_or_default(),
        clearance_mm: top.length("clearance_mm", true)?.unwrap_or(CLEARANCE_MM),
        wall_clearance_mm: top
            .length("wall_clearance_mm", true)?
            .unwrap_or(WALL_CLEARANCE_MM),
        web_mm: top.length("web_mm", true)?.unwrap_or(WEB_MM),
        parts: Vec::new(),
        bores: Vec::new(),
    };
    for (table, span) in top.tables("bore")? {
        let bore = read_bore(&reader.table(table, span.clone(), "a [[bore]]", &BORE)?)?;
        if stack.bores.iter().any(|b| b.name == bore.name) {
            let what = format!("a second bore is called \"{}\"", bore.name);
            return Err(reader.fault(&span, what, "give each bore a name of its own"));
        }
        stack.bores.push(bore);
    }
    for (table, span) in top.tables("part")? {
        let part = read_part(
            &reader.table(table, span.clone(), "a [[part]]", &PART)?,
            &stack,
        )?;
        if stack.parts.iter().any(|p| p.name == part.name) {
            let what = format!("a second part is called \"{}\"", part.name);
            return Err(reader.fault(&span, what, "give each part a name of its own"));
        }
        stack.parts.push(part);
    }
    if stack.parts.is_empty() || stack.parts.len() > MOST_PARTS {
        let what = format!("holds {} parts", stack.parts.len());
        let help = "a stack has 1 to 32 [[part]] tables, each with name and size_mm";
        return Err(reader.fault(&(0..0), what, help));
    }
    Ok(stack)
}

const TOP: [&str; 6] = [
    "name",
    "clearance_mm",
    "wall_clearance_mm",
    "web_mm",
    "part",
    "bore",
];
const PART: [&str; 7] = [
    "name",
    "size_mm",
    "mesh",
    "spout",
    "terminals",
    "bore",
    "on",
];
const SPOUT: [&str; 4] = ["face", "at_mm", "outer_mm", "length_mm"];
const TERMINALS: [&str; 2] = ["face", "keep_mm"];
const BORE: [&str; 6] = [
    "name",
    "inner_mm",
    "outer_mm",
    "bend_radius_mm",
    "exit_mm",
    "exit_direction",
];

fn read_bore(t: &Fields) -> Result<Bore, StackError> {
    let name = t.need("name", t.text("name")?)?;
    let inner_mm = t.need("inner_mm", t.length("inner_mm", false)?)?;
    let outer_mm = t.length("outer_mm", false)?.unwrap_or(inner_mm + 0.6);
    if outer_mm < inner_mm {
        let what = format!("outer_mm {outer_mm} is less than inner_mm {inner_mm}");
        return Err(t.fault("outer_mm", what, "swap the two, or mend the figure"));
    }
    // Three outer diameters are safe against kinks (common practice, no source).
    let bend_radius_mm = t.length("bend_radius_mm", false)?.unwrap_or(3.0 * outer_mm);
    let exit = match (
        t.lengths::<3>("exit_mm", true)?,
        t.lengths::<3>("exit_direction", true)?,
    ) {
        (None, None) => None,
        (Some(at), Some(way)) => {
            let way = Vector::from(way).try_normalize(1e-9).ok_or_else(|| {
                let what = "exit_direction has no length".to_string();
                t.fault(
                    "exit_direction",
                    what,
                    "give the way out, such as [0, 0, -1]",
                )
            })?;
            Some((Point::from(at), way))
        }
        (at, _) => {
            let lacks = ["exit_mm", "exit_direction"][usize::from(at.is_some())];
            let key = ["exit_direction", "exit_mm"][usize::from(at.is_some())];
            let what = format!("an exit needs {lacks} too");
            return Err(t.fault(key, what, &format!("add {lacks} = [x, y, z]")));
        }
    };
    Ok(Bore {
        name,
        inner_mm,
        outer_mm,
        bend_radius_mm,
        exit,
    })
}

fn read_part(t: &Fields, stack: &Stack) -> Result<Part, StackError> {
    let name = t.need("name", t.text("name")?)?;
    let mut part = match (t.text("mesh")?, t.lengths::<3>("size_mm", false)?) {
        (Some(_), Some(_)) => {
            let what = format!("\"{name}\" has both a mesh and a size");
            return Err(t.fault("size_mm", what, "leave size_mm out: the mesh has one"));
        }
        (Some(mesh), None) => {
            let folder = t.reader.path.parent().unwrap_or(Path::new(""));
            let (surface, size_mm) = convex_part(&folder.join(&mesh))
                .map_err(|(what, help)| t.fault("mesh", format!("{mesh}: {what}"), &help))?;
            let mut part = Part::bare(&name, size_mm);
            part.surface = Some(Arc::new(surface));
            part
        }
        (None, size) => Part::bare(&name, t.need("size_mm", size)?),
    };
    if let Some(s) = t.inner("spout", "a spout", &SPOUT)? {
        let face = s.need("face", s.face()?)?;
        let spout = Spout {
            face,
            at_mm: s.lengths::<2>("at_mm", true)?.unwrap_or([0.0; 2]),
            outer_mm: s.need("outer_mm", s.length("outer_mm", false)?)?,
            length_mm: s.length("length_mm", false)?.unwrap_or(1.5),
        };
        for (k, axis) in face.across().into_iter().enumerate() {
            if spout.at_mm[k].abs() > part.size_mm[axis] / 2.0 {
                let what = format!("the spout's middle {} is off its side", spout.at_mm[k]);
                let help = "at_mm counts from the middle of the side";
                return Err(s.fault("at_mm", what, help));
            }
        }
        part.spout = Some(spout);
    }
    if let Some(s) = t.inner("terminals", "terminals", &TERMINALS)? {
        part.terminals = Some(Terminals {
            face: s.need("face", s.face()?)?,
            keep_mm: s.length("keep_mm", false)?.unwrap_or(0.8),
        });
    }
    if let Some(bore) = t.text("bore")? {
        if !stack.bores.iter().any(|b| b.name == bore) {
            let names: Vec<&str> = stack.bores.iter().map(|b| b.name.as_str()).collect();
            let what = format!("no [[bore]] is called \"{bore}\"");
            return Err(t.fault("bore", what, &nearest_help(&bore, &names)));
        }
        if part.spout.is_none() {
            let what = format!("\"{}\" names a bore but has no spout", part.name);
            return Err(t.fault("bore", what, "add spout = { face = …, outer_mm = … }"));
        }
        part.bore = Some(bore);
    }
    if let Some(on) = t.text("on")? {
        if on != "faceplate" {
            let what = format!("a part cannot stand on \"{on}\"");
            return Err(t.fault("on", what, "the only place to stand on is \"faceplate\""));
        }
        part.on_faceplate = true;
    }
    Ok(part)
}

/// A point may lie over a facet's plane by this, mm: single precision at 20 mm is 1e-6, and makers of
/// meshes round to 1e-4.
const CONVEX_MM: f64 = 1e-3;

/// Reads a closed convex surface and puts the middle of its box at the origin; else the fault and
/// what to do.
fn convex_part(path: &Path) -> Result<(Mesh, [f64; 3]), (String, String)> {
    let options = ReadOptions {
        unit: Some(Unit::Mm),
        ..ReadOptions::default()
    };
    let scan = read_file(path, &options).map_err(|e| (e.to_string(), e.help().to_string()))?;
    let cavity = Cavity::new(scan.mesh).map_err(|_| {
        let help = "close the surface, or give size_mm instead".to_string();
        ("is no closed surface".to_string(), help)
    })?;
    let mesh = cavity.mesh();
    let mut over = 0.0_f64;
    for f in 0..mesh.facets().len() {
        if let Some(normal) = mesh.normal(f) {
            let foot = mesh.corners(f)[0];
            let heights = mesh.points().iter().map(|p| (p - foot).dot(&normal));
            over = heights.fold(over, f64::max);
        }
    }
    if over > CONVEX_MM {
        let what = format!("is not convex: a point lies {over:.3} mm over the plane of a facet");
        return Err((what, "give its convex hull, or size_mm instead".to_string()));
    }
    let empty = || ("is empty".to_string(), "give size_mm instead".to_string());
    let (lo, hi) = mesh.bounds().ok_or_else(empty)?;
    let middle = nalgebra::center(&lo, &hi).coords;
    let size = hi - lo;
    if size.max() > LARGEST_MM || size.min() <= 0.0 {
        let what = format!("is {:.3} by {:.3} by {:.3} mm", size.x, size.y, size.z);
        return Err((
            what,
            "check its unit: a part's mesh is read in mm".to_string(),
        ));
    }
    let centred = mesh.mapped(|p| p - middle).map_err(|_| empty())?;
    Ok((centred, size.into()))
}

struct Reader<'a> {
    text: &'a str,
    path: &'a Path,
}

impl<'a> Reader<'a> {
    fn fault(&self, at: &Range<usize>, what: String, help: &str) -> StackError {
        let before = self.text.get(..at.start).unwrap_or("");
        StackError {
            path: self.path.to_path_buf(),
            line: Some(before.matches('\n').count() + 1),
            what,
            help: help.to_string(),
        }
    }

    fn table<'t>(
        &'t self,
        table: &'t DeTable<'a>,
        span: Range<usize>,
        what: &'static str,
        keys: &[&str],
    ) -> Result<Fields<'t, 'a>, StackError> {
        for key in table.keys() {
            if !keys.contains(&key.get_ref().as_ref()) {
                let text = format!("{what} has no key \"{}\"", key.get_ref());
                return Err(self.fault(&key.span(), text, &nearest_help(key.get_ref(), keys)));
            }
        }
        Ok(Fields {
            reader: self,
            table,
            span,
            what,
        })
    }
}

fn nearest_help(word: &str, among: &[&str]) -> String {
    let best = among
        .iter()
        .max_by(|a, b| strsim::jaro_winkler(word, a).total_cmp(&strsim::jaro_winkler(word, b)));
    match best {
        Some(b) if strsim::jaro_winkler(word, b) > 0.7 => format!("did you mean \"{b}\"?"),
        Some(_) => format!("there is: {}", among.join(", ")),
        None => "there is none in this file".to_string(),
    }
}

/// The entries of one table.
struct Fields<'t, 'a> {
    reader: &'t Reader<'a>,
    table: &'t DeTable<'a>,
    span: Range<usize>,
    what: &'static str,
}

impl<'t, 'a> Fields<'t, 'a> {
    fn get(&self, key: &str) -> Option<&'t Spanned<DeValue<'a>>> {
        self.table
            .iter()
            .find(|(k, _)| k.get_ref() == key)
            .map(|(_, v)| v)
    }

    fn fault(&self, key: &str, what: String, help: &str) -> StackError {
        let at = self.get(key).map_or(self.span.clone(), Spanned::span);
        self.reader.fault(&at, what, help)
    }

    fn need<T>(&self, key: &str, value: Option<T>) -> Result<T, StackError> {
        value.ok_or_else(|| {
            let what = format!("{} lacks {key}", self.what);
            self.reader
                .fault(&self.span, what, &format!("add {key} = …"))
        })
    }

    fn text(&self, key: &str) -> Result<Option<String>, StackError> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        match value.get_ref().as_str() {
            Some(s) if !s.trim().is_empty() => Ok(Some(s.to_string())),
            _ => Err(self.fault(key, format!("{key} is no text"), "put it in quotes")),
        }
    }

    fn face(&self) -> Result<Option<Face>, StackError> {
        let Some(text) = self.text("face")? else {
            return Ok(None);
        };
        let help = "a face is one of +x, -x, +y, -y, +z, -z";
        Face::parse(&text)
            .map(Some)
            .ok_or_else(|| self.fault("face", format!("\"{text}\" is no face"), help))
    }

    fn length(&self, key: &str, zero_too: bool) -> Result<Option<f64>, StackError> {
        self.get(key)
            .map(|v| self.number(key, v, if zero_too { 0.0 } else { f64::MIN_POSITIVE }))
            .transpose()
    }

    fn lengths<const N: usize>(
        &self,
        key: &str,
        signed: bool,
    ) -> Result<Option<[f64; N]>, StackError> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let wrong = || {
            self.fault(
                key,
                format!("{key} is no list of {N} lengths"),
                "in mm, in [ ], with a point before the decimals: [7.9, 4.1, 2.8]",
            )
        };
        let list = value.get_ref().as_array().ok_or_else(wrong)?;
        if list.len() != N {
            return Err(wrong());
        }
        let least = if signed {
            -LARGEST_MM
        } else {
            f64::MIN_POSITIVE
        };
        let mut out = [0.0; N];
        for (slot, item) in out.iter_mut().zip(list.iter()) {
            *slot = self.number(key, item, least)?;
        }
        Ok(Some(out))
    }

    fn number(&self, key: &str, value: &Spanned<DeValue>, least: f64) -> Result<f64, StackError> {
        let text = match value.get_ref() {
            DeValue::Float(f) => f.as_str(),
            DeValue::Integer(i) if i.radix() == 10 => i.as_str(),
            _ => "",
        };
        let at = value.span();
        let number: f64 = text.parse().map_err(|_| {
            let help = "give a length in mm, with a decimal point";
            self.reader.fault(&at, format!("{key} is no number"), help)
        })?;
        if number.is_finite() && number >= least && number <= LARGEST_MM {
            return Ok(number);
        }
        let what = format!("{key} cannot be {text}");
        let help = if least > 0.0 {
            "give a length over 0 and up to 1000 mm"
        } else {
            "give a length up to 1000 mm"
        };
        Err(self.reader.fault(&at, what, help))
    }

    fn inner(
        &self,
        key: &str,
        what: &'static str,
        keys: &[&str],
    ) -> Result<Option<Fields<'t, 'a>>, StackError> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let table = value.get_ref().as_table().ok_or_else(|| {
            let help = format!("write {key} = {{ {} = … }}", keys.join(" = …, "));
            self.fault(key, format!("{key} is no table"), &help)
        })?;
        self.reader.table(table, value.span(), what, keys).map(Some)
    }

    fn tables(&self, key: &str) -> Result<Vec<(&'t DeTable<'a>, Range<usize>)>, StackError> {
        let Some(value) = self.get(key) else {
            return Ok(Vec::new());
        };
        let wrong = || {
            let help = format!("begin each one with [[{key}]]");
            self.fault(key, format!("{key} is no list of tables"), &help)
        };
        let list = value.get_ref().as_array().ok_or_else(wrong)?;
        list.iter()
            .map(|v| {
                let table = v.get_ref().as_table().ok_or_else(wrong)?;
                Ok((table, v.span()))
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHOLE: &str = r#"name = "five, three-way"
clearance_mm = 0.15
wall_clearance_mm = 0.25
[[part]]
name = "low"
size_mm = [9.4, 7.2, 4.1]
spout = { face = "+x", at_mm = [0.0, 0.8], outer_mm = 1.6, length_mm = 1.5 }
terminals = { face = "-x", keep_mm = 0.8 }
bore = "lows"
[[part]]
name = "socket"
size_mm = [5.5, 2.8, 4]
on = "faceplate"
[[bore]]
name = "lows"
inner_mm = 1.0
outer_mm = 1.6
bend_radius_mm = 3.2
"#;

    fn told(text: &str) -> (Option<usize>, String, String) {
        let e = parse_stack(text, Path::new("s.toml")).expect_err("must be refused");
        (e.line, e.to_string(), e.help().to_string())
    }

    #[test]
    fn the_whole_format() {
        let stack = parse_stack(WHOLE, Path::new("s.toml")).unwrap();
        assert_eq!(stack.parts.len(), 2);
        let zones = stack.parts[0].zones();
        assert_eq!(zones[0].middle, crate::mesh::Vector::new(5.45, 0.0, 0.8));
        assert!((zones[1].middle - crate::mesh::Vector::new(-5.1, 0.0, 0.0)).norm() < 1e-12);
        assert!(stack.parts[1].on_faceplate);
        assert_eq!(stack.bores[0].bend_radius_mm, 3.2);
    }

    #[test]
    fn a_convex_mesh_is_taken_and_another_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let tent = "OFF\n4 4 0\n10 0 0\n14 0 0\n10 3 0\n10 0 2\n\
                    3 0 2 1\n3 0 1 3\n3 1 2 3\n3 0 3 2\n";
        std::fs::write(folder.path().join("tent.off"), tent).unwrap();
        let stack = "[[part]]\nname = \"tent\"\nmesh = \"tent.off\"\n";
        let read = |text: &str| parse_stack(text, &folder.path().join("s.toml"));
        let part = read(stack).unwrap().parts.remove(0);
        assert_eq!(part.size_mm, [4.0, 3.0, 2.0]);
        let volume = part.surface.unwrap().signed_volume_mm3();
        assert!((volume - 4.0).abs() < 1e-9);
        let e = read(&stack.replace("mesh", "size_mm = [1, 1, 1]\nmesh")).unwrap_err();
        assert!(e.to_string().contains("both"), "{e}");
        assert!(read(&stack.replace("tent.off", "none.off")).is_err());
        // The same with a dent: a point inside joined to one facet's corners.
        let dented = "OFF\n5 6 0\n10 0 0\n14 0 0\n10 3 0\n10 0 2\n11 0.6 0.5\n\
                      3 0 2 1\n3 0 1 3\n3 0 3 2\n3 1 2 4\n3 2 3 4\n3 3 1 4\n";
        std::fs::write(folder.path().join("dent.off"), dented).unwrap();
        let e = read(&stack.replace("tent.off", "dent.off")).unwrap_err();
        assert!(
            e.to_string().contains("not convex") && e.line == Some(3),
            "{e}"
        );
    }

    #[test]
    fn each_fault_has_its_line_and_a_way_out() {
        for (from, to, line, word) in [
            (
                "clearance_mm = 0.15",
                "clearence_mm = 0.15",
                2,
                "did you mean \"clearance_mm\"",
            ),
            ("[9.4, 7.2, 4.1]", "[9.4, 7.2]", 6, "list of 3"),
            ("[9.4, 7.2, 4.1]", "[9.4, -7.2, 4.1]", 6, "-7.2"),
            ("[9.4, 7.2, 4.1]", "[9.4, nan, 4.1]", 6, "nan"),
            ("[9.4, 7.2, 4.1]", "[9.4, inf, 4.1]", 6, "inf"),
            ("[9.4, 7.2, 4.1]", "[9.4, 0, 4.1]", 6, "over 0"),
            ("\"+x\"", "\"x\"", 7, "one of +x"),
            (
                "bore = \"lows\"",
                "bore = \"low\"",
                9,
                "did you mean \"lows\"",
            ),
            ("\"faceplate\"", "\"plate\"", 13, "faceplate"),
            (
                "outer_mm = 1.6\nbend",
                "outer_mm = 0.6\nbend",
                17,
                "less than inner_mm",
            ),
            ("name = \"socket\"", "name = \"low\"", 10, "a second part"),
            ("size_mm = [5.5, 2.8, 4]", "", 10, "lacks size_mm"),
            ("at_mm = [0.0, 0.8]", "at_mm = [0.0, 8]", 7, "off its side"),
            ("name = \"low\"", "name = 3", 5, "no text"),
            ("0.25", "\"0,25\"", 3, "no number"),
            ("0.25", "0,25", 3, ""),
        ] {
            let (at, what, help) = told(&WHOLE.replacen(from, to, 1));
            assert_eq!(at, Some(line), "{to}: {what}");
            assert!(format!("{what} {help}").contains(word), "{what} / {help}");
            assert!(!help.is_empty());
        }
        assert!(told("").1.contains("0 parts"));
    }
}

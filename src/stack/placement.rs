//! A placement: a pose a part and a middle line a tube, and the JSON it is kept in. Ten decimals,
//! so that a pose read back is still rigid to 1e-9.

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::parts::Stack;
use super::pose::Pose;
use crate::mesh::Point;
use crate::read::why_unread;

/// One part, placed.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedPart {
    /// The part's name in the stack file.
    pub name: String,
    /// Sides of its box, mm.
    pub size_mm: [f64; 3],
    /// Where it stands.
    pub pose: Pose,
}

/// One tube.
#[derive(Debug, Clone, PartialEq)]
pub struct Tube {
    /// The bore it leads to.
    pub name: String,
    /// The part it comes from.
    pub part: String,
    /// Outer diameter, mm.
    pub outer_mm: f64,
    /// Middle line, from the spout to the tip, mm.
    pub centreline: Vec<Point>,
}

/// A whole stack, placed. Parts stand in the order of the stack file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Placement {
    /// The parts.
    pub parts: Vec<PlacedPart>,
    /// The tubes.
    pub tubes: Vec<Tube>,
}

/// Why a placement file was not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: {what}", path.display())]
pub struct PlacementError {
    /// The file.
    pub path: PathBuf,
    /// The fault.
    pub what: String,
}

impl PlacementError {
    /// What to do about it.
    #[must_use]
    pub fn help(&self) -> &'static str {
        "give the JSON that `secondbend fit --json` wrote"
    }
}

impl Placement {
    /// Poses in the order of a stack's parts, without tubes.
    #[must_use]
    pub fn of(stack: &Stack, poses: &[Pose]) -> Self {
        let parts = stack
            .parts
            .iter()
            .zip(poses)
            .map(|(part, pose)| PlacedPart {
                name: part.name.clone(),
                size_mm: part.size_mm,
                pose: *pose,
            });
        Self {
            parts: parts.collect(),
            tubes: Vec::new(),
        }
    }

    /// With every figure as it will be printed.
    #[must_use]
    pub fn as_printed(mut self) -> Self {
        for part in &mut self.parts {
            part.pose = part.pose.as_printed();
        }
        for tube in &mut self.tubes {
            for p in &mut tube.centreline {
                *p = p.map(printed);
            }
        }
        self
    }

    /// Reads a placement, alone or inside a report.
    ///
    /// # Errors
    /// [`PlacementError`] with the key that is wrong.
    pub fn read(path: &Path) -> Result<Self, PlacementError> {
        let fault = |what: String| PlacementError {
            path: path.to_path_buf(),
            what,
        };
        let text = std::fs::read_to_string(path).map_err(|e| fault(why_unread(&e)))?;
        Self::parse(&text).map_err(fault)
    }

    /// Reads the JSON text of a placement or of a report that holds one.
    ///
    /// # Errors
    /// The fault, in words.
    pub fn parse(text: &str) -> Result<Self, String> {
        let value: Value = serde_json::from_str(text).map_err(|e| format!("no JSON: {e}"))?;
        let fit = value.get("fit").unwrap_or(&value);
        let parts = list(fit, "parts")?
            .iter()
            .enumerate()
            .map(|(i, v)| placed_part(v).map_err(|e| format!("parts[{i}]: {e}")))
            .collect::<Result<_, _>>()?;
        let tubes = match fit.get("tubes") {
            None | Some(Value::Null) => Vec::new(),
            Some(_) => list(fit, "tubes")?
                .iter()
                .enumerate()
                .map(|(i, v)| tube(v).map_err(|e| format!("tubes[{i}]: {e}")))
                .collect::<Result<_, _>>()?,
        };
        Ok(Self { parts, tubes })
    }
}

/// The scan or cavity that a report's placement was found in: its path as named, and the SHA-256 of its bytes.
/// `None` where the text is a bare placement or does not tell.
#[must_use]
pub fn found_in(report: &str) -> Option<(String, String)> {
    let value: Value = serde_json::from_str(report).ok()?;
    let first = value.get("inputs")?.get(0)?;
    let of = |key: &str| text(first, key).ok();
    Some((of("path")?, of("sha256")?))
}

/// Ten decimals; minus zero is zero. A pose so printed is read back rigid to 1e-9.
#[must_use]
pub fn printed(x: f64) -> f64 {
    (x * 1e10).round() / 1e10 + 0.0
}

fn list<'v>(value: &'v Value, key: &str) -> Result<&'v Vec<Value>, String> {
    value
        .get(key)
        .and_then(Value::as_array)
        .ok_or_else(|| format!("there is no list \"{key}\""))
}

fn numbers<const N: usize>(value: Option<&Value>, key: &str) -> Result<[f64; N], String> {
    let wrong = || format!("\"{key}\" is no list of {N} numbers");
    let list = value.and_then(Value::as_array).ok_or_else(wrong)?;
    if list.len() != N {
        return Err(wrong());
    }
    let mut out = [0.0; N];
    for (slot, item) in out.iter_mut().zip(list) {
        *slot = item.as_f64().ok_or_else(wrong)?;
    }
    Ok(out)
}

fn text(value: &Value, key: &str) -> Result<String, String> {
    let found = value.get(key).and_then(Value::as_str);
    found
        .map(str::to_string)
        .ok_or_else(|| format!("there is no text \"{key}\""))
}

fn placed_part(value: &Value) -> Result<PlacedPart, String> {
    let rows: [f64; 16] = numbers(value.get("pose"), "pose")?;
    let last = [rows[12], rows[13], rows[14], rows[15]];
    if last != [0.0, 0.0, 0.0, 1.0] {
        return Err("the last row of \"pose\" is not 0 0 0 1".to_string());
    }
    Ok(PlacedPart {
        name: text(value, "name")?,
        size_mm: numbers(value.get("size_mm"), "size_mm")?,
        pose: Pose::from_rows(&rows),
    })
}

fn tube(value: &Value) -> Result<Tube, String> {
    let line = list(value, "centreline_mm")?;
    let centreline = line
        .iter()
        .map(|p| numbers(Some(p), "centreline_mm").map(|[x, y, z]| Point::new(x, y, z)))
        .collect::<Result<_, _>>()?;
    Ok(Tube {
        name: text(value, "name")?,
        part: text(value, "part").unwrap_or_default(),
        outer_mm: value
            .get("outer_mm")
            .and_then(Value::as_f64)
            .ok_or("there is no number \"outer_mm\"")?,
        centreline,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_report_tells_where_its_placement_was_found() {
        let report =
            r#"{"inputs":[{"path":"a.stl","sha256":"ab"},{"path":"s.toml","sha256":"cd"}]}"#;
        let told = found_in(report).unwrap();
        assert_eq!((told.0.as_str(), told.1.as_str()), ("a.stl", "ab"));
        for bare in [
            "",
            "{}",
            r#"{"inputs":[]}"#,
            r#"{"inputs":[{"path":"a.stl"}]}"#,
        ] {
            assert_eq!(found_in(bare), None, "{bare}");
        }
    }

    #[test]
    fn faults_name_their_place() {
        for (text, word) in [
            ("", "no JSON"),
            ("{}", "\"parts\""),
            (
                r#"{"parts":[{"name":"a","size_mm":[1,1,1],"pose":[1]}]}"#,
                "parts[0]: \"pose\"",
            ),
            (r#"{"parts":[{"name":"a"}]}"#, "parts[0]"),
        ] {
            let e = Placement::parse(text).unwrap_err();
            assert!(e.contains(word), "{e}");
        }
    }
}

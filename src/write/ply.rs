//! Binary little-endian PLY out, with figures at the points (wall thickness, undercut depth …)
//! for any viewer that colours by a property. Coordinates are 64-bit, so nothing is lost;
//! figures are 32-bit. Written by hand: a header and fixed rows are less code than a crate's
//! element types, and our reader (another crate's parser) judges it in the tests.

use std::io::{self, Write};
use std::path::Path;

use crate::mesh::Mesh;

use super::{WriteError, whole_file};

/// Writes the mesh in millimetres, with one float property a point for each `(name, figures)`.
/// A name is letters, digits and `_`, starts with a letter, and says its unit (`wall_mm`).
///
/// # Errors
/// [`WriteError`]: also for a figure that is not finite, a name that PLY cannot hold, or a list
/// that is not as long as the points.
pub fn ply(path: &Path, mesh: &Mesh, figures: &[(&str, &[f64])]) -> Result<(), WriteError> {
    check(mesh, figures).map_err(|problem| problem.in_file(path))?;
    whole_file(path, |out| {
        header(out, mesh, figures)?;
        points(out, mesh, figures)?;
        facets(out, mesh)
    })
}

enum Problem {
    NotFinite(String, f64),
    Unfit(String),
}

impl Problem {
    fn in_file(self, path: &Path) -> WriteError {
        let file = path.to_path_buf();
        match self {
            Self::NotFinite(what, value) => WriteError::NotFinite { file, what, value },
            Self::Unfit(fact) => WriteError::Unfit { file, fact },
        }
    }
}

fn check(mesh: &Mesh, figures: &[(&str, &[f64])]) -> Result<(), Problem> {
    if i32::try_from(mesh.points().len()).is_err() {
        let fact = format!("{} points are more than it can name", mesh.points().len());
        return Err(Problem::Unfit(fact));
    }
    let mut taken = vec!["x", "y", "z"];
    for &(name, values) in figures {
        let plain = |c: char| c.is_ascii_alphanumeric() || c == '_';
        if !name.starts_with(|c: char| c.is_ascii_alphabetic()) || !name.chars().all(plain) {
            let fact = format!("{name:?} is no name for a property");
            return Err(Problem::Unfit(fact));
        }
        if taken.contains(&name) {
            return Err(Problem::Unfit(format!(
                "the property {name} is there twice"
            )));
        }
        taken.push(name);
        if values.len() != mesh.points().len() {
            let (has, needs) = (values.len(), mesh.points().len());
            let fact = format!("the property {name} has {has} figures for {needs} points");
            return Err(Problem::Unfit(fact));
        }
        let fits = |v: f64| v.abs() <= f64::from(f32::MAX);
        if let Some((i, &v)) = values.iter().enumerate().find(|(_, v)| !fits(**v)) {
            return Err(Problem::NotFinite(format!("{name} at point {i}"), v));
        }
    }
    Ok(())
}

fn header(out: &mut dyn Write, mesh: &Mesh, figures: &[(&str, &[f64])]) -> io::Result<()> {
    writeln!(out, "ply\nformat binary_little_endian 1.0\ncomment unit mm")?;
    writeln!(out, "element vertex {}", mesh.points().len())?;
    for axis in ["x", "y", "z"] {
        writeln!(out, "property double {axis}")?;
    }
    for (name, _) in figures {
        writeln!(out, "property float {name}")?;
    }
    writeln!(out, "element face {}", mesh.facets().len())?;
    writeln!(out, "property list uchar int vertex_indices\nend_header")
}

#[allow(clippy::cast_possible_truncation)] // 32 bits is what the property is declared to hold
fn points(out: &mut dyn Write, mesh: &Mesh, figures: &[(&str, &[f64])]) -> io::Result<()> {
    for (i, p) in mesh.points().iter().enumerate() {
        for c in p.iter() {
            out.write_all(&c.to_le_bytes())?;
        }
        for (_, values) in figures {
            out.write_all(&(values[i] as f32).to_le_bytes())?;
        }
    }
    Ok(())
}

fn facets(out: &mut dyn Write, mesh: &Mesh) -> io::Result<()> {
    for corners in mesh.facets() {
        out.write_all(&[3])?;
        for c in corners {
            out.write_all(&c.to_le_bytes())?;
        }
    }
    Ok(())
}

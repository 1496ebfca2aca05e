//! Binary STL out, through `stl_io`. The format holds 32-bit numbers, so coordinates are
//! rounded: by 10⁻⁶ mm at 30 mm from the origin.

use std::path::Path;

use stl_io::{Normal, Triangle, Vertex};

use crate::mesh::{Mesh, Point, Vector};

use super::{WriteError, whole_file};

/// Writes the mesh as binary STL, in millimetres.
///
/// # Errors
/// [`WriteError`]: also where a coordinate is too large for a 32-bit number.
pub fn stl(path: &Path, mesh: &Mesh) -> Result<(), WriteError> {
    check_range(path, mesh)?;
    let facets = mesh.facets().len();
    if u32::try_from(facets).is_err() {
        return Err(WriteError::Unfit {
            file: path.to_path_buf(),
            fact: format!("{facets} facets are more than STL can count"),
        });
    }
    let triangles: Vec<Triangle> = (0..facets).map(|f| triangle(mesh, f)).collect();
    whole_file(path, |mut out| {
        stl_io::write_stl(&mut out, triangles.iter())
    })
}

fn triangle(mesh: &Mesh, facet: usize) -> Triangle {
    let [nx, ny, nz] = narrow(mesh.normal(facet).unwrap_or_else(Vector::zeros).into());
    Triangle {
        normal: Normal::new([nx, ny, nz]),
        vertices: mesh
            .corners(facet)
            .map(|p: Point| Vertex::new(narrow(p.coords.into()))),
    }
}

#[allow(clippy::cast_possible_truncation)] // rounding to 32 bits is what the format does
fn narrow(v: [f64; 3]) -> [f32; 3] {
    v.map(|c| c as f32)
}

fn check_range(path: &Path, mesh: &Mesh) -> Result<(), WriteError> {
    let too_far = |c: &f64| c.abs() > f64::from(f32::MAX);
    for (i, p) in mesh.points().iter().enumerate() {
        if let Some(&value) = p.iter().find(|c| too_far(c)) {
            return Err(WriteError::NotFinite {
                file: path.to_path_buf(),
                what: format!("a coordinate of point {i}"),
                value,
            });
        }
    }
    Ok(())
}

//! 3MF out, through `threemf2`: millimetres, each mesh an object of its own on the build list.

use std::io::Cursor;
use std::path::Path;

use threemf2::model::builder::{ModelBuilder, ObjectType, Unit};
use threemf2::package::ThreemfPackageBuilder;

use crate::mesh::Mesh;

use super::{WriteError, whole_file};

/// Writes named meshes into one 3MF file, in millimetres, at full precision.
///
/// # Errors
/// [`WriteError`]: also where there is no mesh, or one without facets, since the format forbids
/// both.
pub fn threemf(path: &Path, meshes: &[(&str, &Mesh)]) -> Result<(), WriteError> {
    let unfit = |fact: String| WriteError::Unfit {
        file: path.to_path_buf(),
        fact,
    };
    if meshes.is_empty() {
        return Err(unfit("there is no mesh to write".to_owned()));
    }
    if let Some((name, _)) = meshes.iter().find(|(_, m)| m.facets().is_empty()) {
        return Err(unfit(format!("the mesh {name:?} has no facets")));
    }
    let bytes = package(meshes).map_err(unfit)?;
    whole_file(path, |out| out.write_all(&bytes))
}

fn package(meshes: &[(&str, &Mesh)]) -> Result<Vec<u8>, String> {
    let mut model = ModelBuilder::new(Unit::Millimeter, true);
    model.add_build(None).map_err(|e| e.to_string())?;
    for (name, mesh) in meshes {
        let object = model.add_mesh_object(|object| {
            object.object_type(ObjectType::Model);
            object.name(&plain(name));
            for p in mesh.points() {
                object.add_vertex(&[p.x, p.y, p.z]);
            }
            for corners in mesh.facets() {
                object.add_triangle(&corners.map(|c| c as usize));
            }
            Ok(())
        });
        let object = object.map_err(|e| e.to_string())?;
        model.add_build_item(object).map_err(|e| e.to_string())?;
    }
    let mut package = ThreemfPackageBuilder::new();
    package.set_root_model(model.build().map_err(|e| e.to_string())?);
    let package = package.build().map_err(|e| e.to_string())?;
    let mut bytes = Cursor::new(Vec::new());
    package.write(&mut bytes).map_err(|e| e.to_string())?;
    Ok(bytes.into_inner())
}

/// A name made fit for an XML attribute: the writer puts it there as it is. Control characters
/// cannot stand in XML at all, not even escaped.
fn plain(name: &str) -> String {
    let mut fit = String::with_capacity(name.len());
    for c in name.chars() {
        match c {
            '&' => fit.push_str("&amp;"),
            '<' => fit.push_str("&lt;"),
            '>' => fit.push_str("&gt;"),
            '"' => fit.push_str("&quot;"),
            c if c.is_control() => fit.push('_'),
            c => fit.push(c),
        }
    }
    fit
}

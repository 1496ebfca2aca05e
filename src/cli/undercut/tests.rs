use super::super::main;
use crate::mesh::{Mesh, Point, Vector};
use crate::undercut::shapes::{blocks, cone, hook};
use crate::write::stl;

/// Runs a command line and gives its exit code in the form that it can be compared in.
fn code(typed: &[&str]) -> String {
    format!("{:?}", main(typed.iter().map(Into::into)))
}

fn ended(n: u8) -> String {
    format!("{:?}", std::process::ExitCode::from(n))
}

/// Runs `undercut --pull` on a mesh; exit code and, if there is one, the report.
fn pulled(mesh: &Mesh, pull: &str, more: &[&str]) -> (String, Option<serde_json::Value>) {
    let dir = tempfile::tempdir().expect("a folder");
    let path = |name: &str| dir.path().join(name).to_string_lossy().into_owned();
    let (scan, json) = (path("part.stl"), path("out.json"));
    stl(scan.as_ref(), mesh).expect("written");
    let head = ["secondbend", "undercut", &scan, "--quiet", "--no-relief"];
    let tail = ["--json", &json, "--pull", pull];
    let typed: Vec<&str> = head.iter().chain(&tail).chain(more).copied().collect();
    let code = code(&typed);
    let text = std::fs::read_to_string(&json).ok();
    (code, text.map(|t| serde_json::from_str(&t).expect("JSON")))
}

#[test]
fn a_hook_goes_in_and_figures_poses_and_map_come_out() {
    let dir = tempfile::tempdir().expect("a folder");
    let path = |name: &str| dir.path().join(name).to_string_lossy().into_owned();
    let (scan, json, map) = (path("hook.stl"), path("out.json"), path("map.ply"));
    stl(scan.as_ref(), &hook(1.4)).expect("written");
    let typed = [
        "secondbend",
        "undercut",
        &scan,
        "--unit",
        "mm",
        "--pull",
        "0,0,2",
        "--quiet",
        "--json",
        &json,
        "--map",
        &map,
        "--no-relief",
    ];
    let ended_with = code(&typed);
    let text = std::fs::read_to_string(&json).expect("the report");
    let told: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(ended_with, ended(1), "{}", told["checks"]);
    let u = &told["undercut"];
    let straight = u["straight"]["largest_mm"]["value"]
        .as_f64()
        .expect("a figure");
    assert!((straight - 1.4).abs() < 0.05, "{straight}");
    assert!(u["best_pull"]["largest_mm"]["value"].as_f64() < Some(straight + 0.01));
    let way = &u["withdrawal"];
    assert_eq!(way["squeeze_mm"]["bound"], "at_most");
    assert!(way["squeeze_mm"]["value"].as_f64() < Some(1.4));
    assert!(way["binds_at"]["point_mm"].is_array() && way["turn_deg"].is_number());
    // From the seat, and rigid to a millionth.
    let poses: Vec<Vec<Vec<f64>>> =
        serde_json::from_value(way["poses"].clone()).expect("rows of numbers");
    assert!(poses.len() > 2);
    for (k, pose) in poses.iter().enumerate() {
        let m = nalgebra::Matrix4::from_fn(|i, j| pose[i][j]);
        let turn = m.fixed_view::<3, 3>(0, 0);
        assert!((turn * turn.transpose() - nalgebra::Matrix3::identity()).norm() < 1e-9);
        assert_eq!(
            m.row(3).iter().copied().collect::<Vec<_>>(),
            [0.0, 0.0, 0.0, 1.0]
        );
        assert!(k > 0 || (m - nalgebra::Matrix4::identity()).norm() < 1e-9);
    }
    let map = std::fs::read(&map).expect("the map");
    let head = String::from_utf8_lossy(&map[..400]).into_owned();
    for name in ["undercut_mm", "squeeze_mm"] {
        assert!(head.contains(&format!("property float {name}")), "{head}");
    }
}

#[test]
fn what_widens_outwards_holds_in_any_winding() {
    let free = cone(5.0, 4.0, 14.0, 0.8);
    for mesh in [free.clone(), free.inverted()] {
        let (ended_with, told) = pulled(&mesh, "0,0,1", &["--unit", "mm"]);
        assert_eq!(ended_with, ended(0), "{told:?}");
    }
}

/// The report is written all the same: no figures, the reason, and what to do.
#[track_caller]
fn assert_untold((ended_with, told): (String, Option<serde_json::Value>)) {
    let told = told.expect("a report");
    assert_eq!(ended_with, ended(2), "{told}");
    assert_eq!(told["outcome"], "cannot_tell");
    assert!(told["undercut"].is_null(), "{told}");
    let check = &told["checks"][0];
    assert_eq!(check["id"], "not-an-earpiece");
    for key in ["answer", "advice"] {
        assert!(check[key].as_str().is_some_and(|s| s.len() > 10), "{check}");
    }
}

/// Nothing here may be called fine.
#[test]
fn what_cannot_be_told_is_never_fine() {
    let free = cone(5.0, 4.0, 14.0, 0.8);
    let mm = ["--unit", "mm"];
    // No direction at all.
    for pull in ["0,0,0", "nan,0,1", "0,inf,1", "1,2", "1,2,3,4", "", "a,b,c"] {
        assert_eq!(pulled(&free, pull, &mm), (ended(2), None), "{pull}");
    }
    // No unit, and a wrong one.
    let tiny = free
        .mapped(|p| Point::from(p.coords * 0.001))
        .expect("finite");
    assert_eq!(pulled(&tiny, "0,0,1", &[]).0, ended(2));
    assert_eq!(pulled(&tiny, "0,0,1", &mm).0, ended(2));
    assert_untold(pulled(&free, "0,0,1", &["--unit", "m"]));
    assert_eq!(pulled(&free, "0,0,1", &["--unit", "cm"]).0, ended(2));
    // A plate beside it: which is pulled?
    let plate = blocks(&[-30.0, -10.0], &[-10.0, 10.0], &[-3.0, 0.0], |_, _, _| {
        true
    });
    let (mut points, mut facets) = free.clone().into_parts();
    let shift = points.len() as u32;
    points.extend(plate.points());
    facets.extend(plate.facets().iter().map(|f| f.map(|c| c + shift)));
    let both = Mesh::new(points, facets).expect("in range");
    assert_untold(pulled(&both, "0,0,1", &mm));
    // Open on the other side than pulled.
    let (points, mut facets) = cone(6.0, 4.0, 14.0, 0.8).into_parts();
    let up = |f: &[u32; 3]| f.iter().all(|&c| points[c as usize].z > -1e-9);
    facets.retain(|f| !up(f));
    let open = Mesh::new(points, facets).expect("in range");
    assert_untold(pulled(&open, "0,0,-1", &mm));
    // Facets that cross.
    let twice = {
        let (mut points, mut facets) = free.clone().into_parts();
        let shift = points.len() as u32;
        points.extend(
            free.points()
                .iter()
                .map(|p| p + Vector::new(0.05, 0.0, -1.0)),
        );
        facets.extend(free.facets().iter().map(|f| f.map(|c| c + shift)));
        Mesh::new(points, facets).expect("in range")
    };
    assert_eq!(pulled(&twice, "0,0,1", &mm).0, ended(2));
    // No canal and no pull.
    let dir = tempfile::tempdir().expect("a folder");
    let scan = dir.path().join("cone.stl").to_string_lossy().into_owned();
    stl(scan.as_ref(), &plate).expect("written");
    assert_eq!(
        code(&["secondbend", "undercut", &scan, "--unit", "mm", "--quiet"]),
        ended(2)
    );
}

/// The cavity of a hollow shell is air: what holds is its outer surface.
#[test]
fn a_hollow_shell_is_pulled_by_its_outer_surface() {
    let shell = crate::shell::wall::shapes::cup(0.8, 0.4);
    let (ended_with, told) = pulled(&shell, "0,0,1", &["--unit", "mm"]);
    let told = told.expect("a report");
    let u = &told["undercut"];
    assert_eq!(u["outer_surface_only"], true);
    // Its outside is a cylinder. With the cavity taken for tissue the floor would be stuck.
    assert!(
        u["straight"]["largest_mm"]["value"].as_f64() < Some(0.05),
        "{u}"
    );
    assert_eq!(ended_with, ended(0));
}

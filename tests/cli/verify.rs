//! `fit --verify`: a placement measured again where it was found, and in another room.

use std::fs;
use std::path::Path;

use secondbend::mesh::{Mesh, Point};
use secondbend::write;
use serde_json::Value;

use super::shell::block;
use super::{code, folder, json, out, run};

/// A box-shaped room, so many times as high as [`block`].
fn room(path: &Path, times: f64) {
    let block = block();
    let points = block.points().iter();
    let points = points.map(|p| Point::new(p.x, p.y, p.z * times)).collect();
    let mesh = Mesh::new(points, block.facets().to_vec()).expect("corners in range");
    write::stl(path, &mesh).expect("written");
}

#[test]
fn a_placement_measured_in_another_room_says_where_it_was_found() {
    let dir = folder();
    let text = |name: &str, text: &str| fs::write(dir.path().join(name), text).expect("written");
    room(&dir.path().join("own.stl"), 1.0);
    room(&dir.path().join("other.stl"), 1.5);
    text(
        "one.toml",
        "[[part]]\nname = \"low\"\nsize_mm = [5.0, 3.0, 2.0]\n",
    );
    let ask = |cavity: &str, more: &[&str]| {
        let typed = ["fit", "--cavity", cavity, "--stack", "one.toml"];
        run(dir.path(), &[&typed[..], more].concat())
    };
    let found = ask("own.stl", &["--effort", "2", "--json", "found.json"]);
    assert_eq!(code(&found), 0, "{}", out(&found));

    let again = ["--verify", "found.json", "--json", "again.json"];
    let own = ask("own.stl", &again);
    assert!(
        !out(&own).contains("found in another file"),
        "{}",
        out(&own)
    );
    let told = |name: &str| json(&dir.path().join(name))["verify"]["found_in"].clone();
    assert_eq!(told("again.json"), Value::Null);

    let other = ask("other.stl", &again);
    assert_eq!(code(&other), 0, "{}", out(&other));
    assert!(
        out(&other).contains("found in another file, own.stl"),
        "{}",
        out(&other)
    );
    assert_eq!(told("again.json"), "own.stl");

    // A bare placement tells nothing of where it was found.
    let bare = json(&dir.path().join("found.json"))["fit"].clone();
    text("bare.json", &bare.to_string());
    let other = ask("other.stl", &["--verify", "bare.json"]);
    assert!(!out(&other).contains("another file"), "{}", out(&other));
}

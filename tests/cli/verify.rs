//! `fit --verify`: a placement measured again where it was found, and in another room.

use std::fs;

use serde_json::Value;

use super::{code, folder, json, out, run};

/// A box-shaped room of the given height, mm, as an OFF file.
fn room(height: f64) -> String {
    let mut text = "OFF\n8 12 0\n".to_owned();
    for i in 0..8 {
        let at = |bit: usize, size: f64| if i >> bit & 1 == 1 { size } else { 0.0 };
        text += &format!("{} {} {}\n", at(0, 9.0), at(1, 7.0), at(2, height));
    }
    for [a, b, c, d] in [
        [0, 2, 3, 1],
        [4, 5, 7, 6],
        [0, 1, 5, 4],
        [2, 6, 7, 3],
        [0, 4, 6, 2],
        [1, 3, 7, 5],
    ] {
        text += &format!("3 {a} {b} {c}\n3 {a} {c} {d}\n");
    }
    text
}

#[test]
fn a_placement_measured_in_another_room_says_where_it_was_found() {
    let dir = folder();
    let write = |name: &str, text: &str| fs::write(dir.path().join(name), text).expect("written");
    write("own.off", &room(6.0));
    write("other.off", &room(9.0));
    write(
        "one.toml",
        "[[part]]\nname = \"low\"\nsize_mm = [5.0, 3.0, 2.0]\n",
    );
    let ask = |cavity: &str, more: &[&str]| {
        let typed = ["fit", "--cavity", cavity, "--stack", "one.toml"];
        run(dir.path(), &[&typed[..], more].concat())
    };
    let found = ask("own.off", &["--effort", "2", "--json", "found.json"]);
    assert_eq!(code(&found), 0, "{}", out(&found));

    let again = ["--verify", "found.json", "--json", "again.json"];
    let own = ask("own.off", &again);
    assert!(
        !out(&own).contains("found in another file"),
        "{}",
        out(&own)
    );
    let told = |name: &str| json(&dir.path().join(name))["verify"]["found_in"].clone();
    assert_eq!(told("again.json"), Value::Null);

    let other = ask("other.off", &again);
    assert_eq!(code(&other), 0, "{}", out(&other));
    assert!(
        out(&other).contains("found in another file, own.off"),
        "{}",
        out(&other)
    );
    assert_eq!(told("again.json"), "own.off");

    // A bare placement tells nothing of where it was found.
    let bare = json(&dir.path().join("found.json"))["fit"].clone();
    write("bare.json", &bare.to_string());
    let other = ask("other.off", &["--verify", "bare.json"]);
    assert!(!out(&other).contains("another file"), "{}", out(&other));
}

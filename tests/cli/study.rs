//! `study`: many ears asked about stacks; a bad one among them is told and does not count.

use std::fs;

use serde_json::Value;

use super::{code, err, folder, out, run};

/// Paths of the samples, from wherever the program runs.
fn sample(name: &str) -> String {
    format!("{}/sample-meshes/{name}", env!("CARGO_MANIFEST_DIR"))
}

/// One small box, and one longer than any ear.
const STACKS: [(&str, &str); 2] = [
    (
        "small.toml",
        "name = \"small\"\n[[part]]\nname = \"low\"\nsize_mm = [5.0, 3.0, 2.0]\n",
    ),
    (
        "long.toml",
        "name = \"long\"\n[[part]]\nname = \"low\"\nsize_mm = [60.0, 3.0, 2.0]\n",
    ),
];

#[test]
fn shares_are_of_the_ears_that_could_be_asked() {
    let dir = folder();
    for (name, text) in STACKS {
        fs::write(dir.path().join(name), text).expect("written");
    }
    fs::create_dir(dir.path().join("tray")).expect("made");
    fs::copy(
        sample("PIT-0401-oboe-right.stl"),
        dir.path().join("tray/a.stl"),
    )
    .expect("copied");
    fs::copy(
        sample("PIT-0408-harp-left.ply"),
        dir.path().join("tray/b.ply"),
    )
    .expect("copied");
    fs::write(dir.path().join("tray/c.stl"), "no mesh").expect("written");
    fs::copy(dir.path().join("tray/a.stl"), dir.path().join("tray/d.stl")).expect("copied");
    let viola = sample("PIT-0413-viola-left.stl");
    let typed = [
        "study",
        "tray",
        &viola,
        "nosuch.stl",
        "--stack",
        "small.toml",
        "--stack",
        "long.toml",
        "--effort",
        "2",
        "--json",
        "study.json",
        "--csv",
        "study.csv",
    ];
    let ran = run(dir.path(), &typed);
    assert_eq!(code(&ran), 2, "{}", err(&ran));
    let text = out(&ran);
    assert!(
        text.starts_with("fits 2 of 2 ears asked (4 left out): small\n"),
        "{text}"
    );
    assert!(
        text.contains("fits 0 of 2 ears asked (4 left out): long"),
        "{text}"
    );
    assert!(
        text.contains("proven       low: diagonal (2 ears)"),
        "{text}"
    );
    assert!(text.contains("hole-in-seal-zone"), "{text}");
    assert!(text.contains("there is no such file"), "{text}");
    assert!(text.contains("the same bytes as tray/a.stl"), "{text}");
    for line in text.lines().filter(|l| !l.contains('/')) {
        assert!(line.chars().count() <= 80, "{line}");
    }

    let told = fs::read_to_string(dir.path().join("study.json")).expect("the study");
    let study: Value = serde_json::from_str(&told).expect("JSON");
    assert_eq!(
        study["stacks"][0]["share_of_these"],
        serde_json::json!([1.0, 1.0])
    );
    // Two of two: (1 - p)^2 = 0.025 at the upper end of what may refuse.
    let low = study["stacks"][0]["share_of_all"][0]
        .as_f64()
        .expect("a number");
    assert!((low - 0.025_f64.sqrt()).abs() < 1e-12, "{low}");
    let ears = study["ears"].as_array().expect("ears");
    let asked = ears.iter().filter(|e| e["not_asked"].is_null()).count();
    assert_eq!((ears.len(), asked), (6, 2));
    let lines = fs::read_to_string(dir.path().join("study.csv")).expect("the table");
    assert_eq!(lines.lines().count(), 1 + 6 * 2, "{lines}");
}

#[test]
fn what_is_wrong_for_every_ear_is_one_error() {
    let dir = folder();
    fs::write(dir.path().join("small.toml"), STACKS[0].1).expect("written");
    let oboe = sample("PIT-0401-oboe-right.stl");
    let fails = |args: &[&str], says: &str| {
        let ran = run(dir.path(), &[&["study", &oboe], args].concat());
        assert_eq!(code(&ran), 2, "{}", err(&ran));
        assert!(err(&ran).contains(says), "{}", err(&ran));
    };
    fails(&["--stack", "nosuch.toml"], "there is no such file");
    fails(&["--stack", "small.toml", "--wall", "-1"], "wall");
    fails(&["--stack", "small.toml", "--seconds", "0"], "--seconds");
    fails(
        &["--stack", "small.toml", "--json", "small.toml"],
        "small.toml",
    );
    let two = run(
        dir.path(),
        &["study", &oboe, "more.toml", "--stack", "small.toml"],
    );
    assert!(
        err(&two).contains("say `--stack` before each stack"),
        "{}",
        err(&two)
    );
    fs::create_dir(dir.path().join("empty")).expect("made");
    let ran = run(dir.path(), &["study", "empty", "--stack", "small.toml"]);
    assert!(err(&ran).contains("there is no scan"), "{}", err(&ran));
}

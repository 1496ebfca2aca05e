//! `offset` by zone: what is typed, what is told, and what cannot be told.

use std::fs;

use secondbend::demo::{Fault, Side};
use secondbend::write;
use serde_json::Value;

use super::shell::block;
use super::{code, ear, err, folder, model, out, run};

const ZONES: [&str; 6] = [
    "tip",
    "past-second-bend",
    "between-bends",
    "seal-zone",
    "concha",
    "cymba",
];

/// Zones that are not typed have the distance that holds for all; text and JSON name each of them.
#[test]
fn zones_have_their_own_distance_and_the_rest_the_common_one() {
    let dir = folder();
    let typed = [
        "offset",
        "left.stl",
        "--by",
        "-0.5",
        "--zone",
        "seal-zone=0.3",
        "--zone",
        "tip=0",
        "--facet",
        "0.5",
        "--out",
        "moved.stl",
        "--json",
        "moved.json",
    ];
    let ran = run(dir.path(), &typed);
    assert_eq!(code(&ran), 0, "{}{}", out(&ran), err(&ran));
    let text = out(&ran).split_whitespace().collect::<Vec<_>>().join(" ");
    for says in [
        "tip left as it is",
        "seal-zone 0.3 mm outward",
        "concha 0.5 mm inward",
        "written moved.stl",
    ] {
        assert!(text.contains(says), "{says}: {text}");
    }
    let json = fs::read_to_string(dir.path().join("moved.json")).expect("written");
    let json: Value = serde_json::from_str(&json).expect("JSON");
    assert_eq!(json["scan_verdict"], "design on it");
    let zones = json["offset"]["zones"].as_array().expect("a list");
    let told: Vec<(&str, f64)> = zones
        .iter()
        .map(|z| {
            (
                z["zone"].as_str().expect("a name"),
                z["by_mm"].as_f64().expect("a figure"),
            )
        })
        .collect();
    let asked = ZONES.map(|z| match z {
        "seal-zone" => (z, 0.3),
        "tip" => (z, 0.0),
        _ => (z, -0.5),
    });
    assert_eq!(told, asked);
    assert!(json["offset"]["by_mm"].is_null());
}

/// Without a second bend the amount before it goes on: that is told, and the surface is not called drawn as
/// asked.
#[test]
fn a_bend_that_is_missing_is_told() {
    let dir = folder();
    let short = Fault::NoSecondBend { past_mm: 9.0 };
    ear(dir.path(), "one.stl", &model(Side::Left).with(short));
    let typed = [
        "offset",
        "one.stl",
        "--by",
        "0.2",
        "--zone",
        "past-second-bend=0.4",
        "--facet",
        "0.5",
        "--out",
        "moved.stl",
    ];
    let ran = run(dir.path(), &typed);
    assert_eq!(code(&ran), 2, "{}{}", out(&ran), err(&ran));
    assert!(
        out(&ran).contains("no second bend"),
        "{}{}",
        out(&ran),
        err(&ran)
    );
}

#[test]
fn a_zone_has_one_distance() {
    let dir = folder();
    let typed = [
        "offset",
        "left.stl",
        "--by",
        "0",
        "--zone",
        "tip=0.1",
        "--zone",
        "tip=0.2",
        "--out",
        "moved.stl",
    ];
    let ran = run(dir.path(), &typed);
    assert_eq!(code(&ran), 2);
    assert!(err(&ran).contains("tip has two distances"), "{}", err(&ran));
    assert!(!dir.path().join("moved.stl").exists());
}

#[test]
fn zones_that_cannot_be_told_are_refused_and_nothing_is_written() {
    let dir = folder();
    write::stl(&dir.path().join("block.stl"), &block()).expect("written");
    let cases = [
        ("left.stl", "seal=0.3", "did you mean `seal-zone=0.3`?"),
        ("left.stl", "ear=0.3", "there are tip, past-second-bend"),
        ("left.stl", "tip", "as in seal-zone=0.3"),
        ("left.stl", "tip=thick", "no distance in mm"),
        ("left.stl", "tip=nan", "no distance in mm"),
        ("block.stl", "tip=0.3", "no canal was measured"),
    ];
    for (scan, zone, says) in cases {
        let typed = [
            "offset",
            scan,
            "--unit",
            "mm",
            "--by",
            "0",
            "--zone",
            zone,
            "--out",
            "moved.stl",
        ];
        let ran = run(dir.path(), &typed);
        assert_eq!(code(&ran), 2, "{zone}: {}", err(&ran));
        assert!(err(&ran).contains(says), "{zone}: {}", err(&ran));
        assert!(!dir.path().join("moved.stl").exists(), "{zone}");
    }
}

//! Pages, pictures and the intake as they are typed.

use std::fs;

use secondbend::demo::{EarModel, Side};
use serde_json::Value;

use super::{code, ear, err, folder, model, out, run};

#[test]
fn a_page_and_a_picture_are_written_whole_and_the_same_each_time() {
    let dir = folder();
    let typed = |jobs: &'static str, page: &'static str, picture: &'static str| {
        [
            "vet",
            "left.stl",
            "--quiet",
            "--jobs",
            jobs,
            "--order",
            "PIT-0402",
            "--page",
            page,
            "--picture",
            picture,
        ]
    };
    assert_eq!(code(&run(dir.path(), &typed("1", "a.html", "a.png"))), 0);
    assert_eq!(code(&run(dir.path(), &typed("2", "b.html", "b.png"))), 0);
    let read = |name: &str| fs::read(dir.path().join(name)).expect("written");
    assert_eq!(read("a.html"), read("b.html"));
    assert_eq!(read("a.png"), read("b.png"));
    assert!(read("a.png").starts_with(b"\x89PNG"));
    let html = String::from_utf8(read("a.html")).expect("text");
    assert!(html.contains("PIT-0402") && html.contains("design on it"));
}

#[test]
fn pages_are_refused_where_they_would_do_harm_or_mean_nothing() {
    let dir = folder();
    fs::copy(dir.path().join("left.stl"), dir.path().join("b.stl")).expect("copied");
    for typed in [
        &["vet", "left.stl", "--page", "left.stl"][..],
        &["vet", "left.stl", "--page", "a.html", "--picture", "a.html"],
        &["vet", "left.stl", "--page", "-"],
        &["vet", "left.stl", "b.stl", "--page", "a.html"],
    ] {
        let ran = run(dir.path(), typed);
        assert_eq!(code(&ran), 2, "{typed:?}");
        assert!(err(&ran).contains("help:"), "{typed:?}");
        assert!(!dir.path().join("a.html").exists(), "{typed:?}");
    }
    assert!(
        fs::metadata(dir.path().join("left.stl"))
            .expect("there")
            .len()
            > 10_000
    );
}

/// A tray: both ears of one order, one of another, a file that is no mesh.
fn tray() -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a folder");
    let small = |side| EarModel {
        facets: 8_000,
        ..model(side)
    };
    ear(dir.path(), "PIT-0501-flute-left.stl", &small(Side::Left));
    ear(dir.path(), "PIT-0501-flute-right.stl", &small(Side::Right));
    ear(dir.path(), "PIT-0502-tuba-right.stl", &small(Side::Left));
    fs::write(dir.path().join("PIT-0503-right-\"<b>.stl"), "no mesh").expect("written");
    dir
}

fn rows(dir: &std::path::Path) -> Vec<Value> {
    let text = fs::read_to_string(dir.join("intake/intake.jsonl")).expect("written");
    text.lines()
        .map(|l| serde_json::from_str(l).expect("JSON"))
        .collect()
}

#[test]
fn a_tray_is_one_line_each_and_goes_on_past_a_bad_file() {
    let dir = tray();
    let ran = run(dir.path(), &["intake", "."]);
    assert_eq!(code(&ran), 2, "{}", err(&ran));
    let said = out(&ran);
    let lines: Vec<&str> = said.lines().take(4).collect();
    // One line each, whole where it does not go to a terminal: no name of a check is cut off.
    assert!(
        lines.iter().any(|l| l.ends_with("side-unlike-order")),
        "{said}"
    );
    assert!(
        lines[0].starts_with("cannot read") || lines[3].starts_with("cannot read"),
        "{said}"
    );
    assert!(
        said.contains("4 scans") && said.contains("3 measured, 0 known before"),
        "{said}"
    );
    let rows = rows(dir.path());
    assert_eq!(rows.len(), 4);
    let by_name = |part: &str| {
        let mut these = rows.iter().filter(|r| {
            r["input"]["path"]
                .as_str()
                .is_some_and(|p| p.contains(part))
        });
        these.next().expect("a row").clone()
    };
    assert_eq!(by_name("flute-left")["order"], "PIT-0501");
    // A state of its own, in one word everywhere.
    let unread = by_name("0503");
    assert_eq!(unread["verdict"], "cannot_read");
    assert_eq!(unread["side"]["ordered"], "right");
    // The name says right, the scan is a left ear: that is found.
    let checks = by_name("tuba")["checks"].clone();
    let side = checks
        .as_array()
        .expect("checks")
        .iter()
        .find(|c| c["id"] == "side-unlike-order")
        .expect("asked")
        .clone();
    assert_eq!(side["outcome"], "breaks");
    // Nobody ordered that side.
    assert_eq!(
        side["answer"],
        "the scan reads as a left ear, its file's name says right"
    );
    assert!(said.contains("breaks, cannot tell") && said.contains("1 cannot read"));
    let index = fs::read_to_string(dir.path().join("intake/index.html")).expect("written");
    assert!(!index.contains("<b>.stl") && index.contains("? cannot read"));
    // Both ears of one order, each held against the other.
    for side in ["left", "right"] {
        let held = format!("pair: canal as long as the {side}");
        assert_eq!(index.matches(&held).count(), 1, "{index}");
    }
    for page in index
        .match_indices("href=\"pages/")
        .map(|(i, _)| &index[i + 6..])
    {
        let page = &page[..page.find('"').expect("ends")];
        assert!(dir.path().join("intake").join(page).is_file(), "{page}");
    }
    let csv = fs::read_to_string(dir.path().join("intake/intake.csv")).expect("written");
    assert_eq!(csv.lines().count(), 5);
    let unread = csv.lines().find(|l| l.contains("0503")).expect("a line");
    assert!(unread.contains(",PIT-0503,cannot_read,,right,"), "{unread}");
    // What cannot be read is named as what can: by its path as it was typed.
    assert!(
        rows.iter().all(|r| r["input"]["path"]
            .as_str()
            .is_some_and(|p| p.starts_with("./"))),
        "{rows:?}"
    );
    assert!(
        csv.lines()
            .skip(1)
            .all(|l| l.starts_with("./") || l.starts_with("\"./")),
        "{csv}"
    );
}

#[test]
fn nothing_is_done_twice_and_what_changed_is_done_again() {
    let dir = tray();
    let page_of = |part: &str| {
        let mut pages = fs::read_dir(dir.path().join("intake/pages"))
            .expect("made")
            .flatten();
        pages
            .find(|e| e.file_name().to_string_lossy().contains(part))
            .expect("a page")
            .path()
    };
    assert!(out(&run(dir.path(), &["intake", "."])).contains("3 measured, 0 known"));
    let before = fs::read(dir.path().join("intake/intake.jsonl")).expect("written");
    let written = fs::metadata(page_of("flute-left"))
        .expect("there")
        .modified()
        .expect("a time");
    assert!(out(&run(dir.path(), &["intake", "."])).contains("0 measured, 3 known"));
    assert_eq!(
        fs::read(dir.path().join("intake/intake.jsonl")).expect("written"),
        before
    );
    assert_eq!(
        fs::metadata(page_of("flute-left"))
            .expect("there")
            .modified()
            .expect("a time"),
        written
    );
    // A run that was stopped had not yet written this one.
    fs::remove_file(page_of("tuba")).expect("removed");
    assert!(out(&run(dir.path(), &["intake", "."])).contains("1 measured, 2 known"));
    assert_eq!(
        fs::read(dir.path().join("intake/intake.jsonl")).expect("written"),
        before
    );
    // Another scan under the same name, and other limits.
    ear(
        dir.path(),
        "PIT-0501-flute-left.stl",
        &EarModel {
            facets: 9_000,
            ..model(Side::Left)
        },
    );
    assert!(out(&run(dir.path(), &["intake", "."])).contains("1 measured, 2 known"));
    fs::write(
        dir.path().join("own.toml"),
        "[canal]\npast_first_bend_mm = 7.0\n",
    )
    .expect("written");
    assert!(
        out(&run(dir.path(), &["intake", ".", "--limits", "own.toml"]))
            .contains("3 measured, 0 known")
    );
}

/// One impression handed in for two orders is good twice, and wrong once.
#[test]
fn the_same_bytes_under_two_names_are_told_and_are_no_pair() {
    let dir = tempfile::tempdir().expect("a folder");
    let small = EarModel {
        facets: 6_000,
        ..model(Side::Left)
    };
    ear(dir.path(), "PIT-0601-flute-left.stl", &small);
    let first = dir.path().join("PIT-0601-flute-left.stl");
    let put = |name: &str| {
        let to = dir.path().join(name);
        fs::create_dir_all(to.parent().expect("a folder")).expect("made");
        fs::copy(&first, to).expect("copied");
    };
    put("again/PIT-0601-flute-left.stl");
    let ran = run(dir.path(), &["intake", "."]);
    let said = out(&ran);
    // A copy is said, and does no more.
    assert!(
        said.contains("same content as PIT-0601-flute-left.stl"),
        "{said}"
    );
    assert!(!said.contains("one scan"), "{said}");
    let alone = code(&ran);
    fs::remove_dir_all(dir.path().join("again")).expect("removed");

    put("PIT-0602-tuba-left.stl");
    put("PIT-0601-flute-right.stl");
    let ran = run(dir.path(), &["intake", "."]);
    let said = out(&ran);
    assert!(alone < 1 && code(&ran) >= 1, "{alone} {said}");
    let of = |name: &str| {
        let found = said.lines().find(|l| l.contains(&format!(" {name} ")));
        found.expect("a line").to_owned()
    };
    assert!(
        !of("PIT-0601-flute-left.stl").contains("same content"),
        "{said}"
    );
    assert!(
        of("PIT-0601-flute-right.stl")
            .contains("same content as PIT-0601-flute-left.stl: one scan for two ears"),
        "{said}"
    );
    assert!(
        of("PIT-0602-tuba-left.stl")
            .contains("same content as PIT-0601-flute-left.stl: one scan under two orders"),
        "{said}"
    );
    // Of each two once, at the end, where no width cuts it off.
    let pairs = said.lines().filter(|l| l.starts_with("same content: "));
    assert_eq!(pairs.count(), 2, "{said}");
    for row in rows(dir.path()) {
        let same = row["same_content_as"].as_str().expect("told of each");
        assert!(
            !row["input"]["path"]
                .as_str()
                .expect("a path")
                .ends_with(same)
        );
    }
    let csv = fs::read_to_string(dir.path().join("intake/intake.csv")).expect("written");
    assert!(
        csv.lines()
            .next()
            .is_some_and(|l| l.contains(",same_content_as,"))
    );
    let index = fs::read_to_string(dir.path().join("intake/index.html")).expect("written");
    assert!(index.contains("no pair: the same scan twice"));
    assert!(index.contains("one scan under two orders") && !index.contains("pair: canal"));
    // What is kept of a scan does not hang on the files beside it.
    fs::remove_file(dir.path().join("PIT-0602-tuba-left.stl")).expect("removed");
    fs::remove_file(dir.path().join("PIT-0601-flute-right.stl")).expect("removed");
    assert!(out(&run(dir.path(), &["intake", "."])).contains("0 measured, 1 known"));
    assert!(rows(dir.path())[0].get("same_content_as").is_none());
}

#[test]
fn a_scan_that_was_removed_is_told_and_its_page_is_kept() {
    let dir = tray();
    assert!(!out(&run(dir.path(), &["intake", "."])).contains("no longer in the folder"));
    let pages = || {
        let all = fs::read_dir(dir.path().join("intake/pages")).expect("made");
        all.flatten().count()
    };
    let before = pages();
    fs::remove_file(dir.path().join("PIT-0502-tuba-right.stl")).expect("removed");
    // In every run, and however the folder is typed.
    let whole = dir.path().to_string_lossy().into_owned();
    for typed in [".", ".", &whole] {
        let said = out(&run(dir.path(), &["intake", typed]));
        let told = said
            .matches("no longer in the folder, its page kept: ./PIT-0502")
            .count();
        assert_eq!(told, 1, "{said}");
    }
    assert_eq!(pages(), before);
    let index = fs::read_to_string(dir.path().join("intake/index.html")).expect("written");
    let (scans, end) = index.split_once("</table>").expect("a table");
    assert!(!scans.contains("tuba") && end.contains("href=\"pages/PIT-0502-tuba-right-"));
    assert!(
        rows(dir.path())
            .iter()
            .all(|r| !r.to_string().contains("tuba"))
    );
}

#[test]
fn an_intake_without_scans_is_an_error_with_a_next_step() {
    let dir = tempfile::tempdir().expect("a folder");
    for typed in [&["intake", "."][..], &["intake", "none"]] {
        let ran = run(dir.path(), typed);
        assert_eq!(code(&ran), 2);
        assert!(err(&ran).contains("help:"));
    }
    assert!(!dir.path().join("intake/intake.jsonl").exists());
}

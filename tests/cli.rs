//! The program as it is typed: outputs, files, exit codes, errors. Scans are made ears with
//! known truth, written to a temporary folder.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use secondbend::demo::{self, Base, EarModel, Fault, Side};
use secondbend::write;
use serde_json::Value;
use tempfile::TempDir;

#[path = "cli/defects.rs"]
mod defects;
#[path = "cli/looks.rs"]
mod looks;
#[path = "cli/offset.rs"]
mod offset;
#[path = "cli/shell.rs"]
mod shell;
#[path = "cli/study.rs"]
mod study;
#[path = "cli/verify.rs"]
mod verify;

fn run(dir: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_secondbend"))
        .current_dir(dir)
        .args(args)
        .output()
        .expect("the program starts")
}

fn code(output: &Output) -> i32 {
    output.status.code().expect("ended by itself")
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("text")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("text")
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(path).expect("written")).expect("JSON")
}

fn model(side: Side) -> EarModel {
    EarModel {
        facets: 12_000,
        base: Base::Open,
        noise_mm: 0.01,
        ..EarModel::medium(side)
    }
}

/// A folder with a good left ear (`left.stl`).
fn folder() -> TempDir {
    let dir = tempfile::tempdir().expect("a temporary folder");
    ear(dir.path(), "left.stl", &model(Side::Left));
    dir
}

fn ear(dir: &Path, name: &str, model: &EarModel) -> PathBuf {
    let path = dir.join(name);
    write::stl(&path, &demo::ear(model).mesh).expect("written");
    path
}

#[test]
fn a_good_ear_is_designed_on() {
    let dir = folder();
    let got = run(
        dir.path(),
        &[
            "vet",
            "left.stl",
            "--side",
            "left",
            "--order",
            "PIT-0417",
            "--json",
            "left.json",
        ],
    );
    assert_eq!(code(&got), 0, "{}{}", out(&got), err(&got));
    assert!(
        out(&got).starts_with("design on it: left.stl\norder PIT-0417\n"),
        "{}",
        out(&got)
    );
    assert!(
        !out(&got).contains('\u{1b}'),
        "colour where there is no terminal"
    );
    assert_eq!(err(&got), "");
    let v = json(&dir.path().join("left.json"));
    assert_eq!(
        (v["schema"].as_str(), v["verdict"].as_str()),
        (Some("secondbend.report/1"), Some("design"))
    );
    assert_eq!(
        (v["side"]["value"].as_str(), v["order"].as_str()),
        (Some("left"), Some("PIT-0417"))
    );
    let truth = demo::ear(&model(Side::Left)).truth;
    let truth = truth.canal.expect("a canal").length_mm;
    let length = &v["canal"]["length_mm"];
    let (value, spread) = (length["value"].as_f64(), length["plus_minus"].as_f64());
    let off = (value.expect("a number") - truth).abs();
    assert!(
        off <= spread.expect("a number").max(0.3),
        "{length} against {truth}"
    );
    assert!(out(&got).contains(v["input"]["sha256"].as_str().expect("a digest")));
}

#[test]
fn the_wrong_side_breaks() {
    let dir = folder();
    let got = run(dir.path(), &["vet", "left.stl", "--side", "right"]);
    assert_eq!(code(&got), 1, "{}", out(&got));
    assert!(
        out(&got).starts_with("breaks, cannot tell: "),
        "{}",
        out(&got)
    );
    assert!(out(&got).contains("reads as a left ear, the order says right"));
}

/// Inches: not told without a unit, named as plausible, and right with it.
#[test]
fn an_unknown_unit_is_asked_for_and_never_guessed() {
    let dir = folder();
    ear(
        dir.path(),
        "inch.stl",
        &model(Side::Left).with(Fault::Inches),
    );
    let got = run(dir.path(), &["vet", "inch.stl", "--json", "a.json"]);
    assert_eq!(code(&got), 2);
    assert!(
        out(&got).contains("plausible, with `--unit`: inch"),
        "{}",
        out(&got)
    );
    assert!(json(&dir.path().join("a.json"))["canal"].is_null());
    let got = run(dir.path(), &["vet", "inch.stl", "--unit", "inch"]);
    assert_eq!(code(&got), 0, "{}", out(&got));
}

#[test]
fn a_short_canal_is_taken_again() {
    let dir = folder();
    ear(
        dir.path(),
        "short.stl",
        &model(Side::Left).with(Fault::Short { length_mm: 19.0 }),
    );
    let got = run(dir.path(), &["vet", "short.stl"]);
    assert_eq!(code(&got), 1, "{}", out(&got));
    assert!(out(&got).starts_with("take it again: "), "{}", out(&got));
}

#[test]
fn one_unreadable_scan_is_one_error_and_no_file() {
    let dir = folder();
    fs::write(dir.path().join("empty.stl"), b"").expect("written");
    for name in ["empty.stl", "no.stl", "."] {
        let got = run(
            dir.path(),
            &["vet", name, "--json", "x.json", "--csv", "x.csv"],
        );
        assert_eq!(code(&got), 2, "{name}");
        assert_eq!(out(&got), "");
        let lines: Vec<String> = err(&got).lines().map(str::to_owned).collect();
        assert_eq!(lines.len(), 2, "{lines:?}");
        assert!(
            lines[0].starts_with(&format!("error: {name}: ")),
            "{lines:?}"
        );
        assert!(lines[1].starts_with("help:  "), "{lines:?}");
        assert!(!dir.path().join("x.json").exists() && !dir.path().join("x.csv").exists());
    }
}

#[test]
fn a_batch_goes_on_past_a_bad_file_in_order() {
    let dir = folder();
    fs::write(dir.path().join("bad.stl"), b"solid nothing\n").expect("written");
    ear(dir.path(), "right.stl", &model(Side::Right));
    let args = [
        "vet",
        "left.stl",
        "bad.stl",
        "right.stl",
        "--json",
        "all.jsonl",
        "--csv",
        "all.csv",
    ];
    let got = run(dir.path(), &args);
    assert_eq!(code(&got), 2);
    assert_eq!(err(&got).matches("error: ").count(), 1, "{}", err(&got));
    let (left, right) = (out(&got).find("left.stl"), out(&got).find("right.stl"));
    assert!(left < right && left.is_some(), "{}", out(&got));
    let text = fs::read_to_string(dir.path().join("all.jsonl")).expect("written");
    let lines: Vec<Value> = text
        .lines()
        .map(|l| serde_json::from_str(l).expect("JSON"))
        .collect();
    let paths: Vec<&str> = lines
        .iter()
        .map(|v| v["input"]["path"].as_str().expect("a path"))
        .collect();
    assert_eq!(paths, ["left.stl", "bad.stl", "right.stl"]);
    assert!(
        lines[1]["error"]
            .as_str()
            .is_some_and(|e| e.starts_with("bad.stl: "))
    );
    assert_eq!(lines[2]["side"]["value"], "right");
    let csv = fs::read_to_string(dir.path().join("all.csv")).expect("written");
    assert_eq!(csv.lines().count(), 4, "{csv}");
}

#[test]
fn the_same_bytes_come_out_whatever_the_thread_count() {
    let dir = folder();
    ear(dir.path(), "right.stl", &model(Side::Right));
    let with = |jobs: &str| {
        let got = run(
            dir.path(),
            &[
                "vet",
                "left.stl",
                "right.stl",
                "--json",
                "-",
                "--jobs",
                jobs,
            ],
        );
        assert_eq!(code(&got), 0, "{}", err(&got));
        out(&got)
    };
    let one = with("1");
    assert_eq!(one.lines().count(), 2);
    assert_eq!(one, with("2"));
    assert_eq!(one, with("5"));
}

#[test]
fn json_to_the_output_stands_alone() {
    let dir = folder();
    let got = run(dir.path(), &["vet", "left.stl", "--json", "-"]);
    let v: Value = serde_json::from_str(&out(&got)).expect("nothing but JSON");
    assert_eq!(v["command"], "vet");
    let got = run(
        dir.path(),
        &["vet", "left.stl", "--json", "-", "--csv", "-"],
    );
    assert_eq!((code(&got), out(&got).as_str()), (2, ""));
}

#[test]
fn quiet_says_nothing() {
    let dir = folder();
    let got = run(
        dir.path(),
        &["vet", "left.stl", "--quiet", "--csv", "a.csv"],
    );
    assert_eq!(
        (code(&got), out(&got).as_str(), err(&got).as_str()),
        (0, "", "")
    );
    assert!(dir.path().join("a.csv").exists());
}

#[test]
fn an_input_is_never_written_over() {
    let dir = folder();
    fs::write(dir.path().join("shop.toml"), "").expect("written");
    let before = fs::read(dir.path().join("left.stl")).expect("there");
    for output in ["left.stl", "./left.stl", "shop.toml"] {
        for option in ["--json", "--csv"] {
            let got = run(
                dir.path(),
                &["vet", "left.stl", "--limits", "shop.toml", option, output],
            );
            assert_eq!(code(&got), 2, "{option} {output}: {}", out(&got));
            assert_eq!(out(&got), "");
        }
    }
    assert_eq!(
        fs::read(dir.path().join("left.stl")).expect("there"),
        before
    );
    let got = run(
        dir.path(),
        &["vet", "left.stl", "--json", "a", "--csv", "a"],
    );
    assert_eq!(code(&got), 2);
}

#[test]
fn an_output_that_cannot_be_written_is_an_error() {
    let dir = folder();
    for output in ["no/such/folder.json", "."] {
        let got = run(
            dir.path(),
            &["vet", "left.stl", "--quiet", "--json", output],
        );
        assert_eq!(code(&got), 2, "{output}");
        assert!(
            err(&got).starts_with("error: ") && err(&got).contains("\nhelp:  "),
            "{}",
            err(&got)
        );
    }
}

#[test]
fn odd_names_are_read_and_cannot_steer_the_terminal() {
    let dir = folder();
    let odd = "a b\u{1b}[31m\n\"<script>'.stl";
    fs::copy(dir.path().join("left.stl"), dir.path().join(odd)).expect("copied");
    let got = run(
        dir.path(),
        &[
            "vet",
            odd,
            "--order",
            "<b>\u{7}=1",
            "--json",
            "o.json",
            "--csv",
            "o.csv",
        ],
    );
    assert_eq!(code(&got), 0, "{}", err(&got));
    assert!(!out(&got).contains('\u{1b}') && !out(&got).contains('\u{7}'));
    let v = json(&dir.path().join("o.json"));
    assert_eq!(
        (v["input"]["path"].as_str(), v["order"].as_str()),
        (Some(odd), Some("<b>\u{7}=1"))
    );
    let got = run(dir.path(), &["vet", "no\u{1b}[31m\n.stl"]);
    assert!(
        !err(&got).contains('\u{1b}') && err(&got).lines().count() == 2,
        "{}",
        err(&got)
    );
}

#[test]
fn a_shop_s_limits_are_used_and_named() {
    let dir = folder();
    fs::write(
        dir.path().join("deep.toml"),
        "[canal]\npast_second_bend_mm = 19\n",
    )
    .expect("written");
    let got = run(
        dir.path(),
        &[
            "vet",
            "left.stl",
            "--limits",
            "deep.toml",
            "--json",
            "a.json",
        ],
    );
    assert_eq!(code(&got), 1, "{}", out(&got));
    let v = json(&dir.path().join("a.json"));
    assert_eq!(v["limits"]["canal"]["past_second_bend_mm"], 19.0);
    assert_eq!(v["limits_from"], "deep.toml");
}

#[test]
fn wrong_limits_stop_everything_with_their_place() {
    let dir = folder();
    fs::write(
        dir.path().join("shop.toml"),
        "[canal]\npast_frist_bend_mm = 8\n[scan]\nnoise_mm = nan\n",
    )
    .expect("written");
    for args in [
        &["vet", "left.stl", "--limits", "shop.toml"][..],
        &["limits", "--check", "shop.toml"],
    ] {
        let got = run(dir.path(), args);
        assert_eq!((code(&got), out(&got).as_str()), (2, ""), "{args:?}");
        assert_eq!(
            err(&got),
            "error: shop.toml: line 2, column 1: no limit is called `canal.past_frist_bend_mm`\n\
             help:  the nearest is `canal.past_first_bend_mm`; `secondbend limits` lists them all\n\
             error: shop.toml: line 4, column 12: `scan.noise_mm`: not a finite number, it takes a number from 0 to 5 (mm)\n\
             help:  `secondbend limits scan.noise_mm` explains it\n"
        );
    }
}

#[test]
fn the_limits_printed_are_good_limits() {
    let dir = folder();
    let printed = run(dir.path(), &["limits", "--toml"]);
    fs::write(dir.path().join("shop.toml"), &printed.stdout).expect("written");
    let got = run(dir.path(), &["limits", "--check", "shop.toml"]);
    assert_eq!((code(&got), out(&got).as_str()), (0, "shop.toml: good\n"));
    let got = run(dir.path(), &["limits", "bores.wbe_mm"]);
    assert_eq!(code(&got), 2);
    assert!(
        err(&got).contains("the nearest is `bores.web_mm`"),
        "{}",
        err(&got)
    );
}

#[test]
fn checks_are_listed_and_explained() {
    let dir = folder();
    let list = out(&run(dir.path(), &["checks"]));
    for line in list.lines().filter(|l| !l.starts_with(' ')) {
        let id = line.split(' ').next().expect("an id");
        let got = run(dir.path(), &["checks", id]);
        assert!(code(&got) == 0 && out(&got).starts_with(id), "{id}");
    }
    assert!(list.lines().all(|l| l.chars().count() <= 80));
    let got = run(dir.path(), &["checks", "side-unlike"]);
    assert!(
        code(&got) == 2 && err(&got).contains("`side-unlike-order`"),
        "{}",
        err(&got)
    );
}

#[test]
fn a_wrong_command_line_is_code_two() {
    let dir = folder();
    for args in [
        &[][..],
        &["vet"],
        &["vet", "left.stl", "--jobs", "0"],
        &["vet", "left.stl", "--unit", "furlong"],
        &["sew"],
    ] {
        assert_eq!(code(&run(dir.path(), args)), 2, "{args:?}");
    }
    assert_eq!(code(&run(dir.path(), &["--version"])), 0);
    assert_eq!(code(&run(dir.path(), &["vet", "--help"])), 0);
}

#[test]
fn the_demo_makes_scans_that_vet_reads() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let made = run(dir.path(), &["demo", "practice/ears"]);
    assert_eq!(code(&made), 0, "{}", err(&made));
    let printed = out(&made);
    let scans: Vec<&str> = printed.lines().filter(|l| !l.ends_with(".json")).collect();
    assert!(scans.len() >= 12, "{scans:?}");
    let mut args = vec!["vet", "--quiet", "--csv", "all.csv"];
    args.extend(&scans);
    let got = run(dir.path(), &args);
    assert_eq!(err(&got), "");
    let csv = fs::read_to_string(dir.path().join("all.csv")).expect("written");
    assert_eq!(csv.lines().count(), scans.len() + 1);
}

/// Every file that other programs' test folders hold against readers: an answer or one clear
/// error, never a panic.
#[test]
fn hostile_files_end_in_an_answer_or_an_error() {
    let hostile = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/hostile");
    if !hostile.exists() {
        println!("skipped: no shared data");
        return;
    }
    let mut files = Vec::new();
    collect(&hostile, &mut files);
    assert!(files.len() > 20);
    for file in files {
        let got = run(
            Path::new("."),
            &["vet", "--json", "-", &file.to_string_lossy()],
        );
        let (code, err) = (code(&got), err(&got));
        assert!((0..=2).contains(&code), "{}: {code} {err}", file.display());
        assert!(
            !err.contains("panicked") && !err.contains("a fault of this program"),
            "{}: {err}",
            file.display()
        );
        let told = err.starts_with("error: ") && err.contains("\nhelp:  ");
        assert!(
            told || serde_json::from_slice::<Value>(&got.stdout).is_ok(),
            "{}: {err}",
            file.display()
        );
    }
}

fn collect(dir: &Path, files: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(dir)
        .expect("a folder")
        .map(|e| e.expect("an entry").path())
        .collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            collect(&path, files);
        } else {
            files.push(path);
        }
    }
}

/// Every example printed in the README and in docs/ is run, and prints what is printed there.
#[test]
fn printed_examples_are_true() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut pages: Vec<PathBuf> = vec![root.join("README.md"), root.join("DEVELOPERS.md")];
    pages.extend(
        fs::read_dir(root.join("docs"))
            .expect("docs")
            .map(|e| e.expect("an entry").path()),
    );
    pages.sort();
    let mut tried = 0;
    for page in pages
        .iter()
        .filter(|p| p.extension().is_some_and(|e| e == "md"))
    {
        let text = fs::read_to_string(page).unwrap_or_default();
        for block in text.split("```console\n").skip(1) {
            let block = block.split("```").next().unwrap_or_default();
            for example in block.split("$ ").skip(1) {
                let (typed, expected) = example.split_once('\n').unwrap_or((example, ""));
                let Some(args) = typed.strip_prefix("secondbend ") else {
                    continue;
                };
                let args: Vec<&str> = args.split_whitespace().collect();
                let got = run(root, &args);
                let printed = out(&got) + &err(&got);
                assert_eq!(printed, expected, "{}: $ {typed}", page.display());
                tried += 1;
            }
        }
    }
    assert!(tried > 0);
}

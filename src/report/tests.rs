use super::*;
use crate::canal::{NoCanal, Side};
use crate::checks::{Outcome, Verdict, fixtures::Ear};
use crate::limits::{Limits, Setting, rows};
use crate::read::UnitFrom;
use crate::units::Measured;

fn report_of(ear: &Ear, order: Option<&str>) -> Report {
    let command = Command {
        order: order.map(str::to_owned),
        side: ear.ordered,
        side_by_name: false,
        named: None,
        withdrawal: false,
    };
    vet_pulled(
        &ear.scan,
        &ear.soundness,
        &ear.canal,
        &ear.pull,
        &command,
        &Limits::default(),
    )
}

fn plain(report: &Report) -> String {
    anstream::adapter::strip_str(&text(report)).to_string()
}

fn value(report: &Report) -> serde_json::Value {
    serde_json::from_str(&json(report).expect("finite")).expect("JSON")
}

#[test]
fn the_keys_that_scripts_rely_on_are_there_in_order() {
    let v = value(&report_of(&Ear::good(), Some("PIT-0417")));
    let keys = |v: &serde_json::Value| -> Vec<String> {
        v.as_object().expect("object").keys().cloned().collect()
    };
    assert_eq!(
        keys(&v)[..11],
        [
            "schema",
            "tool",
            "command",
            "input",
            "order",
            "verdict",
            "side",
            "canal",
            "soundness",
            "undercut",
            "checks",
        ]
    );
    assert_eq!(
        keys(&v["undercut"]["best_pull"]),
        ["direction", "largest_mm", "area_mm2"]
    );
    assert_eq!(v["schema"], "secondbend.report/1");
    assert_eq!(v["verdict"], "design");
    assert_eq!(v["side"]["value"], "left");
    assert_eq!(
        keys(&v["input"])[..8],
        [
            "path",
            "sha256",
            "bytes",
            "format",
            "facets",
            "points",
            "unit",
            "unit_from"
        ]
    );
    assert_eq!(
        keys(&v["canal"])[..7],
        [
            "length_mm",
            "aperture",
            "tip",
            "axis_mm",
            "bends",
            "sections",
            "narrowest"
        ]
    );
    assert_eq!(
        keys(&v["canal"]["aperture"])[..5],
        [
            "point_mm",
            "normal",
            "area_mm2",
            "largest_mm",
            "smallest_mm"
        ]
    );
    assert_eq!(
        keys(&v["canal"]["bends"][0]),
        [
            "order",
            "at_mm",
            "turn_deg",
            "peak_curvature_per_mm",
            "past_mm",
            "past_from_span_end_mm",
            "point_mm"
        ]
    );
    let section = [
        "at_mm",
        "area_mm2",
        "equivalent_diameter_mm",
        "largest_mm",
        "smallest_mm",
        "perimeter_mm",
    ];
    assert_eq!(keys(&v["canal"]["sections"][3]), section);
    assert_eq!(keys(&v["canal"]["narrowest"])[..6], section);
    assert_eq!(
        keys(&v["soundness"])[..9],
        [
            "watertight",
            "parts",
            "holes",
            "fins",
            "crossings",
            "degenerate",
            "flipped_facets",
            "volume_mm3",
            "area_mm2"
        ]
    );
    assert_eq!(
        keys(&v["soundness"]["holes"][0]),
        [
            "base",
            "length_mm",
            "area_mm2",
            "span_mm",
            "region",
            "at_mm",
            "point_mm"
        ]
    );
    for key in [
        "id", "question", "outcome", "value", "limit", "advice", "findings",
    ] {
        assert!(v["checks"][0].get(key).is_some(), "{key}");
    }
    assert_eq!(v["canal"]["length_mm"]["bound"], "exact");
    assert_eq!(v["limits"]["canal"]["past_first_bend_mm"], 6.0);
}

/// A key is there with `null` where its figure can't be had, and a check says why.
#[test]
fn what_is_not_measured_is_null_and_a_check_says_why() {
    let mut ear = Ear::good();
    ear.canal = Err(NoCanal::TwoTips);
    ear.soundness.volume_mm3 = None;
    let v = value(&report_of(&ear, None));
    for path in [
        "/canal",
        "/order",
        "/soundness/volume_mm3",
        "/side/margin",
        "/soundness/holes/0/at_mm",
    ] {
        assert!(
            v.pointer(path).is_some_and(serde_json::Value::is_null),
            "{path}"
        );
    }
    assert_eq!(v["side"]["value"], "unknown");
    let why = v["checks"]
        .as_array()
        .expect("array")
        .iter()
        .find(|c| c["id"] == "canal-missing");
    assert_eq!(why.expect("check")["outcome"], "cannot_tell");
}

#[test]
fn without_a_unit_no_figure_in_millimetres_is_given() {
    let mut ear = Ear::good();
    ear.scan.unit = None;
    ear.scan.unit_from = UnitFrom::Unknown;
    ear.canal = Err(NoCanal::UnitUnknown);
    let v = value(&report_of(&ear, None));
    for path in [
        "/input/unit",
        "/input/longest_side_mm",
        "/soundness/area_mm2",
        "/soundness/noise_mm",
        "/soundness/holes/0/span_mm",
        "/soundness/holes/0/point_mm",
    ] {
        assert!(
            v.pointer(path).is_some_and(serde_json::Value::is_null),
            "{path}"
        );
    }
    assert_eq!(v["verdict"], "cannot_tell");
    assert_eq!(v["input"]["plausible_units"], serde_json::json!(["mm"]));
}

/// Numbers are written in full: what reads them exactly gets the same bits.
/// The other ear is certain, whatever it leaves untold; an ear that does not tell its side is not.
#[test]
fn what_breaks_is_in_the_headline_of_what_cannot_be_told() {
    let mut ear = Ear::good();
    ear.ordered = Some(Side::Right);
    let report = report_of(&ear, None);
    assert_eq!(report.verdict, Verdict::CannotTell);
    assert_eq!(report.headline(), (Outcome::Breaks, "breaks, cannot tell"));
    assert!(plain(&report).starts_with("breaks, cannot tell: "));
    ear.canal().side = None;
    let report = report_of(&ear, None);
    assert_eq!(report.verdict, Verdict::CannotTell);
    assert_eq!(report.headline(), (Outcome::CannotTell, "cannot tell"));
    ear.past(2, Measured::exact(-1.0, 0.1));
    let report = report_of(&ear, None);
    assert_eq!(report.headline(), (Outcome::Breaks, "take it again"));
    // Every headline is counted in a tray's summary.
    for verdict in [
        Verdict::Design,
        Verdict::Repair,
        Verdict::CannotTell,
        Verdict::Retake,
    ] {
        assert!(HEADLINES.contains(&verdict.words()));
    }
}

#[test]
fn json_reads_back_as_the_same_report() {
    let mut ear = Ear::good();
    ear.hole_at(3.0, 0.5);
    ear.pit_at(3.0, 0.1 + 0.2, 1e-300);
    let report = report_of(&ear, Some("PIT-0417"));
    let text = json(&report).expect("finite");
    assert!(text.contains("\"value\": 0.30000000000000004"));
    assert!(text.contains("\"value\": 1e-300"));
    // The parser used here may be off by the last bit of a number, which the text is not.
    let mut back: Report = serde_json::from_str(&text).expect("own JSON");
    let canal = report.canal.clone().expect("a canal");
    let sections = &mut back.canal.as_mut().expect("a canal").sections;
    assert_eq!(sections.len(), canal.sections.len());
    let near = |a: Finite, b: Finite| (a.0 - b.0).abs() <= 1e-15 * b.0.abs();
    assert!(
        sections
            .iter()
            .zip(&canal.sections)
            .all(|(a, b)| near(a.area_mm2.value, b.area_mm2.value))
    );
    assert_eq!(
        (back.verdict, back.input, back.limits),
        (report.verdict, report.input, report.limits)
    );
    assert_eq!(back.checks.len(), report.checks.len());
}

#[test]
fn a_line_of_json_is_one_line_with_the_same_content() {
    let report = report_of(&Ear::good(), Some("a\nb"));
    let line = json_line(&report).expect("finite");
    assert_eq!(line.matches('\n').count(), 1);
    let v: serde_json::Value = serde_json::from_str(&line).expect("own JSON");
    assert_eq!(v, value(&report));
}

#[test]
fn no_figure_that_is_not_finite_gets_out() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let mut ear = Ear::good();
        ear.past(1, Measured::exact(bad, 0.1));
        let error = json(&report_of(&ear, None))
            .expect_err("not finite")
            .to_string();
        assert!(error.contains("not a finite number"), "{error}");
    }
    let mut ear = Ear::good();
    ear.soundness.noise_mm = f64::NAN;
    assert!(json_line(&report_of(&ear, None)).is_err());
}

#[test]
fn nothing_but_finite_numbers_is_an_f64_in_the_model() {
    let model = include_str!("model.rs");
    let loose: Vec<&str> = model
        .lines()
        .filter(|l| l.contains("f64") && !l.trim_start().starts_with("//"))
        .collect();
    assert_eq!(loose, Vec::<&str>::new());
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let once = || json(&report_of(&Ear::good(), Some("x"))).expect("finite");
    assert_eq!(once(), once());
}

#[test]
fn the_schemas_on_disk_are_those_of_the_types() {
    for (command, made) in schemas() {
        compare(&format!("docs/schemas/{command}.json"), &made);
    }
}

/// Compares a committed page with what the code makes of it. With `SECONDBEND_WRITE_DOCS` set
/// the page is written instead, for a person to look at and commit.
pub fn compare(path: &str, made: &str) {
    let whole = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    if std::env::var_os("SECONDBEND_WRITE_DOCS").is_some() {
        std::fs::write(&whole, made).expect("docs can be written");
    }
    let found = std::fs::read_to_string(&whole).unwrap_or_default();
    assert!(
        found == made,
        "{path} is out of date: run the tests with SECONDBEND_WRITE_DOCS=1, look at it, commit it"
    );
}

/// Between the two marker lines a page is made from rows; round about it is written by hand.
fn with_rows(path: &str, made: &str) {
    let whole = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(path);
    let found = std::fs::read_to_string(&whole).expect("the page is there");
    let (before, _) = found.split_once("<!-- rows -->\n").expect("a marker line");
    compare(path, &format!("{before}<!-- rows -->\n{made}"));
}

#[test]
fn the_page_of_limits_is_that_of_the_rows() {
    with_rows("docs/limits.md", &crate::limits::markdown());
}

#[test]
fn the_page_of_checks_is_that_of_the_rows() {
    with_rows("docs/checks.md", &crate::checks::markdown());
}

#[test]
fn text_has_the_verdict_first_and_fits_eighty_columns() {
    let mut ear = Ear::good();
    ear.ordered = Some(Side::Right);
    for z in [3.0, 3.5, 4.0, 4.5, 5.0, 10.0, -4.0] {
        ear.hole_at(z, 4.0);
    }
    ear.past(2, Measured::at_least(1.0, 0.1));
    let report = report_of(&ear, Some("PIT-0417"));
    let text = plain(&report);
    assert!(
        text.starts_with("take it again: left.stl\norder PIT-0417\n"),
        "{text}"
    );
    for line in text.lines() {
        assert!(line.chars().count() <= 80, "{line}");
        assert_eq!(line, line.trim_end());
    }
    for check in &report.checks {
        assert!(text.contains(&check.id), "{}", check.id);
    }
    assert!(text.contains("and one place more"), "{text}");
    assert!(text.contains("only a lower bound is known"), "{text}");
}

/// The whole text of a good ear and of a bad one, for a person to read.
#[test]
fn text_is_as_on_paper() {
    let mut bad = Ear::good();
    bad.ordered = None;
    bad.canal().side = None;
    bad.past(2, Measured::exact(1.2, 0.15));
    bad.hole_at(3.0, 2.0);
    let both = format!(
        "{}\n{}\n{}",
        plain(&report_of(&Ear::good(), Some("PIT-0417"))),
        "=".repeat(80),
        plain(&report_of(&bad, None)),
    );
    compare(
        "src/report/expected.txt",
        &both.replace(env!("CARGO_PKG_VERSION"), "VERSION"),
    );
}

#[test]
fn colour_is_in_the_text_and_comes_out_whole() {
    let coloured = text(&report_of(&Ear::good(), None));
    assert!(coloured.contains("\u{1b}["));
    assert!(!plain(&report_of(&Ear::good(), None)).contains('\u{1b}'));
}

#[test]
fn text_from_outside_cannot_steer_a_terminal() {
    let mut ear = Ear::good();
    ear.scan.path = "a\u{1b}[2J\r\nholds\u{202e}.stl".into();
    let text = plain(&report_of(&ear, Some("PIT\u{7}\u{9b}31m")));
    assert!(
        text.starts_with(
            "design on it: a\\u{1b}[2J\\r\\nholds\\u{202e}.stl\norder PIT\\u{7}\\u{9b}31m\n"
        ),
        "{text}"
    );
}

const BAD: Unread = Unread {
    path: "@bad.stl",
    order: Some("PIT-1"),
    side: Some(Side::Right),
    error: "@bad.stl: empty",
    help: "export it again",
    same_content_as: Some("-worse.stl"),
};

#[test]
fn csv_has_one_line_a_scan_and_guards_formulas() {
    let mut ear = Ear::good();
    ear.hole_at(3.0, 2.0);
    let report = report_of(&ear, Some("=1+1,\"x\"\nline"));
    let made = csv([Line::Report(&report), Line::Unread(BAD)]);
    let mut reader = ::csv::Reader::from_reader(made.as_bytes());
    let head = reader.headers().expect("a head").clone();
    let records: Vec<_> = reader
        .records()
        .collect::<Result<_, _>>()
        .expect("all as wide as the head");
    assert_eq!(records.len(), 2);
    let cell = |row: usize, name: &str| {
        records[row][head.iter().position(|h| h == name).expect("a column")].to_owned()
    };
    assert_eq!(cell(0, "order"), "'=1+1,\"x\"\nline");
    assert_eq!(cell(0, "verdict"), "retake");
    assert_eq!(cell(0, "breaks"), "hole-in-seal-zone");
    assert_eq!(cell(0, "canal_length_mm"), "20");
    assert_eq!(cell(0, "bend_2_past_mm"), "6");
    assert_eq!(cell(0, "sha256").len(), 64);
    assert_eq!(
        (cell(1, "path"), cell(1, "verdict")),
        ("'@bad.stl".into(), "cannot_read".into())
    );
    assert_eq!(
        (cell(1, "side_ordered"), cell(1, "same_content_as")),
        ("right".into(), "'-worse.stl".into())
    );
}

#[test]
fn an_unread_scan_has_its_line() {
    let line = unread_line(&BAD).expect("text");
    let v: serde_json::Value = serde_json::from_str(&line).expect("JSON");
    assert_eq!(
        (v["verdict"].as_str(), v["input"]["path"].as_str()),
        (Some("cannot_read"), Some("@bad.stl"))
    );
    assert_eq!(
        (&v["order"], &v["side"]["ordered"]),
        (&"PIT-1".into(), &"right".into())
    );
    assert_eq!(v["same_content_as"], "-worse.stl");
    let alone = unread_line(&Unread {
        same_content_as: None,
        ..BAD
    });
    assert!(!alone.expect("text").contains("same_content_as"));
}

#[test]
fn limits_used_are_on_the_report() {
    let ear = Ear::good();
    let mut limits = Limits::from_toml("[scan]\nnoise_mm = 0.01\n", "shop.toml").expect("good");
    limits
        .put(&rows::FINS, Setting::Count(3))
        .expect("in range");
    let report = vet(
        &ear.scan,
        &ear.soundness,
        &ear.canal,
        &Command::default(),
        &limits,
    );
    assert_eq!(report.limits_from.as_deref(), Some("shop.toml"));
    assert_eq!(report.limits["scan"]["noise_mm"], Setting::Number(0.01));
    assert_eq!(report.limits["surface"]["fins"], Setting::Count(3));
    assert!(plain(&report).contains("limits: shop.toml"));
    assert_eq!(report.verdict, Verdict::Retake);
    let broken: Vec<&str> = report
        .checks
        .iter()
        .filter(|c| c.outcome == Outcome::Breaks)
        .map(|c| c.id.as_str())
        .collect();
    assert_eq!(broken, ["scan-too-noisy"]);
}

use super::rows::{self, find, nearest_key};
use super::*;

fn faults(text: &str) -> Vec<String> {
    match Limits::from_toml(text, "shop.toml") {
        Ok(_) => Vec::new(),
        Err(faults) => faults
            .iter()
            .map(|e| format!("{e} | {}", e.help()))
            .collect(),
    }
}

#[test]
fn every_row_is_sound() {
    let mut seen = std::collections::BTreeSet::new();
    for row in ROWS {
        assert!(seen.insert(row.key), "{} twice", row.key);
        let (table, name) = row.table_and_name();
        assert!(!table.is_empty() && !name.is_empty(), "{}", row.key);
        assert!(
            row.means.ends_with('.') && !row.source.is_empty(),
            "{}",
            row.key
        );
        assert_eq!(row.admit(row.default()), Ok(row.default()), "{}", row.key);
        for (unit, ending) in [("mm", "_mm"), ("mm2", "_mm2")] {
            assert_eq!(
                row.unit == unit,
                name.ends_with(ending),
                "{}: unit in the key",
                row.key
            );
        }
    }
}

/// Rows of one table stand together, or the TOML printed would open a table twice.
#[test]
fn tables_are_not_split() {
    let mut tables: Vec<&str> = ROWS.iter().map(|r| r.table_and_name().0).collect();
    tables.dedup();
    let unique: std::collections::BTreeSet<_> = tables.iter().collect();
    assert_eq!(unique.len(), tables.len());
}

#[test]
fn the_printed_toml_reads_back_as_itself() {
    let mut limits = Limits::default();
    limits
        .put(&rows::NOISE, Setting::Number(0.21))
        .expect("in range");
    limits
        .put(&rows::BORES, Setting::Count(4))
        .expect("in range");
    limits
        .put(&rows::BASE, Setting::Word("closed".into()))
        .expect("allowed");
    let back = Limits::from_toml(&to_toml(&limits), "x").expect("own TOML reads back");
    assert_eq!(back.as_tables(), limits.as_tables());
    assert_ne!(back.as_tables(), Limits::default().as_tables());
    let defaults = Limits::from_toml(&to_toml(&Limits::default()), "x").expect("reads back");
    assert_eq!(defaults.as_tables(), Limits::default().as_tables());
}

#[test]
fn a_file_changes_what_it_names_and_nothing_else() {
    let limits = Limits::from_toml("[canal]\npast_first_bend_mm = 8\n", "shop.toml").expect("good");
    assert_eq!(limits.number(&rows::PAST_FIRST_BEND), 8.0);
    assert_eq!(limits.from.as_deref(), Some("shop.toml"));
    for row in ROWS.iter().filter(|r| r.key != rows::PAST_FIRST_BEND.key) {
        assert_eq!(limits.setting(row), row.default(), "{}", row.key);
    }
}

#[test]
fn an_unknown_key_is_named_with_place_and_nearest() {
    assert_eq!(
        faults("# mine\n[canal]\n  past_frist_bend_mm = 8\n"),
        [
            "shop.toml: line 3, column 3: no limit is called `canal.past_frist_bend_mm` | the nearest \
          is `canal.past_first_bend_mm`; `secondbend limits` lists them all"
        ]
    );
    assert_eq!(
        nearest_key("scan.web_mm"),
        Some("bores.web_mm"),
        "right name, wrong table"
    );
    assert_eq!(nearest_key("noise"), Some("scan.noise_mm"));
    assert_eq!(nearest_key("banana"), None, "nothing is like it");
}

#[test]
fn an_unknown_table_or_a_bare_key_is_told() {
    assert!(
        faults("[kanal]\npast_first_bend_mm = 8\n")[0]
            .contains("line 2, column 1: no limit is called `kanal.past_first_bend_mm`")
    );
    assert!(
        faults("noise_mm = 0.1\n")[0]
            .contains("no limit is called `noise_mm` | the nearest is `scan.noise_mm`")
    );
    assert!(faults("[empty]\n")[0].contains("`empty`"));
    assert!(faults("canal = 3\n")[0].contains("no limit is called `canal`"));
}

#[test]
fn wrong_kinds_ranges_and_nan_are_told() {
    for (value, says) in [
        (
            "\"six\"",
            "wrong kind of value, it takes a number from 0 to 40 (mm)",
        ),
        ("true", "wrong kind"),
        ("[6]", "wrong kind"),
        ("1979-05-27", "wrong kind"),
        ("nan", "not a finite number"),
        ("-inf", "not a finite number"),
        ("-1", "out of range"),
        ("41.0", "out of range"),
        ("99999999999", "out of range"),
        ("1e999", "not a finite number"),
    ] {
        let got = faults(&format!("[canal]\npast_first_bend_mm = {value}\n"));
        assert_eq!(got.len(), 1, "{value}");
        assert!(
            got[0].starts_with("shop.toml: line 2, column 22: "),
            "{value}: {}",
            got[0]
        );
        assert!(got[0].contains(says), "{value}: {}", got[0]);
    }
    assert!(
        faults("[bores]\ncount = 2.5\n")[0]
            .contains("wrong kind of value, it takes a whole number from 1 to 6")
    );
    assert!(
        faults("[scan]\nbase = \"ajar\"\n")[0].contains("one of \"any\", \"open\", \"closed\"")
    );
}

#[test]
fn several_faults_come_in_the_order_of_the_file() {
    let got =
        faults("[scan]\nnoise_mm = nan\n[bores]\ncuont = 2\n[canal]\npast_first_bend_mm = -1\n");
    let lines: Vec<bool> = ["line 2,", "line 4,", "line 6,"]
        .iter()
        .zip(&got)
        .map(|(l, g)| g.contains(l))
        .collect();
    assert_eq!(lines, [true, true, true], "{got:?}");
}

#[test]
fn broken_toml_has_a_place() {
    let got = faults("[canal]\npast_first_bend_mm = \n");
    assert!(
        got[0].starts_with("shop.toml: line 2, column 22: not valid TOML: "),
        "{}",
        got[0]
    );
    assert!(faults("[canal]\na = 1\na = 2\n")[0].contains("line 3"));
    assert!(faults(&"[".repeat(10_000))[0].contains("not valid TOML"));
}

#[test]
fn limits_that_cross_are_refused() {
    assert!(
        faults("[scan]\nsize_least_mm = 50\nsize_most_mm = 40\n")[0]
            .starts_with("shop.toml: scan.size_least_mm is over scan.size_most_mm")
    );
}

#[test]
fn unreadable_files_are_told() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let text = |p: &std::path::Path| Limits::read(p).expect_err("unreadable")[0].to_string();
    assert!(text(dir.path()).contains("it is a folder"));
    assert!(text(&dir.path().join("no.toml")).contains("there is no such file"));
    let latin = dir.path().join("latin.toml");
    std::fs::write(&latin, b"# \xe4\n").expect("written");
    assert!(text(&latin).contains("UTF-8"));
}

#[test]
fn a_byte_order_mark_and_windows_lines_do_no_harm() {
    let text = "\u{feff}[canal]\r\npast_first_bend_mm = 7.5\r\n";
    let limits = Limits::from_toml(text, "x").expect("good");
    assert_eq!(limits.number(&rows::PAST_FIRST_BEND), 7.5);
}

#[test]
fn rows_are_found_by_key() {
    assert_eq!(find("bores.web_mm").map(|r| r.key), Some("bores.web_mm"));
    assert!(find("bores").is_none());
}

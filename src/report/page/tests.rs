//! The page as text: what must be in it, and what must never get out of a text into the page. What
//! it does when opened is tried in a browser (tests/browser).

use std::path::Path;

use super::*;
use crate::cli::vetted;
use crate::demo::{EarModel, ear};
use crate::limits::Limits;
use crate::read::{ReadOptions, read_bytes};
use crate::report::Command;
use crate::report::picture::{picture, thumbnail};

/// A made ear under a file name of our choice.
fn model_of(name: &str, order: Option<&str>, facets: usize) -> (PageModel, crate::report::Report) {
    let made = ear(&EarModel {
        facets,
        ..EarModel::default()
    });
    let dir = tempfile::tempdir().expect("a folder");
    let path = dir.path().join("ear.stl");
    crate::write::stl(&path, &made.mesh).expect("written");
    let bytes = std::fs::read(&path).expect("read");
    let scan = read_bytes(&bytes, Path::new(name), &ReadOptions::default()).expect("a scan");
    let command = Command {
        order: order.map(str::to_owned),
        side: None,
        side_by_name: false,
        named: None,
        withdrawal: false,
    };
    let vetted = vetted(&scan, &command, &Limits::default());
    (vetted.page(&scan, &Limits::default()), vetted.report)
}

const NASTY: &str = "ear <script>alert(1)</script> \"'&amp;\n\u{202e}.stl";

#[test]
fn nothing_in_a_name_becomes_part_of_the_page() {
    let (mut model, _) = model_of(NASTY, Some("</title><img src=x onerror=alert(1)>"), 6_000);
    for row in &mut model.answers {
        row.answer = format!("{}</script><script>alert(2)</script>", row.answer);
        row.findings.push(Finding {
            number: 1,
            says: "</script><script>alert(3)</script>".to_owned(),
            point: None,
            at_mm: None,
        });
    }
    model.marks.push(Mark {
        name: "<!--<script>".to_owned(),
        point: model.extent().0,
    });
    let html = page(&model);
    // The data, the script and no more: whatever stood in a text is escaped.
    assert_eq!(html.matches("<script").count(), 2);
    assert_eq!(html.matches("</script>").count(), 2);
    assert!(!html.contains("<img") && !html.contains("<!--"));
    assert!(
        !html.contains('\u{202e}'),
        "a name turned the writing direction"
    );
    assert!(html.contains("ear &lt;script&gt;alert(1)&lt;/script&gt;"));
}

#[test]
fn nothing_is_fetched_and_only_what_is_ours_runs() {
    let (model, _) = model_of("ear.stl", None, 6_000);
    let html = page(&model);
    let between = |open: &str, close: &str| {
        let from = html.rfind(open).expect("it is there") + open.len();
        &html[from..from + html[from..].find(close).expect("it ends")]
    };
    let (style, script) = (
        between("<style>", "</style>"),
        between("<script>", "</script>"),
    );
    let digest = html::digest;
    let policy = between("Content-Security-Policy\" content=\"", "\"");
    assert!(policy.starts_with("default-src 'none';"), "{policy}");
    let plain = policy.replace("&#39;", "'");
    assert!(
        plain.contains(&format!("style-src 'sha256-{}'", digest(style))),
        "{plain}"
    );
    assert!(
        plain.contains(&format!("script-src 'sha256-{}'", digest(script))),
        "{plain}"
    );
    assert!(!plain.contains("unsafe"));
    // The one address in it is the name of the drawing language, which nothing fetches.
    let addresses: Vec<&str> = html
        .match_indices("http")
        .map(|(i, _)| &html[i..i + 26])
        .collect();
    let known = ["http-equiv", "http://www.w3.org/2000/svg"];
    for a in addresses {
        assert!(known.iter().any(|k| a.starts_with(k)), "{a}");
    }
    for word in [
        "url(",
        "@import",
        "fetch(",
        "XMLHttpRequest",
        "innerHTML",
        "eval(",
        "src=\"",
        " style=\"",
    ] {
        assert!(!html.contains(word), "{word}");
    }
}

#[test]
fn what_a_result_is_traced_by_is_on_the_page() {
    let (model, report) = model_of("ear.stl", Some("PIT-0444"), 6_000);
    let html = page(&model);
    for what in [
        report.input.sha256.as_str(),
        report.tool.version.as_str(),
        report.caution.as_str(),
        "PIT-0444",
        "the defaults",
    ] {
        assert!(html.contains(what), "{what}");
    }
    for check in &report.checks {
        assert!(html.contains(&check.id), "{}", check.id);
    }
}

#[test]
fn a_page_of_100_000_facets_is_under_3_mb() {
    let (model, report) = model_of("ear.stl", None, 100_000);
    assert!(report.input.facets > 80_000, "{}", report.input.facets);
    let html = page(&model);
    let share = 100_000.0 / report.input.facets as f64;
    assert!((html.len() as f64) * share < 3e6, "{}", html.len());
    assert_eq!(html, page(&model), "the same bytes again");
}

#[test]
fn findings_are_numbered_through_and_drawn_where_they_are() {
    let sample =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-meshes/PIT-0413-viola-left.stl");
    let scan = read_bytes(
        &std::fs::read(&sample).expect("a sample that is there"),
        &sample,
        &ReadOptions::default(),
    )
    .expect("a scan");
    let vetted = vetted(&scan, &Command::default(), &Limits::default());
    let (model, report) = (vetted.page(&scan, &Limits::default()), vetted.report);
    assert!(model.findings().count() >= 2);
    let numbers: Vec<usize> = model.findings().map(|(_, f)| f.number).collect();
    assert_eq!(numbers, (1..=numbers.len()).collect::<Vec<_>>());
    let all: usize = report.checks.iter().map(|c| c.findings.len()).sum();
    assert_eq!(numbers.len(), all);
    let spine = model.spine.as_ref().expect("a canal");
    for pair in spine.stations.windows(2) {
        assert!(pair[1].at_mm > pair[0].at_mm);
        assert!((pair[0].normal.norm() - 1.0).abs() < 1e-9);
    }
}

#[test]
fn pictures_are_the_same_bytes_every_time_and_show_the_ear() {
    let (model, _) = model_of(NASTY, None, 6_000);
    let png = picture(&model);
    assert_eq!(png, picture(&model));
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("a thread");
    assert_eq!(png, pool.install(|| picture(&model)));
    assert_ne!(
        shades(&png),
        shades(&picture(&PageModel {
            layers: Vec::new(),
            ..model.clone()
        }))
    );
    assert!(thumbnail(&model).len() < 20_000);
}

/// How many pixels there are of each colour.
fn shades(png: &[u8]) -> std::collections::BTreeMap<Vec<u8>, usize> {
    let mut reader = png::Decoder::new(std::io::Cursor::new(png))
        .read_info()
        .expect("a picture");
    let mut bytes = vec![0; reader.output_buffer_size().expect("a size")];
    reader.next_frame(&mut bytes).expect("read");
    let mut out = std::collections::BTreeMap::new();
    for pixel in bytes.chunks(3) {
        *out.entry(pixel.to_vec()).or_insert(0) += 1;
    }
    out
}

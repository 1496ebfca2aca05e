//! `shell` as it is typed: what is written, what is told, what is refused.

use std::fs;

use secondbend::demo::{Fault, Side};
use secondbend::mesh::{Mesh, Point, Topology};
use secondbend::read::{ReadOptions, read_file};
use secondbend::write;
use serde_json::Value;

use super::{code, ear, err, folder, json, model, out, run};

fn at<'a>(v: &'a Value, path: &str) -> &'a Value {
    path.split('.').fold(v, |v, key| &v[key])
}

fn figure(v: &Value, path: &str) -> f64 {
    let found = at(v, path);
    let value = found.as_f64().or_else(|| found["value"].as_f64());
    value.unwrap_or_else(|| panic!("{path} is no figure: {found}"))
}

/// One run with every output: the meshes are closed, the volumes are theirs, the report has the keys that
/// others read, the map has its figures.
#[test]
fn a_shell_is_made_with_all_it_is_asked_for() {
    let dir = folder();
    let typed = [
        "shell",
        "left.stl",
        "--bores",
        "2",
        "--order",
        "PIT-0402",
        "--facet",
        "0.4",
        "--out",
        "shell.stl",
        "--outer-out",
        "outer.ply",
        "--cavity-out",
        "cavity.3mf",
        "--json",
        "shell.json",
        "--map",
        "map.ply",
        "--page",
        "shell.html",
        "--picture",
        "shell.png",
    ];
    let ran = run(dir.path(), &typed);
    // Exit code 2 is also "made, but a figure is too close to its limit"; then nothing is an error.
    assert_eq!(err(&ran), "", "{}", out(&ran));
    assert!(out(&ran).starts_with("made, "), "{}", out(&ran));
    assert!(
        out(&ran).lines().all(|l| l.chars().count() <= 80),
        "{}",
        out(&ran)
    );

    let v = json(&dir.path().join("shell.json"));
    assert_eq!(at(&v, "schema"), "secondbend.shell/1");
    assert_eq!(at(&v, "order"), "PIT-0402");
    let volumes = [
        ("shell.stl", "shell.material_mm3"),
        ("outer.ply", "shell.outer_volume_mm3"),
        ("cavity.3mf", "shell.cavity_volume_mm3"),
    ];
    for (file, key) in volumes {
        let read = read_file(&dir.path().join(file), &ReadOptions::default()).expect("reads");
        let topology = Topology::new(&read.mesh);
        let faults = (
            topology.open_edges,
            topology.fins.len(),
            topology.flipped_edges,
        );
        assert_eq!(faults, (0, 0, 0), "{file}");
        let (told, own) = (figure(&v, key), read.mesh.signed_volume_mm3());
        assert!((told / own - 1.0).abs() < 1e-4, "{file}: {told} {own}");
    }
    let (end, open) = (
        figure(&v, "shell.canal_end_mm"),
        figure(&v, "shell.canal_open_to_mm"),
    );
    assert!(open < end && end - open < 3.0, "{open} {end}");
    assert_eq!(at(&v, "shell.bores").as_array().map(Vec::len), Some(2));

    assert_eq!(at(&v, "wall.method"), "inscribed ball");
    let least = figure(&v, "wall.least_mm");
    let shrink = figure(&v, "wall.shrink_percent");
    let after = figure(&v, "wall.least_after_shrink_mm");
    assert!((after - least * (1.0 - shrink / 100.0)).abs() < 1e-9);
    assert!(figure(&v, "wall.percentiles_mm.50") > 0.7);
    assert!(figure(&v, "wall.thin_area_mm2") >= 0.0);
    for key in ["thin_spots", "webs"] {
        assert!(v["wall"][key].is_array(), "{key}");
    }

    let map = fs::read(dir.path().join("map.ply")).expect("written");
    let head = String::from_utf8_lossy(&map[..400]).into_owned();
    for name in ["wall_mm", "ray_mm"] {
        assert!(head.contains(&format!("property float {name}")), "{head}");
    }
    let html = fs::read_to_string(dir.path().join("shell.html")).expect("written");
    for words in [
        "PIT-0402",
        "made, ",
        "built up and trimmed",
        "wall after polishing",
    ] {
        assert!(html.contains(words), "{words}");
    }
    let png = fs::read(dir.path().join("shell.png")).expect("written");
    assert!(png.starts_with(b"\x89PNG"));
}

/// Outer surface and cavity as two files are measured as the shell that they make: the lid that they
/// have in common is its opening, and is told. With a closed faceplate there is none.
#[test]
fn two_files_are_measured_as_the_shell_they_make() {
    let dir = folder();
    for lid in ["open", "closed"] {
        let typed = [
            "shell",
            "left.stl",
            "--faceplate",
            lid,
            "--facet",
            "0.4",
            "--out",
            "shell.stl",
            "--outer-out",
            "outer.stl",
            "--cavity-out",
            "cavity.stl",
            "--json",
            "shell.json",
        ];
        let made = run(dir.path(), &typed);
        assert_eq!(err(&made), "", "{}", out(&made));
        let ask = |files: &[&str], json: &str| {
            let more = ["--unit", "mm", "--json", json];
            let ran = run(dir.path(), &[&["wall"], files, &more].concat());
            assert_eq!(err(&ran), "", "{}", out(&ran));
            out(&ran)
        };
        let text = ask(&["outer.stl", "cavity.stl"], "two.json");
        ask(&["shell.stl"], "one.json");
        let [shell, two, one] =
            ["shell.json", "two.json", "one.json"].map(|f| json(&dir.path().join(f)));
        let (apart, whole) = (figure(&two, "wall.least_mm"), figure(&one, "wall.least_mm"));
        assert!((apart - whole).abs() < 0.02, "{lid}: {apart} {whole}");
        assert!(at(&one, "wall.opening").is_null());
        let hollows = at(&two, "wall.trapped_mm3").as_array().map(Vec::len);
        if lid == "closed" {
            assert!(at(&two, "wall.opening").is_null());
            assert_eq!(hollows, Some(1));
            continue;
        }
        let told = figure(&two, "wall.opening.area_mm2");
        let face = figure(&shell, "shell.faceplate.area_mm2");
        assert!(told > 0.5 * face && told < face, "{told} of {face}");
        // Lines break where they must.
        let words: Vec<&str> = text.split_whitespace().collect();
        assert!(words.join(" ").contains("taken for the opening"), "{text}");
        assert_eq!(hollows, Some(0));
    }
}

/// A right ear in a file named left: the shell is made, and whether it is of the right scan is not told.
#[test]
fn a_name_of_the_other_side_is_told_of_the_shell_too() {
    let dir = folder();
    fs::rename(
        dir.path().join("left.stl"),
        dir.path().join("tuba-right.stl"),
    )
    .expect("renamed");
    let typed = [
        "shell",
        "tuba-right.stl",
        "--facet",
        "0.4",
        // Where it is found, this ear's faceplate meets the concha in a sharp lip.
        "--faceplate-raise",
        "0.8",
        "--json",
        "shell.json",
    ];
    let ran = run(dir.path(), &typed);
    assert_eq!(ran.status.code(), Some(2), "{}", out(&ran));
    assert!(out(&ran).contains("side-unlike-order"), "{}", out(&ran));
    assert_eq!(
        at(&json(&dir.path().join("shell.json")), "outcome"),
        "cannot_tell"
    );
}

/// A wall asked thinner than the limit: every spot has its size and its place.
#[test]
fn thin_walls_break_and_are_placed() {
    let dir = folder();
    let typed = [
        "shell", "left.stl", "--wall", "0.4", "--facet", "0.4", "--json", "-",
    ];
    let ran = run(dir.path(), &typed);
    assert_eq!(code(&ran), 1, "{}", err(&ran));
    let v: Value = serde_json::from_str(&out(&ran)).expect("JSON alone on the output");
    let spots = at(&v, "wall.thin_spots")
        .as_array()
        .expect("a list")
        .clone();
    assert!(!spots.is_empty());
    for spot in &spots {
        assert!(
            figure(spot, "least_mm") < 0.8 && figure(spot, "area_mm2") > 0.0,
            "{spot}"
        );
        assert!(spot["region"].is_string(), "{spot}");
        assert_eq!(spot["point_mm"].as_array().map(Vec::len), Some(3), "{spot}");
        assert!(spot.get("at_mm").is_some(), "{spot}");
    }
    assert!(figure(&v, "wall.thin_area_mm2") > 100.0);
}

/// Where nothing but the scan is at fault, no plan is to be mended, and the text says so.
#[test]
fn a_scan_alone_at_fault_is_said_to_be() {
    let dir = folder();
    let scan = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/sample-meshes/PIT-0417-bassoon-right.stl"
    );
    let ran = run(dir.path(), &["shell", scan, "--unit", "mm"]);
    assert_eq!(code(&ran), 1, "{}", err(&ran));
    let text = out(&ran);
    assert!(text.starts_with("made, but the scan is unfit: "), "{text}");
    assert!(text.contains("written      no mesh"), "{text}");
    // A hole in the seal zone, and a wall that is thin at the rim.
    let viola = scan.replace("PIT-0417-bassoon-right", "PIT-0413-viola-left");
    let text = out(&run(dir.path(), &["shell", &viola, "--unit", "mm"]));
    assert!(
        text.starts_with("made, but the scan is unfit, and so is the plan: "),
        "{text}"
    );
}

/// A sharp rim at the faceplate is told as such, in the report and in words, with its place in the plane;
/// an ear without one holds.
#[test]
fn a_sharp_rim_is_told_and_a_square_one_is_not() {
    let dir = folder();
    let asked = |scan: &str, json_name: &str| {
        let scan = format!("{}/sample-meshes/{scan}", env!("CARGO_MANIFEST_DIR"));
        let typed = [
            "shell",
            &scan,
            "--unit",
            "mm",
            "--bores",
            "2",
            "--json",
            json_name,
            "--page",
            "shell.html",
        ];
        let ran = run(dir.path(), &typed);
        assert_eq!(err(&ran), "");
        let page = fs::read_to_string(dir.path().join("shell.html")).expect("written");
        let words: Vec<String> = out(&ran).split_whitespace().map(str::to_owned).collect();
        (words.join(" "), json(&dir.path().join(json_name)), page)
    };
    let check = |v: &Value, id: &str| {
        let all = at(v, "checks").as_array().expect("a list");
        all.iter().find(|c| c["id"] == id).expect("there").clone()
    };
    let (text, v, page) = asked("PIT-0420-trumpet-left.stl", "sharp.json");
    let advice = "-> raise the faceplate";
    assert_eq!(text.matches(advice).count(), 1, "{text}");
    assert!(text.contains("-> as for rim-sharp"), "{text}");
    let (least, spread) = (
        figure(&v, "shell.rim.least_deg"),
        figure(&v, "shell.rim.plus_minus_deg"),
    );
    assert!(
        least + spread < 60.0 && least > 45.0 && spread > 0.5,
        "{least} {spread}"
    );
    let (under, length) = (
        figure(&v, "shell.rim.under_mm"),
        figure(&v, "shell.rim.length_mm"),
    );
    assert!(
        under > 0.5 && under < 10.0 && length > 70.0,
        "{under} {length}"
    );
    let told = check(&v, "rim-sharp");
    assert_eq!(told["outcome"], "breaks");
    assert_eq!(
        told["findings"][0]["point_mm"],
        v["shell"]["rim"]["point_mm"]
    );
    let xyz = |path: &str| {
        let found = at(&v, path).as_array().expect("three numbers").clone();
        [0, 1, 2].map(|k| found[k].as_f64().expect("a number"))
    };
    let (p, plate, out_of) = (
        xyz("shell.rim.point_mm"),
        xyz("shell.faceplate.point_mm"),
        xyz("shell.faceplate.outward"),
    );
    let height: f64 = (0..3).map(|k| (p[k] - plate[k]) * out_of[k]).sum();
    assert!(height.abs() < 0.01, "{height}");
    let thin = check(&v, "wall-too-thin");
    assert_eq!(thin["outcome"], "breaks");
    for words in [
        "rim-sharp Does the outer surface meet",
        "all of it at the faceplate's rim, where the outer surface meets it at",
        "--faceplate-raise",
        "a sharp edge can hurt",
        "where that is sharpest (90 is square), at less than 60.0 deg over",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(page.contains("rim-sharp") && page.contains("sharpest rim at the faceplate"));

    let (text, v, page) = asked("PIT-0402-oboe-left.stl", "square.json");
    // A good answer says what it was not asked.
    let head = "made, nothing breaks; the way out of the ear was not looked for";
    assert!(text.starts_with(head), "{text}");
    assert!(page.contains("good answer; the way out of the ear was not looked for"));
    assert_eq!(check(&v, "rim-sharp")["outcome"], "holds");
    assert!(figure(&v, "shell.rim.least_deg") > 62.0);
    assert_eq!(figure(&v, "shell.rim.under_mm"), 0.0);
    assert!(!text.contains("at less than 60.0 deg"), "{text}");
    assert!(!text.contains("faceplate's rim, where"), "{text}");
}

/// The same files for any number of threads.
#[test]
fn any_number_of_threads_makes_the_same_shell() {
    let dir = folder();
    let made = |jobs: &str| {
        let typed = [
            "shell",
            "left.stl",
            "--quiet",
            "--facet",
            "0.4",
            "--jobs",
            jobs,
            "--bores",
            "1",
            "--out",
            "shell.stl",
            "--json",
            "shell.json",
        ];
        assert_eq!(err(&run(dir.path(), &typed)), "");
        ["shell.stl", "shell.json"].map(|f| fs::read(dir.path().join(f)).expect("written"))
    };
    assert!(made("1") == made("3"));
}

/// A solid without a canal.
pub fn block() -> Mesh {
    let corner = |i: u32| {
        let side = |k: u32, mm: f64| mm * f64::from(i >> k & 1);
        Point::new(side(0, 20.0), side(1, 18.0), side(2, 12.0))
    };
    let quads = [
        [0, 2, 3, 1],
        [4, 5, 7, 6],
        [0, 1, 5, 4],
        [2, 6, 7, 3],
        [0, 4, 6, 2],
        [1, 3, 7, 5],
    ];
    let facets = quads
        .iter()
        .flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]);
    Mesh::new((0..8).map(corner).collect(), facets.collect()).expect("corners in range")
}

/// What the scan does not tell is refused with a next step, and nothing is written.
#[test]
fn what_the_scan_does_not_tell_is_refused() {
    let dir = folder();
    let short = Fault::NoSecondBend { past_mm: 9.0 };
    ear(dir.path(), "one.stl", &model(Side::Left).with(short));
    write::stl(&dir.path().join("block.stl"), &block()).expect("written");
    let cases: [(&[&str], &str); 3] = [
        (
            &["shell", "one.stl", "--cut-past", "second-bend"],
            "second bend",
        ),
        (&["shell", "left.stl", "--cut", "40"], "impression ends"),
        (
            &["shell", "block.stl", "--unit", "mm"],
            "no canal was measured",
        ),
    ];
    for (typed, says) in cases {
        let whole: Vec<&str> = typed
            .iter()
            .copied()
            .chain(["--out", "shell.stl"])
            .collect();
        let ran = run(dir.path(), &whole);
        assert_eq!(code(&ran), 2, "{typed:?}: {}", err(&ran));
        assert!(err(&ran).contains(says), "{typed:?}: {}", err(&ran));
        assert!(err(&ran).contains("help:"), "{typed:?}: {}", err(&ran));
        assert!(!dir.path().join("shell.stl").exists(), "{typed:?}");
    }
}

/// A plan's mistake is told with its line and the nearest key; one that is right is laid under what is
/// typed.
#[test]
fn a_plan_is_read_with_its_mistakes_placed() {
    let dir = folder();
    let write = |text: &str| fs::write(dir.path().join("plan.toml"), text).expect("written");
    let typed = [
        "shell",
        "left.stl",
        "--plan",
        "plan.toml",
        "--facet",
        "0.4",
        "--json",
        "a.json",
        "--quiet",
    ];
    write("facet_mm = 0.3\n\n[build_up]\nseal_zon_mm = 0.2\n");
    let ran = run(dir.path(), &typed);
    assert_eq!(code(&ran), 2);
    let said = err(&ran);
    assert!(
        said.contains("line 4") && said.contains("seal_zone_mm"),
        "{said}"
    );
    assert!(!dir.path().join("a.json").exists());

    write("[wall]\nbody_mm = 1.2\n\n[bores]\ncount = 1\n");
    assert_eq!(err(&run(dir.path(), &typed)), "");
    let v = json(&dir.path().join("a.json"));
    assert_eq!(figure(&v, "plan.tables.wall.body_mm"), 1.2);
    assert_eq!(figure(&v, "plan.facet_mm"), 0.4);
    assert_eq!(figure(&v, "plan.tables.bores.count"), 1.0);
    assert_eq!(at(&v, "plan_from.path"), "plan.toml");
    assert_eq!(at(&v, "plan_from.sha256").as_str().map(str::len), Some(64));
}

/// Outputs over inputs or each other, into nowhere, and in unknown forms.
#[test]
fn outputs_that_would_do_harm_are_refused() {
    let dir = folder();
    let before = fs::read(dir.path().join("left.stl")).expect("there");
    for typed in [
        &["shell", "left.stl", "--out", "left.stl"][..],
        &["shell", "left.stl", "--page", "left.stl"],
        &[
            "shell",
            "left.stl",
            "--out",
            "a.stl",
            "--cavity-out",
            "a.stl",
        ],
        &["shell", "left.stl", "--out", "a.step"],
        &["shell", "left.stl", "--map", "a.stl"],
        &["shell", "left.stl", "--picture", "-"],
        &["shell", "left.stl", "--facet", "0.4", "--out", "none/a.stl"],
        &["shell", "none.stl", "--out", "a.stl"],
    ] {
        let ran = run(dir.path(), typed);
        assert_eq!(code(&ran), 2, "{typed:?}: {}", err(&ran));
        assert!(err(&ran).contains("help:"), "{typed:?}: {}", err(&ran));
        assert!(!dir.path().join("a.stl").exists(), "{typed:?}");
    }
    assert_eq!(
        fs::read(dir.path().join("left.stl")).expect("there"),
        before
    );
}

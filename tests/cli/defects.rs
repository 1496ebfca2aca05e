//! What `shell` makes, `wall` reads alike from its file; and what is then done to it is found, placed
//! and measured.

use std::path::Path;

use secondbend::mesh::{Mesh, Point, Topology};
use secondbend::read::{ReadOptions, read_file};
use secondbend::shell::wall::{Reading, Surface, WallOptions, wall};
use secondbend::write;
use serde_json::Value;

use super::{code, err, folder, json, run};

fn number(v: &Value, at: &str) -> f64 {
    let found = v.pointer(at).and_then(Value::as_f64);
    found.unwrap_or_else(|| panic!("no number at {at} in {v}"))
}

fn point(v: &Value, at: &str) -> Point {
    Point::from([0, 1, 2].map(|k| number(v, &format!("{at}/{k}"))))
}

/// Makes a shell of `left.stl` into `NAME.stl` and returns its report.
fn made(dir: &Path, name: &str, more: &[&str]) -> Value {
    let (out, told) = (format!("{name}.stl"), format!("{name}.json"));
    let mut typed = vec!["shell", "left.stl", "--unit", "mm", "--facet", "0.4"];
    typed.extend(["--quiet", "--out", &out, "--json", &told]);
    typed.extend(more);
    let ran = run(dir, &typed);
    assert_eq!(err(&ran), "");
    json(&dir.join(told))
}

/// What `wall` says of `NAME.stl`, and its exit code.
fn measured(dir: &Path, name: &str) -> (Value, i32) {
    let (file, told) = (format!("{name}.stl"), format!("{name}-wall.json"));
    let typed = ["wall", &file, "--unit", "mm", "--quiet", "--json", &told];
    let ran = run(dir, &typed);
    assert_eq!(err(&ran), "");
    (json(&dir.join(told)), code(&ran))
}

fn mesh(path: &Path) -> Mesh {
    read_file(path, &ReadOptions::default())
        .expect("a mesh")
        .mesh
}

fn answer<'a>(v: &'a Value, id: &str) -> &'a str {
    let checks = v["checks"].as_array().expect("checks");
    let check = checks.iter().find(|c| c["id"] == id).expect(id);
    check["outcome"].as_str().expect("an outcome")
}

/// A wall thinned by 0.2 in a spot of 1.5 mm, as far from all rims as there is a place.
fn thinned(mesh: &Mesh) -> (Mesh, Point, f64) {
    let w = wall(mesh, &Topology::new(mesh), &WallOptions::default()).expect("a wall");
    let outer = |p: usize| w.surface[p] == Surface::Outer;
    let rims: Vec<Point> = (0..mesh.points().len())
        .filter(|&p| !outer(p) || w.reading[p] != Reading::Wall)
        .filter(|&p| w.reading[p] == Reading::Edge)
        .map(|p| mesh.points()[p])
        .collect();
    let clear = |p: &Point| {
        let away = rims.iter().map(|r| (r - p).norm_squared());
        away.fold(f64::INFINITY, f64::min)
    };
    let even = |p: &usize| outer(*p) && w.counts(*p) && (0.89..0.91).contains(&w.wall_mm[*p]);
    let spot = (0..mesh.points().len())
        .filter(even)
        .step_by(7)
        .max_by(|&p, &q| clear(&mesh.points()[p]).total_cmp(&clear(&mesh.points()[q])))
        .expect("a place");
    let at = mesh.points()[spot];
    let inward = Topology::new(mesh);
    let mut normal = secondbend::mesh::Vector::zeros();
    for f in (0..inward.links.len()).filter(|&f| mesh.facets()[f].contains(&(spot as u32))) {
        normal += mesh.area_vector(f);
    }
    let normal = normal.normalize();
    let mut p = 0;
    let thin = mesh.mapped(|q| {
        p += 1;
        let t = 1.0 - ((q - at).norm() / 1.5).powi(2);
        if t > 0.0 && outer(p - 1) {
            q - normal * (0.2 * t * t)
        } else {
            *q
        }
    });
    (thin.expect("finite"), at, w.wall_mm[spot])
}

#[test]
fn wall_reads_what_shell_made_alike_and_finds_it_thinned_by_0_2() {
    let dir = folder();
    // 0.8 and 0.1 of finishing stock everywhere.
    let told = made(dir.path(), "shell", &["--bores", "2", "--wall", "0.8"]);
    let (read, _) = measured(dir.path(), "shell");
    let least = |v: &Value| number(v, "/wall/least_mm/value");
    let (by_shell, by_wall) = (least(&told), least(&read));
    let within = number(&told, "/wall/least_mm/plus_minus");
    assert!(
        (by_shell - by_wall).abs() <= within,
        "{by_shell} ± {within}, from the file {by_wall}"
    );
    for id in ["wall-too-thin", "wall-free-too-thin"] {
        assert_eq!(answer(&told, id), answer(&read, id), "{id}");
    }

    let (thin, spot, was_mm) = thinned(&mesh(&dir.path().join("shell.stl")));
    write::stl(&dir.path().join("thin.stl"), &thin).expect("written");
    let (read, _) = measured(dir.path(), "thin");
    let now_mm = least(&read);
    assert!(
        (was_mm - 0.2 - now_mm).abs() < 0.02,
        "{was_mm} less 0.2 reads {now_mm}"
    );
    let found = point(&read, "/wall/point_mm");
    assert!((found - spot).norm() < 0.6, "{found} for {spot}");
}

#[test]
fn a_faceplate_moved_by_0_3_is_found_in_the_file() {
    let dir = folder();
    let first = made(dir.path(), "high", &[]);
    let height = number(&first, "/shell/faceplate/height_mm");
    let lower = format!("{}", height - 0.3);
    let second = made(dir.path(), "low", &["--faceplate-height", &lower]);
    let outward = point(&first, "/shell/faceplate/outward").coords;
    let top = |name: &str| {
        let mesh = mesh(&dir.path().join(name));
        let all = mesh.points().iter().map(|p| p.coords.dot(&outward));
        all.fold(f64::NEG_INFINITY, f64::max)
    };
    let moved = top("high.stl") - top("low.stl");
    assert!((moved - 0.3).abs() < 0.02, "{moved}");
    let told = height - number(&second, "/shell/faceplate/height_mm");
    assert!((told - 0.3).abs() < 1e-9, "{told}");
}

const BAR_RADIUS_MM: f64 = 2.5;
const BORE_RADIUS_MM: f64 = 1.0;
const BAR_LENGTH_MM: f64 = 9.0;

/// A round bar along z with a bore from end to end, whose axis lies `off_mm` beside the bar's,
/// towards x. Its least web is known: radius less radius less `off_mm`.
fn bored(off_mm: f64) -> Mesh {
    const ROUND: usize = 120;
    const RINGS: usize = 45;
    let ring = |radius: f64, x: f64, z: f64| {
        (0..ROUND).map(move |k| {
            let (sin, cos) = (std::f64::consts::TAU * k as f64 / ROUND as f64).sin_cos();
            Point::new(x + radius * cos, radius * sin, z)
        })
    };
    // Rings up the outside, then down the bore, and so round to the first.
    let height = |k: usize| BAR_LENGTH_MM * k as f64 / RINGS as f64;
    let mut points: Vec<Point> = Vec::new();
    (0..=RINGS).for_each(|k| points.extend(ring(BAR_RADIUS_MM, 0.0, height(k))));
    (0..=RINGS).for_each(|k| points.extend(ring(BORE_RADIUS_MM, off_mm, height(RINGS - k))));
    let rings = 2 * (RINGS + 1);
    let mut facets = Vec::new();
    for (k, j) in (0..rings).flat_map(|k| (0..ROUND).map(move |j| (k, j))) {
        let at = |k: usize, j: usize| (k % rings * ROUND + j % ROUND) as u32;
        let [a, b, c, d] = [at(k, j), at(k, j + 1), at(k + 1, j + 1), at(k + 1, j)];
        facets.extend([[a, b, c], [a, c, d]]);
    }
    Mesh::new(points, facets).expect("a mesh")
}

#[test]
fn a_bore_moved_0_3_nearer_the_wall_is_found_placed_and_measured() {
    let dir = folder();
    let mut least = Vec::new();
    for (name, off_mm) in [("before", 0.5), ("moved", 0.8)] {
        write::stl(&dir.path().join(format!("{name}.stl")), &bored(off_mm)).expect("written");
        let (read, _) = measured(dir.path(), name);
        let true_mm = BAR_RADIUS_MM - BORE_RADIUS_MM - off_mm;
        assert_eq!(
            read["wall"]["bores"].as_array().map(Vec::len),
            Some(1),
            "{name}"
        );
        let webs = read["wall"]["webs"].as_array().expect("webs");
        let thinnest = webs
            .iter()
            .min_by(|a, b| number(a, "/least_mm/value").total_cmp(&number(b, "/least_mm/value")))
            .expect("a web");
        for (what, at) in [
            (
                number(&read, "/wall/least_mm/value"),
                point(&read, "/wall/point_mm"),
            ),
            (
                number(thinnest, "/least_mm/value"),
                point(thinnest, "/point_mm"),
            ),
        ] {
            assert!(
                (what - true_mm).abs() < 0.02,
                "{name}: {what} for {true_mm}"
            );
            // On the side that the bore was moved to.
            assert!(at.x > 0.0 && at.y.abs() < 0.3, "{name}: {at}");
        }
        least.push(number(thinnest, "/least_mm/value"));
    }
    let thinner = least[0] - least[1];
    assert!((thinner - 0.3).abs() < 0.02, "{thinner}");
}

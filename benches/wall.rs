//! Time of the wall measure on a made shell of 400k facets, and of its parts where they can be
//! asked for alone. `cargo bench --bench wall`.

use divan::Bencher;
use secondbend::mesh::{Mesh, Point, Topology, Vector};
use secondbend::shell::wall::{WallOptions, joined, wall};

fn main() {
    divan::main();
}

/// A closed bumpy surface of about ear size, its points in rows (two triangles a cell).
fn blob(rows: usize, wall_mm: f64) -> Mesh {
    let columns = 2 * rows;
    let place = |i: usize, j: usize| {
        let theta = std::f64::consts::PI * (i as f64 + 0.5) / rows as f64;
        let phi = std::f64::consts::TAU * j as f64 / columns as f64;
        let dir = Vector::new(
            theta.sin() * phi.cos(),
            theta.sin() * phi.sin(),
            theta.cos(),
        );
        let lump = 1.0 + 0.15 * (3.0 * phi).sin() * theta.sin().powi(3) + 0.35 * dir.z;
        Point::from((9.0 * lump - wall_mm) * dir)
    };
    let mut points: Vec<Point> = (0..rows * columns)
        .map(|k| place(k / columns, k % columns))
        .collect();
    let (north, south) = (points.len() as u32, points.len() as u32 + 1);
    points.push(Point::new(0.0, 0.0, 9.0 * 1.35 - wall_mm));
    points.push(Point::new(0.0, 0.0, -(9.0 * 0.65 - wall_mm)));
    let at = |i: usize, j: usize| (i * columns + j % columns) as u32;
    let mut facets = Vec::new();
    for j in 0..columns {
        facets.push([north, at(0, j), at(0, j + 1)]);
        facets.push([south, at(rows - 1, j + 1), at(rows - 1, j)]);
        for i in 0..rows - 1 {
            facets.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
            facets.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
        }
    }
    Mesh::new(points, facets).expect("indices are in range")
}

/// Outer and inner surface of 200k facets each.
fn shell() -> Mesh {
    joined(&blob(224, 0.0), &blob(224, 1.0).inverted()).0
}

#[divan::bench(sample_count = 5, args = [false, true])]
fn wall_of_400k_facets(bencher: Bencher, opposite: bool) {
    let mesh = shell();
    let topology = Topology::new(&mesh);
    let options = WallOptions {
        opposite,
        ..WallOptions::default()
    };
    bencher.bench_local(|| wall(&mesh, &topology, &options));
}

#[divan::bench(sample_count = 5)]
fn topology_of_400k_facets(bencher: Bencher) {
    let mesh = shell();
    bencher.bench_local(|| Topology::new(&mesh));
}

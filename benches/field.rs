//! What the distance field costs on a made ear: preparing, asking, and drawing offsets at 0.2 mm.

use divan::Bencher;
use secondbend::demo::{EarModel, Side, ear};
use secondbend::field::{Offset, SignRule, SignedDistance, surface};
use secondbend::mesh::{Mesh, Point, Topology, Vector};
use secondbend::units::Mm;

fn main() {
    divan::main();
}

fn scan(facets: usize) -> Mesh {
    let model = EarModel {
        facets,
        ..EarModel::medium(Side::Right)
    };
    ear(&model).mesh
}

/// Facet middles moved along their normals, to and fro within a millimetre.
fn near_surface(mesh: &Mesh) -> Vec<Point> {
    (0..mesh.facets().len())
        .map(|f| {
            let [a, b, c] = mesh.corners(f);
            let by = ((f % 41) as f64 - 20.0) / 20.0;
            let n = mesh.normal(f).unwrap_or_else(Vector::zeros);
            Point::from((a.coords + b.coords + c.coords) / 3.0) + n * by
        })
        .collect()
}

#[divan::bench(args = [25_000, 100_000], sample_count = 5)]
fn prepare(bencher: Bencher, facets: usize) {
    let mesh = scan(facets);
    let topology = Topology::new(&mesh);
    bencher.bench(|| SignedDistance::new(&mesh, &topology));
}

#[divan::bench(args = [25_000, 100_000], sample_count = 5)]
fn ask_near_surface(bencher: Bencher, facets: usize) {
    let mesh = scan(facets);
    let field = SignedDistance::new(&mesh, &Topology::new(&mesh));
    let points = near_surface(&mesh);
    bencher
        .counter(divan::counter::ItemsCount::new(points.len()))
        .bench(|| field.distances(&points));
}

#[divan::bench(args = [25_000], sample_count = 5)]
fn ask_by_winding_number(bencher: Bencher, facets: usize) {
    let mesh = scan(facets);
    let topology = Topology::new(&mesh);
    let field = SignedDistance::new(&mesh, &topology).with_rule(SignRule::Winding);
    let points = near_surface(&mesh);
    bencher
        .counter(divan::counter::ItemsCount::new(points.len()))
        .bench(|| field.distances(&points));
}

#[divan::bench(args = [0.3, -0.8, -1.2, -2.0], consts = [25_000, 100_000], sample_count = 5)]
fn offset<const FACETS: usize>(bencher: Bencher, by_mm: f64) {
    let mesh = scan(FACETS);
    let field = SignedDistance::new(&mesh, &Topology::new(&mesh));
    bencher.bench(|| surface(&Offset::by(&field, Mm(by_mm)), 0.2));
}

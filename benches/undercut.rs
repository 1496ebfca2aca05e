//! What undercuts cost on a made ear of 100k facets: the straight pull, the best pull, the way out,
//! and the coarse figures of `vet` and `shell`. `cargo bench --bench undercut`.

use divan::Bencher;
use secondbend::canal;
use secondbend::demo::{EarModel, Side, ear};
use secondbend::mesh::{Mesh, MeshQueries, Topology, Vector};
use secondbend::soundness::{self, Region};
use secondbend::undercut::{Asked, BasePlane, Body, PullSettings, best, quick, straight, withdraw};
use secondbend::units::Deg;

fn main() {
    divan::main();
}

struct Seated {
    mesh: Mesh,
    body: Body,
    outward: Vector,
}

fn seated() -> Seated {
    let model = EarModel {
        facets: 100_000,
        ..EarModel::medium(Side::Right)
    };
    let mesh = ear(&model).mesh;
    let topology = Topology::new(&mesh);
    let queries = MeshQueries::new(&mesh);
    let sound = soundness::inspect(&mesh, &topology, &queries);
    let canal = canal::measure(&mesh, &topology, &queries, &sound).expect("a made ear has one");
    let outward = -canal.aperture.normal;
    let base = BasePlane::of(&mesh, &topology, canal.face.unwrap_or(outward)).expect("a base");
    let body = Body::new(&mesh, &topology, base).expect("a body");
    drop(queries);
    Seated {
        mesh,
        body,
        outward,
    }
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn straight_pull(bencher: Bencher) {
    let ear = seated();
    let settings = PullSettings::default();
    bencher.bench_local(|| straight(&ear.body, &ear.outward, &settings));
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn best_pull(bencher: Bencher) {
    let ear = seated();
    let settings = PullSettings::default();
    bencher.bench_local(|| best(&ear.body, &ear.outward, Deg(45.0), &settings));
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn way_out(bencher: Bencher) {
    let ear = seated();
    let settings = PullSettings::default();
    let found = best(&ear.body, &ear.outward, Deg(45.0), &settings).expect("a pull");
    let ways = [ear.outward, found.pull.direction];
    bencher.bench_local(|| withdraw(&ear.body, &ways, &settings));
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn coarse_figures(bencher: Bencher) {
    let ear = seated();
    let topology = Topology::new(&ear.mesh);
    let asked = Asked {
        outward: ear.outward,
        pull: None,
        base: None,
        face: None,
        part: None,
        region_of: &|_| Region::Unknown,
        relief: false,
        settings: PullSettings::default(),
    };
    bencher.bench_local(|| quick(&ear.mesh, &topology, &asked));
}

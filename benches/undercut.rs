//! Undercuts of a made ear of 100,000 facets: `cargo bench --bench undercut`. Readings with machine
//! and date stand in `docs/undercut.md`.

use std::sync::OnceLock;

use secondbend::demo::{EarModel, ear};
use secondbend::mesh::{Topology, Vector};
use secondbend::undercut::{self, BasePlane, Body, PullSettings};
use secondbend::units::Deg;

fn main() {
    divan::main();
}

fn body() -> &'static Body {
    static BODY: OnceLock<Body> = OnceLock::new();
    BODY.get_or_init(|| {
        let made = ear(&EarModel {
            facets: 100_000,
            ..EarModel::default()
        });
        let topology = Topology::new(&made.mesh);
        let out = made.truth.frame.map_or_else(Vector::x, |f| f.out.into());
        let base = BasePlane::of(&made.mesh, &topology, out).expect("a made ear has an outer face");
        Body::new(&made.mesh, &topology, base).expect("a made ear is a body")
    })
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn straight_pull(bencher: divan::Bencher) {
    let body = body();
    bencher.bench(|| undercut::straight(body, &body.base().normal, &PullSettings::default()));
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn best_pull(bencher: divan::Bencher) {
    let body = body();
    bencher.bench(|| {
        undercut::best(
            body,
            &body.base().normal,
            Deg(45.0),
            &PullSettings::default(),
        )
    });
}

#[divan::bench(sample_count = 3, sample_size = 1)]
fn way_out(bencher: divan::Bencher) {
    let body = body();
    bencher.bench(|| undercut::withdraw(body, &[body.base().normal], &PullSettings::default()));
}

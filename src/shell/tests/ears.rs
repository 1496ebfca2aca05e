//! Made ears, whose bends and aperture are known: shells of them are sound, end where they should,
//! and keep their wall.

use crate::canal;
use crate::demo::{Base, EarModel, Side, ear};
use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};
use crate::shell::wall::shapes::sphere;
use crate::shell::wall::{WallOptions, joined, wall};
use crate::shell::{Bores, Caution, Impression, Lid, Plan, Shell, ShellError, build};
use crate::soundness::{self, crossing_pairs};

/// The shell of a scan, measured and made by a plan.
pub(crate) fn shell_of(mesh: &Mesh, plan: &Plan) -> Result<Shell, ShellError> {
    let (topology, queries) = (Topology::new(mesh), MeshQueries::new(mesh));
    let soundness = soundness::inspect(mesh, &topology, &queries);
    let canal = canal::measure(mesh, &topology, &queries, &soundness).expect("a canal");
    let impression = Impression {
        mesh,
        topology: &topology,
        soundness: &soundness,
        canal: &canal,
    };
    build(&impression, plan)
}

fn coarse(model: EarModel) -> EarModel {
    EarModel {
        facets: 12_000,
        ..model
    }
}

fn plan(lid: Lid) -> Plan {
    let usual = Plan::default();
    Plan {
        bores: Bores::Count {
            count: 2,
            diameter_mm: 1.4,
        },
        faceplate: crate::shell::Faceplate {
            lid,
            ..usual.faceplate
        },
        facet_mm: 0.4,
        ..usual
    }
}

#[test]
fn shells_of_made_ears_are_sound_and_end_where_they_should() {
    let ears = [
        (EarModel::small(Side::Left), Base::Closed, Lid::Open),
        (
            EarModel::large(Side::Right),
            Base::Open,
            Lid::Closed { thickness_mm: 1.0 },
        ),
    ];
    for (model, base, lid) in ears {
        let made = ear(&EarModel {
            base,
            ..coarse(model)
        });
        let truth = made.truth.canal.as_ref().expect("a canal");
        let plan = plan(lid);
        let shell = shell_of(&made.mesh, &plan).expect("a shell");
        let topology = Topology::new(&shell.solid);
        let faults = (
            topology.open_edges,
            topology.fins.len(),
            topology.flipped_edges,
        );
        assert_eq!(faults, (0, 0, 0));
        assert_eq!(crossing_pairs(&MeshQueries::new(&shell.solid)), 0);
        assert!(shell.bores.iter().all(|b| b.reaches_cavity && b.comes_out));

        // 2 past the second bend, and 0.1 of stock.
        let second = &truth.bends[1];
        assert!(
            (shell.canal_end_mm - second.at_mm - 2.1).abs() < 0.25,
            "{}",
            shell.canal_end_mm
        );
        let place = |at: f64| {
            let k = (at / 0.05).round() as usize;
            Point::from(truth.axis_mm[k.min(truth.axis_mm.len() - 1)])
        };
        let (end, along) = (
            place(second.at_mm + 2.1),
            place(second.at_mm + 2.1) - place(second.at_mm + 1.1),
        );
        let over = |p: &&Point| (**p - end).norm() < 7.0;
        let furthest = shell.outer.points().iter().filter(over);
        let furthest = furthest
            .map(|p| (p - end).dot(&along))
            .fold(f64::MIN, f64::max);
        assert!(furthest.abs() < 0.3, "{furthest}");

        // Walls asked: 0.8 and 1.0, and 0.1 of stock.
        let w = wall(&shell.solid, &topology, &WallOptions::default()).expect("a wall");
        let low = w.percentiles_mm[1].1;
        assert!((low - 0.9).abs() < 0.02, "5 % of the wall is under {low}");
        // A closed faceplate has no stock on it: its 1.0 lies in between.
        let high = w.percentiles_mm[4].1;
        assert!((high - 1.1).abs() < 0.03, "75 % is under {high}");
        let volumes = shell.outer_volume_mm3 - shell.cavity_volume_mm3 - shell.material_mm3;
        let through: f64 = shell
            .bores
            .iter()
            .map(|b| b.length_mm() * 0.49 * std::f64::consts::PI)
            .sum();
        assert!(
            volumes > 0.0 && volumes < through + 4.0,
            "{volumes} {through}"
        );
    }
}

/// The same bytes whatever the number of threads.
#[test]
fn threads_do_not_change_a_shell() {
    let made = ear(&coarse(EarModel::medium(Side::Right)));
    let plan = Plan {
        facet_mm: 0.6,
        ..plan(Lid::Open)
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("a pool");
    let alone = pool.install(|| shell_of(&made.mesh, &plan).expect("a shell"));
    let many = shell_of(&made.mesh, &plan).expect("a shell");
    assert!(alone.solid == many.solid && alone.cavity == many.cavity);
}

/// A speck beside the ear takes no part in the shell, and the shell says so.
#[test]
fn parts_that_are_left_out_are_told() {
    let made = ear(&coarse(EarModel::medium(Side::Right)));
    let far = made.mesh.points()[0] + Vector::repeat(60.0);
    let (both, _) = joined(&made.mesh, &sphere(far, 1.0, 2));
    let plan = Plan {
        facet_mm: 0.6,
        ..plan(Lid::Open)
    };
    let told = |mesh: &Mesh| shell_of(mesh, &plan).expect("a shell").cautions;
    let left_out = Caution::PartsLeftOut { count: 1 };
    assert!(told(&both).contains(&left_out));
    assert!(!told(&made.mesh).contains(&left_out));
}

#[test]
fn a_bare_canal_is_refused() {
    let made = ear(&coarse(EarModel::medium(Side::Right)).bare());
    let (topology, queries) = (Topology::new(&made.mesh), MeshQueries::new(&made.mesh));
    let soundness = soundness::inspect(&made.mesh, &topology, &queries);
    let Ok(canal) = canal::measure(&made.mesh, &topology, &queries, &soundness) else {
        return; // not even a canal: nothing to make a shell on
    };
    let impression = Impression {
        mesh: &made.mesh,
        topology: &topology,
        soundness: &soundness,
        canal: &canal,
    };
    let made = build(&impression, &Plan::default()).map(|_| ());
    assert_eq!(made, Err(ShellError::NoAperture));
}

//! The fast pass against slow ones that share nothing with it but the definition, and against
//! itself on the same shell turned, moved, cut finer, made rough, or measured on one thread.

use crate::mesh::{Mesh, MeshQueries, Point, Topology, Vector};
use crate::shell::wall::opening::Opened;
use crate::shell::wall::orient::orient;
use crate::shell::wall::seat::{Seats, facet_normals};
use crate::shell::wall::shapes::{bored, cup, hollow, measure, noisy};
use crate::shell::wall::tree::{OWN_SHEET_COS, Seat, Tree};
use crate::shell::wall::{Reading, Wall, WallOptions};

/// Does a facet belong to the sheet the ball sits on?
fn is_own(mesh: &Mesh, normals: &[Vector], seat: &Seat, facet: usize) -> bool {
    normals[facet].dot(&seat.normal) > f64::from(OWN_SHEET_COS)
        || mesh.facets()[facet].contains(&seat.point)
}

/// Diameter of the ball tangent at p that reaches q up to the slack; `v` = p − q.
fn through(v: &Vector, normal: &Vector, slack: f64) -> f64 {
    let below = v.dot(normal) - slack;
    if below > 1e-12 {
        (v.norm_squared() - slack * slack) / below
    } else {
        f64::INFINITY
    }
}

/// The ball by its definition over a grid of points on every facet: an upper bound.
fn dense_ball(mesh: &Mesh, normals: &[Vector], seat: &Seat, place: &Point, grid: usize) -> f64 {
    let mut least = f64::INFINITY;
    for f in 0..normals.len() {
        let own = is_own(mesh, normals, seat, f);
        let slack = if own { seat.slack_mm } else { 0.0 };
        let [a, b, c] = mesh.corners(f);
        for i in 0..=grid {
            for j in 0..=grid - i {
                let (u, v) = (i as f64 / grid as f64, j as f64 / grid as f64);
                let w = place - (a + u * (b - a) + v * (c - a));
                least = least.min(through(&w, &seat.normal, slack));
            }
        }
    }
    least
}

#[test]
fn ball_agrees_with_dense_sampling_and_is_empty_by_another_search() {
    for mesh in [
        bored(4.0, 1.0, 1.5, 4.0, 0.5),
        cup(0.8, 0.9),
        hollow(10.0, 8.5, Vector::new(0.0, 0.0, 0.7), 3),
        noisy(&cup(0.8, 0.7), 0.02),
    ] {
        let topology = Topology::new(&mesh);
        let oriented = orient(&mesh, &topology, None, &Opened::default());
        let normals = facet_normals(&mesh, &topology, &oriented.turned);
        let tree = Tree::new(&mesh, &oriented.turned, &normals, &[]);
        let seats = Seats::new(&mesh, &topology, &normals, 40.0);
        let queries = MeshQueries::new(&mesh);
        let mut compared = 0;
        for p in (0..mesh.points().len()).step_by(17) {
            let seat = Seat {
                point: p as u32,
                place: mesh.points()[p] - tree.origin(),
                normal: seats.normal[p],
                slack_mm: seats.slack_mm[p],
                hollow: false,
            };
            let Some(ball) = tree.ball(&seat, 30.0) else {
                continue;
            };
            let fast = 2.0 * ball.radius_mm;
            let own = is_own(&mesh, &normals, &seat, ball.facet as usize);
            let slow = dense_ball(&mesh, &normals, &seat, &mesh.points()[p], 14);
            assert!(
                fast <= slow + 1e-9,
                "point {p}: fast {fast} over slow {slow}"
            );
            let contact = tree.origin() + ball.contact;
            let [a, b, c] = mesh.corners(ball.facet as usize);
            // Beside the point the grid resolves little; elsewhere a contact between two of its
            // points is missed by half a step, which costs step² / diameter.
            let step = ((b - a).norm() + (c - a).norm()) / 14.0;
            assert!(
                own || slow - fast < 0.01 * fast + 0.003 + step * step / fast,
                "point {p}: fast {fast}, slow {slow}"
            );
            // No larger ball fits: the contact is on the surface, and this ball just reaches it.
            let on = crate::mesh::nearest_on_triangle(&contact, &a, &b, &c);
            assert!((on - contact).norm() < 1e-9);
            let slack = if own { seat.slack_mm } else { 0.0 };
            assert!(
                (through(&(mesh.points()[p] - contact), &seat.normal, slack) - fast).abs() < 1e-6
            );
            let centre = mesh.points()[p] - ball.radius_mm * seat.normal;
            let free = queries
                .nearest(&centre, 100.0)
                .expect("a surface")
                .distance_mm;
            assert!(
                free >= ball.radius_mm - seat.slack_mm - 1e-7,
                "point {p}: not empty"
            );
            compared += 1;
        }
        assert!(compared > 25, "{compared}");
    }
}

#[test]
fn rays_and_nearest_opposite_agree_with_plain_loops() {
    let mesh = noisy(&cup(0.8, 0.7), 0.01);
    let topology = Topology::new(&mesh);
    let oriented = orient(&mesh, &topology, None, &Opened::default());
    let normals = facet_normals(&mesh, &topology, &oriented.turned);
    let tree = Tree::new(&mesh, &oriented.turned, &normals, &[]);
    let seats = Seats::new(&mesh, &topology, &normals, 40.0);
    let queries = MeshQueries::new(&mesh);
    for p in (0..mesh.points().len()).step_by(3) {
        let (at, n) = (mesh.points()[p], seats.normal[p]);
        let seat = Seat {
            point: p as u32,
            place: at - tree.origin(),
            normal: n,
            slack_mm: 0.0,
            hollow: false,
        };
        let slow = queries
            .ray_hits(&at, &-n)
            .into_iter()
            .find(|h| {
                h.leaving && h.at > 1e-9 && !mesh.facets()[h.facet as usize].contains(&(p as u32))
            })
            .map(|h| h.at);
        let fast = tree.leaves_at(&seat.place, &-n, p as u32).map(|h| h.0);
        match (slow, fast) {
            (Some(a), Some(b)) => assert!((a - b).abs() < 1e-9, "point {p}: {a} {b}"),
            (a, b) => assert_eq!(a, b, "point {p}"),
        }
        let mut least = f64::INFINITY;
        for (f, m) in normals.iter().enumerate() {
            let [a, b, c] = mesh.corners(f);
            let q = crate::mesh::nearest_on_triangle(&at, &a, &b, &c);
            if m.cast::<f32>().cast::<f64>().dot(&n) <= -0.5 && (at - q).dot(&n) > 0.0 {
                least = least.min((at - q).norm());
            }
        }
        let fast = tree.opposite(&seat, 100.0).map_or(f64::INFINITY, |o| o.0);
        assert!(
            (fast - least).abs() < 1e-9 || fast == least,
            "point {p}: {fast} {least}"
        );
    }
}

fn largest_difference(a: &Wall, b: &Wall) -> f64 {
    let pairs = a.wall_mm.iter().zip(&b.wall_mm).enumerate();
    pairs
        .filter(|(p, _)| a.counts(*p) && b.counts(*p))
        .map(|(_, (x, y))| (x - y).abs())
        .fold(0.0, f64::max)
}

#[test]
fn pose_and_place_do_not_matter() {
    let mesh = cup(0.8, 0.35);
    let truth = measure(&mesh);
    let turn = nalgebra::Rotation3::from_euler_angles(0.4, -1.1, 2.3);
    for shift in [0.0, 300.0] {
        let moved = mesh.mapped(|p| turn * p + Vector::new(shift, -shift, 0.5 * shift));
        let w = measure(&moved.expect("finite"));
        assert!(largest_difference(&truth, &w) < 1e-6);
        // Patches fall otherwise in another pose; the rim's flat top may go to either side.
        let below_rim = |p: &usize| mesh.points()[*p].z < 11.9;
        for p in (0..w.reading.len()).filter(below_rim) {
            assert_eq!(w.reading[p], truth.reading[p], "{}", mesh.points()[p]);
            assert_eq!(w.surface[p], truth.surface[p], "{}", mesh.points()[p]);
        }
    }
    let mirrored = mesh
        .mapped(|p| Point::new(-p.x, p.y, p.z))
        .expect("finite")
        .inverted();
    assert!(largest_difference(&truth, &measure(&mirrored)) < 1e-6);
}

#[test]
fn finer_facets_come_nearer_to_the_truth() {
    let mut before = f64::INFINITY;
    for step in [0.6, 0.3, 0.15] {
        let w = measure(&bored(4.0, 1.0, 1.5, 6.0, step));
        let off = (w.least.expect("a wall").wall_mm.value - 1.5).abs();
        println!("step {step}: off by {off:.5}");
        assert!(
            off <= before + 1e-4 && off < 0.05 * step,
            "step {step}: {off}"
        );
        before = off;
    }
}

#[test]
fn noise_stays_within_the_stated_width() {
    for (level, sigma) in [(5, 0.005), (5, 0.02), (6, 0.01), (6, 0.02)] {
        let mesh = noisy(&hollow(10.0, 9.2, Vector::zeros(), level), sigma);
        let w = measure(&mesh);
        let outer = mesh.points().len() / 2;
        let walls: Vec<usize> = (0..outer)
            .filter(|&p| w.reading[p] == Reading::Wall)
            .collect();
        let mean = walls.iter().map(|&p| w.wall_mm[p] - 0.8).sum::<f64>() / walls.len() as f64;
        let held = walls
            .iter()
            .filter(|&&p| (w.wall_mm[p] - 0.8).abs() <= w.plus_minus_mm[p])
            .count() as f64
            / walls.len() as f64;
        let kept = walls.len() as f64 / outer as f64;
        println!("level {level} noise {sigma}: kept {kept:.4} bias {mean:.4} held {held:.3}");
        assert!(kept > 0.99, "{kept}");
        assert!(mean.abs() < 2.0 * sigma, "bias {mean}");
        assert!(held > 0.9, "{held}");
    }
}

#[test]
fn one_thread_or_many_give_the_same_bits() {
    let mesh = noisy(&cup(0.8, 0.4), 0.01);
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.expect("threads").install(|| measure(&mesh))
    };
    let (one, many) = (run(1), run(4));
    let bits = |v: &[f64]| v.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
    assert_eq!(bits(&one.wall_mm), bits(&many.wall_mm));
    assert_eq!(bits(&one.opposite_mm), bits(&many.opposite_mm));
    assert_eq!(one.surface, many.surface);
    assert_eq!(one.webs, many.webs);
    let _ = WallOptions::default();
}

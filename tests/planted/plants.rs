//! Small rooms that hold their parts by construction, most to the last micrometre: no bound
//! may refuse one. And one room a bound that holds its parts in no way: each must be proven.

use std::sync::atomic::AtomicBool;

use nalgebra::{Matrix3, Rotation3};
use secondbend::mesh::{Mesh, Point, Vector};
use secondbend::stack::bounds::refusals;
use secondbend::stack::certificate::certify;
use secondbend::stack::{
    Bore, Cavity, Depth, Face, FitOptions, Placement, Pose, Spout, Stack, Tip, Verdict, fit,
};

use crate::make::{Chance, PAIR_MM, Shape, WALL_MM, planted_coarse};
use crate::surface::{between, surface};

/// A block cut in two again and again, each piece less the clearances a part: nothing to spare.
#[test]
fn no_bound_refuses_a_room_cut_into_its_parts() {
    cut_rooms(0..10);
}

/// More of them.
#[test]
#[ignore = "minutes"]
fn no_bound_refuses_hundreds_of_rooms() {
    cut_rooms(10..150);
    grown_rooms(6..86);
}

fn cut_rooms(numbers: std::ops::Range<u64>) {
    for number in numbers {
        let mut chance = Chance(number * 7919 + 1);
        let (room, stack, placement) = cut(&mut chance);
        let cavity = Cavity::new(room).expect("a block is closed");
        let certificate = certify(&cavity, &stack, &placement.as_printed()).expect("rigid");
        assert!(certificate.fits(), "plant {number} is none");
        never_refused(number, &cavity, &stack);
    }
}

/// Parts laid at any angle, a room grown round their outline or hull.
#[test]
fn no_bound_refuses_a_room_grown_round_its_parts() {
    grown_rooms(0..6);
}

fn grown_rooms(numbers: std::ops::Range<u64>) {
    let (mut made, asked) = (0, numbers.end - numbers.start);
    for number in numbers {
        let mut chance = Chance(number * 104_729 + 5);
        let n = 2 + (chance.unit() * 3.0) as usize;
        let sizes: Vec<[f64; 3]> = (0..n)
            .map(|_| [0; 3].map(|_| chance.within(0.6, 2.8)))
            .collect();
        let shape = if chance.unit() < 0.6 {
            Shape::Grown
        } else {
            Shape::Hull
        };
        let loose = chance.within(0.0, 0.3);
        if let Some(case) = planted_coarse(number, &sizes, shape, loose, 0.002, 0.6) {
            made += 1;
            never_refused(number, &case.cavity, &case.stack);
        }
    }
    assert!(made * 10 >= asked * 8, "only {made} of {asked} plants");
}

fn never_refused(number: u64, cavity: &Cavity, stack: &Stack) {
    let depth = Depth::new(cavity);
    let refused: Vec<_> = refusals(cavity, stack, &depth).collect();
    assert!(refused.is_empty(), "plant {number}: {refused:?}");
}

/// A turned block, parts that fill it but for the clearances, and where they stand.
fn cut(chance: &mut Chance) -> (Mesh, Stack, Placement) {
    let half = Vector::from_fn(|_, _| chance.within(1.0, 2.6));
    // Faces of a piece: low and high, and whether each is the room's own wall.
    let mut pieces = vec![(-half, half, [[true; 3]; 2])];
    let parts = 2 + (chance.unit() * 3.0) as usize;
    while pieces.len() < parts {
        let longest = |p: &(Vector, Vector, _)| (p.1 - p.0).max();
        let (at, _) = (pieces.iter().enumerate())
            .max_by(|a, b| longest(a.1).total_cmp(&longest(b.1)))
            .expect("at least one piece");
        let (lo, hi, walls) = pieces.swap_remove(at);
        let k = (hi - lo).imax();
        let cut = lo[k] + (hi[k] - lo[k]) * chance.within(0.35, 0.65);
        let (mut top, mut bottom) = ((lo, hi, walls), (lo, hi, walls));
        bottom.1[k] = cut;
        bottom.2[1][k] = false;
        top.0[k] = cut;
        top.2[0][k] = false;
        pieces.extend([bottom, top]);
    }
    let turn = Rotation3::new(chance.direction() * chance.within(0.0, 3.1)).into_inner();
    let off = Point::new(chance.unit(), chance.unit(), chance.unit());
    let less = |wall: bool| if wall { WALL_MM } else { PAIR_MM / 2.0 };
    let boxes = pieces.iter().map(|(lo, hi, walls)| {
        let lo = Vector::from_fn(|k, _| lo[k] + less(walls[0][k]));
        let hi = Vector::from_fn(|k, _| hi[k] - less(walls[1][k]));
        (hi - lo, (lo + hi) / 2.0)
    });
    let (mut sizes, mut poses) = (Vec::new(), Vec::new());
    for (size, middle) in boxes {
        // A micrometre less, for what ten printed digits round away.
        sizes.push([size.x, size.y, size.z].map(|s| s - 1e-6));
        poses.push(Pose {
            turn,
            middle: off + turn * middle,
        });
    }
    let stack = Stack::of_boxes(&sizes, PAIR_MM, WALL_MM);
    let placement = Placement::of(&stack, &poses);
    (block(&(half * 2.0), &turn, &off), stack, placement)
}

fn block(size: &Vector, turn: &Matrix3<f64>, off: &Point) -> Mesh {
    between(&Point::from(-size / 2.0), &Point::from(size / 2.0))
        .mapped(|p| off + turn * p.coords)
        .expect("finite")
}

/// Every argument that docs/fit.md names, on rooms turned any way: the answer is that proof, never
/// "not found".
#[test]
fn impossible_stacks_are_proven() {
    let boxed = |size: [f64; 3]| (block_of(size), Vec::new());
    let balls = |radii: &[f64]| {
        let of = |i: usize| Point::new(12.0 * i as f64, 0.0, 0.0);
        let far = 12.0 * radii.len() as f64;
        let field = |p: &Point| {
            let each = (radii.iter().enumerate()).map(|(i, r)| (p - of(i)).norm() - r);
            each.fold(f64::INFINITY, f64::min)
        };
        let lo = Point::new(-6.0, -6.0, -6.0);
        (
            surface(lo, Point::new(far, 6.0, 6.0), 0.6, &field),
            Vec::new(),
        )
    };
    let tube = |width: f64| {
        let bores: Vec<Bore> = ["a", "b"].map(bore).to_vec();
        (block_of([20.0, width, 2.2]), bores)
    };
    let two = block_of([6.0, 6.0, 4.0]);
    let chambers = (doubled(&two, 9.0), Vec::new());
    let cases = [
        ("volume", boxed([8.0, 8.0, 8.0]), vec![[7.0, 7.0, 3.4]; 3]),
        ("diagonal", boxed([6.0, 4.0, 3.0]), vec![[7.6, 0.8, 0.8]]),
        (
            "enclosing_cylinder",
            boxed([14.0, 4.0, 4.0]),
            vec![[6.0, 5.2, 1.0]],
        ),
        (
            "inscribed_ball",
            boxed([9.0, 9.0, 3.0]),
            vec![[3.0, 3.0, 2.6]],
        ),
        (
            "core_rectangle",
            boxed([9.5, 7.4, 4.6]),
            vec![[9.3, 7.3, 3.0]],
        ),
        (
            "ball_chain",
            boxed([14.0, 4.0, 4.0]),
            vec![[3.4, 3.4, 3.4]; 4],
        ),
        ("chambers", chambers, vec![[5.0, 5.0, 3.0]; 3]),
        ("piercing_points", balls(&[5.0]), vec![[5.6, 5.2, 3.6]; 2]),
        (
            "piercing_points",
            balls(&[4.0, 4.0]),
            vec![[4.6, 4.0, 3.2]; 3],
        ),
        // One box fewer fits in each of these, and no other bound tells that these do not.
        (SEVERAL, boxed([9.0, 5.6, 3.6]), vec![[4.0, 4.0, 2.6]; 3]),
        (SEVERAL, boxed([13.6, 5.6, 3.6]), vec![[4.0, 4.0, 2.6]; 4]),
        (SEVERAL, dumbbell(), vec![[4.6, 4.0, 3.2]; 3]),
        (SEVERAL, egg(), vec![[5.6, 5.2, 3.6]; 3]),
        ("bores", tube(3.5), vec![[2.0, 1.0, 1.0]; 2]),
    ];
    let mut chance = Chance(3);
    for (bound, (mesh, bores), sizes) in cases {
        for _ in 0..2 {
            let turn = Rotation3::new(chance.direction() * chance.within(0.0, 3.1)).into_inner();
            let off = Vector::from_fn(|_, _| chance.unit());
            let turned = |p: &Point| Point::from(turn * p.coords + off);
            let mut cavity =
                Cavity::new(mesh.mapped(turned).expect("same facets")).expect("closed");
            let mut stack = Stack::of_boxes(&sizes, PAIR_MM, WALL_MM);
            stack.bores.clone_from(&bores);
            if !bores.is_empty() {
                for (part, bore) in stack.parts.iter_mut().zip(["a", "b"]) {
                    part.bore = Some(bore.to_string());
                    part.spout = Some(spout());
                }
                cavity = cavity.with_tip(Tip {
                    at: turned(&Point::new(9.0, 0.0, 0.0)),
                    outward: turn * Vector::x(),
                    told: true,
                });
            }
            let options = FitOptions {
                seconds: None,
                effort: 1,
                ..FitOptions::default()
            };
            let answer = fit(&cavity, &stack, options, &AtomicBool::new(false));
            let Verdict::CannotFit(proof) = answer.verdict else {
                panic!("{bound} {sizes:?}: {}", answer.verdict.name());
            };
            assert!(proof.need > proof.have, "{proof:?}");
            if proof.bound.name() == bound {
                continue; // the first that refuses: no cheaper one does
            }
            assert!(bound != SEVERAL, "{sizes:?}: {proof:?}");
            let depth = Depth::new(&cavity);
            let all: Vec<&str> = refusals(&cavity, &stack, &depth)
                .map(|p| p.bound.name())
                .collect();
            assert!(all.contains(&bound), "{bound} is not among {all:?}");
        }
    }
}

const SEVERAL: &str = "several_points";

/// Two balls of radius 4, 8.4 mm apart, joined by a round neck.
fn dumbbell() -> (Mesh, Vec<Bore>) {
    let field = |p: &Point| {
        let ball = (p - Point::new(4.2_f64.copysign(p.x), 0.0, 0.0)).norm() - 4.0;
        let neck = p.y.hypot(p.z) - 1.4;
        if p.x.abs() < 4.2 {
            ball.min(neck)
        } else {
            ball
        }
    };
    let corner = Point::new(9.0, 5.0, 5.0);
    (surface(-corner, corner, 0.6, &field), Vec::new())
}

/// Half axes 7.4, 5, 5 mm.
fn egg() -> (Mesh, Vec<Bore>) {
    let field = |p: &Point| (Vector::new(p.x / 1.48, p.y, p.z)).norm() - 5.0;
    let corner = Point::new(8.3, 6.0, 6.0);
    (surface(-corner, corner, 0.6, &field), Vec::new())
}

fn block_of(size: [f64; 3]) -> Mesh {
    block(&Vector::from(size), &Matrix3::identity(), &Point::origin())
}

/// A room twice, apart.
fn doubled(room: &Mesh, apart: f64) -> Mesh {
    let (mut points, mut facets) = room.clone().into_parts();
    let n = points.len() as u32;
    points.extend(room.points().iter().map(|p| p + Vector::x() * apart));
    facets.extend(room.facets().iter().map(|f| f.map(|i| i + n)));
    Mesh::new(points, facets).expect("indices in range")
}

fn bore(name: &str) -> Bore {
    Bore {
        name: name.to_string(),
        inner_mm: 1.0,
        outer_mm: 1.6,
        bend_radius_mm: 3.2,
        exit: None,
    }
}

fn spout() -> Spout {
    Spout {
        face: Face {
            axis: 0,
            positive: true,
        },
        at_mm: [0.0, 0.0],
        outer_mm: 1.0,
        length_mm: 1.5,
    }
}

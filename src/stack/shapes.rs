//! Plain closed surfaces whose every figure is known, for tests of this room.

use super::{Cavity, Placement, Pose, Stack, parse_stack};
use crate::mesh::{Mesh, Point, Vector};

/// Two boxes 2 mm high above each other, so far apart from middle to middle, in a room that is wide enough;
/// "a" has a spout whose tube nobody laid.
pub fn one_above_the_other(apart_mm: f64) -> (Stack, Cavity, Placement) {
    let text = "[[bore]]\nname = \"b\"\ninner_mm = 1.0\n\
        [[part]]\nname = \"a\"\nsize_mm = [4.0, 3.0, 2.0]\nbore = \"b\"\n\
        spout = { face = \"+x\", outer_mm = 1.2 }\n\
        [[part]]\nname = \"c\"\nsize_mm = [4.0, 3.0, 2.0]\n";
    let stack = parse_stack(text, "s.toml".as_ref()).expect("a stack");
    let room = Cavity::new(block(24.0, 12.0, 12.0)).expect("closed");
    let pose = |z: f64| Pose::upright(Point::origin() + Vector::z() * z);
    let placement = Placement::of(&stack, &[pose(0.0), pose(apart_mm)]);
    (stack, room, placement)
}

/// Axis-parallel block about the origin.
pub fn block(x: f64, y: f64, z: f64) -> Mesh {
    let at = |i: usize| {
        let s = |k: usize, l: f64| if i >> k & 1 == 1 { l / 2.0 } else { -l / 2.0 };
        Point::new(s(0, x), s(1, y), s(2, z))
    };
    let facets = vec![
        [0, 2, 1],
        [1, 2, 3],
        [4, 5, 6],
        [5, 7, 6],
        [0, 1, 4],
        [1, 5, 4],
        [2, 6, 3],
        [3, 6, 7],
        [0, 4, 2],
        [2, 4, 6],
        [1, 3, 5],
        [3, 7, 5],
    ];
    Mesh::new((0..8).map(at).collect(), facets).expect("indices below 8")
}

/// Ball by `n` slices of latitude and 2n of longitude, its points on the ball.
pub fn sphere(radius: f64, n: u32) -> Mesh {
    let around = 2 * n;
    let mut points = vec![Point::new(0.0, 0.0, radius)];
    for i in 1..n {
        let polar = std::f64::consts::PI * f64::from(i) / f64::from(n);
        for j in 0..around {
            let turn = std::f64::consts::PI * f64::from(j) / f64::from(n);
            points.push(Point::new(
                radius * polar.sin() * turn.cos(),
                radius * polar.sin() * turn.sin(),
                radius * polar.cos(),
            ));
        }
    }
    points.push(Point::new(0.0, 0.0, -radius));
    let last = points.len() as u32 - 1;
    let at = |i: u32, j: u32| 1 + (i - 1) * around + j % around;
    let mut facets = Vec::new();
    for j in 0..around {
        facets.push([0, at(1, j), at(1, j + 1)]);
        for i in 1..n - 1 {
            facets.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
            facets.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
        }
        facets.push([last, at(n - 1, j + 1), at(n - 1, j)]);
    }
    Mesh::new(points, facets).expect("indices in range")
}

/// Octahedron about the origin, its corners `radius` out along the axes.
pub fn octahedron(radius: f64) -> Mesh {
    let corner = |k: usize, r: f64| {
        let mut p = Point::origin();
        p[k] = r;
        p
    };
    let points = (0..6).map(|i| corner(i / 2, if i % 2 == 0 { radius } else { -radius }));
    let mut facets = Vec::new();
    for i in 0..8_u32 {
        let [x, y, z] = [i & 1, 2 + (i >> 1 & 1), 4 + (i >> 2)];
        let even = i.count_ones() % 2 == 0;
        facets.push(if even { [x, y, z] } else { [y, x, z] });
    }
    Mesh::new(points.collect(), facets).expect("indices below 6")
}

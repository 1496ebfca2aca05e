//! Where a straight round bore begins and ends: the middles of its two mouths.
//!
//! A bore is as long as its middle line is within the material. On a finished shell nothing is left
//! of what the bore was drilled through, but the rim of its mouth is: the plane that fits the rim meets
//! the axis where the material would have, also where the mouth is oblique and the bore has a near
//! and a far lip.

use std::collections::HashMap;
use std::f64::consts::{PI, TAU};

use nalgebra::Matrix3;

use crate::mesh::{Link, Mesh, Point, Topology, Vector};

use super::seat::Seats;

/// Corners of a bore's wall lie this near its radius, as share of it. Too low: a rough bore ends too
/// soon; too high: a rounded rim counts as bore.
const ON_WALL: f64 = 0.16;
/// Facets of a bore's wall look at its axis within this, as cosine (37°): a bore of six sides is off by
/// 30°; a mouth oblique by 45° looks away from it by 45° at least.
const INWARD_COS: f64 = 0.8;

/// A round bore as found.
pub(super) struct Tube {
    /// A point of its axis.
    pub centre: Point,
    /// Unit direction of the axis.
    pub axis: Vector,
    /// mm.
    pub radius: f64,
}

/// A mouth's rim while it is gathered.
#[derive(Default)]
struct Rim {
    /// How far it runs round the axis, radians: a full turn, or 0 for a hole in the bore's side.
    turn: f64,
    sums: Matrix3<f64>,
    rhs: Vector,
}

impl Tube {
    /// Where along the axis, mm from the centre, the middles of the two mouths lie, lower first. `members`
    /// are points of the bore. `None` where not just two rims go round it.
    pub fn mouths(
        &self,
        mesh: &Mesh,
        topology: &Topology,
        normals: &[Vector],
        seats: &Seats,
        members: &[usize],
    ) -> Option<(f64, f64)> {
        let start = members.iter().flat_map(|&p| seats.around(p));
        let start = start.map(|&f| f as usize);
        let asked = self.grown(mesh, topology, normals, start);
        let mut border = Vec::new();
        for (&f, _) in asked.iter().filter(|x| *x.1) {
            let corners = mesh.facets()[f];
            for e in 0..3 {
                let goes_on = beyond(topology, f, e).is_some_and(|g| asked.get(&g) == Some(&true));
                if !goes_on {
                    border.push([corners[e], corners[(e + 1) % 3]]);
                }
            }
        }
        border.sort_unstable();
        let rims = self.rims(mesh, &border);
        let mut ends = rims.iter().filter(|r| r.turn.abs() > PI);
        let (a, b) = (ends.next()?.on_axis()?, ends.next()?.on_axis()?);
        ends.next().is_none().then(|| (a.min(b), a.max(b)))
    }

    /// The place relative to the centre: how far along the axis, and what lies square to it.
    fn split(&self, p: &Point) -> (f64, Vector) {
        let d = p - self.centre;
        let along = d.dot(&self.axis);
        (along, d - along * self.axis)
    }

    fn is_wall(&self, mesh: &Mesh, normals: &[Vector], f: usize) -> bool {
        let corners = mesh.corners(f).map(|p| self.split(&p).1);
        let near = |off: &Vector| (off.norm() - self.radius).abs() <= ON_WALL * self.radius;
        let middle = corners[0] + corners[1] + corners[2];
        let inward = middle.try_normalize(1e-12).map(|m| -m.dot(&normals[f]));
        corners.iter().all(near) && inward.is_some_and(|cos| cos >= INWARD_COS)
    }

    /// The facets reached from some on, and whether they are the bore's wall.
    fn grown(
        &self,
        mesh: &Mesh,
        topology: &Topology,
        normals: &[Vector],
        start: impl Iterator<Item = usize>,
    ) -> HashMap<usize, bool> {
        let mut asked = HashMap::new();
        let mut todo: Vec<usize> = start.collect();
        while let Some(f) = todo.pop() {
            if asked.contains_key(&f) {
                continue;
            }
            let wall = self.is_wall(mesh, normals, f);
            asked.insert(f, wall);
            if wall {
                todo.extend((0..3).filter_map(|e| beyond(topology, f, e)));
            }
        }
        asked
    }

    /// The rims that border edges chain up to.
    fn rims(&self, mesh: &Mesh, border: &[[u32; 2]]) -> Vec<Rim> {
        let mut away = Vector::zeros();
        away[self.axis.iamin()] = 1.0;
        let u = self.axis.cross(&away).normalize();
        let v = self.axis.cross(&u);
        let mut rims: Vec<Rim> = Vec::new();
        let mut of: HashMap<u32, usize> = HashMap::new();
        for (name, edge) in chained(border) {
            let k = *of.entry(name).or_insert_with(|| {
                rims.push(Rim::default());
                rims.len() - 1
            });
            let [a, b] = edge.map(|p| mesh.points()[p as usize]);
            let ((s, d), (t, e)) = (self.split(&a), self.split(&b));
            let angle = |d: &Vector| d.dot(&v).atan2(d.dot(&u));
            let (middle, length) = ((d + e) / 2.0, (b - a).norm());
            let row = Vector::new(middle.dot(&u), middle.dot(&v), 1.0);
            let rim = &mut rims[k];
            rim.turn += (angle(&e) - angle(&d) + PI).rem_euclid(TAU) - PI;
            rim.sums += length * row * row.transpose();
            rim.rhs += length * (s + t) / 2.0 * row;
        }
        rims
    }
}

impl Rim {
    /// Where the plane that fits the rim meets the axis.
    fn on_axis(&self) -> Option<f64> {
        let at = self.sums.lu().solve(&self.rhs)?.z;
        at.is_finite().then_some(at)
    }
}

/// The facet across an edge.
fn beyond(topology: &Topology, f: usize, e: usize) -> Option<usize> {
    match topology.links[f][e] {
        Link::Facet(g) | Link::Flipped(g) => Some(g as usize),
        Link::Open | Link::Fin => None,
    }
}

/// Every edge with a name that it has in common with the edges it hangs together with.
fn chained(edges: &[[u32; 2]]) -> Vec<(u32, [u32; 2])> {
    fn top(root: &mut HashMap<u32, u32>, mut p: u32) -> u32 {
        while root[&p] != p {
            let up = root[&root[&p]];
            root.insert(p, up);
            p = up;
        }
        p
    }
    let mut root: HashMap<u32, u32> = edges.iter().flatten().map(|&p| (p, p)).collect();
    for &[a, b] in edges {
        let (x, y) = (top(&mut root, a), top(&mut root, b));
        root.insert(x.max(y), x.min(y));
    }
    edges.iter().map(|&e| (top(&mut root, e[0]), e)).collect()
}

//! Depth from above, by balls that lie wholly outside the cavity. If no point of the cavity is nearer
//! than r to a place c outside, the depth of any point q is |q − c| − r at most: on the way to c one
//! passes the wall before one comes within r. Unlike a node's depth stretched by the way from it, this
//! is off by the square of how far q lies from where the ball touches the wall (0.01 mm on a wall of
//! radius 5, where the nodes' own bound is off by up to 0.3), it goes on outside, and its slope is known.

use rayon::prelude::*;

use super::Facts;
use crate::mesh::{Point, Vector};
use crate::stack::grid::exact_depth;

/// Radii tried at each place of the wall, mm: the first that finds room outside.
const RADII_MM: [f64; 8] = [40.0, 10.0, 5.0, 2.5, 1.2, 0.6, 0.3, 0.15];
/// A ball that misses the wall by no more than this finds room, mm.
const TOUCH_MM: f64 = 0.002;
/// Rounds in which nodes hand their balls to their neighbours.
const ROUNDS: usize = 2;
const NONE: u32 = u32::MAX;

/// A ball without a point of the cavity.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ball {
    pub middle: Point,
    pub radius_mm: f64,
}

impl Ball {
    fn above_mm(&self, p: &Point) -> f64 {
        (p - self.middle).norm() - self.radius_mm
    }
}

/// A depth that is not exceeded, where it comes from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Above {
    pub depth_mm: f64,
    /// The way in which it grows.
    pub slope: Vector,
    /// Distance from the ball's middle, mm.
    pub far_mm: f64,
}

/// The balls, and which of them serves each node of the grid of depths best.
pub(super) struct Outer {
    origin: Point,
    step_mm: f64,
    per_mm: f64,
    counts: [usize; 3],
    balls: Vec<Ball>,
    serves: Vec<u32>,
}

impl Outer {
    /// Finds them. `None` where the wall leaves no room for any.
    pub fn new(facts: &Facts) -> Option<Self> {
        let depth = facts.depth;
        let step = depth.step_mm();
        let near = depth.values().par_iter().enumerate();
        let found: Vec<(usize, Ball)> = near
            .filter(|(_, v)| f64::from(**v) > 1e-3 && f64::from(**v) < step)
            .filter_map(|(i, _)| Some((i, touching(facts, &depth.node_at(i))?)))
            .collect();
        let mut serves = vec![NONE; depth.values().len()];
        for (n, (i, _)) in found.iter().enumerate() {
            serves[*i] = n as u32;
        }
        let mut outer = Self {
            origin: depth.node([0, 0, 0]),
            step_mm: step,
            per_mm: 1.0 / step,
            counts: depth.counts(),
            balls: found.into_iter().map(|f| f.1).collect(),
            serves,
        };
        for _ in 0..ROUNDS {
            outer.hand_on();
        }
        (!outer.serves.contains(&NONE)).then_some(outer)
    }

    /// Every node takes the best of its own and its neighbours' balls, forth and back.
    fn hand_on(&mut self) {
        let n = self.serves.len();
        for i in (0..n).chain((0..n).rev()) {
            let [nx, ny, nz] = self.counts;
            let at = [i % nx, i / nx % ny, i / (nx * ny)];
            let p = self.origin + Vector::from_fn(|k, _| at[k] as f64) * self.step_mm;
            let near = |k: usize, n: usize| at[k].saturating_sub(1)..(at[k] + 2).min(n);
            let (mut best, mut depth) = (NONE, f64::INFINITY);
            let mut tried = [NONE; 2];
            for z in near(2, nz) {
                for y in near(1, ny) {
                    for x in near(0, nx) {
                        let ball = self.serves[(z * ny + y) * nx + x];
                        if ball == NONE || tried.contains(&ball) {
                            continue;
                        }
                        tried = [ball, tried[0]];
                        let above = self.balls[ball as usize].above_mm(&p);
                        if above < depth {
                            (best, depth) = (ball, above);
                        }
                    }
                }
            }
            self.serves[i] = best;
        }
    }

    /// The same for whoever asks for depth and slope alone.
    pub fn read(&self) -> impl Fn(&Point) -> (f64, Vector) + Sync + '_ {
        |p| {
            let above = self.above(p);
            (above.depth_mm, above.slope)
        }
    }

    /// No point is deeper than this tells.
    #[inline]
    pub fn above(&self, p: &Point) -> Above {
        let mut node = 0;
        for k in [2, 1, 0] {
            let x = (p[k] - self.origin[k]) * self.per_mm + 0.5;
            node = node * self.counts[k] + (x.max(0.0) as usize).min(self.counts[k] - 1);
        }
        let ball = &self.balls[self.serves[node] as usize];
        let way = p - ball.middle;
        let far_mm = way.norm().max(1e-9);
        Above {
            depth_mm: far_mm - ball.radius_mm,
            slope: way / far_mm,
            far_mm,
        }
    }
}

/// The largest of the balls that touch the wall where it is nearest to a place inside.
fn touching(facts: &Facts, inside: &Point) -> Option<Ball> {
    let foot = facts.queries.nearest(inside, f64::INFINITY)?.point;
    let out = (foot - inside).try_normalize(1e-9)?;
    RADII_MM.iter().find_map(|&radius| {
        let middle = foot + out * radius;
        let radius_mm = radius - TOUCH_MM;
        let free = facts.queries.nearest(&middle, radius_mm).is_none();
        let outside = || exact_depth(&facts.queries, &middle) <= -radius_mm;
        (free && outside()).then_some(Ball { middle, radius_mm })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Mesh, MeshQueries};
    use crate::stack::search::rng::Rng;
    use crate::stack::shapes::{block, sphere};
    use crate::stack::{Cavity, Depth, Stack};

    /// A ball with waves on it: hollows and bumps.
    fn waved() -> Mesh {
        let dent = |p: &Point| {
            let n = p.coords.normalize();
            Point::from(n * (5.0 + (3.0 * n.x).sin() * (4.0 * n.y).cos()))
        };
        sphere(5.0, 24).mapped(dent).unwrap()
    }

    #[test]
    fn depth_is_never_more_than_told_and_seldom_much_less() {
        let mut rng = Rng::new(31);
        for (mesh, rough) in [
            (block(9.0, 6.0, 4.0), 0.01),
            (sphere(5.0, 24), 0.02),
            (waved(), 0.2),
        ] {
            let turn = rng.turn();
            let cavity = Cavity::new(mesh.mapped(|p| turn * p).unwrap()).unwrap();
            let stack = Stack::of_boxes(&[[3.0, 2.0, 1.0]], 0.15, 0.25);
            let depth = Depth::new(&cavity);
            let facts = Facts::new(&cavity, &stack, &depth);
            let outer = Outer::new(&facts).unwrap();
            let queries = MeshQueries::new(cavity.mesh());
            let mut over = Vec::new();
            for _ in 0..4_000 {
                let p = Point::origin() + rng.direction() * rng.within(0.0, 8.0);
                let exact = exact_depth(&queries, &p);
                let above = outer.above(&p);
                assert!(
                    above.depth_mm >= exact - 1e-9,
                    "{} {exact} {p}",
                    above.depth_mm
                );
                if exact.abs() < 1.0 {
                    over.push(above.depth_mm - exact);
                }
                // What is read a little way off is not more than the slope and the curve allow.
                let step = rng.direction() * rng.within(0.0, 1.0);
                let further = exact_depth(&queries, &(p + step));
                let curve = step.norm_squared() / (2.0 * above.far_mm);
                assert!(above.depth_mm + above.slope.dot(&step) + curve >= further - 1e-9);
            }
            over.sort_by(f64::total_cmp);
            assert!(over[over.len() / 2] < rough, "{}", over[over.len() / 2]);
        }
    }
}

//! The cost that the descent brings to nothing: how far points on the parts' faces lie beyond the
//! wall, and how deep parts are in each other. Zero cost means a placement that the certificate
//! will take, but for what the grid and the sampling hide.

use crate::mesh::{Point, Vector};
use crate::stack::cavity::{Cavity, Faceplate};
use crate::stack::grid::Depth;
use crate::stack::parts::{Stack, Zone};
use crate::stack::pose::Pose;

use super::contact::{Block, Contact, contact};
use super::hull::{self, Hull, Shape};
use super::leads::{apart_mm, beginning, lead};
use super::system::{Share, System};

/// Spacing of the points on a part's faces, mm. Wider: a bulge of the wall between points is
/// missed (sag 0.3 mm at a radius of 1 mm); closer: each step costs in proportion.
const SPACING_MM: f64 = 1.6;
/// How far an interpolated depth may be above the true one where walls meet, mm.
const READ_ERROR_MM: f64 = 0.1;
/// Spacing for the last steps.
const FINE_SPACING_MM: f64 = 0.8;
/// Weight of two parts' overlap against that of one point beyond the wall. A pair has one gap, a
/// wall many points: at 1 parts are pushed through each other, at 30 out of the cavity.
const PAIR_WEIGHT: f64 = 6.0;
/// Extra clearance the descent aims at, mm, so that it ends inside the bounds and not on them.
/// More than a tight case has to spare (0.007 was seen) would miss it: the polish takes it back.
pub const AIM_MM: f64 = 0.004;

/// How far from its need a piece that stands still is looked at, mm.
const WATCHED_MM: f64 = 0.3;

/// One box that belongs to a part.
pub struct Body {
    pub part: usize,
    pub middle: Vector,
    pub half: [f64; 3],
    pub wall_need: f64,
    /// Room beside a part rather than the part.
    pub zone: bool,
    pub may_share: bool,
    /// The radius of a tube of which this is the beginning's middle line, mm.
    pub rod_mm: Option<f64>,
    /// The beginning of a tube, or the lane before it.
    pub lead: bool,
    pub coarse: Vec<(Vector, f64)>,
    pub fine: Vec<(Vector, f64)>,
}

impl Body {
    /// The closer points, in the part's own frame.
    pub fn fine(&self) -> &[(Vector, f64)] {
        &self.fine
    }
}

/// The whole question in the form that the descent needs.
pub struct Model<'a> {
    pub stack: &'a Stack,
    pub plate: Option<Faceplate>,
    pub depth: &'a Depth,
    pub beside: Option<&'a Depth>,
    pub bodies: Vec<Body>,
    /// The convex surface of each body, where it has one.
    pub hulls: Vec<Option<Hull>>,
    /// Bodies that must keep apart, and how far.
    pub pairs: Vec<(usize, usize, f64)>,
    /// Half diagonal of each part's box.
    pub radius: Vec<f64>,
    /// What stands still and is kept clear of: pieces of tubes.
    pub fixed: Vec<Fixed>,
    cavity: &'a Cavity,
    lane_mm: f64,
}

/// A piece of a tube that other parts than its own keep clear of.
pub struct Fixed {
    pub block: Block,
    pub own: usize,
    pub need: f64,
}

/// Weights that grow on what stays stuck.
#[derive(Clone)]
pub struct Weights {
    pub walls: Vec<f64>,
    pub pairs: Vec<f64>,
}

/// How a placement fails, part by part.
#[derive(Clone, Default)]
pub struct Faults {
    pub cost: f64,
    /// Largest shortfall of clearance anywhere, mm.
    pub worst_mm: f64,
    pub walls: Vec<f64>,
    pub pairs: Vec<f64>,
}

impl<'a> Model<'a> {
    pub fn new(
        stack: &'a Stack,
        cavity: &'a Cavity,
        depth: &'a Depth,
        beside: Option<&'a Depth>,
        lane_mm: f64,
    ) -> Self {
        let (mut bodies, mut hulls) = (Vec::new(), Vec::new());
        for (part, p) in stack.parts.iter().enumerate() {
            let seated = p.on_faceplate && beside.is_some();
            let surface = p.surface.as_ref().filter(|_| !seated);
            let hull = surface.map(|s| (Hull::new(s), s));
            let felt = |spacing: f64| match &hull {
                Some((hull, surface)) => hull.felt(surface, spacing),
                None => face_points(p.half_mm(), spacing, seated),
            };
            bodies.push(Body {
                part,
                middle: Vector::zeros(),
                half: p.half_mm(),
                wall_need: stack.wall_clearance_mm,
                zone: false,
                rod_mm: None,
                lead: false,
                may_share: false,
                coarse: felt(SPACING_MM),
                fine: felt(FINE_SPACING_MM),
            });
            hulls.push(hull.map(|h| h.0));
            for z in p.zones().into_iter().chain(lead(stack, part, lane_mm)) {
                let lead = z.lead.then_some(stack.wall_clearance_mm);
                // A round bar is stood for by the square one whose corners lie on it.
                let z = Zone {
                    half: [0, 1, 2].map(|k| match z.round {
                        Some((along, r)) if k != along => r * 0.5_f64.sqrt(),
                        _ => z.half[k],
                    }),
                    ..z
                };
                bodies.push(Body {
                    part,
                    middle: z.middle,
                    half: z.half,
                    wall_need: lead.unwrap_or(0.0),
                    zone: true,
                    rod_mm: None,
                    lead: z.lead,
                    may_share: !z.solid,
                    coarse: face_points(z.half, SPACING_MM, false),
                    fine: face_points(z.half, FINE_SPACING_MM, false),
                });
                hulls.push(None);
            }
            if let Some(rod) = beginning(stack, part) {
                bodies.push(rod);
                hulls.push(None);
            }
        }
        let mut pairs = Vec::new();
        for i in 0..bodies.len() {
            for j in i + 1..bodies.len() {
                let apart = apart_mm(stack, &bodies[i], &bodies[j]);
                pairs.extend(apart.map(|need| (i, j, need)));
            }
        }
        let radius = stack
            .parts
            .iter()
            .map(|p| Vector::from(p.half_mm()).norm())
            .collect();
        Self {
            stack,
            plate: cavity.faceplate.filter(|_| beside.is_some()),
            depth,
            beside,
            bodies,
            hulls,
            pairs,
            radius,
            fixed: Vec::new(),
            cavity,
            lane_mm,
        }
    }

    /// The same question once more, for a run that wants to change it.
    pub fn again(&self) -> Self {
        Self::new(
            self.stack,
            self.cavity,
            self.depth,
            self.beside,
            self.lane_mm,
        )
    }

    /// A body as it meets others.
    pub fn shape<'s>(&'s self, body: usize, block: &'s Block, grown: f64) -> Shape<'s> {
        Shape {
            block,
            hull: self.hulls[body].as_ref(),
            grown,
        }
    }

    /// The contact of two bodies, or `None` where they are `reach` apart or more.
    #[inline]
    pub fn meet(
        &self,
        (i, j): (usize, usize),
        (a, b): (&Block, &Block),
        grown: f64,
        reach: f64,
    ) -> Option<Contact> {
        if self.hulls[i].is_none() && self.hulls[j].is_none() {
            return contact(a, b, reach);
        }
        hull::contact(self.shape(i, a, grown), self.shape(j, b, grown), reach)
    }

    pub fn parts(&self) -> usize {
        self.stack.parts.len()
    }

    pub fn flat_weights(&self) -> Weights {
        Weights {
            walls: vec![1.0; self.bodies.len()],
            pairs: vec![1.0; self.pairs.len()],
        }
    }

    /// Is the part tied to the faceplate?
    pub fn seated(&self, part: usize) -> Option<Faceplate> {
        self.plate.filter(|_| self.stack.parts[part].on_faceplate)
    }

    /// Puts a seated part back into the faceplate's plane.
    pub fn seat(&self, part: usize, pose: &mut Pose) {
        let Some(plate) = self.seated(part) else {
            return;
        };
        let n = plate.outward;
        let x = pose.turn.column(0).into_owned();
        let flat = (x - n * n.dot(&x)).try_normalize(1e-9).unwrap_or_else(|| {
            let any = if n.x.abs() < 0.7 {
                Vector::x()
            } else {
                Vector::y()
            };
            n.cross(&any).normalize()
        });
        pose.turn.set_column(0, &flat);
        pose.turn.set_column(1, &n.cross(&flat));
        pose.turn.set_column(2, &n);
        let top = plate.height(&pose.middle) + self.stack.parts[part].size_mm[2] / 2.0;
        pose.middle -= n * top;
    }

    /// The cost of a placement with parts scaled by `grown`; `system` takes the gradient and the
    /// Gauss–Newton matrix where wanted.
    pub fn cost(
        &self,
        poses: &[Pose],
        grown: f64,
        fine: bool,
        weights: &Weights,
        mut system: Option<&mut System>,
        faults: Option<&mut Faults>,
    ) -> f64 {
        let mut own = Faults::default();
        let (told, told_any) = match faults {
            Some(f) => {
                f.walls.clear();
                f.walls.resize(self.bodies.len(), 0.0);
                f.pairs.clear();
                f.pairs.resize(self.pairs.len(), 0.0);
                f.worst_mm = 0.0;
                (f, true)
            }
            None => (&mut own, false),
        };
        let mut sum = 0.0;
        for (b, body) in self.bodies.iter().enumerate() {
            let (cost, worst) = self.wall_cost(
                body,
                &poses[body.part],
                grown,
                fine,
                weights.walls[b],
                system.as_deref_mut(),
            );
            sum += cost;
            if told_any {
                told.walls[b] = worst;
                told.worst_mm = told.worst_mm.max(worst);
            }
        }
        let blocks: Vec<Block> = self
            .bodies
            .iter()
            .map(|b| block(b, &poses[b.part], grown))
            .collect();
        for (k, &(i, j, need)) in self.pairs.iter().enumerate() {
            let (a, b) = (&blocks[i], &blocks[j]);
            let aim = need + AIM_MM;
            let reach = Vector::from(a.half).norm() + Vector::from(b.half).norm() + aim;
            if (b.middle - a.middle).norm_squared() >= reach * reach {
                continue;
            }
            let Some(c) = self.meet((i, j), (a, b), grown, aim) else {
                continue;
            };
            let short = aim - c.gap;
            let w = PAIR_WEIGHT * weights.pairs[k];
            sum += w * short * short;
            if told_any {
                told.pairs[k] = short - AIM_MM;
                told.worst_mm = told.worst_mm.max(short - AIM_MM);
            }
            if let Some(s) = system.as_deref_mut() {
                let (pa, pb) = (self.bodies[i].part, self.bodies[j].part);
                let (ra, rb) = (c.at - poses[pa].middle, c.at - poses[pb].middle);
                s.push_pair(
                    pa,
                    pb,
                    &c.axis,
                    &ra.cross(&c.axis),
                    &rb.cross(&c.axis),
                    short,
                    w,
                );
            }
        }
        for (b, body) in self.bodies.iter().enumerate() {
            for fixed in self.fixed_near(body.part, &blocks[b]) {
                let Some(c) = contact(&blocks[b], &fixed.block, fixed.need + AIM_MM) else {
                    continue;
                };
                let short = fixed.need + AIM_MM - c.gap;
                sum += PAIR_WEIGHT * short * short;
                if told_any {
                    told.walls[b] = told.walls[b].max(short - AIM_MM);
                    told.worst_mm = told.worst_mm.max(short - AIM_MM);
                }
                if let Some(s) = system.as_deref_mut() {
                    let mut share = Share::default();
                    let lever = c.at - poses[body.part].middle;
                    share.push(&-c.axis, &lever.cross(&-c.axis), short, PAIR_WEIGHT);
                    s.push_share(body.part, &share);
                }
            }
        }
        told.cost = sum;
        sum
    }

    /// What stands still near a body and is not its own part's.
    pub fn fixed_near<'s>(
        &'s self,
        part: usize,
        block: &'s Block,
    ) -> impl Iterator<Item = &'s Fixed> + 's {
        self.fixed.iter().filter(move |f| {
            let reach = Vector::from(block.half).norm()
                + Vector::from(f.block.half).norm()
                + f.need
                + WATCHED_MM;
            f.own != part && (f.block.middle - block.middle).norm_squared() < reach * reach
        })
    }

    fn wall_cost(
        &self,
        body: &Body,
        pose: &Pose,
        grown: f64,
        fine: bool,
        weight: f64,
        system: Option<&mut System>,
    ) -> (f64, f64) {
        let seated = self.seated(body.part).is_some();
        let depth = match self.beside {
            Some(beside) if seated => beside,
            _ => self.depth,
        };
        let aim = body.wall_need + AIM_MM;
        let middle = pose.place(&(body.middle * grown));
        let size = Vector::from(body.half).norm() * grown;
        // Depth falls by no more than the way one goes, but for what interpolation adds.
        if depth.depth(&middle) > size + aim + READ_ERROR_MM {
            return (0.0, 0.0);
        }
        let (mut sum, mut worst) = (0.0, 0.0_f64);
        let mut free = 0.0;
        let mut own_share = Share::default();
        for (own, way) in if fine { &body.fine } else { &body.coarse } {
            // What one point has to spare, its neighbours on the way have too, less the way.
            free -= way * grown;
            if free > 0.0 {
                continue;
            }
            let lever = pose.turn * ((body.middle + own) * grown);
            let p: Point = pose.middle + lever;
            let (at, slope) = depth.depth_and_slope_below(&p, aim);
            let Some(slope) = slope else {
                free = at - aim - READ_ERROR_MM;
                continue;
            };
            let short = aim - at;
            worst = worst.max(short - AIM_MM);
            sum += weight * short * short;
            if system.is_some() {
                own_share.push(&slope, &lever.cross(&slope), short, weight);
            }
        }
        if let (Some(s), true) = (system, sum > 0.0) {
            s.push_share(body.part, &own_share);
        }
        (sum, worst)
    }

    /// Cost of one part alone against the wall and some others, for choosing where to seat it.
    pub fn part_cost(&self, part: usize, pose: &Pose, poses: &[Pose], others: &[bool]) -> f64 {
        let mut sum = 0.0;
        for body in self.bodies.iter().filter(|b| b.part == part) {
            sum += self.wall_cost(body, pose, 1.0, false, 1.0, None).0;
        }
        for &(i, j, need) in &self.pairs {
            let (pa, pb) = (self.bodies[i].part, self.bodies[j].part);
            let (mine, other) = if pa == part {
                (i, j)
            } else if pb == part {
                (j, i)
            } else {
                continue;
            };
            let other_part = self.bodies[other].part;
            if !others[other_part] {
                continue;
            }
            let a = block(&self.bodies[mine], pose, 1.0);
            let b = block(&self.bodies[other], &poses[other_part], 1.0);
            let reach = Vector::from(a.half).norm() + Vector::from(b.half).norm() + need;
            if (b.middle - a.middle).norm_squared() < reach * reach
                && let Some(c) = self.meet((mine, other), (&a, &b), 1.0, need)
            {
                sum += PAIR_WEIGHT * (need - c.gap).powi(2);
            }
        }
        sum
    }
}

pub fn block(body: &Body, pose: &Pose, grown: f64) -> Block {
    Block {
        middle: pose.place(&(body.middle * grown)),
        turn: pose.turn,
        half: body.half.map(|h| h * grown),
    }
}

/// A lattice on the faces, corners and edges included; a seated part's +z side is left out but
/// for its rim, which the walls beside it still bind.
fn face_points(half: [f64; 3], spacing: f64, seated: bool) -> Vec<(Vector, f64)> {
    let cuts = half.map(|h| ((2.0 * h / spacing).ceil() as usize).max(1));
    let mut out: Vec<(Vector, f64)> = Vec::new();
    for i in 0..=cuts[0] {
        for j in 0..=cuts[1] {
            for k in 0..=cuts[2] {
                // To and fro, so that each point lies next to the one before.
                let j = if i % 2 == 0 { j } else { cuts[1] - j };
                let k = if (i + j) % 2 == 0 { k } else { cuts[2] - k };
                let at = [i, j, k];
                let ends = (0..3).filter(|&m| at[m] == 0 || at[m] == cuts[m]).count();
                let lid = seated && k == cuts[2] && ends == 1;
                if ends > 0 && !lid {
                    let p = Vector::from_fn(|m, _| {
                        half[m] * (2.0 * at[m] as f64 / cuts[m] as f64 - 1.0)
                    });
                    let way = out.last().map_or(0.0, |(q, _)| (p - q).norm());
                    out.push((p, way));
                }
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::search::rng::Rng;
    use crate::stack::shapes::block as room;

    #[test]
    fn gradient_of_the_whole_cost() {
        let cavity = Cavity::new(room(9.0, 8.0, 7.0)).unwrap();
        let depth = Depth::new(&cavity);
        let stack = Stack::of_boxes(
            &[[4.0, 3.0, 2.0], [5.0, 2.0, 2.0], [3.0, 3.0, 3.0]],
            0.15,
            0.25,
        );
        let model = Model::new(&stack, &cavity, &depth, None, 0.0);
        let weights = model.flat_weights();
        let mut rng = Rng::new(2);
        let (mut off, mut seen) = (0, 0);
        for _ in 0..60 {
            let poses: Vec<Pose> = (0..3)
                .map(|_| Pose {
                    turn: rng.turn(),
                    middle: Point::origin() + rng.direction() * 2.0,
                })
                .collect();
            let mut system = System::new(3);
            model.cost(&poses, 0.9, false, &weights, Some(&mut system), None);
            for part in 0..3 {
                let (v, w) = (rng.direction(), rng.direction() * 0.3);
                let at = |h: f64| {
                    let mut moved = poses.clone();
                    moved[part].middle += v * h;
                    moved[part].turn =
                        nalgebra::Rotation3::new(w * h).into_inner() * moved[part].turn;
                    model.cost(&moved, 0.9, false, &weights, None, None)
                };
                let twin = (at(1e-6) - at(-1e-6)) / 2e-6;
                let got = system.slope_of(part, &v, &w);
                seen += 1;
                off += usize::from((twin - got).abs() > 2e-3 * (1.0 + twin.abs()));
            }
        }
        assert!(off * 4 < seen, "{off} of {seen} slopes are off");
    }
}

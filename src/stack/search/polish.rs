//! The last tenths: exact margins between boxes and facets, linearised, and the least of them
//! raised by small moves of all parts at once. Takes away what grid, sampling and the aim of the
//! descent cost, and leaves the placement in the middle of its play.

use super::contact::{Block, Contact, contact, reach_of};
use super::descent::shifted;
use super::lp::{Row, raise_least};
use super::model::{Model, block};
use super::wall::Wall;
use super::witness::{Witness, witnesses};
use crate::mesh::{Point, Vector};
use crate::stack::pose::Pose;

/// Margins with more to spare than this are left out, mm. It must exceed twice the trust, or a
/// move could spoil a margin that nobody watched.
const WATCH_MM: f64 = 0.3;
/// Read less deep than this, mm, a point is outside.
const READ_MM: f64 = 0.05;
/// Largest move of one polishing step, mm.
const TRUST_MM: f64 = 0.1;
/// Rows of one part that begin in the same cell of this size count once, by the worst, mm.
const CELL_MM: f64 = 0.5;
/// Steps at most.
const MOST_STEPS: usize = 20;

/// Raises the least spare of a placement; returns it (negative: short by so much). Gives what it has
/// when the time is `over`.
pub fn polish(model: &Model, wall: &Wall, poses: &mut [Pose], over: &dyn Fn() -> bool) -> f64 {
    let Some(mut rows) = rows(model, wall, poses, f64::NEG_INFINITY) else {
        return f64::NEG_INFINITY;
    };
    let mut have = least(&rows);
    let mut trust = TRUST_MM;
    for _ in 0..MOST_STEPS {
        if over() {
            break;
        }
        // Rows that no move within the trust is likely to use up are not asked.
        let bar = have.max(0.0) + 3.0 * trust;
        let asked: Vec<Row> = rows.iter().filter(|r| r.spare <= bar).cloned().collect();
        let Some((moves, _)) = raise_least(&asked, poses.len(), trust) else {
            break;
        };
        let moved = apply(model, poses, &moves);
        let Some(next_rows) = self::rows(model, wall, &moved, have) else {
            trust *= 0.35;
            if trust < 1e-5 {
                break;
            }
            continue;
        };
        let next = least(&next_rows);
        let gain = next - have;
        poses.copy_from_slice(&moved);
        rows = next_rows;
        have = next;
        // Short by more than thirty more such steps would bring: this one ends short. At eight,
        // a planted case was given up 0.001 mm before its end.
        let hopeless = have < 0.0 && 30.0 * gain < -have;
        if gain < 2e-5 || (have > 0.0 && gain < 2e-3) || hopeless {
            break;
        }
        trust = (trust * 1.5).min(TRUST_MM);
    }
    have
}

fn least(rows: &[Row]) -> f64 {
    rows.iter().map(|r| r.spare).fold(WATCH_MM, f64::min)
}

fn apply(model: &Model, poses: &[Pose], moves: &[f64]) -> Vec<Pose> {
    let part = |i: usize| {
        let m = &moves[6 * i..6 * i + 6];
        let turn = Vector::new(m[3], m[4], m[5]) / model.radius[i];
        shifted(model, i, &poses[i], &Vector::new(m[0], m[1], m[2]), &turn)
    };
    (0..poses.len()).map(part).collect()
}

/// How a margin grows with a part's six moves: a push along `away` at `at`.
fn grip(
    model: &Model,
    part: usize,
    poses: &[Pose],
    away: &Vector,
    at: &Point,
) -> (usize, [f64; 6]) {
    let (mut shift, mut turn) = (
        *away,
        (at - poses[part].middle).cross(away) / model.radius[part],
    );
    if let Some(plate) = model.seated(part) {
        let n = plate.outward;
        shift -= n * n.dot(&shift);
        turn = n * n.dot(&turn);
    }
    (part, [shift.x, shift.y, shift.z, turn.x, turn.y, turn.z])
}

/// Every margin to watch; `None` as soon as one is found that has no more than `floor` to spare.
fn rows(model: &Model, wall: &Wall, poses: &[Pose], floor: f64) -> Option<Vec<Row>> {
    let mut out = Vec::new();
    let blocks: Vec<Block> = model
        .bodies
        .iter()
        .map(|b| block(b, &poses[b.part], 1.0))
        .collect();
    for &(i, j, need) in &model.pairs {
        let (a, b) = (&blocks[i], &blocks[j]);
        if let Some(c) = model.meet((i, j), (a, b), 1.0, need + WATCH_MM) {
            if c.gap - need <= floor {
                return None;
            }
            let parts = (model.bodies[i].part, model.bodies[j].part);
            if model.hulls[i].is_some() || model.hulls[j].is_some() {
                hull_rows(model, poses, (i, j), (a, b), &c, need, &mut out);
                continue;
            }
            pair_rows(
                model,
                poses,
                parts,
                (a, b),
                &c.axis,
                need,
                c.gap,
                &c.at,
                &mut out,
            );
        }
    }
    for (b, body) in model.bodies.iter().enumerate() {
        for fixed in model.fixed_near(body.part, &blocks[b]) {
            if let Some(c) = contact(&blocks[b], &fixed.block, fixed.need + WATCH_MM) {
                if c.gap - fixed.need <= floor {
                    return None;
                }
                out.push(Row {
                    spare: c.gap - fixed.need,
                    first: grip(model, body.part, poses, &-c.axis, &c.at),
                    second: None,
                });
            }
        }
        let needs = (body.wall_need, floor);
        if model.hulls[b].is_some() {
            if !hull_wall_rows(model, wall, poses, b, needs, &mut out) {
                return None;
            }
            continue;
        }
        if !wall_rows(model, wall, poses, body.part, &blocks[b], needs, &mut out) {
            return None;
        }
    }
    Some(out)
}

/// Along a face axis every corner of the other box must stay above the face; along an axis square
/// to two edges, the edges must keep apart.
#[allow(clippy::too_many_arguments)] // one contact, spelt out
fn pair_rows(
    model: &Model,
    poses: &[Pose],
    (pa, pb): (usize, usize),
    (a, b): (&Block, &Block),
    axis: &Vector,
    need: f64,
    gap: f64,
    at: &Point,
    out: &mut Vec<Row>,
) {
    let square_to = |x: &Block| (0..3).any(|k| x.turn.column(k).dot(axis).abs() > 1.0 - 1e-12);
    let mut push = |at: &Point, have: f64| {
        out.push(Row {
            spare: have - need,
            first: grip(model, pa, poses, &-axis, at),
            second: Some(grip(model, pb, poses, axis, at)),
        });
    };
    if square_to(a) {
        let face = a.middle + axis * reach_of(a, axis);
        for q in corners(b) {
            let height = (q - face).dot(axis);
            if height < need + WATCH_MM {
                push(&q, height);
            }
        }
    } else if square_to(b) {
        let face = b.middle - axis * reach_of(b, axis);
        for q in corners(a) {
            let height = (face - q).dot(axis);
            if height < need + WATCH_MM {
                push(&q, height);
            }
        }
    } else {
        push(at, gap);
    }
}

/// The gap itself, and every point near it on either side.
fn hull_rows(
    model: &Model,
    poses: &[Pose],
    (i, j): (usize, usize),
    (a, b): (&Block, &Block),
    c: &Contact,
    need: f64,
    out: &mut Vec<Row>,
) {
    let (pa, pb) = (model.bodies[i].part, model.bodies[j].part);
    let (a, b) = (model.shape(i, a, 1.0), model.shape(j, b, 1.0));
    let mut push = |at: &Point, have: f64| {
        out.push(Row {
            spare: have - need,
            first: grip(model, pa, poses, &-c.axis, at),
            second: Some(grip(model, pb, poses, &c.axis, at)),
        });
    };
    push(&c.at, c.gap);
    for (points, dir) in [
        (a.outer(&c.axis, WATCH_MM), c.axis),
        (b.outer(&-c.axis, WATCH_MM), -c.axis),
    ] {
        let height = |p: &Point| p.coords.dot(&dir);
        let top = points.iter().map(height).fold(f64::NEG_INFINITY, f64::max);
        for p in &points {
            push(p, c.gap + top - height(p));
        }
    }
}

/// The points of a convex surface, each with its exact depth; false as soon as one has no more than
/// the floor to spare.
fn hull_wall_rows(
    model: &Model,
    wall: &Wall,
    poses: &[Pose],
    body: usize,
    (need, floor): (f64, f64),
    out: &mut Vec<Row>,
) -> bool {
    let part = model.bodies[body].part;
    let watch = need + WATCH_MM;
    for (own, _) in model.bodies[body].fine() {
        let p = poses[part].place(own);
        let read = model.depth.depth(&p);
        let Some(near) = wall
            .queries
            .nearest(&p, if read < 0.0 { f64::INFINITY } else { watch })
        else {
            continue;
        };
        let side = if read < -READ_MM { -1.0 } else { 1.0 };
        let have = side * near.distance_mm;
        if have - need <= floor {
            return false;
        }
        if let Some(away) = ((p - near.point) * side).try_normalize(1e-9) {
            out.push(Row {
                spare: have - need,
                first: grip(model, part, poses, &away, &p),
                second: None,
            });
        }
    }
    true
}

fn corners(b: &Block) -> impl Iterator<Item = Point> + '_ {
    (0..8).map(|i| {
        (0..3).fold(b.middle, |p, k| {
            p + b.turn.column(k)
                * if i >> k & 1 == 1 {
                    b.half[k]
                } else {
                    -b.half[k]
                }
        })
    })
}

fn wall_rows(
    model: &Model,
    wall: &Wall,
    poses: &[Pose],
    part: usize,
    block: &Block,
    (need, floor): (f64, f64),
    out: &mut Vec<Row>,
) -> bool {
    let plate = model.seated(part);
    let watch = need + WATCH_MM;
    // The box and its surroundings in cells, three sides each: which row of `worst` is whose.
    let counts = block
        .half
        .map(|h| (2.0 * (h + watch) / CELL_MM) as usize + 2);
    let mut rows_at = vec![u32::MAX; 3 * counts.iter().product::<usize>()];
    let mut worst: Vec<Witness> = Vec::new();
    let mut short = false;
    for f in wall.near(block, watch) {
        let facet = wall.facet(f);
        if plate.is_some_and(|p| p.carries(&facet.corners)) {
            continue;
        }
        witnesses(block, facet, watch, &mut |w| {
            short |= w.have - need <= floor;
            let side = w.away.iamax();
            let cell = |k: usize| {
                let x = (w.at[k] + block.half[k] + watch) / CELL_MM;
                (x.max(0.0) as usize).min(counts[k] - 1)
            };
            let at = ((cell(2) * counts[1] + cell(1)) * counts[0] + cell(0)) * 3 + side;
            match worst.get_mut(rows_at[at] as usize) {
                Some(old) if old.have <= w.have => {}
                Some(old) => *old = w,
                None => {
                    rows_at[at] = worst.len() as u32;
                    worst.push(w);
                }
            }
        });
        if short {
            return false;
        }
    }
    out.extend(worst.iter().map(|w| {
        let (away, at) = (block.turn * w.away, block.middle + block.turn * w.at);
        Row {
            spare: w.have - need,
            first: grip(model, part, poses, &away, &at),
            second: None,
        }
    }));
    true
}

//! The last tenths: exact margins between boxes and facets, linearised, and the least of them
//! raised by small moves of all parts at once. Takes away what grid, sampling and the aim of the
//! descent cost, and leaves the placement in the middle of its play.

use super::contact::{Block, contact};
use super::descent::shifted;
use super::lp::{Row, raise_least};
use super::model::{Model, block};
use super::witness::witnesses;
use crate::mesh::{MeshQueries, Point, Vector};
use crate::stack::pose::Pose;
use parry3d_f64::bounding_volume::Aabb;

/// Margins with more to spare than this are left out, mm. It must exceed twice the trust, or a
/// move could spoil a margin that nobody watched.
const WATCH_MM: f64 = 0.3;
/// Largest move of one polishing step, mm.
const TRUST_MM: f64 = 0.1;
/// Rows of one part that begin in the same cell of this size count once, by the worst, mm.
const CELL_MM: f64 = 0.5;
/// Steps at most.
const MOST_STEPS: usize = 20;

/// Raises the least spare of a placement; returns it (negative: short by so much).
pub fn polish(model: &Model, queries: &MeshQueries, poses: &mut [Pose]) -> f64 {
    let mut rows = rows(model, queries, poses);
    let mut have = least(&rows);
    let mut trust = TRUST_MM;
    for _ in 0..MOST_STEPS {
        let Some((moves, _)) = raise_least(&rows, poses.len(), trust) else {
            break;
        };
        let moved = apply(model, poses, &moves);
        let next_rows = self::rows(model, queries, &moved);
        let next = least(&next_rows);
        if next > have {
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
        } else {
            trust *= 0.35;
            if trust < 1e-5 {
                break;
            }
        }
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

fn rows(model: &Model, queries: &MeshQueries, poses: &[Pose]) -> Vec<Row> {
    let mut out = Vec::new();
    let blocks: Vec<Block> = model
        .bodies
        .iter()
        .map(|b| block(b, &poses[b.part], 1.0))
        .collect();
    for (b, body) in model.bodies.iter().enumerate() {
        wall_rows(
            model,
            queries,
            poses,
            body.part,
            &blocks[b],
            body.wall_need,
            &mut out,
        );
    }
    for &(i, j, need) in &model.pairs {
        let (a, b) = (&blocks[i], &blocks[j]);
        if let Some(c) = contact(a, b, need + WATCH_MM) {
            let parts = (model.bodies[i].part, model.bodies[j].part);
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
    out
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
        let face = a.middle + axis * reach(a, axis);
        for q in corners(b) {
            let height = (q - face).dot(axis);
            if height < need + WATCH_MM {
                push(&q, height);
            }
        }
    } else if square_to(b) {
        let face = b.middle - axis * reach(b, axis);
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

fn reach(b: &Block, axis: &Vector) -> f64 {
    (0..3)
        .map(|k| b.half[k] * b.turn.column(k).dot(axis).abs())
        .sum()
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
    queries: &MeshQueries,
    poses: &[Pose],
    part: usize,
    block: &Block,
    need: f64,
    out: &mut Vec<Row>,
) {
    let plate = model.seated(part);
    let watch = need + WATCH_MM;
    let spread = Vector::from_fn(|k, _| {
        (0..3)
            .map(|j| block.half[j] * block.turn[(k, j)].abs())
            .sum::<f64>()
            + watch
    });
    let (lo, hi) = (block.middle - spread, block.middle + spread);
    let corner = |p: &Point| parry3d_f64::math::Vector::new(p.x, p.y, p.z);
    let around = Aabb::new(corner(&lo), corner(&hi));
    let mut worst: std::collections::BTreeMap<[i64; 4], Row> = std::collections::BTreeMap::new();
    for f in queries.tree().intersect_aabb(&around) {
        let facet = queries.mesh.corners(f as usize);
        if plate.is_some_and(|p| p.carries(&facet)) {
            continue;
        }
        witnesses(block, &facet, watch, &mut |w| {
            let own = block.turn.tr_mul(&(w.at - block.middle));
            let side = block.turn.tr_mul(&w.away);
            let cell = |x: f64| (x / CELL_MM).round() as i64;
            let key = [cell(own.x), cell(own.y), cell(own.z), side.iamax() as i64];
            let spare = w.have - need;
            if worst.get(&key).is_none_or(|r| spare < r.spare) {
                let first = grip(model, part, poses, &w.away, &w.at);
                worst.insert(
                    key,
                    Row {
                        spare,
                        first,
                        second: None,
                    },
                );
            }
        });
    }
    out.extend(worst.into_values());
}

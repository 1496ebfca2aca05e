//! How deep two boxes are in each other, and where they push: the widest of fifteen separating
//! gaps with the axis and the point of contact that its gradient needs.

use nalgebra::Matrix3;

use crate::mesh::{Point, Vector};

/// A box in space, as the search sees it.
#[derive(Debug, Clone, Copy)]
pub struct Block {
    pub middle: Point,
    pub turn: Matrix3<f64>,
    pub half: [f64; 3],
}

/// The gap of two boxes along the axis that parts them best.
#[derive(Debug, Clone, Copy)]
pub struct Contact {
    /// Gap along the axis, mm; negative where they overlap; never more than their distance.
    pub gap: f64,
    /// Unit axis from the first box to the second.
    pub axis: Vector,
    /// Where the push acts.
    pub at: Point,
}

/// Below this slope (sine of the angle between an edge and the other box's face) the contact
/// slides from the edge's end to its middle. Smaller: faces that are nearly parallel rock from
/// corner to corner and the descent stalls; larger: tilted boxes feel too little torque.
const SOFT_SIGN: f64 = 0.05;
/// An edge–edge axis must beat every face axis by this, mm, or near-parallel edges would take over.
const EDGE_BIAS_MM: f64 = 1e-6;

fn soft_sign(x: f64) -> f64 {
    (x / SOFT_SIGN).clamp(-1.0, 1.0)
}

#[derive(Clone, Copy)]
enum Which {
    FaceA(usize),
    FaceB(usize),
    Edges(usize, usize),
}

/// The contact of two boxes, or `None` where they are `reach` apart or more.
pub fn contact(a: &Block, b: &Block, reach: f64) -> Option<Contact> {
    let between = b.middle - a.middle;
    let r = a.turn.tr_mul(&b.turn);
    let t = a.turn.tr_mul(&between);
    let s = b.turn.tr_mul(&between);
    let abs = r.abs();
    let (ha, hb) = (&a.half, &b.half);
    let mut best = f64::NEG_INFINITY;
    let mut which = Which::FaceA(0);
    for i in 0..3 {
        let gap = t[i].abs() - ha[i] - (0..3).map(|j| hb[j] * abs[(i, j)]).sum::<f64>();
        if gap > best {
            (best, which) = (gap, Which::FaceA(i));
        }
        let gap = s[i].abs() - hb[i] - (0..3).map(|j| ha[j] * abs[(j, i)]).sum::<f64>();
        if gap > best {
            (best, which) = (gap, Which::FaceB(i));
        }
    }
    if best >= reach {
        return None;
    }
    for i in 0..3 {
        let (i1, i2) = ((i + 1) % 3, (i + 2) % 3);
        for j in 0..3 {
            let sin_sq = 1.0 - r[(i, j)] * r[(i, j)];
            if sin_sq < 1e-6 {
                continue;
            }
            let (j1, j2) = ((j + 1) % 3, (j + 2) % 3);
            let along = (t[i2] * r[(i1, j)] - t[i1] * r[(i2, j)]).abs();
            let spread = ha[i1] * abs[(i2, j)]
                + ha[i2] * abs[(i1, j)]
                + hb[j1] * abs[(i, j2)]
                + hb[j2] * abs[(i, j1)];
            let gap = (along - spread) / sin_sq.sqrt();
            if gap > best + EDGE_BIAS_MM {
                (best, which) = (gap, Which::Edges(i, j));
            }
        }
    }
    (best < reach).then(|| witness(a, b, &between, best, which))
}

fn witness(a: &Block, b: &Block, between: &Vector, gap: f64, which: Which) -> Contact {
    let towards = |v: Vector| if v.dot(between) < 0.0 { -v } else { v };
    match which {
        Which::FaceA(i) => {
            let axis = towards(a.turn.column(i).into_owned());
            let at = clamped(a, i, &support(b, &-axis));
            Contact { gap, axis, at }
        }
        Which::FaceB(j) => {
            let axis = towards(b.turn.column(j).into_owned());
            let at = clamped(b, j, &support(a, &axis));
            Contact { gap, axis, at }
        }
        Which::Edges(i, j) => {
            let (u, v) = (a.turn.column(i).into_owned(), b.turn.column(j).into_owned());
            let axis = towards(u.cross(&v).normalize());
            let pa = edge_middle(a, i, &axis);
            let pb = edge_middle(b, j, &-axis);
            // The point of a's edge nearest to b's edge, within a's edge.
            let (w, uv) = (pa - pb, u.dot(&v));
            let x = (uv * v.dot(&w) - u.dot(&w)) / (1.0 - uv * uv).max(1e-9);
            let at = pa + u * x.clamp(-a.half[i], a.half[i]);
            Contact { gap, axis, at }
        }
    }
}

/// The box's furthest point along `dir`, sliding to the middle of an edge or face square to it.
pub fn support(b: &Block, dir: &Vector) -> Point {
    (0..3).fold(b.middle, |p, k| {
        let axis = b.turn.column(k);
        p + axis * (b.half[k] * soft_sign(axis.dot(dir)))
    })
}

/// Half width of a box along a unit direction.
pub fn reach_of(b: &Block, dir: &Vector) -> f64 {
    (0..3)
        .map(|k| b.half[k] * b.turn.column(k).dot(dir).abs())
        .sum()
}

fn edge_middle(b: &Block, along: usize, dir: &Vector) -> Point {
    (0..3).filter(|&k| k != along).fold(b.middle, |p, k| {
        let axis = b.turn.column(k);
        p + axis * b.half[k].copysign(axis.dot(dir))
    })
}

/// Moved sideways onto the face of `b` that is square to axis `face`.
fn clamped(b: &Block, face: usize, p: &Point) -> Point {
    let own = b.turn.tr_mul(&(p - b.middle));
    (0..3).filter(|&k| k != face).fold(*p, |q, k| {
        let over = own[k] - own[k].clamp(-b.half[k], b.half[k]);
        q - b.turn.column(k) * over
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::search::rng::Rng;

    fn block(rng: &mut Rng, spread: f64) -> Block {
        Block {
            middle: Point::origin() + rng.direction() * spread,
            turn: rng.turn(),
            half: [0, 1, 2].map(|_| rng.within(0.4, 3.0)),
        }
    }

    fn moved(b: &Block, v: &Vector, w: &Vector) -> Block {
        let turn = nalgebra::Rotation3::new(*w).into_inner() * b.turn;
        Block {
            middle: b.middle + v,
            turn,
            ..*b
        }
    }

    #[test]
    fn the_gradient_is_the_derivative_of_the_gap() {
        let mut rng = Rng::new(11);
        let (mut seen, mut off) = (0, 0);
        for _ in 0..3000 {
            let (a, b) = (block(&mut rng, 0.0), block(&mut rng, 3.5));
            let Some(c) = contact(&a, &b, 0.5) else {
                continue;
            };
            let (v, w) = (rng.direction(), rng.direction() * 0.3);
            let want = c.axis.dot(&(v + w.cross(&(c.at - b.middle))));
            let h = 1e-6;
            let gap = |s: f64| {
                contact(&a, &moved(&b, &(v * s), &(w * s)), 9.0)
                    .unwrap()
                    .gap
            };
            let twin = (gap(h) - gap(-h)) / (2.0 * h);
            seen += 1;
            // Where two axes tie, or a sign is being smoothed, the derivative is a choice.
            off += usize::from((want - twin).abs() > 1e-4);
            let own = -c.axis.dot(&(v + w.cross(&(c.at - a.middle))));
            let gap = |s: f64| {
                contact(&moved(&a, &(v * s), &(w * s)), &b, 9.0)
                    .unwrap()
                    .gap
            };
            let twin = (gap(h) - gap(-h)) / (2.0 * h);
            off += usize::from((own - twin).abs() > 1e-4);
        }
        assert!(seen > 500 && off * 5 < seen * 2, "{off} of {seen}");
    }

    #[test]
    fn gap_never_exceeds_the_exact_margin() {
        use crate::stack::Stack;
        use crate::stack::{Placement, Pose};
        let mut rng = Rng::new(12);
        for _ in 0..500 {
            let (a, b) = (block(&mut rng, 0.0), block(&mut rng, 5.0));
            let Some(c) = contact(&a, &b, 9.0) else {
                continue;
            };
            let sizes = [a.half.map(|h| 2.0 * h), b.half.map(|h| 2.0 * h)];
            let stack = Stack::of_boxes(&sizes, 0.0, 0.0);
            let poses = [a, b].map(|x| Pose {
                turn: x.turn,
                middle: x.middle,
            });
            let placement = Placement::of(&stack, &poses);
            let exact = crate::stack::certificate::pair_margins_of(&stack, &placement)[0]
                .have
                .0;
            assert!(c.gap <= exact + 2e-6, "{} {exact}", c.gap);
            if exact < 0.0 {
                assert!((c.gap - exact).abs() < 2e-6);
            }
        }
    }
}

//! Margins of the tubes: where each begins and ends, how sharply it bends, and what it keeps from
//! walls, parts and other tubes. A middle line is taken as the chain of straight pieces that it is
//! printed as.

use super::segments::{point_segment, segment_distance};
use super::solid::{Solid, pair_margin};
use super::wall::{nearest_facet, winding_number};
use super::{Body, Margin, MarginKind};
use crate::mesh::{MeshQueries, Point, Vector};
use crate::stack::cavity::Cavity;
use crate::stack::parts::{Bore, Stack};
use crate::stack::placement::{Placement, Tube};
use crate::stack::tip::Tip;
use crate::units::Mm;

/// Two tubes of one bore that have touched may come apart again by this, mm: a chord of 0.2 mm on
/// a radius of 2 mm leaves its arc by 0.0025, and both lines are made of chords.
const JOINED_MM: f64 = 0.005;
/// How far from a told exit a tube may be in the wall, in its outer diameters: a bore that meets the
/// wall at 30 degrees is in it for two.
const MOUTH: f64 = 2.0;

/// A tube with what the stack file says about it.
struct Laid<'a> {
    tube: &'a Tube,
    bore: &'a Bore,
    part: usize,
}

impl Laid<'_> {
    fn radius(&self) -> f64 {
        self.tube.outer_mm / 2.0
    }

    fn line(&self) -> &[Point] {
        &self.tube.centreline
    }

    /// Is the whole piece where the tube may be in the wall?
    fn in_mouth(&self, piece: &[Point]) -> bool {
        self.bore.exit.is_some_and(|(at, _)| {
            piece
                .iter()
                .all(|p| (p - at).norm() <= MOUTH * self.tube.outer_mm)
        })
    }
}

/// Names the first tube that is not one of this stack's, and what is wrong with it.
pub(super) fn strange(stack: &Stack, placement: &Placement) -> Option<(String, String)> {
    let mut seen: Vec<&str> = Vec::new();
    for tube in &placement.tubes {
        let told = |what: String| Some((tube.name.clone(), what));
        let Some(part) = stack.parts.iter().find(|p| p.name == tube.part) else {
            return told(format!("no part is called \"{}\"", tube.part));
        };
        if part.bore.as_ref() != Some(&tube.name) {
            return told(format!("\"{}\" does not lead to this bore", part.name));
        }
        if seen.contains(&tube.part.as_str()) {
            return told(format!("\"{}\" has two tubes", part.name));
        }
        seen.push(&tube.part);
        let bore = stack.bores.iter().find(|b| b.name == tube.name);
        if bore.is_none_or(|b| (b.outer_mm - tube.outer_mm).abs() > 1e-9) {
            return told(format!("its outer_mm is {}, not the bore's", tube.outer_mm));
        }
        let whole = tube.centreline.iter().flat_map(|p| p.iter());
        if tube.centreline.len() < 2 || !whole.clone().all(|x| x.is_finite()) {
            return told("its middle line has fewer than two points".to_string());
        }
        if tube
            .centreline
            .windows(2)
            .any(|w| (w[1] - w[0]).norm() < 1e-9)
        {
            return told("two points of its middle line in a row are the same".to_string());
        }
    }
    None
}

/// Measures every tube of a placement, which must not be [`strange`].
pub(super) fn tube_margins(
    queries: &MeshQueries,
    cavity: &Cavity,
    stack: &Stack,
    placement: &Placement,
    bodies: &[Vec<Body>],
) -> Vec<Margin> {
    let tip = cavity.tip.filter(|t| t.told);
    let laid: Vec<Laid> = placement
        .tubes
        .iter()
        .filter_map(|tube| {
            let part = stack.parts.iter().position(|p| p.name == tube.part)?;
            let bore = stack.bores.iter().find(|b| b.name == tube.name)?;
            Some(Laid { tube, bore, part })
        })
        .collect();
    let mut out = Vec::new();
    for (t, one) in laid.iter().enumerate() {
        ends_and_bends(tip, stack, placement, one, &mut out);
        out.push(margin(
            one,
            MarginKind::TubeWall,
            wall_margin(queries, one),
            stack.wall_clearance_mm,
        ));
        from_parts(stack, one, bodies, &mut out);
        out.push(margin(one, MarginKind::TubePair, from_itself(one), 0.0));
        for other in &laid[..t] {
            if other.tube.name == one.tube.name {
                joined(one, other, &mut out);
            } else {
                let far = apart(one.line(), other.line());
                let mut push = |kind, have, need| {
                    let mut m = margin(one, kind, have, need);
                    m.parts.push(other.part);
                    out.push(m);
                };
                let outer = one.radius() + other.radius();
                push(MarginKind::TubePair, far - outer, stack.clearance_mm);
                let inner = (one.bore.inner_mm + other.bore.inner_mm) / 2.0;
                push(MarginKind::Web, far - inner, stack.web_mm);
            }
        }
    }
    out
}

fn margin(one: &Laid, kind: MarginKind, have: f64, need: f64) -> Margin {
    Margin {
        parts: vec![one.part],
        kind,
        have: Mm(have),
        need: Mm(need),
    }
}

/// It begins at the end of the spout and goes on along it; it ends where the bore was told to
/// leave, along the way told. To leave or to come in at an angle is a bend.
fn ends_and_bends(
    tip: Option<Tip>,
    stack: &Stack,
    placement: &Placement,
    one: &Laid,
    out: &mut Vec<Margin>,
) {
    let line = one.line();
    let (first, last) = (line[0], line[line.len() - 1]);
    let mut off = 0.0_f64;
    let mut radius = least_radius(line);
    if let Some((at, way)) = stack.parts[one.part].spout_end() {
        let pose = &placement.parts[one.part].pose;
        off = off.max((pose.place(&at) - first).norm());
        radius = radius.min(radius_from(&(pose.turn * way), &(line[1] - first)));
    }
    // Where no exit is told but the tip is, it ends in the tip's section, square to it.
    let in_section = tip.map(|t| (last - t.outward * (last - t.at).dot(&t.outward), t.outward));
    if let Some((at, way)) = one.bore.exit.or(in_section) {
        off = off.max((at - last).norm());
        radius = radius.min(radius_from(&-way, &(line[line.len() - 2] - last)));
    }
    out.push(margin(one, MarginKind::TubeEnds, -off, 0.0));
    out.push(margin(
        one,
        MarginKind::Bend,
        radius,
        one.bore.bend_radius_mm,
    ));
}

/// Radius of the circle that sets out in a direction and goes through the end of the first chord:
/// the sharpest that any straight piece before the chord lets it read. Zero where the chord goes back.
fn radius_from(way: &Vector, chord: &Vector) -> f64 {
    let across = way.cross(chord).norm();
    if way.dot(chord) <= 0.0 {
        0.0
    } else if across < 1e-9 * chord.norm() {
        f64::INFINITY
    } else {
        chord.norm_squared() / (2.0 * across)
    }
}

/// Least radius along a line: of the circle through three points in a row, and of the turn at the
/// middle one spread over half of both pieces; the smaller of the two. Infinite where straight.
fn least_radius(line: &[Point]) -> f64 {
    line.windows(3)
        .map(|w| {
            let (a, b, c) = (w[1] - w[0], w[2] - w[1], w[2] - w[0]);
            let twice_area = a.cross(&b).norm();
            let turn = twice_area.atan2(a.dot(&b));
            if turn < 1e-9 {
                return f64::INFINITY;
            }
            let spread = (a.norm() + b.norm()) / (2.0 * turn);
            if twice_area == 0.0 {
                return 0.0;
            }
            spread.min(a.norm() * b.norm() * c.norm() / (2.0 * twice_area))
        })
        .fold(f64::INFINITY, f64::min)
}

/// Distance of the tube from the wall; negative where it is outside or in the wall.
fn wall_margin(queries: &MeshQueries, one: &Laid) -> f64 {
    let counted = one.line().windows(2).filter(|w| !one.in_mouth(w));
    let far = counted
        .map(|w| nearest_facet(queries, &rod(&w[0], &w[1]), &|_| false))
        .fold(f64::INFINITY, f64::min);
    // No facet is met, so all of the line is on the side where it begins.
    let inside = winding_number(queries.mesh, &one.line()[0]) > 0.5;
    let far = if inside { far } else { -far };
    far - one.radius()
}

/// What the tube keeps from parts, and from the room that parts keep free. Its own spout it may
/// touch, and its own part it may be as near to as the spout is short.
fn from_parts(stack: &Stack, one: &Laid, bodies: &[Vec<Body>], out: &mut Vec<Margin>) {
    let rods: Vec<Solid> = one.line().windows(2).map(|w| rod(&w[0], &w[1])).collect();
    let far = |body: &Body| {
        let least = match &body.hull {
            None => {
                let all = rods.iter().map(|r| pair_margin(r, &body.solid));
                all.fold(f64::INFINITY, f64::min)
            }
            Some(hull) => {
                let all = one.line().windows(2).map(|w| hull.off_piece(&w[0], &w[1]));
                all.fold(f64::INFINITY, f64::min)
            }
        };
        least - one.radius()
    };
    for (i, own) in bodies.iter().enumerate() {
        for body in own {
            if i == one.part && body.zone && !body.may_share {
                continue;
            }
            let need = if body.zone {
                0.0
            } else if i == one.part {
                let stub = stack.parts[i].spout.map_or(0.0, |s| s.length_mm);
                stack.clearance_mm.min(stub - one.radius())
            } else {
                stack.clearance_mm
            };
            let mut m = margin(one, MarginKind::TubePart, far(body) - body.round, need);
            if i != one.part {
                m.parts.push(i);
            }
            out.push(m);
        }
    }
}

/// Pieces further apart along the tube than half a turn at its bend radius must not touch.
fn from_itself(one: &Laid) -> f64 {
    let line = one.line();
    let beyond = std::f64::consts::PI * one.bore.bend_radius_mm.max(one.radius());
    let mut along = vec![0.0];
    for w in line.windows(2) {
        along.push(along[along.len() - 1] + (w[1] - w[0]).norm());
    }
    let mut least = f64::INFINITY;
    for i in 0..line.len() - 1 {
        for j in i + 1..line.len() - 1 {
            if along[j] - along[i + 1] > beyond {
                least = least.min(segment_distance(
                    &line[i],
                    &line[i + 1],
                    &line[j],
                    &line[j + 1],
                ));
            }
        }
    }
    least - one.tube.outer_mm
}

/// Two tubes of one bore end in the same place, and once they touch they come ever nearer.
fn joined(one: &Laid, other: &Laid, out: &mut Vec<Margin>) {
    let (a, b) = (one.line(), other.line());
    let mut push = |off: f64| {
        let mut m = margin(one, MarginKind::TubeEnds, -off, 0.0);
        m.parts.push(other.part);
        out.push(m);
    };
    push((a[a.len() - 1] - b[b.len() - 1]).norm());
    let (mut nearest, mut parting) = (f64::INFINITY, 0.0_f64);
    for p in a {
        let far = b
            .windows(2)
            .map(|w| point_segment(p, &w[0], &w[1]))
            .fold(f64::INFINITY, f64::min);
        if nearest < one.radius() + other.radius() {
            parting = parting.max(far - nearest - JOINED_MM);
        }
        nearest = nearest.min(far);
    }
    push(parting);
}

/// A straight piece as a box without thickness.
fn rod(a: &Point, b: &Point) -> Solid {
    let along = b - a;
    let x = along.try_normalize(1e-12).unwrap_or_else(Vector::x);
    let other = if x.x.abs() < 0.7 {
        Vector::x()
    } else {
        Vector::y()
    };
    let y = x.cross(&other).normalize();
    Solid {
        middle: nalgebra::center(a, b),
        axes: [x, y, x.cross(&y)],
        half: [along.norm() / 2.0, 0.0, 0.0],
    }
}

fn apart(a: &[Point], b: &[Point]) -> f64 {
    let mut least = f64::INFINITY;
    for p in a.windows(2) {
        for q in b.windows(2) {
            least = least.min(segment_distance(&p[0], &p[1], &q[0], &q[1]));
        }
    }
    least
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn radius_of_an_arc_and_of_a_fold() {
        let arc: Vec<Point> = (0..20)
            .map(|i| {
                let t = f64::from(i) * 0.05;
                Point::new(3.2 * t.cos(), 3.2 * t.sin(), 1.0)
            })
            .collect();
        // The turn spread over its chords reads short by the square of a chord over 24 radii.
        let (got, chord) = (least_radius(&arc), 0.16_f64);
        assert!(got < 3.2 && got > 3.2 - chord * chord / 70.0, "{got}");
        let p = Point::new;
        let fold = [p(0.0, 0.0, 0.0), p(1.0, 0.0, 0.0), p(0.0, 0.0, 0.0)];
        assert_eq!(least_radius(&fold), 0.0);
        let straight = [p(0.0, 0.0, 0.0), p(1.0, 0.0, 0.0), p(2.5, 0.0, 0.0)];
        assert_eq!(least_radius(&straight), f64::INFINITY);
    }

    #[test]
    fn radius_at_a_told_end() {
        let way = Vector::new(0.0, 1.0, 0.0);
        for t in [0.02_f64, 0.1, 0.5] {
            let chord = Vector::new(3.2 * (1.0 - t.cos()), 3.2 * t.sin(), 0.0);
            assert!((radius_from(&way, &chord) - 3.2).abs() < 1e-9);
            assert_eq!(radius_from(&-way, &chord), 0.0);
        }
        assert_eq!(radius_from(&way, &(way * 0.3)), f64::INFINITY);
        assert_eq!(radius_from(&way, &Vector::x()), 0.0);
    }
}

//! Middle lines made of arcs and straight pieces: no tighter than asked by construction, and as
//! smooth as a tube that is bent by hand.

use crate::mesh::{Point, Vector};

/// Longest chord of a printed middle line, mm. At a radius of 3 mm its sag is 0.002 mm; shorter
/// ones only make the file longer.
pub const CHORD_MM: f64 = 0.2;

/// A place on a middle line and the way it goes on.
#[derive(Debug, Clone, Copy)]
pub struct Heading {
    /// The place.
    pub at: Point,
    /// Unit direction.
    pub way: Vector,
}

/// A piece of a middle line.
#[derive(Debug, Clone, Copy)]
pub struct Piece {
    from: Heading,
    /// Towards the centre of the arc; unused where the piece is straight.
    side: Vector,
    /// Radius of the arc, mm; infinite for a straight piece.
    radius: f64,
    length: f64,
}

impl Piece {
    /// A straight piece.
    pub fn straight(from: Heading, length: f64) -> Self {
        Self {
            from,
            side: Vector::zeros(),
            radius: f64::INFINITY,
            length,
        }
    }

    /// An arc that turns towards the unit vector `side`, square to the heading.
    pub fn arc(from: Heading, side: Vector, radius: f64, length: f64) -> Self {
        Self {
            from,
            side,
            radius,
            length,
        }
    }

    /// Is it an arc?
    pub fn bends(&self) -> bool {
        self.radius.is_finite()
    }

    /// Its length, mm.
    #[cfg(test)]
    pub fn length(&self) -> f64 {
        self.length
    }

    /// The heading so far along it.
    pub fn at(&self, s: f64) -> Heading {
        if self.radius.is_infinite() {
            return Heading {
                at: self.from.at + self.from.way * s,
                way: self.from.way,
            };
        }
        let (sin, cos) = (s / self.radius).sin_cos();
        Heading {
            at: self.from.at + (self.side * (1.0 - cos) + self.from.way * sin) * self.radius,
            way: (self.from.way * cos + self.side * sin).normalize(),
        }
    }

    /// The heading at its end.
    pub fn end(&self) -> Heading {
        self.at(self.length)
    }

    /// Headings at equal steps of at most `step`, the first left out, the last the end.
    pub fn steps(&self, step: f64) -> impl Iterator<Item = Heading> + '_ {
        let n = (self.length / step).ceil().max(1.0) as usize;
        (1..=n).map(move |i| self.at(self.length * i as f64 / n as f64))
    }
}

/// The line that leaves one heading and comes into another: an arc, a straight piece, an arc, both
/// arcs of the same radius. `None` where the two are too near for it.
pub fn join(from: &Heading, to: &Heading, radius: f64) -> Option<Vec<Piece>> {
    let mut along = (to.at - from.at).try_normalize(1e-9)?;
    let reach = |a: &Vector, b: &Vector| radius * (angle(a, b) / 2.0).tan();
    for _ in 0..60 {
        let (first, last) = (reach(&from.way, &along), reach(&along, &to.way));
        if first.max(last) > 4.0 * radius {
            return None; // more than 150 degrees: it would go round in a loop
        }
        let between = (to.at - to.way * last) - (from.at + from.way * first);
        let next = between.try_normalize(1e-9)?;
        let moved = (next - along).norm();
        along = next;
        if moved > 1e-13 {
            continue;
        }
        let straight = between.norm() - first - last;
        return (straight >= 0.0).then(|| pieces(from, to, &along, radius, straight));
    }
    None
}

fn pieces(from: &Heading, to: &Heading, along: &Vector, radius: f64, straight: f64) -> Vec<Piece> {
    let mut out = Vec::with_capacity(3);
    let mut here = *from;
    let turn = |here: &Heading, way: &Vector| {
        let side = (way - here.way * here.way.dot(way)).try_normalize(1e-9)?;
        Some(Piece::arc(
            *here,
            side,
            radius,
            radius * angle(&here.way, way),
        ))
    };
    if let Some(arc) = turn(&here, along) {
        here = arc.end();
        out.push(arc);
    }
    if straight > 1e-6 {
        let piece = Piece::straight(here, straight);
        here = piece.end();
        out.push(piece);
    }
    out.extend(turn(&here, &to.way));
    out
}

fn angle(a: &Vector, b: &Vector) -> f64 {
    a.cross(b).norm().atan2(a.dot(b))
}

/// Two unit vectors square to a direction and to each other.
pub fn across(way: &Vector) -> (Vector, Vector) {
    let other = if way.x.abs() < 0.7 {
        Vector::x()
    } else {
        Vector::y()
    };
    let u = way.cross(&other).normalize();
    (u, way.cross(&u))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stack::search::rng::Rng;

    #[test]
    fn a_quarter_turn_and_a_straight_line() {
        let from = Heading {
            at: Point::origin(),
            way: Vector::x(),
        };
        let to = Heading {
            at: Point::new(5.0, 5.0, 0.0),
            way: Vector::y(),
        };
        let line = join(&from, &to, 3.0).unwrap();
        let length: f64 = line.iter().map(Piece::length).sum();
        // One way is a quarter circle and two straight pieces; arc–straight–arc is no longer.
        let plain = 3.0 * std::f64::consts::FRAC_PI_2 + 2.0 + 2.0;
        assert!(length <= plain + 1e-9 && length > 50.0_f64.sqrt());
        let ahead = Heading {
            at: Point::new(4.0, 0.0, 0.0),
            way: Vector::x(),
        };
        let line = join(&from, &ahead, 3.0).unwrap();
        assert_eq!(line.len(), 1);
        assert!((line[0].length() - 4.0).abs() < 1e-12);
        let beside = Heading {
            at: Point::new(0.0, 1.0, 0.0),
            way: Vector::x(),
        };
        assert!(join(&from, &beside, 3.0).is_none());
    }

    #[test]
    fn what_is_joined_arrives_and_bends_no_tighter() {
        let mut rng = Rng::new(8);
        let mut seen = 0;
        for _ in 0..500 {
            let mut any = |spread: f64| Heading {
                at: Point::origin() + rng.direction() * spread,
                way: rng.direction(),
            };
            let (from, to) = (any(0.0), any(14.0));
            let Some(line) = join(&from, &to, 3.0) else {
                continue;
            };
            seen += 1;
            let mut here = from;
            for piece in &line {
                assert!((piece.at(0.0).at - here.at).norm() < 1e-9);
                assert!((piece.at(0.0).way - here.way).norm() < 1e-6);
                here = piece.end();
            }
            assert!(
                (here.at - to.at).norm() < 1e-6,
                "{}",
                (here.at - to.at).norm()
            );
            assert!((here.way - to.way).norm() < 1e-6);
        }
        assert!(seen > 250, "{seen}");
    }
}

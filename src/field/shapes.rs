//! Solids put together from others: cut by planes, bored, joined, with edges rounded on demand.
//!
//! Every shape keeps the promise of [`Implicit`]: its value never overstates the room there is.
//! Sharp edges are where the larger (or smaller) of two values changes hands; the drawing of a
//! surface finds them from the gradients.

use super::{Implicit, Sample};
use crate::mesh::{Point, Vector};
use crate::units::Mm;

fn everywhere() -> (Point, Point) {
    let far = Vector::repeat(f64::INFINITY);
    (Point::from(-far), Point::from(far))
}

/// Everything on the inner side of a plane.
#[derive(Debug, Clone, Copy)]
pub struct HalfSpace {
    point: Point,
    outward: Vector,
}

impl HalfSpace {
    /// The side of the plane through `point` that `outward` points away from; `None` where
    /// `outward` has no direction.
    #[must_use]
    pub fn new(point: Point, outward: &Vector) -> Option<Self> {
        let outward = outward.try_normalize(1e-300)?;
        Some(Self { point, outward })
    }
}

impl Implicit for HalfSpace {
    fn sample(&self, p: &Point, _: Option<&Sample>) -> Sample {
        Sample::of_shape(p, (p - self.point).dot(&self.outward), self.outward)
    }

    fn bounds(&self) -> (Point, Point) {
        everywhere()
    }
}

/// Everything within a radius of a chain of points: a bore, a vent, a tube, with round ends.
#[derive(Debug, Clone)]
pub struct Bore {
    line: Vec<Point>,
    radius_mm: f64,
}

impl Bore {
    /// A bore of `radius` along `line`; `None` where the line has no point.
    #[must_use]
    pub fn new(line: Vec<Point>, radius: Mm) -> Option<Self> {
        (!line.is_empty()).then_some(Self {
            line,
            radius_mm: radius.0,
        })
    }
}

impl Implicit for Bore {
    fn sample(&self, p: &Point, _: Option<&Sample>) -> Sample {
        let mut away = p - self.line[0];
        for pair in self.line.windows(2) {
            let along = pair[1] - pair[0];
            let t = (p - pair[0]).dot(&along) / along.norm_squared().max(1e-300);
            let d = p - (pair[0] + along * t.clamp(0.0, 1.0));
            if d.norm_squared() < away.norm_squared() {
                away = d;
            }
        }
        let gradient = away.try_normalize(1e-12).unwrap_or_else(Vector::x);
        Sample::of_shape(p, away.norm() - self.radius_mm, gradient)
    }

    fn bounds(&self) -> (Point, Point) {
        let grow = Vector::repeat(self.radius_mm.max(0.0));
        let (lo, hi) = self
            .line
            .iter()
            .fold((self.line[0], self.line[0]), |(l, h), p| {
                (l.inf(p), h.sup(p))
            });
        (lo - grow, hi + grow)
    }
}

/// Everything outside a solid.
pub struct Outside<'a>(pub &'a dyn Implicit);

impl Implicit for Outside<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let s = self.0.sample(p, near);
        Sample {
            value_mm: -s.value_mm,
            gradient: -s.gradient,
            ..s
        }
    }

    fn bounds(&self) -> (Point, Point) {
        everywhere()
    }

    fn slope(&self) -> f64 {
        self.0.slope()
    }
}

/// What lies in any of several solids.
pub struct Union<'a>(pub Vec<&'a dyn Implicit>);

impl Implicit for Union<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let nothing = Sample::of_shape(p, f64::INFINITY, Vector::zeros());
        fold(&self.0, p, near, nothing, |a, b| {
            if b.value_mm < a.value_mm { *b } else { *a }
        })
    }

    fn bounds(&self) -> (Point, Point) {
        let boxes = self.0.iter().map(|s| s.bounds());
        boxes
            .reduce(|a, b| (a.0.inf(&b.0), a.1.sup(&b.1)))
            .unwrap_or((Point::origin(), Point::origin()))
    }

    fn slope(&self) -> f64 {
        self.0.iter().map(|s| s.slope()).fold(0.0, f64::max)
    }
}

/// What lies in all of several solids, the edges between them rounded.
pub struct Overlap<'a> {
    parts: Vec<&'a dyn Implicit>,
    round_mm: f64,
}

impl<'a> Overlap<'a> {
    /// Sharp edges where the solids' surfaces meet.
    #[must_use]
    pub fn sharp(parts: Vec<&'a dyn Implicit>) -> Self {
        Self {
            parts,
            round_mm: 0.0,
        }
    }

    /// Edges rounded with `radius` (exactly so where the surfaces meet square and are flat within
    /// that reach).
    #[must_use]
    pub fn rounded(parts: Vec<&'a dyn Implicit>, radius: Mm) -> Self {
        Self {
            parts,
            round_mm: radius.0.max(0.0),
        }
    }
}

impl Implicit for Overlap<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let r = self.round_mm;
        let all = Sample::of_shape(p, f64::NEG_INFINITY, Vector::zeros());
        fold(&self.parts, p, near, all, |a, b| {
            let (u, v) = (a.value_mm + r, b.value_mm + r);
            let (more, less) = if u > v { (a, b) } else { (b, a) };
            if less.value_mm + r <= 0.0 || r == 0.0 {
                return *more;
            }
            let long = u.hypot(v);
            Sample {
                value_mm: long - r,
                gradient: (a.gradient * u + b.gradient * v) / long,
                ..*more
            }
        })
    }

    fn bounds(&self) -> (Point, Point) {
        let boxes = self.parts.iter().map(|s| s.bounds());
        let (lo, hi) = boxes
            .reduce(|a, b| (a.0.sup(&b.0), a.1.inf(&b.1)))
            .unwrap_or((Point::origin(), Point::origin()));
        (lo, lo.sup(&hi))
    }

    fn slope(&self) -> f64 {
        let most = self.parts.iter().map(|s| s.slope()).fold(0.0, f64::max);
        // Where rounded surfaces meet at a flat angle their gradients add up: √2 for two at once.
        let meeting = (self.parts.len() as f64).sqrt();
        if self.round_mm > 0.0 {
            most * meeting
        } else {
            most
        }
    }
}

/// Folds the parts' samples; a mesh asked by one part is a start for the next, and the result
/// carries what the first mesh said.
fn fold(
    parts: &[&dyn Implicit],
    p: &Point,
    near: Option<&Sample>,
    first: Sample,
    join: impl Fn(&Sample, &Sample) -> Sample,
) -> Sample {
    let mut out = first;
    let mut asked: Option<Sample> = None;
    for part in parts {
        let s = part.sample(p, asked.as_ref().or(near));
        if asked.is_none() && s.mesh != 0 {
            asked = Some(s);
        }
        out = join(&out, &s);
    }
    if let Some(a) = asked {
        out.facet = a.facet;
        out.mesh = a.mesh;
        out.distance_mm = a.distance_mm;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::crossing::all_crossing_pairs;
    use super::super::test_shapes::{boxed, sphere};
    use super::super::{Offset, SignedDistance, deviation, surface};
    use super::*;
    use crate::mesh::{Mesh, Topology};

    fn check(f: &impl Implicit, cell: f64) -> Mesh {
        let s = surface(f, cell).expect("surface");
        let topo = Topology::new(&s.mesh);
        assert_eq!(
            (topo.open_edges, topo.fins.len(), topo.flipped_edges),
            (0, 0, 0)
        );
        assert!(all_crossing_pairs(&s.mesh).is_empty());
        assert!(s.unsettled.is_empty());
        let d = deviation(f, &s.mesh);
        assert!(d.vertex_max.0 < 0.005 && d.centre_max.0 < 0.015, "{d:?}");
        s.mesh
    }

    fn plane(at: [f64; 3], out: [f64; 3]) -> HalfSpace {
        HalfSpace::new(Point::from(at), &Vector::from(out)).expect("a direction")
    }

    /// Three mutually square tilted planes cut from a ball: volume 4/3 π r³ / 8 for the octant.
    #[test]
    fn an_octant_of_a_ball_has_three_sharp_faces() {
        let turn = nalgebra::Rotation3::from_euler_angles(0.4, 0.3, 0.2);
        let axes = [Vector::x(), Vector::y(), Vector::z()].map(|a| turn * a);
        let planes = axes.map(|a| HalfSpace::new(Point::origin(), &a).expect("unit"));
        let ball = Bore::new(vec![Point::origin()], Mm(3.0)).expect("a point");
        let octant = Overlap::sharp(vec![&ball, &planes[0], &planes[1], &planes[2]]);
        let mesh = check(&octant, 0.2);
        let want = 4.0 / 3.0 * std::f64::consts::PI * 27.0 / 8.0;
        let got = mesh.signed_volume_mm3();
        assert!(got < want && got > 0.997 * want, "{got} of {want}"); // chords cut the ball
        let corner = mesh
            .points()
            .iter()
            .map(|p| p.coords.norm())
            .fold(9.0, f64::min);
        assert!(corner < 0.002, "{corner}");
    }

    /// A block with a bore through it: a·b·c − π r² c.
    #[test]
    fn a_bored_block_has_the_volume_it_should() {
        let block = boxed(Point::origin(), Point::new(4.0, 3.0, 2.0), 4);
        let block = SignedDistance::new(&block, &Topology::new(&block));
        let bore = Bore::new(
            vec![Point::new(2.1, 1.4, -1.0), Point::new(2.1, 1.4, 3.0)],
            Mm(0.7),
        );
        let bore = bore.expect("points");
        let around = Outside(&bore);
        let bored = Overlap::sharp(vec![&block, &around]);
        let mesh = check(&bored, 0.2);
        let want = 24.0 - std::f64::consts::PI * 0.49 * 2.0;
        let got = mesh.signed_volume_mm3();
        assert!(got > want && got < want + 0.03, "{got}, {want}"); // chords leave the bore narrow
    }

    /// Rounding a square edge of length l with radius r takes (1 − π/4) r² l away.
    #[test]
    fn a_rounded_cut_takes_off_what_it_should() {
        let (a, b) = (
            plane([1.0, 0.0, 0.0], [1.0, 0.0, 0.0]),
            plane([0.0, 1.0, 0.0], [0.0, 1.0, 0.0]),
        );
        let round = Overlap::rounded(vec![&a, &b], Mm(0.5));
        let block = boxed(Point::new(-2.0, -2.0, 0.0), Point::new(2.0, 2.0, 3.0), 2);
        let block = SignedDistance::new(&block, &Topology::new(&block));
        let mesh = check(&Overlap::sharp(vec![&block, &round]), 0.2);
        let want = 27.0 - (1.0 - std::f64::consts::FRAC_PI_4) * 0.25 * 3.0;
        let got = mesh.signed_volume_mm3();
        // Chords c of the arc cut c³ / 12 r each: four of 0.2 mm over 3 mm.
        assert!(got < want && got > want - 0.016, "{got}, {want}");
    }

    /// The wall of a hollow ball, opened by a plane, from one mesh asked twice.
    #[test]
    fn a_shell_of_two_offsets_of_one_scan() {
        let ball = sphere(Point::origin(), 3.0, 48);
        let ball = SignedDistance::new(&ball, &Topology::new(&ball));
        let inner = Offset::by(&ball, Mm(-1.0));
        let lid = plane([0.0, 0.0, 1.0], [0.1, 0.0, 1.0]);
        let hollow = Outside(&inner);
        let shell = Overlap::sharp(vec![&ball, &hollow, &lid]);
        for z in [-2.9, -2.5, -1.0, 0.5] {
            let p = Point::new(0.1, 0.2, z);
            let want = (ball.distance(&p, None).value_mm)
                .max(-1.0 - ball.distance(&p, None).value_mm)
                .max(lid.sample(&p, None).value_mm);
            let got = shell.sample(&p, Some(&ball.distance(&Point::new(0.0, 0.0, -2.0), None)));
            assert!((got.value_mm - want).abs() < 1e-12);
        }
        check(&shell, 0.25);
    }
}

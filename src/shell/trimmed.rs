//! A moved solid cut by planes, made quick to ask: where a plane surely takes off what is there,
//! the solid is not asked at all.
//!
//! In the faceplate's plane most places lie millimetres within the solid, where its nearest point is
//! dear to find and does not matter. How deep a place lies at least is known from its neighbour: a
//! distance changes by no more than the way between them.

use crate::field::{Implicit, Sample};
use crate::mesh::Point;

use super::zones::Moved;

/// [`Sample::mesh`] of a sample whose `distance_mm` is only the most that it can be. Fields number
/// their meshes from 1.
const BOUND: u32 = u32::MAX;

/// The walls of a canal stand square to its cut within 30° or so, and there a rounded edge rises
/// by no more than this for each mm (√(1 + cos 60°) = 1.22). √2, for walls along the cut, makes the
/// drawing ask more places. Where a dome is cut near its top, or the amount changes just there, it is
/// steeper: then a cell is found from its neighbour across the surface and not from above.
const ROUNDED_SLOPE: f64 = 1.25;

/// A moved solid, the edge of a cut rounded into it, cut off by more.
pub(super) struct Trimmed<'a> {
    pub moved: &'a Moved<'a>,
    /// A cut with the radius of its edge, mm.
    pub rounded: Option<(&'a dyn Implicit, f64)>,
    /// Cuts with sharp edges, cheap to ask.
    pub cuts: Vec<&'a dyn Implicit>,
}

impl Trimmed<'_> {
    fn cut(&self, p: &Point) -> Option<Sample> {
        let all = self.cuts.iter().map(|c| c.sample(p, None));
        all.reduce(|a, b| if b.value_mm > a.value_mm { b } else { a })
    }

    /// The value without the sharp cuts, where the mesh is `distance_mm` away.
    fn level(&self, p: &Point, distance_mm: f64) -> f64 {
        let own = self.moved.level(p, distance_mm);
        match self.rounded {
            None => own,
            Some((cut, r)) => rounded_max(own, cut.sample(p, None).value_mm, r).0,
        }
    }
}

/// The larger of two values, its edge rounded; and the shares of their gradients in its own.
fn rounded_max(a: f64, b: f64, r: f64) -> (f64, [f64; 2]) {
    let (u, v) = (a + r, b + r);
    if u.min(v) <= 0.0 || r == 0.0 {
        let shares = if u > v { [1.0, 0.0] } else { [0.0, 1.0] };
        return (a.max(b), shares);
    }
    let long = u.hypot(v);
    (long - r, [u / long, v / long])
}

impl Implicit for Trimmed<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let cut = self.cut(p);
        if let (Some(cut), Some(near)) = (&cut, near.filter(|s| s.mesh != 0)) {
            let most_mm = near.distance_mm + (p - near.at).norm();
            if self.level(p, most_mm) < cut.value_mm {
                return Sample {
                    distance_mm: most_mm,
                    mesh: BOUND,
                    ..*cut
                };
            }
        }
        let mut out = self.moved.sample(p, near);
        if let Some((edge, r)) = self.rounded {
            let edge = edge.sample(p, None);
            let (value_mm, [own, other]) = rounded_max(out.value_mm, edge.value_mm, r);
            out.value_mm = value_mm;
            out.gradient = out.gradient * own + edge.gradient * other;
        }
        match cut {
            Some(cut) if cut.value_mm >= out.value_mm => Sample {
                value_mm: cut.value_mm,
                gradient: cut.gradient,
                ..out
            },
            _ => out,
        }
    }

    fn bounds(&self) -> (Point, Point) {
        self.moved.bounds()
    }

    fn slope(&self) -> f64 {
        match self.rounded {
            Some((_, r)) if r > 0.0 => self.moved.slope().max(ROUNDED_SLOPE),
            _ => self.moved.slope(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::{HalfSpace, Overlap, SignedDistance, surface};
    use crate::mesh::{Topology, Vector};
    use crate::shell::wall::shapes::sphere;
    use crate::shell::zones::Amounts;
    use crate::units::Mm;

    /// A ball grown by 0.4, cut by a rounded plane and a sharp one: every answer is that of the general
    /// overlap, with any neighbour, and both are drawn alike.
    #[test]
    fn it_answers_as_the_general_overlap_does() {
        let ball = sphere(Point::origin(), 5.0, 4);
        let field = SignedDistance::new(&ball, &Topology::new(&ball));
        let by = Amounts::Even(0.4);
        let moved = Moved {
            field: &field,
            by: &by,
            sign: 1.0,
        };
        let plane = |at: f64, way: Vector| {
            HalfSpace::new(Point::from(way * at), &way).expect("a direction")
        };
        let (edge, lid) = (plane(3.0, Vector::x()), plane(2.0, Vector::z()));
        let quick = Trimmed {
            moved: &moved,
            rounded: Some((&edge, 0.5)),
            cuts: vec![&lid],
        };
        let inner = Overlap::rounded(vec![&moved, &edge], Mm(0.5));
        let slow = Overlap::sharp(vec![&inner, &lid]);
        let mut near: Option<Sample> = None;
        let mut skipped = 0;
        for i in 0..4000_u32 {
            let t = f64::from(i);
            let (r, turn) = (6.0 * (t * 0.618).fract(), t * 2.4);
            let z = 6.0 * (2.0 * (t * 0.754).fract() - 1.0);
            let p = Point::new(r * turn.cos(), r * turn.sin(), z);
            // A neighbour close by, now and then none.
            let beside = p + Vector::new(0.1, -0.2, 0.15);
            near = (i % 7 > 0).then(|| quick.sample(&beside, near.as_ref()));
            let (a, b) = (quick.sample(&p, near.as_ref()), slow.sample(&p, None));
            assert!((a.value_mm - b.value_mm).abs() < 1e-9, "{p}: {a:?} {b:?}");
            assert!((a.gradient - b.gradient).norm() < 1e-6, "{p}: {a:?} {b:?}");
            skipped += u32::from(a.mesh == BOUND);
        }
        assert!(skipped > 400, "{skipped}");
        let (a, b) = (surface(&quick, 0.4), surface(&slow, 0.4));
        let volume =
            |s: Result<crate::field::Surface, _>| s.expect("drawn").mesh.signed_volume_mm3();
        assert!((volume(a) - volume(b)).abs() < 1e-6);
    }
}

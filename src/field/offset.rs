//! Offset solids: everything nearer to a scan than a distance that may vary from place to place.

use rayon::prelude::*;

use super::{Implicit, Sample, SignedDistance};
use crate::mesh::{Mesh, Point, Vector};
use crate::units::Mm;

/// Step for the slope of a varying amount, mm. At 1e-7 its differences drown in rounding; at 0.1
/// a blend over 2 mm is smeared by a percent.
const SLOPE_STEP_MM: f64 = 1e-3;

/// How far outward (positive) or inward (negative) a surface is moved.
#[derive(Clone, Copy)]
pub enum Amount<'a> {
    /// The same everywhere.
    Everywhere(Mm),
    /// By place: the surface is where the signed distance equals `at(point)`, mm.
    Varying {
        /// The amount at a point, mm; continuous.
        at: &'a (dyn Fn(&Point) -> f64 + Sync),
        /// Its largest value anywhere.
        most: Mm,
        /// The steepest it changes, mm per mm. Too small a value may lose parts of the surface.
        slope: f64,
    },
}

/// A scan moved outward or inward, as a solid.
pub struct Offset<'a> {
    /// The scan.
    pub field: &'a SignedDistance,
    /// By how much.
    pub amount: Amount<'a>,
}

impl<'a> Offset<'a> {
    /// The scan moved by the same distance everywhere.
    #[must_use]
    pub fn by(field: &'a SignedDistance, distance: Mm) -> Self {
        Self {
            field,
            amount: Amount::Everywhere(distance),
        }
    }
}

impl Implicit for Offset<'_> {
    fn sample(&self, p: &Point, near: Option<&Sample>) -> Sample {
        let mut s = self.field.distance(p, near);
        match self.amount {
            Amount::Everywhere(by) => s.value_mm -= by.0,
            Amount::Varying { at, .. } => {
                s.value_mm -= at(p);
                s.gradient -= Vector::from_fn(|k, _| {
                    let mut step = Vector::zeros();
                    step[k] = SLOPE_STEP_MM;
                    (at(&(p + step)) - at(&(p - step))) / (2.0 * SLOPE_STEP_MM)
                });
            }
        }
        s
    }

    fn bounds(&self) -> (Point, Point) {
        let (lo, hi) = Implicit::bounds(self.field);
        let most = match self.amount {
            Amount::Everywhere(by) => by.0,
            Amount::Varying { most, .. } => most.0,
        };
        let grow = Vector::repeat(most.max(0.0));
        (lo - grow, hi + grow)
    }

    fn slope(&self) -> f64 {
        match self.amount {
            Amount::Everywhere(_) => 1.0,
            Amount::Varying { slope, .. } => 1.0 + slope.max(0.0),
        }
    }
}

/// How far a mesh lies from the level it stands for, mm, unsigned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// Largest at a vertex.
    pub vertex_max: Mm,
    /// Root mean square at vertices.
    pub vertex_rms: Mm,
    /// Largest at the middle of a facet.
    pub centre_max: Mm,
    /// Root mean square at the middles of facets, every facet counted once.
    pub centre_rms: Mm,
}

/// Measures a drawn surface against the solid it was drawn from, at every vertex and facet middle.
#[must_use]
pub fn deviation<F: Implicit + ?Sized>(f: &F, mesh: &Mesh) -> Deviation {
    let off = |points: Vec<Point>| -> (f64, f64) {
        let all: Vec<f64> = points
            .par_chunks(256)
            .flat_map_iter(|chunk| {
                let mut near: Option<Sample> = None;
                chunk.iter().map(move |p| {
                    let s = f.sample(p, near.as_ref());
                    near = Some(s);
                    s.value_mm.abs()
                })
            })
            .collect();
        let sum: f64 = all.iter().map(|d| d * d).sum();
        let max = all.iter().copied().fold(0.0, f64::max);
        (max, (sum / all.len().max(1) as f64).sqrt())
    };
    let (vertex_max, vertex_rms) = off(mesh.points().to_vec());
    let middles = (0..mesh.facets().len()).map(|t| {
        let [a, b, c] = mesh.corners(t);
        Point::from((a.coords + b.coords + c.coords) / 3.0)
    });
    let (centre_max, centre_rms) = off(middles.collect());
    Deviation {
        vertex_max: Mm(vertex_max),
        vertex_rms: Mm(vertex_rms),
        centre_max: Mm(centre_max),
        centre_rms: Mm(centre_rms),
    }
}

#[cfg(test)]
mod tests {
    use super::super::surface;
    use super::super::test_shapes::*;
    use super::*;
    use crate::mesh::Topology;

    fn field(mesh: &Mesh) -> SignedDistance {
        SignedDistance::new(mesh, &Topology::new(mesh))
    }

    fn show(name: &str, f: &impl Implicit, cell: f64) -> Mesh {
        let t = cpu_s();
        let s = surface(f, cell).expect("surface");
        let time = cpu_s() - t;
        let d = deviation(f, &s.mesh);
        let topo = Topology::new(&s.mesh);
        eprintln!(
            "{name}: CPU {:.2} s facets {} refined {} folded {} unsettled {} | V max {:.5} rms {:.5} C max {:.5} rms {:.5} | vol {:.4} open {} fins {} flipped {} cross {}",
            time,
            s.mesh.facets().len(),
            s.refined,
            s.folded,
            s.unsettled.len(),
            d.vertex_max.0,
            d.vertex_rms.0,
            d.centre_max.0,
            d.centre_rms.0,
            s.mesh.signed_volume_mm3(),
            topo.open_edges,
            topo.fins.len(),
            topo.flipped_edges,
            super::super::crossing::crossing_pairs(&s.mesh).len()
        );
        s.mesh
    }

    #[test]
    fn look() {
        let b = boxed(Point::origin(), Point::new(10.0, 8.0, 6.0), 10);
        let d = field(&b);
        show("box -1", &Offset::by(&d, Mm(-1.0)), 0.2);
        show("box -1 coarse", &Offset::by(&d, Mm(-1.0)), 0.4);
        show("box +0.3", &Offset::by(&d, Mm(0.3)), 0.2);
        let t = torus(5.0, 2.0, 60);
        let d = field(&t);
        show("torus -1.2", &Offset::by(&d, Mm(-1.2)), 0.2);
        show("torus +1", &Offset::by(&d, Mm(1.0)), 0.2);
        let t = bent_tube(2.0, 2.5, 2.0, 60);
        let d = field(&t);
        for r in [0.3, 1.0, -0.8, -1.2, -1.6] {
            show(&format!("bent {r}"), &Offset::by(&d, Mm(r)), 0.2);
        }
    }

    fn cpu_s() -> f64 {
        let s = std::fs::read_to_string("/proc/self/stat").unwrap();
        let v: Vec<&str> = s.rsplit(')').next().unwrap().split_whitespace().collect();
        (v[11].parse::<f64>().unwrap() + v[12].parse::<f64>().unwrap()) / 100.0
    }

    #[test]
    #[ignore]
    fn look_ears() {
        use crate::demo::{EarModel, Side, ear};
        for n in [25_000, 100_000] {
            for (name, model) in [
                ("small", EarModel::small(Side::Right)),
                ("medium", EarModel::medium(Side::Right)),
            ] {
                let mesh = ear(&EarModel { facets: n, ..model }).mesh;
                let t = std::time::Instant::now();
                let d = field(&mesh);
                eprintln!(
                    "{name} {} facets area {:.0}, field {:?} {:?}",
                    mesh.facets().len(),
                    mesh.area_mm2(),
                    t.elapsed(),
                    d.rule()
                );
                for r in if n < 50_000 {
                    vec![0.3, -0.8, -1.2, -2.0]
                } else {
                    vec![-2.0]
                } {
                    show(&format!("{name} {r}"), &Offset::by(&d, Mm(r)), 0.2);
                }
            }
        }
    }
}

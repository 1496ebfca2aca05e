//! The canal measure against shapes whose truth is known in closed form: tubes swept along
//! straight runs and arcs, with and without a concha, in any pose, noise, density and winding.

use std::f64::consts::PI;

use nalgebra::{Rotation3, Unit};

use super::*;
use crate::mesh::{Mesh, MeshQueries};

/// A tube swept along runs of (length, curvature, plane angle), elliptic, with a round tip.
struct Swept {
    runs: Vec<(f64, f64, f64)>,
    /// Semi-axes at the outer end and at the tip.
    half: [(f64, f64); 2],
    concha: bool,
    closed_base: bool,
    rings: usize,
    sides: usize,
}

impl Swept {
    fn usual() -> Self {
        let runs = vec![
            (7.0, 0.0, 0.0),
            (10.0 * 35_f64.to_radians(), 0.1, PI),
            (5.0, 0.0, 0.0),
            (12.0 * 25_f64.to_radians(), 1.0 / 12.0, 0.0),
            (7.0, 0.0, 0.0),
        ];
        Self {
            runs,
            half: [(5.0, 4.0), (3.1, 2.7)],
            concha: true,
            closed_base: false,
            rings: 110,
            sides: 80,
        }
    }

    fn length(&self) -> f64 {
        self.runs.iter().map(|r| r.0).sum()
    }

    fn line(&self) -> (Vec<Point>, Vec<Vector>) {
        let (mut p, mut t) = (Point::origin(), -Vector::z());
        let (mut points, mut directions) = (vec![p], vec![t]);
        for &(length, curvature, angle) in &self.runs {
            let n = (length / 0.02).round().max(1.0) as usize;
            let e1 = (Vector::x() - t * t.x).normalize();
            let e2 = t.cross(&e1);
            let about = Unit::new_normalize(t.cross(&(e1 * angle.cos() + e2 * angle.sin())));
            let half_step = Rotation3::from_axis_angle(&about, curvature * length / n as f64 / 2.0);
            for _ in 0..n {
                t = half_step * t;
                p += t * (length / n as f64);
                t = half_step * t;
                points.push(p);
                directions.push(t);
            }
        }
        (points, directions)
    }

    fn mesh(&self) -> Mesh {
        let (line, directions) = self.line();
        let arcs = curve::arc_lengths(&line);
        let length = arcs[arcs.len() - 1];
        let mut rings: Vec<Vec<Point>> = Vec::new();
        let ellipse = |a: f64, b: f64, th: f64| {
            1.0 / ((th.cos() / a).powi(2) + (th.sin() / b).powi(2)).sqrt()
        };
        let ring = |centre: Point, t: Vector, radius: &dyn Fn(f64) -> f64| -> Vec<Point> {
            let e1 = (Vector::x() - t * t.x).normalize();
            let e2 = e1.cross(&t);
            let e2 = if e2.y < 0.0 { -e2 } else { e2 };
            (0..self.sides)
                .map(|j| {
                    let th = 2.0 * PI * j as f64 / self.sides as f64;
                    centre + (e1 * th.cos() + e2 * th.sin()) * radius(th)
                })
                .collect()
        };
        if self.concha {
            for k in 0..40 {
                let u = 10.0 * (1.0 - f64::from(k) / 40.0);
                let w = (u / 3.0).min(1.0);
                let w = w * w * (3.0 - 2.0 * w);
                // forward (x) 4.5, back 13, up (y) 17, down 8: a right ear
                let bowl = |th: f64| {
                    ellipse(
                        if th.cos() > 0.0 { 4.5 } else { 13.0 },
                        if th.sin() > 0.0 { 17.0 } else { 8.0 },
                        th,
                    )
                };
                let (a, b) = self.half[0];
                rings.push(ring(line[0] + Vector::z() * u, directions[0], &|th| {
                    (1.0 - w) * ellipse(a, b, th) + w * bowl(th)
                }));
            }
        }
        let blunt = self.half[1].0.min(self.half[1].1);
        for k in 0..=self.rings + 12 {
            let (at, shrink) = if k <= self.rings {
                ((length - blunt) * k as f64 / self.rings as f64, 1.0)
            } else {
                let q = (k - self.rings) as f64 / 13.0 * PI / 2.0;
                (length - blunt + blunt * q.sin(), q.cos())
            };
            let i = arcs.partition_point(|&a| a < at).min(line.len() - 1);
            let share = (at / length).min(1.0);
            let half = |k: usize| {
                let pick = |h: (f64, f64)| if k == 0 { h.0 } else { h.1 };
                (pick(self.half[0]) + (pick(self.half[1]) - pick(self.half[0])) * share) * shrink
            };
            rings.push(ring(line[i], directions[i], &|th| {
                ellipse(half(0), half(1), th)
            }));
        }
        self.stitch(&rings, line[line.len() - 1])
    }

    fn stitch(&self, rings: &[Vec<Point>], tip: Point) -> Mesh {
        let n = self.sides as u32;
        let mut points: Vec<Point> = rings.iter().flatten().copied().collect();
        let mut facets = Vec::new();
        for i in 0..rings.len() as u32 - 1 {
            for j in 0..n {
                let (a, b) = (i * n + j, i * n + (j + 1) % n);
                facets.push([a, a + n, b]);
                facets.push([b, a + n, b + n]);
            }
        }
        let last = (rings.len() as u32 - 1) * n;
        points.push(tip);
        facets.extend((0..n).map(|j| [last + j, points.len() as u32 - 1, last + (j + 1) % n]));
        if self.closed_base {
            let middle = rings[0].iter().map(|p| p.coords).sum::<Vector>() / rings[0].len() as f64;
            points.push(Point::from(middle));
            facets.extend((0..n).map(|j| [j, (j + 1) % n, points.len() as u32 - 1]));
        }
        let mesh = Mesh::new(points, facets).expect("indices are built in range");
        if mesh.signed_volume_mm3() < 0.0 {
            mesh.inverted()
        } else {
            mesh
        }
    }
}

fn look(mesh: &Mesh) -> Result<Canal, NoCanal> {
    let topology = Topology::new(mesh);
    let queries = MeshQueries::new(mesh);
    let soundness = crate::soundness::inspect(mesh, &topology, &queries);
    measure(mesh, &topology, &queries, &soundness)
}

fn turned(mesh: &Mesh, seed: f64) -> Mesh {
    let r = Rotation3::from_euler_angles(seed, 2.3 * seed, -1.7 * seed);
    mesh.mapped(|p| r * p + Vector::new(40.0 * seed, -30.0, 12.0))
        .expect("a rigid motion keeps coordinates finite")
}

fn noisy(mesh: &Mesh, sigma_mm: f64) -> Mesh {
    let normals = mesh.point_normals();
    let mut i = 0_u64;
    mesh.mapped(|p| {
        i += 1;
        let uniform = |k: u64| (cut::mix(i * 7 + k) >> 11) as f64 / (1_u64 << 53) as f64;
        let normal = (-2.0 * uniform(1).max(1e-12).ln()).sqrt() * (2.0 * PI * uniform(2)).cos();
        p + normals[i as usize - 1] * (sigma_mm * normal)
    })
    .expect("finite noise keeps coordinates finite")
}

/// Lengths of the usual shape: bends at the middles of the arcs, counted from the outer end.
fn check_usual(canal: &Canal, shape: &Swept, length_tol: f64, bend_tol: f64, turn_tol: f64) {
    // The flare begins at the outer end of the tube; by definition the aperture is where it has
    // become steep, 0.06 mm further out for this one.
    assert!(
        (canal.length_mm.value - shape.length() - 0.06).abs() < length_tol,
        "length {}",
        canal.length_mm.value
    );
    assert!(canal.aperture_reached && canal.bends_sure);
    assert_eq!(canal.bends.len(), 2);
    let first = 7.0 + 5.0 * 35_f64.to_radians();
    let second = 12.0 + 10.0 * 35_f64.to_radians() + 6.0 * 25_f64.to_radians();
    for (bend, (at, turn)) in canal.bends.iter().zip([(first, 35.0), (second, 25.0)]) {
        assert!(
            (bend.past_mm.value - (shape.length() - at)).abs() < bend_tol,
            "past {} for {}",
            bend.past_mm.value,
            shape.length() - at
        );
        assert!(
            (bend.turn_deg.value - turn).abs() < turn_tol,
            "turn {}",
            bend.turn_deg.value
        );
    }
}

#[test]
fn two_arcs_with_a_concha_in_any_pose() {
    let shape = Swept::usual();
    for pose in [0.0, 0.4, 1.1, -2.0] {
        check_usual(
            &look(&turned(&shape.mesh(), pose)).expect("a plain canal"),
            &shape,
            0.05,
            0.1,
            1.0,
        );
    }
}

#[test]
fn coarse_and_noisy_scans_stay_near() {
    let shape = Swept {
        rings: 40,
        sides: 40,
        ..Swept::usual()
    };
    let canal = look(&noisy(&turned(&shape.mesh(), 0.7), 0.05)).expect("a plain canal");
    check_usual(&canal, &shape, 0.3, 0.5, 5.0);
    let fine = look(&turned(&Swept::usual().mesh(), 0.7)).expect("a plain canal");
    assert!(
        canal.length_mm.plus_minus > fine.length_mm.plus_minus,
        "noise and large facets must widen the ±"
    );
}

#[test]
fn the_mirror_image_is_the_other_ear() {
    let mesh = turned(&Swept::usual().mesh(), 0.9);
    let mirrored = mesh
        .mapped(|p| Point::new(-p.x, p.y, p.z))
        .expect("finite")
        .inverted();
    let (a, b) = (
        look(&mesh).expect("a canal"),
        look(&mirrored).expect("a canal"),
    );
    assert_eq!((a.side, b.side), (Some(Side::Right), Some(Side::Left)));
    assert!((a.length_mm.value - b.length_mm.value).abs() < 0.01);
    // the frame's chirality is the side's sign
    for (canal, sign) in [(&a, 1.0), (&b, -1.0)] {
        let f = canal.frame.expect("a side comes with a frame");
        assert!((f.forward.cross(&f.up).dot(&f.out) - sign).abs() < 1e-9);
    }
}

#[test]
fn inverted_winding_changes_no_length() {
    let mesh = turned(&Swept::usual().mesh(), 0.3);
    let (a, b) = (
        look(&mesh).expect("a canal"),
        look(&mesh.inverted()).expect("a canal"),
    );
    assert!((a.length_mm.value - b.length_mm.value).abs() < 0.01);
    assert_eq!(a.bends.len(), b.bends.len());
    assert_eq!(a.side, b.side);
}

#[test]
fn sections_of_an_elliptic_tube_have_its_area_and_widths() {
    // closed form: an ellipse 10 × 7 has area 54.98, perimeter 26.91, equivalent diameter 8.367
    let shape = Swept {
        runs: vec![(24.0, 0.0, 0.0)],
        half: [(5.0, 3.5), (5.0, 3.5)],
        concha: false,
        ..Swept::usual()
    };
    let canal = look(&turned(&shape.mesh(), 0.5)).expect("an open tube");
    assert!(!canal.aperture_reached && canal.length_mm.bound == crate::units::Bound::AtLeast);
    let s = &canal.sections[canal.sections.len() / 2];
    // an inscribed polygon of 80 sides is smaller, never larger
    assert!(
        s.area_mm2 < 54.98 && s.area_mm2 > 54.98 * 0.995,
        "{}",
        s.area_mm2
    );
    assert!((s.perimeter_mm - 26.91).abs() < 0.05);
    assert!((s.equivalent_diameter_mm() - 8.367).abs() < 0.02);
    assert!((s.largest_mm - 10.0).abs() < 0.02 && (s.smallest_mm - 7.0).abs() < 0.02);
    assert!(canal.bends.is_empty());
}

#[test]
fn a_tube_alike_at_both_ends_has_two_tips() {
    // closed by a flat cap smaller than what would tell the outside, and as wide at both ends
    let shape = Swept {
        runs: vec![(20.0, 0.0, 0.0)],
        half: [(3.4, 3.2), (3.4, 3.2)],
        concha: false,
        closed_base: true,
        ..Swept::usual()
    };
    assert_eq!(look(&shape.mesh()).err(), Some(NoCanal::TwoTips));
}

#[test]
fn a_ball_has_no_canal() {
    let shape = Swept {
        runs: vec![(1.0, 0.0, 0.0)],
        half: [(9.0, 9.0), (9.0, 9.0)],
        concha: false,
        closed_base: true,
        ..Swept::usual()
    };
    assert!(look(&shape.mesh()).is_err());
}

#[test]
fn a_hole_in_the_canal_is_bridged_and_told() {
    let mesh = Swept::usual().mesh();
    let (points, facets) = mesh.into_parts();
    let centre = Point::new(4.6, 0.0, -4.0);
    let kept = facets
        .into_iter()
        .filter(|f| {
            f.iter()
                .all(|&i| (points[i as usize] - centre).norm() > 1.0)
        })
        .collect();
    let holed = Mesh::new(points, kept).expect("indices unchanged");
    let canal = look(&holed).expect("a plain canal");
    check_usual(&canal, &Swept::usual(), 0.1, 0.15, 1.5);
    let bridged = canal.sections.iter().map(|s| s.gap_mm).fold(0.0, f64::max);
    assert!((1.2..2.6).contains(&bridged), "{bridged}");
    let (region, at) = region_of(&canal, &centre);
    assert_eq!(region, crate::soundness::Region::SealZone);
    assert!((at.expect("an arc position") - 4.06).abs() < 0.3);
}

#[test]
fn thread_count_changes_nothing() {
    let mesh = turned(&Swept::usual().mesh(), 0.2);
    let one = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .expect("a pool of one")
        .install(|| look(&mesh));
    let many = rayon::ThreadPoolBuilder::new()
        .num_threads(4)
        .build()
        .expect("a pool of four")
        .install(|| look(&mesh));
    assert_eq!(one, many);
}

//! A surface made small for a page: places in 16 bits of its own box, facets as distances from the
//! newest point, seven bits a byte. A 40 mm scan is kept to 0.0003 mm; a facet takes about 4 bytes.

use std::collections::HashMap;

use crate::mesh::{Mesh, Point};

/// More facets than this, of all surfaces together, are thinned for the view. Fewer: scans of 200,000 facets, which turn
/// smoothly, would lose detail; more: a page of 400,000 facets takes 5 MB and turns in jerks on a
/// machine without a graphics card.
const MOST_FACETS: usize = 200_000;

/// A surface for the view, and where its points come from.
pub(super) struct Viewed {
    /// The surface.
    pub mesh: Mesh,
    /// Of each of its points, the one of the full surface.
    pub from: Vec<u32>,
    /// True where it has fewer facets than the full surface.
    pub thinned: bool,
}

/// The surfaces as they are shown: whole, or with their points gathered in cells of a grid, so many
/// that no more than [`MOST_FACETS`] are left of all. Small ones stay whole and the large ones share
/// what is left alike. The point nearest to the middle of a cell's points stands for them, so that
/// points stay on the surface and keep their own figures.
pub(super) fn viewed(meshes: &[&Mesh]) -> Vec<Viewed> {
    let counts: Vec<usize> = meshes.iter().map(|m| m.facets().len()).collect();
    let most = share(&counts, MOST_FACETS);
    meshes.iter().map(|mesh| view_of(mesh, most)).collect()
}

/// The most that each may have so that all together have no more than `most`.
fn share(counts: &[usize], most: usize) -> usize {
    let mut sorted = counts.to_vec();
    sorted.sort_unstable();
    let mut left = most;
    for (i, &count) in sorted.iter().enumerate() {
        let each = left / (sorted.len() - i);
        if count > each {
            return each;
        }
        left -= count;
    }
    most
}

fn view_of(mesh: &Mesh, most: usize) -> Viewed {
    let whole = |mesh: &Mesh| Viewed {
        mesh: mesh.clone(),
        from: (0..mesh.points().len() as u32).collect(),
        thinned: false,
    };
    if mesh.facets().len() <= most {
        return whole(mesh);
    }
    // Facets of a gathered surface are about two a cell, each of half its side squared.
    let mut cell = (mesh.area_mm2() / most as f64).sqrt().max(1e-9);
    for _ in 0..24 {
        let gathered = gather(mesh, cell);
        if gathered.mesh.facets().len() <= most {
            return gathered;
        }
        cell *= 1.15;
    }
    whole(mesh)
}

fn gather(mesh: &Mesh, cell: f64) -> Viewed {
    let low = mesh.bounds().map_or_else(Point::origin, |(lo, _)| lo);
    let key = |p: &Point| -> [i64; 3] { std::array::from_fn(|k| ((p[k] - low[k]) / cell) as i64) };
    let mut number: HashMap<[i64; 3], u32> = HashMap::new();
    let mut cell_of = Vec::with_capacity(mesh.points().len());
    let mut sums: Vec<(nalgebra::Vector3<f64>, f64)> = Vec::new();
    for p in mesh.points() {
        let next = sums.len() as u32;
        let c = *number.entry(key(p)).or_insert(next);
        if c == next {
            sums.push((nalgebra::Vector3::zeros(), 0.0));
        }
        let sum = &mut sums[c as usize];
        sum.0 += p.coords;
        sum.1 += 1.0;
        cell_of.push(c);
    }
    let mut best: Vec<(f64, u32)> = vec![(f64::INFINITY, 0); sums.len()];
    for (i, p) in mesh.points().iter().enumerate() {
        let c = cell_of[i] as usize;
        let off = (p.coords - sums[c].0 / sums[c].1).norm_squared();
        if off < best[c].0 {
            best[c] = (off, i as u32);
        }
    }
    let facets: Vec<[u32; 3]> = mesh
        .facets()
        .iter()
        .map(|f| f.map(|p| cell_of[p as usize]))
        .filter(|[a, b, c]| a != b && b != c && c != a)
        .collect();
    let from: Vec<u32> = best.iter().map(|b| b.1).collect();
    let points = from.iter().map(|&p| mesh.points()[p as usize]).collect();
    // Points of a mesh, and numbers of cells that each have one.
    let mesh = Mesh::new(points, facets).unwrap_or_default();
    Viewed {
        mesh,
        from,
        thinned: true,
    }
}

/// A surface in bytes.
pub(super) struct Packed {
    /// Lower corner of its box.
    pub low: [f64; 3],
    /// Side of a step, mm, the same along all three.
    pub step: f64,
    /// Six bytes a point: 16 bits a coordinate, low byte first.
    pub places: Vec<u8>,
    /// Facets, in the order of the surface.
    pub facets: Vec<u8>,
    /// Of each packed point, the one of the surface: they are in order of first use.
    pub order: Vec<u32>,
}

/// Packs a surface. Points that no facet uses are left out.
pub(super) fn pack(mesh: &Mesh) -> Packed {
    let (lo, hi) = mesh
        .bounds()
        .unwrap_or_else(|| (Point::origin(), Point::origin()));
    let step = ((hi - lo).max() / 65_535.0).max(1e-12);
    let mut order = Vec::new();
    let mut place = vec![u32::MAX; mesh.points().len()];
    let mut facets = Vec::with_capacity(mesh.facets().len() * 4);
    for corners in mesh.facets() {
        for &p in corners {
            let at = &mut place[p as usize];
            let next = order.len() as u32;
            if *at == u32::MAX {
                *at = next;
                order.push(p);
            }
            // 0: a new point; n: the n-th newest.
            seven_bits(&mut facets, next - *at);
        }
    }
    let mut places = Vec::with_capacity(order.len() * 6);
    for &p in &order {
        let q = (mesh.points()[p as usize] - lo) / step;
        for x in q.iter() {
            places.extend((x.round().clamp(0.0, 65_535.0) as u16).to_le_bytes());
        }
    }
    Packed {
        low: [lo.x, lo.y, lo.z],
        step,
        places,
        facets,
        order,
    }
}

fn seven_bits(out: &mut Vec<u8>, mut n: u32) {
    while n >= 128 {
        out.push((n & 127) as u8 | 128);
        n >>= 7;
    }
    out.push(n as u8);
}

/// Figures at points in 16 bits: 65535 for none.
pub(super) fn pack_values(values: impl Iterator<Item = f64>, [low, high]: [f64; 2]) -> Vec<u8> {
    let span = (high - low).max(1e-12);
    values
        .flat_map(|v| {
            let q = if v.is_finite() {
                (((v - low) / span).clamp(0.0, 1.0) * 65_534.0).round() as u16
            } else {
                u16::MAX
            };
            q.to_le_bytes()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shell::wall::shapes::sphere;

    /// Reads a packed surface back, in a way of its own.
    fn unpacked(p: &Packed) -> (Vec<[f64; 3]>, Vec<u32>) {
        let points = p.places.chunks(6).map(|c| {
            std::array::from_fn(|k| {
                p.low[k] + p.step * f64::from(u16::from_le_bytes([c[2 * k], c[2 * k + 1]]))
            })
        });
        let (mut out, mut newest, mut n, mut shift) = (Vec::new(), 0_u32, 0_u32, 0);
        for &b in &p.facets {
            n |= u32::from(b & 127) << shift;
            shift += 7;
            if b < 128 {
                if n == 0 {
                    newest += 1;
                    out.push(newest - 1);
                } else {
                    out.push(newest - n);
                }
                (n, shift) = (0, 0);
            }
        }
        (points.collect(), out)
    }

    #[test]
    fn large_surfaces_share_what_small_ones_leave() {
        assert_eq!(share(&[150], 200), 200);
        assert_eq!(share(&[250], 200), 200);
        assert_eq!(share(&[10, 250, 300], 200), 95);
        assert_eq!(share(&[100, 20, 100, 100], 200), 60);
        assert_eq!(share(&[], 200), 200);
    }

    #[test]
    fn what_is_packed_comes_back() {
        let mesh = sphere(Point::new(3.0, -40.0, 7.0), 20.0, 4);
        let packed = pack(&mesh);
        let (points, corners) = unpacked(&packed);
        assert_eq!(corners.len(), 3 * mesh.facets().len());
        for (got, want) in corners.iter().zip(mesh.facets().iter().flatten()) {
            assert_eq!(packed.order[*got as usize], *want);
            let (p, q) = (points[*got as usize], mesh.points()[*want as usize]);
            // Half a step along each coordinate.
            assert!((0..3).all(|k| (p[k] - q[k]).abs() <= 0.5 * packed.step + 1e-12));
        }
        assert!(packed.step < 40.1 / 65_535.0);
        assert!(packed.facets.len() < 6 * mesh.facets().len());
    }

    #[test]
    fn a_thinned_view_keeps_to_the_surface_and_under_its_count() {
        let mesh = sphere(Point::origin(), 10.0, 5);
        let most = mesh.facets().len() / 3;
        let view = view_of(&mesh, most);
        assert!(view.thinned && view.mesh.facets().len() <= most);
        assert!(
            view.mesh.facets().len() > most / 3,
            "{}",
            view.mesh.facets().len()
        );
        for (p, &from) in view.mesh.points().iter().zip(&view.from) {
            assert_eq!(*p, mesh.points()[from as usize]);
        }
        // Chords cut inside a sphere: the area may only fall, and by little.
        let share = view.mesh.area_mm2() / mesh.area_mm2();
        assert!((0.97..=1.001).contains(&share), "{share}");
        assert!(!view_of(&mesh, mesh.facets().len()).thinned);
    }

    #[test]
    fn figures_keep_their_order_and_their_gaps() {
        let bytes = pack_values([0.0, 2.0, f64::NAN, 9.0].into_iter(), [0.0, 4.0]);
        let read: Vec<u16> = bytes
            .chunks(2)
            .map(|c| u16::from_le_bytes([c[0], c[1]]))
            .collect();
        assert_eq!(read, [0, 32_767, 65_535, 65_534]);
    }
}

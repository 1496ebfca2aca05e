//! Pairs of facets that cross, by exact orientation tests: guards a drawn surface where it was
//! worked over, and judges the whole of it.
//!
//! Facets are sorted into bins; of each pair that meets in a bin, rounded planes answer where they
//! surely can, and exact arithmetic the rest.

use std::collections::HashSet;

use rayon::prelude::*;
use robust::{Coord3D, orient3d};

use crate::mesh::{Point, Vector};

/// Width of a bin in mean widths of facets. At 2 each bin holds some 30 facets, all tested in
/// pairs; below 1 facets lie in ten bins each.
const BIN: f64 = 1.5;
/// Facets in more bins than this are asked against every other one instead.
const MANY_BINS: usize = 512;
/// Rounding of n·(p − a) with n = ab × ac is below this share of |ab| |ac| |p − a|: some ten roundings
/// of 2⁻⁵³ each, rounded up generously.
const ROUNDING: f64 = 1e-14;

fn side(a: &Point, b: &Point, c: &Point, d: &Point) -> f64 {
    let [a, b, c, d] = [a, b, c, d].map(|p| Coord3D {
        x: p.x,
        y: p.y,
        z: p.z,
    });
    orient3d(a, b, c, d)
}

/// Whether the segment p–q passes through the inside of a facet.
fn pierces(p: &Point, q: &Point, t: &[Point; 3]) -> bool {
    let [a, b, c] = t;
    let (sp, sq) = (side(a, b, c, p), side(a, b, c, q));
    if sp * sq >= 0.0 {
        return false;
    }
    let (u, v, w) = (side(p, q, a, b), side(p, q, b, c), side(p, q, c, a));
    (u > 0.0 && v > 0.0 && w > 0.0) || (u < 0.0 && v < 0.0 && w < 0.0)
}

/// A facet with what tells quickly that another lies apart from it.
struct Facet {
    corners: [u32; 3],
    at: [Point; 3],
    lo: Point,
    hi: Point,
    normal: Vector,
    rounding: f64,
}

impl Facet {
    fn new(corners: [u32; 3], points: &[Point]) -> Self {
        let at = corners.map(|i| points[i as usize]);
        let [a, b, c] = at;
        let (ab, ac) = (b - a, c - a);
        Self {
            corners,
            at,
            lo: a.inf(&b).inf(&c),
            hi: a.sup(&b).sup(&c),
            normal: ab.cross(&ac),
            rounding: ROUNDING * ab.lp_norm(1) * ac.lp_norm(1),
        }
    }

    fn meets_box_of(&self, other: &Self) -> bool {
        (0..3).all(|k| self.lo[k] <= other.hi[k] && other.lo[k] <= self.hi[k])
    }

    /// Whether all corners of another that are not corners of this lie on one side, surely.
    fn has_beside(&self, other: &Self) -> bool {
        let mut sides = [false; 2];
        for (p, i) in other.at.iter().zip(&other.corners) {
            if self.corners.contains(i) {
                continue;
            }
            let r = p - self.at[0];
            let s = self.normal.dot(&r);
            if s.abs() <= self.rounding * r.lp_norm(1) {
                return false;
            }
            sides[usize::from(s > 0.0)] = true;
        }
        !(sides[0] && sides[1])
    }

    /// Whether they may meet at all.
    fn may_meet(&self, other: &Self) -> bool {
        self.meets_box_of(other) && !self.has_beside(other) && !other.has_beside(self)
    }
}

/// Bins of a width, numbered along three axes from a corner.
struct Bins {
    from: Point,
    width: f64,
}

impl Bins {
    fn new(facets: &[Facet], chosen: &[usize]) -> Option<Self> {
        let wide: f64 = chosen
            .iter()
            .map(|&f| (facets[f].hi - facets[f].lo).amax())
            .sum();
        let first = facets.first()?;
        let (lo, hi) = facets.iter().fold((first.lo, first.hi), |(l, h), f| {
            (l.inf(&f.lo), h.sup(&f.hi))
        });
        let width = BIN * wide / chosen.len().max(1) as f64;
        // A number has 20 bits for each axis.
        let least = (hi - lo).amax() / f64::from((1 << 20) - 2);
        (wide.is_finite()).then(|| Self {
            from: lo,
            width: width.max(least).max(1e-9),
        })
    }

    fn along(&self, p: &Point) -> [u64; 3] {
        [0, 1, 2].map(|k| ((p[k] - self.from[k]) / self.width) as u64)
    }

    fn number(b: [u64; 3]) -> u64 {
        b[0] << 40 | b[1] << 20 | b[2]
    }

    /// The bins of a facet, or `None` where there are very many.
    fn of(&self, f: &Facet) -> Option<impl Iterator<Item = u64> + use<>> {
        let (l, h) = (self.along(&f.lo), self.along(&f.hi));
        let count: u64 = (0..3).map(|k| h[k] - l[k] + 1).product();
        (count <= MANY_BINS as u64).then(|| {
            (l[0]..=h[0]).flat_map(move |x| {
                (l[1]..=h[1]).flat_map(move |y| (l[2]..=h[2]).map(move |z| Self::number([x, y, z])))
            })
        })
    }

    /// Whether two facets, whose boxes meet, are to be asked about in this bin: the first that they share.
    fn is_first_common(&self, bin: u64, a: &Facet, b: &Facet) -> bool {
        Self::number(self.along(&a.lo.sup(&b.lo))) == bin
    }
}

/// Pairs of facets of which an edge of one passes through the other and at least one is suspected.
/// Facets with a common edge are not asked.
pub(crate) fn crossing_pairs(
    points: &[Point],
    facets: &[[u32; 3]],
    suspected: &[bool],
) -> Vec<(u32, u32)> {
    let at = |f: usize| facets[f].map(|i| points[i as usize]);
    pairs_where(points, facets, suspected, |f, g| {
        cross((facets[f], &at(f)), (facets[g], &at(g)))
    })
}

/// Pairs of facets of which at least one is suspected and that `meet`, which is asked only where
/// neither lies wholly on one side of the other. In rising order, lower facet first. Not for heaps of
/// facets whose boxes nearly all overlap: all such pairs are asked.
pub(crate) fn pairs_where(
    points: &[Point],
    facets: &[[u32; 3]],
    suspected: &[bool],
    meet: impl Fn(usize, usize) -> bool + Sync,
) -> Vec<(u32, u32)> {
    let chosen: Vec<usize> = (0..facets.len()).filter(|&f| suspected[f]).collect();
    if chosen.is_empty() {
        return Vec::new(); // no size to choose bins by
    }
    let all: Vec<Facet> = facets
        .par_iter()
        .with_min_len(1024)
        .map(|&c| Facet::new(c, points))
        .collect();
    let Some(bins) = Bins::new(&all, &chosen) else {
        return Vec::new(); // points out of reason
    };
    let asks = |f: usize, g: usize| {
        (suspected[f] || suspected[g]) && all[f].may_meet(&all[g]) && meet(f, g)
    };
    let few = chosen.len() * 4 < all.len();
    let theirs: Option<HashSet<u64>> = few.then(|| {
        let all = chosen.iter().filter_map(|&f| bins.of(&all[f]));
        all.flatten().collect()
    });
    let mut out = in_bins(&all, &bins, theirs.as_ref(), asks);
    let is_wide: Vec<bool> = all.par_iter().map(|f| bins.of(f).is_none()).collect();
    for f in (0..all.len()).filter(|&f| is_wide[f]) {
        let others = (0..all.len()).into_par_iter().filter(|&g| {
            let twice = f == g || is_wide[g] && g < f;
            !twice && asks(f, g)
        });
        out.par_extend(others.map(|g| (f.min(g) as u32, f.max(g) as u32)));
    }
    out.sort_unstable();
    out
}

/// Those that meet in a bin, each once.
fn in_bins(
    all: &[Facet],
    bins: &Bins,
    only: Option<&HashSet<u64>>,
    asks: impl Fn(usize, usize) -> bool + Sync,
) -> Vec<(u32, u32)> {
    let wanted = |b: &u64| only.is_none_or(|t| t.contains(b));
    let mut entries: Vec<(u64, u32)> = (0..all.len())
        .into_par_iter()
        .with_min_len(1024)
        .flat_map_iter(|f| {
            let of = bins.of(&all[f]).into_iter().flatten();
            of.filter(wanted).map(move |b| (b, f as u32))
        })
        .collect();
    entries.par_sort_unstable();
    let groups: Vec<&[(u64, u32)]> = entries.chunk_by(|x, y| x.0 == y.0).collect();
    groups
        .into_par_iter()
        .with_min_len(256)
        .flat_map_iter(|group| {
            let mut found = Vec::new();
            for (n, &(bin, f)) in group.iter().enumerate() {
                let a = &all[f as usize];
                for &(_, g) in &group[n + 1..] {
                    let b = &all[g as usize];
                    if a.meets_box_of(b)
                        && bins.is_first_common(bin, a, b)
                        && asks(f as usize, g as usize)
                    {
                        found.push((f.min(g), f.max(g)));
                    }
                }
            }
            found
        })
        .collect()
}

/// Whether an edge of one facet (corners, and where they are) passes through the other; not asked of
/// facets with a common edge.
pub(crate) fn cross((a, p): ([u32; 3], &[Point; 3]), (b, q): ([u32; 3], &[Point; 3])) -> bool {
    let common = a.iter().filter(|i| b.contains(i)).count();
    if common > 1 {
        return false;
    }
    let apart = |k: usize| {
        let span = |t: &[Point; 3]| {
            let (lo, hi) = (t[0][k].min(t[1][k]), t[0][k].max(t[1][k]));
            (lo.min(t[2][k]), hi.max(t[2][k]))
        };
        let ((a, b), (c, d)) = (span(p), span(q));
        b < c || d < a
    };
    if (0..3).any(apart) {
        return false;
    }
    // An edge from a common corner meets the other facet there and nowhere else, or lies in it:
    // asking would need exact arithmetic every time.
    let any = |a: [u32; 3], p: &[Point; 3], b: [u32; 3], q: &[Point; 3]| {
        (0..3).any(|k| {
            let free = common == 0 || !(b.contains(&a[k]) || b.contains(&a[(k + 1) % 3]));
            free && pierces(&p[k], &p[(k + 1) % 3], q)
        })
    };
    any(a, p, b, q) || any(b, q, a, p)
}

/// The same over a whole mesh.
pub(crate) fn all_crossing_pairs(mesh: &crate::mesh::Mesh) -> Vec<(u32, u32)> {
    crossing_pairs(
        mesh.points(),
        mesh.facets(),
        &vec![true; mesh.facets().len()],
    )
}

#[cfg(test)]
mod tests {
    use super::super::test_shapes::*;
    use super::*;
    use crate::mesh::Mesh;

    #[test]
    fn finds_what_crosses_and_nothing_else() {
        let t = torus(5.0, 2.0, 30);
        assert!(all_crossing_pairs(&t).is_empty());
        let s = sphere(Point::new(5.0, 0.0, 2.0), 1.0, 16);
        assert!(all_crossing_pairs(&both(&t, &s, false)).len() > 20);
    }

    /// Every pair asked, one by one.
    fn slowly(mesh: &Mesh, suspected: &[bool]) -> Vec<(u32, u32)> {
        let at = |f: usize| mesh.facets()[f].map(|i| mesh.points()[i as usize]);
        let all = mesh.facets();
        let pairs = (0..all.len()).flat_map(|f| (f + 1..all.len()).map(move |g| (f, g)));
        pairs
            .filter(|&(f, g)| suspected[f] || suspected[g])
            .filter(|&(f, g)| cross((all[f], &at(f)), (all[g], &at(g))))
            .map(|(f, g)| (f as u32, g as u32))
            .collect()
    }

    #[test]
    fn its_slow_twin_finds_the_same_pairs_of_any_size() {
        let rough = rough(&torus(5.0, 2.0, 16), 0.8);
        let plate = boxed(Point::new(-9.0, -9.0, 0.1), Point::new(9.0, 9.0, 0.3), 1);
        let fine = both(&rough, &sphere(Point::new(5.0, 0.0, 2.0), 1.0, 12), false);
        let mesh = both(&fine, &plate, false);
        let n = mesh.facets().len();
        for suspected in [
            vec![true; n],
            (0..n).map(|f| f % 11 == 0).collect(),
            (0..n).map(|f| f + 12 >= n).collect::<Vec<bool>>(),
        ] {
            let (quick, slow) = (
                crossing_pairs(mesh.points(), mesh.facets(), &suspected),
                slowly(&mesh, &suspected),
            );
            assert!(slow.len() > 20);
            assert_eq!(quick, slow);
        }
    }
}

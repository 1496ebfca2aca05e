//! Which side of every facet is material: sheets, which sheet lies inside which, and what has to
//! be turned round so that all normals point out of the material.
//!
//! A shell comes as one surface that runs in and out of its openings, as an outer surface and a
//! cavity in one file, or as two files; any of them may be wound the wrong way. Winding is never
//! believed: a sheet inside one other bounds a cavity, so its normals must point into it.

use crate::mesh::{Link, Mesh, Point, Topology, Vector};

use super::opening::Opened;

/// A connected piece of surface (fins end it), and what it bounds.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Number of facets.
    pub facets: usize,
    /// Area, mm².
    pub area_mm2: f64,
    /// Enclosed volume, mm³, never negative; open loops are closed by flat fans for it.
    pub volume_mm3: f64,
    /// True where no edge is open.
    pub closed: bool,
    /// True where it lies on another sheet in an opening, and so bounds no closed hollow.
    pub opens: bool,
    /// How many other sheets it lies inside; odd for the surface of a cavity.
    pub depth: u32,
    /// True where most of the facets had to be turned round.
    pub turned: bool,
    /// Place of one of its facets.
    pub point: Point,
}

/// The oriented mesh.
pub(super) struct Oriented {
    pub sheets: Vec<Sheet>,
    pub sheet_of: Vec<u32>,
    /// Facets to be read the other way round.
    pub turned: Vec<bool>,
    /// Facets that disagreed with most of their sheet.
    pub flipped_facets: usize,
    /// Sheets that cannot be given two sides (a Möbius strip).
    pub one_sided: usize,
    /// The surface given as inner lies outside the other one.
    pub inner_astray: bool,
}

/// Finds sheets, their nesting, and which facets to turn. `inner_from`: facets from here on were
/// given as the inner surface, and lie on the outer one where `opened`.
pub(super) fn orient(
    mesh: &Mesh,
    topology: &Topology,
    inner_from: Option<usize>,
    opened: &Opened,
) -> Oriented {
    let mut out = spread(topology);
    let count = out.sheet_of.iter().max().map_or(0, |&m| m as usize + 1);
    let mut members = vec![Vec::new(); count];
    for (f, &s) in out.sheet_of.iter().enumerate() {
        members[s as usize].push(f);
    }
    for list in &members {
        let against = list.iter().filter(|&&f| out.turned[f]).count();
        if 2 * against > list.len() {
            list.iter().for_each(|&f| out.turned[f] ^= true);
        }
        out.flipped_facets += against.min(list.len() - against);
    }
    let closed: Vec<Closed> = members
        .iter()
        .map(|list| Closed::new(mesh, topology, list, &out.turned))
        .collect();
    for (s, list) in members.iter().enumerate() {
        let depth = match inner_from {
            Some(from) => u32::from(list[0] >= from),
            None => nesting(mesh, &closed, list, s),
        };
        // In the opening the two are level, and no place there tells which is inside.
        let apart: Vec<usize> = list.iter().copied().filter(|&f| !opened.holds(f)).collect();
        let inside = || apart.is_empty() || nesting(mesh, &closed, &apart, s) > 0;
        out.inner_astray |= inner_from.is_some_and(|from| list[0] >= from && !inside());
        let inside_out = closed[s].volume_mm3 < 0.0;
        let turned = inside_out != (depth % 2 == 1);
        if turned {
            list.iter().for_each(|&f| out.turned[f] ^= true);
        }
        out.sheets.push(Sheet {
            facets: list.len(),
            area_mm2: list.iter().map(|&f| mesh.area_vector(f).norm() / 2.0).sum(),
            volume_mm3: closed[s].volume_mm3.abs(),
            closed: closed[s].caps.is_empty(),
            opens: apart.len() < list.len(),
            depth,
            turned,
            point: middle(mesh, list[0]),
        });
    }
    out
}

/// Walks across sound edges, noting which facets disagree with the first one of their sheet.
fn spread(topology: &Topology) -> Oriented {
    let n = topology.links.len();
    let mut out = Oriented {
        sheets: Vec::new(),
        sheet_of: vec![u32::MAX; n],
        turned: vec![false; n],
        flipped_facets: 0,
        one_sided: 0,
        inner_astray: false,
    };
    let mut todo = Vec::new();
    let mut sheet = 0;
    for seed in 0..n {
        if out.sheet_of[seed] != u32::MAX {
            continue;
        }
        out.sheet_of[seed] = sheet;
        todo.push(seed);
        let mut conflict = false;
        while let Some(f) = todo.pop() {
            for link in topology.links[f] {
                let (g, turns) = match link {
                    Link::Facet(g) => (g as usize, false),
                    Link::Flipped(g) => (g as usize, true),
                    Link::Open | Link::Fin => continue,
                };
                let wanted = out.turned[f] ^ turns;
                if out.sheet_of[g] == u32::MAX {
                    out.sheet_of[g] = sheet;
                    out.turned[g] = wanted;
                    todo.push(g);
                } else {
                    conflict |= out.turned[g] != wanted;
                }
            }
        }
        out.one_sided += usize::from(conflict);
        sheet += 1;
    }
    out
}

/// A sheet closed by flat fans, as triangles for volume and winding number.
struct Closed {
    triangles: Vec<[Point; 3]>,
    caps: Vec<[Point; 3]>,
    volume_mm3: f64,
    lo: Point,
    hi: Point,
}

impl Closed {
    fn new(mesh: &Mesh, topology: &Topology, facets: &[usize], turned: &[bool]) -> Self {
        let mut open = Vec::new();
        let mut triangles = Vec::with_capacity(facets.len());
        for &f in facets {
            let [a, b, c] = mesh.corners(f);
            triangles.push(if turned[f] { [a, c, b] } else { [a, b, c] });
            for e in 0..3 {
                if matches!(topology.links[f][e], Link::Open | Link::Fin) {
                    let (i, j) = (mesh.facets()[f][e], mesh.facets()[f][(e + 1) % 3]);
                    open.push(if turned[f] { [j, i] } else { [i, j] });
                }
            }
        }
        let caps = caps(mesh, &open);
        let (mut lo, mut hi) = (triangles[0][0], triangles[0][0]);
        for p in triangles.iter().flatten() {
            (lo, hi) = (lo.inf(p), hi.sup(p));
        }
        let o = nalgebra::center(&lo, &hi);
        let six = triangles.iter().chain(&caps).map(|t| {
            let [a, b, c] = t.map(|p| p - o);
            a.dot(&b.cross(&c))
        });
        Self {
            volume_mm3: six.sum::<f64>() / 6.0,
            triangles,
            caps,
            lo,
            hi,
        }
    }

    /// How often the sheet winds round `p` (solid angles after van Oosterom, Strackee 1983).
    fn winding(&self, p: &Point) -> f64 {
        let angle = |t: &[Point; 3]| {
            let [a, b, c] = t.map(|q| q - p);
            let (x, y, z) = (a.norm(), b.norm(), c.norm());
            let below = x * y * z + a.dot(&b) * z + b.dot(&c) * x + c.dot(&a) * y;
            2.0 * a.dot(&b.cross(&c)).atan2(below)
        };
        let sum: f64 = self.triangles.iter().chain(&self.caps).map(angle).sum();
        sum / (4.0 * std::f64::consts::PI)
    }
}

/// Flat fans over chains of open edges, wound to match the surface.
fn caps(mesh: &Mesh, open: &[[u32; 2]]) -> Vec<[Point; 3]> {
    let mut slot = std::collections::HashMap::new();
    for &p in open.iter().flatten() {
        let next = slot.len();
        slot.entry(p).or_insert(next);
    }
    let mut root: Vec<usize> = (0..slot.len()).collect();
    fn find(root: &mut [usize], mut x: usize) -> usize {
        while root[x] != x {
            root[x] = root[root[x]];
            x = root[x];
        }
        x
    }
    for [a, b] in open {
        let (x, y) = (find(&mut root, slot[a]), find(&mut root, slot[b]));
        root[x.max(y)] = x.min(y);
    }
    let mut centre = vec![(Vector::zeros(), 0.0); slot.len()];
    let at = |p: u32| mesh.points()[p as usize];
    for &[a, b] in open {
        let r = find(&mut root, slot[&a]);
        let w = (at(b) - at(a)).norm();
        centre[r].0 += w * (at(a).coords + at(b).coords) / 2.0;
        centre[r].1 += w;
    }
    open.iter()
        .filter_map(|&[a, b]| {
            let (sum, weight) = centre[find(&mut root, slot[&a])];
            (weight > 0.0).then(|| [at(b), at(a), Point::from(sum / weight)])
        })
        .collect()
}

fn middle(mesh: &Mesh, f: usize) -> Point {
    let [a, b, c] = mesh.corners(f);
    Point::from((a.coords + b.coords + c.coords) / 3.0)
}

/// How many other sheets hold sheet `s`: by the vote of three of the places in `list`, since one alone
/// may lie in the mouth of an open sheet.
fn nesting(mesh: &Mesh, closed: &[Closed], list: &[usize], s: usize) -> u32 {
    let places = [0, list.len() / 2, list.len() - 1].map(|k| middle(mesh, list[k]));
    let holds = |j: usize| {
        let c = &closed[j];
        let within = |p: &Point| (0..3).all(|k| p[k] >= c.lo[k] && p[k] <= c.hi[k]);
        let votes = places
            .iter()
            .filter(|p| within(p) && c.winding(p).abs() > 0.5);
        j != s && c.volume_mm3.abs() > closed[s].volume_mm3.abs() && votes.count() >= 2
    };
    (0..closed.len()).filter(|&j| holds(j)).count() as u32
}

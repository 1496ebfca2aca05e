//! Which facets must be turned round so that every part agrees with itself and faces outward.
//!
//! A *sheet* is what hangs together across edges with exactly two facets. Within one, agreement
//! is decided edge by edge; a sheet that comes round to contradict itself (a Möbius band) has no
//! outside at all and says so. Which of the two sides is out is then asked of a whole sheet: the
//! sign of the volume after every boundary is closed by a fan to its middle. A sheet joined to a
//! larger one by fins only takes the larger one's side.

use std::collections::HashMap;

use super::spots::{Fault, spots};
use super::{Spot, fault_at_facet};
use crate::mesh::{BoundaryLoop, Link, Mesh, Point, Topology, Vector};

/// Volume below this share of area^1.5 does not tell which side is out (a ball has 0.094).
/// Too low: a flat, noisy sheet (0.0004 for 0.05 mm noise on a 20 mm square) is turned by chance.
/// Too high: a shallow dish (0.014 at a rise of a tenth of its radius) keeps a wrong winding.
const FLAT_SHARE: f64 = 0.002;

/// Oriented facets: what the file says, and what it should have said.
pub(super) struct Turning {
    /// True where the facet must be turned round.
    pub turned: Vec<bool>,
    /// Sheet of every facet.
    sheet: Vec<u32>,
    /// For every sheet, whether it contradicts itself.
    contradicts: Vec<bool>,
    /// Volume of every sheet with its boundaries closed by fans, mm³, as turned.
    capped_mm3: Vec<f64>,
    /// Edges that disagree however the facets are turned.
    pub stuck_edges: usize,
}

impl Turning {
    /// Finds them; `loops` are all boundary loops of the mesh.
    pub fn new(mesh: &Mesh, topology: &Topology, loops: &[BoundaryLoop]) -> Self {
        let mut out = Self::agree(topology);
        out.face_outward(mesh, topology, loops);
        out
    }

    /// +1 where the facet's winding is right, −1 where it is turned round.
    pub fn sign(&self, facet: usize) -> f64 {
        if self.turned[facet] { -1.0 } else { 1.0 }
    }

    /// Does the sheet of this facet have two sides?
    pub fn two_sided(&self, facet: usize) -> bool {
        !self.contradicts[self.sheet[facet] as usize]
    }

    /// Turns round everything in the facets given.
    pub fn turn_all(&mut self, facets: &[u32]) {
        for &f in facets {
            self.turned[f as usize] = !self.turned[f as usize];
        }
    }

    fn agree(topology: &Topology) -> Self {
        let n = topology.links.len();
        let mut out = Self {
            turned: vec![false; n],
            sheet: vec![u32::MAX; n],
            contradicts: Vec::new(),
            capped_mm3: Vec::new(),
            stuck_edges: 0,
        };
        let mut todo = Vec::new();
        for seed in 0..n {
            if out.sheet[seed] != u32::MAX {
                continue;
            }
            let sheet = out.contradicts.len() as u32;
            let mut stuck = 0;
            out.sheet[seed] = sheet;
            todo.push(seed as u32);
            while let Some(f) = todo.pop() {
                for link in topology.links[f as usize] {
                    let (g, differs) = match link {
                        Link::Facet(g) => (g as usize, false),
                        Link::Flipped(g) => (g as usize, true),
                        Link::Open | Link::Fin => continue,
                    };
                    let wanted = out.turned[f as usize] ^ differs;
                    if out.sheet[g] == u32::MAX {
                        out.sheet[g] = sheet;
                        out.turned[g] = wanted;
                        todo.push(g as u32);
                    } else if out.turned[g] != wanted {
                        stuck += 1; // seen from both sides
                    }
                }
            }
            out.stuck_edges += stuck / 2;
            out.contradicts.push(stuck > 0);
        }
        out
    }

    fn face_outward(&mut self, mesh: &Mesh, topology: &Topology, loops: &[BoundaryLoop]) {
        let sheets = Sheets::new(mesh, topology, loops, self);
        let fins = fins_by_edge(mesh, topology);
        let mut flip = vec![false; sheets.area_mm2.len()];
        let mut decided = vec![false; flip.len()];
        let mut order: Vec<usize> = (0..flip.len()).collect();
        order.sort_by(|&x, &y| {
            sheets.area_mm2[y]
                .total_cmp(&sheets.area_mm2[x])
                .then(x.cmp(&y))
        });
        for s in order {
            flip[s] = self
                .side_of_larger(s, &sheets, &fins, &flip, &decided)
                .unwrap_or_else(|| sheets.inside_out(s));
            decided[s] = true;
        }
        for f in 0..self.turned.len() {
            self.turned[f] ^= flip[self.sheet[f] as usize];
        }
        let turned = |(v, &f): (f64, &bool)| if f { -v } else { v };
        self.capped_mm3 = sheets
            .volume_mm3
            .into_iter()
            .zip(&flip)
            .map(turned)
            .collect();
    }

    /// Volume of the sheets of these facets with every boundary closed by a fan, mm³.
    pub fn capped_volume_mm3(&self, facets: &[u32]) -> f64 {
        let mut sheets: Vec<u32> = facets.iter().map(|&f| self.sheet[f as usize]).collect();
        sheets.sort_unstable();
        sheets.dedup();
        sheets.iter().map(|&s| self.capped_mm3[s as usize]).sum()
    }

    /// Should the sheet be flipped to fit the larger ones it meets at fins? `None` if it meets
    /// none, or only where they are complete without it.
    fn side_of_larger(
        &self,
        s: usize,
        sheets: &Sheets,
        fins: &HashMap<(u32, u32), Vec<(u32, bool)>>,
        flip: &[bool],
        decided: &[bool],
    ) -> Option<bool> {
        let (mut keep, mut turn) = (0_usize, 0_usize);
        for edge in &sheets.fins[s] {
            let (mut balance, mut own) = (0_i32, 0_i32);
            for &(f, forward) in &fins[edge] {
                let other = self.sheet[f as usize] as usize;
                let along = forward ^ self.turned[f as usize] ^ flip[other];
                let step = if along { 1 } else { -1 };
                if other == s {
                    own += step;
                } else if decided[other] {
                    balance += step;
                }
            }
            match (balance * own).signum() {
                1 => turn += 1,
                -1 => keep += 1,
                _ => {}
            }
        }
        (keep != turn).then_some(turn > keep)
    }

    /// Facets to turn round that their part's majority does not share, gathered to spots: where
    /// a whole part is inside out it is no spot, and a facet in it that is right is one.
    pub fn spots(&self, mesh: &Mesh, part_of_facet: &[u32], parts: usize) -> Vec<Spot> {
        let mut tally = vec![[0_usize; 2]; parts];
        for (f, &part) in part_of_facet.iter().enumerate() {
            tally[part as usize][usize::from(self.turned[f])] += 1;
        }
        let odd = |&f: &usize| {
            let [kept, turned] = tally[part_of_facet[f] as usize];
            self.turned[f] == (turned <= kept)
        };
        let faults: Vec<Fault> = (0..self.turned.len())
            .filter(|f| odd(f))
            .map(|f| fault_at_facet(mesh, f))
            .collect();
        spots(&faults)
    }
}

fn key(a: u32, b: u32) -> (u32, u32) {
    (a.min(b), a.max(b))
}

/// For every fin edge, its facets and whether each runs along it from the lower point number.
fn fins_by_edge(mesh: &Mesh, topology: &Topology) -> HashMap<(u32, u32), Vec<(u32, bool)>> {
    let mut out: HashMap<(u32, u32), Vec<(u32, bool)>> = HashMap::new();
    for (f, corners) in mesh.facets().iter().enumerate() {
        for e in 0..3 {
            if topology.links[f][e] == Link::Fin {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                out.entry(key(a, b)).or_default().push((f as u32, a < b));
            }
        }
    }
    out
}

/// Figures of every sheet, as wound before it is turned as a whole.
struct Sheets {
    area_mm2: Vec<f64>,
    turned_area_mm2: Vec<f64>,
    volume_mm3: Vec<f64>,
    fins: Vec<Vec<(u32, u32)>>,
}

impl Sheets {
    fn new(mesh: &Mesh, topology: &Topology, loops: &[BoundaryLoop], turning: &Turning) -> Self {
        let n = turning.contradicts.len();
        let mut out = Self {
            area_mm2: vec![0.0; n],
            turned_area_mm2: vec![0.0; n],
            volume_mm3: vec![0.0; n],
            fins: vec![Vec::new(); n],
        };
        for (f, corners) in mesh.facets().iter().enumerate() {
            let s = turning.sheet[f] as usize;
            let area = 0.5 * mesh.area_vector(f).norm();
            out.area_mm2[s] += area;
            if turning.turned[f] {
                out.turned_area_mm2[s] += area;
            }
            for e in 0..3 {
                if topology.links[f][e] == Link::Fin {
                    out.fins[s].push(key(corners[e], corners[(e + 1) % 3]));
                }
            }
        }
        out.add_volumes(mesh, topology, loops, turning);
        out
    }

    /// Signed volume of every sheet, closed at loops and fins by fans.
    fn add_volumes(
        &mut self,
        mesh: &Mesh,
        topology: &Topology,
        loops: &[BoundaryLoop],
        turning: &Turning,
    ) {
        let Some((lo, hi)) = mesh.bounds() else {
            return;
        };
        let origin = nalgebra::center(&lo, &hi);
        let at = |p: u32| mesh.points()[p as usize];
        let six =
            |a: Point, b: Point, c: Point| (a - origin).dot(&(b - origin).cross(&(c - origin)));
        let fan_middle = loop_middles(mesh, loops);
        let fin_middle: Vec<Point> = self.fins.iter().map(|f| middle(mesh, f)).collect();
        for (f, corners) in mesh.facets().iter().enumerate() {
            let s = turning.sheet[f] as usize;
            let mut sum = six(at(corners[0]), at(corners[1]), at(corners[2]));
            for e in 0..3 {
                let (a, b) = (corners[e], corners[(e + 1) % 3]);
                let apex = match topology.links[f][e] {
                    // a chain of open edges that ends at fins closes at their middle
                    Link::Open => fan_middle.get(&key(a, b)).or(Some(&fin_middle[s])).copied(),
                    Link::Fin => Some(fin_middle[s]),
                    Link::Facet(_) | Link::Flipped(_) => None,
                };
                if let Some(apex) = apex {
                    sum += six(at(b), at(a), apex);
                }
            }
            self.volume_mm3[s] += turning.sign(f) * sum / 6.0;
        }
    }

    fn inside_out(&self, s: usize) -> bool {
        if self.volume_mm3[s].abs() > FLAT_SHARE * self.area_mm2[s].powf(1.5) {
            self.volume_mm3[s] < 0.0
        } else {
            self.turned_area_mm2[s] > 0.5 * self.area_mm2[s]
        }
    }
}

/// Middle of the loop that every open edge belongs to.
fn loop_middles(mesh: &Mesh, loops: &[BoundaryLoop]) -> HashMap<(u32, u32), Point> {
    let mut out = HashMap::new();
    for l in loops {
        let centre = l.centre(mesh);
        for (i, &a) in l.points.iter().enumerate() {
            out.insert(key(a, l.points[(i + 1) % l.points.len()]), centre);
        }
    }
    out
}

fn middle(mesh: &Mesh, edges: &[(u32, u32)]) -> Point {
    let at = |p: u32| mesh.points()[p as usize].coords;
    let sum: Vector = edges.iter().map(|&(a, b)| at(a) + at(b)).sum();
    Point::from(sum / (2 * edges.len()).max(1) as f64)
}

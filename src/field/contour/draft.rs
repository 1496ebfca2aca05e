//! The net as the cells give it, before refining: plain, or held inside its cells where it crossed.
//!
//! A vertex brought onto the level may stand outside its cell, and then facets may cross. Held, a
//! sheet is a cone from one point of its cell to a rim on the cell's own faces: crossed grid edges
//! and crossed faces get points of their own (after Ju, Udeshi 2006, from memory). Cones of
//! different cells cannot cross, and one sheet's own cone never does; the price is three times the
//! facets there, and creases cut where they leave a cell.

use std::collections::BTreeMap;

use super::super::{Implicit, Sample};
use super::grid::Grid;
use super::halves;
use super::net::Net;
use super::patches::{Quad, Sheets, ends};
use super::place::{self, Vertex};
use super::zones::Zones;
use crate::mesh::{Point, Vector};

/// Points stay this share of a cell away from its corners, so that no two fall together. At 0.2 mm
/// cells that puts them off the level by 2 µm at most.
const CLEAR: f64 = 0.01;
/// A foretold crease point is taken when the field there is below this share of a cell; it is then
/// brought onto the level. Not tuned.
const NEARLY: f64 = 0.05;
/// Steps of a search between two sides; halving alone would need 10 for [`place::ON_LEVEL`].
const SEARCH: usize = 24;

pub(super) struct Draft {
    pub grid: Grid,
    pub sheets: Vec<Sheets>,
    pub vertices: Vec<Vertex>,
    pub quads: Vec<Quad>,
}

impl Draft {
    /// The net; facets of cells that `zones` wants held are frozen in it.
    pub fn net<F: Implicit + ?Sized>(&self, f: &F, zones: &Zones) -> Net {
        let held = self.held(zones);
        let near_held = |q: &&Quad| q.cells.iter().any(|&c| held[c as usize]);
        let (fans, plain): (Vec<&Quad>, Vec<&Quad>) = self.quads.iter().partition(near_held);
        let plain: Vec<[u32; 4]> = plain.into_iter().map(|q| q.around).collect();
        let mut vertices = self.vertices.clone();
        for (c, s) in self.sheets.iter().enumerate().filter(|(c, _)| held[*c]) {
            for n in 0..s.count {
                let v = (s.first + u32::from(n)) as usize;
                vertices[v] = self.in_cell(f, c, n, &vertices[v]);
            }
        }
        let mut facets = halves(f, &plain, &vertices, self.grid.cell_mm);
        let unfrozen = facets.len();
        self.fans(f, &fans, &held, &mut vertices, &mut facets);
        let mut net = Net::new(vertices, facets);
        net.freeze(unfrozen);
        net
    }

    fn held(&self, zones: &Zones) -> Vec<bool> {
        let middle = Vector::repeat(0.5 * self.grid.cell_mm);
        let cells = self.grid.cells.iter().zip(&self.sheets);
        cells
            .map(|(cell, s)| {
                let own = s.first as usize..s.first as usize + usize::from(s.count);
                zones.held(&(self.grid.point(cell.key) + middle))
                    || self.vertices[own].iter().any(|v| zones.held(&v.sample.at))
            })
            .collect()
    }

    /// Middle of the crossings of one sheet of a cell with the cell's edges.
    pub fn guess(&self, cell: usize, n: u8) -> Point {
        guess(&self.grid, cell, &self.sheets[cell], n)
    }

    fn in_cell<F: Implicit + ?Sized>(&self, f: &F, c: usize, n: u8, old: &Vertex) -> Vertex {
        let (grid, cell) = (&self.grid, &self.grid.cells[c]);
        let lo = grid.point(cell.key);
        let enough = place::ON_LEVEL * grid.cell_mm;
        let fits = |s: &Sample| {
            let within = (s.at - lo) / grid.cell_mm;
            within.iter().all(|x| (CLEAR..=1.0 - CLEAR).contains(x))
        };
        if fits(&old.sample) && old.sample.value_mm.abs() <= super::PROMISED_MM {
            return *old;
        }
        let (corners, outward) = self.ends_of_sheet(c, n);
        let start = f.sample(&self.guess(c, n), Some(&old.sample));
        let walked = place::settle(f, &start.at, Some(&start), grid.cell_mm);
        // In a thin wall the walk may have found the sheet behind.
        let same = walked.gradient.dot(&outward) > 0.0;
        let sample = if same && fits(&walked) && walked.value_mm.abs() <= enough {
            walked
        } else {
            self.towards_other_side(f, &start, &corners)
        };
        Vertex {
            sample,
            crease: false,
        }
    }

    /// Ends of the grid edges that a sheet crosses, and which way is out there, roughly.
    fn ends_of_sheet(&self, c: usize, n: u8) -> (Vec<u32>, Vector) {
        let corners = &self.grid.cells[c].corners;
        let (mut all, mut outward) = (Vec::new(), Vector::zeros());
        for e in (0..12).filter(|&e| self.sheets[c].of_edge[e] == n) {
            let (a, b) = ends(e);
            let [p, q] = [a, b].map(|k| &self.grid.samples[corners[k] as usize]);
            let along = q.at - p.at;
            outward += if p.value_mm < 0.0 { along } else { -along };
            all.extend([corners[a], corners[b]]);
        }
        (all, outward)
    }

    /// From a point to where the level is met on the way to the nearest corner on its other side.
    fn towards_other_side<F: Implicit + ?Sized>(
        &self,
        f: &F,
        start: &Sample,
        corners: &[u32],
    ) -> Sample {
        let away = |s: &&Sample| (s.at - start.at).norm_squared();
        let other = corners
            .iter()
            .map(|&c| &self.grid.samples[c as usize])
            .filter(|s| (s.value_mm < 0.0) != (start.value_mm < 0.0))
            .min_by(|x, y| away(x).total_cmp(&away(y)));
        other.map_or(*start, |other| {
            self.between(f, start, other, [0.0, 1.0 - CLEAR])
        })
    }

    /// Where the level is met between two points on different sides, within a share of the way.
    fn between<F: Implicit + ?Sized>(
        &self,
        f: &F,
        p: &Sample,
        q: &Sample,
        within: [f64; 2],
    ) -> Sample {
        let enough = place::ON_LEVEL * self.grid.cell_mm;
        let at = |t: f64, near: &Sample| f.sample(&(p.at + (q.at - p.at) * t), Some(near));
        let (mut lo, mut hi) = ((0.0, p.value_mm), (1.0, q.value_mm));
        let mut best = at(0.5, p);
        for step in 0..SEARCH {
            let rise = hi.1 - lo.1;
            let t = if step % 3 == 2 || rise == 0.0 {
                (lo.0 + hi.0) / 2.0
            } else {
                lo.0 - lo.1 * (hi.0 - lo.0) / rise
            };
            best = at(t.clamp(within[0], within[1]), &best);
            if best.value_mm.abs() <= enough || t < within[0] || t > within[1] {
                break;
            }
            if (best.value_mm < 0.0) == (lo.1 < 0.0) {
                lo = (t, best.value_mm);
            } else {
                hi = (t, best.value_mm);
            }
        }
        best
    }

    /// A point on the level in the face between two cells: on the crease if one passes there.
    fn on_face<F: Implicit + ?Sized>(&self, f: &F, c: usize, d: usize, hubs: &[Sample]) -> Sample {
        let (c, d) = (&self.grid.cells[c].corners, &self.grid.cells[d].corners);
        let common: Vec<u32> = c.iter().copied().filter(|i| d.contains(i)).collect();
        let enough = place::ON_LEVEL * self.grid.cell_mm;
        let to_level = |s: Sample| {
            if s.value_mm.abs() <= enough {
                s
            } else {
                self.towards_other_side(f, &s, &common)
            }
        };
        let sum: Vector = hubs.iter().map(|s| s.at.coords).sum();
        let middle = Point::from(sum / hubs.len().max(1) as f64);
        let creased = self.crease_in_face(&common, hubs);
        let creased = creased.map(|p| f.sample(&p, hubs.first()));
        match creased.filter(|s| s.value_mm.abs() < NEARLY * self.grid.cell_mm) {
            Some(s) => to_level(s),
            None => to_level(f.sample(&middle, hubs.first())),
        }
    }

    /// Where the planes of two hubs meet in the face that has these corners, if inside it.
    fn crease_in_face(&self, corners: &[u32], hubs: &[Sample]) -> Option<Point> {
        let [p, q] = hubs else { return None };
        if p.gradient.dot(&q.gradient) > place::SAME_SHEET {
            return None;
        }
        let all = corners.iter().map(|&c| self.grid.samples[c as usize].at);
        let lo = all.clone().reduce(|a, b| a.inf(&b))?;
        let hi = all.reduce(|a, b| a.sup(&b))?;
        let across = (hi - lo).imin();
        let mut normal = Vector::zeros();
        normal[across] = 1.0;
        let planes = nalgebra::Matrix3::from_rows(&[
            p.gradient.transpose(),
            q.gradient.transpose(),
            normal.transpose(),
        ]);
        let wanted = Vector::new(
            p.gradient.dot(&p.at.coords) - p.value_mm,
            q.gradient.dot(&q.at.coords) - q.value_mm,
            lo[across],
        );
        let met = Point::from(planes.lu().solve(&wanted)?);
        let clear = CLEAR * self.grid.cell_mm;
        let inside = |k: usize| k == across || (lo[k] + clear..=hi[k] - clear).contains(&met[k]);
        (0..3).all(inside).then_some(met)
    }

    fn fans<F: Implicit + ?Sized>(
        &self,
        f: &F,
        quads: &[&Quad],
        held: &[bool],
        vertices: &mut Vec<Vertex>,
        facets: &mut Vec<[u32; 3]>,
    ) {
        let vertex = |sample| Vertex {
            sample,
            crease: false,
        };
        let first_hub = vertices.len();
        for q in quads {
            let [a, b] = q.ends.map(|s| &self.grid.samples[s as usize]);
            let hub = self.between(f, a, b, [CLEAR, 1.0 - CLEAR]);
            vertices.push(vertex(hub));
        }
        // A face's crossing lies between the hubs of the two quads that share it.
        let mut faces: BTreeMap<(u32, u32), (usize, usize, Vec<Sample>)> = BTreeMap::new();
        for (n, q) in quads.iter().enumerate() {
            for k in 0..4 {
                let l = (k + 1) % 4;
                if held[q.cells[k] as usize] || held[q.cells[l] as usize] {
                    let (_, _, hubs) = faces
                        .entry(pair(q.around[k], q.around[l]))
                        .or_insert_with(|| (q.cells[k] as usize, q.cells[l] as usize, vec![]));
                    hubs.push(vertices[first_hub + n].sample);
                }
            }
        }
        let mut on_face: BTreeMap<(u32, u32), u32> = BTreeMap::new();
        for (key, (c, d, hubs)) in faces {
            let sample = self.on_face(f, c, d, &hubs);
            on_face.insert(key, vertices.len() as u32);
            vertices.push(vertex(sample));
        }
        for (n, q) in quads.iter().enumerate() {
            let hub = (first_hub + n) as u32;
            for k in 0..4 {
                let (a, b) = (q.around[k], q.around[(k + 1) % 4]);
                if let Some(&m) = on_face.get(&pair(a, b)) {
                    facets.extend([[a, m, hub], [m, b, hub]]);
                } else {
                    facets.push([a, b, hub]);
                }
            }
        }
    }
}

fn pair(a: u32, b: u32) -> (u32, u32) {
    (a.min(b), a.max(b))
}

/// Middle of the crossings of sheet `n` with the edges of a cell, by straight interpolation.
pub(super) fn guess(grid: &Grid, cell: usize, s: &Sheets, n: u8) -> Point {
    let corners = &grid.cells[cell].corners;
    let (mut sum, mut count) = (Vector::zeros(), 0.0);
    for e in (0..12).filter(|&e| s.of_edge[e] == n) {
        let (a, b) = ends(e);
        let [p, q] = [a, b].map(|c| &grid.samples[corners[c] as usize]);
        let t = p.value_mm / (p.value_mm - q.value_mm);
        sum += p.at.coords + (q.at - p.at) * t;
        count += 1.0;
    }
    Point::from(sum / count)
}

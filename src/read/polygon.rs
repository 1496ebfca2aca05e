//! Facets with more than three corners become triangles. A convex one is fanned; a fan over a
//! dent would cover ground outside the polygon, so those are cut ear by ear.

use crate::mesh::{Point, Vector};

use super::error::{Fault, Place, Trouble};
use super::raw::{check_cap, check_finite};

/// Dented polygons with more corners are refused. Too low: outlines of flat faces exported as one
/// polygon (some hundred corners) fail. Too high: ear cutting takes the cube of it at worst, 10⁹
/// steps at this size.
const MOST_CORNERS: usize = 1000;

/// Steps of ear cutting in a whole file, at worst. Too low: a scan of a million small dented
/// polygons (10⁹ steps at ten corners) fails. Too high: a file made of the largest ones takes
/// hours.
const MOST_STEPS: usize = 10_000_000_000;

/// Faces as a file lists them. Kept until all points are known, since some files name points
/// before they give them.
#[derive(Debug, Default)]
pub(super) struct Faces {
    corners: Vec<u32>,
    ends: Vec<usize>,
    /// Where each stands, for messages.
    lines: Vec<usize>,
}

impl Faces {
    pub const fn len(&self) -> usize {
        self.ends.len()
    }

    /// Adds a face; `line` is its line in a text file.
    pub fn push(&mut self, corners: impl IntoIterator<Item = u32>, line: Option<usize>) {
        self.corners.extend(corners);
        self.ends.push(self.corners.len());
        self.lines.extend(line);
    }

    /// Triangles, once every corner is known to be a point and a place.
    pub fn cut(
        &self,
        points: &[Point],
        max_facets: usize,
        notes: &mut Vec<String>,
    ) -> Result<Vec<[u32; 3]>, Fault> {
        let mut facets = Vec::with_capacity(self.ends.len());
        let mut cutter = Cutter::default();
        let mut start = 0;
        for (face, &end) in self.ends.iter().enumerate() {
            let polygon = &self.corners[start..end];
            start = end;
            let place = self
                .lines
                .get(face)
                .map_or(Place::Facet(face), |&n| Place::Line(n));
            for &c in polygon {
                let Some(p) = points.get(c as usize) else {
                    let there = points.len();
                    let fact = format!(
                        "a face names point {c} (counted from 0), but the file holds {there}"
                    );
                    return Err(Fault::at(Trouble::Malformed, place, fact));
                };
                check_finite(facets.len(), [*p; 3])?;
            }
            cutter.cut(points, polygon, &mut facets)?;
            check_cap(facets.len(), max_facets)?;
        }
        cutter.tell(notes);
        Ok(facets)
    }
}

/// Cuts polygons and counts what it did, for the notes.
#[derive(Debug, Default)]
pub(super) struct Cutter {
    fanned: usize,
    by_ears: usize,
    forced: usize,
    too_few: usize,
    steps: usize,
}

impl Cutter {
    /// Appends the triangles of one polygon. Indices must be in range of `points`; fewer than
    /// three make none.
    pub fn cut(
        &mut self,
        points: &[Point],
        polygon: &[u32],
        facets: &mut Vec<[u32; 3]>,
    ) -> Result<(), Fault> {
        match polygon {
            [] | [_] | [_, _] => self.too_few += 1,
            &[a, b, c] => facets.push([a, b, c]),
            _ => {
                let flat = flatten(points, polygon);
                if is_convex(&flat) {
                    self.fanned += 1;
                    fan(polygon, facets);
                } else if polygon.len() > MOST_CORNERS {
                    let n = polygon.len();
                    let fact = format!("a dented polygon of {n} corners; {MOST_CORNERS} are read");
                    return Err(Fault::new(Trouble::Unsupported, fact));
                } else {
                    self.steps += polygon.len().pow(3);
                    if self.steps > MOST_STEPS {
                        let fact = "too many large dented polygons to cut into triangles";
                        return Err(Fault::new(Trouble::Unsupported, fact));
                    }
                    self.by_ears += 1;
                    self.cut_ears(&flat, polygon, facets);
                }
            }
        }
        Ok(())
    }

    /// Takes off one ear after another. Where no corner is an ear (a polygon that crosses
    /// itself), the next corner is taken all the same, and counted.
    fn cut_ears(&mut self, flat: &[[f64; 2]], polygon: &[u32], facets: &mut Vec<[u32; 3]>) {
        let mut left: Vec<usize> = (0..polygon.len()).collect();
        let mut forced = crosses_itself(flat);
        while left.len() > 3 {
            let ear = (0..left.len()).find(|&at| is_ear(flat, &left, at));
            forced |= ear.is_none();
            let at = ear.unwrap_or(0);
            let [a, b, c] = around(&left, at);
            facets.push([polygon[a], polygon[b], polygon[c]]);
            left.remove(at);
        }
        facets.push([polygon[left[0]], polygon[left[1]], polygon[left[2]]]);
        self.forced += usize::from(forced);
    }

    /// What was done, in words.
    pub fn tell(&self, notes: &mut Vec<String>) {
        let cut = self.fanned + self.by_ears;
        if cut > 0 {
            let dented = self.by_ears;
            notes.push(format!(
                "{cut} polygons were cut into triangles, {dented} of them dented"
            ));
        }
        if self.forced > 0 {
            let n = self.forced;
            notes.push(format!(
                "{n} polygons cross themselves; their triangles may overlap"
            ));
        }
        if self.too_few > 0 {
            let n = self.too_few;
            notes.push(format!(
                "{n} faces with fewer than three corners were left out"
            ));
        }
    }
}

fn fan(polygon: &[u32], facets: &mut Vec<[u32; 3]>) {
    for pair in polygon[1..].windows(2) {
        facets.push([polygon[0], pair[0], pair[1]]);
    }
}

/// The corners in the polygon's own plane, so that it runs counter-clockwise there.
fn flatten(points: &[Point], polygon: &[u32]) -> Vec<[f64; 2]> {
    let origin = points[polygon[0] as usize];
    let offset = |i: u32| points[i as usize] - origin;
    let mut normal = Vector::zeros();
    for (i, &a) in polygon.iter().enumerate() {
        let b = polygon[(i + 1) % polygon.len()];
        normal += offset(a).cross(&offset(b));
    }
    let normal = normal.try_normalize(1e-300).unwrap_or_else(Vector::z);
    let side = if normal.x.abs() < 0.6 {
        Vector::x()
    } else {
        Vector::y()
    };
    let u = normal.cross(&side).normalize();
    let v = normal.cross(&u);
    polygon
        .iter()
        .map(|&i| [offset(i).dot(&u), offset(i).dot(&v)])
        .collect()
}

fn turn(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    let coord = |p: [f64; 2]| robust::Coord { x: p[0], y: p[1] };
    robust::orient2d(coord(a), coord(b), coord(c))
}

/// Turns left everywhere and goes round only once.
fn is_convex(flat: &[[f64; 2]]) -> bool {
    let n = flat.len();
    let left_everywhere =
        (0..n).all(|i| turn(flat[i], flat[(i + 1) % n], flat[(i + 2) % n]) >= 0.0);
    left_everywhere && rounds(flat) <= 1
}

/// How often the outline goes round, told by how often it turns from rightwards to leftwards.
fn rounds(flat: &[[f64; 2]]) -> usize {
    let next = flat.iter().skip(1).chain(flat.first());
    let steps = flat.iter().zip(next).map(|(a, b)| b[0] - a[0]);
    let rightwards: Vec<bool> = steps.filter(|dx| *dx != 0.0).map(|dx| dx > 0.0).collect();
    let turns = rightwards.windows(2).filter(|w| w[0] && !w[1]).count();
    let over_the_end = rightwards.last() == Some(&true) && rightwards.first() == Some(&false);
    turns + usize::from(over_the_end)
}

/// Do two sides of the outline cross? Every pair is tried; polygons are capped above.
fn crosses_itself(flat: &[[f64; 2]]) -> bool {
    let n = flat.len();
    let side = |i: usize| (flat[i], flat[(i + 1) % n]);
    let parted = |(a, b), c, d| turn(a, b, c) * turn(a, b, d) < 0.0;
    (0..n).any(|i| {
        let (a, b) = side(i);
        (i + 2..n).any(|j| {
            let (c, d) = side(j);
            parted((a, b), c, d) && parted((c, d), a, b)
        })
    })
}

fn around(left: &[usize], at: usize) -> [usize; 3] {
    let n = left.len();
    [left[(at + n - 1) % n], left[at], left[(at + 1) % n]]
}

fn is_ear(flat: &[[f64; 2]], left: &[usize], at: usize) -> bool {
    let [a, b, c] = around(left, at).map(|i| flat[i]);
    if turn(a, b, c) <= 0.0 {
        return false;
    }
    let inside = |p: [f64; 2]| turn(a, b, p) >= 0.0 && turn(b, c, p) >= 0.0 && turn(c, a, p) >= 0.0;
    // A corner may be met twice by a polygon with a bridge to its hole; equal places don't block.
    left.iter()
        .map(|&i| flat[i])
        .all(|p| p == a || p == b || p == c || !inside(p))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(points: &[Point], facets: &[[u32; 3]]) -> (f64, f64) {
        let signed = |f: &[u32; 3]| {
            let [a, b, c] = f.map(|i| points[i as usize]);
            0.5 * (b - a).cross(&(c - a)).z
        };
        let sum = facets.iter().map(signed).sum();
        let plain = facets.iter().map(|f| signed(f).abs()).sum();
        (sum, plain)
    }

    fn cut(outline: &[[f64; 2]]) -> (Vec<Point>, Vec<[u32; 3]>, Cutter) {
        let points: Vec<Point> = outline
            .iter()
            .map(|p| Point::new(p[0], p[1], 2.0))
            .collect();
        let polygon: Vec<u32> = (0..points.len() as u32).collect();
        let (mut facets, mut cutter) = (Vec::new(), Cutter::default());
        cutter.cut(&points, &polygon, &mut facets).unwrap();
        (points, facets, cutter)
    }

    #[test]
    fn a_dented_polygon_covers_its_own_ground_only() {
        // An L, started so that a fan from its first corner leaves the shape: area 3.
        let ell = [
            [2.0, 0.0],
            [2.0, 1.0],
            [1.0, 1.0],
            [1.0, 2.0],
            [0.0, 2.0],
            [0.0, 0.0],
        ];
        let (points, facets, cutter) = cut(&ell);
        assert_eq!((facets.len(), cutter.by_ears, cutter.forced), (4, 1, 0));
        let (sum, plain) = area(&points, &facets);
        assert!((sum - 3.0).abs() < 1e-12 && (plain - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_clockwise_outline_keeps_its_winding() {
        let ell = [
            [0.0, 0.0],
            [0.0, 2.0],
            [1.0, 2.0],
            [1.0, 1.0],
            [2.0, 1.0],
            [2.0, 0.0],
        ];
        let (points, facets, _) = cut(&ell);
        let (sum, plain) = area(&points, &facets);
        assert!((sum + 3.0).abs() < 1e-12 && (plain - 3.0).abs() < 1e-12);
    }

    #[test]
    fn a_convex_one_is_fanned_and_a_star_is_not() {
        let round: Vec<[f64; 2]> = (0..9)
            .map(|i| f64::from(i) * std::f64::consts::TAU / 9.0)
            .map(|t| [t.cos(), t.sin()])
            .collect();
        let (_, facets, cutter) = cut(&round);
        assert_eq!((facets.len(), cutter.fanned), (7, 1));
        let star: Vec<[f64; 2]> = (0..5).map(|i| round[[0, 4, 8, 3, 6][i]]).collect();
        let (_, facets, cutter) = cut(&star);
        assert_eq!((facets.len(), cutter.fanned, cutter.forced), (3, 0, 1));
        let twice: Vec<[f64; 2]> = [&round[..], &round[..]].concat();
        assert_eq!(cut(&twice).2.fanned, 0);
    }

    #[test]
    fn all_corners_on_a_line_do_not_hang_or_panic() {
        let (_, facets, _) = cut(&[[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]);
        assert_eq!(facets.len(), 2);
    }
}

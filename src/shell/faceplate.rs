//! The faceplate's plane: which way it looks and how high it lies, found from the outer face.
//!
//! Facing: the mean normal of the outer face, or the plane of the rim where scanning stopped (both
//! from [`crate::canal::Canal::face`]). Height: just under the face, so that the plane cuts across
//! all of it and not through its rounded edge.

use crate::canal::Frame;
use crate::mesh::{Mesh, Point, Vector};

use super::build::Impression;
use super::plan::{Faceplate, Facing};
use super::told::ShellError;

/// A plane with a side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    /// A point of it.
    pub point: Point,
    /// Unit normal, away from what is kept.
    pub outward: Vector,
}

impl Plane {
    /// Height over it, mm; negative on the side that is kept.
    #[must_use]
    pub fn height(&self, p: &Point) -> f64 {
        (p - self.point).dot(&self.outward)
    }

    /// The same plane moved outward.
    #[must_use]
    pub fn moved(&self, by_mm: f64) -> Self {
        Self {
            point: self.point + self.outward * by_mm,
            outward: self.outward,
        }
    }
}

/// A facet belongs to the outer face when its normal is this near the facing (18°). Wider: the
/// rounded edge counts and lowers the plane. Narrower: an uneven face has too few.
const FACE_COS: f64 = 0.95;
/// Share of the face's area that may lie under where it is taken to begin. Higher: dents of the
/// face stay as dents. At 0 a single facet far down the concha would decide.
const UNDER_SHARE: f64 = 0.05;
/// The plane lies this far under what it was found from, mm, so that noise leaves no scrap of face.
const UNDER_MM: f64 = 0.2;
/// Facets lower than this share of the outer reach do not count as face.
const LOW_SHARE: f64 = 0.4;
/// The face's edge is rounded. The plane goes under it: down to where its section holds this share of
/// the largest within [`DOWN_MM`]. On a section of 350 mm2 that is 0.14 mm of rounding left. Higher:
/// a concha that only widens inwards takes the plane down with it. Lower: walls curl in at the rim.
const FULL_SHARE: f64 = 0.97;
/// How far down a full section is looked for, mm, and in which steps.
const DOWN_MM: f64 = 3.0;
const STEP_MM: f64 = 0.1;

/// The plane asked for, before it is raised; heights count from the middle of the aperture. The face is
/// looked for on the `piece` with the canal alone: a speck high above the ear is no face.
pub(super) fn plane(
    asked: &Faceplate,
    scan: &Impression,
    piece: &Mesh,
) -> Result<Plane, ShellError> {
    let canal = scan.canal;
    let straight = match asked.facing {
        Facing::Found => canal.face.ok_or(ShellError::NoFace)?,
        Facing::Axis => -canal.aperture.normal,
        Facing::Given(v) => v.try_normalize(1e-9).ok_or(ShellError::NoDirection {
            what: "faceplate.facing",
        })?,
    };
    let outward = tilted(straight, asked, canal.frame)?;
    let from = canal.aperture.centre;
    let height = match asked.height_mm {
        Some(height) => height,
        None => found_height(scan, piece, &outward).ok_or(ShellError::NoFace)?,
    };
    Ok(Plane {
        point: from + outward * height,
        outward,
    })
}

fn tilted(n: Vector, asked: &Faceplate, frame: Option<Frame>) -> Result<Vector, ShellError> {
    if asked.tilt_up_deg == 0.0 && asked.tilt_forward_deg == 0.0 {
        return Ok(n);
    }
    let frame = frame.ok_or(ShellError::NoFrame)?;
    let mut out = n;
    for (towards, by_deg) in [
        (frame.up, asked.tilt_up_deg),
        (frame.forward, asked.tilt_forward_deg),
    ] {
        let side = towards - out * towards.dot(&out);
        let side = side.try_normalize(1e-9).ok_or(ShellError::NoFrame)?;
        let (sin, cos) = by_deg.to_radians().sin_cos();
        out = out * cos + side * sin;
    }
    Ok(out.normalize())
}

fn found_height(scan: &Impression, piece: &Mesh, outward: &Vector) -> Option<f64> {
    let from = scan.canal.aperture.centre;
    let height = |p: &Point| (p - from).dot(outward);
    if let Some(base) = scan.soundness.holes.iter().find(|h| h.base) {
        let points = scan.mesh.points();
        let rim = base.rim.iter().map(|&i| height(&points[i as usize]));
        let lowest = rim.fold(f64::INFINITY, f64::min);
        return lowest.is_finite().then_some(lowest - UNDER_MM);
    }
    let sign = if scan.soundness.inverted { -1.0 } else { 1.0 };
    let reach = piece.points().iter().map(height).fold(0.0, f64::max);
    let mut face: Vec<(f64, f64)> = (0..piece.facets().len())
        .filter_map(|f| {
            let area = piece.area_vector(f) * sign;
            let facing = area.dot(outward) > FACE_COS * area.norm();
            let [a, b, c] = piece.corners(f);
            let h = height(&Point::from((a.coords + b.coords + c.coords) / 3.0));
            (facing && h > LOW_SHARE * reach).then(|| (h, area.norm()))
        })
        .collect();
    face.sort_by(|a, b| a.0.total_cmp(&b.0));
    let all: f64 = face.iter().map(|f| f.1).sum();
    let mut under = 0.0;
    for (h, area) in face {
        under += area;
        if under > UNDER_SHARE * all {
            return Some(full_section(piece, &from, outward, h - UNDER_MM));
        }
    }
    None
}

/// The highest place from `top` down whose section is full.
fn full_section(scan: &Mesh, from: &Point, outward: &Vector, top: f64) -> f64 {
    let steps = (DOWN_MM / STEP_MM).round() as usize;
    let heights: Vec<f64> = (0..=steps).map(|i| top - i as f64 * STEP_MM).collect();
    let mut areas = vec![0.0; heights.len()];
    for f in 0..scan.facets().len() {
        let corners = scan.corners(f);
        let h = corners.map(|p| (p - from).dot(outward));
        let (low, high) = (h[0].min(h[1]).min(h[2]), h[0].max(h[1]).max(h[2]));
        if high < heights[steps] || low > top {
            continue;
        }
        for (level, area) in heights.iter().zip(&mut areas) {
            *area += across(&corners, &h, *level, from, outward);
        }
    }
    let full = areas.iter().map(|a| a.abs()).fold(0.0, f64::max) * FULL_SHARE;
    let found = heights.iter().zip(&areas).find(|(_, a)| a.abs() >= full);
    found.map_or(top, |(h, _)| *h)
}

/// A facet's share of the area of the section at `level`: half the cross product of the ends of
/// its cut, which all together run round the outline.
fn across(corners: &[Point; 3], h: &[f64; 3], level: f64, from: &Point, outward: &Vector) -> f64 {
    let (mut up, mut down) = (None, None);
    for k in 0..3 {
        let n = (k + 1) % 3;
        if (h[k] < level) != (h[n] < level) {
            let t = (level - h[k]) / (h[n] - h[k]);
            let p = corners[k] + (corners[n] - corners[k]) * t - from;
            if h[k] < level {
                up = Some(p);
            } else {
                down = Some(p);
            }
        }
    }
    match (up, down) {
        (Some(a), Some(b)) => b.cross(&a).dot(outward) / 2.0,
        _ => 0.0,
    }
}

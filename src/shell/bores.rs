//! Bores from the cavity to the tip, and the vent: their middle lines, and what they come near.
//!
//! A bore follows the axis at its own place in the tip section, so that it bends with the canal and
//! keeps its wall; one that is given by its ends is straight.

use crate::canal::Canal;
use crate::field::Implicit;
use crate::mesh::{Mesh, Point, Vector};

use super::layout::{Asked, Sheet, inside_by, layout};
use super::plan::{Bores, Plan};
use super::solids::tube;
use super::told::{Caution, ShellError};
use super::track::Track;

/// What a bore is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// Sound.
    Sound,
    /// The vent's way through the tip.
    Vent,
    /// The vent's way through the faceplate.
    VentOutside,
}

/// A bore as made.
#[derive(Debug, Clone, PartialEq)]
pub struct MadeBore {
    /// What it is for.
    pub used_for: Use,
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Its middle line, from the cavity outward; it goes on a little beyond both ends of the material.
    pub line: Vec<Point>,
    /// Where along the line material begins and ends, mm from its first point.
    pub material_mm: (f64, f64),
    /// Least material beside it to the outside of the canal, mm (a lower bound where the build-up
    /// changes); `None` for the hole in the faceplate, or where it meets no material.
    pub wall_mm: Option<f64>,
    /// True where its inner end lies in the cavity with its whole width.
    pub reaches_cavity: bool,
    /// True where its outer end lies outside.
    pub comes_out: bool,
}

impl MadeBore {
    /// The place `at_mm` along the line.
    #[must_use]
    pub fn place(&self, at_mm: f64) -> Point {
        let mut left = at_mm.max(0.0);
        for pair in self.line.windows(2) {
            let d = pair[1] - pair[0];
            if left <= d.norm() {
                return pair[0] + d * (left / d.norm().max(1e-12));
            }
            left -= d.norm();
        }
        self.line[self.line.len() - 1]
    }

    /// The middle line where it runs through material, end to end; empty where it meets none.
    #[must_use]
    pub fn in_material(&self) -> Vec<Point> {
        let (from, to) = self.material_mm;
        if to <= from {
            return Vec::new();
        }
        let mut at = 0.0;
        let mut out = vec![self.place(from)];
        for pair in self.line.windows(2) {
            at += (pair[1] - pair[0]).norm();
            if at > from && at < to {
                out.push(pair[1]);
            }
        }
        out.push(self.place(to));
        out
    }

    /// Length of the middle line through material, mm; 0 where it meets none.
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        (self.material_mm.1 - self.material_mm.0).max(0.0)
    }

    /// Material between two bores, mm: least distance of their lines, less both radii.
    #[must_use]
    pub fn web_to(&self, other: &Self) -> f64 {
        let mut least = f64::INFINITY;
        for a in self.line.windows(2) {
            for b in other.line.windows(2) {
                least = least.min(segments_apart(a, b));
            }
        }
        least - (self.diameter_mm + other.diameter_mm) / 2.0
    }
}

/// Corners of a bore's round. With 48 its flats stand 0.2 % of the radius inside the circle
/// (0.0016 mm at 1.5 across); 24 would be 0.006 mm.
const SIDES: usize = 48;
/// A bore goes on this far beyond the tip, mm, so that it surely opens.
const BEYOND_MM: f64 = 1.5;
/// A bore looks for the cavity in steps of this, mm.
const STEP_MM: f64 = 0.25;

/// All bores of the plan, and what could not be as asked.
pub(super) fn bores(
    plan: &Plan,
    canal: &Canal,
    track: &Track,
    end: f64,
    room: &dyn Implicit,
    built_up: f64,
) -> Result<(Vec<MadeBore>, Vec<Caution>), ShellError> {
    let mut cautions = Vec::new();
    let mut out: Vec<MadeBore> = Vec::new();
    let mut wanted: Vec<(Use, f64)> = Vec::new();
    match &plan.bores {
        Bores::Count { count, diameter_mm } => {
            wanted.extend(std::iter::repeat_n((Use::Sound, *diameter_mm), *count));
        }
        Bores::Given(bores) => {
            for b in bores {
                let (inner, outer) = if deep(room, &b.from) <= deep(room, &b.to) {
                    (b.from, b.to)
                } else {
                    (b.to, b.from)
                };
                out.push(made(Use::Sound, b.diameter_mm, vec![inner, outer], room));
            }
        }
    }
    wanted.extend(plan.vent_mm.map(|d| (Use::Vent, d)));
    if !wanted.is_empty() {
        let section = canal
            .sections
            .iter()
            .rfind(|s| s.at_mm <= end.min(canal.tip_zone_mm) + 1e-9)
            .ok_or(ShellError::NoTipSection)?;
        let (middle, along) = track.at(section.at_mm);
        let sheet = Sheet::new(middle, &along);
        let thin = (section.outline.len() / 72).max(1);
        let outline: Vec<_> = section
            .outline
            .iter()
            .step_by(thin)
            .map(|p| sheet.flat(p))
            .collect();
        let radii: Vec<f64> = wanted.iter().map(|w| w.1 / 2.0).collect();
        let asked = Asked {
            radii_mm: &radii,
            web_mm: plan.web_mm,
            wall_mm: plan.bore_wall_mm + plan.finishing_stock_mm - built_up,
        };
        let (places, margin) = layout(&asked, &outline).ok_or(ShellError::NoTipSection)?;
        if places
            .iter()
            .zip(&radii)
            .any(|(p, r)| inside_by(p, &outline) + built_up < *r)
        {
            return Err(ShellError::BoresTooWide { short_mm: -margin });
        }
        if margin < 0.0 {
            cautions.push(Caution::BoresTight { short_mm: -margin });
        }
        for (&(used_for, diameter_mm), place) in wanted.iter().zip(&places) {
            let line = along_axis(track, &sheet, place, section.at_mm, end, room, diameter_mm);
            out.push(made(used_for, diameter_mm, line, room));
        }
    }
    for (k, b) in out.iter().enumerate() {
        if !b.reaches_cavity {
            cautions.push(Caution::BoreEndsInMaterial { bore: k });
        }
    }
    Ok((out, cautions))
}

fn deep(room: &dyn Implicit, p: &Point) -> f64 {
    room.sample(p, None).value_mm
}

/// The line at a place of the section, kept beside the axis, from inside the cavity to beyond the
/// tip.
fn along_axis(
    track: &Track,
    sheet: &Sheet,
    place: &nalgebra::Point2<f64>,
    section_at: f64,
    end: f64,
    room: &dyn Implicit,
    diameter_mm: f64,
) -> Vec<Point> {
    let offset = sheet.x * place.x + sheet.y * place.y;
    let start = track.at(section_at).1;
    let beside = |at: f64| {
        let (p, along) = track.at(at);
        p + turned_along(&start, &along, &offset)
    };
    let radius = diameter_mm / 2.0;
    // Inward of the cavity's end there is none; outward, the first place where the whole width is
    // free, or else the freest.
    let mut best = (f64::INFINITY, section_at);
    let mut at = end.min(section_at + 4.0);
    while at > -8.0 {
        let depth = deep(room, &beside(at));
        if depth < best.0 {
            best = (depth, at);
        }
        if depth <= -radius || (best.0 < 0.0 && depth > best.0 + 0.5) {
            break;
        }
        at -= STEP_MM;
    }
    let from = best.1;
    let n = ((end - from).max(0.0) / STEP_MM).ceil().max(1.0) as usize;
    let mut line: Vec<Point> = (0..=n)
        .map(|i| beside(from + (end - from) * i as f64 / n as f64))
        .collect();
    let (tip, out) = (line[line.len() - 1], track.at(end).1);
    // Past a cut lies nothing; past the impression's own tip there may be 3 mm of its dome.
    let more = (track.length_mm() - end).clamp(0.0, 4.0);
    line.push(tip + out * (BEYOND_MM + more));
    line
}

/// A vector carried from one axis direction to another by the least turn.
fn turned_along(from: &Vector, to: &Vector, v: &Vector) -> Vector {
    match nalgebra::Rotation3::rotation_between(from, to) {
        Some(turn) => turn * v,
        None => *v,
    }
}

fn made(used_for: Use, diameter_mm: f64, line: Vec<Point>, room: &dyn Implicit) -> MadeBore {
    let radius = diameter_mm / 2.0;
    let reaches_cavity = deep(room, &line[0]) <= -0.5 * radius;
    MadeBore {
        used_for,
        diameter_mm,
        line,
        material_mm: (0.0, 0.0),
        wall_mm: None,
        reaches_cavity,
        comes_out: false,
    }
}

/// The vent's way through a closed faceplate: where the room under it is widest.
pub(super) fn vent_outside(
    diameter_mm: f64,
    plate: &super::faceplate::Plane,
    thickness_mm: f64,
    cavity: &Mesh,
    room: &dyn Implicit,
) -> Option<MadeBore> {
    let under = plate.moved(-thickness_mm);
    let probe = under.moved(-0.5);
    // Points of the ceiling, looked at half a millimetre below it.
    let ceiling = cavity
        .points()
        .iter()
        .filter(|p| under.height(p).abs() < 0.01);
    let inside = ceiling.map(|p| p + probe.outward * probe.height(p) * -1.0);
    let free = |p: &Point| {
        // The ceiling itself is 0.5 away everywhere, so look at what is left beside it, further in.
        deep(room, &(p - probe.outward * 1.5))
    };
    let best = inside.min_by(|a, b| free(a).total_cmp(&free(b)))?;
    let line = vec![
        best,
        best + plate.outward * (0.5 + thickness_mm + BEYOND_MM),
    ];
    let mut bore = made(Use::VentOutside, diameter_mm, line, room);
    bore.material_mm = (0.5, 0.5 + thickness_mm);
    bore.comes_out = true;
    bore.reaches_cavity = deep(room, &best) < 0.0;
    Some(bore)
}

/// Where along each line the material lies: between the cavity and the outside.
pub(super) fn mark_material(bore: &mut MadeBore, room: &dyn Implicit, outer: &dyn Implicit) {
    if bore.used_for == Use::VentOutside {
        return;
    }
    bore.comes_out = deep(outer, &bore.line[bore.line.len() - 1]) > 0.0;
    let length: f64 = bore.line.windows(2).map(|p| (p[1] - p[0]).norm()).sum();
    let steps = (length / 0.02).ceil().max(1.0) as usize;
    let at = |i: usize| length * i as f64 / steps as f64;
    let solid = |at_mm: f64| {
        let p = bore.place(at_mm);
        deep(outer, &p) < 0.0 && deep(room, &p) > 0.0
    };
    let first = (0..=steps).find(|&i| solid(at(i)));
    let last = (0..=steps).rev().find(|&i| solid(at(i)));
    if let (Some(a), Some(b)) = (first, last) {
        // Between a place in material and the one before or after it that is not.
        let border = |mut inside: f64, mut beyond: f64| {
            for _ in 0..12 {
                let half = (inside + beyond) / 2.0;
                if solid(half) {
                    inside = half;
                } else {
                    beyond = half;
                }
            }
            inside
        };
        let from = border(at(a), at(a.saturating_sub(1)));
        bore.material_mm = (from, border(at(b), at((b + 1).min(steps))));
    }
}

/// Least material between the bore and the outer surface beside it. At a cut tip `outer` goes on
/// beyond the cut, so that only what lies beside counts; at the impression's own tip the last of the
/// bore, where it comes out through the dome, is left out.
pub(super) fn mark_wall(bore: &mut MadeBore, outer: &dyn Implicit, cut: bool) {
    let (from, to) = bore.material_mm;
    let to = if cut { to } else { to - bore.diameter_mm };
    if bore.used_for == Use::VentOutside || to <= from {
        return;
    }
    let steps = ((to - from) / 0.05).ceil().max(1.0) as usize;
    let depth = |i: usize| {
        -deep(
            outer,
            &bore.place(from + (to - from) * i as f64 / steps as f64),
        )
    };
    let least = (0..=steps).map(depth).fold(f64::INFINITY, f64::min);
    bore.wall_mm = Some(least - bore.diameter_mm / 2.0);
}

/// The bore as a solid to be taken away, with rings of points close enough for walls to be read
/// beside it.
pub(super) fn cutter(bore: &MadeBore) -> Option<Mesh> {
    let mut line = vec![bore.line[0]];
    for pair in bore.line.windows(2) {
        let run = pair[1] - pair[0];
        let n = (run.norm() / STEP_MM).ceil().max(1.0) as usize;
        line.extend((1..=n).map(|i| pair[0] + run * (i as f64 / n as f64)));
    }
    tube(&line, bore.diameter_mm / 2.0, SIDES)
}

/// Least distance of two segments (Ericson 2005, §5.1.9, from memory).
fn segments_apart(a: &[Point], b: &[Point]) -> f64 {
    let (d1, d2, r) = (a[1] - a[0], b[1] - b[0], a[0] - b[0]);
    let (l1, l2, f) = (d1.norm_squared(), d2.norm_squared(), d2.dot(&r));
    let (mut s, t);
    if l1 <= 1e-18 && l2 <= 1e-18 {
        return r.norm();
    }
    if l1 <= 1e-18 {
        (s, t) = (0.0, (f / l2).clamp(0.0, 1.0));
    } else {
        let c = d1.dot(&r);
        if l2 <= 1e-18 {
            (s, t) = ((-c / l1).clamp(0.0, 1.0), 0.0);
        } else {
            let cross = d1.dot(&d2);
            let denominator = l1 * l2 - cross * cross;
            s = if denominator > 1e-18 {
                ((cross * f - c * l2) / denominator).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let along = (cross * s + f) / l2;
            t = along.clamp(0.0, 1.0);
            if along != t {
                s = ((cross * t - c) / l1).clamp(0.0, 1.0);
            }
        }
    }
    ((a[0] + d1 * s) - (b[0] + d2 * t)).norm()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::HalfSpace;

    /// A plate of 2.0, the room under it, bored squarely and askew by 30°: 2.0 and 2.0 / cos 30°.
    #[test]
    fn a_bore_is_as_long_as_its_middle_line_in_the_material() {
        let plane = |at: f64| HalfSpace::new(Point::new(0.0, 0.0, at), &Vector::z());
        let (room, outer) = (plane(0.0).expect("a way"), plane(2.0).expect("a way"));
        for tilt in [0.0_f64, 30.0] {
            let way = Vector::new(tilt.to_radians().sin(), 0.0, tilt.to_radians().cos());
            let ends = [-1.7, 4.1].map(|t| Point::from(way * t));
            let mut bore = made(Use::Sound, 1.5, ends.to_vec(), &room);
            mark_material(&mut bore, &room, &outer);
            let truth = 2.0 / tilt.to_radians().cos();
            let length = bore.length_mm();
            assert!((length - truth).abs() < 1e-4, "{tilt}: {length} {truth}");
            assert!(bore.reaches_cavity && bore.comes_out);
        }
    }
}

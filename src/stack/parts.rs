//! What is to be fitted: parts as boxes, what keeps free beside them, and the bores their sound
//! leaves through.

use std::sync::Arc;

use super::placement::Tube;
use crate::mesh::{Mesh, Point, Vector};

/// A side of a part's box, in its own frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Face {
    /// 0, 1, 2 for x, y, z.
    pub axis: usize,
    /// Towards larger coordinates.
    pub positive: bool,
}

impl Face {
    /// From `+x`, `-x`, `+y`, `-y`, `+z`, `-z`.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let axis = match text.get(1..)? {
            "x" => 0,
            "y" => 1,
            "z" => 2,
            _ => return None,
        };
        let positive = match text.as_bytes()[0] {
            b'+' => true,
            b'-' => false,
            _ => return None,
        };
        Some(Self { axis, positive })
    }

    /// Unit vector out of the box.
    #[must_use]
    pub fn outward(self) -> Vector {
        let mut v = Vector::zeros();
        v[self.axis] = if self.positive { 1.0 } else { -1.0 };
        v
    }

    /// The other two axes, in the order x, y, z.
    #[must_use]
    pub fn across(self) -> [usize; 2] {
        match self.axis {
            0 => [1, 2],
            1 => [0, 2],
            _ => [0, 1],
        }
    }
}

/// A tube stub on a part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spout {
    /// The side it stands on.
    pub face: Face,
    /// Its middle on that side, counted from the side's middle along the other two axes, mm.
    pub at_mm: [f64; 2],
    /// Outer diameter, mm.
    pub outer_mm: f64,
    /// How far it stands out, mm.
    pub length_mm: f64,
}

/// A side where wires leave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Terminals {
    /// The side.
    pub face: Face,
    /// Depth in front of it that nothing solid may enter, mm.
    pub keep_mm: f64,
}

/// One part of a stack.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Unique within the stack.
    pub name: String,
    /// Sides along the part's own x, y, z, mm; positive.
    pub size_mm: [f64; 3],
    /// Its convex surface, where it was given as one, about the middle of its box. It is kept clear
    /// as the box round it; only proofs that it cannot fit look at the surface.
    pub surface: Option<Arc<Mesh>>,
    /// Where its sound leaves.
    pub spout: Option<Spout>,
    /// Where its wires leave.
    pub terminals: Option<Terminals>,
    /// Name of the bore its sound goes through.
    pub bore: Option<String>,
    /// Its +z side lies flush in the faceplate's underside.
    pub on_faceplate: bool,
}

/// Room beside a part that moves with it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zone {
    /// Middle in the part's frame, mm.
    pub middle: Vector,
    /// Half sides, mm.
    pub half: [f64; 3],
    /// Where it is a round bar with a round end: along which axis, and its radius, mm.
    pub round: Option<(usize, f64)>,
    /// The beginning of a tube, which the search keeps room for; never part of a certificate.
    pub(crate) lead: bool,
    /// A spout is solid; the room before terminals may overlap that of other terminals.
    pub solid: bool,
}

impl Zone {
    /// Half sides of its middle line, where it is round; else its own.
    #[must_use]
    pub fn line_half(&self) -> [f64; 3] {
        match self.round {
            Some((along, _)) => [0, 1, 2].map(|k| if k == along { self.half[k] } else { 0.0 }),
            None => self.half,
        }
    }

    /// Radius all round its middle line, mm; 0 for a box.
    #[must_use]
    pub fn radius_mm(&self) -> f64 {
        self.round.map_or(0.0, |(_, radius)| radius)
    }
}

impl Part {
    /// A bare box.
    #[must_use]
    pub fn bare(name: &str, size_mm: [f64; 3]) -> Self {
        Self {
            name: name.to_string(),
            size_mm,
            surface: None,
            spout: None,
            terminals: None,
            bore: None,
            on_faceplate: false,
        }
    }

    /// Half sides, mm.
    #[must_use]
    pub fn half_mm(&self) -> [f64; 3] {
        self.size_mm.map(|s| s / 2.0)
    }

    /// Volume of the box, mm³.
    #[must_use]
    pub fn volume_mm3(&self) -> f64 {
        self.size_mm.iter().product()
    }

    /// Sides, longest first, mm.
    #[must_use]
    pub fn sides_mm(&self) -> [f64; 3] {
        let mut s = self.size_mm;
        s.sort_by(|a, b| b.total_cmp(a));
        s
    }

    /// Where its tube begins, in the part's own frame: the end of the spout's middle line, and the
    /// way it points.
    #[must_use]
    pub fn spout_end(&self) -> Option<(Vector, Vector)> {
        let s = self.spout.as_ref()?;
        let way = s.face.outward();
        let mut at = way * (self.half_mm()[s.face.axis] + s.length_mm);
        for (k, axis) in s.face.across().into_iter().enumerate() {
            at[axis] = s.at_mm[k];
        }
        Some((at, way))
    }

    /// Spout (a round bar from the part's side to the stub's end, with a round end) and the room before the
    /// terminals. Neither asks for clearance of its own: they must not be entered.
    #[must_use]
    pub fn zones(&self) -> Vec<Zone> {
        let half = self.half_mm();
        let mut out = Vec::new();
        if let Some(s) = &self.spout {
            let mut zone = before(half, s.face, s.length_mm);
            for (k, axis) in s.face.across().into_iter().enumerate() {
                zone.middle[axis] = s.at_mm[k];
                zone.half[axis] = s.outer_mm / 2.0;
            }
            zone.solid = true;
            zone.round = Some((s.face.axis, s.outer_mm / 2.0));
            out.push(zone);
        }
        if let Some(t) = &self.terminals {
            out.push(before(half, t.face, t.keep_mm));
        }
        out
    }
}

fn before(half: [f64; 3], face: Face, depth: f64) -> Zone {
    let mut zone = Zone {
        middle: face.outward() * (half[face.axis] + depth / 2.0),
        half,
        solid: false,
        round: None,
        lead: false,
    };
    zone.half[face.axis] = depth / 2.0;
    zone
}

/// A hole through the tip with the tube that leads to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Bore {
    /// Unique within the stack.
    pub name: String,
    /// Width of the hole that stays open, mm.
    pub inner_mm: f64,
    /// Outer diameter of the tube, mm.
    pub outer_mm: f64,
    /// Least radius of the tube's middle line, mm.
    pub bend_radius_mm: f64,
    /// Where the tube's middle line ends and the unit direction in which it leaves, if told.
    pub exit: Option<(Point, Vector)>,
}

/// Parts, bores and how far they keep apart.
#[derive(Debug, Clone, PartialEq)]
pub struct Stack {
    /// What the shop calls it.
    pub name: String,
    /// Least distance between two parts, mm; 0 or more.
    pub clearance_mm: f64,
    /// Least distance of a part from the cavity's wall, mm; 0 or more.
    pub wall_clearance_mm: f64,
    /// Least material between two bores, and between a bore and the outside, mm.
    pub web_mm: f64,
    /// The parts, at least one.
    pub parts: Vec<Part>,
    /// The bores.
    pub bores: Vec<Bore>,
}

impl Stack {
    /// The names of these parts; an index that is none's is left out.
    #[must_use]
    pub fn names(&self, parts: &[usize]) -> Vec<&str> {
        let each = parts.iter().filter_map(|&i| self.parts.get(i));
        each.map(|p| p.name.as_str()).collect()
    }

    /// Volume of the parts' boxes, mm³, without spouts, tubes and clearances.
    #[must_use]
    pub fn boxes_mm3(&self) -> f64 {
        let each = self.parts.iter();
        each.map(|p| p.size_mm.iter().product::<f64>()).sum()
    }

    /// Does any part lead to a bore, so that a tube would have to be laid?
    #[must_use]
    pub fn asks_for_tubes(&self) -> bool {
        self.parts.iter().any(|p| p.bore.is_some())
    }

    /// The parts that want a tube, by index.
    pub fn piped(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.parts.len()).filter(|&i| self.parts[i].bore.is_some())
    }

    /// The bore that a part's sound goes through.
    #[must_use]
    pub fn bore_of(&self, part: usize) -> Option<&Bore> {
        let name = self.parts[part].bore.as_ref()?;
        self.bores.iter().find(|b| b.name == *name)
    }

    /// The bores that some part leads to.
    pub fn bores_in_use(&self) -> impl Iterator<Item = &Bore> + '_ {
        let used = |b: &&Bore| self.parts.iter().any(|p| p.bore.as_ref() == Some(&b.name));
        self.bores.iter().filter(used)
    }

    /// Outer diameter of the thickest tube asked for, mm.
    #[must_use]
    pub fn thickest_tube_mm(&self) -> Option<f64> {
        self.bores_in_use().map(|b| b.outer_mm).reduce(f64::max)
    }

    /// Least distance of the middle lines of the tubes of two bores, mm: the tubes keep the pair
    /// clearance, and the bores within them the web.
    #[must_use]
    pub fn bores_apart_mm(&self, a: &Bore, b: &Bore) -> f64 {
        let tubes = (a.outer_mm + b.outer_mm) / 2.0 + self.clearance_mm;
        tubes.max((a.inner_mm + b.inner_mm) / 2.0 + self.web_mm)
    }

    /// The same from a tube that lies.
    pub(crate) fn tubes_apart_mm(&self, bore: &Bore, tube: &Tube) -> f64 {
        let other = self.bores.iter().find(|b| b.name == tube.name);
        other.map_or((bore.outer_mm + tube.outer_mm) / 2.0, |o| {
            self.bores_apart_mm(bore, o)
        })
    }

    /// A stack of bare boxes, for a question put in code.
    #[must_use]
    pub fn of_boxes(sizes_mm: &[[f64; 3]], clearance_mm: f64, wall_clearance_mm: f64) -> Self {
        let parts = sizes_mm
            .iter()
            .enumerate()
            .map(|(i, &s)| Part::bare(&format!("part {}", i + 1), s))
            .collect();
        Self {
            name: String::new(),
            clearance_mm,
            wall_clearance_mm,
            web_mm: 0.5,
            parts,
            bores: Vec::new(),
        }
    }

    /// Sum of the boxes' volumes, mm³.
    #[must_use]
    pub fn volume_mm3(&self) -> f64 {
        self.parts.iter().map(Part::volume_mm3).sum()
    }

    /// The stack without one part (by index), its bores kept.
    #[must_use]
    pub fn without(&self, part: usize) -> Self {
        let mut less = self.clone();
        less.parts.remove(part);
        less
    }
}

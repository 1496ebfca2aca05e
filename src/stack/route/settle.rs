//! Tubes that settle among parts which may still move: all at once, on the grid, clear of everything or
//! not. What is still too near tells which part had better make way, and a tube that kinks at its spout
//! which had better turn.

use nalgebra::{Rotation3, Unit};

use super::at_once::joints_of;
use super::one::OneTube;
use super::relax::{Asked, settle};
use super::room::spout_end;
use super::{LOOK_MM, NoWay, Plumbing};
use crate::mesh::{Point, Vector};
use crate::stack::placement::Tube;
use crate::stack::pose::Pose;

/// What settled tubes may miss, mm, and the share of their radius they must have, for laying them to be
/// tried: it takes several times longer. Less: what would have been found is not tried; more: the
/// search waits for laying that fails. Not tuned.
const PROMISING_MM: f64 = 0.15;
const PROMISING_SHARE: f64 = 0.85;
/// Between these distances from its beginning a settled tube tells where its spout had better point, mm,
/// and so much a part is turned at a time, rad. Not tuned.
const FOLLOW_MM: [f64; 2] = [0.6, 1.8];
const MOST_TURN_RAD: f64 = 0.25;
/// The tube may turn by so much of what its radius lets it on the way there before its part does.
const OWN_SHARE: f64 = 0.8;
/// A turn of less is not worth one, rad.
const LEAST_TURN_RAD: f64 = 0.01;

/// Tubes as they settle among parts that may still move.
pub struct Lanes {
    /// The tubes; they need not be clear of anything.
    pub tubes: Vec<Tube>,
    /// So little is missing that it is worth laying them.
    pub promising: bool,
    /// The least radius of each as a share of the one asked for, at most 1.
    pub shares: Vec<f64>,
}

impl Lanes {
    /// The least of all shares.
    #[must_use]
    pub fn bend_share(&self) -> f64 {
        self.shares.iter().copied().fold(1.0, f64::min)
    }
}

/// The settled line of a tube, where it ends by the exit that is asked for.
pub fn line_of(settled: &[Tube], one: &OneTube) -> Option<Vec<Point>> {
    let name = &one.plumbing.stack.parts[one.part].name;
    let tube = settled.iter().find(|t| t.part == *name)?;
    let mut line = tube.centreline.clone();
    let exit = &one.ends.first()?.at;
    let last = line.last_mut()?;
    if (*last - exit).norm() > LOOK_MM {
        return None;
    }
    if one.tied {
        *last = *exit;
    }
    *line.first_mut()? = one.from.at;
    Some(line)
}

impl Plumbing<'_> {
    /// All tubes at once as they settle between the parts and each other, clear of them or not. They
    /// begin from where they lay `before`, or else from the shortest ways.
    ///
    /// # Errors
    /// The tube that finds no way even without the other parts.
    pub fn settled(
        &self,
        poses: &[Pose],
        before: &[Tube],
        over: &dyn Fn() -> bool,
    ) -> Result<Lanes, NoWay> {
        let matched = self.matched(poses);
        let mut among = Vec::new();
        let mut roughs = Vec::new();
        for (laid, part) in self.stack.piped().enumerate() {
            let rough = self.bore_of(part).and_then(|bore| {
                let exit = matched.first()?.iter().find(|e| e.bore == bore.name)?;
                let posed = |alone| self.posed(poses, part, bore, exit, &[], alone, over);
                let one = posed(false)?;
                let rough = line_of(before, &one)
                    .or_else(|| one.steered_way(0))
                    .or_else(|| posed(true)?.steered_way(0))?;
                Some((one, rough))
            });
            let (one, rough) = rough.ok_or(NoWay { part, laid })?;
            among.push(one);
            roughs.push(rough);
        }
        let lines = among.iter().zip(&roughs);
        let lines = lines.map(|(one, rough)| (one.bore, rough.as_slice()));
        let joints = joints_of(&lines.collect::<Vec<_>>());
        let joints = joints.unwrap_or_else(|_| vec![None; among.len()]);
        let asked: Vec<Asked> = (among.iter().zip(roughs).zip(joints))
            .map(|((one, rough), joint)| one.asked(rough, joint, 0))
            .collect();
        let apart = |a: usize, b: usize| self.apart_mm(among[a].bore, among[b].bore);
        let settled = settle(&asked, &apart, over);
        let tubes = among.iter().zip(settled.lines);
        let bends = settled.shares.iter().all(|s| *s > PROMISING_SHARE);
        Ok(Lanes {
            tubes: tubes.map(|(one, line)| one.tube(line)).collect(),
            promising: settled.short_mm < PROMISING_MM && bends,
            shares: settled.shares,
        })
    }

    /// Turns each part a little, so that its spout comes to point along its settled tube: a tube cannot
    /// bend at once where its spout looks the wrong way. What hangs in the faceplate stays.
    pub fn follow(&self, lanes: &[Tube], poses: &mut [Pose]) {
        for tube in lanes {
            let part = self.stack.parts.iter().position(|p| p.name == tube.part);
            if let Some(part) = part.filter(|&p| !self.stack.parts[p].on_faceplate)
                && let Some(by) = self.turn_along(part, &poses[part], &tube.centreline)
            {
                poses[part].turn = by * poses[part].turn;
            }
        }
    }

    /// The turn that `follow` asks of one part.
    fn turn_along(&self, part: usize, pose: &Pose, line: &[Point]) -> Option<Rotation3<f64>> {
        let start = spout_end(&self.stack.parts[part], pose)?;
        let ahead = |t: f64| line.iter().find(|q| (*q - start.at).norm() >= t);
        let way: Vector = (ahead(FOLLOW_MM[1])? - ahead(FOLLOW_MM[0])?).try_normalize(1e-9)?;
        let axis = start.way.cross(&way);
        let angle = axis.norm().atan2(start.way.dot(&way));
        // So much an arc of its radius turns on the way there.
        let free =
            OWN_SHARE * 0.5 * (FOLLOW_MM[0] + FOLLOW_MM[1]) / self.bore_of(part)?.bend_radius_mm;
        let turn = (angle - free).min(MOST_TURN_RAD);
        let axis = Unit::try_new(axis, 1e-9).filter(|_| turn > LEAST_TURN_RAD)?;
        Some(Rotation3::from_axis_angle(&axis, turn))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::MeshQueries;
    use crate::stack::grid::Depth;
    use crate::stack::shapes::block;
    use crate::stack::{Cavity, Stack, Tip, parse_stack};

    /// A part at the room's one end whose spout points `aside_deg` off the way to the tip.
    fn scene(aside_deg: f64) -> (Cavity, Stack, Pose) {
        let tip = Tip {
            at: Point::new(12.0, 0.0, 0.0),
            outward: Vector::x(),
            told: true,
        };
        let room = Cavity::new(block(30.0, 24.0, 24.0)).unwrap().with_tip(tip);
        let text = "[[bore]]\nname = \"lows\"\ninner_mm = 1.0\nbend_radius_mm = 3.2\n\
            [[part]]\nname = \"a\"\nsize_mm = [4.0, 2.7, 2.0]\nbore = \"lows\"\n\
            spout = { face = \"+x\", outer_mm = 1.2 }\n";
        let turn = Rotation3::from_axis_angle(&Vector::z_axis(), aside_deg.to_radians());
        let pose = Pose {
            turn: turn.into_inner(),
            middle: Point::new(-8.0, 0.0, 0.0),
        };
        (room, parse_stack(text, "s.toml".as_ref()).unwrap(), pose)
    }

    #[test]
    fn a_turn_takes_the_length_it_needs() {
        // From a spout that looks the wrong way, the way there is longer than the shortest. Settling on
        // must not lose it, though where it turns by more than a right angle it winds a hundredth
        // tighter each time; lines that lengthen where they lack radius hold here, but fill a small
        // ear with loops.
        for (aside_deg, once, again) in
            [(60.0, 0.93, 0.94), (120.0, 0.92, 0.92), (170.0, 0.62, 0.63)]
        {
            let (room, stack, pose) = scene(aside_deg);
            let depth = Depth::new(&room);
            let queries = MeshQueries::new(room.mesh());
            let plumbing = Plumbing::new(&stack, &depth, &queries, room.tip).unwrap();
            let mut before = Vec::new();
            for least in [once, again] {
                let lanes = plumbing.settled(&[pose], &before, &|| false).unwrap();
                let share = lanes.bend_share();
                assert!(share > least, "{aside_deg}: {share}");
                before = lanes.tubes;
            }
        }
    }

    #[test]
    fn a_spout_comes_to_point_along_its_tube() {
        let (room, stack, pose) = scene(100.0);
        let depth = Depth::new(&room);
        let queries = MeshQueries::new(room.mesh());
        let plumbing = Plumbing::new(&stack, &depth, &queries, room.tip).unwrap();
        let mut poses = [pose];
        let off_deg = |pose: &Pose| (pose.turn * Vector::x()).x.acos().to_degrees();
        for _ in 0..8 {
            let before = off_deg(&poses[0]);
            let lanes = plumbing.settled(&poses, &[], &|| false).unwrap();
            plumbing.follow(&lanes.tubes, &mut poses);
            assert!(before - off_deg(&poses[0]) < MOST_TURN_RAD.to_degrees() + 1e-9);
        }
        assert!(off_deg(&poses[0]) < 45.0, "{}", off_deg(&poses[0]));
    }
}

//! Tubes drawn into shape all at once: those of different bores come to lie side by side in the canal,
//! those of one bore run into each other where it suits both.

use super::exits::Exit;
use super::net::{Joint, meeting};
use super::one::{OneTube, lines_apart, stays_joined};
use super::relax::{Asked, relax};
use super::settle::line_of;
use super::{NoWay, Plumbing};
use crate::mesh::Point;
use crate::stack::parts::Bore;
use crate::stack::placement::Tube;
use crate::stack::pose::Pose;

/// One of the tubes, and its rough line.
type Rough<'a> = (OneTube<'a>, Vec<Point>);

impl Plumbing<'_> {
    /// All tubes to one layout of the exits, from where they `settled` or else from the shortest ways.
    ///
    /// # Errors
    /// The tube that finds no way, and how many hold beside it.
    pub(super) fn at_once(
        &self,
        poses: &[Pose],
        exits: &[Exit],
        settled: &[Tube],
        over: &dyn Fn() -> bool,
    ) -> Result<Vec<Tube>, NoWay> {
        let mut roughs: Vec<Rough> = Vec::new();
        for part in self.stack.piped() {
            let rough = self.rough(poses, part, exits, settled, over);
            roughs.push(rough.ok_or(NoWay { part, laid: 0 })?);
        }
        self.drawn_at_once(&roughs, settled.is_empty(), over)
    }

    /// The first tube of each bore, for others to run into; none where there are fewer than two, or
    /// where they do not come to hold.
    pub(super) fn firsts_at_once(
        &self,
        poses: &[Pose],
        order: &[usize],
        exits: &[Exit],
        settled: &[Tube],
        over: &dyn Fn() -> bool,
    ) -> Vec<Tube> {
        let mut roughs: Vec<Rough> = Vec::new();
        for &part in order {
            let bore = self.bore_of(part).map(|b| &b.name);
            if roughs.iter().any(|r| Some(&r.0.bore.name) == bore) {
                continue;
            }
            match self.rough(poses, part, exits, settled, over) {
                Some(rough) => roughs.push(rough),
                None => return Vec::new(),
            }
        }
        if roughs.len() < 2 {
            return Vec::new();
        }
        self.drawn_at_once(&roughs, true, over).unwrap_or_default()
    }

    fn rough<'b>(
        &'b self,
        poses: &[Pose],
        part: usize,
        exits: &[Exit],
        settled: &[Tube],
        over: &'b dyn Fn() -> bool,
    ) -> Option<Rough<'b>> {
        let bore = self.bore_of(part)?;
        let exit = exits.iter().find(|e| e.bore == bore.name)?;
        let one = self.asked(poses, part, exit, &[], false, over)?;
        let rough = line_of(settled, &one).or_else(|| one.shortest_way(0))?;
        Some((one, rough))
    }

    fn drawn_at_once(
        &self,
        roughs: &[Rough],
        taut: bool,
        over: &dyn Fn() -> bool,
    ) -> Result<Vec<Tube>, NoWay> {
        let no_way = |worst: usize, laid| NoWay {
            part: roughs[worst].0.part,
            laid,
        };
        let lines = roughs
            .iter()
            .map(|(one, rough)| (one.bore, rough.as_slice()));
        let joints = joints_of(&lines.collect::<Vec<_>>());
        let joints = joints.map_err(|worst| no_way(worst, 0))?;
        let asked: Vec<Asked> = (roughs.iter().zip(joints))
            .map(|((one, rough), joint)| one.asked(rough.clone(), joint, 0))
            .collect();
        let apart = |a: usize, b: usize| self.apart_mm(roughs[a].0.bore, roughs[b].0.bore);
        let lines = relax(&asked, self.queries, &apart, taut, over);
        let lines = lines.map_err(|short| no_way(short.worst, short.hold))?;
        let laid: Vec<(&OneTube, Tube)> = (roughs.iter().zip(lines))
            .map(|((one, _), line)| (one, one.tube(one.whole(&line, 0))))
            .collect();
        let clear = |(one, tube): &(&OneTube, Tube)| {
            one.holds(&tube.centreline)
                && laid.iter().filter(|o| o.1.part != tube.part).all(|(_, t)| {
                    if t.name == tube.name {
                        return stays_joined(&tube.centreline, &t.centreline, tube.outer_mm);
                    }
                    let need = self.stack.tubes_apart_mm(one.bore, t);
                    lines_apart(&tube.centreline, &t.centreline) >= need
                })
        };
        match laid.iter().position(|l| !clear(l)) {
            Some(worst) => Err(no_way(worst, laid.iter().filter(|l| clear(l)).count())),
            None => Ok(laid.into_iter().map(|l| l.1).collect()),
        }
    }

    /// What the middle lines of two tubes keep from each other, mm; those of one bore keep nothing.
    pub(super) fn apart_mm(&self, a: &Bore, b: &Bore) -> f64 {
        if a.name == b.name {
            f64::NEG_INFINITY
        } else {
            self.stack.bores_apart_mm(a, b)
        }
    }
}

/// Where each of some rough lines runs into an earlier one of its bore, or the line that meets none.
pub(super) fn joints_of(lines: &[(&Bore, &[Point])]) -> Result<Vec<Option<Joint>>, usize> {
    let joint = |(n, (bore, line)): (usize, &(&Bore, &[Point]))| match lines[..n]
        .iter()
        .position(|other| other.0.name == bore.name)
    {
        None => Ok(None),
        Some(of) => meeting(line, of, lines[of].1).map(Some).ok_or(n),
    };
    lines.iter().enumerate().map(joint).collect()
}

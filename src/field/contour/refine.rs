//! Facets whose middle is off the level are turned or split until it is on it.
//!
//! Most are on the level at once. What is left are facets across a crease, or on a bend tighter
//! than the cell: an edge is turned onto the crease where that serves, else it gets a new point,
//! on the crease or on the level.

use rayon::prelude::*;

use super::super::crossing::crossing_pairs;
use super::super::{Implicit, Sample};
use super::again::again;
use super::draft::Draft;
use super::net::Net;
use super::place::{self, Vertex};
use super::polish;
use super::untangle;
use super::zones::{Care, Zones};
use crate::mesh::{Point, Vector};

/// A facet's middle may be this far off, in cells (0.2 mm: 6 µm; the promise is 15 µm at the
/// worst and 3 µm rms). 0.04: 4.2 µm rms on a tube of 0.4 mm radius; 0.02: twice the facets there.
const MIDDLE_OFF: f64 = 0.03;
/// A facet is looked at when its corners' gradients foretell this share of that. At 1.0 facets
/// that the estimate flatters are missed; at 0.2 half of all facets are asked about.
const LOOK_AT: f64 = 0.5;
/// Edges shorter than this, in cells, are not split: what is still off there stays off.
pub(super) const SHORTEST: f64 = 0.08;
/// A new point keeps this share of the edge's length from both ends: less makes slivers without
/// end at sharp ridges, more than 0.3 leaves creases cut that pass near an end.
const APART: f64 = 0.15;
/// Times that refining is begun anew, more carefully where it left folds or crossings. What 4
/// do not cure is told; how many ears need is not measured.
const ATTEMPTS: usize = 6;
/// With care, a new point stays within this share of the edge's length of its middle, and facets
/// turn by no more than [`GENTLY`] (a cosine). At 0.3 and 0.6 one ear's bubble rim kept a middle
/// 17 um off, at 0.4 and 0.4 it was 7 um; looser pairs are not tried.
const NEARBY: f64 = 0.4;
const GENTLY: f64 = 0.4;
/// Walls whose gradients' cosine is below this (they meet at 30° or less) are left joined by
/// blunt facets, told as such. At -0.97 a wedge of 15° broke up into thousands of slivers that
/// crossed; at -0.5 wedges of 55°, which come out well, would stay blunt.
const KNIFE: f64 = -0.87;
/// Rounds of turning and splitting. Creases are done after 4; spikes of a medial axis take 8.
const ROUNDS: usize = 12;
/// Rounds in which edges are turned. Later only splits are left, since where three sheets meet
/// edges were seen turning in a ring until the rounds were up.
const TURNS: usize = 5;
/// Times that all facets are looked at anew after folds were mended; one serves unless some were.
const PASSES: usize = 3;
/// Least cosine between a facet and what takes its place. Below 0 facets fold over; at 0.5 the
/// walls of a wedge can no longer be told from the facet that bridges them.
const UPRIGHT: f64 = 0.1;

/// Share of facets off the level from which on the scan counts as rough, where there are more than
/// [`MANY`]. The bent rim of a smooth ear has 0.06 at 0.2 mm. With noise of 0.05 mm an ear has 0.11
/// (25 thousand facets) to 0.25 (100 thousand) at 0.3 mm, where following each crease of the noise took
/// ten times as long and left the middles of facets hardly nearer.
const ROUGH: f64 = 0.1;
/// Fewer facets off the level than this are followed however many of all they are: thin tubes.
const MANY: usize = 5000;
/// Later rounds go on while this share of what was off, or less, still is. Noise of 0.05 mm kept 0.95
/// to 1.1 for ever and was cut into slivers that crossed; creases have 0.5 or less. Not tuned.
const DWINDLES: f64 = 0.9;
/// Remedies tried in one attempt, as a share of all facets; the worst facets come first.
const BUDGET: f64 = 1.0;

pub(super) enum Remedy {
    Turn {
        facet: u32,
        edge: usize,
    },
    Split {
        facet: u32,
        edge: usize,
        vertex: Vertex,
    },
}

/// A refined net and what is to be told of it.
pub(super) struct Refined {
    pub vertices: Vec<Vertex>,
    pub facets: Vec<[u32; 3]>,
    pub touched: usize,
    pub folded: usize,
    pub crossing: usize,
    pub blunt: usize,
    pub given_up: Vec<Point>,
}

pub(super) fn refine<F: Implicit + ?Sized>(f: &F, draft: &Draft) -> Refined {
    let cell_mm = draft.grid.cell_mm;
    let mut held = 0;
    let mut base = draft.net(f, &Zones::new(cell_mm, Care::Plain));
    let mut zones = Zones::new(cell_mm, least_care(f, &base, cell_mm));
    untangle::untangle(f, &mut base, cell_mm);
    base = base.into_base();
    // What the cells themselves left folded is no fault of refining, and no reason to begin anew.
    let mut known: Option<Vec<Point>> = None;
    let mut attempt = 0;
    let mut net = base.clone();
    loop {
        passes(f, &mut net, &zones, cell_mm);
        let faults = faults(f, &net);
        let begin_anew = attempt < ATTEMPTS && !faults.is_empty() && {
            let known = known.get_or_insert_with(|| {
                let folded = untangle::folded(f, &base).into_iter();
                folded.map(|t| base.middle_of(t)).collect()
            });
            let folded: Vec<Point> = faults.folded.iter().map(|&t| net.middle_of(t)).collect();
            let more = zones.more_care(&folded, known, Care::HandsOff);
            let crossed: Vec<Point> = faults.worked.iter().map(|&t| net.middle_of(t)).collect();
            let more = more | zones.more_care(&crossed, &[], Care::Held);
            more | zones.hold(&Faults::places(&net, &faults.unworked))
        };
        if !begin_anew {
            return finished(f, net, &faults, &zones, cell_mm);
        }
        let bad = spoilt(&net, &faults, &zones);
        zones.settle();
        if zones.count_held() > held {
            held = zones.count_held();
            let mut new = draft.net(f, &zones);
            untangle::untangle(f, &mut new, cell_mm);
            new = new.into_base();
            net = again(&base, &new, &net, &bad);
            base = new;
            known = None;
        } else {
            net = again(&base, &base, &net, &bad);
        }
        attempt += 1;
    }
}

/// Facets at faults, and where more care was asked for.
fn spoilt(net: &Net, faults: &Faults, zones: &Zones) -> Vec<u32> {
    let live = (0..net.facets.len() as u32).into_par_iter();
    let near = live.with_min_len(512).filter(|&t| {
        !net.gone(t)
            && (zones.has_changed(&net.middle_of(t))
                || net.facets[t as usize]
                    .iter()
                    .any(|&v| zones.has_changed(net.at(v))))
    });
    let mut out: Vec<u32> = near.collect();
    for list in [&faults.folded, &faults.worked, &faults.unworked] {
        out.extend(list);
    }
    out
}

fn finished<F: Implicit + ?Sized>(
    f: &F,
    mut net: Net,
    faults: &Faults,
    zones: &Zones,
    cell_mm: f64,
) -> Refined {
    polish::polish(f, &mut net, cell_mm);
    let live: Vec<u32> = (0..net.facets.len() as u32)
        .filter(|&t| !net.gone(t))
        .collect();
    let blunt = live.iter().filter(|&&t| net.bridges(t)).count();
    let touched = live.iter().filter(|&&t| net.mark(t).worked).count();
    let folded = untangle::folded(f, &net);
    let (vertices, facets) = net.compact();
    Refined {
        vertices,
        facets,
        touched,
        folded: folded.len(),
        crossing: faults.crossing,
        blunt,
        given_up: zones.given_up(),
    }
}

/// Gentle everywhere where so much is off the level that following it would take too long: the scan
/// is rough at the scale of the facets.
fn least_care<F: Implicit + ?Sized>(f: &F, net: &Net, cell_mm: f64) -> Care {
    let bad = net.off_level(f, MIDDLE_OFF * cell_mm).len();
    if bad > MANY && bad as f64 > ROUGH * net.facets.len() as f64 {
        Care::Gentle
    } else {
        Care::Plain
    }
}

fn passes<F: Implicit + ?Sized>(f: &F, net: &mut Net, zones: &Zones, cell_mm: f64) {
    let all = net.facets.len().max(1) as f64;
    let fresh = (0..net.facets.len() as u32).filter(|&t| net.mark(t).fresh && !net.frozen(t));
    let share = fresh.count() as f64 / all;
    let mut budget = (share * (BUDGET * all).max(MANY as f64)) as usize;
    for _ in 0..PASSES {
        let queue = (0..net.facets.len() as u32)
            .into_par_iter()
            .with_min_len(512)
            .filter(|&t| net.mark(t).fresh && !net.gone(t) && !net.frozen(t))
            .filter(|&t| net.foretold(t) > LOOK_AT * MIDDLE_OFF * cell_mm)
            .filter(|&t| zones.at(&net.middle_of(t)) < Care::HandsOff)
            .collect();
        rounds(f, net, queue, zones, &mut budget, cell_mm);
        let (mended, _) = untangle::untangle(f, net, cell_mm);
        if mended == 0 {
            break;
        }
    }
}

/// What refining left behind.
struct Faults {
    folded: Vec<u32>,
    /// Pairs of facets that cross.
    crossing: usize,
    /// The facets of those of which one was worked over, and of those of which none was.
    worked: Vec<u32>,
    unworked: Vec<u32>,
}

impl Faults {
    fn is_empty(&self) -> bool {
        self.folded.is_empty() && self.crossing == 0
    }

    /// Middles and corners: long facets may cross far from their middle.
    fn places(net: &Net, facets: &[u32]) -> Vec<Point> {
        let of = |&t: &u32| {
            let corners = net.facets[t as usize].map(|v| *net.at(v));
            std::iter::once(net.middle_of(t)).chain(corners)
        };
        facets.iter().flat_map(of).collect()
    }
}

/// Folded facets and crossing pairs, looked for everywhere the first time, since refining is not all
/// that makes them, and then wherever something is fresh.
fn faults<F: Implicit + ?Sized>(f: &F, net: &Net) -> Faults {
    let live: Vec<u32> = (0..net.facets.len() as u32)
        .filter(|&t| !net.gone(t))
        .collect();
    let points: Vec<Point> = net.vertices.iter().map(|v| v.sample.at).collect();
    let facets: Vec<[u32; 3]> = live.iter().map(|&t| net.facets[t as usize]).collect();
    let fresh: Vec<bool> = live.iter().map(|&t| net.mark(t).fresh).collect();
    let pairs = crossing_pairs(&points, &facets, &fresh);
    let mut out = Faults {
        folded: untangle::folded(f, net),
        crossing: pairs.len(),
        worked: Vec::new(),
        unworked: Vec::new(),
    };
    for (a, b) in pairs {
        let pair = [live[a as usize], live[b as usize]];
        if pair.iter().any(|&t| net.mark(t).worked) {
            out.worked.extend(pair);
        } else {
            out.unworked.extend(pair);
        }
    }
    out
}

fn rounds<F: Implicit + ?Sized>(
    f: &F,
    net: &mut Net,
    mut queue: Vec<u32>,
    zones: &Zones,
    budget: &mut usize,
    cell_mm: f64,
) {
    let mut least_bad = usize::MAX;
    for round in 0..ROUNDS {
        let mut bad: Vec<(f64, u32)> = queue
            .par_iter()
            .with_min_len(32)
            .map(|&t| (net.middle(f, t).value_mm.abs(), t))
            .filter(|&(off, _)| off > MIDDLE_OFF * cell_mm)
            .collect();
        bad.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
        // Where what is off no longer dwindles, the facets are finer than what they follow.
        if round >= TURNS && bad.len() as f64 > DWINDLES * least_bad as f64 {
            break;
        }
        least_bad = least_bad.min(bad.len());
        bad.truncate(*budget);
        *budget -= bad.len();
        let remedies: Vec<(u32, Option<Remedy>)> = bad
            .par_iter()
            .with_min_len(8)
            .filter_map(|&(_, t)| match zones.at(&net.middle_of(t)) {
                Care::Plain => Some((t, net.remedy(f, t, cell_mm, round < TURNS))),
                Care::Gentle => Some((t, net.gentle_remedy(f, t, cell_mm))),
                Care::HandsOff | Care::Held => None,
            })
            .collect();
        let applied;
        (queue, applied) = apply(net, remedies);
        if applied == 0 {
            break;
        }
    }
}

/// Applies remedies, each facet once, and returns the facets to look at next, and how many it applied.
fn apply(net: &mut Net, remedies: Vec<(u32, Option<Remedy>)>) -> (Vec<u32>, usize) {
    let mut applied = 0;
    let mut used = vec![false; net.facets.len()];
    let mut next = Vec::new();
    for (t, remedy) in remedies {
        // What has no remedy may find one once its neighbours have changed.
        next.push(t);
        let Some(remedy) = remedy else { continue };
        let (facet, edge) = match &remedy {
            Remedy::Turn { facet, edge } | Remedy::Split { facet, edge, .. } => (*facet, *edge),
        };
        let other = net.across[facet as usize][edge];
        let is_used = |t: u32| used.get(t as usize).is_none_or(|&u| u);
        if is_used(facet) || is_used(other) {
            continue;
        }
        match remedy {
            // Turns of this round may have made the edge that this one would make.
            Remedy::Turn { .. } if !net.may_turn(facet, edge) => continue,
            Remedy::Turn { .. } => net.turn(facet, edge),
            Remedy::Split { vertex, .. } => {
                let made = net.facets.len() as u32;
                net.split(facet, edge, vertex);
                next.extend([made, made + 1]);
            }
        }
        next.extend([facet, other]);
        used[facet as usize] = true;
        used[other as usize] = true;
        applied += 1;
    }
    next.sort_unstable();
    next.dedup();
    (next, applied)
}

impl Net {
    /// Facets whose middle is farther than this off the level, worst first.
    pub fn off_level<F: Implicit + ?Sized>(&self, f: &F, limit_mm: f64) -> Vec<(f64, u32)> {
        let mut bad: Vec<(f64, u32)> = (0..self.facets.len() as u32)
            .into_par_iter()
            .with_min_len(64)
            .filter(|&t| !self.gone(t) && self.foretold(t) > LOOK_AT * limit_mm)
            .map(|t| (self.middle(f, t).value_mm.abs(), t))
            .filter(|&(off, _)| off > limit_mm)
            .collect();
        bad.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
        bad
    }

    /// How far off the middle is if the field is quadratic between the corners.
    fn foretold(&self, t: u32) -> f64 {
        let s = self.facets[t as usize].map(|v| &self.vertices[v as usize].sample);
        let off = |a: &Sample, b: &Sample| (b.gradient - a.gradient).dot(&(b.at - a.at)).abs();
        (off(s[0], s[1]) + off(s[1], s[2]) + off(s[2], s[0])) / 18.0
    }

    pub fn middle_of(&self, t: u32) -> Point {
        let [a, b, c] = self.facets[t as usize].map(|v| self.at(v).coords);
        Point::from((a + b + c) / 3.0)
    }

    pub fn middle<F: Implicit + ?Sized>(&self, f: &F, t: u32) -> Sample {
        let [a, b, c] = self.facets[t as usize].map(|v| &self.vertices[v as usize].sample);
        let mid = Point::from((a.at.coords + b.at.coords + c.at.coords) / 3.0);
        f.sample(&mid, Some(a))
    }

    fn between<F: Implicit + ?Sized>(&self, f: &F, a: u32, b: u32, t: f64) -> Sample {
        let (p, q) = (
            &self.vertices[a as usize].sample,
            &self.vertices[b as usize].sample,
        );
        f.sample(&(p.at + (q.at - p.at) * t), Some(p))
    }

    pub fn remedy<F: Implicit + ?Sized>(
        &self,
        f: &F,
        t: u32,
        cell_mm: f64,
        turns: bool,
    ) -> Option<Remedy> {
        if self.bridges(t) {
            return None;
        }
        let corners = self.facets[t as usize];
        let mut edges: Vec<(f64, usize, Sample)> = Vec::with_capacity(3);
        let mut best_turn: Option<(f64, usize)> = None;
        for e in 0..3 {
            let (a, b, c) = (corners[e], corners[(e + 1) % 3], corners[(e + 2) % 3]);
            let (_, _, d) = self.opposite(t, e);
            if !self.is_free(t, e) {
                continue;
            }
            let mid = self.between(f, a, b, 0.5);
            let off = mid.value_mm.abs();
            if turns && off > 0.25 * MIDDLE_OFF * cell_mm && self.may_turn(t, e) {
                let turned = self.between(f, c, d, 0.5).value_mm.abs();
                if turned < 0.4 * off && best_turn.is_none_or(|(gain, _)| off - turned > gain) {
                    best_turn = Some((off - turned, e));
                }
            }
            let long = (self.at(b) - self.at(a)).norm() > SHORTEST * cell_mm;
            if long {
                edges.push((off, e, mid));
            }
        }
        if let Some((_, edge)) = best_turn {
            return Some(Remedy::Turn { facet: t, edge });
        }
        edges.sort_by(|x, y| y.0.total_cmp(&x.0).then(x.1.cmp(&y.1)));
        edges.into_iter().find_map(|(_, edge, mid)| {
            let (a, b) = (corners[edge], corners[(edge + 1) % 3]);
            let fits = |v: &Vertex| self.may_split(f, t, edge, &v.sample);
            let placed = Some(self.new_vertex(f, a, b, mid, cell_mm)).filter(fits);
            let vertex = placed.or_else(|| {
                let sample = place::settle(f, &mid.at, Some(&mid), cell_mm);
                Some(Vertex {
                    sample,
                    crease: false,
                })
                .filter(fits)
            })?;
            Some(Remedy::Split {
                facet: t,
                edge,
                vertex,
            })
        })
    }

    /// A split of the longest edge at its middle, brought straight onto the level: no creases, no
    /// turns, and nothing that moves far or leans over.
    fn gentle_remedy<F: Implicit + ?Sized>(&self, f: &F, t: u32, cell_mm: f64) -> Option<Remedy> {
        let length = |e: usize| {
            let [a, b, _] = self.corners(t, e);
            (self.at(b) - self.at(a)).norm()
        };
        let edge = (0..3).max_by(|&x, &y| length(x).total_cmp(&length(y)))?;
        let [a, b, _] = self.corners(t, edge);
        let (g, k, _) = self.opposite(t, edge);
        if !self.is_free(t, edge) || length(edge) < 2.0 * SHORTEST * cell_mm || self.bridges(t) {
            return None;
        }
        let mid = self.between(f, a, b, 0.5);
        let sample = place::settle(f, &mid.at, Some(&mid), cell_mm);
        let m = sample.at;
        let upright = [(t, edge), (g, k)].into_iter().all(|(t, e)| {
            let [a, b, c] = self.corners(t, e).map(|v| *self.at(v));
            let old = (b - a).cross(&(c - a));
            [[a, m, c], [m, b, c]].into_iter().all(|[p, q, r]| {
                let n = (q - p).cross(&(r - p));
                n.dot(&old) > GENTLY * n.norm() * old.norm()
            })
        });
        let near = (m - mid.at).norm() < NEARBY * length(edge);
        (near && upright).then_some(Remedy::Split {
            facet: t,
            edge,
            vertex: Vertex {
                sample,
                crease: false,
            },
        })
    }

    /// Whether a facet joins two walls that meet at a knife's edge.
    pub fn bridges(&self, t: u32) -> bool {
        let [a, b, c] = self.facets[t as usize].map(|v| self.vertices[v as usize].sample.gradient);
        a.dot(&b).min(b.dot(&c)).min(c.dot(&a)) < KNIFE
    }

    /// Whether a point on edge `e` of facet `t` leaves all four new facets upright: against the
    /// facets they replace or, where those bridge a crease, against the field.
    fn may_split<F: Implicit + ?Sized>(&self, f: &F, t: u32, e: usize, made: &Sample) -> bool {
        let (g, k, _) = self.opposite(t, e);
        let m = made.at;
        let [a, b, _] = self.corners(t, e).map(|v| *self.at(v));
        let apart = (m - a).norm().min((m - b).norm());
        if apart < APART * (b - a).norm() {
            return false;
        }
        [(t, e), (g, k)].into_iter().all(|(t, e)| {
            let [a, b, c] = self.corners(t, e).map(|v| *self.at(v));
            let old = (b - a).cross(&(c - a));
            let halves = [[a, m, c], [m, b, c]];
            let upright = |[p, q, r]: [Point; 3]| {
                let n = (q - p).cross(&(r - p));
                n.dot(&old) > UPRIGHT * n.norm() * old.norm()
            };
            let out = |h: [Point; 3]| untangle::facing(f, h, made) > untangle::FACING;
            halves.into_iter().all(upright) || halves.into_iter().all(out)
        })
    }

    fn new_vertex<F: Implicit + ?Sized>(
        &self,
        f: &F,
        a: u32,
        b: u32,
        mid: Sample,
        cell_mm: f64,
    ) -> Vertex {
        let length = (self.at(b) - self.at(a)).norm();
        let around = [
            mid,
            self.between(f, a, b, 0.1),
            self.between(f, a, b, 0.3),
            self.between(f, a, b, 0.7),
            self.between(f, a, b, 0.9),
        ];
        // The ridge of a wedge of 14° stands off / sin 7° from the middle of an edge across it.
        let reach_mm = 0.75 * length + (8.0 * mid.value_mm.abs()).min(2.0 * cell_mm);
        place::place(f, &mid.at, &around, cell_mm, reach_mm)
    }

    /// Whether edge `e` of facet `t` can be turned without folding anything over.
    fn may_turn(&self, t: u32, e: usize) -> bool {
        let (_, _, d) = self.opposite(t, e);
        if !self.is_free(t, e) {
            return false;
        }
        let corners = self.facets[t as usize];
        let (a, b, c) = (corners[e], corners[(e + 1) % 3], corners[(e + 2) % 3]);
        let [pa, pb, pc, pd] = [a, b, c, d].map(|v| *self.at(v));
        let normal = |x: &Point, y: &Point, z: &Point| (y - x).cross(&(z - x));
        let (n1, n2) = (normal(&pa, &pb, &pc), normal(&pb, &pa, &pd));
        let (m1, m2) = (normal(&pc, &pd, &pb), normal(&pd, &pc, &pa));
        let mean: Vector = n1 + n2;
        let span = (pd - pc).norm_squared();
        let flat = |m: &Vector| m.norm() < 1e-3 * span;
        let upright = |m: &Vector| m.dot(&mean) > UPRIGHT * m.norm() * mean.norm();
        !flat(&m1) && !flat(&m2) && upright(&m1) && upright(&m2) && !self.joined(t, c, d)
    }
}

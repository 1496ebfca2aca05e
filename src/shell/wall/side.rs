//! Which part of the surface is outside and which is inside, on a shell that is one surface.
//!
//! Bores and the faceplate opening join the two, so no walk over the surface can tell them apart.
//! What can: an outer place sees most of the sky, a place in the cavity or a bore sees little of
//! it, and between the two runs a convex rim. So the surface is cut into about 4000 patches, the
//! share of sky each sees is measured with rays, the clear ones are taken as seeds, and the rest
//! goes to the seed from which it is reached over the least convex turn. Where the two meet
//! without a rim, the patches that are no seeds are told as unclear.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};

use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::mesh::{Link, Mesh, Topology, Vector};

use super::orient::Oriented;
use super::seat::convex_cos;
use super::tree::{Seat, Tree};

/// Which surface of the shell a place lies on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Surface {
    /// Towards the ear or the faceplate.
    Outer,
    /// Cavity, bores and vents.
    Inner,
    /// Cannot be told.
    Unclear,
}

/// Patches aimed at: about 0.6 mm across on a shell, less than half a bore. Too few and a bore's
/// mouth and its wall fall into one patch; each costs 64 rays. Other numbers were not tried.
const PATCHES: usize = 4096;
/// Rays from each patch: the share of sky is known to ± 0.06 (one standard deviation at a half).
const RAYS: usize = 64;
/// Every third ray is asked first: those of a spiral by the golden angle lie spread over the whole
/// sky (52° apart; every fourth would lie along two lines).
const THIN: usize = 3;
/// A patch that sees this much sky is surely outside: a cavity half as deep as wide still shows
/// its floor only 0.50, one a quarter as deep 0.80.
const SURELY_OUTER: f64 = 0.9;
/// A patch that sees this little is surely inside: the wall of an open round cavity sees 0.5 at its
/// mouth, 0.30 a quarter of its width down, 0.17 half its width down. A fold of the outside that
/// sees as little is given back by what lies behind it.
const SURELY_INNER: f64 = 0.3;
/// A rim turns by 90° or more between patches on both its sides; meeting at less than this
/// (median, degrees) means that no rim was found.
const RIM_TURN_DEG: f64 = 35.0;

/// Convex edges this sharp end a patch, as they do a wall. Without it patches lay across the rims of
/// bores and 75 points of a bore were taken for outside. Other angles were not tried.
const SHARP_DEG: f64 = 40.0;

/// The surface of every facet.
pub(super) fn surfaces(
    mesh: &Mesh,
    topology: &Topology,
    tree: &Tree,
    oriented: &Oriented,
    normals: &[Vector],
) -> Vec<Surface> {
    let patches = Patches::new(mesh, topology, tree, oriented, normals);
    let labels = patches.labels();
    let mut out = spread(mesh, topology, normals, &patches, &labels);
    for (f, &s) in oriented.sheet_of.iter().enumerate() {
        if oriented.sheets[s as usize].depth % 2 == 1 {
            out[f] = Surface::Inner;
        }
    }
    out
}

/// The surface of every facet where the inner one was given apart.
pub(super) fn given(mesh: &Mesh, inner_from: usize) -> Vec<Surface> {
    let side = |f| {
        if f < inner_from {
            Surface::Outer
        } else {
            Surface::Inner
        }
    };
    (0..mesh.facets().len()).map(side).collect()
}

/// A patch of neighbouring facets round a sampled one.
struct Patch {
    facet: u32,
    centre: Vector,
    normal: Vector,
    sky: f64,
    /// Facet stopping the ball from its middle, if that is an opposite wall.
    across: Option<u32>,
}

impl Patch {
    /// What its sky says by itself.
    fn seed(&self) -> Surface {
        match self.sky {
            s if s >= SURELY_OUTER => Surface::Outer,
            s if s <= SURELY_INNER => Surface::Inner,
            _ => Surface::Unclear,
        }
    }

    /// Is `facet` the one whose sky was measured, and does that agree with the patch's label?
    fn stands_for(&self, facet: usize, label: Surface) -> bool {
        self.facet as usize == facet && self.seed() == label
    }
}

struct Patches {
    list: Vec<Patch>,
    /// Patch of every facet; `u32::MAX` for sheets that bound a cavity.
    of: Vec<u32>,
    /// Neighbouring patches and the turn between them, degrees, convex positive.
    turns: Vec<Vec<(u32, f64)>>,
}

impl Patches {
    fn new(
        mesh: &Mesh,
        topology: &Topology,
        tree: &Tree,
        oriented: &Oriented,
        normals: &[Vector],
    ) -> Self {
        let solid = |f: u32| {
            let s = oriented.sheet_of[f as usize] as usize;
            oriented.sheets[s].depth.is_multiple_of(2)
        };
        let facets: Vec<u32> = tree.items().iter().map(|it| it.facet).collect();
        let facets: Vec<u32> = facets.into_iter().filter(|&f| solid(f)).collect();
        let step = facets.len().div_ceil(PATCHES).max(1);
        let mut sampled: Vec<u32> = facets.iter().copied().step_by(step).collect();
        // A small sheet may fall between two samples; each sheet gets one of its own.
        let mut seen = vec![false; oriented.sheets.len()];
        sampled
            .iter()
            .for_each(|&f| seen[oriented.sheet_of[f as usize] as usize] = true);
        for &f in &facets {
            let s = oriented.sheet_of[f as usize] as usize;
            if !std::mem::replace(&mut seen[s], true) {
                sampled.push(f);
            }
        }
        let of = nearest_sample(mesh, topology, normals, &sampled);
        let directions = sky_directions();
        let (centres, means) = averages(mesh, tree, normals, &of, sampled.len());
        let list: Vec<Patch> = sampled
            .par_iter()
            .enumerate()
            .map(|(k, &facet)| {
                let place = middle(mesh, tree, facet);
                let normal = normals[facet as usize];
                Patch {
                    facet,
                    centre: centres[k],
                    normal: means[k],
                    sky: sky(tree, &place, &normal, facet, &directions),
                    across: across(tree, &place, &normal),
                }
            })
            .collect();
        let turns = turns(topology, &list, &of);
        Self { list, of, turns }
    }

    fn labels(&self) -> Vec<Surface> {
        let seeds: Vec<Surface> = self.list.iter().map(Patch::seed).collect();
        let mut labels = flood(&seeds, |p| self.turns[p].iter().copied());
        self.return_folds(&mut labels);
        let mut met: Vec<f64> = Vec::new();
        for (p, near) in self.turns.iter().enumerate() {
            for &(q, turn) in near {
                if labels[p] == Surface::Outer && labels[q as usize] == Surface::Inner {
                    met.push(turn);
                }
            }
        }
        met.sort_by(f64::total_cmp);
        if met
            .get(met.len() / 2)
            .is_some_and(|&turn| turn < RIM_TURN_DEG)
        {
            for (label, seed) in labels.iter_mut().zip(&seeds) {
                if *seed == Surface::Unclear {
                    *label = Surface::Unclear;
                }
            }
        }
        labels
    }

    /// A deep fold of the outside sees little sky too, but behind it lies the cavity, while behind
    /// a piece of the cavity lies the outside.
    fn return_folds(&self, labels: &mut [Surface]) {
        let mut piece = vec![u32::MAX; labels.len()];
        let mut pieces: Vec<Vec<usize>> = Vec::new();
        for start in 0..labels.len() {
            if labels[start] != Surface::Inner || piece[start] != u32::MAX {
                continue;
            }
            let mut members = vec![start];
            piece[start] = pieces.len() as u32;
            let mut next = 0;
            while next < members.len() {
                for &(q, _) in &self.turns[members[next]] {
                    let q = q as usize;
                    if labels[q] == Surface::Inner && piece[q] == u32::MAX {
                        piece[q] = pieces.len() as u32;
                        members.push(q);
                    }
                }
                next += 1;
            }
            pieces.push(members);
        }
        let largest = (0..pieces.len()).max_by_key(|&k| (pieces[k].len(), Reverse(k)));
        for (k, members) in pieces.iter().enumerate() {
            let behind = |p: &&usize| {
                let facet = self.list[**p].across?;
                let q = *self.of.get(facet as usize)?;
                (q != u32::MAX).then(|| piece[q as usize])
            };
            let (mut inside, mut all) = (0, 0);
            for other in members.iter().filter_map(|p| behind(&p)) {
                all += 1;
                inside += usize::from(other != u32::MAX && other != k as u32);
            }
            if Some(k) != largest && 2 * inside > all {
                members.iter().for_each(|&p| labels[p] = Surface::Outer);
            }
        }
    }
}

fn middle(mesh: &Mesh, tree: &Tree, facet: u32) -> Vector {
    let [a, b, c] = mesh.corners(facet as usize);
    (a.coords + b.coords + c.coords) / 3.0 - tree.origin().coords
}

/// The sample that is reached from each facet in the fewest steps. Sharp convex edges are crossed
/// only where nothing else leads to a facet, so that a patch does not lie on both sides of a rim.
fn nearest_sample(
    mesh: &Mesh,
    topology: &Topology,
    normals: &[Vector],
    sampled: &[u32],
) -> Vec<u32> {
    let sharp = SHARP_DEG.to_radians().cos();
    let mut of = vec![u32::MAX; topology.links.len()];
    let mut todo: VecDeque<u32> = VecDeque::with_capacity(of.len());
    for (k, &f) in sampled.iter().enumerate() {
        of[f as usize] = k as u32;
        todo.push_back(f);
    }
    let mut held_back = VecDeque::new();
    while let Some(f) = todo.pop_front().or_else(|| {
        let (f, g) = held_back.pop_front()?;
        if of[g as usize] == u32::MAX {
            of[g as usize] = of[f as usize];
        }
        Some(g)
    }) {
        for link in topology.links[f as usize] {
            let (Link::Facet(g) | Link::Flipped(g)) = link else {
                continue;
            };
            if of[g as usize] != u32::MAX {
                continue;
            }
            if convex_cos(mesh, normals, f as usize, g as usize) <= sharp {
                held_back.push_back((f, g));
            } else {
                of[g as usize] = of[f as usize];
                todo.push_back(g);
            }
        }
    }
    of
}

/// Area-weighted middles and mean normals of the patches.
fn averages(
    mesh: &Mesh,
    tree: &Tree,
    normals: &[Vector],
    of: &[u32],
    count: usize,
) -> (Vec<Vector>, Vec<Vector>) {
    let mut sums = vec![(Vector::zeros(), Vector::zeros(), 0.0); count];
    for (f, &k) in of.iter().enumerate() {
        if let Some(sum) = sums.get_mut(k as usize) {
            let area = mesh.area_vector(f).norm();
            sum.0 += area * middle(mesh, tree, f as u32);
            sum.1 += area * normals[f];
            sum.2 += area;
        }
    }
    sums.into_iter()
        .map(|(at, n, area)| {
            let normal = n.try_normalize(1e-300).unwrap_or_else(Vector::zeros);
            (at / f64::max(area, 1e-300), normal)
        })
        .unzip()
}

fn turns(topology: &Topology, list: &[Patch], of: &[u32]) -> Vec<Vec<(u32, f64)>> {
    let mut near: Vec<Vec<u32>> = vec![Vec::new(); list.len()];
    for (f, links) in topology.links.iter().enumerate() {
        for link in links {
            if let Link::Facet(g) | Link::Flipped(g) = link {
                let (a, b) = (of[f], of[*g as usize]);
                if a != b && a != u32::MAX && b != u32::MAX {
                    near[a as usize].push(b);
                }
            }
        }
    }
    near.into_par_iter()
        .enumerate()
        .map(|(a, mut list_of)| {
            list_of.sort_unstable();
            list_of.dedup();
            let turn = |b: u32| {
                let (p, q) = (&list[a], &list[b as usize]);
                let angle = p.normal.dot(&q.normal).clamp(-1.0, 1.0).acos();
                let convex = (q.normal - p.normal).dot(&(q.centre - p.centre)) > 0.0;
                if convex { angle } else { -angle }.to_degrees()
            };
            list_of.into_iter().map(|b| (b, turn(b))).collect()
        })
        .collect()
}

/// Directions over the half-space of +z with density by cosine: a Fibonacci spiral on the disk,
/// raised to the sphere.
fn sky_directions() -> Vec<Vector> {
    let golden = std::f64::consts::PI * (3.0 - 5.0_f64.sqrt());
    (0..RAYS)
        .map(|i| {
            let r_sq = (i as f64 + 0.5) / RAYS as f64;
            let (s, c) = (golden * i as f64).sin_cos();
            Vector::new(r_sq.sqrt() * c, r_sq.sqrt() * s, (1.0 - r_sq).sqrt())
        })
        .collect()
}

/// Share of the sky that a place sees, weighted by cosine.
fn sky(tree: &Tree, place: &Vector, normal: &Vector, facet: u32, directions: &[Vector]) -> f64 {
    let Some(side) = normal.cross(&least_axis(normal)).try_normalize(1e-12) else {
        return 0.5;
    };
    let up = normal.cross(&side);
    let from = place + 1e-4 * normal;
    let free = |first: usize| {
        let some = directions[first..].iter().step_by(THIN);
        let free = some.filter(|d| {
            let dir = d.x * side + d.y * up + d.z * normal;
            !tree.blocked(&from, &dir, facet)
        });
        free.count()
    };
    let (few, asked) = (free(0), RAYS.div_ceil(THIN));
    // What a third of the rays says all but with one voice the rest does not change.
    if few + 1 >= asked || few <= 3 {
        return few as f64 / asked as f64;
    }
    (few + free(1) + free(2)) as f64 / RAYS as f64
}

fn least_axis(n: &Vector) -> Vector {
    let mut axis = Vector::zeros();
    axis[n.iamin()] = 1.0;
    axis
}

fn across(tree: &Tree, place: &Vector, normal: &Vector) -> Option<u32> {
    let seat = Seat {
        point: u32::MAX,
        place: *place,
        normal: *normal,
        slack_mm: 0.02,
        hollow: false,
    };
    let (far, _) = tree.leaves_at(place, &-normal, u32::MAX)?;
    let ball = tree.ball(&seat, far / 2.0 + 1e-6)?;
    let centre = place - ball.radius_mm * normal;
    let turn = (ball.contact - centre).dot(normal) / ball.radius_mm;
    (turn < -0.5).then_some(ball.facet)
}

/// Gives every unclear member the label of the seed it is joined to by the path whose worst step
/// is least (a forest grown edge by edge, cheapest first).
fn flood<I: Iterator<Item = (u32, f64)>>(
    seeds: &[Surface],
    near: impl Fn(usize) -> I,
) -> Vec<Surface> {
    let mut labels = seeds.to_vec();
    let mut heap = BinaryHeap::new();
    // Turns in whole hundredths of a degree: an order that is total and stable.
    let key = |turn: f64| Reverse((turn * 100.0) as i32);
    for (p, &label) in seeds.iter().enumerate() {
        if label != Surface::Unclear {
            near(p).for_each(|(q, turn)| {
                if seeds[q as usize] == Surface::Unclear {
                    heap.push((key(turn), Reverse(q), Reverse(p as u32)));
                }
            });
        }
    }
    while let Some((_, Reverse(q), Reverse(p))) = heap.pop() {
        if labels[q as usize] == Surface::Unclear {
            labels[q as usize] = labels[p as usize];
            near(q as usize).for_each(|(r, turn)| {
                if labels[r as usize] == Surface::Unclear {
                    heap.push((key(turn), Reverse(r), Reverse(q)));
                }
            });
        }
    }
    labels
}

/// From patches to facets: patches well inside their label pass it on, those along a border are
/// cut facet by facet, so that a sharp rim divides where it is and not where patches happen to end.
fn spread(
    mesh: &Mesh,
    topology: &Topology,
    normals: &[Vector],
    patches: &Patches,
    labels: &[Surface],
) -> Vec<Surface> {
    let inside = |k: usize| {
        let same = |&(q, _): &(u32, f64)| labels[q as usize] == labels[k];
        labels[k] != Surface::Unclear && patches.turns[k].iter().all(same)
    };
    let settled: Vec<bool> = (0..labels.len()).map(inside).collect();
    let mut out: Vec<Surface> = patches
        .of
        .iter()
        .enumerate()
        .map(|(f, &k)| match labels.get(k as usize) {
            Some(&label) if settled[k as usize] => label,
            Some(&label) if patches.list[k as usize].stands_for(f, label) => label,
            _ => Surface::Unclear,
        })
        .collect();
    let near = |f: usize| {
        topology.links[f].iter().filter_map(move |link| match link {
            Link::Facet(g) | Link::Flipped(g) => {
                let turn = convex_cos(mesh, normals, f, *g as usize);
                Some((*g, turn.clamp(-1.0, 1.0).acos().to_degrees()))
            }
            Link::Open | Link::Fin => None,
        })
    };
    let grown = flood(&out, near);
    for (f, &k) in patches.of.iter().enumerate() {
        // A whole patch that could not be told stays so; only borders are grown into.
        let told = labels
            .get(k as usize)
            .is_some_and(|&l| l != Surface::Unclear);
        if told {
            out[f] = grown[f];
        }
    }
    out
}

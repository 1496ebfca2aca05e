//! Where each bore leaves: as told, or side by side in a section of the tip, as far out as all of
//! them find room.

use super::curve::{Heading, across};
use crate::mesh::{MeshQueries, Point, Vector};
use crate::stack::grid::{Depth, exact_depth};
use crate::stack::parts::Stack;
use crate::stack::tip::Tip;

/// Where one bore begins in the tip.
#[derive(Debug, Clone)]
pub struct Exit {
    /// The bore's name.
    pub bore: String,
    /// Its place and the way out.
    pub heading: Heading,
    /// Was it told (then the tube may run into the wall there), or found here?
    pub told: bool,
    /// Does the tube end just there, or may it end near it?
    pub tied: bool,
}

/// Spacing of the places tried in a section, mm.
const GRAIN_MM: f64 = 0.25;
/// How far from the tip's axis a bore may be, mm: a canal is no wider.
const ASIDE_MM: f64 = 5.0;
/// How far back from the tip sections are tried, mm, and how far apart.
const BACK_MM: f64 = 6.0;
const SECTION_MM: f64 = 0.4;
/// In hand at an exit over what is asked, mm.
const HAND_MM: f64 = 0.01;
/// How far short the grid may read in the middle of a canal, mm.
const READ_ERROR_MM: f64 = 0.2;
/// Layouts kept: the outermost that holds all, and one further in for tubes that cannot get there.
const LAYOUTS: usize = 3;

/// Layouts of the exits of all bores in use, outermost first; none where no section holds them.
pub fn exits(stack: &Stack, depth: &Depth, queries: &MeshQueries, tip: &Tip) -> Vec<Vec<Exit>> {
    let bores: Vec<_> = stack.bores_in_use().collect();
    let told: Vec<Exit> = bores
        .iter()
        .filter_map(|b| {
            let (at, way) = b.exit?;
            Some(Exit {
                bore: b.name.clone(),
                heading: Heading { at, way },
                told: true,
                tied: true,
            })
        })
        .collect();
    let open: Vec<_> = bores.iter().filter(|b| b.exit.is_none()).collect();
    if open.is_empty() {
        return vec![told];
    }
    let thick = open.iter().map(|b| b.outer_mm).fold(0.0, f64::max);
    let apart = open
        .iter()
        .flat_map(|a| open.iter().map(move |b| (a, b)))
        .filter(|(a, b)| a.name != b.name)
        .map(|(a, b)| stack.bores_apart_mm(a, b))
        .fold(0.0, f64::max);
    let (mut layouts, mut back) = (Vec::new(), if tip.told { 0.0 } else { -1.0 });
    let last = if tip.told { 1e-9 } else { BACK_MM };
    while back < last && layouts.len() < LAYOUTS {
        let places = section(
            depth,
            queries,
            tip,
            back,
            thick / 2.0 + stack.wall_clearance_mm,
        );
        if let Some(spots) = spread_out(depth, &places, open.len(), apart + HAND_MM) {
            let mut layout = told.clone();
            layout.extend(open.iter().zip(spots).map(|(b, at)| Exit {
                bore: b.name.clone(),
                heading: Heading {
                    at,
                    way: tip.outward,
                },
                told: false,
                tied: tip.told,
            }));
            layouts.push(layout);
            back += 2.0 * SECTION_MM;
        }
        back += SECTION_MM;
    }
    layouts
}

/// Places in a section that are deep enough for a tube.
fn section(depth: &Depth, queries: &MeshQueries, tip: &Tip, back: f64, need: f64) -> Vec<Point> {
    let (u, v) = across(&tip.outward);
    let middle = tip.at - tip.outward * back;
    let n = (ASIDE_MM / GRAIN_MM) as i32;
    let mut out = Vec::new();
    for i in -n..=n {
        for j in -n..=n {
            let aside = (u * f64::from(i) + v * f64::from(j)) * GRAIN_MM;
            let p = middle + aside;
            if aside.norm() <= ASIDE_MM
                && depth.depth(&p) >= need - READ_ERROR_MM
                && exact_depth(queries, &p) >= need + HAND_MM
                && sees(depth, &tip.at, &p)
            {
                out.push(p);
            }
        }
    }
    out
}

/// Is the straight way from the tip to a place inside the cavity? Else it is another lobe's.
fn sees(depth: &Depth, tip: &Point, p: &Point) -> bool {
    (0..=8).all(|k| depth.depth(&(tip + (p - tip) * f64::from(k) / 8.0)) > 0.0)
}

/// `n` places pairwise `apart`: the deepest alone, else furthest-first from several beginnings.
fn spread_out(depth: &Depth, places: &[Point], n: usize, apart: f64) -> Option<Vec<Point>> {
    let deepest = places
        .iter()
        .max_by(|a, b| depth.depth(a).total_cmp(&depth.depth(b)))?;
    if n == 1 {
        return Some(vec![*deepest]);
    }
    let mut best: Option<(f64, Vec<Point>)> = None;
    for first in places.iter().step_by(1 + places.len() / 60) {
        let mut chosen = vec![*first];
        while chosen.len() < n {
            let gap = |p: &Point| {
                chosen
                    .iter()
                    .map(|q| (p - q).norm())
                    .fold(f64::INFINITY, f64::min)
            };
            // The nearest that is far enough, so that the rest find room too.
            let next = places.iter().filter(|p| gap(p) >= apart).min_by(|a, b| {
                let sum = |p: &Point| chosen.iter().map(|q| (p - q).norm()).sum::<f64>();
                sum(a).total_cmp(&sum(b))
            });
            match next {
                Some(p) => chosen.push(*p),
                None => break,
            }
        }
        if chosen.len() < n {
            continue;
        }
        let mean = chosen.iter().map(|p| p.coords).sum::<Vector>() / n as f64;
        let spread = chosen
            .iter()
            .map(|p| (p.coords - mean).norm_squared() - 0.5 * depth.depth(p))
            .sum::<f64>();
        if best.as_ref().is_none_or(|(b, _)| spread < *b) {
            best = Some((spread, chosen));
        }
    }
    best.map(|b| b.1)
}

/// Every way to share out the found exits among their bores.
pub fn shared_out(stack: &Stack, layout: &[Exit]) -> Vec<Vec<Exit>> {
    let found: Vec<usize> = (0..layout.len()).filter(|&i| !layout[i].told).collect();
    let mut out = Vec::new();
    let mut order: Vec<usize> = (0..found.len()).collect();
    permute(&mut order, 0, &mut |order| {
        let mut shared = layout.to_vec();
        for (k, &o) in order.iter().enumerate() {
            shared[found[k]].heading = layout[found[o]].heading;
        }
        out.push(shared);
    });
    debug_assert!(out.len() <= 720 || stack.bores.len() > 6);
    out
}

/// All orders; of more than five, only the turns of the first.
fn permute(order: &mut Vec<usize>, from: usize, tell: &mut dyn FnMut(&[usize])) {
    if order.len() > 5 {
        for _ in 0..order.len() {
            tell(order);
            order.rotate_left(1);
        }
        return;
    }
    if from + 1 >= order.len() {
        return tell(order);
    }
    for k in from..order.len() {
        order.swap(from, k);
        permute(order, from + 1, tell);
        order.swap(from, k);
    }
}

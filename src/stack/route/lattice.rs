//! Looks for one tube's middle line: from the spout by short arcs and straight pieces, nearest to
//! the exit first (A*, Hart, Nilsson, Raphael 1968), and from each place reached the one line that
//! leads straight home, arc–straight–arc. Places and directions are kept to a coarse lattice, so
//! that none is looked at twice.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashSet};

use super::curve::{CHORD_MM, Heading, Piece, across, join};
use super::room::Room;
use super::ways::Ways;
use crate::stack::grid::Depth;

/// Length of one piece, mm. Longer: it does not round corners; shorter: more places for nothing.
const PIECE_MM: f64 = 0.9;
/// Ways an arc can turn.
const TURNS: usize = 8;
/// A place of the lattice, mm.
const CELL_MM: f64 = 0.45;
/// Cuts of a face of the cube of directions.
const DIRECTIONS: f64 = 5.0;
/// Every so many places home is tried; always while the way home is short.
const HOME_EVERY: usize = 4;
/// A bend costs this share of its length besides, so that of two ways the straighter is taken.
const BEND_COST: f64 = 0.2;

struct Place {
    heading: Heading,
    from: usize,
    piece: Option<Piece>,
    way_mm: f64,
}

/// What is asked of the line.
pub struct Quest<'a> {
    pub depth: &'a Depth,
    pub room: &'a Room<'a>,
    /// Ways to the exit.
    pub ways: &'a Ways,
    pub from: Heading,
    /// Headings to end in; which one is told by its index.
    pub ends: &'a [Heading],
    pub radius: f64,
    /// What a line keeps in hand over what is asked, mm; negative: a rough line that still has to
    /// be drawn into shape.
    pub hand_mm: f64,
    /// Places looked at before it is given up.
    pub most: usize,
    /// Has the time run out?
    pub over: &'a dyn Fn() -> bool,
}

/// The pieces of a line, and which of the ends it comes to. `fine` has the last word on a line.
pub fn seek(quest: &Quest, fine: &dyn Fn(&[Piece], usize) -> bool) -> Option<(Vec<Piece>, usize)> {
    let mut places = vec![Place {
        heading: quest.from,
        from: 0,
        piece: None,
        way_mm: 0.0,
    }];
    let mut seen = HashSet::new();
    let mut heap = BinaryHeap::new();
    heap.push((Reverse(bits(0.0)), Reverse(0)));
    let mut looked = 0;
    while let Some((_, Reverse(at))) = heap.pop() {
        if !seen.insert(key(&places[at].heading)) {
            continue;
        }
        looked += 1;
        if looked > quest.most || (looked % 32 == 0 && (quest.over)()) {
            return None;
        }
        let heading = places[at].heading;
        let left = quest.ways.at(quest.depth, &heading.at);
        if looked % HOME_EVERY == 1 || left < 3.0 * quest.radius {
            for (e, end) in quest.ends.iter().enumerate() {
                let Some(home) = join(&heading, end, quest.radius) else {
                    continue;
                };
                if !home.iter().all(|p| clear(quest, p)) {
                    continue;
                }
                let mut line = back(&places, at);
                line.extend(home);
                if fine(&line, e) {
                    return Some((line, e));
                }
            }
        }
        for piece in onward(&heading, quest.radius) {
            let end = piece.end();
            if seen.contains(&key(&end)) || !clear(quest, &piece) {
                continue;
            }
            let ahead = quest.ways.at(quest.depth, &end.at);
            if !ahead.is_finite() {
                continue;
            }
            let dear = 1.0 + if piece.bends() { BEND_COST } else { 0.0 };
            let way_mm = places[at].way_mm + PIECE_MM * dear;
            places.push(Place {
                heading: end,
                from: at,
                piece: Some(piece),
                way_mm,
            });
            // Weighed ahead: a line is wanted, not the shortest.
            let rank = way_mm + 1.5 * ahead;
            heap.push((Reverse(bits(rank)), Reverse(places.len() - 1)));
        }
    }
    None
}

/// Sizes that are not negative are in the order of their bits.
fn bits(x: f64) -> u64 {
    x.max(0.0).to_bits()
}

fn clear(quest: &Quest, piece: &Piece) -> bool {
    piece
        .steps(2.0 * CHORD_MM)
        .all(|h| quest.room.spare(&h.at) >= quest.hand_mm)
}

fn back(places: &[Place], mut at: usize) -> Vec<Piece> {
    let mut out = Vec::new();
    while let Some(piece) = places[at].piece {
        out.push(piece);
        at = places[at].from;
    }
    out.reverse();
    out
}

fn onward(h: &Heading, radius: f64) -> impl Iterator<Item = Piece> + '_ {
    let (u, v) = across(&h.way);
    let arcs = (0..TURNS).map(move |k| {
        let (s, c) = (std::f64::consts::TAU * k as f64 / TURNS as f64).sin_cos();
        Piece::arc(*h, u * c + v * s, radius, PIECE_MM)
    });
    std::iter::once(Piece::straight(*h, PIECE_MM)).chain(arcs)
}

fn key(h: &Heading) -> [i32; 6] {
    let cell = |x: f64| (x / CELL_MM).round() as i32;
    let face = h.way.iamax();
    let on = |k: usize| (h.way[(face + k) % 3] / h.way[face].abs() * DIRECTIONS / 2.0).round();
    let side = face as i32 + if h.way[face] < 0.0 { 3 } else { 0 };
    [
        cell(h.at.x),
        cell(h.at.y),
        cell(h.at.z),
        side,
        on(1) as i32,
        on(2) as i32,
    ]
}

//! How many sheets pass through each cell, and which facets join them: the surface's topology.
//!
//! Crossed edges of a cell are linked across its faces into cycles; each cycle is one sheet and
//! gets one vertex (dual marching cubes, after Nielson 2004). A face whose corners alternate can
//! be linked in two ways. When both cells beside it run both links through one cycle, two mesh
//! edges would fall together; turning that face's links splits both cycles, so doing it until
//! none is left ends and leaves a manifold (the remedy follows Wenger 2013, from memory).

use std::collections::HashSet;

use super::grid::{Cell, Grid, Key};

/// The sheets of one cell.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sheets {
    /// Vertex number of the first sheet.
    pub first: u32,
    pub count: u8,
    /// Sheet of each of the 12 edges; 255 where the edge is not crossed.
    pub of_edge: [u8; 12],
}

/// Ends of an edge as cell corners. Edge = axis × 4 + u + 2 v, with u and v along the next axes.
pub(super) fn ends(edge: usize) -> (usize, usize) {
    let (axis, u, v) = (edge / 4, edge & 1, edge >> 1 & 1);
    let base = u << ((axis + 1) % 3) | v << ((axis + 2) % 3);
    (base, base | 1 << axis)
}

fn crossed(mask: u8, edge: usize) -> bool {
    let (a, b) = ends(edge);
    (mask >> a ^ mask >> b) & 1 == 1
}

/// The four edges round a face and its four corners, both in cyclic order from corner (0, 0).
fn face(axis: usize, side: usize) -> ([usize; 4], [usize; 4]) {
    let (b, c) = ((axis + 1) % 3, (axis + 2) % 3);
    let edges = [
        b * 4 + (side << 1),
        c * 4 + (side | 2),
        b * 4 + (1 | side << 1),
        c * 4 + side,
    ];
    let corner = |u: usize, v: usize| side << axis | u << b | v << c;
    (
        edges,
        [corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)],
    )
}

/// A face by the cell on its near side and its axis.
type FaceKey = (Key, u8);

fn face_key(cell: &Cell, axis: usize, side: usize) -> FaceKey {
    let mut k = cell.key;
    k[axis] += side as u32;
    (k, axis as u8)
}

pub(super) fn sheets(grid: &Grid) -> Vec<Sheets> {
    let mut turned: HashSet<FaceKey> = HashSet::new();
    let mut out: Vec<Sheets> = grid
        .cells
        .iter()
        .map(|cell| link(grid, cell, &turned))
        .collect();
    let doubtful: Vec<(usize, usize, usize)> = grid
        .cells
        .iter()
        .enumerate()
        .flat_map(|(n, cell)| (0..3).map(move |axis| (n, cell, axis)))
        .filter_map(|(n, cell, axis)| {
            let (edges, _) = face(axis, 1);
            if !edges.iter().all(|&e| crossed(cell.mask, e)) {
                return None;
            }
            let mut k = cell.key;
            k[axis] += 1;
            grid.cell_at(k).map(|m| (n, m, axis))
        })
        .collect();
    loop {
        let before = turned.len();
        for &(n, m, axis) in &doubtful {
            let one = |s: &Sheets, side| {
                let (edges, _) = face(axis, side);
                edges.iter().all(|&e| s.of_edge[e] == s.of_edge[edges[0]])
            };
            let key = face_key(&grid.cells[n], axis, 1);
            if one(&out[n], 1) && one(&out[m], 0) && turned.insert(key) {
                out[n] = link(grid, &grid.cells[n], &turned);
                out[m] = link(grid, &grid.cells[m], &turned);
            }
        }
        if turned.len() == before {
            break;
        }
    }
    let mut first = 0;
    for s in &mut out {
        s.first = first;
        first += u32::from(s.count);
    }
    out
}

fn link(grid: &Grid, cell: &Cell, turned: &HashSet<FaceKey>) -> Sheets {
    let mut root: [u8; 12] = std::array::from_fn(|e| e as u8);
    let find = |root: &[u8; 12], mut e: u8| {
        while root[e as usize] != e {
            e = root[e as usize];
        }
        e
    };
    for axis in 0..3 {
        for side in 0..2 {
            let (edges, corners) = face(axis, side);
            let hit: Vec<usize> = edges
                .into_iter()
                .filter(|&e| crossed(cell.mask, e))
                .collect();
            let pairs = match hit.len() {
                2 => vec![(hit[0], hit[1])],
                4 => {
                    let v = corners.map(|c| grid.samples[cell.corners[c] as usize].value_mm);
                    // Bilinear saddle: which two opposite corners are joined in the middle.
                    let joined_00 =
                        (v[0] * v[2] > v[1] * v[3]) ^ turned.contains(&face_key(cell, axis, side));
                    if joined_00 {
                        vec![(edges[0], edges[1]), (edges[2], edges[3])]
                    } else {
                        vec![(edges[3], edges[0]), (edges[1], edges[2])]
                    }
                }
                _ => vec![],
            };
            for (a, b) in pairs {
                let (a, b) = (find(&root, a as u8), find(&root, b as u8));
                root[a.max(b) as usize] = a.min(b);
            }
        }
    }
    let mut out = Sheets {
        first: 0,
        count: 0,
        of_edge: [255; 12],
    };
    let mut number = [255_u8; 12];
    for e in (0..12).filter(|&e| crossed(cell.mask, e)) {
        let r = find(&root, e as u8) as usize;
        if number[r] == 255 {
            number[r] = out.count;
            out.count += 1;
        }
        out.of_edge[e] = number[r];
    }
    out
}

/// A facet of four corners round a crossed grid edge, counter-clockwise seen from outside.
#[derive(Debug, Clone, Copy)]
pub(super) struct Quad {
    /// Vertices.
    pub around: [u32; 4],
    /// The cell of each.
    pub cells: [u32; 4],
    /// Samples at the ends of the grid edge.
    pub ends: [u32; 2],
}

/// One for every crossed grid edge.
pub(super) fn quads(grid: &Grid, sheets: &[Sheets]) -> Vec<Quad> {
    let mut out = Vec::with_capacity(grid.cells.len());
    for cell in &grid.cells {
        for axis in 0..3 {
            if !crossed(cell.mask, axis * 4) {
                continue;
            }
            let (b, c) = ((axis + 1) % 3, (axis + 2) % 3);
            let around = [(0, 0), (1, 0), (1, 1), (0, 1)].map(|(u, v)| {
                let mut k = cell.key;
                k[b] = k[b].checked_sub(u)?;
                k[c] = k[c].checked_sub(v)?;
                let cell = grid.cell_at(k)?;
                let s = &sheets[cell];
                let sheet = s.of_edge[axis * 4 + (u | v << 1) as usize];
                Some((s.first + u32::from(sheet), cell as u32))
            });
            let [Some(p), Some(q), Some(r), Some(s)] = around else {
                continue; // Grid::close leaves no such gap
            };
            let mut round = [p, q, r, s];
            if cell.mask & 1 == 0 {
                round.reverse();
            }
            out.push(Quad {
                around: round.map(|(v, _)| v),
                cells: round.map(|(_, c)| c),
                ends: [cell.corners[0], cell.corners[1 << axis]],
            });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faces_and_edges_fit_together() {
        for axis in 0..3 {
            for side in 0..2 {
                let (edges, corners) = face(axis, side);
                for k in 0..4 {
                    let (a, b) = ends(edges[k]);
                    let want = [corners[k], corners[(k + 1) % 4]];
                    assert!(
                        want.contains(&a) && want.contains(&b),
                        "axis {axis} side {side}"
                    );
                }
            }
        }
    }
}

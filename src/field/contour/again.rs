//! A worked net of which only a part is begun anew: what was done elsewhere stays.
//!
//! Facets that changed together are a group; the edges round a group are those of the base that it
//! was made from. So a group can be put back to its base, or to another base, and the rest stays.
//! Doing the whole surface again for a crossing of two facets took half of the time of a drawing.

use std::collections::HashMap;

use super::net::{Mark, NONE, Net};

/// A net of what may stay of `done` and, for the rest, of `new`. `old` is the base of `done`; `new`
/// is the base to begin from, the same or another one. `bad` tells facets of `done` that may not stay.
///
/// Facets taken from `new` are fresh, the others not.
pub(super) fn again(old: &Net, new: &Net, done: &Net, bad: &[u32]) -> Net {
    let mut spoilt = vec![false; old.facets.len()];
    for &t in bad {
        spoilt[done.group(done.mark(t).of) as usize] = true;
    }
    let matched = matched(old, new);
    let mut found = vec![false; old.facets.len()];
    for o in matched.iter().flatten() {
        found[*o as usize] = true;
    }
    for o in (0..old.facets.len()).filter(|&o| !found[o] && !old.gone(o as u32)) {
        spoilt[done.group(o as u32) as usize] = true;
    }
    loop {
        let (net, from) = composed(old, new, done, &matched, &spoilt);
        // A group may have made an edge that its neighbour had in the base.
        let mut clash = false;
        for (across, from) in net.across.iter().zip(&from) {
            if across.contains(&NONE)
                && let Some(group) = from
            {
                clash |= !spoilt[*group as usize];
                spoilt[*group as usize] = true;
            }
        }
        if !clash {
            return net;
        }
    }
}

/// For each facet of `new` the same one of `old`, frozen ones apart.
fn matched(old: &Net, new: &Net) -> Vec<Option<u32>> {
    let free = |net: &Net, t: u32| !net.gone(t) && !net.frozen(t);
    if std::ptr::eq(old, new) {
        let all = 0..old.facets.len() as u32;
        return all.map(|t| free(old, t).then_some(t)).collect();
    }
    let of: HashMap<[u32; 3], u32> = (0..old.facets.len() as u32)
        .filter(|&t| free(old, t))
        .map(|t| (old.facets[t as usize], t))
        .collect();
    let same = |t: u32| {
        let o = *of.get(&new.facets[t as usize])?;
        let stays = new.facets[t as usize]
            .iter()
            .all(|&v| old.vertices.len() > v as usize && old.at(v) == new.at(v));
        stays.then_some(o)
    };
    (0..new.facets.len() as u32)
        .map(|t| free(new, t).then(|| same(t)).flatten())
        .collect()
}

/// The net, and the group of each facet that comes from `done`.
fn composed(
    old: &Net,
    new: &Net,
    done: &Net,
    matched: &[Option<u32>],
    spoilt: &[bool],
) -> (Net, Vec<Option<u32>>) {
    let stays = |group: u32| !spoilt[group as usize];
    let mut vertices = new.vertices.clone();
    let mut facets: Vec<[u32; 3]> = Vec::with_capacity(done.facets.len());
    let mut marks: Vec<Mark> = Vec::with_capacity(done.facets.len());
    let mut from: Vec<Option<u32>> = Vec::with_capacity(done.facets.len());
    let mut groups: Vec<u32> = (0..new.facets.len() as u32).collect();
    // Of each group that stays, the first facet of the new base.
    let mut first = vec![NONE; old.facets.len()];
    for t in (0..new.facets.len() as u32).filter(|&t| !new.gone(t) && !new.frozen(t)) {
        let group = matched[t as usize].map(|o| done.group(o));
        if let Some(group) = group.filter(|&g| stays(g)) {
            let first = &mut first[group as usize];
            *first = (*first).min(t);
            groups[t as usize] = *first;
        } else {
            facets.push(new.facets[t as usize]);
            let worked = new.mark(t).worked;
            marks.push(Mark {
                worked,
                fresh: true,
                of: t,
            });
            from.push(None);
        }
    }
    let mut number: HashMap<u32, u32> = HashMap::new();
    for t in (0..done.facets.len() as u32).filter(|&t| !done.gone(t) && !done.frozen(t)) {
        let group = done.group(done.mark(t).of);
        if !stays(group) {
            continue;
        }
        facets.push(done.facets[t as usize].map(|v| {
            let vertex = done.vertices[v as usize];
            if (v as usize) < old.vertices.len() {
                vertices[v as usize] = vertex;
                return v;
            }
            *number.entry(v).or_insert_with(|| {
                vertices.push(vertex);
                vertices.len() as u32 - 1
            })
        }));
        let worked = done.mark(t).worked;
        marks.push(Mark {
            worked,
            fresh: false,
            of: first[group as usize],
        });
        from.push(Some(group));
    }
    let free = facets.len();
    for t in (0..new.facets.len() as u32).filter(|&t| new.frozen(t)) {
        facets.push(new.facets[t as usize]);
        marks.push(Mark {
            worked: false,
            fresh: true,
            of: t,
        });
        from.push(None);
    }
    let mut net = Net::new(vertices, facets);
    net.remark(marks, groups);
    net.freeze(free);
    (net, from)
}

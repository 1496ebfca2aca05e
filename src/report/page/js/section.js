// The section of surfaces by a plane: pieces from facets, joined to outlines, gaps of open
// surfaces closed by straight lines; the outline that the spine runs through, and its area.
function cutPieces(layer, point, normal) {
  const { at, corners } = layer, w = dot(point, normal);
  const off = layer.off || (layer.off = new Float32Array(at.length / 3));
  for (let p = 0, i = 0; p < off.length; p++, i += 3) {
    const d = at[i] * normal[0] + at[i + 1] * normal[1] + at[i + 2] * normal[2] - w;
    // On the plane counts as beyond it: every facet is then cut in two edges or none.
    off[p] = d === 0 ? 1e-7 : d;
  }
  const n = off.length, next = new Map(), places = new Map();
  const cross2 = (a, b) => {
    const [lo, hi] = a < b ? [a, b] : [b, a], key = lo * n + hi;
    if (!places.has(key)) {
      const t = off[lo] / (off[lo] - off[hi]);
      places.set(key, between([at[3 * lo], at[3 * lo + 1], at[3 * lo + 2]],
        [at[3 * hi], at[3 * hi + 1], at[3 * hi + 2]], t));
    }
    return key;
  };
  const join = (a, b) => {
    if (!next.has(a)) next.set(a, []);
    next.get(a).push(b);
  };
  for (let f = 0; f < corners.length; f += 3) {
    const a = corners[f], b = corners[f + 1], c = corners[f + 2];
    const sa = off[a] > 0, sb = off[b] > 0, sc = off[c] > 0;
    if (sa === sb && sb === sc) continue;
    const [x, y, z] = sb === sc ? [a, b, c] : sa === sc ? [b, c, a] : [c, a, b];
    const from = cross2(x, y), to = cross2(x, z);
    join(from, to);
    join(to, from);
  }
  return { next, places };
}

// Chains of places; a closed one ends where it began.
function chainsOf({ next, places }) {
  const used = new Set(), out = [];
  const walk = (start) => {
    const chain = [start];
    used.add(start);
    let at = start;
    for (;;) {
      const on = next.get(at).find((k) => !used.has(k));
      if (on === undefined) break;
      used.add(on);
      chain.push(on);
      at = on;
    }
    return { keys: chain, closed: chain.length > 2 && next.get(at).includes(start) };
  };
  // Ends of open chains first, so that none is begun in its middle.
  const ends = [...next.keys()].filter((k) => next.get(k).length === 1);
  for (const k of [...ends, ...next.keys()]) if (!used.has(k)) out.push(walk(k));
  return out.map((c) => ({ points: c.keys.map((k) => places.get(k)), closed: c.closed }));
}

// Open chains joined end to nearest end, then closed.
function closedLoops(chains) {
  const loops = chains.filter((c) => c.closed).map((c) => c.points);
  const open = chains.filter((c) => !c.closed && c.points.length > 1).map((c) => c.points);
  let closed = 0;
  while (open.length) {
    let chain = open.pop();
    for (;;) {
      const end = chain[chain.length - 1];
      let best = null, gap = size(sub(chain[0], end));
      open.forEach((o, i) => {
        for (const flip of [false, true]) {
          const d = size(sub(flip ? o[o.length - 1] : o[0], end));
          if (d < gap) [gap, best] = [d, { i, flip }];
        }
      });
      closed += gap;
      if (!best) break;
      const [o] = open.splice(best.i, 1);
      chain = chain.concat(best.flip ? o.reverse() : o);
    }
    if (chain.length > 2) loops.push(chain);
  }
  return { loops, closed };
}

function areaOf(flat) {
  let two = 0;
  for (let i = 0, j = flat.length - 1; i < flat.length; j = i++) {
    two += flat[j][0] * flat[i][1] - flat[i][0] * flat[j][1];
  }
  return Math.abs(two) / 2;
}

function holds(flat, [x, y]) {
  let inside = false;
  for (let i = 0, j = flat.length - 1; i < flat.length; j = i++) {
    const [[ax, ay], [bx, by]] = [flat[i], flat[j]];
    if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) inside = !inside;
  }
  return inside;
}

// Largest and smallest distance between two parallel lines that hold the outline.
function widthsOf(flat) {
  let largest = 0, smallest = Infinity;
  for (let k = 0; k < 180; k++) {
    const c = Math.cos((k * Math.PI) / 180), s = Math.sin((k * Math.PI) / 180);
    let low = Infinity, high = -Infinity;
    for (const [x, y] of flat) {
      const d = x * c + y * s;
      if (d < low) low = d;
      if (d > high) high = d;
    }
    largest = Math.max(largest, high - low);
    smallest = Math.min(smallest, high - low);
  }
  return { largest, smallest };
}

// The section through `point`, square to `normal`. Of several outlines it is the largest that holds
// the point, else the nearest one; outlines within it are hollows. `x` and `y` are the directions
// in which `flat` is written.
function sectionOf(layers, point, normal) {
  // Outer and inner surface meet at rims: chains that end there go on in the other one.
  const chains = layers.flatMap((layer) => chainsOf(cutPieces(layer, point, normal)));
  const { loops, closed } = closedLoops(chains);
  if (!loops.length) return null;
  const x = aside(normal), y = cross(normal, x);
  const all = loops.map((points) => {
    const flat = points.map((p) => [dot(sub(p, point), x), dot(sub(p, point), y)]);
    return { points, flat, area: areaOf(flat) };
  }).filter((l) => l.area > 1e-4).sort((a, b) => b.area - a.area);
  if (!all.length) return null;
  const off = (l) => Math.min(...l.flat.map(([a, b]) => Math.hypot(a, b)));
  const outer = all.find((l) => holds(l.flat, [0, 0])) ||
    all.reduce((best, l) => (off(l) < off(best) ? l : best));
  const within = all.filter((l) => l !== outer && holds(outer.flat, l.flat[0]));
  // A loop within an odd number of others bounds a hollow, within an even number material again.
  const hollow = within.reduce((sum, l) => {
    const depth = within.filter((m) => m !== l && holds(m.flat, l.flat[0])).length;
    return sum + (depth % 2 ? -l.area : l.area);
  }, 0);
  return { outer, within, area: outer.area, hollow, closed, ...widthsOf(outer.flat) };
}

// While the model is turned on a machine that draws slowly, large surfaces are drawn with few facets,
// and whole again as soon as it stands still. One point a cell stands for all in it.
const COARSE_FACETS = 8000, LARGE_FACETS = 40000;

function coarseLayer({ at, normal, maps, corners }) {
  let twice = 0;
  for (let f = 0; f < corners.length; f += 3) {
    const [i, j, k] = [3 * corners[f], 3 * corners[f + 1], 3 * corners[f + 2]];
    const ux = at[j] - at[i], uy = at[j + 1] - at[i + 1], uz = at[j + 2] - at[i + 2];
    const vx = at[k] - at[i], vy = at[k + 1] - at[i + 1], vz = at[k + 2] - at[i + 2];
    twice += Math.hypot(uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx);
  }
  const cell = Math.sqrt(twice / COARSE_FACETS), stands = new Map(), to = new Uint32Array(at.length / 3);
  for (let p = 0; p < to.length; p++) {
    const [x, y, z] = [0, 1, 2].map((k) => Math.floor(at[3 * p + k] / cell) + 2048);
    const key = (x * 4096 + y) * 4096 + z;
    if (!stands.has(key)) stands.set(key, p);
    to[p] = stands.get(key);
  }
  const out = new Uint32Array(corners.length);
  let n = 0;
  for (let f = 0; f < corners.length; f += 3) {
    const a = to[corners[f]], b = to[corners[f + 1]], c = to[corners[f + 2]];
    if (a !== b && b !== c && c !== a) {
      out[n++] = a;
      out[n++] = b;
      out[n++] = c;
    }
  }
  // Only the points that are left, so that nothing is worked out for the others.
  const kept = [], place = new Map(), few = out.slice(0, n).map((p) => {
    if (!place.has(p)) {
      place.set(p, kept.length);
      kept.push(p);
    }
    return place.get(p);
  });
  const of = (values, each) => {
    const some = new Float32Array(kept.length * each);
    kept.forEach((p, i) => { for (let k = 0; k < each; k++) some[each * i + k] = values[each * p + k]; });
    return some;
  };
  return { at: of(at, 3), normal: of(normal, 3), maps: maps.map((m) => ({ value: of(m.value, 1) })), corners: few };
}

// Says whether to draw coarsely now. A browser asks for the next drawing before this one is there, so
// a mark is sent after it and asked for: one at a time, after the first drawings and after few others.
// The very first takes the surface in as well and does not count. One drawing that is very late is
// enough, or two that are late one after the other; what is slow stays so.
function makePace(redraw) {
  const LATE_MS = 45, VERY_LATE_MS = 120, REST_MS = 160, FIRST = 12, ONE_OF = 16;
  let late = 0, slow = false, moving = false, rest = 0, drawings = 0, timing = false;
  return {
    coarse: () => slow && moving,
    moved: () => {
      moving = true;
      clearTimeout(rest);
      rest = setTimeout(() => { moving = false; redraw(); }, REST_MS);
    },
    // `draw` draws; `whenDrawn` calls back when its dots are there.
    drawn: (draw, whenDrawn) => {
      const count = drawings++, timed = !slow && !timing && count > 0 && (count < FIRST || count % ONE_OF === 0);
      const began = performance.now();
      draw();
      if (!timed) return;
      timing = true;
      whenDrawn(() => {
        timing = false;
        const took = performance.now() - began;
        late = took > LATE_MS ? late + 1 : 0;
        slow = late >= 2 || took > VERY_LATE_MS;
      });
    },
  };
}

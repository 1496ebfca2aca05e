// The page comes alive: the model and its tools, the section along the spine, the plots.
const byId = (id) => document.getElementById(id);
const data = JSON.parse(byId("data").textContent);
const calm = window.matchMedia("(prefers-reduced-motion: reduce)");
const centre = data.centre, local = (p) => sub(p, centre);
const layers = data.layers.map((l) => unpackLayer(l, centre));
const canvas = byId("view"), stage = byId("stage");
const camera = makeCamera(data.radius, data.views);
const drawer = (() => {
  try { return makeDrawer(canvas, Uint8Array.from([...bytesOf(data.scale), ...bytesOf(data.signedScale)])); } catch (e) { return null; }
})();
const state = {
  cutting: false, glass: false, measuring: false, map: null, section: null, mm: 0,
  hiddenLines: new Set(), picked: [], plane: [0, 0, 0, 0], moved: 0,
};
const labels = makeLabels(byId("labels"), camera);
const motion = data.motion && makeMotion(data.motion, centre);
const spine = data.spine && {
  ...data.spine, points: data.spine.points.map(local),
};
const pace = makePace(redraw);
let lines = [], outlineLines = [], measureLine = null, asked = false;

if (drawer) {
  layers.forEach(drawer.keepLayer);
  lines = data.lines.map((l) => drawer.keepLine(l, l.points.map(local)));
} else {
  byId("nothing").hidden = false;
  canvas.hidden = true;
  byId("tools").hidden = true;
}

// Drawing is done when something changed, and once for all that changed together.
function redraw() {
  if (asked) return;
  asked = true;
  requestAnimationFrame(() => { asked = false; drawNow(); });
}

// Dots of the screen a dot of the drawing: fewer while a slow machine turns the model.
let dense = 1;
const COARSE_DOTS = 250000;
function fitCanvas(coarse) {
  const all = camera.width * camera.height * dense * dense;
  camera.dense = dense * (coarse ? Math.min(0.5, Math.sqrt(COARSE_DOTS / Math.max(1, all))) : 1);
  const [width, height] = [camera.width, camera.height].map((x) => Math.max(1, Math.round(x * camera.dense)));
  if (canvas.width !== width) canvas.width = width;
  if (canvas.height !== height) canvas.height = height;
}

function drawNow() {
  if (!drawer) return;
  const coarse = pace.coarse();
  canvas.dataset.drawn = coarse ? "coarse" : "whole";
  fitCanvas(coarse);
  const shown = layers.map((layer, i) => [layer, {
    glass: layer.glass || (state.glass && i === main), cutting: state.cutting && spine,
    coarse, plane: state.plane, map: state.map && state.map.layer === i ? state.map : null,
  }]).filter(([layer]) => layer.shown);
  // Moved along its way, a surface stays behind as glass where it lay.
  const place = motion && motion.at(state.moved), moving = place && layers[data.motion.layer];
  const still = shown.find(([layer]) => layer === moving);
  if (still) shown.push([moving, { ...still[1], glass: false, moved: place }]);
  if (still) shown[shown.indexOf(still)] = [moving, { ...still[1], glass: true, map: null }];
  const seen = lines.filter((l) => !state.hiddenLines.has(l.name));
  const cut = state.cutting && spine ? state.plane : null;
  const all = [...seen, ...outlineLines, ...(measureLine ? [measureLine] : [])];
  pace.drawn(() => drawer.draw(camera.eye(), shown, all, cut), drawer.whenDrawn);
  labels.place(cut && ((p) => dot(p, cut) - cut[3] < -0.02));
}

function resize(width, height, dots) {
  const box = stage.getBoundingClientRect();
  camera.width = width || box.width;
  camera.height = height || box.height;
  dense = dots || Math.min(2, window.devicePixelRatio || 1);
  drawNow();
}

// Goes to another look, in a quarter of a second unless motion is unwanted.
function goTo({ middle, zoom, from, up }) {
  const start = { middle: camera.middle, zoom: camera.zoom, from: camera.toward, up: camera.up };
  const end = { middle: middle || start.middle, zoom: zoom || start.zoom, from: unit(from || start.from), up: up || start.up };
  const began = performance.now();
  const step = (now) => {
    const t = calm.matches ? 1 : Math.min(1, (now - began) / 250), s = t * t * (3 - 2 * t);
    camera.middle = between(start.middle, end.middle, s);
    camera.zoom = start.zoom * (end.zoom / start.zoom) ** s;
    const on = between(start.from, end.from, s);
    camera.lookFrom(t === 1 || size(on) < 1e-3 ? end.from : on, between(start.up, end.up, s));
    drawNow();
    if (t < 1) requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
}

const main = spine ? spine.layers[0] : 0;
// A look that fills the stage: the middle of what is seen from there, and so close that it fits.
function filling(view) {
  const toward = unit(view.from);
  let right = cross(view.up, toward);
  right = size(right) < 1e-6 ? aside(toward) : unit(right);
  const up = cross(toward, right), low = [Infinity, Infinity], high = [-Infinity, -Infinity];
  for (const { at, shown } of layers) {
    for (let i = 0; shown && i < at.length; i += 3) {
      const p = [at[i], at[i + 1], at[i + 2]], x = dot(p, right), y = dot(p, up);
      low[0] = Math.min(low[0], x); high[0] = Math.max(high[0], x);
      low[1] = Math.min(low[1], y); high[1] = Math.max(high[1], y);
    }
  }
  if (!(high[0] > low[0])) return { middle: [0, 0, 0], zoom: 1, from: toward, up };
  const mid = [0, 1].map((k) => (low[k] + high[k]) / 2);
  return { middle: add(times(right, mid[0]), times(up, mid[1])), from: toward, up,
    zoom: camera.zoomFor((high[0] - low[0]) * 1.22, (high[1] - low[1]) * 1.22) };
}

const lookAs = (view) => goTo(filling(view));

// The section.
function stationAt(mm) {
  const { at, points, normals } = spine;
  let k = at.findIndex((a) => a >= mm);
  if (k < 0) k = at.length - 1;
  if (k === 0 || at[k] === mm) return { point: points[k], normal: normals[k] };
  const t = (mm - at[k - 1]) / (at[k] - at[k - 1]);
  return { point: between(points[k - 1], points[k], t), normal: unit(between(normals[k - 1], normals[k], t)) };
}

let slider = null, handle = null, waiting = false;
const plots = data.plots.map((p, i) => makePlot(byId(`plot-${i}`), p, (mm) => setSection(mm)));

function setSection(mm) {
  if (!spine) return;
  state.mm = Math.min(spine.at[spine.at.length - 1], Math.max(spine.at[0], mm));
  slider.value = state.mm;
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; cutNow(); });
}

function cutNow() {
  const { point, normal } = stationAt(state.mm);
  state.plane = [...normal, dot(normal, point)];
  const section = sectionOf(spine.layers.map((i) => layers[i]), point, normal);
  state.section = section;
  const says = byId("section-says"), where = `${state.mm.toFixed(2)} mm ${spine.counted}`;
  byId("section-figure").hidden = false;
  if (section) {
    const hollow = section.hollow > 0.005 ? `, of it ${spine.within} ${section.hollow.toFixed(1)} mm²` : "";
    const gaps = section.closed > 0.05 ? `; ${section.closed.toFixed(1)} mm of the outline closed across gaps` : "";
    says.textContent = `${where}: ${section.area.toFixed(2)} mm²${hollow}, ` +
      `${section.largest.toFixed(2)} x ${section.smallest.toFixed(2)} mm${gaps}`;
    drawOutline(byId("section-outline"), section);
  } else {
    says.textContent = `${where}: nothing is cut there`;
    byId("section-outline").replaceChildren();
  }
  slider.setAttribute("aria-valuetext", says.textContent);
  byId("section-value").textContent = section ? `${where}: ${section.area.toFixed(1)} mm²` : says.textContent;
  if (drawer) {
    const all = section ? [section.outer, ...section.within] : [];
    const old = outlineLines;
    outlineLines = all.map((l, i) => drawer.keepLine({ name: "section", colour: "#b3450c", width: 3.2 },
      [...l.points, l.points[0]], old[i]));
    // At the top of the outline, where it hides neither the axis nor a finding.
    handle.at = section ? section.outer.points.reduce((a, b) => (dot(b, camera.up) > dot(a, camera.up) ? b : a)) : point;
  }
  plots.forEach((p) => p.at(state.mm));
  redraw();
}

// A place of the screen to the nearest station of the spine.
function dragSection(x, y) {
  let best = 0, least = Infinity;
  spine.points.forEach((p, i) => {
    const [a, b] = camera.toScreen(p), d = (a - x) ** 2 + (b - y) ** 2;
    if (d < least) [least, best] = [d, i];
  });
  setSection(spine.at[best]);
}

function makeUnder() {
  const under = byId("under");
  if (spine) {
    slider = element("input", { type: "range", id: "section", min: spine.at[0],
      max: spine.at[spine.at.length - 1], step: 0.05, "aria-label": `Section plane, mm ${spine.counted}` });
    slider.addEventListener("input", () => setSection(Number(slider.value)));
    under.append(element("div", { class: "row section" }, element("label", { for: "section" }, "section"),
      slider, element("output", { for: "section", id: "section-value" })));
    handle = labels.put(element("div", { class: "handle", "aria-hidden": "true" }), null);
    handle.e.addEventListener("pointerdown", (e) => {
      e.stopPropagation();
      e.preventDefault();
      handle.e.setPointerCapture(e.pointerId);
      const box = stage.getBoundingClientRect();
      const move = (m) => dragSection(m.clientX - box.left, m.clientY - box.top);
      handle.e.addEventListener("pointermove", move);
      const end = () => handle.e.removeEventListener("pointermove", move);
      handle.e.addEventListener("pointerup", end, { once: true });
      handle.e.addEventListener("pointercancel", end, { once: true });
    });
  }
  if (motion) {
    const way = element("input", { type: "range", id: "way", min: 0, max: motion.steps, step: 0.02, value: 0,
      "aria-label": `${data.motion.name}: pose, 0 where it lies` });
    const says = element("output", { for: "way", id: "way-value" }, "as it lies");
    way.addEventListener("input", () => {
      state.moved = Number(way.value);
      pace.moved();
      says.textContent = state.moved ? `pose ${state.moved.toFixed(1)} of ${motion.steps}` : "as it lies";
      way.setAttribute("aria-valuetext", says.textContent);
      redraw();
    });
    under.append(element("div", { class: "row section" }, element("label", { for: "way" }, data.motion.name), way, says));
  }
  const show = element("fieldset", { class: "row layers" }, element("legend", {}, "shown"));
  const toggle = (name, on, colour, change) => {
    const box = element("input", { type: "checkbox" });
    box.checked = on;
    box.addEventListener("change", () => { change(box.checked); redraw(); });
    const dot = element("span", { class: "swatch", "aria-hidden": "true" });
    dot.style.background = colour;
    show.append(element("label", {}, box, dot, name));
  };
  layers.forEach((l) => toggle(l.name, l.shown, l.colour, (on) => { l.shown = on; }));
  const names = new Map(data.lines.map((l) => [l.name, l.colour]));
  names.forEach((colour, name) => toggle(name, true, colour, (on) => {
    if (on) state.hiddenLines.delete(name); else state.hiddenLines.add(name);
  }));
  if (data.marks.length) toggle("names", true, "transparent", (on) => marks.forEach((m) => { m.shown = on; }));
  if (data.findings.some((f) => f.at)) toggle("places found", true, "transparent", (on) => numbers.forEach((m) => { m.shown = on; }));
  under.append(show);
  makeMaps(under);
}

// The maps: which one, and its legend in mm with the limit marked.
function makeMaps(under) {
  const all = layers.flatMap((l, i) => l.maps.map((m, index) => ({ layer: i, index, map: m })));
  if (!all.length) return;
  const choose = element("select", { id: "map", "aria-label": "Colours" },
    element("option", { value: "-1" }, "plain"),
    ...all.map((m, i) => element("option", { value: i }, m.map.name)));
  const legend = element("div", { class: "legend", id: "legend" });
  const use = () => {
    state.map = all[Number(choose.value)] || null;
    legend.replaceChildren();
    if (state.map) drawLegend(legend, state.map.map);
    redraw();
  };
  choose.addEventListener("change", use);
  choose.value = String(all.findIndex((m) => m.map.first));
  under.append(element("div", { class: "row maps" }, element("label", { for: "map" }, "colours"), choose, legend));
  use();
}

function drawLegend(legend, map) {
  const [low, high] = map.range, bytes = bytesOf(map.signed ? data.signedScale : data.scale), stops = [];
  for (let i = 0; i <= 255; i += 15) stops.push(`rgb(${bytes[3 * i]},${bytes[3 * i + 1]},${bytes[3 * i + 2]})`);
  const bar = element("div", { class: "bar" });
  bar.style.background = `linear-gradient(to right, ${stops.join(",")})`;
  const part = (mm) => `${((100 * (mm - low)) / (high - low)).toFixed(2)}%`;
  if (map.limit && map.limit.mm >= low && map.limit.mm <= high) {
    const line = element("div", { class: "limitline" });
    line.style.left = part(map.limit.mm);
    const bad = element("div", { class: "badside" });
    bad.style.left = map.limit.goodBelow ? part(map.limit.mm) : "0";
    bad.style.right = map.limit.goodBelow ? "0" : `${100 - parseFloat(part(map.limit.mm))}%`;
    bar.append(bad, line);
  }
  legend.append(bar, element("div", { class: "ends" },
    ...map.signed ? [`${low.toFixed(2)} mm and below`, "0", `+${high.toFixed(2)} mm and above`].map((says) => element("span", {}, says))
      : [element("span", {}, `${low.toFixed(1)} mm`), element("span", {}, `${high.toFixed(1)} mm and more`)]));
  if (map.value.some((v) => v < -1e8)) legend.append(element("p", { class: "note" }, "grey: no figure (edges, cuts, and what is not judged)"));
  if (map.limit) {
    legend.append(element("p", { class: "limitsays", "data-limit-mm": map.limit.mm },
      `striped: ${map.limit.goodBelow ? "over" : "under"} ${map.limit.mm.toFixed(2)} mm, ${map.limit.words}`));
  }
}

// Names, numbers, views and tools.
const marks = data.marks.map((m) => labels.put(
  element("span", { class: "name" }, m.name), local(m.at)));
const numbers = data.findings.filter((f) => f.at).map((f) => labels.put(
  element("button", { type: "button", class: `number ${f.tone}`, title: f.says, tabindex: "-1",
    "aria-label": `place ${f.n}: ${f.says}`, onclick: () => goToFinding(f.n) }, String(f.n)), local(f.at)));

function goToFinding(n) {
  const f = data.findings.find((g) => g.n === n);
  if (!f || !f.at || !drawer) return;
  const at = local(f.at), { at: points, normal } = layers[main];
  let best = 0, least = Infinity;
  for (let i = 0; i < points.length; i += 3) {
    const d = (points[i] - at[0]) ** 2 + (points[i + 1] - at[1]) ** 2 + (points[i + 2] - at[2]) ** 2;
    if (d < least) [least, best] = [d, i];
  }
  const from = normal.length ? [normal[best], normal[best + 1], normal[best + 2]] : camera.toward;
  goTo({ middle: at, zoom: Math.max(2.6, camera.zoom), from: size(from) > 0.5 ? from : camera.toward });
  if (spine && f.mm !== null && f.mm >= spine.at[0] && f.mm <= spine.at[spine.at.length - 1]) setSection(f.mm);
  stage.scrollIntoView({ block: "nearest", behavior: calm.matches ? "auto" : "smooth" });
  for (const b of document.querySelectorAll("button.go")) b.classList.toggle("current", Number(b.dataset.finding) === n);
}

function pressed(id, key, then) {
  const button = byId(id);
  const flip = () => {
    state[key] = !state[key];
    button.setAttribute("aria-pressed", String(state[key]));
    if (then) then();
    redraw();
  };
  button.addEventListener("click", flip);
  return flip;
}

const reading = byId("reading");
const flipMeasure = pressed("measure", "measuring", () => {
  state.picked = [];
  measureLine = null;
  ends.forEach((l) => { l.at = null; });
  length.at = null;
  stage.classList.toggle("measuring", state.measuring);
  reading.textContent = state.measuring ? "Pick two points: click, tap, or Enter for the middle of the view." : "";
});
const flipCut = pressed("cut", "cutting");
const flipGlass = pressed("glass", "glass");
const ends = [0, 1].map(() => labels.put(element("span", { class: "end" }), null));
const length = labels.put(element("span", { class: "length" }), null);

function pickAt(x, y) {
  const keep = state.cutting ? (p) => dot(p, state.plane) - state.plane[3] >= 0 : null;
  return pick(camera.ray(x, y), layers.filter((l) => l.shown), keep);
}

function measureAt(x, y) {
  const hit = pickAt(x, y);
  if (!hit) { reading.textContent = "Nothing is there to measure from."; return; }
  if (state.picked.length === 2) state.picked = [];
  state.picked.push(hit.place);
  const [a, b] = state.picked;
  ends[0].at = a;
  ends[1].at = b || null;
  length.at = b ? between(a, b, 0.5) : null;
  if (b) {
    length.e.textContent = `${size(sub(b, a)).toFixed(2)} mm`;
    reading.textContent = `Distance ${length.e.textContent}`;
    measureLine = drawer.keepLine({ name: "measure", colour: "#1d2b2e", width: 2.4 }, [a, b], measureLine);
  } else {
    measureLine = null;
    reading.textContent = "First point picked; pick the second.";
  }
  redraw();
}

// The map's figure under the pointer.
let lastRead = 0;
function readMap(x, y) {
  if (!state.map || state.measuring || performance.now() - lastRead < 60) return;
  lastRead = performance.now();
  const hit = pickAt(x, y);
  const on = hit && hit.layer === layers[state.map.layer];
  const v = on ? hit.corners.map((c) => state.map.map.value[c]) : [];
  if (!on || v.some((q) => q < -1e8)) { reading.textContent = on ? "no figure here" : ""; return; }
  // Figures beyond the scale's ends came as its ends.
  const { name, range: [low, high], signed } = state.map.map, near = 1e-4 * (high - low);
  const mm = v[0] * (1 - hit.a - hit.b) + v[1] * hit.a + v[2] * hit.b;
  const beyond = Math.max(...v) > high - near ? " or more" : signed && Math.min(...v) < low + near ? " or less" : "";
  reading.textContent = `${name} ${mm.toFixed(2)} mm${beyond}`;
}

function listen() {
  const fingers = new Map();
  let moved = 0, last = null;
  const spot = (e) => { const b = canvas.getBoundingClientRect(); return [e.clientX - b.left, e.clientY - b.top]; };
  canvas.addEventListener("pointerdown", (e) => {
    canvas.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, spot(e));
    moved = 0;
    last = null;
  });
  canvas.addEventListener("pointermove", (e) => {
    const [x, y] = spot(e), old = fingers.get(e.pointerId);
    if (!old) { readMap(x, y); return; }
    const dx = x - old[0], dy = y - old[1];
    fingers.set(e.pointerId, [x, y]);
    pace.moved();
    moved += Math.hypot(dx, dy);
    if (fingers.size === 1) {
      if (e.shiftKey || (e.buttons & 6)) camera.move(dx, dy);
      else camera.turn(dx * 0.008, dy * 0.008);
    } else if (fingers.size === 2) {
      const [p, q] = [...fingers.values()];
      const now = { apart: Math.hypot(p[0] - q[0], p[1] - q[1]), x: (p[0] + q[0]) / 2, y: (p[1] + q[1]) / 2 };
      if (last) {
        camera.move(now.x - last.x, now.y - last.y);
        camera.closer(now.apart / Math.max(1, last.apart), now.x, now.y);
      }
      last = now;
    }
    redraw();
  });
  const end = (e) => {
    const at = fingers.get(e.pointerId);
    fingers.delete(e.pointerId);
    last = null;
    if (at && e.type === "pointerup" && moved < 5 && state.measuring && !fingers.size) measureAt(...at);
  };
  canvas.addEventListener("pointerup", end);
  canvas.addEventListener("pointercancel", end);
  canvas.addEventListener("contextmenu", (e) => e.preventDefault());
  canvas.addEventListener("wheel", (e) => {
    e.preventDefault();
    pace.moved();
    camera.closer(Math.exp(-e.deltaY * (e.deltaMode ? 0.05 : 0.0015)), ...spot(e));
    redraw();
  }, { passive: false });
  canvas.addEventListener("keydown", onKey);
}

function onKey(e) {
  if (e.ctrlKey || e.metaKey || e.altKey) return;
  const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
  const view = /^[1-9]$/.test(e.key) && data.views[Number(e.key) - 1];
  if (way) pace.moved();
  if (way && e.shiftKey) camera.move(way[0] * 24, way[1] * 24);
  else if (way) camera.turn(way[0] * 0.12, way[1] * 0.12);
  else if (e.key === "+" || e.key === "=") camera.closer(1.2);
  else if (e.key === "-") camera.closer(1 / 1.2);
  else if (e.key === "0") { if (data.views.length) lookAs(data.views[0]); }
  else if (view) lookAs(view);
  else if (e.key === "[" && spine) setSection(state.mm - 0.25);
  else if (e.key === "]" && spine) setSection(state.mm + 0.25);
  else if (e.key === "m" || e.key === "M") flipMeasure();
  else if (e.key === "x" || e.key === "X") flipCut();
  else if (e.key === "t" || e.key === "T") flipGlass();
  else if (e.key === "Enter" && state.measuring) measureAt(camera.width / 2, camera.height / 2);
  else return;
  e.preventDefault();
  redraw();
}

// Paper has another width: the picture is drawn for it, and drawn back afterwards. What is printed
// is a copy, since browsers print a drawing of this kind as it was before.
const paper = element("canvas", { class: "paper", "aria-hidden": "true" });
function forPaper(on) {
  stage.style.width = on ? "420px" : "";
  stage.style.height = on ? "300px" : "";
  if (!on) { resize(); return; }
  resize(420, 300, 2);
  [paper.width, paper.height] = [canvas.width, canvas.height];
  paper.getContext("2d").drawImage(canvas, 0, 0);
}

byId("views").append(element("span", {}, "look from"));
data.views.forEach((v, i) => byId("views").append(element("button",
  { type: "button", title: `Key ${i + 1}`, onclick: () => lookAs(v) }, v.name)));
byId("closer").addEventListener("click", () => { camera.closer(1.3); redraw(); });
byId("away").addEventListener("click", () => { camera.closer(1 / 1.3); redraw(); });
for (const b of document.querySelectorAll("button.go")) {
  b.addEventListener("click", () => goToFinding(Number(b.dataset.finding)));
}
makeUnder();
if (drawer) {
  listen();
  canvas.after(paper);
}
new ResizeObserver(() => { if (!stage.style.width) resize(); }).observe(stage);
window.addEventListener("beforeprint", () => forPaper(true));
window.addEventListener("afterprint", () => forPaper(false));
resize();
if (data.views.length) {
  const { middle, zoom } = filling(data.views[0]);
  Object.assign(camera, { middle, zoom });
  drawNow();
}
if (spine) { state.mm = spine.start; slider.value = spine.start; cutNow(); }

// Plots as drawings in the page. Hovering or the arrow keys read a value; a click moves the section.
const SVG = "http://www.w3.org/2000/svg";
function svg(name, attributes, ...inside) {
  const e = document.createElementNS(SVG, name);
  for (const [k, v] of Object.entries(attributes || {})) e.setAttribute(k, v);
  e.append(...inside);
  return e;
}

// Steps of 1, 2 or 5 times a power of ten, about `count` of them.
function stepsOf(low, high, count) {
  const raw = (high - low) / count || 1, power = 10 ** Math.floor(Math.log10(raw));
  const step = power * ([1, 2, 5].find((k) => k * power >= raw) || 10);
  const out = [];
  for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + 1e-9 * step; v += step) out.push(v);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  return { at: out, digits };
}

function makePlot(holder, plot, onPlace) {
  const W = 420, H = 220, L = 46, R = 12, T = 26, B = 40;
  const rows = [...(plot.spread ? plot.spread.rows : []), ...plot.dots.map((d) => d.row)];
  const step = plot.bars && plot.series.length > 1 ? plot.series[1][0] - plot.series[0][0] : 0;
  const xs = plot.series.map((p) => p[0]);
  const pad = plot.bars ? step / 2 : 0;
  const x0 = Math.min(...xs) - pad - (rows.length ? 3 : 0), x1 = Math.max(...xs) + pad;
  const seen = rows.filter((r) => r[0] >= x0 && r[0] <= x1);
  const y1 = 1.06 * Math.max(1e-9, ...plot.series.map((p) => p[1]), ...seen.map((r) => r[3]));
  const px = (x) => L + ((x - x0) / (x1 - x0 || 1)) * (W - L - R);
  const py = (y) => H - B - (y / y1) * (H - T - B);
  const clampX = (x) => Math.min(W - R, Math.max(L, px(x)));

  const back = svg("g", { class: "back" }), front = svg("g");
  const xt = stepsOf(x0, x1, 6), yt = stepsOf(0, y1, 4);
  for (const x of xt.at) {
    back.append(svg("line", { class: "grid", x1: px(x), x2: px(x), y1: T, y2: H - B }),
      svg("text", { class: "tick", x: px(x), y: H - B + 15, "text-anchor": "middle" }, x.toFixed(xt.digits)));
  }
  for (const y of yt.at) {
    back.append(svg("line", { class: "grid", x1: L, x2: W - R, y1: py(y), y2: py(y) }),
      svg("text", { class: "tick", x: L - 6, y: py(y) + 4, "text-anchor": "end" }, y.toFixed(yt.digits)));
  }
  back.append(svg("text", { class: "axis", x: (L + W - R) / 2, y: H - 6, "text-anchor": "middle" }, plot.across),
    svg("text", { class: "axis", x: 4, y: 12 }, plot.upward));
  if (plot.spread) {
    const band = plot.spread.rows;
    const path = [...band.map((r) => `${clampX(r[0])},${py(r[3])}`),
      ...band.slice().reverse().map((r) => `${clampX(r[0])},${py(r[1])}`)];
    back.append(svg("polygon", { class: "band", points: path.join(" ") }),
      svg("polyline", { class: "mean", points: band.map((r) => `${clampX(r[0])},${py(r[2])}`).join(" ") }));
  }
  for (const d of plot.dots.filter((d) => d.row[0] >= x0 && d.row[0] <= x1)) {
    const x = px(d.row[0]);
    back.append(svg("g", { class: "dot" }, svg("title", {}, d.name),
      svg("line", { x1: x, x2: x, y1: py(d.row[1]), y2: py(d.row[3]) }),
      svg("circle", { cx: x, cy: py(d.row[2]), r: 3.5 })));
  }
  if (plot.bars) {
    const w = Math.max(0.5, px(x0 + step) - px(x0) - 0.6);
    for (const [x, y] of plot.series) {
      const bad = plot.limit && x < plot.limit.at;
      front.append(svg("rect", { class: bad ? "bar bad" : "bar", x: px(x) - w / 2, width: w,
        y: py(y), height: Math.max(0, H - B - py(y)) }));
    }
  } else {
    front.append(svg("polyline", { class: "curve", points: plot.series.map(([x, y]) => `${px(x)},${py(y)}`).join(" ") }));
  }
  plot.ticks.forEach((t, i) => {
    const x = px(t.at), last = x > W - 90;
    front.append(svg("line", { class: "place", x1: x, x2: x, y1: T, y2: H - B }),
      svg("text", { class: "placename", x: last ? x - 4 : x + 4, y: T + 9 + 11 * (i % 2), "text-anchor": last ? "end" : "start" }, t.name));
  });
  if (plot.limit) {
    const x = px(plot.limit.at);
    front.append(svg("line", { class: "limit", x1: x, x2: x, y1: T, y2: H - B }),
      svg("text", { class: "limitname", x: x + 4, y: T + 9 }, plot.limit.words));
  }
  const here = svg("g", { class: "here", visibility: "hidden" },
    svg("line", { y1: T, y2: H - B }), svg("circle", { r: 4 }));
  const now = svg("line", { class: "now", y1: T, y2: H - B, visibility: "hidden" });
  const says = svg("text", { class: "says", x: W - R, y: 14, "text-anchor": "end" });
  const root = svg("svg", { viewBox: `0 0 ${W} ${H}`, tabindex: "0", role: "img",
    "aria-label": `${plot.across} against ${plot.upward}; arrow keys read values` }, back, front, now, here, says);
  holder.replaceChildren(root);

  let index = 0;
  const read = (i) => {
    index = Math.min(plot.series.length - 1, Math.max(0, i));
    const [x, y] = plot.series[index];
    here.setAttribute("visibility", "visible");
    here.firstChild.setAttribute("x1", px(x));
    here.firstChild.setAttribute("x2", px(x));
    here.lastChild.setAttribute("cx", px(x));
    here.lastChild.setAttribute("cy", py(y));
    const range = plot.bars ? `${(x - step / 2).toFixed(2)} to ${(x + step / 2).toFixed(2)}` : x.toFixed(2);
    says.textContent = `${range}: ${y.toFixed(y1 < 2 ? 3 : 1)} ${plot.upward}`;
  };
  const nearest = (e) => {
    const box = root.getBoundingClientRect();
    const x = x0 + (((e.clientX - box.left) / box.width) * W - L) / (W - L - R) * (x1 - x0);
    return xs.reduce((best, v, i) => (Math.abs(v - x) < Math.abs(xs[best] - x) ? i : best), 0);
  };
  const leave = () => { here.setAttribute("visibility", "hidden"); says.textContent = ""; };
  root.addEventListener("pointermove", (e) => read(nearest(e)));
  root.addEventListener("pointerleave", leave);
  root.addEventListener("blur", leave);
  root.addEventListener("click", (e) => {
    read(nearest(e));
    if (plot.alongSpine) onPlace(plot.series[index][0]);
  });
  root.addEventListener("keydown", (e) => {
    const way = { ArrowRight: 1, ArrowLeft: -1, PageUp: 10, PageDown: -10 }[e.key];
    if (way) read(index + way);
    else if (e.key === "Enter" && plot.alongSpine) onPlace(plot.series[index][0]);
    else return;
    e.preventDefault();
    e.stopPropagation();
  });
  return {
    // Marks the section's place.
    at(mm) {
      if (!plot.alongSpine || mm < x0 || mm > x1) { now.setAttribute("visibility", "hidden"); return; }
      now.setAttribute("visibility", "visible");
      now.setAttribute("x1", px(mm));
      now.setAttribute("x2", px(mm));
    },
  };
}

// The section's outline to scale, with a bar of 5 mm.
function drawOutline(holder, section) {
  const all = [section.outer, ...section.within], flat = all.flatMap((l) => l.flat);
  const xs = flat.map((p) => p[0]), ys = flat.map((p) => p[1]);
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const side = Math.max(x1 - x0, y1 - y0, 6) * 1.08, cx = (x0 + x1) / 2, cy = (y0 + y1) / 2;
  const path = all.map((l) => `M${l.flat.map(([x, y]) => `${x.toFixed(3)} ${(-y).toFixed(3)}`).join("L")}Z`).join("");
  const bar = side > 40 ? 10 : 5, t = side / 2;
  holder.replaceChildren(svg("svg", { viewBox: `${cx - t} ${-cy - t} ${side} ${side * 1.12}`, role: "img",
    "aria-label": "Outline of the section" },
  svg("path", { d: path, class: "outline", "fill-rule": "evenodd", "stroke-width": side / 120 }),
  svg("line", { class: "bar5", x1: cx - t * 0.94, x2: cx - t * 0.94 + bar, y1: -cy + t * 1.12, y2: -cy + t * 1.12, "stroke-width": side / 90 }),
  svg("text", { class: "bar5name", x: cx - t * 0.94 + bar + side * 0.02, y: -cy + t * 1.14, "font-size": side / 16 }, `${bar} mm`)));
}

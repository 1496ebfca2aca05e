// What stands over the picture as text: names of places, numbers of findings, the handle of the
// section, a measured length. They follow the model as it turns.
function element(name, set, ...inside) {
  const e = document.createElement(name);
  for (const [k, v] of Object.entries(set || {})) {
    if (k === "class") e.className = v;
    else if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
    else e.setAttribute(k, v);
  }
  e.append(...inside);
  return e;
}

// Lines of text in a column, each near to where it is wanted, so far apart, within bounds.
function column(wanted, apart, top, bottom) {
  const order = wanted.map((_, i) => i).sort((a, b) => wanted[a] - wanted[b]), out = [...wanted];
  let least = top, most = bottom;
  for (const i of order) { out[i] = Math.max(out[i], least); least = out[i] + apart; }
  [...order].reverse().forEach((i, n) => {
    out[i] = Math.max(Math.min(out[i], most), top + (order.length - 1 - n) * apart);
    most = out[i] - apart;
  });
  return out;
}

// A place for a disc as near as a ring round its own allows, apart from those that stand.
function freePlace([x, y], taken, apart) {
  for (const r of [0, 1, 1.55, 2.1]) {
    for (let k = 0; k < 12; k++) {
      const p = [x + r * apart * Math.sin((k * Math.PI) / 6), y - r * apart * Math.cos((k * Math.PI) / 6)];
      if (taken.every((q) => Math.hypot(p[0] - q[0], p[1] - q[1]) > 0.98 * apart)) return p;
    }
  }
  return [x, y];
}

function makeLabels(holder, camera) {
  const kept = [];
  const put = (e, at) => {
    const kind = ["name", "number"].find((k) => e.classList.contains(k));
    const label = { e, at, shown: true, kind, lead: kind && element("span", { class: "lead", "aria-hidden": "true" }) };
    if (label.lead) holder.prepend(label.lead);
    holder.append(e);
    kept.push(label);
    return label;
  };
  const move = (e, x, y) => { e.style.transform = `translate(${x.toFixed(1)}px, ${y.toFixed(1)}px)`; };
  // A thin line from a text to its place.
  const led = ({ lead }, from, to) => {
    const [dx, dy] = [to[0] - from[0], to[1] - from[1]], long = Math.hypot(dx, dy);
    lead.hidden = long < 1;
    lead.style.width = `${long.toFixed(1)}px`;
    lead.style.transform = `translate(${from[0].toFixed(1)}px, ${from[1].toFixed(1)}px) rotate(${Math.atan2(dy, dx)}rad)`;
  };
  // Names stand in a column at either side, numbers at their places or beside each other.
  // What `away` says was cut away has no name left.
  const place = (away) => {
    const sides = [[], []], taken = [];
    for (const label of kept) {
      const { e, at, shown, kind, lead } = label;
      const spot = shown && at && !(kind && away && away(at)) ? camera.toScreen(at).slice(0, 2) : null;
      e.hidden = !spot || Math.min(...spot) < 2 || spot[0] > camera.width - 2 || spot[1] > camera.height - 2;
      if (lead) lead.hidden = e.hidden;
      if (e.hidden) continue;
      if (kind === "name") sides[spot[0] > camera.width / 2 ? 1 : 0].push({ label, spot });
      else if (kind === "number") {
        const free = freePlace(spot, taken, 27);
        taken.push(free);
        move(e, ...free);
        led(label, free, spot);
      } else move(e, ...spot);
    }
    sides.forEach((all, right) => {
      const lines = column(all.map((n) => n.spot[1]), 21, 14, camera.height - 14);
      all.forEach(({ label, spot }, i) => {
        label.wide = label.e.offsetWidth || label.wide || 60;
        const left = right ? camera.width - 8 - label.wide : 8;
        move(label.e, left, lines[i]);
        led(label, [right ? left : left + label.wide, lines[i]], spot);
      });
    });
  };
  return { put, place };
}

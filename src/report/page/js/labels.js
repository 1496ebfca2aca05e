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

function makeLabels(holder, camera) {
  const kept = [];
  const put = (e, at) => {
    const label = { e, at, shown: true };
    holder.append(e);
    kept.push(label);
    return label;
  };
  // Names of places that would lie over each other are moved down a line.
  const place = () => {
    const taken = [];
    for (const { e, at, shown } of kept) {
      const there = shown && at;
      if (!there) { e.hidden = true; continue; }
      const [x, y] = camera.toScreen(at);
      const out = x < 2 || y < 2 || x > camera.width - 2 || y > camera.height - 2;
      e.hidden = out;
      if (out) continue;
      let down = 0;
      if (e.classList.contains("name")) {
        while (taken.some(([a, b]) => Math.abs(a - x) < 90 && Math.abs(b - y - down) < 19)) down += 19;
        taken.push([x, y + down]);
        // The diamond stays on its place when the name goes down.
        e.style.setProperty("--down", `${-down}px`);
        e.classList.toggle("leftward", x > camera.width - 110);
      }
      e.style.transform = `translate(${x.toFixed(1)}px, ${(y + down).toFixed(1)}px)`;
    }
  };
  return { put, place };
}

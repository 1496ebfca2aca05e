// The eye: parallel projection, so that lengths on the screen are lengths of the model. Places are
// counted from the model's middle.
function makeCamera(radius, views) {
  const camera = { right: [1, 0, 0], up: [0, 1, 0], toward: [0, 0, 1], middle: [0, 0, 0],
    zoom: 1, width: 100, height: 100, dense: 1 };

  const fit = () => (0.46 * Math.min(camera.width, camera.height)) / radius;
  const pixels = () => fit() * camera.zoom;

  // Never quite straight along `up`; the rest is made square to it.
  camera.lookFrom = (from, up) => {
    camera.toward = unit(from);
    let right = cross(up, camera.toward);
    if (size(right) < 1e-6) right = aside(camera.toward);
    camera.right = unit(right);
    camera.up = cross(camera.toward, camera.right);
  };
  camera.reset = () => {
    camera.middle = [0, 0, 0];
    camera.zoom = 1;
    if (views.length) camera.lookFrom(views[0].from, views[0].up);
  };
  camera.turn = (across, upward) => {
    const spin = (v) => turned(turned(v, camera.up, -across), camera.right, -upward);
    [camera.right, camera.up, camera.toward] = [camera.right, camera.up, camera.toward].map(spin);
    // Rounding would bend the frame after thousands of turns.
    camera.lookFrom(camera.toward, camera.up);
  };
  camera.move = (dx, dy) => {
    const k = 1 / pixels();
    camera.middle = add(camera.middle, add(times(camera.right, -dx * k), times(camera.up, dy * k)));
  };
  // Closer by `k`, with the place under the pointer left where it is.
  camera.closer = (k, x, y) => {
    const before = pixels();
    camera.zoom = Math.min(60, Math.max(0.3, camera.zoom * k));
    const left = 1 / before - 1 / pixels();
    const dx = (x === undefined ? 0 : x - camera.width / 2) * left;
    const dy = (y === undefined ? 0 : camera.height / 2 - y) * left;
    camera.middle = add(camera.middle, add(times(camera.right, dx), times(camera.up, dy)));
  };
  camera.toScreen = (p) => {
    const d = sub(p, camera.middle), k = pixels();
    return [camera.width / 2 + dot(d, camera.right) * k, camera.height / 2 - dot(d, camera.up) * k,
      dot(d, camera.toward)];
  };
  // The ray into the picture at a place of the screen.
  camera.ray = (x, y) => {
    const k = 1 / pixels();
    const dx = (x - camera.width / 2) * k, dy = (camera.height / 2 - y) * k;
    const on = add(camera.middle, add(times(camera.right, dx), times(camera.up, dy)));
    return { from: add(on, times(camera.toward, 4 * radius)), way: times(camera.toward, -1) };
  };
  // The zoom at which so many mm fit.
  camera.zoomFor = (across, upward) => Math.min(camera.width / across, camera.height / upward) / fit();
  camera.millimetres = (px) => px / pixels();
  camera.eye = () => {
    const { right: r, up: u, toward: t, middle: m, width, height } = camera;
    const k = pixels(), sx = (2 * k) / width, sy = (2 * k) / height, sz = -1 / (6 * radius);
    return {
      matrix: new Float32Array([r[0] * sx, u[0] * sy, t[0] * sz, 0, r[1] * sx, u[1] * sy, t[1] * sz, 0,
        r[2] * sx, u[2] * sy, t[2] * sz, 0, -dot(r, m) * sx, -dot(u, m) * sy, -dot(t, m) * sz, 1]),
      toward: t,
      light: unit(add(add(times(r, -0.5), times(u, 0.75)), times(t, 0.6))),
      dense: camera.dense,
    };
  };
  camera.reset();
  return camera;
}

// The nearest place where a ray meets what is shown, within `keep` (the side of a plane that is
// not cut away).
function pick(ray, layers, keep) {
  let best = null;
  const [ox, oy, oz] = ray.from, [dx, dy, dz] = ray.way;
  for (const layer of layers) {
    const { at, corners } = layer;
    for (let f = 0; f < corners.length; f += 3) {
      const i = 3 * corners[f], j = 3 * corners[f + 1], k = 3 * corners[f + 2];
      const ux = at[j] - at[i], uy = at[j + 1] - at[i + 1], uz = at[j + 2] - at[i + 2];
      const vx = at[k] - at[i], vy = at[k + 1] - at[i + 1], vz = at[k + 2] - at[i + 2];
      const px = dy * vz - dz * vy, py = dz * vx - dx * vz, pz = dx * vy - dy * vx;
      const det = ux * px + uy * py + uz * pz;
      if (Math.abs(det) < 1e-14) continue;
      const sx = ox - at[i], sy = oy - at[i + 1], sz = oz - at[i + 2];
      const a = (sx * px + sy * py + sz * pz) / det;
      if (a < 0 || a > 1) continue;
      const qx = sy * uz - sz * uy, qy = sz * ux - sx * uz, qz = sx * uy - sy * ux;
      const b = (dx * qx + dy * qy + dz * qz) / det;
      if (b < 0 || a + b > 1) continue;
      const t = (vx * qx + vy * qy + vz * qz) / det;
      if (t <= 0 || (best && t >= best.t)) continue;
      const place = add(ray.from, times(ray.way, t));
      if (keep && !keep(place)) continue;
      best = { t, place, layer, corners: [corners[f], corners[f + 1], corners[f + 2]], a, b };
    }
  }
  return best;
}

// A way that a surface is moved along: poses, and the screw between each and the next.
function makeMotion(data, centre) {
  // Rows on (x, y, z, 1) of the file, as rows on places counted from the model's middle.
  const poses = data.poses.map((m) => {
    const turn = [0, 1, 2].map((i) => m[i].slice(0, 3));
    const shift = [0, 1, 2].map((i) => dot(turn[i], centre) + m[i][3] - centre[i]);
    return { turn, shift };
  });
  const apply = (turn, v) => turn.map((row) => dot(row, v));
  const times3 = (a, b) => a.map((row) => [0, 1, 2].map((j) => row[0] * b[0][j] + row[1] * b[1][j] + row[2] * b[2][j]));
  const back = (a) => [0, 1, 2].map((i) => [0, 1, 2].map((j) => a[j][i]));
  // A turn by an angle about a unit axis (Rodrigues 1840).
  const turnBy = ([x, y, z], angle) => {
    const c = Math.cos(angle), s = Math.sin(angle), d = 1 - c;
    return [[c + d * x * x, d * x * y - s * z, d * x * z + s * y],
      [d * x * y + s * z, c + d * y * y, d * y * z - s * x],
      [d * x * z - s * y, d * y * z + s * x, c + d * z * z]];
  };
  // From pose a to pose b: a turn about an axis and a slide along it (Chasles 1830).
  const screws = poses.slice(1).map((b, k) => {
    const a = poses[k], turn = times3(b.turn, back(a.turn));
    const shift = sub(b.shift, apply(turn, a.shift));
    const twist = [turn[2][1] - turn[1][2], turn[0][2] - turn[2][0], turn[1][0] - turn[0][1]];
    const angle = Math.atan2(size(twist), turn[0][0] + turn[1][1] + turn[2][2] - 1);
    if (angle < 1e-7) return (share) => ({ turn: turnBy([0, 0, 1], 0), shift: times(shift, share) });
    const axis = unit(twist), slide = dot(shift, axis), across = sub(shift, times(axis, slide));
    const on = times(add(across, times(cross(axis, across), 1 / Math.tan(angle / 2))), 0.5);
    return (share) => {
      const part = turnBy(axis, angle * share);
      return { turn: part, shift: add(sub(on, apply(part, on)), times(axis, slide * share)) };
    };
  });
  return {
    steps: poses.length - 1,
    // Where it is after so many poses; null where it lies.
    at: (t) => {
      if (t <= 0) return null;
      const k = Math.min(screws.length - 1, Math.floor(t)), step = screws[k](Math.min(1, t - k));
      return { turn: times3(step.turn, poses[k].turn),
        shift: add(apply(step.turn, poses[k].shift), step.shift) };
    },
  };
}

// The eye as the moved surface sees it: everything turned back.
function eyeOfMoved(eye, { turn, shift }) {
  const m = eye.matrix, out = new Float32Array(16), column = [0, 1, 2].map((j) => turn.map((row) => row[j]));
  [...column, shift].forEach((v, j) => {
    for (let i = 0; i < 4; i++) {
      out[4 * j + i] = m[i] * v[0] + m[4 + i] * v[1] + m[8 + i] * v[2] + (j === 3 ? m[12 + i] : 0);
    }
  });
  const back = (v) => column.map((c) => dot(c, v));
  return { ...eye, matrix: out, toward: back(eye.toward), light: back(eye.light) };
}

// Three numbers in an array are a point or a direction; nothing else is needed of algebra.
const add = (a, b) => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];
const sub = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
const times = (a, k) => [a[0] * k, a[1] * k, a[2] * k];
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross = (a, b) => [
  a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const size = (a) => Math.sqrt(dot(a, a));
const unit = (a) => { const n = size(a); return n > 1e-12 ? times(a, 1 / n) : [0, 0, 1]; };
const between = (a, b, t) => add(a, times(sub(b, a), t));
// Some direction square to `n`.
const aside = (n) => unit(cross(n, Math.abs(n[0]) < 0.8 ? [1, 0, 0] : [0, 1, 0]));
// `v` turned about the unit axis `k` by `angle` (Rodrigues' formula).
const turned = (v, k, angle) => {
  const c = Math.cos(angle), s = Math.sin(angle);
  return add(add(times(v, c), times(cross(k, v), s)), times(k, dot(k, v) * (1 - c)));
};

// From the texts in the page to arrays: the other half of pack.rs.
function bytesOf(text) {
  const raw = atob(text), out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return out;
}

function halves(text) {
  const b = bytesOf(text), out = new Uint16Array(b.length >> 1);
  for (let i = 0; i < out.length; i++) out[i] = b[2 * i] | (b[2 * i + 1] << 8);
  return out;
}

// Facets: 0 is a new point, n the n-th newest; seven bits a byte.
function cornersOf(text, facets) {
  const b = bytesOf(text), out = new Uint32Array(3 * facets);
  let newest = 0, n = 0, shift = 0, k = 0;
  for (let i = 0; i < b.length; i++) {
    n |= (b[i] & 127) << shift;
    shift += 7;
    if (b[i] < 128) {
      out[k++] = n === 0 ? newest++ : newest - n;
      n = 0;
      shift = 0;
    }
  }
  return out;
}

// Normals at points, weighted by area; and six times the volume, whose sign tells an inverted
// surface.
function normalsOf(at, corners) {
  const normal = new Float32Array(at.length);
  let six = 0;
  for (let f = 0; f < corners.length; f += 3) {
    const [i, j, k] = [3 * corners[f], 3 * corners[f + 1], 3 * corners[f + 2]];
    const ux = at[j] - at[i], uy = at[j + 1] - at[i + 1], uz = at[j + 2] - at[i + 2];
    const vx = at[k] - at[i], vy = at[k + 1] - at[i + 1], vz = at[k + 2] - at[i + 2];
    const nx = uy * vz - uz * vy, ny = uz * vx - ux * vz, nz = ux * vy - uy * vx;
    six += at[i] * nx + at[i + 1] * ny + at[i + 2] * nz;
    for (const p of [i, j, k]) {
      normal[p] += nx;
      normal[p + 1] += ny;
      normal[p + 2] += nz;
    }
  }
  const sign = six < 0 ? -1 : 1;
  for (let p = 0; p < normal.length; p += 3) {
    const n = Math.hypot(normal[p], normal[p + 1], normal[p + 2]) || 1;
    for (let k = 0; k < 3; k++) normal[p + k] *= sign / n;
  }
  return { normal, inverted: six < 0 };
}

// A layer with its arrays. Points are kept from `centre`, where 32-bit numbers are finest.
function unpackLayer(layer, centre) {
  const q = halves(layer.places), at = new Float32Array(q.length);
  for (let i = 0; i < q.length; i++) {
    at[i] = layer.low[i % 3] - centre[i % 3] + layer.step * q[i];
  }
  const corners = cornersOf(layer.corners, layer.facets);
  const maps = layer.maps.map((map) => {
    const raw = halves(map.values), value = new Float32Array(raw.length);
    const [low, high] = map.range;
    for (let i = 0; i < raw.length; i++) {
      // No figure is told by a number that no figure has.
      value[i] = raw[i] === 65535 ? -1e9 : low + ((high - low) * raw[i]) / 65534;
    }
    return { name: map.name, first: map.first, signed: map.signed, range: map.range, limit: map.limit, value };
  });
  return {
    name: layer.name, colour: layer.colour, shown: layer.shown, glass: layer.glass, flat: layer.flat,
    at, corners, maps, ...normalsOf(at, corners),
  };
}

const colourOf = (hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255);

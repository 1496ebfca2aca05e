// WebGL 2: surfaces with a light that comes from the eye, and lines of a width in pixels.
// A surface is drawn by a program that has only what it needs: where no graphics card helps, each dot
// pays for every line of its program, so maps, cuts, glass and flat boxes are left out where unwanted.
const SURFACE_POINTS = `
in vec3 at;
uniform mat4 eye;
out vec3 facing;
in vec3 normal;
#ifdef MAPPED
in float value; out float figure;
#endif
#ifdef FLAT
out vec3 place;
#endif
#ifdef CUT
uniform vec4 plane; out float beyond;
#endif
void main() {
  gl_Position = eye * vec4(at, 1.0);
  facing = normal;
#ifdef MAPPED
  figure = value;
#endif
#ifdef FLAT
  place = at;
#endif
#ifdef CUT
  beyond = dot(plane.xyz, at) - plane.w;
#endif
}`;
const SURFACE_COLOURS = `
precision highp float;
in vec3 facing;
uniform vec3 toward; uniform vec3 light; uniform vec3 colour; uniform float turnedOver;
#ifdef MAPPED
in float figure;
uniform vec2 range; uniform vec3 limit; uniform sampler2D scale; uniform float signedly; uniform float dense;
#endif
#ifdef FLAT
in vec3 place;
#endif
#ifdef CUT
in float beyond;
#endif
out vec4 seen;
void main() {
#ifdef CUT
  if (beyond < 0.0) discard;
#endif
  bool back = (gl_FrontFacing == (turnedOver > 0.5));
#ifdef FLAT
  // Boxes have edges: the normal of the facet itself, which is that of the picture's slope.
  vec3 n = normalize(cross(dFdx(place), dFdy(place)));
  if (dot(n, toward) < 0.0) n = -n;
#else
  vec3 n = normalize(facing);
  if (back) n = -n;
#endif
  float to = dot(n, toward);
  vec3 base = colour;
#ifdef MAPPED
  float lit = 0.72 + 0.20 * abs(to) + 0.10 * max(dot(n, light), 0.0);
  float stripe = mod(gl_FragCoord.x + gl_FragCoord.y, 7.0 * dense);
  // Between a corner with a figure and one without, everything but the very corner is without: else the
  // way from one to the other would pass the limit and be striped.
  if (figure < -1e3) {
    base = vec3(0.80, 0.79, 0.76);
  } else {
    base = texture(scale, vec2((figure - range.x) / max(range.y - range.x, 1e-6), 0.25 + 0.5 * signedly)).rgb;
    if (limit.z != 0.0) {
      // Beyond the limit: stripes, which no colour blindness and no printer takes away.
      float over = (figure - limit.x) * limit.z;
      if (over > 0.0 && stripe < 2.0 * dense) base = mix(base, vec3(0.58, 0.12, 0.37), 0.85);
      if (abs(figure - limit.x) < fwidth(figure)) base = vec3(0.35, 0.05, 0.2);
    }
  }
  if (back) base = mix(base, vec3(0.55, 0.47, 0.43), 0.25);
#else
  float lit = 0.40 + 0.40 * abs(to) + 0.30 * max(dot(n, light), 0.0);
  if (back) base = mix(base, vec3(0.55, 0.47, 0.43), 0.7);
#endif
  float solid = 1.0;
#ifdef GLASS
  float aslant = 1.0 - abs(to);
  solid = 0.10 + 0.42 * aslant * aslant;
#ifdef MAPPED
  solid += 0.25;
#endif
#endif
  seen = vec4(base * min(lit, 1.08) * solid, solid);
}`;
// A line's piece is a rectangle: corner.x runs along it, corner.y across.
const RECTANGLE = [0, -0.5, 1, -0.5, 0, 0.5, 1, 0.5], RECTANGLE_ORDER = [0, 1, 2, 2, 1, 3];
const LINE_POINTS = `
in vec2 corner; in vec3 from; in vec3 to;
uniform mat4 eye; uniform vec2 screen; uniform float width; uniform float nearer; uniform vec4 plane;
out float beyond;
void main() {
  beyond = dot(plane.xyz, mix(from, to, corner.x)) - plane.w;
  vec4 a = eye * vec4(from, 1.0), b = eye * vec4(to, 1.0);
  vec2 way = (b.xy - a.xy) * screen;
  float l = length(way);
  vec2 along = l > 1e-6 ? way / l : vec2(1.0, 0.0);
  vec2 across = vec2(-along.y, along.x);
  vec4 p = mix(a, b, corner.x);
  p.xy += (across * corner.y + along * (corner.x - 0.5) * 0.8) * width / screen;
  p.z -= nearer;
  gl_Position = p;
}`;
const LINE_COLOURS = `
precision highp float;
uniform vec4 colour;
in float beyond;
out vec4 seen;
void main() {
  if (beyond < -0.02) discard;
  seen = vec4(colour.rgb * colour.a, colour.a);
}`;

function programOf(gl, points, colours, wanted = []) {
  const head = "#version 300 es\n" + wanted.map((word) => `#define ${word}\n`).join("");
  const program = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, points], [gl.FRAGMENT_SHADER, colours]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, head + text);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) {
      throw new Error(gl.getShaderInfoLog(shader) || "shader");
    }
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) {
    throw new Error(gl.getProgramInfoLog(program) || "program");
  }
  const place = new Map();
  return {
    program,
    uniform: (name) => {
      if (!place.has(name)) place.set(name, gl.getUniformLocation(program, name));
      return place.get(name);
    },
    attribute: (name) => gl.getAttribLocation(program, name),
  };
}

function makeDrawer(canvas, scaleBytes) {
  const gl = canvas.getContext("webgl2", {
    antialias: true, alpha: false, preserveDrawingBuffer: true, powerPreference: "high-performance",
  });
  if (!gl) return null;
  const surfaces = new Map();
  const surfaceFor = (wanted) => {
    const key = wanted.join(" ");
    if (!surfaces.has(key)) surfaces.set(key, programOf(gl, SURFACE_POINTS, SURFACE_COLOURS, wanted));
    return surfaces.get(key);
  };
  const line = programOf(gl, LINE_POINTS, LINE_COLOURS);
  const buffer = (what, data) => {
    const made = gl.createBuffer();
    gl.bindBuffer(what, made);
    gl.bufferData(what, data, gl.STATIC_DRAW);
    return made;
  };
  const feed = (at, from, parts) => {
    gl.bindBuffer(gl.ARRAY_BUFFER, from);
    gl.enableVertexAttribArray(at);
    gl.vertexAttribPointer(at, parts, gl.FLOAT, false, 0, 0);
  };
  const scale = gl.createTexture();
  gl.bindTexture(gl.TEXTURE_2D, scale);
  gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGB, 256, 2, 0, gl.RGB, gl.UNSIGNED_BYTE, scaleBytes);
  for (const [what, how] of [[gl.TEXTURE_MIN_FILTER, gl.LINEAR], [gl.TEXTURE_MAG_FILTER, gl.LINEAR],
    [gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE]]) {
    gl.texParameteri(gl.TEXTURE_2D, what, how);
  }

  const buffersOf = (layer) => ({
    at: buffer(gl.ARRAY_BUFFER, layer.at),
    normal: buffer(gl.ARRAY_BUFFER, layer.normal),
    corners: buffer(gl.ELEMENT_ARRAY_BUFFER, layer.corners),
    maps: layer.maps.map((m) => buffer(gl.ARRAY_BUFFER, m.value)),
    count: layer.corners.length,
  });
  const keepLayer = (layer) => { layer.buffers = buffersOf(layer); };

  // Made when first wanted: few machines need it.
  function coarseOf(layer) {
    if (layer.corners.length <= 3 * LARGE_FACETS) return layer.buffers;
    if (!layer.coarse) layer.coarse = buffersOf(coarseLayer(layer));
    return layer.coarse;
  }

  // Points → pieces, each a rectangle of its own: drawing one rectangle many times over is slow where no
  // graphics card helps. `last` buffers are dropped, since the section's outline changes all the time.
  function keepLine(what, points, last) {
    const pieces = Math.max(0, points.length - 1);
    const from = new Float32Array(12 * pieces), to = new Float32Array(12 * pieces);
    const corner = new Float32Array(8 * pieces), order = new Uint32Array(6 * pieces);
    for (let i = 0; i < pieces; i++) {
      for (let k = 0; k < 4; k++) {
        from.set(points[i], 12 * i + 3 * k);
        to.set(points[i + 1], 12 * i + 3 * k);
      }
      corner.set(RECTANGLE, 8 * i);
      RECTANGLE_ORDER.forEach((k, j) => { order[6 * i + j] = 4 * i + k; });
    }
    if (last) for (const name of ["from", "to", "corner", "order"]) gl.deleteBuffer(last[name]);
    return {
      ...what, pieces, from: buffer(gl.ARRAY_BUFFER, from), to: buffer(gl.ARRAY_BUFFER, to),
      corner: buffer(gl.ARRAY_BUFFER, corner), order: buffer(gl.ELEMENT_ARRAY_BUFFER, order),
    };
  }

  function drawSurface(layer, still, seen) {
    const eye = seen.moved ? eyeOfMoved(still, seen.moved) : still;
    const map = seen.map && layer.maps[seen.map.index];
    const surface = surfaceFor([map && "MAPPED", layer.flat && "FLAT", seen.cutting && "CUT", seen.glass && "GLASS"]
      .filter(Boolean));
    const u = surface.uniform;
    gl.useProgram(surface.program);
    const from = seen.coarse ? coarseOf(layer) : layer.buffers;
    feed(surface.attribute("at"), from.at, 3);
    // A flat box works its own normals out, and a program may then have no place for told ones.
    if (surface.attribute("normal") >= 0) feed(surface.attribute("normal"), from.normal, 3);
    if (map) feed(surface.attribute("value"), from.maps[seen.map.index], 1);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, from.corners);
    gl.uniformMatrix4fv(u("eye"), false, eye.matrix);
    gl.uniform3fv(u("toward"), eye.toward);
    gl.uniform3fv(u("light"), eye.light);
    gl.uniform3fv(u("colour"), colourOf(layer.colour));
    gl.uniform4fv(u("plane"), seen.plane);
    gl.uniform1f(u("turnedOver"), layer.inverted ? 1 : 0);
    if (map) {
      gl.uniform1f(u("dense"), eye.dense);
      gl.uniform2fv(u("range"), map.range);
      gl.uniform1f(u("signedly"), map.signed ? 1 : 0);
      const way = map.limit ? (map.limit.goodBelow ? 1 : -1) : 0;
      gl.uniform3f(u("limit"), map.limit ? map.limit.mm : 0, 0, way);
    }
    const whole = () => gl.drawElements(gl.TRIANGLES, from.count, gl.UNSIGNED_INT, 0);
    if (!seen.glass) {
      whole();
      return;
    }
    // Glass: what is behind first, and nothing of it hides anything.
    gl.depthMask(false);
    gl.enable(gl.BLEND);
    gl.enable(gl.CULL_FACE);
    for (const side of [gl.FRONT, gl.BACK]) {
      gl.cullFace(side);
      whole();
    }
    gl.disable(gl.CULL_FACE);
    gl.disable(gl.BLEND);
    gl.depthMask(true);
  }

  // Each line twice: faint where something hides it, full where nothing does.
  function drawLine(kept, eye, cut) {
    if (!kept.pieces) return;
    const u = line.uniform;
    gl.useProgram(line.program);
    feed(line.attribute("corner"), kept.corner, 2);
    feed(line.attribute("from"), kept.from, 3);
    feed(line.attribute("to"), kept.to, 3);
    gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, kept.order);
    gl.uniformMatrix4fv(u("eye"), false, eye.matrix);
    gl.uniform4fv(u("plane"), cut || [0, 0, 0, 0]);
    gl.uniform2f(u("screen"), canvas.width / 2, canvas.height / 2);
    gl.uniform1f(u("width"), kept.width * eye.dense);
    gl.enable(gl.BLEND);
    gl.depthMask(false);
    for (const [hidden, solid] of [[true, 0.7], [false, 1]]) {
      if (hidden) gl.disable(gl.DEPTH_TEST);
      else gl.enable(gl.DEPTH_TEST);
      gl.uniform1f(u("nearer"), 0.004);
      gl.uniform4fv(u("colour"), [...colourOf(kept.colour), solid]);
      gl.drawElements(gl.TRIANGLES, 6 * kept.pieces, gl.UNSIGNED_INT, 0);
    }
    gl.depthMask(true);
    gl.disable(gl.BLEND);
  }

  // `cut`: the plane beyond which lines are not drawn.
  function draw(eye, layers, lines, cut) {
    gl.viewport(0, 0, canvas.width, canvas.height);
    gl.clearColor(0.985, 0.98, 0.965, 1);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    gl.blendFunc(gl.ONE, gl.ONE_MINUS_SRC_ALPHA);
    for (const [layer, seen] of layers) if (!seen.glass) drawSurface(layer, eye, seen);
    for (const [layer, seen] of layers) if (seen.glass) drawSurface(layer, eye, seen);
    for (const kept of lines) drawLine(kept, eye, cut);
  }

  // Calls back when all that was asked for so far is drawn; never where the context was lost.
  function whenDrawn(tell) {
    const mark = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    gl.flush();
    const ask = () => {
      if (!mark || gl.isContextLost()) return;
      if (gl.getSyncParameter(mark, gl.SYNC_STATUS) !== gl.SIGNALED) {
        setTimeout(ask, 4);
        return;
      }
      gl.deleteSync(mark);
      tell();
    };
    setTimeout(ask, 4);
  }

  return { gl, keepLayer, keepLine, draw, whenDrawn };
}

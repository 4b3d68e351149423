"use strict";

/* Light as numbers on the graphics card: layers are added up in linear light, halos are laid over
 * them, and the sum goes through the tone curve to the screen's codes. Each step is the one that
 * the calculated pictures go through; the constants come with the page.
 *
 * All targets have row 0 at the top; only the last step turns the picture over. Light is kept in
 * sixteenths of the exposure's unit times 1, so that a lens one looks into fits a half float.
 */

const SCALE = 1 / 16;

function bytes(base64) {
  return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
}

const WHOLE = `#version 300 es
void main() {
  gl_Position = vec4(gl_VertexID == 1 ? 3. : -1., gl_VertexID == 2 ? 3. : -1., 0., 1.);
}`;

const HEAD = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2D;
out vec4 result;
`;

const ADD = HEAD + `
uniform sampler2D layer;
uniform vec3 weight;
uniform float knee, top;
void main() {
  vec3 code = texelFetch(layer, ivec2(gl_FragCoord.xy), 0).rgb;
  result = vec4(weight * knee * (exp(code * log(1. + top / knee)) - 1.), 0.);
}`;

const PEAK_PLACES = `#version 300 es
in vec2 place;
in vec3 light;
uniform vec2 size;
out vec3 bright;
void main() {
  gl_Position = vec4(2. * (place + .5) / size - 1., 0., 1.);
  gl_PointSize = 1.;
  bright = light;
}`;

const PEAK = HEAD + `
in vec3 bright;
uniform vec3 weight;
void main() { result = vec4(min(weight * bright, 60000.), 0.); }`;

/* What is brighter than a screen shows, which is what scatters; alpha counts pixels. */
const OVER = HEAD + `
uniform sampler2D light;
uniform vec3 luminous;
uniform float shown;
void main() {
  vec3 rgb = max(texelFetch(light, ivec2(gl_FragCoord.xy), 0).rgb, 0.);
  result = vec4(rgb * (1. - shown / max(dot(rgb, luminous), shown)), 1.);
}`;

const REDUCE = HEAD + `
uniform sampler2D image;
void main() {
  ivec2 from = 4 * ivec2(gl_FragCoord.xy), to = min(from + 4, textureSize(image, 0));
  vec4 sum = vec4(0.);
  for (int y = from.y; y < to.y; y++)
    for (int x = from.x; x < to.x; x++) sum += texelFetch(image, ivec2(x, y), 0);
  result = sum / float((to.x - from.x) * (to.y - from.y));
}`;

/* One axis of a Gaussian; black outside the picture. */
const BLUR = HEAD + `
uniform sampler2D image;
uniform ivec2 way;
uniform float sigma, share;
void main() {
  ivec2 at = ivec2(gl_FragCoord.xy), size = textureSize(image, 0);
  int here = at.x * way.x + at.y * way.y, last = size.x * way.x + size.y * way.y - 1;
  int reach = int(4. * sigma) + 1;
  vec4 sum = vec4(0.);
  for (int k = max(-reach, -here); k <= min(reach, last - here); k++) {
    float lag = float(k) / sigma;
    sum += exp(-.5 * lag * lag) * texelFetch(image, at + k * way, 0);
  }
  result = sum * (share / (sigma * 2.5066282746));
}`;

const SHOW = HEAD + `
uniform sampler2D light, near, wide, widest, edges, tile;
uniform vec3 luminous, lightness;
uniform mat3 balance, toCones, fromCones;
uniform vec4 curve;
uniform vec2 size;
uniform vec3 edge;
uniform float shown, whitest, unit, asItIs;

float largest(vec3 v) { return max(v.r, max(v.g, v.b)); }

/* A colour of luminance 1 brought along its hue until its largest channel is the peak. */
vec3 paled(vec3 colour, float peak) {
  vec3 cones = pow(max(toCones * colour, 0.), vec3(1. / 3.));
  vec3 p = cones / dot(cones, lightness) - 1.;
  float low = 0., high = 1., below = 1. - peak, above = largest(colour) - peak;
  vec3 there = colour;
  for (int step = 0; step < 4; step++) {
    float t = low + (high - low) * below / min(below - above, -1e-9);
    vec3 one = 1. + t * p;
    there = fromCones * (one * one * one);
    there /= dot(there, luminous);
    float miss = largest(there) - peak;
    if (miss < 0.) { low = t; below = miss; } else { high = t; above = miss; }
  }
  return there;
}

void main() {
  ivec2 at = ivec2(int(gl_FragCoord.x), int(size.y) - 1 - int(gl_FragCoord.y));
  vec2 place = vec2(at) + .5;
  vec3 rgb = max(texelFetch(light, at, 0).rgb, 0.);
  vec3 over = rgb * (1. - shown / max(dot(rgb, luminous), shown));
  vec4 veil = texelFetch(near, at, 0)
    + texture(wide, place / (4. * vec2(textureSize(wide, 0))))
    + texture(widest, place / (16. * vec2(textureSize(widest, 0))));
  rgb += max(veil.rgb + over * (1. - veil.a), 0.) - over;
  rgb *= unit;

  /* An edge's samples, each through the curve, come to a share of its light. */
  vec2 apart = 255. * texelFetch(edges, at, 0).rg / edge.xy;
  if (dot(rgb, luminous) * apart.g > edge.z) rgb *= apart.r;

  float x = clamp(dot(rgb, luminous), 0., whitest);
  float rise = x > 0. ? pow(x, curve.x) : 0.;
  float y = rise > 0. ? min(rise / (curve.z * pow(rise, curve.y) + curve.w), 1.) : 0.;
  vec3 colour = max(balance * rgb, 0.);
  colour /= max(dot(colour, luminous), 1e-20);
  float over1 = largest(colour) - 1., most = y * over1, room = 1. - y;
  float most8 = pow(max(most, 0.), 8.), room8 = pow(max(room, 0.), 8.);
  float keep = room / pow(room8 + most8 + 1e-30, .125);
  if (keep < asItIs) colour = paled(colour, 1. + keep * over1);
  vec3 screen = clamp(y * colour, 0., 1.);
  vec3 code = mix(12.92 * screen, 1.055 * pow(max(screen, 1e-6), vec3(1. / 2.4)) - .055,
                  step(.0031308, screen));
  vec3 threshold = texelFetch(tile, at % 64, 0).rgb;
  result = vec4(floor(255. * code + threshold) / 255., 1.);
}`;

/* --- the house to turn: surfaces that carry their luminance, from an atlas of texels */

const SURFACE_PLACES = `#version 300 es
in vec3 corner;
in vec2 where;
uniform vec3 low, span;
uniform mat4 camera;
centroid out vec2 texel;
void main() {
  gl_Position = camera * vec4(low + span * corner, 1.);
  texel = where / 64.;
}`;

const SURFACE = HEAD + `
centroid in vec2 texel;
uniform sampler2D atlas;
void main() { result = vec4(texture(atlas, texel / vec2(textureSize(atlas, 0))).rgb, 1.); }`;

/* Luminance of a corner; of a leaf one for each side. */
const TEXEL = `
uniform sampler2D atlas;
vec3 texel(int number) {
  int columns = textureSize(atlas, 0).x;
  return texelFetch(atlas, ivec2(number % columns, number / columns), 0).rgb;
}`;

const LEAF_PLACES = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2D;
in vec3 corner, normal, along;
in vec2 half_size;
uniform vec3 low, span;
uniform mat4 camera;
uniform float first;
flat out vec3 front, back;
${TEXEL}
void main() {
  int turn = gl_VertexID;
  vec2 at = vec2(turn == 0 ? 1. : turn == 3 ? -1. : 0., turn == 1 ? 1. : turn == 2 ? -1. : 0.);
  vec3 n = normalize(normal), l = normalize(along);
  vec3 aside = cross(n, l);
  vec2 metres = .01 * half_size * at;
  gl_Position = camera * vec4(low + span * corner + metres.x * l + metres.y * aside, 1.);
  front = texel(int(first) + 2 * gl_InstanceID);
  back = texel(int(first) + 2 * gl_InstanceID + 1);
}`;

const LEAF = HEAD + `
flat in vec3 front, back;
void main() { result = vec4(gl_FrontFacing ? front : back, 1.); }`;

const MESH_PLACES = `#version 300 es
precision highp float;
precision highp int;
precision highp sampler2D;
in vec3 corner;
uniform vec3 low, span;
uniform mat4 camera;
uniform float first;
centroid out vec3 bright;
${TEXEL}
void main() {
  gl_Position = camera * vec4(low + span * corner, 1.);
  bright = texel(int(first) + gl_VertexID);
}`;

const MESH = HEAD + `
centroid in vec3 bright;
void main() { result = vec4(bright, 1.); }`;

/* The sky by height alone, behind all. */
const SKY = HEAD + `
uniform sampler2D atlas;
uniform vec3 right, up, ahead;
uniform vec2 size, sky;
void main() {
  vec2 at = 2. * (vec2(gl_FragCoord.x, size.y - gl_FragCoord.y) / size) - 1.;
  float z = normalize(ahead + at.x * right + at.y * up).z;
  float step = (.5 + .5 * sign(z) * sqrt(abs(z))) * (sky.y - 1.) + .5;
  result = vec4(texture(atlas, vec2(step, sky.x + 1.) / vec2(textureSize(atlas, 0))).rgb, 1.);
}`;

const NEAR_M = 0.3;
const SAMPLES = 4;

/* A picture as it is: the photo by day. */
const COPY = HEAD + `
uniform sampler2D image;
uniform vec2 size;
void main() {
  ivec2 at = ivec2(int(gl_FragCoord.x), int(size.y) - 1 - int(gl_FragCoord.y));
  result = vec4(texelFetch(image, at, 0).rgb, 1.);
}`;

/* Where one stands who looks at a model: unit ways, and the matrix that leads to the picture, whose
 * row 0 is at the top. turn and rise in degrees, far in radii. */
function standing(model, [width, height], { turn, rise, far }) {
  const rad = Math.PI / 180, bearing = (model.bearing + turn) * rad, reach = model.radius * far;
  const out = [Math.sin(bearing) * Math.cos(rise * rad), -Math.cos(bearing) * Math.cos(rise * rad),
               Math.sin(rise * rad)];
  const eye = model.centre.map((c, k) => c + reach * out[k]);
  eye[2] = Math.max(eye[2], model.least);
  const unit = (v) => { const l = Math.hypot(...v); return v.map((c) => c / l); };
  const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
  const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
  const ahead = unit(model.centre.map((c, k) => c - eye[k]));
  const right = unit(cross(ahead, [0, 0, 1])), up = cross(right, ahead);
  const wide = Math.tan(model.fov * rad / 2), tall = wide * height / width;
  const end = 3 * (reach + Math.hypot(...model.span));
  const a = -(end + NEAR_M) / (end - NEAR_M), b = -2 * end * NEAR_M / (end - NEAR_M);
  const rows = [
    [...right.map((c) => c / wide), -dot(right, eye) / wide],
    [...up.map((c) => -c / tall), dot(up, eye) / tall],
    [...ahead.map((c) => -a * c), a * dot(ahead, eye) + b],
    [...ahead, -dot(ahead, eye)],
  ];
  const camera = [0, 1, 2, 3].flatMap((column) => rows.map((row) => row[column]));
  return { eye, ahead, right: right.map((c) => c * wide), up: up.map((c) => c * tall), camera };
}

/* Draws one view on a canvas, in one or two states of its light. Throws where it cannot. */
class Drawer {
  constructor(canvas, constants, tile) {
    const options = { alpha: false, antialias: false, depth: false, preserveDrawingBuffer: true };
    const gl = canvas.getContext("webgl2", options);
    if (!gl) throw new Error("no WebGL 2");
    const float = gl.getExtension("EXT_color_buffer_float");
    if (!float && !gl.getExtension("EXT_color_buffer_half_float")) throw new Error("no floats");
    this.gl = gl;
    this.canvas = canvas;
    this.constants = constants;
    gl.pixelStorei(gl.UNPACK_COLORSPACE_CONVERSION_WEBGL, gl.NONE);
    gl.pixelStorei(gl.UNPACK_PREMULTIPLY_ALPHA_WEBGL, false);
    gl.pixelStorei(gl.UNPACK_FLIP_Y_WEBGL, false);
    gl.disable(gl.DITHER);
    gl.blendFunc(gl.ONE, gl.ONE);
    this.add = this.program(WHOLE, ADD);
    this.peak = this.program(PEAK_PLACES, PEAK);
    this.over = this.program(WHOLE, OVER);
    this.reduce = this.program(WHOLE, REDUCE);
    this.blur = this.program(WHOLE, BLUR);
    this.show = this.program(WHOLE, SHOW);
    this.copy = this.program(WHOLE, COPY);
    this.sky = this.program(WHOLE, SKY);
    this.surface = this.program(SURFACE_PLACES, SURFACE);
    this.leaf = this.program(LEAF_PLACES, LEAF);
    this.mesh = this.program(MESH_PLACES, MESH);
    this.none = gl.createVertexArray();
    this.tile = this.picture(tile);
    this.layers = [];
    this.targets = [];
  }

  program(vertex, fragment) {
    const gl = this.gl, made = gl.createProgram();
    for (const [kind, text] of [[gl.VERTEX_SHADER, vertex], [gl.FRAGMENT_SHADER, fragment]]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(made, shader);
    }
    const names = [["place", "corner"], ["light", "where", "normal"], ["along"], ["half_size"]];
    names.forEach((same, k) => same.forEach((name) => gl.bindAttribLocation(made, k, name)));
    gl.linkProgram(made);
    if (!gl.getProgramParameter(made, gl.LINK_STATUS) && !gl.isContextLost()) {
      throw new Error("shader: " + gl.getProgramInfoLog(made));
    }
    return { made, places: {} };
  }

  /* Use a program with uniforms by name: numbers, arrays, or [unit, texture]s. */
  use(program, uniforms) {
    const gl = this.gl;
    gl.useProgram(program.made);
    let unit = 0;
    for (const [name, value] of Object.entries(uniforms)) {
      program.places[name] ??= gl.getUniformLocation(program.made, name);
      const place = program.places[name];
      if (value instanceof WebGLTexture) {
        gl.activeTexture(gl.TEXTURE0 + unit);
        gl.bindTexture(gl.TEXTURE_2D, value);
        gl.uniform1i(place, unit++);
      } else if (value instanceof Int32Array) gl.uniform2iv(place, value);
      else if (typeof value === "number") gl.uniform1f(place, value);
      else if (value.length === 2) gl.uniform2fv(place, value);
      else if (value.length === 3) gl.uniform3fv(place, value);
      else if (value.length === 4) gl.uniform4fv(place, value);
      else if (value.length === 9) gl.uniformMatrix3fv(place, false, value);
      else gl.uniformMatrix4fv(place, false, value);
    }
  }

  texture(filter) {
    const gl = this.gl, made = gl.createTexture();
    gl.activeTexture(gl.TEXTURE0);
    gl.bindTexture(gl.TEXTURE_2D, made);
    for (const key of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) {
      gl.texParameteri(gl.TEXTURE_2D, key, filter);
    }
    for (const key of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) {
      gl.texParameteri(gl.TEXTURE_2D, key, gl.CLAMP_TO_EDGE);
    }
    return made;
  }

  picture(image) {
    const gl = this.gl, made = this.texture(gl.NEAREST);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGB8, gl.RGB, gl.UNSIGNED_BYTE, image);
    return made;
  }

  target(width, height) {
    const gl = this.gl, texture = this.texture(gl.LINEAR), frame = gl.createFramebuffer();
    gl.texStorage2D(gl.TEXTURE_2D, 1, gl.RGBA16F, width, height);
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, texture, 0);
    if (gl.checkFramebufferStatus(gl.FRAMEBUFFER) !== gl.FRAMEBUFFER_COMPLETE) {
      throw new Error("no half-float targets");
    }
    const made = { texture, frame, width, height };
    this.targets.push(made);
    return made;
  }

  /* Show a view from now on. images : one a layer, or null where it is dark; edges, day : null for none. */
  load(view, images, edges, day) {
    const gl = this.gl, [width, height] = view.size;
    for (const old of [this.edges, this.day]) if (old) gl.deleteTexture(old);
    this.day = day && this.picture(day);
    this.edges = this.picture(edges ?? new ImageData(width, height));
    for (const layer of this.layers) {
      if (!layer) continue;
      gl.deleteTexture(layer.texture);
      if (layer.peaks) { gl.deleteVertexArray(layer.peaks); gl.deleteBuffer(layer.buffer); }
    }
    for (const { texture, frame } of this.targets) {
      gl.deleteTexture(texture);
      gl.deleteFramebuffer(frame);
    }
    this.targets = [];
    this.view = view;
    this.canvas.width = width;
    this.canvas.height = height;
    this.layers = view.layers.map((layer, k) => layer && this.layer(layer, images[k]));
    if (view.model && !view.solid) view.solid = this.solid(view.model, view.size);
    const small = [Math.ceil(width / 4), Math.ceil(height / 4)];
    const tiny = [Math.ceil(small[0] / 4), Math.ceil(small[1] / 4)];
    this.work = [[width, height], small, tiny].map((size) => ({
      over: this.target(...size), half: this.target(...size),
    }));
    this.lights = [0, 1].map(() => ({
      mixed: null, shown: null, sum: this.target(width, height),
      atlas: view.model ? this.target(...view.model.size) : null,
      veils: [[width, height], small, tiny].map((size) => this.target(...size)),
    }));
  }

  /* A model's surfaces as the graphics card takes them, and where they are drawn with soft edges. */
  solid(model, [width, height]) {
    const gl = this.gl;
    const array = (attributes, indices) => {
      const made = gl.createVertexArray();
      gl.bindVertexArray(made);
      for (const { text, at, size, type, stride, offset, normal, each } of attributes) {
        if (text) {
          gl.bindBuffer(gl.ARRAY_BUFFER, gl.createBuffer());
          gl.bufferData(gl.ARRAY_BUFFER, bytes(text), gl.STATIC_DRAW);
        }
        gl.enableVertexAttribArray(at);
        gl.vertexAttribPointer(at, size, type, normal, stride, offset ?? 0);
        gl.vertexAttribDivisor(at, each ?? 0);
      }
      if (indices) {
        gl.bindBuffer(gl.ELEMENT_ARRAY_BUFFER, gl.createBuffer());
        gl.bufferData(gl.ELEMENT_ARRAY_BUFFER, bytes(indices), gl.STATIC_DRAW);
      }
      return made;
    };
    const place = { at: 0, size: 3, type: gl.UNSIGNED_SHORT, stride: 6, normal: true };
    const way = { type: gl.BYTE, stride: 8, normal: true, each: 1 };
    const surface = array([
      { ...place, text: model.corners },
      { at: 1, size: 2, type: gl.UNSIGNED_SHORT, stride: 4, normal: false, text: model.where },
    ]);
    const leaves = array([
      { ...place, each: 1, text: model.leaves },
      { ...way, at: 1, size: 3, text: model.ways },
      { ...way, at: 2, size: 3, offset: 3 },
      { ...way, at: 3, size: 2, offset: 6, normal: false },
    ]);
    const mesh = array([{ ...place, text: model.mesh }], model.faces);
    gl.bindVertexArray(null);
    const frame = gl.createFramebuffer();
    gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
    for (const [spot, format] of [[gl.COLOR_ATTACHMENT0, gl.RGBA16F],
                                  [gl.DEPTH_ATTACHMENT, gl.DEPTH_COMPONENT24]]) {
      const most = gl.getInternalformatParameter(gl.RENDERBUFFER, gl.RGBA16F, gl.SAMPLES);
      const buffer = gl.createRenderbuffer();
      gl.bindRenderbuffer(gl.RENDERBUFFER, buffer);
      gl.renderbufferStorageMultisample(gl.RENDERBUFFER, Math.min(SAMPLES, most[0] ?? 0), format, width, height);
      gl.framebufferRenderbuffer(gl.FRAMEBUFFER, spot, gl.RENDERBUFFER, buffer);
    }
    if (gl.checkFramebufferStatus(gl.FRAMEBUFFER) !== gl.FRAMEBUFFER_COMPLETE) {
      throw new Error("no half-float targets with depth");
    }
    const count = (text, size) => bytes(text).length / size;
    return {
      surface, leaves, mesh, frame, corners: count(model.corners, 6),
      leafCount: count(model.leaves, 6), faceCorners: count(model.faces, 4),
    };
  }

  layer({ top, peaks }, image) {
    const gl = this.gl, made = { top, texture: this.picture(image), peaks: null, count: 0 };
    if (peaks.length) {
      made.count = peaks.length / 5;
      made.peaks = gl.createVertexArray();
      made.buffer = gl.createBuffer();
      gl.bindVertexArray(made.peaks);
      gl.bindBuffer(gl.ARRAY_BUFFER, made.buffer);
      gl.bufferData(gl.ARRAY_BUFFER, new Float32Array(peaks), gl.STATIC_DRAW);
      gl.enableVertexAttribArray(0);
      gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 20, 0);
      gl.enableVertexAttribArray(1);
      gl.vertexAttribPointer(1, 3, gl.FLOAT, false, 20, 8);
    }
    return made;
  }

  into(target, blend, clear) {
    const gl = this.gl;
    gl.bindFramebuffer(gl.FRAMEBUFFER, target ? target.frame : null);
    gl.viewport(0, 0, target ? target.width : this.canvas.width,
                target ? target.height : this.canvas.height);
    if (blend) gl.enable(gl.BLEND); else gl.disable(gl.BLEND);
    if (clear) { gl.clearColor(0, 0, 0, 0); gl.clear(gl.COLOR_BUFFER_BIT); }
  }

  pass(program, uniforms) {
    this.use(program, uniforms);
    this.gl.bindVertexArray(this.none);
    this.gl.drawArrays(this.gl.TRIANGLES, 0, 3);
  }

  /* The sum of the layers, each by its RGB weight. */
  mix(light, weights) {
    const gl = this.gl, { knee } = this.constants;
    this.into(light.atlas ?? light.sum, true, true);
    this.layers.forEach((layer, k) => {
      if (!layer || !weights[k].some((w) => w > 0)) return;
      const weight = weights[k].map((w) => w * SCALE);
      this.pass(this.add, { layer: layer.texture, weight, knee, top: layer.top });
      if (layer.peaks) {
        this.use(this.peak, { weight, size: this.view.model?.size ?? this.view.size });
        gl.bindVertexArray(layer.peaks);
        gl.drawArrays(gl.POINTS, 0, layer.count);
      }
    });
  }

  /* A model under the light of its atlas, from where one stands. */
  look(light, stand) {
    const gl = this.gl, { model, solid, size } = this.view, [width, height] = size;
    const { ahead, right, up, camera } = standing(model, size, stand);
    const atlas = light.atlas.texture, { low, span } = model;
    this.into({ frame: solid.frame, width, height }, false, true);
    this.pass(this.sky, { atlas, right, up, ahead, size, sky: model.sky });
    gl.enable(gl.DEPTH_TEST);
    gl.clear(gl.DEPTH_BUFFER_BIT);
    gl.frontFace(gl.CW);
    this.use(this.surface, { atlas, low, span, camera });
    gl.bindVertexArray(solid.surface);
    gl.drawArrays(gl.TRIANGLES, 0, solid.corners);
    this.use(this.mesh, { atlas, low, span, camera, first: model.points + 2 * solid.leafCount });
    gl.bindVertexArray(solid.mesh);
    gl.drawElements(gl.TRIANGLES, solid.faceCorners, gl.UNSIGNED_INT, 0);
    this.use(this.leaf, { atlas, low, span, camera, first: model.points });
    gl.bindVertexArray(solid.leaves);
    gl.drawArraysInstanced(gl.TRIANGLE_STRIP, 0, 4, solid.leafCount);
    gl.disable(gl.DEPTH_TEST);
    gl.frontFace(gl.CCW);
    gl.bindFramebuffer(gl.READ_FRAMEBUFFER, solid.frame);
    gl.bindFramebuffer(gl.DRAW_FRAMEBUFFER, light.sum.frame);
    gl.blitFramebuffer(0, 0, width, height, 0, 0, width, height, gl.COLOR_BUFFER_BIT, gl.NEAREST);
  }

  /* What is too bright for a screen, spread out as the eye does it. */
  veil(light) {
    const { luminous, shown } = this.constants;
    this.into(this.work[0].over, false, false);
    this.pass(this.over, { light: light.sum.texture, luminous, shown: shown * SCALE });
    this.work.forEach(({ over, half }, floor) => {
      if (floor > 0) {
        this.into(over, false, false);
        this.pass(this.reduce, { image: this.work[floor - 1].over.texture });
      }
      this.into(light.veils[floor], true, true);
      for (const [sigma, share] of this.view.scatter[floor]) {
        this.into(half, false, false);
        const across = { image: over.texture, way: new Int32Array([1, 0]), sigma, share: 1 };
        this.pass(this.blur, across);
        this.into(light.veils[floor], true, false);
        const down = { image: half.texture, way: new Int32Array([0, 1]), sigma, share };
        this.pass(this.blur, down);
      }
    });
  }

  /* Show states side by side: each a list of RGB weights, or null for the photo by day, with the column
   * where it ends. stand : from where a model is looked at. */
  draw(sides, stand) {
    const gl = this.gl, { width, height } = this.canvas, c = this.constants;
    let from = 0;
    const cut = (until, pass) => {
      const to = Math.round(until * width);
      this.into(null, false, false);
      gl.enable(gl.SCISSOR_TEST);
      gl.scissor(from, 0, Math.max(0, to - from), height);
      pass();
      gl.disable(gl.SCISSOR_TEST);
      from = to;
    };
    sides.forEach(({ weights, until }, k) => {
      if (!weights) {
        cut(until, () => this.pass(this.copy, { image: this.day, size: [width, height] }));
        return;
      }
      const light = this.lights[k], mixed = JSON.stringify(weights);
      const shown = this.view.model ? mixed + JSON.stringify(stand) : mixed;
      if (light.mixed !== mixed) { this.mix(light, weights); light.mixed = mixed; }
      if (light.shown !== shown) {
        if (this.view.model) this.look(light, stand);
        this.veil(light);
        light.shown = shown;
      }
      cut(until, () => this.pass(this.show, {
        light: light.sum.texture, near: light.veils[0].texture, wide: light.veils[1].texture,
        widest: light.veils[2].texture, edges: this.edges, tile: this.tile, edge: c.edge, luminous: c.luminous,
        lightness: c.lightness, balance: c.balance, toCones: c.toCones, fromCones: c.fromCones,
        curve: c.curve, size: [width, height], shown: c.shown * SCALE, whitest: c.whitest,
        unit: 1 / SCALE, asItIs: c.asItIs,
      }));
    });
  }
}

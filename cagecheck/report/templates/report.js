import * as THREE from "three";
import { OrbitControls } from "three/addons/controls/OrbitControls.js";

const page = JSON.parse(document.getElementById("facts-data").textContent);
const regions = new Map(page.regions.map((r) => [r.number, r]));
const $ = (id) => document.getElementById(id);
const state = { region: 0, model: null, arrays: null };
const calm = matchMedia("(prefers-reduced-motion: reduce)");

// Data --------------------------------------------------------------------------------------------

const KINDS = { i1: Int8Array, u1: Uint8Array, i2: Int16Array, u2: Uint16Array, i4: Int32Array, f4: Float32Array };

/** Undo the packing of web_scene.py: columns one after the other, differences along each. */
function unpack(buffer) {
  const out = {};
  for (const e of page.scene) {
    const flat = new KINDS[e.type](buffer, e.offset, e.rows * e.columns);
    const rows = new KINDS[e.type](flat.length);
    for (let c = 0; c < e.columns; c++) {
      let sum = 0;
      for (let r = 0; r < e.rows; r++) {
        const value = flat[c * e.rows + r];
        // Differences wrap round like the typed array's own numbers do.
        rows[r * e.columns + c] = sum = e.differences ? sum + value : value;
        sum = rows[r * e.columns + c];
      }
    }
    out[e.name] = rows;
  }
  return out;
}

async function load() {
  const text = atob($("scene-data").textContent.trim());
  const bytes = Uint8Array.from(text, (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return unpack(await new Response(stream).arrayBuffer());
}

// Choosing a region: everything follows --------------------------------------------------------------

function choose(number, from = "") {
  const region = regions.get(number);
  state.region = region ? number : 0;
  history.replaceState(null, "", region ? `#region-${number}` : location.pathname + location.search);
  showRow(region, from);
  showCard(region);
  showOnTiles(region, from);
  if (state.model) state.model.choose(region, from);
}

function step(by) {
  const rows = [...document.querySelectorAll("#list tbody tr:not([hidden])")];
  if (!rows.length) return;
  const at = rows.findIndex((row) => Number(row.dataset.number) === state.region);
  const next = at < 0 ? (by > 0 ? 0 : rows.length - 1) : (at + by + rows.length) % rows.length;
  choose(Number(rows[next].dataset.number), "step");
}

function showRow(region, from) {
  for (const row of document.querySelectorAll("#list tr.chosen")) {
    row.classList.remove("chosen");
    row.querySelector(".pick").setAttribute("aria-pressed", "false");
  }
  const row = region && document.querySelector(`#list tr[data-number="${region.number}"]`);
  if (!row) return;
  row.classList.add("chosen");
  row.querySelector(".pick").setAttribute("aria-pressed", "true");
  if (from === "list") return;
  if (row.hidden) clearFilters();
  // Only the list scrolls, never the page.
  const box = row.closest(".scroll");
  const head = box.querySelector("thead").offsetHeight;
  const top = row.offsetTop - head;
  if (top < box.scrollTop || row.offsetTop + row.offsetHeight > box.scrollTop + box.clientHeight)
    box.scrollTo({ top: top - box.clientHeight / 3, behavior: calm.matches ? "auto" : "smooth" });
}

function line(name, value) {
  const p = document.createElement("p");
  const b = document.createElement("b");
  b.textContent = name;
  p.append(b, " ", value);
  return p;
}

function showCard(region) {
  const card = $("card");
  card.replaceChildren();
  if (!region) {
    const p = document.createElement("p");
    p.className = "soft";
    p.textContent = page.regions.length ? "No region chosen. The worst is number 1." : "";
    card.append(p);
    return;
  }
  const h = document.createElement("h3");
  const chip = document.createElement("i");
  chip.className = "chip";
  chip.style.setProperty("--c", region.colour);
  h.append(chip, `${region.number}  ${region.name}`);
  card.append(
    h,
    line("where", `${region.part}${region.tile ? `, tile ${region.tile}` : ""}`),
    line("size", region.size_words),
    line("worst", region.worst_words),
    line("cause", region.cause),
    line("cure", region.cure),
  );
}

// List ----------------------------------------------------------------------------------------------

function setUpList() {
  const body = document.querySelector("#list tbody");
  if (!body) return;
  body.addEventListener("click", (event) => {
    const row = event.target.closest("tr");
    const number = Number(row.dataset.number);
    choose(number === state.region && event.target.closest(".pick") ? 0 : number, "list");
  });
  body.addEventListener("keydown", (event) => {
    const by = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!by) return;
    event.preventDefault();
    let row = event.target.closest("tr");
    do row = by > 0 ? row.nextElementSibling : row.previousElementSibling;
    while (row && row.hidden);
    if (!row) return;
    row.querySelector(".pick").focus();
    choose(Number(row.dataset.number), "list");
  });
  for (const button of document.querySelectorAll("#list th button"))
    button.addEventListener("click", () => sortBy(button));
  for (const id of ["by-defect", "by-part", "by-tile"]) $(id).addEventListener("change", filter);
}

function sortBy(button) {
  const th = button.closest("th");
  const numeric = ["number", "tile", "size"].includes(button.dataset.key);
  const now = th.getAttribute("aria-sort");
  // Sizes are wanted largest first, everything else from the beginning.
  const down = now ? now === "ascending" : button.dataset.key === "size";
  for (const other of document.querySelectorAll("#list th")) other.removeAttribute("aria-sort");
  th.setAttribute("aria-sort", down ? "descending" : "ascending");
  const value = (row) => (numeric ? Number(row.dataset[button.dataset.key]) : row.dataset[button.dataset.key]);
  const body = document.querySelector("#list tbody");
  const rows = [...body.rows].sort((a, b) => {
    const [x, y] = [value(a), value(b)];
    const order = x < y ? -1 : x > y ? 1 : Number(a.dataset.number) - Number(b.dataset.number);
    return down && x !== y ? -order : order;
  });
  body.append(...rows);
}

function filter() {
  const wanted = { name: $("by-defect").value, part: $("by-part").value, tile: $("by-tile").value };
  let shown = 0;
  for (const row of document.querySelectorAll("#list tbody tr")) {
    row.hidden = Object.entries(wanted).some(([key, value]) => value !== "" && row.dataset[key] !== value);
    shown += !row.hidden;
  }
  $("count").textContent = `${shown} of ${page.region_count}`;
  for (const button of document.querySelectorAll("#key button"))
    button.setAttribute("aria-pressed", String(button.dataset.name === wanted.name));
}

function clearFilters() {
  for (const id of ["by-defect", "by-part", "by-tile"]) $(id).value = "";
  filter();
}

// Tiles ---------------------------------------------------------------------------------------------

const SVG = "http://www.w3.org/2000/svg";
const MARK_PIXELS = 13;

class Tile {
  constructor(figure) {
    this.tile = Number(figure.dataset.tile);
    this.figure = figure;
    this.svg = figure.querySelector("svg");
    this.view = [0, 0, 1];
    this.marks = [];
    this.addMarks();
    this.svg.addEventListener("click", (event) => this.click(event));
    this.svg.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    new ResizeObserver(() => this.sizeMarks()).observe(this.svg);
  }

  addMarks() {
    const group = this.svg.querySelector(".marks");
    const here = page.regions.filter((r) => r.tile === this.tile && r.uv);
    for (const r of here.slice(0, page.marks_per_tile)) {
      const text = document.createElementNS(SVG, "text");
      text.textContent = r.number;
      text.setAttribute("x", r.uv[0]);
      text.setAttribute("y", 1 - r.uv[1]);
      group.append(text);
      this.marks.push([r.number, text]);
    }
    this.extra = document.createElementNS(SVG, "text");
    group.append(this.extra);
  }

  sizeMarks() {
    const pixels = this.svg.clientWidth || 300;
    const size = (MARK_PIXELS * this.view[2]) / pixels;
    this.svg.querySelector(".marks").style.fontSize = `${size}px`;
    this.svg.querySelector("image").classList.toggle("near", (this.view[2] * 1024) / pixels < 1);
    // Numbers that would cover one another give way to the worse region; zooming in shows them.
    const kept = [];
    const chosen = ([number]) => number === state.region;
    for (const [number, text] of [...this.marks].sort((a, b) => chosen(b) - chosen(a))) {
      const [x, y] = [Number(text.getAttribute("x")), Number(text.getAttribute("y"))];
      const clash = kept.some(([u, v]) => Math.abs(u - x) < 2.3 * size && Math.abs(v - y) < 1.15 * size);
      text.style.display = clash ? "none" : "";
      if (!clash) kept.push([x, y]);
    }
  }

  setView(x, y, size) {
    size = Math.min(Math.max(size, 0.02), 1);
    this.view = [Math.min(Math.max(x, 0), 1 - size), Math.min(Math.max(y, 0), 1 - size), size];
    this.svg.setAttribute("viewBox", `${this.view[0]} ${this.view[1]} ${size} ${size}`);
    this.sizeMarks();
  }

  at(event) {
    const box = this.svg.getBoundingClientRect();
    return [
      this.view[0] + ((event.clientX - box.left) / box.width) * this.view[2],
      this.view[1] + ((event.clientY - box.top) / box.height) * this.view[2],
    ];
  }

  wheel(event) {
    // The page scrolls unless the pointer has shown that it means the picture.
    if (!event.ctrlKey && this.view[2] === 1 && event.deltaY > 0) return;
    event.preventDefault();
    const [x, y] = this.at(event);
    const size = Math.min(Math.max(this.view[2] * Math.exp(event.deltaY / 500), 0.02), 1);
    const k = size / this.view[2];
    this.setView(x - (x - this.view[0]) * k, y - (y - this.view[1]) * k, size);
  }

  click(event) {
    if (!state.arrays) return;
    const map = state.arrays[`tile_region_${this.tile}`];
    const n = page.tile_map_size;
    const [x, y] = this.at(event).map((v) => Math.min(Math.floor(v * n), n - 1));
    // Regions can be thinner than a finger: look around a little.
    const slack = Math.ceil((6 * this.view[2] * n) / (this.svg.clientWidth || 300));
    for (let d = 0; d <= slack; d++)
      for (let j = -d; j <= d; j++)
        for (let i = -d; i <= d; i++) {
          if (Math.max(Math.abs(i), Math.abs(j)) !== d) continue;
          const [u, v] = [x + i, y + j];
          const number = u >= 0 && v >= 0 && u < n && v < n ? map[v * n + u] : 0;
          if (number) return choose(number, "tile");
        }
    choose(0, "tile");
  }

  show(region, from) {
    const here = region && region.tile === this.tile;
    this.figure.classList.toggle("has", Boolean(here));
    for (const [number, text] of this.marks) text.classList.toggle("on", Boolean(here) && number === region.number);
    this.extra.textContent = "";
    const lit = this.svg.querySelector(".lit");
    lit.replaceChildren();
    if (!here || !state.arrays || !state.arrays.heat_uv) {
      this.setView(0, 0, 1);
      return;
    }
    const outline = uvOutline(region);
    for (const name of ["halo", "line"]) {
      const path = document.createElementNS(SVG, "path");
      path.setAttribute("class", name);
      path.setAttribute("d", outline.path);
      lit.append(path);
    }
    if (region.uv && !this.marks.some(([number]) => number === region.number)) {
      this.extra.textContent = region.number;
      this.extra.setAttribute("class", "on");
      this.extra.setAttribute("x", region.uv[0]);
      this.extra.setAttribute("y", 1 - region.uv[1]);
    }
    if (from === "tile") this.sizeMarks();
    else if (outline.size > 0) {
      const size = Math.max(Math.min(outline.size * 3, 1), 0.12);
      this.setView(outline.x - size / 2, outline.y - size / 2, size);
    }
  }
}

/** A region's outline in UV space, as an SVG path with its middle and size. */
function uvOutline(region) {
  const a = state.arrays;
  const parts = [];
  let [x0, y0, x1, y1] = [1, 1, 0, 0];
  const [first, last] = [a.rim_first[region.number - 1], a.rim_first[region.number]];
  for (let i = first; i < last; i++) {
    const [p, q] = [a.rim[2 * i], a.rim[2 * i + 1]];
    const [px, py, qx, qy] = [a.heat_uv[2 * p], a.heat_uv[2 * p + 1], a.heat_uv[2 * q], a.heat_uv[2 * q + 1]].map((v) => v / 65535);
    parts.push(`M${px.toFixed(5)} ${(1 - py).toFixed(5)}L${qx.toFixed(5)} ${(1 - qy).toFixed(5)}`);
    x0 = Math.min(x0, px, qx); x1 = Math.max(x1, px, qx);
    y0 = Math.min(y0, 1 - py, 1 - qy); y1 = Math.max(y1, 1 - py, 1 - qy);
  }
  return { path: parts.join(""), x: (x0 + x1) / 2, y: (y0 + y1) / 2, size: Math.max(x1 - x0, y1 - y0) };
}

function regionMask(region) {
  const a = state.arrays;
  const mask = new Uint8Array(a.heat_main.length);
  if (region) {
    const k = region.number - 1;
    for (let i = a.region_vertex_first[k]; i < a.region_vertex_first[k + 1]; i++) mask[a.region_vertex[i]] = 255;
  }
  return mask;
}

let tiles = [];
function showOnTiles(region, from) {
  for (const tile of tiles) tile.show(region, from);
}

// Model ---------------------------------------------------------------------------------------------

const VERTEX = `
  in float kind; in float field; in float mask;
  uniform float byField;
  flat out float vMain; flat out float vMask; out float vField; out float vSmoothMask; out vec3 vPlace;
  void main() {
    vMain = kind; vMask = mask; vSmoothMask = mask; vField = field;
    vec4 place = modelViewMatrix * vec4(position, 1.0);
    vPlace = place.xyz;
    gl_Position = projectionMatrix * place;
  }`;
const FRAGMENT = `
  flat in float vMain; flat in float vMask; in float vField; in float vSmoothMask; in vec3 vPlace;
  uniform vec3 palette[12]; uniform sampler2D ramp; uniform float byField; uniform float dimmed;
  uniform float opacity; uniform vec3 plain; uniform float usePlain; uniform vec3 missing;
  out vec4 colour;
  void main() {
    vec3 normal = normalize(cross(dFdx(vPlace), dFdy(vPlace)));
    float light = 0.5 + 0.5 * max(dot(normal, normalize(vec3(0.25, 0.4, 1.0))), 0.0);
    vec3 base = palette[int(vMain + 0.5)];
    if (byField > 0.5) base = vField > 254.5 ? missing : texture(ramp, vec2((vField + 0.5) / 254.0, 0.5)).rgb;
    if (usePlain > 0.5) base = plain;
    if (usePlain < 0.5 && dimmed > 0.5 && max(vMask, vSmoothMask) < 0.01) {
      float grey = dot(base, vec3(0.3, 0.59, 0.11));
      base = mix(vec3(0.80), mix(base, vec3(grey), 0.55), 0.38);
    }
    colour = vec4(base * light, opacity);
  }`;

class Model {
  constructor(arrays) {
    this.a = arrays;
    this.canvas = $("model");
    this.renderer = new THREE.WebGLRenderer({
      canvas: this.canvas, antialias: true, alpha: true, preserveDrawingBuffer: true,
    });
    this.scene = new THREE.Scene();
    this.world = new THREE.Group();
    this.world.scale.setScalar(page.box.half);
    this.world.position.fromArray(page.box.centre);
    this.scene.add(this.world);
    this.camera = new THREE.PerspectiveCamera(30, 1, 0.01, 100);
    this.camera.up.fromArray(page.up);
    this.controls = new OrbitControls(this.camera, this.canvas);
    this.controls.addEventListener("change", () => this.draw());
    this.region = null;
    this.addLow();
    this.addHigh();
    this.addLines();
    this.spot = new THREE.Group();
    this.world.add(this.spot);
    this.listen();
    this.setView(page.camera.eye, page.camera.target);
    this.resize();
  }

  material(more = {}) {
    const palette = page.palette.map((c) => new THREE.Vector3(...c.map((x) => x / 255)));
    while (palette.length < 12) palette.push(palette[0]);
    return new THREE.ShaderMaterial({
      glslVersion: THREE.GLSL3, vertexShader: VERTEX, fragmentShader: FRAGMENT, side: THREE.DoubleSide,
      uniforms: {
        palette: { value: palette }, ramp: { value: this.ramp() }, byField: { value: 0 }, dimmed: { value: 0 },
        opacity: { value: 1 }, plain: { value: new THREE.Vector3(0.84, 0.8, 0.74) }, usePlain: { value: 0 },
        missing: { value: new THREE.Vector3(...page.missing.map((x) => x / 255)) },
      },
      ...more,
    });
  }

  ramp() {
    if (!this.rampTexture) {
      const pixels = new Uint8Array(4 * page.ramp.length);
      page.ramp.forEach((c, k) => pixels.set([...c, 255], 4 * k));
      this.rampTexture = new THREE.DataTexture(pixels, page.ramp.length, 1);
      this.rampTexture.minFilter = this.rampTexture.magFilter = THREE.LinearFilter;
      this.rampTexture.needsUpdate = true;
    }
    return this.rampTexture;
  }

  addLow() {
    const a = this.a;
    const clean = page.palette.length - 1;
    const codes = a.heat_main.map((m) => Math.min(m, clean));
    this.attributes = {
      position: new THREE.BufferAttribute(a.heat_position, 3, true),
      kind: new THREE.BufferAttribute(codes, 1),
      field: new THREE.BufferAttribute(new Uint8Array(codes.length), 1),
      mask: new THREE.BufferAttribute(new Uint8Array(codes.length), 1, true),
    };
    this.lowMaterial = this.material({ polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 });
    this.low = this.parts("heat", this.attributes, this.lowMaterial);
  }

  addHigh() {
    const a = this.a;
    this.high = [];
    if (!a.high_position) return;
    const n = a.high_position.length / 3;
    const zero = new THREE.BufferAttribute(new Uint8Array(n), 1);
    const attributes = {
      position: new THREE.BufferAttribute(a.high_position, 3, true), kind: zero, field: zero, mask: zero,
    };
    const material = this.material();
    material.uniforms.usePlain.value = 1;
    this.high = this.parts("high", attributes, material);
    for (const mesh of this.high) mesh.visible = false;
  }

  /** One mesh for each part, all on the same vertices. */
  parts(name, attributes, material) {
    const first = this.a[`${name}_part_first`];
    const index = this.a[`${name}_triangle`];
    const all = new Uint32Array(index.buffer, index.byteOffset, index.length);
    const meshes = [];
    for (let k = 0; k + 1 < first.length; k++) {
      const geometry = new THREE.BufferGeometry();
      for (const [key, value] of Object.entries(attributes)) geometry.setAttribute(key, value);
      geometry.setIndex(new THREE.BufferAttribute(all.subarray(3 * first[k], 3 * first[k + 1]), 1));
      const mesh = new THREE.Mesh(geometry, material);
      mesh.frustumCulled = false;
      mesh.userData = { part: k, first: first[k] };
      this.world.add(mesh);
      meshes.push(mesh);
    }
    return meshes;
  }

  addLines() {
    const a = this.a;
    const index = new THREE.BufferAttribute(new Uint32Array(a.edge.buffer, a.edge.byteOffset, a.edge.length), 1);
    const lines = (points, colour, opacity) => {
      const geometry = new THREE.BufferGeometry();
      geometry.setAttribute("position", new THREE.BufferAttribute(points, 3, true));
      geometry.setIndex(index);
      const material = new THREE.LineBasicMaterial({ color: colour, transparent: true, opacity });
      const mesh = new THREE.LineSegments(geometry, material);
      mesh.frustumCulled = false;
      mesh.visible = false;
      this.world.add(mesh);
      return mesh;
    };
    this.cage = lines(a.cage_position, 0x0077bb, 0.6);
    this.edges = lines(a.low_position, 0x3a3f47, 0.5);
    this.edgeIndex = index;
  }

  // What is shown

  choose(region, from) {
    this.region = region || null;
    this.attributes.mask.array.set(regionMask(region));
    this.attributes.mask.needsUpdate = true;
    this.lowMaterial.uniforms.dimmed.value = region ? 1 : 0;
    if (region) $("only-parts").checked = region.buried;
    this.showRays();
    this.showLayers();
    if (region && from !== "model") this.fly();
    this.draw();
  }

  showLayers() {
    const on = (id) => Boolean($(id) && $(id).checked);
    const alone = this.region && on("only-parts") ? this.region : null;
    const both = on("layer-low") && on("layer-high");
    this.lowMaterial.transparent = both;
    this.lowMaterial.uniforms.opacity.value = both ? 0.6 : 1;
    for (const mesh of this.low)
      mesh.visible = on("layer-low") && (!alone || alone.low_parts.includes(mesh.userData.part));
    for (const mesh of this.high)
      mesh.visible = on("layer-high") && (!alone || alone.high_parts.includes(mesh.userData.part));
    this.cage.visible = on("layer-cage");
    this.edges.visible = on("layer-edges");
    this.showEdgesOf(alone);
    for (const child of this.spot.children) child.visible = child.userData.always || on("layer-rays");
    this.draw();
  }

  showEdgesOf(alone) {
    const a = this.a;
    const wanted = alone ? alone.low_parts : null;
    if (this.edgesOf === (alone ? alone.part : "")) return;
    this.edgesOf = alone ? alone.part : "";
    let index = this.edgeIndex;
    if (wanted) {
      const kept = [];
      for (let e = 0; e < a.edge.length; e += 2)
        if (wanted.includes(a.vertex_part[a.edge[e]])) kept.push(a.edge[e], a.edge[e + 1]);
      index = new THREE.BufferAttribute(new Uint32Array(kept), 1);
    }
    this.cage.geometry.setIndex(index);
    this.edges.geometry.setIndex(index);
  }

  showRays() {
    for (const child of [...this.spot.children]) {
      this.spot.remove(child);
      child.geometry.dispose();
      child.material.dispose();
    }
    if (!this.region) return;
    const a = this.a;
    const k = this.region.number - 1;
    const slice = (name, first) => a[name].subarray(3 * a[first][k], 3 * a[first][k + 1]);
    const [begin, end] = [slice("ray_begin", "ray_first"), slice("ray_end", "ray_first")];
    const colour = new THREE.Color(rayColour(this.region.colour));
    if (begin.length) {
      const both = new Int16Array(2 * begin.length);
      for (let i = 0; i < begin.length / 3; i++) {
        both.set(begin.subarray(3 * i, 3 * i + 3), 6 * i);
        both.set(end.subarray(3 * i, 3 * i + 3), 6 * i + 3);
      }
      this.addSpot(THREE.LineSegments, both, new THREE.LineBasicMaterial({ color: colour }));
      const dots = new THREE.PointsMaterial({ color: colour, size: 4, sizeAttenuation: false });
      this.addSpot(THREE.Points, end, dots);
    }
    const points = slice("region_point", "region_point_first");
    const [first, last] = [a.rim_first[k], a.rim_first[k + 1]];
    if (last > first) {
      const geometry = new THREE.BufferGeometry();
      geometry.setAttribute("position", this.attributes.position);
      geometry.setIndex(new THREE.BufferAttribute(new Uint32Array(a.rim.subarray(2 * first, 2 * last)), 1));
      const rim = new THREE.LineSegments(geometry, new THREE.LineBasicMaterial({ color: 0x000000 }));
      rim.frustumCulled = false;
      rim.userData.always = true;
      this.spot.add(rim);
    }
    const size = { color: new THREE.Color(this.region.colour), size: 5, sizeAttenuation: false };
    if (points.length) this.addSpot(THREE.Points, points, new THREE.PointsMaterial(size)).userData.always = true;
  }

  addSpot(Kind, points, material) {
    const geometry = new THREE.BufferGeometry();
    geometry.setAttribute("position", new THREE.BufferAttribute(points.slice(), 3, true));
    const object = new Kind(geometry, material);
    object.frustumCulled = false;
    this.spot.add(object);
    return object;
  }

  setField(name) {
    const uniforms = this.lowMaterial.uniforms;
    uniforms.byField.value = name === "main" ? 0 : 1;
    if (name !== "main") {
      this.attributes.field.array.set(this.a[`field_${name}`]);
      this.attributes.field.needsUpdate = true;
    }
    showKey(name);
    this.draw();
  }

  // Where from

  setView(eye, target) {
    this.camera.position.fromArray(eye);
    this.controls.target.fromArray(target);
    this.controls.update();
  }

  /** Along the rays of the region, from where most of it is seen; the whole model without one. */
  goal() {
    if (!this.region) return [page.camera.eye, page.camera.target];
    const r = this.region;
    const narrow = Math.max(1, 1 / Math.max(this.camera.aspect, 0.1));
    const eye = r.centroid.map((x, k) => x + r.direction[k] * r.distance * narrow);
    return [eye, r.centroid];
  }

  fly() {
    const [eye, target] = this.goal().map((v) => new THREE.Vector3(...v));
    cancelAnimationFrame(this.flight);
    if (calm.matches) return this.setView(eye.toArray(), target.toArray());
    const [eye0, target0] = [this.camera.position.clone(), this.controls.target.clone()];
    const begin = performance.now();
    const tick = (now) => {
      const s = Math.min((now - begin) / 520, 1);
      const k = s * s * (3 - 2 * s);
      this.setView(eye0.clone().lerp(eye, k).toArray(), target0.clone().lerp(target, k).toArray());
      if (s < 1) this.flight = requestAnimationFrame(tick);
    };
    this.flight = requestAnimationFrame(tick);
  }

  turn(across, up) {
    const way = this.camera.position.clone().sub(this.controls.target);
    const ball = new THREE.Spherical();
    const upright = new THREE.Quaternion().setFromUnitVectors(this.camera.up, new THREE.Vector3(0, 1, 0));
    ball.setFromVector3(way.applyQuaternion(upright));
    ball.theta += across;
    ball.phi = Math.min(Math.max(ball.phi + up, 0.05), Math.PI - 0.05);
    way.setFromSpherical(ball).applyQuaternion(upright.invert());
    this.setView(way.add(this.controls.target).toArray(), this.controls.target.toArray());
  }

  zoom(factor) {
    const way = this.camera.position.clone().sub(this.controls.target).multiplyScalar(factor);
    this.setView(way.add(this.controls.target).toArray(), this.controls.target.toArray());
  }

  pick(event) {
    const box = this.canvas.getBoundingClientRect();
    const at = new THREE.Vector2(
      (2 * (event.clientX - box.left)) / box.width - 1, 1 - (2 * (event.clientY - box.top)) / box.height,
    );
    const ray = new THREE.Raycaster();
    ray.setFromCamera(at, this.camera);
    const hit = ray.intersectObjects(this.low.filter((mesh) => mesh.visible), false)[0];
    if (!hit) return choose(0, "model");
    // The last vertex is the one the triangle shows.
    const { a, b, c } = hit.face;
    choose(this.a.heat_region[c] || this.a.heat_region[a] || this.a.heat_region[b], "model");
  }

  // Window

  listen() {
    let down = null;
    this.canvas.addEventListener("pointerdown", (e) => (down = [e.clientX, e.clientY]));
    this.canvas.addEventListener("pointerup", (e) => {
      if (down && Math.hypot(e.clientX - down[0], e.clientY - down[1]) < 5 && e.button === 0) this.pick(e);
      down = null;
    });
    this.canvas.addEventListener("keydown", (event) => {
      const turn = { ArrowLeft: [-0.15, 0], ArrowRight: [0.15, 0], ArrowUp: [0, -0.15], ArrowDown: [0, 0.15] }[event.key];
      if (turn) this.turn(...turn);
      else if (event.key === "+" || event.key === "=") this.zoom(0.85);
      else if (event.key === "-") this.zoom(1 / 0.85);
      else if (event.key === "Home") choose(0, ""), this.fly();
      else if (event.key === "Enter") this.fly();
      else return;
      event.preventDefault();
    });
    for (const id of ["layer-low", "layer-high", "layer-cage", "layer-edges", "layer-rays", "only-parts"])
      if ($(id)) $(id).addEventListener("change", () => this.showLayers());
    $("field").addEventListener("change", () => this.setField($("field").value));
    new ResizeObserver(() => this.resize()).observe(this.canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.retint());
    addEventListener("beforeprint", () => this.render());
  }

  retint() {
    this.showRays();
    this.showLayers();
    this.draw();
  }

  resize() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    if (!w || !h) return;
    this.renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
    this.renderer.setSize(w, h, false);
    this.camera.aspect = w / h;
    // Leave room for the legend beside the model on wide screens.
    const room = w > 620 ? 0.11 * w : 0;
    this.camera.setViewOffset(w, h, room * 0.9, 0, w, h);
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    if (this.waiting) return;
    this.waiting = requestAnimationFrame(() => {
      this.waiting = 0;
      this.render();
    });
  }

  render() {
    const distance = this.camera.position.distanceTo(this.controls.target);
    this.camera.near = distance * 0.02;
    this.camera.far = distance + 4 * page.box.half;
    this.camera.updateProjectionMatrix();
    this.renderer.render(this.scene, this.camera);
    this.showPins();
  }

  showPins() {
    const pins = $("pins");
    pins.replaceChildren();
    const shown = this.region ? [this.region] : [];
    const { clientWidth: w, clientHeight: h } = this.canvas;
    for (const r of shown) {
      const at = new THREE.Vector3(...r.centroid).project(this.camera);
      if (Math.abs(at.x) > 1 || Math.abs(at.y) > 1 || at.z > 1) continue;
      const pin = document.createElement("span");
      pin.className = "pin";
      pin.textContent = r.number;
      pin.style.left = `${((at.x + 1) / 2) * w}px`;
      pin.style.top = `${((1 - at.y) / 2) * h}px`;
      pins.append(pin);
    }
  }
}

/** Darker than the region they stand on; black ones would vanish before a dark ground. */
function rayColour(colour) {
  if (colour === "#000000") return isDark() ? "#ffffff" : "#000000";
  const parts = [1, 3, 5].map((k) => Math.round(parseInt(colour.slice(k, k + 2), 16) * 0.5));
  return `rgb(${parts.join(",")})`;
}

function isDark() {
  const theme = document.documentElement.dataset.theme;
  return theme ? theme === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
}

// Legend --------------------------------------------------------------------------------------------

function showKey(name) {
  const key = $("key");
  key.replaceChildren();
  const h = document.createElement("h3");
  key.append(h);
  if (name === "main") {
    h.textContent = "main defect, % of surface";
    for (const row of page.legend) {
      const button = document.createElement("button");
      button.type = "button";
      button.dataset.name = row.name;
      button.title = `list only: ${row.name}`;
      button.setAttribute("aria-pressed", String($("by-defect").value === row.name));
      const chip = document.createElement("i");
      chip.className = "chip";
      chip.style.setProperty("--c", row.colour);
      const label = document.createElement("span");
      label.textContent = row.name;
      const share = document.createElement("span");
      share.textContent = row.percent;
      button.append(chip, label, share);
      if (row.name === "clean") button.disabled = true;
      button.addEventListener("click", () => {
        $("by-defect").value = $("by-defect").value === row.name ? "" : row.name;
        filter();
      });
      key.append(button);
    }
    return;
  }
  const field = page.fields.find((f) => f.name === name);
  h.textContent = `${field.title}, ${field.unit}`;
  const strip = document.createElement("canvas");
  strip.width = page.ramp.length;
  strip.height = 1;
  const pen = strip.getContext("2d");
  page.ramp.forEach((c, k) => {
    pen.fillStyle = `rgb(${c.join(",")})`;
    pen.fillRect(k, 0, 1, 1);
  });
  const ends = document.createElement("div");
  ends.className = "ends";
  for (const text of [`≤ ${field.low_text}`, `≥ ${field.high_text}`]) {
    const span = document.createElement("span");
    span.textContent = text;
    ends.append(span);
  }
  const none = document.createElement("div");
  const chip = document.createElement("i");
  chip.className = "chip";
  chip.style.setProperty("--c", `rgb(${page.missing.join(",")})`);
  none.append(chip, "no value");
  key.append(strip, ends, none);
}

// Page ----------------------------------------------------------------------------------------------

function setUpTheme() {
  const order = ["", "light", "dark"];
  const words = { "": "as the system has it", light: "light", dark: "dark" };
  $("theme").addEventListener("click", () => {
    const root = document.documentElement;
    const next = order[(order.indexOf(root.dataset.theme || "") + 1) % 3];
    if (next) root.dataset.theme = next;
    else delete root.dataset.theme;
    $("theme").textContent = next || "light or dark";
    $("theme").setAttribute("aria-label", `Colours of the page: ${words[next]}`);
    if (state.model) state.model.retint();
  });
}

function setUpKeys() {
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.tagName === "SELECT") return;
    if (event.key === ".") step(1);
    else if (event.key === ",") step(-1);
    else if (event.key === "Escape") choose(0, "step");
  });
  $("next").addEventListener("click", () => step(1));
  $("previous").addEventListener("click", () => step(-1));
  $("whole").addEventListener("click", () => {
    choose(0, "");
    if (state.model) state.model.fly();
  });
}

async function start() {
  setUpTheme();
  setUpList();
  setUpKeys();
  showKey("main");
  tiles = [...document.querySelectorAll("#tiles figure")].map((figure) => new Tile(figure));
  state.arrays = await load();
  try {
    state.model = new Model(state.arrays);
  } catch (error) {
    $("no-3d").hidden = false;
    console.warn("no 3D:", error.message);
  }
  const asked = /^#region-(\d+)$/.exec(location.hash);
  if (asked) choose(Number(asked[1]), "");
  document.documentElement.dataset.ready = "yes";
}

start();

// The model in 3D: layers, rays, flying, picking.

const VERTEX = `
  in float kind; in float field; in float mask;
  uniform float byField;
  flat out float vMain; flat out float vMask; out float vField; out float vSmoothMask; out vec3 vPlace;
  #include <clipping_planes_pars_vertex>
  void main() {
    vMain = kind; vMask = mask; vSmoothMask = mask; vField = field;
    vec4 mvPosition = modelViewMatrix * vec4(position, 1.0);
    #include <clipping_planes_vertex>
    vPlace = mvPosition.xyz;
    gl_Position = projectionMatrix * mvPosition;
  }`;
const FRAGMENT = `
  flat in float vMain; flat in float vMask; in float vField; in float vSmoothMask; in vec3 vPlace;
  uniform vec3 palette[12]; uniform sampler2D ramp; uniform float byField; uniform float dimmed;
  uniform float opacity; uniform vec3 plain; uniform float usePlain; uniform vec3 missing;
  out vec4 colour;
  #include <clipping_planes_pars_fragment>
  void main() {
    #include <clipping_planes_fragment>
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

/** What a model shows and where: this page's, unless a page has several. */
function ownView() {
  // Only what has a row has a number on the model.
  const listed = () => state.rows;
  return { page, canvas: $("model"), pins: $("pins"), maps: "lit", choose, listed };
}

class Model {
  constructor(arrays, view = ownView()) {
    this.a = arrays;
    this.view = view;
    this.page = view.page;
    this.canvas = view.canvas;
    this.renderer = new THREE.WebGLRenderer({
      canvas: this.canvas, antialias: true, alpha: true, preserveDrawingBuffer: true,
    });
    this.scene = new THREE.Scene();
    this.world = new THREE.Group();
    this.world.scale.setScalar(this.page.box.half);
    this.world.position.fromArray(this.page.box.centre);
    this.scene.add(this.world);
    this.camera = new THREE.PerspectiveCamera(30, 1, 0.01, 100);
    this.camera.up.fromArray(this.page.up);
    this.controls = new OrbitControls(this.camera, this.canvas);
    this.controls.addEventListener("change", () => {
      this.draw();
      if (view.moved) view.moved(this);
    });
    this.region = null;
    this.size = { w: 1, h: 1 };
    this.addLow();
    this.addHigh();
    this.addLines();
    this.spot = new THREE.Group();
    this.cuts = new THREE.Group();
    this.world.add(this.spot, this.cuts);
    this.pins = new Pins(this);
    this.listen();
    this.resize();
    this.setView(...this.goal());
  }

  material(more = {}) {
    const palette = this.page.palette.map((c) => new THREE.Vector3(...c.map((x) => x / 255)));
    while (palette.length < 12) palette.push(palette[0]);
    return new THREE.ShaderMaterial({
      glslVersion: THREE.GLSL3, vertexShader: VERTEX, fragmentShader: FRAGMENT, side: THREE.DoubleSide,
      clipping: true,
      uniforms: {
        palette: { value: palette }, ramp: { value: this.ramp() }, byField: { value: 0 }, dimmed: { value: 0 },
        opacity: { value: 1 }, plain: { value: new THREE.Vector3(0.84, 0.8, 0.74) }, usePlain: { value: 0 },
        missing: { value: new THREE.Vector3(...this.page.missing.map((x) => x / 255)) },
      },
      ...more,
    });
  }

  ramp() {
    if (!this.rampTexture) {
      const pixels = new Uint8Array(4 * this.page.ramp.length);
      this.page.ramp.forEach((c, k) => pixels.set([...c, 255], 4 * k));
      this.rampTexture = new THREE.DataTexture(pixels, this.page.ramp.length, 1);
      this.rampTexture.minFilter = this.rampTexture.magFilter = THREE.LinearFilter;
      this.rampTexture.needsUpdate = true;
    }
    return this.rampTexture;
  }

  addLow() {
    const a = this.a;
    const clean = this.page.palette.length - 1;
    const codes = a.heat_main.map((m) => Math.min(m, clean));
    this.attributes = {
      position: new THREE.BufferAttribute(a.heat_position, 3, true),
      kind: new THREE.BufferAttribute(codes, 1),
      field: new THREE.BufferAttribute(new Uint8Array(codes.length), 1),
      mask: new THREE.BufferAttribute(new Uint8Array(codes.length), 1, true),
    };
    this.lowMaterial = this.material({ polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 });
    this.low = this.parts("heat", this.attributes, this.lowMaterial);
    this.heatIndex = a.heat_triangle.slice();
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
    this.highMaterial = material;
    // What a region records and should not: seen through, so that the region is seen below it.
    this.guiltyMaterial = this.material({ transparent: true, depthWrite: false });
    this.guiltyMaterial.uniforms.usePlain.value = 1;
    this.guiltyMaterial.uniforms.opacity.value = 0.6;
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
    this.cage = lines(a.cage_position, new THREE.Color(`rgb(${(this.page.cage_colour ?? [238, 136, 102]).join(",")})`), 0.8);
    this.cagePlaces = a.cage_position;
    this.edges = lines(a.low_position, 0x3a3f47, 0.5);
    this.edgeIndex = index;
  }

  // What is shown

  choose(region, from) {
    this.region = region || null;
    $("only-parts").checked = Boolean(region && region.buried);
    this.markRegion(region);
    this.showLayers();
    if (region && from !== "model") this.fly();
    this.draw();
  }

  markRegion(region) {
    this.attributes.mask.array.set(regionMask(region, this.a));
    this.attributes.mask.needsUpdate = true;
    this.lowMaterial.uniforms.dimmed.value = numbersOf(region).length ? 1 : 0;
    this.showRays();
  }

  showLayers(redraw = true) {
    const on = (id) => Boolean($(id) && $(id).checked);
    const alone = this.alone();
    const lit = this.lit && this.lit.on;
    const both = on("layer-low") && on("layer-high");
    this.lowMaterial.transparent = both;
    this.lowMaterial.uniforms.opacity.value = both ? 0.6 : 1;
    for (const mesh of this.low)
      mesh.visible = !lit && on("layer-low") && (!alone || alone.low_parts.includes(mesh.userData.part));
    const { region } = this;
    const guilt = (region && region.guilty) || [];
    if (guilt.length && this.high.length)
      this.guiltyMaterial.uniforms.plain.value.copy(vectorOf(region.colour));
    for (const mesh of this.high) {
      const guilty = guilt.includes(mesh.userData.part);
      mesh.material = guilty ? this.guiltyMaterial : this.highMaterial;
      mesh.visible =
        guilty || (!lit && on("layer-high") && (!alone || alone.high_parts.includes(mesh.userData.part)));
    }
    this.cage.visible = on("layer-cage");
    this.edges.visible = on("layer-edges");
    this.showEdgesOf(alone);
    // Rays and dots would hide the very shading that is to be compared.
    // Rays are those of the cage as it is.
    const rays = on("layer-rays") && (!this.page.slide || state.stop === this.page.slide.own);
    for (const child of this.spot.children)
      child.visible = lit ? Boolean(child.userData.outline) : child.userData.always || rays;
    if (this.lit && !lit) this.lit.hide();
    if (redraw) this.draw();
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
    for (const number of numbersOf(this.region)) this.showRaysOf(number - 1);
  }

  showRaysOf(k) {
    const a = this.a;
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
      // Places of its own: disposing of a geometry lets go of its attributes, shared ones too.
      const rim = new Int16Array(6 * (last - first));
      for (let i = 2 * first; i < 2 * last; i++)
        rim.set(a.heat_position.subarray(3 * a.rim[i], 3 * a.rim[i] + 3), 3 * (i - 2 * first));
      const black = new THREE.LineBasicMaterial({ color: 0x000000 });
      this.addSpot(THREE.LineSegments, rim, black).userData = { always: true, outline: true };
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

  // Colours

  /** Colour by the filters and by the cage's distance. */
  recolour() {
    const codes = this.attributes.kind.array;
    codes.set(this.codesNow());
    this.attributes.kind.needsUpdate = true;
    this.turnWorstLast(codes);
    if ($("field").value === "main" && !(this.lit && this.lit.on)) showKey("main");
    this.draw();
  }

  codesNow() {
    const a = this.a;
    const clean = page.palette.length - 1;
    const moved = page.slide && state.stop !== page.slide.own;
    const base = moved ? codesAt(a, state.stop) : a.heat_main;
    const out = base.map((code) => Math.min(code, clean));
    const { wanted } = state;
    if (!wanted) return out;
    const codes = new Uint8Array(out.length).fill(clean);
    // The worst last: it wins where regions overlap.
    const listed = page.regions.filter((r) => state.listed.has(r.number)).reverse();
    const known = page.regions.find((r) => r.name === wanted.name);
    for (const r of listed)
      for (let i = a.region_vertex_first[r.number - 1]; i < a.region_vertex_first[r.number]; i++)
        codes[a.region_vertex[i]] = moved ? out[a.region_vertex[i]] : r.code;
    if (!moved) return codes;
    // At another distance places are not the regions' any more: the defect alone tells.
    if (wanted.name && !wanted.part && !wanted.tile && !wanted.words.length)
      for (let v = 0; v < out.length; v++) codes[v] = known && out[v] === known.code ? out[v] : clean;
    else if (wanted.name) for (let v = 0; v < out.length; v++) if (known && codes[v] !== known.code) codes[v] = clean;
    return codes;
  }

  /** A triangle shows its last vertex: let that be the worst one. */
  turnWorstLast(codes) {
    const index = this.a.heat_triangle, from = this.heatIndex, { ranks } = page;
    for (let t = 0; t < from.length; t += 3) {
      const [a, b, c] = [from[t], from[t + 1], from[t + 2]];
      const [ra, rb, rc] = [ranks[codes[a]], ranks[codes[b]], ranks[codes[c]]];
      if (ra < rc && ra <= rb) (index[t] = b), (index[t + 1] = c), (index[t + 2] = a);
      else if (rb < rc) (index[t] = c), (index[t + 1] = a), (index[t + 2] = b);
      else (index[t] = a), (index[t + 1] = b), (index[t + 2] = c);
    }
    for (const mesh of this.low) mesh.geometry.index.needsUpdate = true;
  }

  /** The cage at a factor of its distance. */
  scaleCage(factor) {
    const { low_position: low, cage_position: cage } = this.a;
    const places = Float32Array.from(low, (x, k) => (x + factor * (cage[k] - x)) / 32767);
    this.cage.geometry.setAttribute("position", new THREE.BufferAttribute(places, 3));
    this.cagePlaces = places;
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
    const narrow = Math.max(1, 1 / Math.max(this.camera.aspect, 0.1));
    if (!this.region) {
      const { eye, target } = this.page.camera;
      return [eye.map((x, k) => target[k] + (x - target[k]) * narrow), target];
    }
    const r = this.region;
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
    const pinned = this.pins.at(event.clientX, event.clientY);
    if (pinned) return this.view.choose(pinned, "model");
    const at = new THREE.Vector2(
      (2 * (event.clientX - box.left)) / box.width - 1, 1 - (2 * (event.clientY - box.top)) / box.height,
    );
    const ray = new THREE.Raycaster();
    ray.setFromCamera(at, this.camera);
    const hits = ray.intersectObjects(this.low.filter((mesh) => this.shows(mesh)), false);
    const hit = hits.find(({ point }) => !this.plane || this.plane.distanceToPoint(point) >= 0);
    if (!hit) return this.view.choose(0, "model");
    // The last vertex is the one the triangle shows.
    const { a, b, c } = hit.face;
    this.view.choose(this.a.heat_region[c] || this.a.heat_region[a] || this.a.heat_region[b], "model");
  }

  /** Whether a part of the heat map can be seen; the lit model is picked by it, too. */
  shows(mesh) {
    if (!this.lit || !this.lit.on) return mesh.visible;
    const alone = this.alone();
    return !alone || alone.low_parts.includes(mesh.userData.part);
  }

  /** The region whose parts alone are shown, null for all parts. */
  alone() {
    return this.region && $("only-parts").checked ? this.region : null;
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
      else if (event.key === "Home") this.view.choose(0, ""), this.fly();
      else if (event.key === "Enter") this.fly();
      else return;
      event.preventDefault();
    });
    for (const id of ["layer-low", "layer-high", "layer-cage", "layer-edges", "layer-rays", "only-parts"])
      if ($(id)) $(id).addEventListener("change", () => this.showLayers());
    if ($("field")) $("field").addEventListener("change", () => this.setField($("field").value));
    new ResizeObserver(() => this.resize()).observe(this.canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.retint());
    addEventListener("beforeprint", () => this.forPaper());
    addEventListener("afterprint", () => {
      this.onPaper = false;
      this.resize();
    });
  }

  retint() {
    this.showRays();
    this.showLayers();
    this.draw();
  }

  resize() {
    const { clientWidth: w, clientHeight: h } = this.canvas;
    // A canvas that changes its size is empty, and nothing would draw it again for the paper.
    if (!w || !h || this.onPaper) return;
    this.setSize(w, h, Math.min(devicePixelRatio, 2));
    this.draw();
  }

  setSize(w, h, ratio) {
    this.size = { w, h, ratio };
    this.renderer.setPixelRatio(ratio);
    this.renderer.setSize(w, h, false);
    this.camera.aspect = w / h;
    this.camera.updateProjectionMatrix();
  }

  /** Draw with a share of the screen's pixels; tell whether that is a change. */
  setRatio(share) {
    const ratio = this.size.ratio * share;
    if (Math.abs(this.renderer.getPixelRatio() - ratio) < 0.02) return false;
    this.renderer.setPixelRatio(ratio);
    return true;
  }

  /** Keep the picture as it is on the screen, made small enough for the paper. */
  forPaper() {
    this.onPaper = true;
    const { w, h } = this.size;
    const style = document.querySelector(".stage").style;
    style.setProperty("--w", `${w}px`);
    style.setProperty("--h", `${h}px`);
    style.setProperty("--zoom", String(Math.min(1, 660 / w, 480 / h)));
    this.render();
  }

  draw() {
    if (this.waiting) return;
    this.asked = performance.now();
    this.waiting = requestAnimationFrame(() => {
      this.waiting = 0;
      this.render();
    });
  }

  render() {
    const distance = this.camera.position.distanceTo(this.controls.target);
    this.camera.near = distance * 0.02;
    this.camera.far = distance + 4 * this.page.box.half;
    this.camera.updateProjectionMatrix();
    if (this.lit && this.lit.on) this.lit.render(this.renderer, this.scene, this.camera, this.alone());
    else this.renderer.render(this.scene, this.camera);
    this.pins.follow();
  }

}

/** What is wrong at every heat-map vertex at a stop of the slider (see pack_slide). */
function codesAt(a, stop) {
  const out = new Uint8Array(a.heat_main.length);
  let first = 0;
  for (let v = 0; v < out.length; v++) {
    const last = first + a.slide_count[v];
    let k = last - 1;
    while (k > first && a.slide_stop[k] > stop) k--;
    out[v] = a.slide_code[k];
    first = last;
  }
  return out;
}

function vectorOf(colour) {
  return new THREE.Vector3(...[1, 3, 5].map((k) => parseInt(colour.slice(k, k + 2), 16) / 255));
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

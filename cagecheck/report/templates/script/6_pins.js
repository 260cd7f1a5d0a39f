// The numbers on the model: where regions lie, as far as nothing stands before them.

const DEPTH_VERTEX = `
  out float vDistance;
  #include <clipping_planes_pars_vertex>
  void main() {
    vec4 mvPosition = modelViewMatrix * vec4(position, 1.0);
    #include <clipping_planes_vertex>
    vDistance = length(mvPosition.xyz);
    gl_Position = projectionMatrix * mvPosition;
  }`;
const DEPTH_FRAGMENT = `
  in float vDistance; uniform float far; out vec4 colour;
  #include <clipping_planes_pars_fragment>
  void main() {
    #include <clipping_planes_fragment>
    float d = clamp(vDistance / far, 0.0, 1.0) * 255.0;
    colour = vec4(floor(d) / 255.0, floor(fract(d) * 256.0) / 255.0, floor(fract(fract(d) * 256.0) * 256.0) / 255.0, 1.0);
  }`;
// How far surface may lie before a place that still counts as seen, as a share of the model: what
// the coarse mesh and the small picture of distances get wrong.
const SLACK = 0.006;
// Places of a region that are tried when its middle is hidden.
const OTHER_PLACES = 8;
// The picture of distances is this wide at most.
const DEPTH_WIDTH = 480;
// What stands before what is looked at again this long after the last movement, and this often in it.
const STILL_MS = 60, MOVING_MS = 250;

class Pins {
  constructor(model) {
    this.model = model;
    this.box = model.view.pins;
    this.elements = new Map();
    this.places = new Map();
    this.seen = new Map();
    this.checked = 0;
    this.material = new THREE.ShaderMaterial({
      glslVersion: THREE.GLSL3, vertexShader: DEPTH_VERTEX, fragmentShader: DEPTH_FRAGMENT,
      side: THREE.DoubleSide, clipping: true, uniforms: { far: { value: 1 } },
    });
    this.target = new THREE.WebGLRenderTarget(1, 1);
    for (const r of this.model.page.regions) this.places.set(r.number, this.placesOf(r));
  }

  /** Where a region's number may stand: its middle, or else (rings!) some other place on it. */
  placesOf(r) {
    const a = this.model.a;
    const [first, last] = [a.region_vertex_first[r.number - 1], a.region_vertex_first[r.number]];
    const out = [new THREE.Vector3(...r.centroid)];
    for (let k = 0; k < Math.min(OTHER_PLACES, last - first); k++) {
      const v = 3 * a.region_vertex[first + Math.floor(((k + 0.5) * (last - first)) / OTHER_PLACES)];
      if (!(v >= 0)) continue;
      const place = new THREE.Vector3(a.heat_position[v], a.heat_position[v + 1], a.heat_position[v + 2]);
      out.push(place.multiplyScalar(this.model.page.box.half / 32767).add(new THREE.Vector3(...this.model.page.box.centre)));
    }
    return out;
  }

  /** Move the numbers with the picture; look soon what is hidden now. */
  follow() {
    this.place();
    if (!this.candidates().length) {
      this.box.dataset.state = "looked";
      return;
    }
    const now = performance.now();
    clearTimeout(this.timer);
    this.stale = true;
    this.box.dataset.state = "moved";
    if (now - this.checked > MOVING_MS) this.look();
    else this.timer = setTimeout(() => this.look(), STILL_MS);
  }

  /** Look what is hidden; the picture of distances comes back when it is drawn, without a stall. */
  async look() {
    this.checked = performance.now();
    this.stale = false;
    const asked = (this.asked = (this.asked || 0) + 1);
    const seen = await this.inSight();
    // A newer question is on its way: this answer is for another view.
    if (asked !== this.asked) return;
    this.seen = seen;
    this.place();
    if (!this.stale) this.box.dataset.state = "looked";
  }

  candidates() {
    const { region } = this.model;
    const listed = this.model.view.listed();
    const alone = this.model.alone() ? region.part : null;
    const shown = this.model.page.regions.filter(
      (r) => (!listed || listed.has(r.number)) && (!alone || r.part === alone),
    );
    // On the lit model numbers would hide what is to be seen.
    if (this.model.lit && this.model.lit.on) return region ? [region] : [];
    return region ? [region, ...shown.filter((r) => r !== region)] : shown;
  }

  /** The numbers of the regions that no surface hides, told by a picture of distances. */
  async inSight() {
    const { camera, renderer, scene } = this.model;
    const { w, h } = this.model.size;
    const wide = Math.min(DEPTH_WIDTH, w), high = Math.max(Math.round((wide * h) / w), 1);
    const far = camera.position.distanceTo(new THREE.Vector3(...this.model.page.box.centre)) + 4 * this.model.page.box.half;
    const eye = camera.position.clone();
    const tried = this.model.page.regions.map((r) =>
      this.places.get(r.number).map((place) => [place, place.clone().project(camera)]),
    );
    const pixels = await this.drawDistances(renderer, scene, camera, wide, high, far);
    const slack = SLACK * this.model.page.box.half * 2;
    const open = ([place, at]) => {
      if (Math.abs(at.x) > 1 || Math.abs(at.y) > 1 || at.z > 1) return false;
      if (this.model.plane && this.model.plane.distanceToPoint(place) < 0) return false;
      const x = Math.floor(((at.x + 1) / 2) * wide), y = Math.floor(((at.y + 1) / 2) * high);
      return place.distanceTo(eye) <= this.farthest(pixels, x, y, wide, high, far) + slack;
    };
    const seen = new Map();
    for (const [k, r] of this.model.page.regions.entries()) {
      const found = tried[k].find(open);
      if (found) seen.set(r.number, found[0]);
    }
    return seen;
  }

  /** How far the eye sees at a pixel and beside it. */
  farthest(pixels, x, y, wide, high, far) {
    let most = 0;
    for (let j = -1; j <= 1; j++)
      for (let i = -1; i <= 1; i++) {
        const u = Math.min(Math.max(x + i, 0), wide - 1), v = Math.min(Math.max(y + j, 0), high - 1);
        const k = 4 * (v * wide + u);
        const found = (pixels[k] + pixels[k + 1] / 256 + pixels[k + 2] / 65536) / 255;
        most = Math.max(most, pixels[k + 3] ? found * far : Infinity);
      }
    return most;
  }

  drawDistances(renderer, scene, camera, wide, high, far) {
    const { spot, cage, edges, cuts } = this.model;
    const { lit } = this.model;
    if (lit && lit.on) lit.showSide(lit.names.left, this.model.alone());
    // What is seen through hides nothing.
    const guilty = this.model.high.filter((mesh) => mesh.material === this.model.guiltyMaterial);
    const hidden = [spot, cage, edges, cuts, ...guilty].map((object) => [object, object.visible]);
    for (const [object] of hidden) object.visible = false;
    this.material.uniforms.far.value = far;
    this.target.setSize(wide, high);
    const clear = renderer.getClearAlpha();
    renderer.setClearAlpha(0);
    scene.overrideMaterial = this.material;
    renderer.setRenderTarget(this.target);
    renderer.clear();
    renderer.render(scene, camera);
    const pixels = new Uint8Array(4 * wide * high);
    const read = renderer.readRenderTargetPixelsAsync(this.target, 0, 0, wide, high, pixels);
    renderer.setRenderTarget(null);
    renderer.setClearAlpha(clear);
    scene.overrideMaterial = null;
    for (const [object, visible] of hidden) object.visible = visible;
    return read;
  }

  /** Put the numbers where they belong; a worse region's number wins where two would collide. */
  place() {
    const { camera, region } = this.model;
    const { w, h } = this.model.size;
    const taken = [];
    const used = new Set();
    for (const r of this.candidates()) {
      if (taken.length >= this.model.page.marks_on_model) break;
      const mine = r === region;
      if (!mine && !this.seen.has(r.number)) continue;
      const at = (this.seen.get(r.number) || this.places.get(r.number)[0]).clone().project(camera);
      if (Math.abs(at.x) > 1 || Math.abs(at.y) > 1 || at.z > 1) continue;
      const x = ((at.x + 1) / 2) * w, y = ((1 - at.y) / 2) * h;
      const width = 12 + 8 * String(r.label ?? r.number).length;
      if (!mine && taken.some(([u, v, wide]) => Math.abs(u - x) < (wide + width) / 2 + 4 && Math.abs(v - y) < 28)) continue;
      taken.push([x, y, width]);
      used.add(r.number);
      this.show(r, mine, x, y);
    }
    for (const [number, pin] of this.elements) pin.hidden = !used.has(number);
  }

  show(r, mine, x, y) {
    let pin = this.elements.get(r.number);
    if (!pin) {
      pin = document.createElement("span");
      pin.textContent = r.label ?? r.number;
      pin.dataset.number = r.number;
      pin.style.setProperty("--c", r.colour);
      this.elements.set(r.number, pin);
      this.box.append(pin);
    }
    pin.className = `pin ${mine ? "chosen" : this.model.region ? "faint" : ""}`;
    pin.style.left = `${x}px`;
    pin.style.top = `${y}px`;
    pin.hidden = false;
  }

  /** The region whose number lies under a point of the window, 0 for none. */
  at(x, y) {
    for (const [number, pin] of this.elements) {
      if (pin.hidden) continue;
      const box = pin.getBoundingClientRect();
      if (x >= box.left && x <= box.right && y >= box.top && y <= box.bottom) return number;
    }
    return 0;
  }
}

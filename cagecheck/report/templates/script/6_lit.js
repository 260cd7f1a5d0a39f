// The model lit: two ways to show it, a line between them, a light. The formula is that of
// rendering/shading.py, the frames are those of maps/encode.py.

const LIT_COMMON = `
  uniform vec3 albedo; uniform vec4 strength; uniform float shininess; uniform vec3 light; uniform vec3 up;
  out vec4 colour;
  // strength: key, sky, ground, gloss
  vec3 radiance(vec3 n, vec3 eye) {
    float facing = dot(n, light), above = dot(n, up);
    float diffuse = strength.y * (1.0 + above) / 2.0 + strength.z * (1.0 - above) / 2.0 + strength.x * max(facing, 0.0);
    float shine = facing > 0.0 ? strength.w * pow(max(dot(n, normalize(light + eye)), 0.0), shininess) : 0.0;
    return albedo * diffuse + shine;
  }
  // IEC 61966-2-1
  vec3 srgb(vec3 x) {
    x = clamp(x, 0.0, 1.0);
    return mix(1.055 * pow(x, vec3(1.0 / 2.4)) - 0.055, 12.92 * x, lessThanEqual(x, vec3(0.0031308)));
  }`;
const LOW_VERTEX = `
  in vec4 along;
  out vec3 vNormal; out vec4 vAlong; out vec2 vPlace; out vec3 vEye;
  #include <clipping_planes_pars_vertex>
  void main() {
    vNormal = normal; vAlong = along; vPlace = uv;
    vec4 place = modelMatrix * vec4(position, 1.0);
    vEye = cameraPosition - place.xyz;
    vec4 mvPosition = viewMatrix * place;
    #include <clipping_planes_vertex>
    gl_Position = projectionMatrix * mvPosition;
  }`;
const LOW_FRAGMENT = `
  in vec3 vNormal; in vec4 vAlong; in vec2 vPlace; in vec3 vEye;
  uniform sampler2D map; uniform float hasMap;
  ${LIT_COMMON}
  #include <clipping_planes_pars_fragment>
  void main() {
    #include <clipping_planes_fragment>
    // Tangent and normal as they are interpolated, not made unit length again.
    vec3 across = (vAlong.w < 0.0 ? -1.0 : 1.0) * cross(vNormal, vAlong.xyz);
    vec3 m = texture(map, vPlace).xyz * 2.0 - 1.0;
    vec3 n = hasMap > 0.5 ? m.x * vAlong.xyz + m.y * across + m.z * vNormal : vNormal;
    n = normalize(n) * (gl_FrontFacing ? 1.0 : -1.0);
    colour = vec4(srgb(radiance(n, normalize(vEye))), 1.0);
  }`;
const HIGH_VERTEX = `
  in vec4 outward;
  out vec3 vNormal; out vec3 vEye;
  #include <clipping_planes_pars_vertex>
  void main() {
    vNormal = outward.xyz;
    vec4 place = modelMatrix * vec4(position, 1.0);
    vEye = cameraPosition - place.xyz;
    vec4 mvPosition = viewMatrix * place;
    #include <clipping_planes_vertex>
    gl_Position = projectionMatrix * mvPosition;
  }`;
const HIGH_FRAGMENT = `
  in vec3 vNormal; in vec3 vEye;
  ${LIT_COMMON}
  #include <clipping_planes_pars_fragment>
  void main() {
    #include <clipping_planes_fragment>
    vec3 n = normalize(vNormal) * (gl_FrontFacing ? 1.0 : -1.0);
    colour = vec4(srgb(radiance(n, normalize(vEye))), 1.0);
  }`;
// Texels seen aslant stay sharp; more costs integrated graphics too much.
const ANISOTROPY = 4;
// Where frames keep one waiting longer than the first, in ms, the picture becomes coarser while it
// moves; below the second, finer again. A thirtieth of a second is 33 ms.
const SLOW_MS = 34, FAST_MS = 20;
// Browsers take several frames in at once and then keep one waiting for all of them: it is the mean
// over so many frames that counts.
const PACE_FRAMES = 6;
const FINER = 1.3, COARSEST = 0.3;
// With fewer pixels than this a thinner high poly does, too.
const BRIEF_BELOW = 0.6;
// So long after the last movement the picture is sharp.
const SHARP_MS = 200;

class Lit {
  constructor(model) {
    this.model = model;
    this.facts = this.model.page.lit;
    this.wipe = 0.5;
    this.way = [this.facts.turned, this.facts.raised];
    this.names = { left: this.facts.left, right: this.facts.right };
    const { look } = this.facts;
    this.shared = {
      albedo: { value: new THREE.Vector3(...look.albedo) },
      strength: { value: new THREE.Vector4(look.key, look.sky, look.ground, look.gloss) },
      shininess: { value: look.shininess },
      light: { value: new THREE.Vector3(0, 0, 1) },
      up: { value: new THREE.Vector3(...this.model.page.up) },
    };
    this.ratio = 1;
    this.waits = [];
    this.groups = new Map();
    this.attributes = this.lowAttributes();
    for (const side of this.facts.sides) this.groups.set(side.key, this.group(side.key));
    if (this.groups.has("high") && model.a.brief_position) this.groups.set("brief", this.group("brief"));
    this.listen();
    this.tell();
  }

  lowAttributes() {
    const a = this.model.a;
    return {
      position: new THREE.BufferAttribute(a.lit_position, 3, true),
      uv: new THREE.BufferAttribute(a.lit_uv, 2, true),
      normal: new THREE.BufferAttribute(a.lit_normal, 3, true),
      along: new THREE.BufferAttribute(a.lit_tangent, 4, true),
    };
  }

  /** The meshes of one side, each with the part it is of. */
  group(key) {
    const group = new THREE.Group();
    if (key === "high" || key === "brief") {
      const a = this.model.a;
      const attributes = {
        position: new THREE.BufferAttribute(a[`${key}_position`], 3, true),
        outward: new THREE.BufferAttribute(a[`${key}_normal`], 4, true),
      };
      const material = this.material(HIGH_VERTEX, HIGH_FRAGMENT, {});
      for (const mesh of this.model.parts(key, attributes, material)) group.add(mesh);
    } else {
      const index = this.model.a.lit_triangle;
      const all = new Uint32Array(index.buffer, index.byteOffset, index.length);
      const materials = new Map();
      for (const run of this.facts.runs) {
        if (!materials.has(run.tile)) materials.set(run.tile, this.mapped(key, run.tile));
        const geometry = new THREE.BufferGeometry();
        for (const [name, value] of Object.entries(this.attributes)) geometry.setAttribute(name, value);
        geometry.setIndex(new THREE.BufferAttribute(all.subarray(3 * run.first, 3 * (run.first + run.count)), 1));
        const mesh = new THREE.Mesh(geometry, materials.get(run.tile));
        mesh.frustumCulled = false;
        mesh.userData = { part: run.part };
        group.add(mesh);
      }
    }
    group.visible = false;
    this.model.world.add(group);
    return group;
  }

  material(vertexShader, fragmentShader, uniforms) {
    return new THREE.ShaderMaterial({
      glslVersion: THREE.GLSL3, vertexShader, fragmentShader, side: THREE.DoubleSide,
      clipping: true,
      uniforms: { ...this.shared, ...uniforms }, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1,
    });
  }

  /** A material with a side's map of a tile; flat until the picture has been unpacked. */
  mapped(key, tile) {
    const source = $(`${this.model.view.maps}-${key}-${tile}`);
    const uniforms = { map: { value: null }, hasMap: { value: 0 } };
    const material = this.material(LOW_VERTEX, LOW_FRAGMENT, uniforms);
    if (source) {
      const picture = new Image();
      picture.src = `data:image/webp;base64,${source.textContent.trim()}`;
      const read = picture.decode().then(() => {
        const texture = new THREE.Texture(picture);
        texture.colorSpace = THREE.NoColorSpace;
        texture.minFilter = THREE.LinearMipmapLinearFilter;
        texture.anisotropy = Math.min(ANISOTROPY, this.model.renderer.capabilities.getMaxAnisotropy());
        texture.needsUpdate = true;
        material.uniforms.map.value = texture;
        material.uniforms.hasMap.value = 1;
      });
      (this.reading ||= []).push(read);
    }
    return material;
  }

  ready() {
    return Promise.allSettled(this.reading || []);
  }

  // What is asked for

  listen() {
    for (const input of document.querySelectorAll("input[name='show']"))
      input.addEventListener("change", () => this.turnOn(input.value === "lit"));
    for (const side of ["left", "right"])
      $(`${side}-side`).addEventListener("change", () => {
        this.names[side] = $(`${side}-side`).value;
        this.tell();
      });
    $("swap").addEventListener("click", () => {
      this.names = { left: this.names.right, right: this.names.left };
      this.tell();
    });
    $("wipe").addEventListener("input", () => this.setWipe(Number($("wipe").value) / 100));
    for (const id of ["turned", "raised"])
      $(id).addEventListener("input", () => this.setLight(Number($("turned").value), Number($("raised").value)));
    this.drag($("line"), (x) => this.setWipe(x), this.model.canvas);
    this.drag($("sun"), (x, y) => this.setLight(...this.onDisc(2 * x - 1, 1 - 2 * y)), $("sun"));
  }

  /** Follow the pointer from a handle, in shares of an element's width and height. */
  drag(handle, moved, within) {
    const follow = (event) => {
      const box = within.getBoundingClientRect();
      moved((event.clientX - box.left) / box.width, (event.clientY - box.top) / box.height);
    };
    handle.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      event.preventDefault();
      handle.setPointerCapture(event.pointerId);
      handle.classList.add("held");
      follow(event);
    });
    handle.addEventListener("pointermove", (event) => handle.classList.contains("held") && follow(event));
    for (const end of ["pointerup", "pointercancel", "lostpointercapture"])
      handle.addEventListener(end, () => handle.classList.remove("held"));
  }

  /** The light whose place on the disc is (x, y): the disc is a ball seen from the eye. */
  onDisc(x, y) {
    const length = Math.hypot(x, y);
    if (length > 1) [x, y] = [x / length, y / length];
    const toward = Math.sqrt(Math.max(1 - x * x - y * y, 0));
    return [Math.atan2(x, toward), Math.asin(y)].map((v) => Math.round((v * 180) / Math.PI));
  }

  setWipe(share) {
    this.wipe = Math.min(Math.max(share, 0), 1);
    this.tell();
  }

  setLight(turned, raised) {
    this.way = [turned, raised];
    this.tell();
  }

  turnOn(on) {
    $("look").dataset.show = on ? "lit" : "defects";
    if (on) this.tell();
    else showKey($("field").value);
    this.model.showRays();
    this.model.showLayers();
    this.model.resize();
    this.model.draw();
  }

  get on() {
    return $("look").dataset.show === "lit";
  }

  /** Bring the controls and the words in line, and draw. */
  tell() {
    const percent = Math.round(this.wipe * 100);
    $("wipe").value = percent;
    $("wipe").setAttribute("aria-valuetext", `${percent} % ${this.side("left").title}, ${100 - percent} % ${this.side("right").title}`);
    $("turned").value = this.way[0];
    $("raised").value = this.way[1];
    $("line").style.left = `${100 * this.wipe}%`;
    for (const name of ["left", "right"]) {
      const side = this.side(name);
      $(`${name}-side`).value = side.key;
      $(`${name}-label`).textContent = side.title;
      $(`${name}-words`).textContent = `${name === "left" ? "Left" : "Right"}: ${side.words}`;
    }
    const [a, b] = this.way.map((v) => (v * Math.PI) / 180);
    $("sun").style.setProperty("--x", `${50 + 50 * Math.cos(b) * Math.sin(a)}%`);
    $("sun").style.setProperty("--y", `${50 - 50 * Math.sin(b)}%`);
    this.model.draw();
  }

  side(name) {
    return this.facts.sides.find((side) => side.key === this.names[name]);
  }

  // Drawing

  /** Show only what a side shows, of the parts that are wanted. */
  showSide(key, alone) {
    const wanted = key === "high" && this.hurried && this.groups.has("brief") ? "brief" : key;
    for (const [name, group] of this.groups) {
      group.visible = name === wanted;
      if (group.visible)
        for (const mesh of group.children)
          mesh.visible = !alone || (key === "high" ? alone.high_parts : alone.low_parts).includes(mesh.userData.part);
    }
  }

  hide() {
    for (const group of this.groups.values()) group.visible = false;
  }

  aim() {
    const { camera } = this.model;
    camera.updateMatrixWorld();
    const [a, b] = this.way.map((v) => (v * Math.PI) / 180);
    const beside = new THREE.Vector3(Math.cos(b) * Math.sin(a), Math.sin(b), Math.cos(b) * Math.cos(a));
    this.shared.light.value.copy(beside.transformDirection(camera.matrixWorld));
  }

  render(renderer, scene, camera, alone) {
    this.keepPace();
    this.aim();
    const { w, h } = this.model.size;
    const split = Math.round(this.wipe * w);
    renderer.setScissorTest(true);
    for (const [name, from, wide] of [["left", 0, split], ["right", split, w - split]]) {
      if (wide <= 0) continue;
      renderer.setScissor(from, 0, wide, h);
      this.showSide(this.names[name], alone);
      renderer.render(scene, camera);
    }
    renderer.setScissorTest(false);
  }

  /** Frames before pixels while something moves; sharp again as soon as it rests. */
  keepPace() {
    clearTimeout(this.sharpen);
    this.hurried = false;
    if (this.resting) return;
    if (this.model.onPaper) return this.model.setRatio(1);
    // A frame that is asked for while the last is still being drawn has to wait for that.
    this.waits.push(performance.now() - this.model.asked);
    const mean = this.waits.reduce((sum, wait) => sum + wait, 0) / PACE_FRAMES;
    // What all of them may wait may have passed before there are so many.
    if (mean > SLOW_MS) {
      // Work goes with the number of pixels.
      this.ratio = Math.max(this.ratio * Math.sqrt(SLOW_MS / mean), COARSEST);
      this.waits = [];
    } else if (this.waits.length === PACE_FRAMES) {
      if (mean < FAST_MS) this.ratio = Math.min(this.ratio * FINER, 1);
      this.waits = [];
    }
    this.hurried = this.ratio < BRIEF_BELOW;
    this.model.setRatio(this.ratio);
    this.sharpen = setTimeout(() => this.beSharp(), SHARP_MS);
  }

  beSharp() {
    if (!this.on || this.model.waiting || !this.model.setRatio(1)) return;
    this.resting = true;
    this.model.render();
    this.resting = false;
  }
}

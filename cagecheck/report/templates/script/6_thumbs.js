// Small pictures of the regions, drawn when their rows come into sight.

const THUMB = { w: 64, h: 48, sharp: 2 };

function setUpThumbs() {
  const box = document.querySelector("#regions .scroll");
  if (!box) return;
  const queue = new Set();
  let waiting = false;
  const idle = window.requestIdleCallback || ((work) => setTimeout(work, 30));
  const work = () => {
    waiting = false;
    const [place] = queue;
    if (!place) return;
    queue.delete(place);
    // Frames that someone waits for come first.
    if (!state.model.waiting) drawThumb(place);
    else queue.add(place);
    if (queue.size) ask();
  };
  const ask = () => {
    if (!waiting) idle(work, { timeout: 500 });
    waiting = true;
  };
  const seen = new IntersectionObserver(
    (entries) => {
      for (const { target, isIntersecting } of entries)
        if (isIntersecting && !target.firstChild) queue.add(target);
        else queue.delete(target);
      if (queue.size) ask();
    },
    { root: box },
  );
  for (const place of box.querySelectorAll(".thumb")) seen.observe(place);
}

function drawThumb(place) {
  const number = Number(place.closest("tr").dataset.number);
  const { w, h, sharp } = THUMB;
  const picture = document.createElement("canvas");
  [picture.width, picture.height] = [w * sharp, h * sharp];
  picture.getContext("2d").putImageData(state.model.snapshot(regions.get(number), w * sharp, h * sharp), 0, 0);
  place.append(picture);
}

/** A picture of one region, on which nothing else that is shown leaves a trace. */
Model.prototype.snapshot = function (r, w, h) {
  const before = { region: this.region, plane: this.renderer.clippingPlanes };
  const { uniforms } = this.lowMaterial;
  const { byField, opacity } = uniforms;
  const kept = [byField.value, opacity.value, this.lowMaterial.transparent];
  const shown = new Map();
  this.world.traverse((object) => shown.set(object, object.visible));
  const camera = new THREE.PerspectiveCamera(30, w / h, 0.01, 100);
  camera.up.copy(this.camera.up);
  camera.position.fromArray(r.centroid.map((x, k) => x + r.direction[k] * r.distance));
  camera.near = r.distance * 0.02;
  camera.far = r.distance + 4 * page.box.half;
  camera.lookAt(...r.centroid);
  camera.updateProjectionMatrix();

  this.region = r;
  this.renderer.clippingPlanes = [];
  [byField.value, opacity.value, this.lowMaterial.transparent] = [0, 1, false];
  this.markRegion(r);
  this.world.traverse((object) => (object.visible = object === this.world));
  this.spot.visible = true;
  for (const child of this.spot.children) child.visible = Boolean(child.userData.always);
  for (const mesh of this.low) mesh.visible = !r.buried || r.low_parts.includes(mesh.userData.part);
  const pixels = this.drawAside(camera, w, h);

  this.region = before.region;
  this.renderer.clippingPlanes = before.plane;
  [byField.value, opacity.value, this.lowMaterial.transparent] = kept;
  for (const [object, visible] of shown) object.visible = visible;
  this.markRegion(this.region);
  this.showLayers(false);
  return pixels;
};

Model.prototype.drawAside = function (camera, w, h) {
  if (!this.aside) this.aside = new THREE.WebGLRenderTarget(w, h, { samples: 4 });
  const { renderer } = this;
  const clear = renderer.getClearAlpha();
  renderer.setClearAlpha(0);
  renderer.setRenderTarget(this.aside);
  renderer.clear();
  renderer.render(this.scene, camera);
  const pixels = new Uint8ClampedArray(4 * w * h);
  renderer.readRenderTargetPixels(this.aside, 0, 0, w, h, pixels);
  renderer.setRenderTarget(null);
  renderer.setClearAlpha(clear);
  // Rows run upwards in WebGL.
  const out = new ImageData(w, h);
  for (let y = 0; y < h; y++) out.data.set(pixels.subarray(4 * w * y, 4 * w * (y + 1)), 4 * w * (h - 1 - y));
  return out;
};

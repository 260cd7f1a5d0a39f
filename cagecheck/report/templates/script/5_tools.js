// The cage's distance and the cut plane.

// How far into the side that stays the lines of a cut lie, so that they are not cut off themselves.
const LINE_LIFT = 2e-4;

function setUpDistance() {
  if (!page.slide) return;
  const slider = $("distance");
  const show = () => {
    state.stop = Number(slider.value);
    const words = page.slide.words[state.stop];
    $("distance-words").textContent = words;
    slider.setAttribute("aria-valuetext", words);
    $("distance-own").disabled = state.stop === page.slide.own;
    if (!page.slide.touching) state.model.scaleCage(page.slide.factors[state.stop]);
    state.model.recolour();
    state.model.showLayers();
    showSection();
  };
  slider.addEventListener("input", show);
  slider.setAttribute("aria-valuetext", page.slide.words[state.stop]);
  $("distance-own").addEventListener("click", () => {
    slider.value = page.slide.own;
    show();
  });
}

const cutting = { normal: null };

function setUpCut() {
  $("cut").addEventListener("change", () => {
    aimCut();
    // Through the chosen region, else through the middle.
    const { region } = state.model;
    const [low, high] = cutRange();
    const at = region ? cutting.normal && cutting.normal.dot(new THREE.Vector3(...region.centroid)) : (low + high) / 2;
    $("cut-at").value = Math.round((1000 * (at - low)) / (high - low)) || 500;
    applyCut();
  });
  $("cut-at").addEventListener("input", applyCut);
  $("cut-other").addEventListener("change", applyCut);
  applyCut();
}

function aimCut() {
  const way = $("cut").value;
  cutting.normal = null;
  if (way === "eye") {
    const { camera, controls } = state.model;
    cutting.normal = camera.position.clone().sub(controls.target).normalize();
  } else if (way) cutting.normal = new THREE.Vector3().setComponent(Number(way), 1);
}

/** From where to where along the normal the model lies. */
function cutRange() {
  if (!cutting.normal) return [0, 1];
  const n = cutting.normal;
  const places = state.arrays.low_position;
  let [low, high] = [Infinity, -Infinity];
  for (let i = 0; i < places.length; i += 3) {
    const d = n.x * places[i] + n.y * places[i + 1] + n.z * places[i + 2];
    low = Math.min(low, d);
    high = Math.max(high, d);
  }
  const middle = n.dot(new THREE.Vector3(...page.box.centre));
  return [low, high].map((d) => middle + (d / 32767) * page.box.half);
}

function applyCut() {
  const { model } = state;
  const on = Boolean(cutting.normal);
  document.querySelector(".cut").classList.toggle("on", on);
  model.plane = null;
  if (on) {
    const [low, high] = cutRange();
    const at = low + (Number($("cut-at").value) / 1000) * (high - low);
    // The normal points to what stays.
    const sign = $("cut-other").checked ? 1 : -1;
    model.plane = new THREE.Plane(cutting.normal.clone().multiplyScalar(sign), -sign * at);
  }
  model.renderer.clippingPlanes = on ? [model.plane] : [];
  showSection();
  model.draw();
}

/** Draw low poly, cage and high poly where the plane cuts them. */
function showSection() {
  const { model } = state;
  for (const child of [...model.cuts.children]) {
    model.cuts.remove(child);
    child.geometry.dispose();
    child.material.dispose();
  }
  if (!model.plane) return;
  const a = state.arrays;
  const dark = isDark() ? "#ffffff" : "#14161a";
  const rgb = (colour) => `rgb(${colour.join(",")})`;
  addSection(a.high_position, a.high_triangle, rgb(page.high_colour));
  addSection(model.cagePlaces, a.low_triangle, rgb(page.cage_colour));
  addSection(a.low_position, a.low_triangle, dark);
  document.querySelector(".cut .chip").style.setProperty("--c", dark);
}

function addSection(places, triangles, colour) {
  if (!places) return;
  const { model } = state;
  const points = section(places, triangles, model.plane);
  const geometry = new THREE.BufferGeometry();
  geometry.setAttribute("position", new THREE.BufferAttribute(points, 3));
  const lines = new THREE.LineSegments(geometry, new THREE.LineBasicMaterial({ color: colour }));
  lines.frustumCulled = false;
  model.cuts.add(lines);
}

/** The lines in which a plane cuts triangles, in the cube of the page's positions. */
function section(places, triangles, plane) {
  const unit = places instanceof Float32Array ? 1 : 1 / 32767;
  const n = plane.normal;
  const shift = (plane.constant + n.dot(new THREE.Vector3(...page.box.centre))) / page.box.half;
  const distance = new Float32Array(places.length / 3);
  for (let v = 0; v < distance.length; v++)
    distance[v] = unit * (n.x * places[3 * v] + n.y * places[3 * v + 1] + n.z * places[3 * v + 2]) + shift;
  const out = [];
  for (let t = 0; t < triangles.length; t += 3)
    for (let k = 0; k < 3; k++) {
      const [i, j] = [triangles[t + k], triangles[t + ((k + 1) % 3)]];
      if (distance[i] < 0 === distance[j] < 0) continue;
      const s = distance[i] / (distance[i] - distance[j]);
      for (let c = 0; c < 3; c++) {
        const [p, q] = [places[3 * i + c] * unit, places[3 * j + c] * unit];
        out.push(p + s * (q - p) + LINE_LIFT * n.getComponent(c));
      }
    }
  return Float32Array.from(out);
}

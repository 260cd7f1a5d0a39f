// One cloth in every frame, before and after, over the parts around it.

import * as THREE from "three";
import { OrbitControls } from "three/addons/controls/OrbitControls.js";

const $ = (id) => document.getElementById(id);
const page = JSON.parse($("facts-data").textContent);
let arrays = null;
const array = (name) => arrays[name];

class Look {
  constructor(canvas) {
    this.renderer = new THREE.WebGLRenderer({ canvas, antialias: true });
    this.scene = new THREE.Scene();
    this.camera = new THREE.PerspectiveCamera(35, 1, page.size / 500, page.size * 50);
    this.camera.position.set(...page.camera.eye);
    this.camera.up.set(...page.up);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.target.set(...page.camera.target);
    this.controls.addEventListener("change", () => this.draw());
    const head = new THREE.DirectionalLight(0xffffff, 2.2);
    head.position.set(0.4, 0.6, 1);
    this.camera.add(head);
    this.scene.add(this.camera, new THREE.HemisphereLight(0xffffff, 0x777777, 1.3));
    this.cloth = this.mesh(new THREE.MeshStandardMaterial({ side: THREE.DoubleSide, roughness: 0.9, polygonOffset: true, polygonOffsetFactor: 1, polygonOffsetUnits: 1 }), "cloth");
    this.other = this.mesh(new THREE.MeshStandardMaterial({ side: THREE.DoubleSide, roughness: 0.9, color: page.other_colour }), "");
    this.lines = new THREE.Mesh(this.cloth.geometry, new THREE.MeshBasicMaterial({ color: 0x333333, wireframe: true, transparent: true, opacity: 0.35 }));
    this.scene.add(this.lines);
    new ResizeObserver(() => this.resize()).observe(canvas);
    this.show();
    this.resize();
  }

  mesh(material, faces) {
    const geometry = new THREE.BufferGeometry();
    if (faces) geometry.setIndex(new THREE.BufferAttribute(array(faces), 1));
    const out = new THREE.Mesh(geometry, material);
    this.scene.add(out);
    return out;
  }

  show() {
    const frame = Number($("frame").value) - 1;
    const state = document.querySelector("input[name=state]:checked").value;
    const coloured = $("stretch").checked && state === "after";
    const shape = this.cloth.geometry;
    shape.setAttribute("position", new THREE.BufferAttribute(array(`${state}_${frame}`), 3));
    const colours = coloured ? new THREE.BufferAttribute(array(`colour_${frame}`), 3, true) : null;
    if (colours) shape.setAttribute("color", colours);
    else shape.deleteAttribute("color");
    const material = this.cloth.material;
    material.vertexColors = coloured;
    material.color.set(coloured ? 0xffffff : page.cloth_colour);
    material.needsUpdate = true;
    shape.computeVertexNormals();
    const around = page.around[frame];
    this.other.visible = around >= 0 && $("others").checked;
    if (around >= 0) {
      const geometry = this.other.geometry;
      geometry.setAttribute("position", new THREE.BufferAttribute(array(`around_${around}`), 3));
      geometry.setIndex(new THREE.BufferAttribute(array(`around_faces_${around}`), 1));
      geometry.computeVertexNormals();
    }
    this.lines.visible = $("edges").checked;
    $("which").textContent = page.names[frame];
    for (const row of document.querySelectorAll("#list tr[data-frame]"))
      row.classList.toggle("chosen", Number(row.dataset.frame) === frame + 1);
    this.draw();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.renderer.domElement;
    this.renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / Math.max(height, 1);
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    const ground = getComputedStyle(document.documentElement).getPropertyValue("--ground");
    const style = getComputedStyle(document.querySelector(".stage")).backgroundColor;
    this.scene.background = new THREE.Color(style || ground);
    this.renderer.render(this.scene, this.camera);
  }
}

let look = null;
const choose = (number) => {
  $("frame").value = number;
  if (look) look.show();
};
try {
  arrays = await load();
  look = new Look($("model"));
} catch (error) {
  $("no-3d").hidden = false;
  console.warn(String(error));
}
for (const id of ["frame", "stretch", "others", "edges"]) $(id).addEventListener("input", () => look && look.show());
for (const radio of document.querySelectorAll("input[name=state]")) radio.addEventListener("change", () => look && look.show());
for (const row of document.querySelectorAll("#list tr[data-frame]"))
  row.querySelector(".pick").addEventListener("click", () => choose(Number(row.dataset.frame)));
$("model").addEventListener("keydown", (event) => {
  const now = Number($("frame").value);
  if (event.key === "ArrowRight" || event.key === "ArrowUp") choose(now + 1);
  else if (event.key === "ArrowLeft" || event.key === "ArrowDown") choose(now - 1);
  else if (event.key === " ") {
    for (const radio of document.querySelectorAll("input[name=state]")) if (!radio.checked) { radio.click(); break; }
  } else return;
  event.preventDefault();
});

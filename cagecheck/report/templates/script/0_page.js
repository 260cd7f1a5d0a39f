// What every part of the script knows. The files of this folder are one module, in order of name.

import * as THREE from "three";
import { OrbitControls } from "three/addons/controls/OrbitControls.js";

const page = JSON.parse(document.getElementById("facts-data").textContent);
const regions = new Map(page.regions.map((r) => [r.number, r]));
const $ = (id) => document.getElementById(id);
// listed: the regions that the filters leave, null for all; rows: those of them that have a row now;
// wanted: what is filtered by, null for nothing; stop: where the slider of the cage's distance stands.
const state = {
  region: 0, model: null, arrays: null, listed: null, rows: null, wanted: null,
  stop: page.slide ? page.slide.own : 0,
};
const calm = matchMedia("(prefers-reduced-motion: reduce)");

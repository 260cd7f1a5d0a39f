// The UV tiles: numbers, zoom, picking, outlines.

const SVG = "http://www.w3.org/2000/svg";
const MARK_PIXELS = 13;

class Tile {
  constructor(figure) {
    this.tile = Number(figure.dataset.tile);
    this.key = Number(figure.dataset.key);
    this.figure = figure;
    // The marked picture, and beside it the plain map where there is one. They move together.
    this.svgs = [...figure.querySelectorAll("svg")];
    this.svg = this.svgs[0];
    this.view = [0, 0, 1];
    this.marks = [];
    this.addMarks();
    for (const svg of this.svgs) {
      svg.addEventListener("click", (event) => this.click(event));
      svg.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
      new ResizeObserver(() => this.sizeMarks()).observe(svg);
    }
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
    const pixels = Math.max(...this.svgs.map((svg) => svg.clientWidth)) || 300;
    const size = (MARK_PIXELS * this.view[2]) / pixels;
    this.svg.querySelector(".marks").style.fontSize = `${size}px`;
    for (const image of this.figure.querySelectorAll("image, use"))
      image.classList.toggle("near", (this.view[2] * 1024) / pixels < 1);
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
    for (const svg of this.svgs) svg.setAttribute("viewBox", `${this.view[0]} ${this.view[1]} ${size} ${size}`);
    this.sizeMarks();
  }

  at(event) {
    const box = event.currentTarget.getBoundingClientRect();
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
    const map = state.arrays[`tile_region_${this.key}`];
    const n = page.tile_map_sizes[this.key];
    const [x, y] = this.at(event).map((v) => Math.min(Math.floor(v * n), n - 1));
    // Regions can be thinner than a finger: look around a little.
    const slack = Math.ceil((6 * this.view[2] * n) / (event.currentTarget.clientWidth || 300));
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
    const lit = this.figure.querySelectorAll(".lit");
    for (const group of lit) group.replaceChildren();
    if (!here || !state.arrays || !state.arrays.heat_uv) {
      this.setView(0, 0, 1);
      return;
    }
    const outline = uvOutline(region);
    for (const group of lit)
      for (const name of ["halo", "line"]) {
        const path = document.createElementNS(SVG, "path");
        path.setAttribute("class", name);
        path.setAttribute("d", outline.path);
        group.append(path);
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

/** The numbers of what is chosen: several where one place is several regions. */
function numbersOf(region) {
  return region ? region.numbers || [region.number] : [];
}

function regionMask(region, a = state.arrays) {
  const mask = new Uint8Array(a.heat_main.length);
  for (const number of numbersOf(region)) {
    const k = number - 1;
    for (let i = a.region_vertex_first[k]; i < a.region_vertex_first[k + 1]; i++) mask[a.region_vertex[i]] = 255;
  }
  return mask;
}

let tiles = [];

/** The switch between marked map, plain map and both. */
function setUpSwitch() {
  for (const input of document.querySelectorAll("#tiles input[name='tiles-show']"))
    input.addEventListener("change", () => {
      $("tiles").dataset.show = input.value;
      for (const tile of tiles) tile.sizeMarks();
    });
}

function showOnTiles(region, from) {
  for (const tile of tiles) tile.show(region, from);
}

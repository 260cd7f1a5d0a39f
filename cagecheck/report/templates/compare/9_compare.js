// Two models in one page: they turn together, and the list of changes chooses the place in both.

const SIDES = ["old", "new"];
const changes = new Map(page.changes.map((c) => [c.number, c]));
const models = {};
let chosen = 0;
let following = false;
// The numbers of the changes that the filters leave.
let left = new Set(page.changes.filter((c) => c.shows || !page.folded).map((c) => c.number));

/** A model lit in one way: the other way stands beside it, in the other model. */
class OneSide extends Lit {
  listen() {
    this.wipe = 1;
    this.names = { left: page.sides[0].key, right: page.sides[0].key };
  }

  tell() {
    this.model.draw();
  }

  show(key) {
    this.names = { left: key, right: key };
    this.tell();
  }

  showLit() {
    this.model.showRays();
    this.model.showLayers();
    this.model.resize();
  }
}

function viewOf(side) {
  const facts = page[side];
  return {
    page: facts,
    canvas: $(`${side}-model`),
    pins: $(`${side}-pins`),
    maps: `${side}-lit`,
    choose: (number, from) => chooseChange(page.change_of[side][number] || 0, from),
    listed: () => new Set([...left].flatMap((number) => changes.get(number)[side])),
    moved: (model) => follow(model),
  };
}

/** What happens to one camera happens to the other. */
function follow(model) {
  if (following) return;
  following = true;
  for (const side of SIDES) {
    const other = models[side];
    if (other && other !== model) other.setView(model.camera.position.toArray(), model.controls.target.toArray());
  }
  following = false;
}

/** The place of a change in one of the models; where it is not, the spot where it was or will be. */
function placeIn(side, change) {
  const facts = page[side];
  const find = (where, number) => page[where].regions.find((r) => r.number === number);
  const own = change[side].map((number) => find(side, number)).filter(Boolean);
  if (own.length) {
    const distance = Math.max(...own.map((r) => r.distance));
    return { ...own[0], numbers: own.map((r) => r.number), distance, label: change.number };
  }
  const other = side === "old" ? "new" : "old";
  const twin = change[other].map((number) => find(other, number)).find(Boolean);
  if (!twin) return null;
  const part = facts.parts.indexOf(twin.part);
  const ghost = { ...twin, number: `${change.number} ${side}`, numbers: [], label: change.number };
  return { ...ghost, low_parts: part < 0 ? [] : [part], buried: twin.buried && part >= 0 };
}

function chooseChange(number, from = "") {
  const change = changes.get(number);
  chosen = change ? number : 0;
  history.replaceState(null, "", change ? `#change-${number}` : location.pathname + location.search);
  showChangeRow(change, from);
  showChangeCard(change);
  let leader = null;
  for (const side of SIDES) {
    const model = models[side];
    if (!model) continue;
    const place = change ? placeIn(side, change) : null;
    if (place && !model.pins.places.has(place.number))
      model.pins.places.set(place.number, [new THREE.Vector3(...place.centroid)]);
    model.choose(place, "model");
    if (place && (!leader || place.numbers.length)) leader = model;
  }
  if (leader && from !== "model") {
    const buried = SIDES.some((side) => models[side].region && models[side].region.buried);
    $("only-parts").checked = buried;
    for (const side of SIDES) models[side].showLayers();
    leader.fly();
  }
}

function showChangeRow(change, from) {
  for (const row of document.querySelectorAll("#list tr.chosen")) {
    row.classList.remove("chosen");
    row.querySelector(".pick").setAttribute("aria-pressed", "false");
  }
  const row = change && document.querySelector(`#list tr[data-number="${change.number}"]`);
  if (!row) return;
  row.classList.add("chosen");
  row.querySelector(".pick").setAttribute("aria-pressed", "true");
  if (from === "list") return;
  if (row.hidden) {
    for (const id of ["by-became", "by-kind", "by-part"]) $(id).value = "";
    if ($("folded")) $("folded").checked = true;
    filterChanges();
  }
  const box = row.closest(".scroll");
  if (row.offsetTop < box.scrollTop + 40 || row.offsetTop + row.offsetHeight > box.scrollTop + box.clientHeight)
    box.scrollTo({ top: row.offsetTop - box.clientHeight / 3, behavior: calm.matches ? "auto" : "smooth" });
}

function named(name, value) {
  const p = document.createElement("p");
  const b = document.createElement("b");
  b.textContent = name;
  p.append(b, " ", value);
  return p;
}

function showChangeCard(change) {
  const card = $("card");
  card.replaceChildren();
  if (!change) {
    const p = document.createElement("p");
    p.className = "soft";
    p.textContent = page.changes.length ? "No change chosen. What got worse stands first." : "";
    card.append(p);
    return;
  }
  const h = document.createElement("h3");
  const chip = document.createElement("i");
  chip.className = "chip";
  chip.style.setProperty("--c", change.colour);
  h.append(chip, `${change.number}  ${change.became_words}: ${change.name}`);
  const twice = document.createElement("div");
  twice.className = "twice";
  for (const side of SIDES) {
    const column = document.createElement("div");
    const title = document.createElement("h4");
    title.textContent = side === "old" ? "before" : "now";
    column.append(title);
    const own = change[side].map((n) => page[side].regions.find((r) => r.number === n)).filter(Boolean);
    if (!own.length) column.append(named("", "nothing here"));
    else {
      const more = own.length > 1 ? `, worst of ${own.length} places` : "";
      column.append(
        named("where", `${own[0].part}${own[0].tile ? `, tile ${own[0].tile}` : ""} (no. ${change[side].join(", ")} there)`),
        named("size", `${own[0].size_words}${more}`),
        named("worst", own[0].worst_words),
        named("cause", own[0].cause),
        named("cure", own[0].cure),
      );
    }
    twice.append(column);
  }
  card.append(h, named("harm", change.harm_words), twice);
}

function stepChange(by) {
  const rows = [...document.querySelectorAll("#list tbody tr:not([hidden])")];
  if (!rows.length) return;
  const at = rows.findIndex((row) => Number(row.dataset.number) === chosen);
  const next = at < 0 ? (by > 0 ? 0 : rows.length - 1) : (at + by + rows.length) % rows.length;
  chooseChange(Number(rows[next].dataset.number), "step");
}

function filterChanges() {
  const wanted = { became: $("by-became").value, name: $("by-kind").value, part: $("by-part").value };
  left = new Set();
  for (const row of document.querySelectorAll("#list tbody tr")) {
    row.hidden =
      Object.entries(wanted).some(([key, value]) => value !== "" && row.dataset[key] !== value) ||
      ($("folded") && !$("folded").checked && row.dataset.shows === "0");
    if (!row.hidden) left.add(Number(row.dataset.number));
  }
  $("count").textContent = `${left.size} of ${page.changes.length}`;
  for (const side of SIDES) if (models[side]) models[side].draw();
}

function setUpChanges() {
  const body = document.querySelector("#list tbody");
  if (body) {
    body.addEventListener("click", (event) => {
      const number = Number(event.target.closest("tr").dataset.number);
      chooseChange(number === chosen && event.target.closest(".pick") ? 0 : number, "list");
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
      chooseChange(Number(row.dataset.number), "list");
    });
  }
  for (const id of ["by-became", "by-kind", "by-part"]) $(id).addEventListener("change", filterChanges);
  if ($("folded")) $("folded").addEventListener("change", filterChanges);
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.tagName === "SELECT") return;
    if (event.key === ".") stepChange(1);
    else if (event.key === ",") stepChange(-1);
    else if (event.key === "Escape") chooseChange(0, "step");
  });
  $("next").addEventListener("click", () => stepChange(1));
  $("previous").addEventListener("click", () => stepChange(-1));
  $("whole").addEventListener("click", () => {
    chooseChange(0, "");
    if (models.new) models.new.fly();
  });
}

function setWipe(share) {
  const percent = Math.round(100 * Math.min(Math.max(share, 0), 1));
  document.querySelector(".two").style.setProperty("--wipe", `${percent}%`);
  $("wipe").value = percent;
  $("wipe").setAttribute("aria-valuetext", `${percent} % before, ${100 - percent} % now`);
}

/** How much farther away the eye must be for a picture that is higher than wide. */
function narrowness(model) {
  return Math.max(1, 1 / Math.max(model.camera.aspect, 0.1));
}

function setUpStage() {
  const stage = document.querySelector(".two");
  for (const input of document.querySelectorAll("input[name='way']"))
    input.addEventListener("change", () => {
      const was = models.new && narrowness(models.new);
      for (const box of [stage, document.querySelector(".compare")]) box.dataset.way = input.value;
      // What was to be seen stays in the picture when that becomes narrower.
      if (was)
        requestAnimationFrame(() => {
          for (const side of SIDES) models[side].resize();
          models.new.zoom(narrowness(models.new) / was);
        });
    });
  $("wipe").addEventListener("input", () => setWipe(Number($("wipe").value) / 100));
  const handle = $("line");
  const drag = (event) => {
    const box = stage.getBoundingClientRect();
    setWipe((event.clientX - box.left) / box.width);
  };
  handle.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    event.preventDefault();
    handle.setPointerCapture(event.pointerId);
    handle.classList.add("held");
    drag(event);
  });
  handle.addEventListener("pointermove", (event) => handle.classList.contains("held") && drag(event));
  for (const end of ["pointerup", "pointercancel", "lostpointercapture"])
    handle.addEventListener(end, () => handle.classList.remove("held"));
}

function setUpLight() {
  const all = () => SIDES.map((side) => models[side].lit);
  for (const input of document.querySelectorAll("input[name='show']"))
    input.addEventListener("change", () => {
      $("look").dataset.show = input.value;
      for (const lit of all()) lit.showLit();
    });
  $("side").addEventListener("change", () => all().forEach((lit) => lit.show($("side").value)));
  for (const id of ["turned", "raised"])
    $(id).addEventListener("input", () => {
      for (const lit of all()) lit.setLight(Number($("turned").value), Number($("raised").value));
    });
}

async function startComparing() {
  setUpTheme(() => Object.values(models).forEach((model) => model.retint()));
  setUpChanges();
  setUpStage();
  setWipe(0.5);
  const arrays = {};
  for (const side of SIDES) arrays[side] = await load(`${side}-scene-data`, page[side].scene);
  try {
    for (const side of SIDES) {
      models[side] = new Model(arrays[side], viewOf(side));
      if (page.sides.length) {
        models[side].lit = new OneSide(models[side]);
        models[side].lit.showLit();
        await models[side].lit.ready();
      }
    }
    if (page.sides.length) setUpLight();
    follow(models.new);
    for (const side of SIDES) models[side].draw();
  } catch (error) {
    $("no-3d").hidden = false;
    $("look").dataset.show = "none";
    console.warn("no 3D:", error.message);
  }
  const asked = /^#change-(\d+)$/.exec(location.hash);
  if (asked) chooseChange(Number(asked[1]), "");
  document.documentElement.dataset.ready = "yes";
}

startComparing();

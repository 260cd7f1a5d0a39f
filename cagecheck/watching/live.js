// A page with a model that follows a watch: it loads itself anew without losing the view.

const KEPT_VIEW = `cagecheck view ${location.pathname}`;
// A region is the same if its middle moved less than this share of how far it is looked at from.
const SAME_PLACE = 0.5;
// The chosen region of a page before, where this one has none such: the next page may have it again.
let missed = null;

/** The fields of the page that are a person's choice, by a name that the next page has, too. */
function fields() {
  return [...document.querySelectorAll("main input, main select")].map((field) => {
    const radio = field.type === "radio";
    return [radio ? `${field.name}=${field.value}` : field.id, field];
  });
}

function keepView() {
  const r = regions.get(state.region);
  if (r) missed = null;
  const sorted = document.querySelector("#list th[aria-sort]");
  const scrolled = document.querySelector("#regions .scroll");
  const kept = {
    fields: Object.fromEntries(fields().map(([name, f]) => [name, "checked" in f && /radio|checkbox/.test(f.type) ? f.checked : f.value])),
    theme: document.documentElement.dataset.theme || "",
    region: !r ? missed : { name: r.name, part: r.part, centroid: r.centroid, distance: r.distance },
    sort: sorted && { key: sorted.querySelector("[data-sorted]").dataset.key, order: sorted.getAttribute("aria-sort") },
    scroll: [scrollX, scrollY],
    list: scrolled ? scrolled.scrollTop : 0,
  };
  // Without the lit model there is no choice; the one made before holds for the page after.
  const before = keptView();
  if (!page.lit && before) kept.fields = { ...before.fields, ...kept.fields };
  if (state.model) {
    const { camera, controls } = state.model;
    kept.camera = { eye: camera.position.toArray(), target: controls.target.toArray() };
  } else if (before) kept.camera = before.camera;
  sessionStorage.setItem(KEPT_VIEW, JSON.stringify(kept));
}

function keptView() {
  try {
    return JSON.parse(sessionStorage.getItem(KEPT_VIEW));
  } catch {
    return null;
  }
}

function restoreFields(kept) {
  for (const [name, field] of fields()) {
    const value = kept.fields[name];
    if (value === undefined) continue;
    if (/radio|checkbox/.test(field.type)) {
      if (field.checked === value || (field.type === "radio" && !value)) continue;
      field.checked = value;
    } else {
      const options = field.options && [...field.options].map((option) => option.value);
      if (field.value === value || (options && !options.includes(value))) continue;
      field.value = value;
    }
    field.dispatchEvent(new Event("input", { bubbles: true }));
    field.dispatchEvent(new Event("change", { bubbles: true }));
  }
}

/** The region of this page that lies where one of the page before lay. */
function sameRegion(kept) {
  let best = null;
  for (const r of page.regions) {
    if (r.name !== kept.name || r.part !== kept.part) continue;
    const away = Math.hypot(...r.centroid.map((x, k) => x - kept.centroid[k]));
    if (away <= SAME_PLACE * Math.max(kept.distance, r.distance) && (!best || away < best.away)) best = { r, away };
  }
  return best && best.r;
}

function restoreView() {
  const kept = keptView();
  if (!kept) return "";
  if (kept.theme) document.documentElement.dataset.theme = kept.theme;
  if (kept.sort) {
    const button = document.querySelector(`#list th button[data-key="${kept.sort.key}"]`);
    for (let k = 0; button && k < 2 && button.closest("th").getAttribute("aria-sort") !== kept.sort.order; k++) button.click();
  }
  restoreFields(kept);
  let said = "";
  if (kept.region) {
    const region = sameRegion(kept.region);
    if (region) {
      // "model": neither the camera moves nor, if the filters hide its row, do they change.
      const row = document.querySelector(`#list tr[data-number="${region.number}"]`);
      choose(region.number, row && row.hidden ? "list" : "model");
      restoreFields({ fields: { "only-parts": kept.fields["only-parts"] } });
    } else {
      missed = kept.region;
      said = `The chosen place (${kept.region.name} on ${kept.region.part}) is no longer there.`;
    }
  }
  if (state.model && kept.camera) {
    cancelAnimationFrame(state.model.flight);
    state.model.setView(kept.camera.eye, kept.camera.target);
    state.model.draw();
  }
  scrollTo(...kept.scroll);
  const scrolled = document.querySelector("#regions .scroll");
  if (scrolled) scrolled.scrollTop = kept.list;
  return said;
}

/** Keep the view for the page that comes in place of this one. */
function leave() {
  keepView();
  // The number in the address is that of the page before.
  history.replaceState(null, "", location.pathname);
}

// A page that is loaded anew by hand keeps its view as well.
addEventListener("pagehide", keepView);
addEventListener("keep-view", keepView);
started.then(() => follow(restoreView(), leave));

// Choosing a region: everything follows.

function choose(number, from = "") {
  const region = regions.get(number);
  state.region = region ? number : 0;
  history.replaceState(null, "", region ? `#region-${number}` : location.pathname + location.search);
  showRow(region, from);
  showCard(region);
  showOnTiles(region, from);
  if (state.model) state.model.choose(region, from);
}

function step(by) {
  const rows = shownRows();
  if (!rows.length) return;
  const at = rows.findIndex((row) => Number(row.dataset.number) === state.region);
  const next = at < 0 ? (by > 0 ? 0 : rows.length - 1) : (at + by + rows.length) % rows.length;
  choose(Number(rows[next].dataset.number), "step");
}

function showRow(region, from) {
  for (const row of document.querySelectorAll("#list tr.chosen")) {
    row.classList.remove("chosen");
    row.querySelector(".pick").setAttribute("aria-pressed", "false");
  }
  const row = region && document.querySelector(`#list tr[data-number="${region.number}"]`);
  if (!row) return;
  row.classList.add("chosen");
  row.querySelector(".pick").setAttribute("aria-pressed", "true");
  if (from === "list") return;
  if (row.hidden) bringOut(row);
  // Only the list scrolls, never the page.
  const box = row.closest(".scroll");
  const head = box.querySelector("thead").offsetHeight;
  const top = row.offsetTop - head;
  if (top < box.scrollTop || row.offsetTop + row.offsetHeight > box.scrollTop + box.clientHeight)
    box.scrollTo({ top: top - box.clientHeight / 3, behavior: calm.matches ? "auto" : "smooth" });
}

function line(name, value) {
  const p = document.createElement("p");
  const b = document.createElement("b");
  b.textContent = name;
  const span = document.createElement("span");
  span.append(value);
  p.append(b, span);
  return p;
}

function chipOf(colour) {
  const chip = document.createElement("i");
  chip.className = "chip";
  chip.style.setProperty("--c", colour);
  return chip;
}

function showCard(region) {
  const card = $("card");
  card.replaceChildren();
  card.classList.toggle("empty", !region);
  if (!region) {
    const p = document.createElement("p");
    p.className = "soft";
    p.textContent = page.regions.length ? "No region chosen: its cause and its cure will stand here." : "";
    card.append(p);
    return;
  }
  const h = document.createElement("h3");
  h.append(chipOf(region.colour), `${region.number}  ${region.name}`);
  const words = document.createElement("div");
  words.append(
    line("where", `${region.part}${region.tile ? `, tile ${region.tile}` : ""}`),
    line("size", region.size_words),
    ...(region.worst_words ? [line("worst", region.worst_words)] : []),
    line("cause", region.cause),
    line("cure", region.cure),
  );
  if (region.guilty.length && state.arrays && state.arrays.high_position) {
    const names = region.guilty.map((k) => page.high_names[k]).join(", ");
    const told = document.createDocumentFragment();
    told.append(`${names}, drawn on the model in `, chipOf(region.colour), "this colour");
    words.append(line("records", told));
  }
  card.append(h, words);
}

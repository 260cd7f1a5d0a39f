// The list of regions: choosing, sorting, filtering.

function setUpList() {
  const body = document.querySelector("#list tbody");
  if (!body) return;
  body.addEventListener("click", (event) => {
    const row = event.target.closest("tr");
    const number = Number(row.dataset.number);
    choose(number === state.region && event.target.closest(".pick") ? 0 : number, "list");
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
    choose(Number(row.dataset.number), "list");
  });
  for (const button of document.querySelectorAll("#list th button"))
    button.addEventListener("click", () => sortBy(button));
  for (const id of ["by-kind", "by-part", "by-tile"]) $(id).addEventListener("change", filter);
  if ($("folded")) $("folded").addEventListener("change", filter);
}

function sortBy(button) {
  const th = button.closest("th");
  const numeric = ["number", "tile", "size", "seen"].includes(button.dataset.key);
  const now = th.getAttribute("aria-sort");
  // Sizes are wanted largest first, everything else from the beginning.
  const down = now ? now === "ascending" : ["size", "seen"].includes(button.dataset.key);
  for (const other of document.querySelectorAll("#list th")) other.removeAttribute("aria-sort");
  th.setAttribute("aria-sort", down ? "descending" : "ascending");
  const value = (row) => (numeric ? Number(row.dataset[button.dataset.key]) : row.dataset[button.dataset.key]);
  const body = document.querySelector("#list tbody");
  const rows = [...body.rows].sort((a, b) => {
    const [x, y] = [value(a), value(b)];
    const order = x < y ? -1 : x > y ? 1 : Number(a.dataset.order) - Number(b.dataset.order);
    return down && x !== y ? -order : order;
  });
  body.append(...rows);
}

function filter() {
  const wanted = { name: $("by-kind").value, part: $("by-part").value, tile: $("by-tile").value };
  let shown = 0;
  for (const row of document.querySelectorAll("#list tbody tr")) {
    row.hidden =
      Object.entries(wanted).some(([key, value]) => value !== "" && row.dataset[key] !== value) ||
      (row.dataset.shows === "0" && !$("folded").checked);
    shown += !row.hidden;
  }
  $("count").textContent = `${shown} of ${page.region_count}`;
  for (const button of document.querySelectorAll("#key button"))
    button.setAttribute("aria-pressed", String(button.dataset.name === wanted.name));
  state.listed = new Set(
    [...document.querySelectorAll("#list tbody tr:not([hidden])")].map((row) => Number(row.dataset.number)),
  );
  if (state.model) state.model.draw();
}

function clearFilters() {
  for (const id of ["by-kind", "by-part", "by-tile"]) $(id).value = "";
  if ($("folded")) $("folded").checked = true;
  filter();
}

// The list of regions: choosing, sorting, filtering. Rows stand in groups, by how they are mended;
// regions that are one thing to mend are one row until it is opened.

const allRows = [...document.querySelectorAll("#list tr[data-number]")];
const opened = new Set();
// What each row is searched in.
const searched = new Map(
  page.regions.map((r) => [
    r.number,
    `${r.name} ${r.part} ${r.tile || ""} ${r.cause} ${r.cure} ${r.guilty.map((k) => page.high_names[k]).join(" ")}`.toLowerCase(),
  ]),
);

function shownRows() {
  return [...document.querySelectorAll("#list tr[data-number]:not([hidden])")];
}

function setUpList() {
  const list = $("list");
  if (!list) return;
  list.addEventListener("click", (event) => {
    const row = event.target.closest("tr[data-number]");
    if (!row) return;
    if (event.target.closest(".more")) return openEntry(row);
    const number = Number(row.dataset.number);
    choose(number === state.region && event.target.closest(".pick") ? 0 : number, "list");
  });
  list.addEventListener("keydown", (event) => {
    const by = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    const row = event.target.closest("tr[data-number]");
    if (!by || !row) return;
    event.preventDefault();
    const rows = shownRows();
    const next = rows[rows.indexOf(row) + by];
    if (!next) return;
    next.querySelector(".pick").focus();
    choose(Number(next.dataset.number), "list");
  });
  for (const button of document.querySelectorAll("#list th button"))
    button.addEventListener("click", () => sortBy(button));
  for (const id of ["by-kind", "by-part", "by-tile"]) $(id).addEventListener("change", filter);
  $("search").addEventListener("input", filter);
  if ($("folded")) $("folded").addEventListener("change", filter);
  filter();
}

function openEntry(row) {
  const entry = row.dataset.entry;
  if (opened.has(entry)) opened.delete(entry);
  else opened.add(entry);
  filter();
}

function sortBy(button) {
  const key = button.dataset.key;
  const th = button.closest("th");
  const numeric = ["number", "tile", "size", "seen", "order"].includes(key);
  const now = th.getAttribute("aria-sort") && button.dataset.sorted;
  // Sizes are wanted largest first, everything else from the beginning.
  const down = now ? now === "up" : ["size", "seen"].includes(key);
  for (const other of document.querySelectorAll("#list th")) other.removeAttribute("aria-sort");
  for (const other of document.querySelectorAll("#list th button")) delete other.dataset.sorted;
  const grouped = key === "order";
  document.querySelector("#list [data-key='order']").setAttribute("aria-pressed", String(grouped));
  if (!grouped) {
    th.setAttribute("aria-sort", down ? "descending" : "ascending");
    button.dataset.sorted = down ? "down" : "up";
  }
  const value = (row) => (numeric ? Number(row.dataset[key]) : row.dataset[key]);
  const rows = [...allRows].sort((a, b) => {
    const [x, y] = [value(a), value(b)];
    const order = x < y ? -1 : x > y ? 1 : Number(a.dataset.order) - Number(b.dataset.order);
    return down && x !== y && !grouped ? -order : order;
  });
  if (grouped) for (const row of rows) document.querySelector(`#list tbody[data-group="${groupOf.get(row)}"]`).append(row);
  else $("flat").append(...rows);
  filter();
}

const groupOf = new Map(allRows.map((row) => [row, row.closest("tbody").dataset.group]));

function wantedNow() {
  return {
    name: $("by-kind").value, part: $("by-part").value, tile: $("by-tile").value,
    words: $("search").value.toLowerCase().split(/\s+/).filter(Boolean),
  };
}

function passes(row, wanted) {
  for (const key of ["name", "part", "tile"])
    if (wanted[key] !== "" && row.dataset[key] !== wanted[key]) return false;
  const text = searched.get(Number(row.dataset.number)) || "";
  return wanted.words.every((word) =>
    /^#?\d+$/.test(word) && word.replace("#", "") === row.dataset.number ? true : !word.startsWith("#") && text.includes(word),
  );
}

function filter() {
  const wanted = wantedNow();
  const anything = Boolean(wanted.name || wanted.part || wanted.tile || wanted.words.length);
  const folded = !$("folded") || $("folded").checked;
  // What is asked for by its number comes out of its entry.
  const asked = new Set(wanted.words.map((word) => word.replace("#", "")));
  const passing = allRows.filter((row) => (folded || row.dataset.shows === "1") && passes(row, wanted));
  const entries = new Map();
  for (const row of passing) {
    if (!entries.has(row.dataset.entry)) entries.set(row.dataset.entry, []);
    entries.get(row.dataset.entry).push(row);
  }
  for (const row of allRows) row.hidden = true;
  for (const [entry, rows] of entries)
    for (const [k, row] of rows.entries()) {
      row.hidden = k > 0 && !opened.has(entry) && !asked.has(row.dataset.number);
      row.classList.toggle("like", k > 0);
      showMore(row, k === 0 ? rows.length - 1 : 0, opened.has(entry));
    }
  for (const body of document.querySelectorAll("#list tbody[data-group]"))
    body.hidden = !body.querySelector("tr[data-number]:not([hidden])");
  $("count").textContent = `${passing.length.toLocaleString("en")} of ${page.region_count.toLocaleString("en")}`;
  for (const button of document.querySelectorAll("#key button"))
    button.setAttribute("aria-pressed", String(button.dataset.name === wanted.name));
  state.listed = new Set(passing.map((row) => Number(row.dataset.number)));
  state.rows = new Set(shownRows().map((row) => Number(row.dataset.number)));
  state.wanted = anything ? wanted : null;
  if (state.model) state.model.recolour();
}

/** The button that opens a row's entry, with how many regions it stands for. */
function showMore(row, others, open) {
  let button = row.querySelector(".more");
  if (!others) return button && button.remove();
  if (!button) {
    button = document.createElement("button");
    button.type = "button";
    button.className = "more";
    row.querySelector(".where").after(button);
  }
  button.setAttribute("aria-expanded", String(open));
  button.textContent = open ? "one row for all" : `and ${others.toLocaleString("en")} more like it`;
}

/** Show a row that is hidden: open its entry, and drop the filters if these are in its way. */
function bringOut(row) {
  opened.add(row.dataset.entry);
  filter();
  if (row.hidden) clearFilters();
}

function clearFilters() {
  for (const id of ["by-kind", "by-part", "by-tile", "search"]) $(id).value = "";
  if ($("folded")) $("folded").checked = true;
  filter();
}

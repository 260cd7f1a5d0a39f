// The legend: categories that filter the list, or a ramp with its unit.

function showKey(name) {
  const key = $("key");
  key.replaceChildren();
  const h = document.createElement("h3");
  key.append(h);
  if (name === "main") {
    const filters = new Set([...$("by-kind").options].map((option) => option.value));
    h.textContent = `main ${page.word}, % of surface`;
    for (const row of legendNow()) {
      // What the list cannot be filtered by is told, and no button.
      const plain = !filters.has(row.name);
      const item = document.createElement(plain ? "span" : "button");
      item.className = "entry";
      item.dataset.name = row.name;
      const label = document.createElement("span");
      label.textContent = row.name;
      const share = document.createElement("span");
      share.textContent = row.percent;
      item.append(chipOf(row.colour), label, share);
      if (!plain) {
        item.type = "button";
        item.title = `only: ${row.name}`;
        item.setAttribute("aria-pressed", String($("by-kind").value === row.name));
        item.addEventListener("click", () => {
          $("by-kind").value = $("by-kind").value === row.name ? "" : row.name;
          filter();
        });
      }
      key.append(item);
    }
    return;
  }
  const field = page.fields.find((f) => f.name === name);
  h.textContent = `${field.title}, ${field.unit}`;
  const strip = document.createElement("canvas");
  strip.width = page.ramp.length;
  strip.height = 1;
  const pen = strip.getContext("2d");
  page.ramp.forEach((c, k) => {
    pen.fillStyle = `rgb(${c.join(",")})`;
    pen.fillRect(k, 0, 1, 1);
  });
  const ends = document.createElement("div");
  ends.className = "ends";
  for (const text of [`≤ ${field.low_text}`, `≥ ${field.high_text}`]) {
    const span = document.createElement("span");
    span.textContent = text;
    ends.append(span);
  }
  const none = document.createElement("div");
  none.append(chipOf(`rgb(${page.missing.join(",")})`), "no value");
  key.append(strip, ends, none);
}

/** The legend at the cage's distance in force. */
function legendNow() {
  return page.slide && state.stop !== page.slide.own ? page.slide.legends[state.stop] : page.legend;
}

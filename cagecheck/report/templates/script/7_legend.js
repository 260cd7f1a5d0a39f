// The legend: categories that filter the list, or a ramp with its unit.

function showKey(name) {
  const key = $("key");
  key.replaceChildren();
  const h = document.createElement("h3");
  key.append(h);
  if (name === "main") {
    h.textContent = `main ${page.word}, % of surface`;
    for (const row of page.legend) {
      const button = document.createElement("button");
      button.type = "button";
      button.dataset.name = row.name;
      button.title = `list only: ${row.name}`;
      button.setAttribute("aria-pressed", String($("by-kind").value === row.name));
      const chip = document.createElement("i");
      chip.className = "chip";
      chip.style.setProperty("--c", row.colour);
      const label = document.createElement("span");
      label.textContent = row.name;
      const share = document.createElement("span");
      share.textContent = row.percent;
      button.append(chip, label, share);
      if (row.name === "clean") button.disabled = true;
      button.addEventListener("click", () => {
        $("by-kind").value = $("by-kind").value === row.name ? "" : row.name;
        filter();
      });
      key.append(button);
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
  const chip = document.createElement("i");
  chip.className = "chip";
  chip.style.setProperty("--c", `rgb(${page.missing.join(",")})`);
  none.append(chip, "no value");
  key.append(strip, ends, none);
}

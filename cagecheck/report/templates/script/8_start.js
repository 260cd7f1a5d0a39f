// What starts the page.

function setUpKeys() {
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.matches("select, input[type='search']")) return;
    if (event.key === ".") step(1);
    else if (event.key === ",") step(-1);
    else if (event.key === "Escape") choose(0, "step");
  });
  $("next").addEventListener("click", () => step(1));
  $("previous").addEventListener("click", () => step(-1));
  $("whole").addEventListener("click", () => {
    choose(0, "");
    if (state.model) state.model.fly();
  });
}

async function start() {
  setUpTheme(() => state.model && state.model.retint());
  setUpList();
  setUpKeys();
  setUpSwitch();
  showCard(null);
  if (!page.lit) showKey("main");
  tiles = [...document.querySelectorAll("#tiles figure")].map((figure) => new Tile(figure));
  state.arrays = await load();
  try {
    state.model = new Model(state.arrays);
    state.model.recolour();
    setUpDistance();
    setUpCut();
    setUpThumbs();
    if (page.lit) {
      state.model.lit = new Lit(state.model);
      state.model.lit.turnOn(true);
      await state.model.lit.ready();
      state.model.draw();
    }
  } catch (error) {
    $("no-3d").hidden = false;
    $("look").dataset.show = "none";
    console.warn("no 3D:", error.message);
  }
  const asked = /^#region-(\d+)$/.exec(location.hash);
  if (asked) choose(Number(asked[1]), "");
  document.documentElement.dataset.ready = "yes";
}

// For the console, and for tests.
window.cagecheck = { page, state, choose };
const started = start();

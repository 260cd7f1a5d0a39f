// The button that chooses light or dark colours.

function setUpTheme(retint) {
  const order = ["", "light", "dark"];
  const words = { "": "system", light: "light", dark: "dark" };
  $("theme").addEventListener("click", () => {
    const root = document.documentElement;
    const next = order[(order.indexOf(root.dataset.theme || "") + 1) % 3];
    if (next) root.dataset.theme = next;
    else delete root.dataset.theme;
    $("theme").textContent = `colours: ${words[next]}`;
    retint();
  });
}

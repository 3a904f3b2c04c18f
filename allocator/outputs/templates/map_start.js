/* Puts the page together: what is drawn first, the list of layers, the tables, printing. */
wholePlan();

let streets = null;
function showStreets(isOn) {
  if (isOn && !streets) streets = L.tileLayer(plan.streetMap.tiles, { maxZoom: 19 });
  if (streets && isOn) streets.addTo(map); else if (streets) streets.remove();
  if (isOn) map.getContainer().append(credit); else credit.remove();
  for (const name of SCORES) {
    if (drawn.has(name)) drawn.get(name).eachLayer((picture) => picture.setStyle({ opacity: isOn ? 0.6 : 1 }));
  }
}

function showShading(kind) {
  for (const name of SCORES) show(name, name === kind);
  show("shade", kind === "traps");
  for (const part of document.querySelectorAll("[data-shading]")) part.hidden = !kind.startsWith(part.dataset.shading);
}

const key = document.querySelector("form.key");
key.addEventListener("submit", (event) => event.preventDefault());
key.addEventListener("change", ({ target }) => {
  if (target.name === "layer") show(target.value, target.checked);
  if (target.name === "shading") showShading(target.value);
  if (target.name === "street") showStreets(target.checked);
});
key.reset();
showShading(key.elements.shading.value);
for (const box of key.querySelectorAll("[name=layer]")) show(box.value, box.checked);

const tables = ["sites", "properties"].map(makeTable);
for (const button of document.querySelectorAll("[data-round]")) {
  button.addEventListener("click", () => visit("rounds", Number(button.dataset.round), button));
}
const searchBox = document.getElementById("search-box");
let waiting = 0;
searchBox.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => search(tables, searchBox.value), tables[1].rows.length > 3000 ? 200 : 0);
});

/* On paper the map has a fixed size, shows the same ground, and the tables are longer. */
let onScreen = null;
function forPaper(isPaper) {
  map.closePopup();
  if (isPaper) onScreen = { centre: map.getCenter(), zoom: map.getZoom(), bounds: map.getBounds() };
  document.body.classList.toggle("on-paper", isPaper);
  map.invalidateSize({ animate: false });
  if (isPaper && onScreen.bounds.contains(plan.bounds)) wholePlan();
  else if (isPaper) map.fitBounds(onScreen.bounds, { animate: false });
  else if (onScreen) map.setView(onScreen.centre, onScreen.zoom, { animate: false });
  for (const state of tables) {
    state.limit = isPaper ? Math.max(state.limit, ROWS_IN_PRINT) : ROWS_AT_A_TIME;
    fill(state);
  }
}
window.addEventListener("beforeprint", () => forPaper(true));
window.addEventListener("afterprint", () => forPaper(false));
new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());
document.documentElement.dataset.ready = "yes";

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
for (const fold of document.querySelectorAll(".other")) {
  const { kind } = fold.dataset;
  fold.querySelector("summary").textContent += `: ${inDigits(things[kind].length, 0)}`;
  fold.addEventListener("toggle", () => makeTable(kind), { once: true });
}
showAnswer();
for (const button of document.querySelectorAll("[data-round]")) {
  button.addEventListener("click", () => visit("rounds", Number(button.dataset.round), button));
}
const searchBox = document.getElementById("search-box");
let waiting = 0;
searchBox.addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => search(tables, searchBox.value), tables[1].rows.length > 3000 ? 200 : 0);
});

/* On paper the first sheet is the map as it is shown: its ground, its key in letters that fit, all on one page. */
const SHEET_MM = { most: 186, leastMap: 84, key: 8.5, leastKey: 5.5 };
let onScreen = null;
function forPaper(isPaper) {
  map.closePopup();
  if (isPaper) onScreen = { centre: map.getCenter(), zoom: map.getZoom(), bounds: map.getBounds() };
  document.documentElement.classList.toggle("on-paper", isPaper);
  if (isPaper) fitSheet();
  map.invalidateSize({ animate: false });
  if (isPaper && onScreen.bounds.contains(plan.bounds)) wholePlan();
  else if (isPaper) map.fitBounds(onScreen.bounds, { animate: false });
  else if (onScreen) map.setView(onScreen.centre, onScreen.zoom, { animate: false });
  for (const fold of document.querySelectorAll(".takes details")) {
    if (isPaper) fold.dataset.wasOpen = String(fold.open);
    fold.open = isPaper || fold.dataset.wasOpen === "true";
  }
  for (const state of tables) {
    state.limit = isPaper ? Math.max(state.limit, ROWS_IN_PRINT) : ROWS_AT_A_TIME;
    fill(state);
  }
}

function fitSheet() {
  const sheet = document.querySelector(".map-sheet");
  const put = (name, value, unit) => sheet.style.setProperty(name, `${value}${unit}`);
  put("--map-height", SHEET_MM.leastMap, "mm");
  put("--key-size", SHEET_MM.leastKey, "pt");
  const millimetre = 96 / 25.4;
  const height = SHEET_MM.leastMap + Math.max(0, SHEET_MM.most - sheet.offsetHeight / millimetre);
  for (let size = SHEET_MM.key; size >= SHEET_MM.leastKey; size -= 0.5) {
    put("--key-size", size, "pt");
    if (key.scrollHeight <= height * millimetre) break;
  }
  put("--map-height", height, "mm");
}
document.getElementById("print").addEventListener("click", () => window.print());
window.addEventListener("beforeprint", () => forPaper(true));
window.addEventListener("afterprint", () => forPaper(false));
new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());
document.documentElement.dataset.ready = "yes";

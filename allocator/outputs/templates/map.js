/* The map: layers in a fixed order on one canvas, and what lies under a click. */
const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
const SCORES = plan.scores.map((_, number) => `score-${number}`);
const ORDER = [...SCORES, "shade", "water", "exclusions", "habitat", "complexes", "properties", "roads", "rounds", "buildings", "service", "access", "candidates", "sightings", "existing", "chosen"];
const MOST_NUMBERED = 1500;
const AREAS_AT_A_TIME = 300;
const MOST_ROUND_CARDS = 6;

/* The library's canvas with more pens: hatching, many small marks at once, a picture. */
const Canvas = L.Canvas.extend({
  _fillStroke(ctx, layer) {
    const { hatch } = layer.options;
    if (hatch) {
      ctx.save();
      ctx.globalAlpha = 1;
      ctx.fillStyle = hatching(ctx, hatch, layer.options.crossed);
      ctx.fill("nonzero");
      ctx.restore();
    }
    L.Canvas.prototype._fillStroke.call(this, ctx, layer);
  },
  drawMarks(layer) {
    if (!this._drawing) return;
    const ctx = this._ctx;
    ctx.beginPath();
    for (const { x, y } of layer.pixels) layer.options.pen(ctx, x, y, layer.reach);
    this._fillStroke(ctx, layer);
  },
  drawPicture({ image, corner, size, options }) {
    if (!this._drawing || !image.naturalWidth) return;
    const ctx = this._ctx;
    ctx.save();
    ctx.globalAlpha = options.opacity;
    ctx.imageSmoothingEnabled = size.x < image.naturalWidth;
    ctx.drawImage(image, corner.x, corner.y, size.x, size.y);
    ctx.restore();
  },
});

/* A picture on the same canvas as the shapes: browsers print a canvas with a white ground, which would hide it below. */
const Picture = L.Path.extend({
  initialize(uri, bounds, options) {
    L.setOptions(this, options);
    this.bounds = L.latLngBounds(bounds);
    this.image = new Image();
    this.image.onload = () => { if (this._map) this.redraw(); };
    this.image.src = uri;
  },
  getBounds() { return this.bounds; },
  _project() {
    this.corner = this._map.latLngToLayerPoint(this.bounds.getNorthWest());
    const far = this._map.latLngToLayerPoint(this.bounds.getSouthEast());
    this.size = far.subtract(this.corner);
    this._pxBounds = L.bounds(this.corner, far);
  },
  _update() { if (this._map) this._renderer.drawPicture(this); },
  _updatePath() { this._renderer.drawPicture(this); },
  _containsPoint() { return false; },
});

const Marks = L.Path.extend({
  initialize(places, options) {
    L.setOptions(this, options);
    this.places = places.map((at) => L.latLng(at));
  },
  getBounds() { return L.latLngBounds(this.places); },
  _project() {
    this.pixels = this.places.map((at) => this._map.latLngToLayerPoint(at));
    this.reach = this.options.reach * Math.min(1, Math.max(0.45, (this._map.getZoom() - 9) / 5));
    const slack = this.options.reach + this.options.weight;
    const box = L.bounds(this.pixels);
    this._pxBounds = L.bounds(box.min.subtract([slack, slack]), box.max.add([slack, slack]));
  },
  _update() { if (this._map) this._renderer.drawMarks(this); },
  _updatePath() { this._renderer.drawMarks(this); },
  _containsPoint() { return false; },
});

const pens = {
  ring(ctx, x, y, r) { ctx.moveTo(x + r, y); ctx.arc(x, y, r, 0, 2 * Math.PI); },
  triangle(ctx, x, y, r) { ctx.moveTo(x, y - r); ctx.lineTo(x + r, y + r * 0.8); ctx.lineTo(x - r, y + r * 0.8); ctx.closePath(); },
  square(ctx, x, y, r) { ctx.rect(x - r, y - r, 2 * r, 2 * r); },
};

const hatchings = new Map();
function hatching(ctx, colour, isCrossed) {
  const name = colour + isCrossed;
  if (!hatchings.has(name)) {
    const tile = document.createElement("canvas");
    tile.width = 10;
    tile.height = 10;
    const pen = tile.getContext("2d");
    pen.strokeStyle = colour;
    pen.lineWidth = 1;
    pen.beginPath();
    for (const shift of [-10, 0, 10]) { pen.moveTo(shift - 1, 11); pen.lineTo(shift + 11, -1); }
    if (isCrossed) for (const shift of [-10, 0, 10]) { pen.moveTo(shift - 1, -1); pen.lineTo(shift + 11, 11); }
    pen.stroke();
    hatchings.set(name, ctx.createPattern(tile, "repeat"));
  }
  return hatchings.get(name);
}

const reducedMotion = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
const map = L.map("map", {
  preferCanvas: true, renderer: new Canvas({ padding: 0.3 }), zoomSnap: 0.25, maxZoom: 19, zoomControl: false,
  attributionControl: false, scrollWheelZoom: false, zoomAnimation: !reducedMotion, fadeAnimation: false, inertia: !reducedMotion,
});
if (reducedMotion) map.panBy = (way, options) => L.Map.prototype.panBy.call(map, way, { ...options, animate: false });
L.control.zoom({ position: "topleft", zoomInTitle: "Closer", zoomOutTitle: "Farther" }).addTo(map);
L.control.scale({ position: "bottomleft", maxWidth: 140 }).addTo(map);
map.on("zoomend", () => {
  map.getContainer().classList.toggle("is-far", map.getZoom() < 12.75);
  map.getContainer().classList.toggle("is-crowded", isCrowded());
});
map.on("focus", () => map.scrollWheelZoom.enable()).on("blur", () => map.scrollWheelZoom.disable());

const credit = element("p", "map-credit", plan.streetMap.credit);
const arrow = L.control({ position: "topright" });
arrow.onAdd = () => {
  const made = element("div", "north");
  made.append(element("span", "north-arrow"), element("span", "", "N"));
  made.setAttribute("role", "img");
  made.setAttribute("aria-label", "North is up");
  return made;
};
arrow.addTo(map);

function wholePlan() {
  map.fitBounds(plan.bounds, { padding: [14, 14], animate: false });
}

const paper = { interactive: false, fillRule: "nonzero" };
const casing = { color: ink("leaf"), weight: 4.4, opacity: 0.7, fill: false };
/* Outlines share a path by the hundred: one by one they are many, all in one the browser fills them slowly. */
function area(list, options) {
  const paths = [];
  for (let i = 0; i < list.length; i += AREAS_AT_A_TIME) {
    paths.push(L.polygon(list.slice(i, i + AREAS_AT_A_TIME), { ...paper, ...options }));
  }
  return paths;
}
function line(list, options) { return L.polyline(list, { ...paper, fill: false, ...options }); }
function allAreas(list) { return list.flatMap((thing) => thing.areas); }

function propertyLayer() {
  const signed = things.properties.filter((thing) => thing.row.enrolled === "yes");
  const others = things.properties.filter((thing) => thing.row.enrolled !== "yes");
  const paths = [
    ...area(allAreas(signed), casing),
    ...area(allAreas(others), { color: ink("ink"), weight: 1.4, dashArray: "7 4", fill: false, hatch: ink("hatch") }),
    ...area(allAreas(signed), { color: ink("ink"), weight: 2, fill: false }),
  ];
  const looks = paths.map(({ options }) => ({ weight: options.weight, opacity: options.opacity }));
  const thin = () => {
    const part = outlinePart();
    paths.forEach((path, i) => path.setStyle({ weight: looks[i].weight * part, opacity: looks[i].opacity * part }));
  };
  map.on("zoomend", thin);
  thin();
  return paths;
}

/* From afar thousands of outlines would hide the land: they thin out as properties shrink below a dozen pixels. */
const usualSide = Math.sqrt(4047 * things.properties.reduce((sum, { row }) => sum + (row.area_acres || 0), 0) / Math.max(things.properties.length, 1));
function outlinePart() {
  const metresPerPixel = 156543 * Math.cos(map.getCenter().lat * Math.PI / 180) / 2 ** map.getZoom();
  return Math.min(1, Math.max(0.12, usualSide / metresPerPixel / 12));
}

function shadeLayer() {
  return plan.trapClasses.flatMap(([least, most], number) => {
    const inClass = things.properties.filter(({ row }) => row.traps >= least && (most === null || row.traps <= most));
    return area(allAreas(inClass), { stroke: false, fillColor: ink(`traps-${number}`), fillOpacity: 0.92 });
  });
}

function roadLayer() {
  const looks = {
    no: { color: ink("road-no"), weight: 1.2, dashArray: "1 4" },
    dry: { color: ink("road"), weight: 2.2, dashArray: "8 5" },
    yes: { color: ink("road"), weight: 3.6 },
    core: { color: ink("leaf"), weight: 1.3 },
  };
  const linesOf = (truck) => things.roads.filter((road) => road.truck === truck).flatMap((road) => road.lines);
  return Object.entries(looks).map(([name, look]) => line(linesOf(name === "core" ? "yes" : name), look));
}

/* Stretches that rounds share are in the data once for each purpose; dots of the one lie on dashes of the other. */
function roundLayer() {
  const shape = plan.shapes.rounds;
  const [check, bait] = [shape.check, shape.bait].map((lines) => lines.map(corners));
  return [
    line([...check, ...bait], { color: ink("leaf"), weight: 9, opacity: 0.85 }),
    line(check, { color: ink("moss"), weight: 6, dashArray: "16 9", lineCap: "butt" }),
    line(bait, { color: ink("leaf"), weight: 4.5, dashArray: "0.1 8" }),
    line(bait, { color: ink("plum"), weight: 3.2, dashArray: "0.1 8" }),
  ];
}

function baseLayer() {
  return plan.shapes.base.map((steps) => {
    const icon = element("span", "base");
    icon.append(element("i"), element("b", "", "Base"));
    const marker = L.marker(place(steps), { icon: L.divIcon({ html: icon, className: "base-marker", iconSize: [30, 26] }), keyboard: false });
    marker.on("click", () => openCards([card("Base", "Where crews start", [])], place(steps)));
    return marker;
  });
}

function mixedLayer(name, look) {
  const shape = plan.shapes[name];
  return [
    ...area(polygons(shape.areas), look),
    line(shape.lines.map(corners), { ...look, hatch: null }),
    ...marksAt(shape.points.map(place), { ...look, hatch: null, pen: pens.square, reach: 2.5 }),
  ];
}

function marksAt(places, look) {
  return places.length ? [new Marks(places, { interactive: false, fill: true, fillOpacity: 1, ...look })] : [];
}

function marks(name, look) {
  return marksAt(things[name].map((thing) => thing.at).filter(Boolean), look);
}

function siteIcon(row) {
  const icon = element("span", "site");
  icon.style.setProperty("--door", `${row.door_bearing_deg === null ? 0 : row.door_bearing_deg}deg`);
  if (row.door_bearing_deg !== null) icon.append(element("i", "gate"));
  icon.append(element("b", row.rank > 99 ? "long" : "", String(row.rank === null ? row.number + 1 : row.rank)));
  return L.divIcon({ html: icon, className: "site-marker", iconSize: [26, 26] });
}

/* Whether the numbers of sites would hide each other. */
function isCrowded() {
  const places = things.sites.filter((thing) => thing.at).map((thing) => map.project(thing.at));
  if (places.length < 30) return false;
  const { x, y } = L.bounds(places).getSize();
  return places.length * 26 * 26 > 0.35 * x * y;
}

function siteLayer() {
  if (things.sites.length > MOST_NUMBERED) {
    return marks("sites", { color: ink("paper"), fillColor: ink("clay"), weight: 1.5, pen: pens.ring, reach: 5 });
  }
  return things.sites.filter((thing) => thing.at).map((thing) => {
    const marker = L.marker(thing.at, { icon: siteIcon(thing.row), keyboard: false, riseOnHover: true, zIndexOffset: -thing.row.number });
    marker.on("click", () => openCards([cards.sites(thing)], thing.at));
    return marker;
  });
}

const draw = {
  properties: propertyLayer,
  shade: shadeLayer,
  roads: roadLayer,
  rounds: roundLayer,
  base: baseLayer,
  sites: siteLayer,
  habitat: () => area(allAreas(things.habitat), { color: ink("moss"), weight: 1.2, fill: false }),
  complexes: () => area(allAreas(things.complexes), { color: ink("plum"), weight: 2.6, dashArray: "12 4 2 4", fill: false }),
  service: () => {
    const circles = plan.shapes.service.flatMap((shape) => polygons(shape.areas));
    return [...area(circles, { ...casing, weight: 2.6, opacity: 0.5 }), ...area(circles, { color: ink("clay"), weight: 1.5, dashArray: "2 5", fill: false })];
  },
  access: () => mixedLayer("access", { color: ink("ink"), weight: 2.6, dashArray: "1.5 5", fillOpacity: 0 }),
  existing: () => marksAt(plan.shapes.existing.points.map(place), { color: "#fff", fillColor: ink("spruce"), weight: 1.5, pen: pens.square, reach: 7 }),
  candidates: () => marks("candidates", { color: ink("clay"), fillColor: ink("paper"), weight: 1.4, pen: pens.ring, reach: 3.5 }),
  sightings: () => marks("sightings", { color: ink("ink"), fillColor: ink("gold"), weight: 1.3, pen: pens.triangle, reach: 7 }),
  water: () => mixedLayer("water", { color: ink("water"), weight: 1.4, fillColor: ink("water"), fillOpacity: 0.75 }),
  buildings: () => mixedLayer("buildings", { color: ink("ink"), weight: 1, fillColor: ink("ink"), fillOpacity: 0.85 }),
  exclusions: () => mixedLayer("exclusions", { color: ink("plum"), weight: 1.6, fillOpacity: 0, hatch: ink("plum"), crossed: true }),
};

for (const [number, { uri, corners }] of plan.scores.entries()) {
  draw[SCORES[number]] = () => [new Picture(uri, corners, { interactive: false, opacity: 1 })];
}

const drawn = new Map();
function show(key, isOn) {
  if (isOn && !drawn.has(key)) drawn.set(key, L.layerGroup(draw[key]()));
  const group = drawn.get(key);
  if (!group) return;
  if (isOn) group.addTo(map); else group.remove();
  for (const name of ORDER) {
    const other = drawn.get(name);
    if (other && map.hasLayer(other)) other.eachLayer((layer) => layer.bringToFront && layer.bringToFront());
  }
}

/* What lies under a click, the smallest things first; only what is switched on. */
function isShown(key) { return drawn.has(key) && map.hasLayer(drawn.get(key)); }

function nearest(key, point, reach) {
  let best = null;
  let least = reach;
  for (const thing of things[key]) {
    if (!thing.at) continue;
    const away = map.latLngToContainerPoint(thing.at).distanceTo(point);
    if (away <= least) { best = thing; least = away; }
  }
  return best;
}

function linesAt(list, latlng, point, reach) {
  const slack = Math.abs(map.containerPointToLatLng(point.add([reach, 0])).lng - latlng.lng);
  const near = list.filter((thing) => isInBox(thing.box, latlng.lat, latlng.lng, slack));
  return near.filter((thing) => thing.lines.some((corners) => {
    const pixels = corners.map((at) => map.latLngToContainerPoint(at));
    return pixels.some((end, i) => i > 0 && L.LineUtil.pointToSegmentDistance(point, pixels[i - 1], end) <= reach);
  }));
}

/* Rounds share roads: of very many the first few tell enough. */
function roundCards(latlng, point) {
  const under = isShown("rounds") ? linesAt(things.rounds, latlng, point, 9) : [];
  const found = under.slice(0, MOST_ROUND_CARDS).map(cards.rounds);
  const more = under.length - found.length;
  if (more > 0) found.push(card("Rounds", `${inDigits(more, 0)} more here`, [["Where", "in the table of rounds under the map"]]));
  return found;
}

function cardsAt(latlng, point) {
  const found = [];
  for (const [key, reach] of [["sites", 16], ["sightings", 14], ["candidates", 9]]) {
    const thing = isShown(key) ? nearest(key, point, reach) : null;
    if (thing) found.push(cards[key](thing));
  }
  found.push(...roundCards(latlng, point));
  const road = isShown("roads") ? linesAt(things.roads, latlng, point, 8)[0] : null;
  if (road) found.push(cards.roads(road));
  for (const key of ["properties", "habitat", "complexes"]) {
    if (!isShown(key)) continue;
    const under = things[key].filter((thing) => holds(thing, latlng.lat, latlng.lng));
    found.push(...under.map((thing) => cards[key](thing)));
  }
  return found;
}

let afterClose = null;
function openCards(list, at, focusBack, mostHeight = 0.66) {
  const box = element("div", "cards");
  box.tabIndex = 0;
  box.setAttribute("role", "group");
  box.setAttribute("aria-label", list.length ? list.map((one) => one.querySelector(".card-title").textContent).join(", ") : "This spot");
  box.append(...list, sameSpot(L.latLng(at)));
  box.addEventListener("keydown", (event) => { if (event.key === "Escape") map.closePopup(); });
  const size = map.getSize();
  const popup = L.popup({
    maxWidth: Math.min(340, size.x - 60), minWidth: Math.min(310, size.x - 60), maxHeight: Math.max(150, size.y * mostHeight), autoPanPadding: [12, 12],
  });
  popup.setLatLng(at).setContent(box).openOn(map);
  afterClose = focusBack || null;
  if (focusBack) box.focus({ preventScroll: true });
}
map.on("popupopen", () => map.getContainer().classList.add("has-card"));
map.on("popupclose", () => {
  map.getContainer().classList.remove("has-card");
  mark(null);
  const back = afterClose;
  afterClose = null;
  if (back && back.isConnected) back.focus({ preventScroll: true });
});
map.on("click", (event) => openCards(cardsAt(event.latlng, event.containerPoint), event.latlng));

/* The property or round that a row of a table points at gets a heavy line. */
function heavyLine({ areas, lines }) {
  if (areas) return area(areas, { color: ink("clay"), weight: 4, fill: false });
  return [line(lines, { color: ink("leaf"), weight: 9 }), line(lines, { color: ink("clay"), weight: 5 })];
}

function mark(thing) {
  if (drawn.has("chosen")) drawn.get("chosen").remove();
  drawn.set("chosen", L.layerGroup(thing ? heavyLine(thing) : []));
  show("chosen", true);
}

function boundsOf({ box }) { return L.latLngBounds([box.south, box.west], [box.north, box.east]); }

/* What a table or the search leads to is drawn, whether its layer was on or not. */
function switchOn(kind) {
  const box = document.querySelector(`[name=layer][value=${kind}]`);
  if (box && !box.checked) box.click();
}

function visit(kind, number, focusBack) {
  const thing = things[kind][number];
  if (!thing.at) return;
  map.closePopup();
  switchOn(kind);
  if (thing.box === undefined) map.setView(thing.at, Math.max(map.getZoom(), 15), { animate: false });
  else if (kind === "rounds") map.fitBounds(boundsOf(thing), { paddingTopLeft: [20, map.getSize().y * 0.5], paddingBottomRight: [20, 20], animate: false });
  else map.fitBounds(boundsOf(thing).pad(0.4), { maxZoom: 16, animate: false });
  document.getElementById("map").scrollIntoView({ block: "nearest", behavior: "auto" });
  openCards([cards[kind](thing)], thing.at, focusBack, kind === "rounds" ? 0.36 : undefined);
  if (thing.box !== undefined) mark(thing);
}

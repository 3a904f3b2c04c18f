/* Where the reader stands, if the browser tells: a dot, how sure it is, and the way to the nearest site. */
const POINTS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"];
const REFUSALS = {
  1: "This browser does not tell the page where you are. Allow the location for this page, then press the button again.",
  2: "This device cannot tell where it is right now. Outdoors, or with location switched on, it may.",
  3: "The device took too long to tell where it is. Outdoors it may be quicker; press the button again.",
};
const locator = document.getElementById("locate");
const whereabouts = document.getElementById("whereabouts");
let watching = null;
let hereMarks = null;
let lastNear = null;

/* Direction of one place from another at the start of the shortest way, degrees from north clockwise. */
function bearing(from, to) {
  const [a, b, turn] = [from.lat, to.lat, to.lng - from.lng].map((degrees) => (degrees * Math.PI) / 180);
  const east = Math.sin(turn) * Math.cos(b);
  const north = Math.cos(a) * Math.sin(b) - Math.sin(a) * Math.cos(b) * Math.cos(turn);
  return ((Math.atan2(east, north) * 180) / Math.PI + 360) % 360;
}

function lengthWords(metres) {
  if (metres < 305) return `${inDigits(metres * plan.feetPerMetre, 0)} ft (${inDigits(metres, 0)} m)`;
  return `${inDigits((metres * plan.feetPerMetre) / 5280, 2)} miles (${metres < 1000 ? `${inDigits(metres, 0)} m` : `${inDigits(metres / 1000, 2)} km`})`;
}

function wayToNearest(here) {
  let near = null;
  for (const { at, row } of things.sites) {
    if (!at) continue;
    const away = map.distance(here, at);
    if (!near || away < near.away) near = { away, at: L.latLng(at), id: row.site_id };
  }
  if (!near) return { id: "", words: "This plan has no sites." };
  const degrees = bearing(here, near.at);
  const words = `Nearest site: ${near.id}, ${lengthWords(near.away)} to the ${POINTS[Math.round(degrees / 45) % 8]} (bearing ${Math.round(degrees) % 360}°, true north).`;
  return { id: near.id, words };
}

function showHere({ coords }) {
  const here = L.latLng(coords.latitude, coords.longitude);
  if (!hereMarks) {
    hereMarks = {
      ring: L.circle(here, { radius: 1, color: ink("here"), weight: 1.5, fillColor: ink("here"), fillOpacity: 0.12, interactive: false }),
      dot: L.circleMarker(here, { radius: 8, color: "#fff", weight: 3, fillColor: ink("here"), fillOpacity: 1, interactive: false }),
    };
    hereMarks.ring.setRadius(coords.accuracy).addTo(map);
    hereMarks.dot.addTo(map);
    map.setView(here, Math.max(map.getZoom(), 14), { animate: false });
  }
  hereMarks.ring.setLatLng(here).setRadius(coords.accuracy).bringToFront();
  hereMarks.dot.setLatLng(here).bringToFront();
  if (!map.getBounds().pad(-0.15).contains(here)) map.panTo(here, { animate: !reducedMotion });
  const { id, words } = wayToNearest(here);
  whereabouts.textContent = `${words} You are placed to within ${lengthWords(coords.accuracy)}.`;
  if (id !== lastNear) say(whereabouts.textContent);
  lastNear = id;
}

function stopLocating(words) {
  if (watching !== null) navigator.geolocation.clearWatch(watching);
  watching = null;
  lastNear = null;
  if (hereMarks) Object.values(hereMarks).forEach((mark) => mark.remove());
  hereMarks = null;
  locator.setAttribute("aria-pressed", "false");
  whereabouts.textContent = words;
  say(words || "Your place is no longer shown.");
}

/* Once followed, a place that is lost for a while, under trees say, is waited for. */
function failed({ code }) {
  if (hereMarks && code !== 1) whereabouts.textContent = "The device has lost its place for now; the dot shows where it was last.";
  else stopLocating(REFUSALS[code] || REFUSALS[2]);
}

function startLocating() {
  if (!navigator.geolocation || !window.isSecureContext) {
    stopLocating("This browser cannot tell a page like this one where you are. The coordinates of every site are on its card.");
    return;
  }
  locator.setAttribute("aria-pressed", "true");
  whereabouts.textContent = "Asking this device where it is. The answer stays in this page.";
  watching = navigator.geolocation.watchPosition(showHere, failed, { enableHighAccuracy: true, maximumAge: 5000, timeout: 30000 });
}

locator.addEventListener("click", () => (watching === null ? startLocating() : stopLocating("")));

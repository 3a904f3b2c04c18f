/* The plan's data: read once, turned into coordinates and rows; words for numbers. */
const plan = JSON.parse(document.getElementById("plan-data").textContent);
const STEPS_PER_DEGREE = 1e6;

/* A list of steps in millionths of a degree becomes [latitude, longitude] pairs. */
function corners(steps) {
  const out = [];
  let east = 0;
  let north = 0;
  for (let i = 0; i < steps.length; i += 2) {
    east += steps[i];
    north += steps[i + 1];
    out.push([north / STEPS_PER_DEGREE, east / STEPS_PER_DEGREE]);
  }
  return out;
}

function place(steps) {
  return steps ? corners(steps)[0] : null;
}

function polygons(areas) {
  return areas.map((rings) => rings.map(corners));
}

function boxOf(lists) {
  const box = { south: 90, west: 180, north: -90, east: -180 };
  for (const list of lists) {
    for (const [lat, lon] of list) {
      if (lat < box.south) box.south = lat;
      if (lat > box.north) box.north = lat;
      if (lon < box.west) box.west = lon;
      if (lon > box.east) box.east = lon;
    }
  }
  return box;
}

function isInBox(box, lat, lon, slack) {
  return lat >= box.south - slack && lat <= box.north + slack && lon >= box.west - slack && lon <= box.east + slack;
}

/* A shape is hit when the point lies inside an odd number of rings of one of its polygons. */
function holds(thing, lat, lon) {
  if (!isInBox(thing.box, lat, lon, 0)) return false;
  return thing.areas.some((rings) => rings.reduce((inside, ring) => inside !== ringHolds(ring, lat, lon), false));
}

function ringHolds(ring, lat, lon) {
  let inside = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i, i += 1) {
    const [ay, ax] = ring[i];
    const [by, bx] = ring[j];
    if (ay > lat !== by > lat && lon < ((bx - ax) * (lat - ay)) / (by - ay) + ax) inside = !inside;
  }
  return inside;
}

/* Rows of a table as objects; each knows its number so that shapes and rows find each other. */
function rowsOf(name) {
  const table = plan.tables[name];
  return table.rows.map((values, number) => {
    const row = { number };
    table.columns.forEach((column, i) => { row[column.key] = values[i]; });
    return row;
  });
}

function areaThings(name) {
  const rows = rowsOf(name);
  return plan.shapes[name].map((shape, number) => {
    const areas = polygons(shape.areas);
    return { areas, at: place(shape.at), box: boxOf(areas.map((rings) => rings[0])), row: rows[number] };
  });
}

function pointThings(name) {
  const rows = rowsOf(name);
  return plan.shapes[name].map((at, number) => ({ at: place(at), row: rows[number] }));
}

const truckWords = { yes: "all year", dry: "in dry weather only", no: "no" };

/* A corner half-way along the longest of several lines. */
function middleOf(lines) {
  const longest = lines.reduce((most, line) => (line.length > most.length ? line : most), []);
  return longest.length ? longest[Math.floor(longest.length / 2)] : null;
}

/* The northernmost corner of a round: its card opens above it and hides least. */
function northernmost(lines) {
  return lines.flat().reduce((top, at) => (at[0] > top[0] ? at : top));
}

const things = {
  properties: areaThings("properties"),
  habitat: areaThings("habitat"),
  complexes: areaThings("complexes"),
  sites: pointThings("sites"),
  candidates: pointThings("candidates"),
  sightings: plan.shapes.sightings.map((seen, number) => ({ at: place(seen.at), row: { ...seen, number } })),
  roads: plan.shapes.roads.roads.map((road, number) => {
    const lines = road.lines.map(corners);
    const [name, when] = [plan.shapes.roads.names[road.name], truckWords[road.truck] || road.truck];
    return { lines, box: boxOf(lines), at: middleOf(lines), truck: road.truck, row: { number, name, when } };
  }),
  rounds: plan.rounds.map((row, number) => {
    const lines = plan.shapes.rounds.each[number].map(corners);
    return { lines, box: boxOf(lines), at: lines.length ? northernmost(lines) : null, row };
  }),
};
const propertyNames = new Map(things.properties.map((thing) => [thing.row.property_id, thing.row.name]));

const numberFormats = new Map();
function inDigits(value, digits) {
  if (!numberFormats.has(digits)) {
    const options = { minimumFractionDigits: digits, maximumFractionDigits: digits };
    numberFormats.set(digits, new Intl.NumberFormat("en-US", options));
  }
  return numberFormats.get(digits).format(value);
}

/* A value as people read it; blank stays visibly blank. */
function words(value, column) {
  if (value === null || value === undefined || value === "") return "–";
  if (column.digits === null || typeof value !== "number") return String(value);
  if (column.key === "latitude" || column.key === "longitude") return value.toFixed(column.digits);
  return inDigits(value, column.digits);
}

function withUnit(value, column) {
  const text = words(value, column);
  if (text === "–" || !column.unit) return text;
  if (column.unit === "m") return `${text} m (${inDigits(value * plan.feetPerMetre, 0)} ft)`;
  return column.unit === "°" ? `${text}°` : `${text} ${column.unit}`;
}

/* Cards that open on the map. Text from the plan is only ever set as text. */
function element(tag, className, text) {
  const made = document.createElement(tag);
  if (className) made.className = className;
  if (text !== undefined) made.textContent = text;
  return made;
}

function card(kind, title, pairs) {
  const made = element("section", "card");
  made.append(element("p", "card-kind", kind), element("h3", "card-title", title));
  const list = element("dl");
  for (const [label, text, hint] of pairs) {
    const line = element("div");
    const term = element("dt", "", label);
    if (hint) term.title = hint;
    line.append(term, element("dd", "", text));
    list.append(line);
  }
  made.append(list);
  return made;
}

/* Label and value of every column that says something; skipped are those named. */
function pairsOf(table, row, skipped) {
  return plan.tables[table].columns
    .filter((column) => !skipped.includes(column.key) && row[column.key] !== null && row[column.key] !== "")
    .map((column) => [column.label, withUnit(row[column.key], column), column.meaning]);
}

function propertyName(id) {
  const name = propertyNames.get(id);
  return name && name !== id ? `${name} (${id})` : String(id);
}

const siteDays = new Map(Object.entries(plan.siteDays));

const cards = {
  sites(thing) {
    const { row } = thing;
    const pairs = pairsOf("sites", row, ["site_id", "property_id", "cautions", "latitude", "longitude"]);
    pairs.unshift(["Property", propertyName(row.property_id)]);
    pairs.splice(1, 0, ["Latitude, longitude", `${row.latitude.toFixed(6)}, ${row.longitude.toFixed(6)}`], ...(siteDays.get(row.site_id) || []));
    const made = card("Trap site", `Site ${row.site_id}`, pairs);
    if (row.cautions) made.querySelector("h3").after(element("p", "card-caution", row.cautions));
    return made;
  },
  properties({ row }) {
    return card("Property", row.name || row.property_id, pairsOf("properties", row, ["name"]));
  },
  habitat({ row }) {
    return card("Habitat patch", `Patch ${row.patch_id}`, pairsOf("habitat", row, ["patch_id"]));
  },
  complexes({ row }) {
    return card("Habitat complex", `Complex ${row.complex_id}`, pairsOf("complexes", row, ["complex_id"]));
  },
  candidates({ row }) {
    const pairs = pairsOf("candidates", row, ["candidate_id", "property_id"]);
    pairs.unshift(["Property", propertyName(row.property_id)]);
    return card("A spot that would do", `Spot ${row.candidate_id}`, pairs);
  },
  rounds({ row }) {
    return card(row.purpose === "bait" ? "Bait round" : "Check round", `Round ${row.id}`, row.pairs);
  },
  sightings({ row }) {
    const pairs = [["When", row.date], ["How many", row.count], ["What", row.kind]];
    return card("Pigs or their sign", "Seen here", pairs.filter((pair) => pair[1] !== null && pair[1] !== "").map((pair) => [pair[0], String(pair[1])]));
  },
  roads({ row }) {
    return card("Road", row.name || "Road without a name", [["Trucks", row.when]]);
  },
};

function sameSpot(latlng) {
  return element("p", "card-spot", `This spot: ${latlng.lat.toFixed(6)}, ${latlng.lng.toFixed(6)}`);
}

/* One box that finds a property, a site or a round by what is typed, and goes there; by keyboard alone too. */
const MOST_FOUND = 12;
const spoken = document.getElementById("said");

/* For those who do not see the page: what has just changed. */
function say(text) { spoken.textContent = text; }

/* Small letters without accents, so that what is typed finds what is meant. */
function folded(text) { return String(text).normalize("NFD").replace(/\p{M}/gu, "").toLowerCase(); }

const goals = [
  ...things.sites.map(({ at, row }) => ({ kind: "sites", what: "Site", id: row.site_id, name: propertyName(row.property_id), at, number: row.number, ids: [row.site_id] })),
  ...things.properties.map(({ at, row }) => ({ kind: "properties", what: "Property", id: row.name || row.property_id, name: row.name && row.name !== row.property_id ? row.property_id : "", at, number: row.number, ids: [row.property_id, row.name || ""] })),
  ...things.rounds.map(({ at, row }, number) => ({ kind: "rounds", what: "Round", id: row.id, name: row.purpose === "bait" ? "to bait" : "to check", at, number, ids: [row.id] })),
].filter(({ at }) => at).map((goal) => ({ ...goal, ids: goal.ids.map(folded), text: folded(`${goal.what} ${goal.ids.join(" ")}`) }));

/* 0 for the very id or name, then what begins so, then a word that begins so, then anything that holds it; -1 for none. */
function rankOf({ ids, text }, wanted) {
  if (ids.includes(wanted)) return 0;
  if (ids.some((one) => one.startsWith(wanted))) return 1;
  const at = text.indexOf(wanted);
  if (at < 0) return -1;
  return at === 0 || text.includes(` ${wanted}`) ? 2 : 3;
}

function goalsFor(typed) {
  const wanted = folded(typed).trim();
  if (!wanted) return [];
  const ranked = [[], [], [], []];
  for (const goal of goals) {
    const rank = rankOf(goal, wanted);
    if (rank >= 0) ranked[rank].push(goal);
  }
  return ranked.flat();
}

const finder = document.getElementById("find-box");
const findList = document.getElementById("find-list");
const findCount = document.getElementById("find-count");
let listed = [];
let active = -1;

function optionOf(goal, place) {
  const option = element("li", "find-option");
  option.id = `find-${place}`;
  option.setAttribute("role", "option");
  option.setAttribute("aria-selected", "false");
  option.append(element("span", "find-kind", goal.what), " ", element("bdi", "find-id", goal.id));
  if (goal.name) option.append(" ", element("bdi", "find-name", goal.name));
  option.addEventListener("mousedown", (event) => event.preventDefault());
  option.addEventListener("click", () => goTo(goal));
  return option;
}

function openList(isOpen) {
  findList.hidden = !isOpen;
  finder.setAttribute("aria-expanded", String(isOpen));
  if (!isOpen) point(-1);
}

function point(place) {
  active = place;
  [...findList.children].forEach((option, i) => option.setAttribute("aria-selected", String(i === place)));
  if (place < 0) { finder.removeAttribute("aria-activedescendant"); return; }
  finder.setAttribute("aria-activedescendant", `find-${place}`);
  findList.children[place].scrollIntoView({ block: "nearest" });
}

function find() {
  const found = goalsFor(finder.value);
  listed = found.slice(0, MOST_FOUND);
  findList.replaceChildren(...listed.map(optionOf));
  openList(listed.length > 0);
  const more = found.length > listed.length ? `, the first ${listed.length} listed` : "";
  findCount.textContent = finder.value.trim() ? `${found.length ? inDigits(found.length, 0) : "Nothing"} found${more}.` : "";
}

function goTo(goal) {
  openList(false);
  visit(goal.kind, goal.number, finder);
}

finder.addEventListener("input", find);
finder.addEventListener("blur", () => openList(false));
finder.addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (step) {
    if (findList.hidden) find();
    if (listed.length) point(active < 0 && step < 0 ? listed.length - 1 : (active + step + listed.length) % listed.length);
  } else if (event.key === "Enter") {
    if (findList.hidden) find();
    if (listed.length) goTo(listed[Math.max(active, 0)]);
  } else if (event.key === "Escape") {
    if (findList.hidden) { finder.value = ""; find(); } else openList(false);
  } else return;
  event.preventDefault();
});

/* Tables under the map: sorted by click or keyboard, searched, a part of the rows at a time. */
const ROWS_AT_A_TIME = 200;
const ROWS_IN_PRINT = 2000;
const collator = new Intl.Collator("en", { numeric: true, sensitivity: "base" });

function columnsOf(kind) {
  const columns = plan.tables[kind].columns.filter((column) => column.place !== "card");
  return columns;
}

function makeTable(kind) {
  const box = document.getElementById(`${kind}-table`);
  const state = { kind, box, rows: things[kind].map((thing) => thing.row), found: [], limit: ROWS_AT_A_TIME, sortKey: null, isDown: false, columns: columnsOf(kind) };
  state.texts = state.rows.map((row) => searchText(kind, row));
  state.found = state.rows;
  if (state.rows.length === 0) {
    box.append(element("p", "empty", box.dataset.empty));
    return state;
  }
  const scroller = element("div", "table-scroll");
  scroller.tabIndex = 0;
  scroller.setAttribute("role", "region");
  scroller.setAttribute("aria-label", `${box.dataset.caption}, table`);
  const table = element("table");
  state.caption = element("caption");
  state.body = element("tbody");
  table.append(state.caption, headOf(state), state.body);
  scroller.append(table);
  state.more = element("button", "more");
  state.more.type = "button";
  state.more.addEventListener("click", () => { state.limit += ROWS_AT_A_TIME; fill(state); say(state.caption.textContent); });
  box.append(scroller, state.more);
  fill(state);
  return state;
}

function searchText(kind, row) {
  if (kind !== "sites" && kind !== "properties") return "";
  const parts = kind === "sites"
    ? [row.site_id, row.property_id, propertyNames.get(row.property_id), row.complex_id, row.road_name, row.cover, row.usng]
    : [row.property_id, row.name, row.shortfall_reason];
  return parts.filter((part) => part !== null && part !== undefined).join("\n").toLowerCase();
}

function headOf(state) {
  const head = element("thead");
  const line = element("tr");
  for (const column of state.columns) {
    const cell = element("th", cellClass(column));
    cell.scope = "col";
    cell.dataset.key = column.key;
    cell.dataset.label = `${column.label} ${column.unit}`.trim(); /* on paper in place of the button, which browsers do not repeat on later pages */
    const button = element("button", "sort", column.label);
    button.type = "button";
    button.title = column.meaning;
    if (column.unit) button.append(" ", element("small", "", column.unit));
    button.append(element("span", "arrow"));
    button.addEventListener("click", () => sortBy(state, column.key));
    cell.append(button);
    line.append(cell);
  }
  head.append(line);
  state.head = head;
  return head;
}

function cellClass(column) {
  return `${column.place}${column.digits === null ? "" : " number"}`;
}

function sortBy(state, key) {
  state.isDown = state.sortKey === key ? !state.isDown : false;
  state.sortKey = key;
  for (const cell of state.head.querySelectorAll("th")) {
    if (cell.dataset.key === key) cell.setAttribute("aria-sort", state.isDown ? "descending" : "ascending");
    else cell.removeAttribute("aria-sort");
  }
  fill(state);
  const { label } = state.columns.find((column) => column.key === key);
  say(`${state.box.dataset.caption} sorted by ${label}, ${state.isDown ? "falling" : "rising"}.`);
}

/* Blank values stay at the end whichever way the table is sorted. */
function compare(a, b, isDown) {
  const blankA = a === null || a === "";
  const blankB = b === null || b === "";
  if (blankA || blankB) return blankA - blankB;
  const order = typeof a === "number" && typeof b === "number" ? a - b : collator.compare(String(a), String(b));
  return isDown ? -order : order;
}

function inOrder(state) {
  if (!state.sortKey) return state.found;
  return [...state.found].sort((a, b) => compare(a[state.sortKey], b[state.sortKey], state.isDown) || a.number - b.number);
}

function fill(state) {
  if (!state.body) return;
  const rows = inOrder(state);
  state.body.replaceChildren(...rows.slice(0, state.limit).map((row) => lineOf(state, row)));
  const shown = Math.min(state.limit, rows.length);
  const count = rows.length === state.rows.length ? inDigits(rows.length, 0) : `${inDigits(rows.length, 0)} of ${inDigits(state.rows.length, 0)}`;
  state.caption.textContent = `${state.box.dataset.caption}: ${count}${shown < rows.length ? `, the first ${inDigits(shown, 0)} listed` : ""}`;
  state.more.hidden = shown >= rows.length;
  state.more.textContent = `Show ${inDigits(Math.min(ROWS_AT_A_TIME, rows.length - shown), 0)} more`;
}

function lineOf(state, row) {
  const line = element("tr");
  state.columns.forEach((column, i) => {
    const cell = element(i === 0 ? "th" : "td", cellClass(column));
    if (i === 0) cell.append(goButton(state, row, column)); else cell.textContent = words(row[column.key], column);
    if (column.key === "shortfall" && row.shortfall > 0) cell.classList.add("is-short");
    line.append(cell);
  });
  line.firstChild.scope = "row";
  line.addEventListener("click", (event) => {
    if (!event.target.closest("button") && window.getSelection().isCollapsed) visit(state.kind, row.number, line.querySelector("button"));
  });
  return line;
}

function goButton(state, row, column) {
  const text = words(row[column.key], column);
  const button = element("button", "go");
  button.type = "button";
  if (state.kind === "sites") button.append(element("span", "badge", String(row.rank === null ? row.number + 1 : row.rank)));
  button.append(element("span", "go-name", text === "–" ? row.property_id || "not named" : text), element("span", "unseen", ", show on the map"));
  button.addEventListener("click", () => visit(state.kind, row.number, button));
  return button;
}

function search(tables, typed) {
  const wanted = typed.trim().toLowerCase();
  for (const state of tables) {
    state.found = wanted ? state.rows.filter((row) => state.texts[row.number].includes(wanted)) : state.rows;
    state.limit = ROWS_AT_A_TIME;
    fill(state);
  }
  const told = tables.map((state) => `${inDigits(state.found.length, 0)} ${state.found.length === 1 ? { sites: "site", properties: "property" }[state.kind] : state.kind}`);
  document.getElementById("search-count").textContent = wanted ? `Found ${told.join(" and ")}.` : "";
}

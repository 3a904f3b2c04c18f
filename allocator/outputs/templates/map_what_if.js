/* The panel that answers 'what if' while numbers are typed. */
const asked = document.getElementById("what-if-form");
const answer = Object.fromEntries([...document.querySelectorAll("[data-answer]")].map((part) => [part.dataset.answer, part]));
const ruleOfPlan = plan.whatIf.rule;
const ROWS_OF_ANSWER = 200;
let shareRows = [];
let sharesShown = ROWS_OF_ANSWER;

/* What is typed, and a sentence for the first thing that cannot be. */
function typedNumbers() {
  const [acresText, priceText, handText] = ["acres", "price", "hand"].map((name) => asked.elements[name].value.trim());
  const acres = Number(acresText);
  const typed = { acres, cents: priceText ? centsOf(priceText) : null, hand: handText ? Number(handText) : null, fault: "", at: "" };
  const refuse = (at, fault) => { if (!typed.fault) Object.assign(typed, { at, fault }); };
  if (!acresText || !(acres > 0) || !Number.isFinite(acres)) refuse("acres", "Acres for one trap must be a number above 0.");
  if (priceText && typed.cents === null) refuse("price", "The price must be dollars, such as 1822.20, or blank.");
  if (handText && !(/^\d+$/.test(handText) && Number.isSafeInteger(typed.hand))) refuse("hand", "Traps on hand must be a whole number, or blank for as many as needed.");
  return typed;
}

function commandFor({ acres, hand }, wanted) {
  const parts = [];
  if (acres !== ruleOfPlan.acresPerTrap) parts.push(`--set traps.acres_per_trap=${acres}`);
  if (hand !== ruleOfPlan.onHand) parts.push(`--set traps.available=${hand === null ? wanted : hand}`);
  return `allocator plan study.toml --out another_plan ${parts.join(" ")}`.trim();
}

function put(name, text) { answer[name].textContent = text; }

/* Gives the answer in one sentence. As the plan does: where fewer are on hand than needed beside those that stand, only so many can be set up. */
function showAnswer() {
  const typed = typedNumbers();
  for (const box of asked.elements) {
    if (box.name === typed.at) box.setAttribute("aria-invalid", "true"); else box.removeAttribute("aria-invalid");
  }
  put("fault", typed.fault);
  const need = typed.fault ? null : workOutNeed(plan.whatIf, typed.acres, plan.whatIf.properties);
  if (need && !Number.isSafeInteger(need.traps)) put("fault", "So few acres make more traps than can be counted here.");
  const isGood = need !== null && Number.isSafeInteger(need.traps);
  document.getElementById("what-if-answer").hidden = !isGood;
  if (!isGood) return answer.fault.textContent;
  const wanted = need.traps - need.standing;
  const placed = typed.hand === null ? wanted : Math.min(typed.hand, wanted);
  put("exact", inDigits(need.exact, 2));
  put("traps", inDigits(need.traps, 0));
  put("standing", inDigits(need.standing, 0));
  put("placed", inDigits(placed, 0));
  put("cost", typed.cents === null ? "no price given" : dollarsOf(typed.cents * BigInt(placed)));
  put("holders", need.byProperty ? inDigits(need.byProperty.filter(Boolean).length, 0) : "not counted");
  put("short", placed < wanted ? `${inDigits(wanted - placed, 0)} ${wanted - placed === 1 ? "trap" : "traps"} would be wanting. Which ground gets those on hand depends on the sites, so the table shows what each property needs.` : "");
  const isPlan = typed.acres === ruleOfPlan.acresPerTrap && typed.hand === ruleOfPlan.onHand;
  put("same", isPlan ? "These are this plan's own settings." : "");
  put("command", commandFor(typed, wanted));
  showShares(need.byProperty);
  return `${answer.exact.textContent} traps before rounding, ${answer.traps.textContent} whole, ${answer.placed.textContent} can be set up, cost ${answer.cost.textContent}.`;
}

function showShares(byProperty) {
  sharesShown = ROWS_OF_ANSWER;
  shareRows = byProperty === null ? [] : things.properties
    .map(({ row }) => ({ row, now: row.traps || 0, then: byProperty[row.number] }))
    .filter(({ now, then }) => now || then)
    .sort((a, b) => b.then - a.then || b.now - a.now || a.row.number - b.row.number);
  document.getElementById("what-if-many").hidden = byProperty !== null;
  fillShares();
}

function fillShares() {
  const lines = shareRows.slice(0, sharesShown).map(({ row, now, then }) => {
    const line = element("tr");
    const head = element("th");
    head.scope = "row";
    const button = element("button", "go");
    button.type = "button";
    button.append(element("bdi", "go-name", row.name || row.property_id), element("span", "unseen", ", show on the map"));
    button.addEventListener("click", () => visit("properties", row.number, button));
    head.append(button);
    const change = then === now ? "same" : `${inDigits(Math.abs(then - now), 0)} ${then > now ? "more" : "fewer"}`;
    line.append(head, element("td", "wide", row.property_id), element("td", "number", inDigits(now, 0)), element("td", "number", inDigits(then, 0)), element("td", "number", change));
    return line;
  });
  document.getElementById("what-if-rows").replaceChildren(...lines);
  document.querySelector(".what-if-table").hidden = shareRows.length === 0;
  document.getElementById("what-if-caption").textContent = `Traps by property: ${inDigits(shareRows.length, 0)}${lines.length < shareRows.length ? `, the first ${inDigits(lines.length, 0)} listed` : ""}`;
  document.getElementById("what-if-more").hidden = lines.length >= shareRows.length;
}

document.getElementById("what-if-more").addEventListener("click", () => { sharesShown += ROWS_OF_ANSWER; fillShares(); });
asked.addEventListener("submit", (event) => event.preventDefault());
let answering = 0;
let telling = 0;
asked.addEventListener("input", () => {
  clearTimeout(answering);
  clearTimeout(telling);
  answering = setTimeout(() => {
    const told = showAnswer();
    telling = setTimeout(() => say(told), 700);
  }, things.properties.length > 3000 ? 200 : 0);
});
asked.addEventListener("reset", () => setTimeout(showAnswer, 0));
asked.elements.price.defaultValue = plan.whatIf.price;
asked.elements.acres.defaultValue = String(ruleOfPlan.acresPerTrap);
asked.elements.hand.defaultValue = ruleOfPlan.onHand === null ? "" : String(ruleOfPlan.onHand);
asked.reset();
answer.standing.parentElement.hidden = plan.whatIf.complexes.every(({ standing }) => !standing);

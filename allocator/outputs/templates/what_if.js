/* How many traps, and whose: the rules of the plan for other numbers. The same steps in the same order as in
   allocator/traps/need.py and sharing.py, and the same whole numbers where these have them, so nothing can differ. */
const NUDGE = 1e-9;
const MOST_SHARED = 20000;

/* Whole traps of one complex. */
function trapsNeeded(exact, rounding, isLargeEnough) {
  const whole = { nearest: Math.floor(exact + 0.5 + NUDGE), up: Math.ceil(exact - NUDGE), down: Math.floor(exact + NUDGE) }[rounding];
  return isLargeEnough ? Math.max(whole, 1) : whole;
}

/* A number is digits times a power of 2: with one power for all, sizes become whole numbers without losing a bit. */
function binaryParts(size) {
  const view = new DataView(new ArrayBuffer(8));
  view.setFloat64(0, size);
  const bits = view.getBigUint64(0);
  const raised = Number((bits >> 52n) & 0x7ffn);
  const digits = bits & 0xfffffffffffffn;
  return raised ? { digits: digits | 0x10000000000000n, power: raised - 1075 } : { digits, power: -1074 };
}

function wholeSizes(sizes) {
  const parts = sizes.map(binaryParts);
  const least = parts.reduce((low, one) => (one.digits ? Math.min(low, one.power) : low), 1024);
  return parts.map(({ digits, power }) => (digits ? digits << BigInt(power - least) : 0n));
}

function falling(a, b) { return a === b ? 0 : a > b ? -1 : 1; }

/* Whole shares of a total in proportion to sizes; of equal claims the larger size wins, then the earlier place. */
function share(total, sizes, method) {
  const whole = wholeSizes(sizes);
  return method === "largest_remainder" ? largestRemainder(BigInt(total), whole) : byClaims(total, whole, method);
}

function largestRemainder(total, sizes) {
  const sum = sizes.reduce((all, size) => all + size, 0n);
  if (!sum) return sizes.map(() => 0);
  const shares = sizes.map((size) => (size * total) / sum);
  const rests = sizes.map((size) => (size * total) % sum);
  const left = Number(total - shares.reduce((all, one) => all + one, 0n));
  const byClaim = sizes.map((_, i) => i).sort((i, j) => falling(rests[i], rests[j]) || falling(sizes[i], sizes[j]) || i - j);
  const isRaised = new Set(byClaim.slice(0, left));
  return shares.map((one, i) => Number(one) + (isRaised.has(i) ? 1 : 0));
}

const claimOf = {
  webster: (size, held) => ({ over: size, under: 2n * held + 1n }),
  huntington_hill: (size, held) => ({ over: size * size, under: held * (held + 1n) }),
};

/* One at a time to the largest claim; with Huntington-Hill a first one is sure and comes before all others. */
function byClaims(total, sizes, method) {
  const isFirstSure = method === "huntington_hill";
  const shares = sizes.map(() => 0);
  const claim = (i) => ({ i, size: sizes[i], isSure: isFirstSure && shares[i] === 0, ...(isFirstSure && shares[i] === 0 ? { over: 0n, under: 1n } : claimOf[method](sizes[i], BigInt(shares[i]))) });
  const order = (a, b) => Number(b.isSure) - Number(a.isSure) || falling(a.over * b.under, b.over * a.under) || falling(a.size, b.size) || a.i - b.i;
  const queue = sizes.map((_, i) => i).filter((i) => sizes[i]).map(claim).sort(order);
  for (let given = 0; given < total; given += 1) {
    const { i } = queue[0];
    shares[i] += 1;
    sinkFirst(queue, claim(i), order);
  }
  return shares;
}

/* A new first claim takes its place in a heap, each of whose claims comes before the two below it. */
function sinkFirst(queue, made, order) {
  let at = 0;
  for (;;) {
    let below = 2 * at + 1;
    if (below + 1 < queue.length && order(queue[below + 1], queue[below]) < 0) below += 1;
    if (below >= queue.length || order(made, queue[below]) <= 0) break;
    queue[at] = queue[below];
    at = below;
  }
  queue[at] = made;
}

/* The need at so many acres a trap: before rounding, whole, standing already, and by property where not too many. */
function workOutNeed({ complexes, rule }, acresPerTrap, properties) {
  const perTrap = acresPerTrap * rule.squareMetresPerAcre;
  const smallest = rule.smallestAcres * rule.squareMetresPerAcre * (1 - 1e-9);
  const need = { exact: 0, traps: 0, standing: 0, byProperty: null };
  const traps = complexes.map(({ m2, standing }) => {
    const exact = m2 / perTrap;
    const whole = trapsNeeded(exact, rule.rounding, m2 > 0 && m2 >= smallest);
    need.exact += exact;
    need.traps += whole;
    need.standing += Math.min(standing, whole);
    return whole;
  });
  if (need.traps > MOST_SHARED) return need;
  need.byProperty = new Array(properties).fill(0);
  complexes.forEach(({ holders, sizes }, c) => {
    if (traps[c]) share(traps[c], sizes, rule.shareBy).forEach((one, i) => { need.byProperty[holders[i]] += one; });
  });
  return need;
}

/* Dollars as typed, in whole cents; null where it is no amount of money. */
function centsOf(text) {
  const found = /^(\d{1,12})(?:\.(\d{1,2}))?$/.exec(text.trim());
  return found ? BigInt(found[1]) * 100n + BigInt((found[2] || "").padEnd(2, "0")) : null;
}

function dollarsOf(cents) {
  const whole = String(cents / 100n).replace(/\B(?=(\d{3})+$)/g, ",");
  return `$${whole}.${String(cents % 100n).padStart(2, "0")}`;
}

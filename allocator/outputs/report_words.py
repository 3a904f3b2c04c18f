"""The report in sentences: summary, how acres become traps, what the plan assumes and does not know, references."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from allocator.core.results import Plan
from allocator.core.settings import HabitatSettings
from allocator.core.units import acres
from allocator.outputs.coordinates_words import distance_words
from allocator.outputs.date_words import span_words
from allocator.outputs.number_words import BLANK, count, number, whole
from allocator.outputs.work_tables import Head, Row, Sheet, records
from allocator.outputs.work_words import work_figures

COMPONENTS = {
    "cover": "land cover", "water": "nearness to water", "lowland": "low ground", "escape": "nearness to escape cover",
    "crops": "nearness to crops", "flooding": "flooding of the soil", "drainage": "wetness of the soil",
    "canopy": "tree canopy", "developed": "distance from buildings",
}  # fmt: skip
"""Parts of the score in the words of the map."""
CURVES = {"water": "water_m", "lowland": "lowland_m", "escape": "escape_m", "crops": "crops_m",
          "developed": "developed_m", "canopy": "canopy_percent"}  # fmt: skip
ROUNDING = {"nearest": "to the nearest whole number, a half up", "up": "up to a whole number",
            "down": "down to a whole number"}  # fmt: skip
SHARING = {
    "largest_remainder": "Each property gets the whole part of its quota; the traps that are left go to the largest "
    "parts behind the point, so that nobody is more than one trap from the quota.",
    "webster": "One trap at a time goes to the largest of: habitat / (2 · traps so far + 1).",
    "huntington_hill": "Each property with habitat gets one as long as there are traps; then one at a time to the "
    "largest of: habitat · habitat / (traps so far · (traps so far + 1)).",
}  # fmt: skip
BARE = " to |^(weight|power|part|fraction|score|share)"
"""Units that are no measure."""
NO_SOURCE, MOST_SHARES = "source not stated", 8  # shares: owners that the worked example lists
MAIN = (
    "traps.acres_per_trap", "traps.acres_per_trap_range", "traps.rounding", "traps.smallest_habitat_acres",
    "habitat.threshold", "habitat.smallest_patch_acres", "habitat.join_distance_m", "sites.service_radius_m",
    "sites.spacing_m",
)  # fmt: skip
"""Settings that move the number of traps and sites most."""
GROUPS = (
    ("traps.", "Traps"), ("range.", "Low and high number of traps"), ("habitat.seasons.", "What a season changes"),
    ("habitat.cover.", "Score of each land cover class"), ("habitat.", "Habitat"), ("study.", "Land that is scored"),
    ("sites.", "Sites"), ("equipment.", "Kit"), ("prices.", "Prices"), ("calendar.", "Season"),
    ("crews.", "Crews and rounds"), ("grant.", "Grant and budget"), ("pigs.", "Pigs"), ("", "Other"),
)  # fmt: skip
"""How settings begin, and the words over those; the first that fits counts."""


@dataclass(frozen=True)
class Step:
    """One step from land to traps.

    Parameters
    ----------
    title : str
        What it makes.
    formulas : tuple of str
        With the numbers of the plan; what stands behind ``^`` is to be raised, see :func:`raised`.
    sentences : tuple of str
        What they mean.
    """

    title: str
    formulas: tuple[str, ...]
    sentences: tuple[str, ...]


def raised(formula: str) -> list[tuple[str, bool]]:
    """A formula in pieces, and whether each is raised.

    Parameters
    ----------
    formula : str
        What stands behind ``^``, a number or something in brackets, is raised and loses the brackets.

    Returns
    -------
    list of (str, bool)
        In order.

    Examples
    --------
    >>> raised("(cover^2 · water)^(1/3)")
    [('(cover', False), ('2', True), (' · water)', False), ('1/3', True)]
    """
    parts = re.split(r"\^(\([^()]*\)|[\d.]+)", formula)
    pieces = [(part.strip("()") if at % 2 else part, at % 2 == 1) for at, part in enumerate(parts)]
    return [piece for piece in pieces if piece[0]]


def summary(plan: Plan) -> str:
    """The plan in one paragraph.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    str
        What the plan does not know is left out, or said to be missing.
    """
    totals, calendar = plan.totals, plan.study.settings.calendar
    owners = "1 property" if totals.properties == 1 else f"{totals.properties:,} properties"
    land, habitat = number(totals.area_acres, 1), number(totals.habitat_acres, 1)
    signed = number(totals.enrolled_habitat_acres, 1)
    told = [f"On {owners} with {land} acres, {habitat} acres score as habitat, {signed} of them on signed-up land."]
    if not totals.habitat_acres:
        return f"{told[0]} With these settings no trap is justified."
    told.append(
        f"At one trap for {plan.study.settings.traps.acres_per_trap:g} acres this takes {count(totals.traps, 'trap')}, "
        f"or {totals.traps_low:,} to {totals.traps_high:,} when the assumptions are varied."
    )
    told += [f"Traps on hand: {totals.traps_given:,}."] if totals.traps_given < totals.traps else []
    told += [f"Traps standing already: {totals.existing_traps:,}."] if totals.existing_traps else []
    short = f"; {_without_site(plan)} no site" if totals.shortfall else ""
    told.append(f"Sites found within reach of a truck: {totals.sites:,}{short}.")
    if totals.sites_served:
        season = span_words(calendar.first_day, calendar.last_day)
        told.append(f"{count(totals.trap_sets, 'trap set')} can serve {count(totals.sites_served, 'site')}.")
        told += [f"The season is {season}."] if season else []
    cost, left_out = cost_words(plan)
    told += [f"The plan costs {cost}{f' ({left_out})' if left_out else ''}."] if "$" in cost else []
    return " ".join(told)


def figures(plan: Plan) -> list[tuple[str, str, str]]:
    """The five figures of the first page.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of (str, str, str)
        Label, number with its unit, and its range or what it leaves out.
    """
    totals = plan.totals
    cost, left_out = cost_words(plan)
    sites = f"{_without_site(plan)} none" if totals.shortfall else "every trap has one"
    fewest = f"; at least {totals.trap_sets_bound:,} needed" if totals.trap_sets_bound < totals.trap_sets else ""
    signed = f"{number(totals.enrolled_habitat_acres, 1)} on signed-up land"
    return [
        ("Habitat", f"{number(totals.habitat_acres, 1)} acres", signed),
        ("Traps needed", f"{totals.traps:,}", f"{totals.traps_low:,} to {totals.traps_high:,} in 80 of 100 draws"),
        ("Sites found", f"{totals.sites:,}", sites if totals.traps else "no trap is needed"),
        ("Trap sets", f"{totals.trap_sets:,}", f"for {count(totals.sites_served, 'site')}{fewest}"),
        ("Cost", cost, left_out),
    ]


def cost_words(plan: Plan) -> tuple[str, str]:
    """The cost of the plan and what it leaves out.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    cost, left_out : str
        Such as ``at least $300.00`` and ``1 thing without a price``; a cost that is not known says so.
    """
    cost, left_out = {label: more for label, *more in work_figures(plan.totals)}.get("Cost", ["not known", ""])
    return cost, left_out.strip("()")


def _without_site(plan: Plan) -> str:
    short = plan.totals.shortfall
    return "1 trap has" if short == 1 else f"{short:,} traps have"


def method(plan: Plan) -> list[Step]:
    """How acres become traps and sites, with the numbers of this plan.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of Step
        In the order of the work.
    """
    settings, totals, habitat = plan.study.settings, plan.totals, plan.study.planned.habitat
    rule, sites, cell_m = settings.traps, settings.sites, plan.study.grid.cell_m
    per_trap, found = f"{rule.acres_per_trap:g} acres", len(plan.complexes)
    names = [name for name in plan.facts.get("score_components", ()) if name in COMPONENTS]
    cell = f"A cell is {cell_m:g} m wide: {cell_m**2:g} square metres, {acres(cell_m**2):.4f} acre."
    circle = "" if sites.service_radius_m else f"({rule.acres_per_trap:g} · 43,560 square feet / 3.1416)^(1/2) = "
    return [
        Step("Every cell gets a score", _score_formulas(names, habitat), (cell, *_curves(names, habitat))),
        Step(
            "Good cells make habitat",
            (f"habitat = cells that score {habitat.threshold:g} or more",),
            (f"Cells that touch form a patch. Patches under {habitat.smallest_patch_acres:g} acres do not count.",
             "A cell on a property line counts for each owner by its part inside."
             if settings.study.property_lines == "share" else "A cell counts for the owner who has its centre."),
        ),
        Step(
            "Patches near each other make a complex",
            (f"gap between patches < {distance_words(habitat.join_distance_m)}",),
            (f"There {'is 1 complex' if found == 1 else f'are {found:,} complexes'} in this plan. Pigs do not know "
             "property lines, so traps are counted for the complex.",),
        ),
        Step(
            "Acres of a complex make traps",
            (f"traps = habitat on signed-up land / {per_trap}, rounded {ROUNDING[rule.rounding]}",
             f"{number(totals.enrolled_habitat_acres, 1)} acres / {per_trap} = {number(totals.traps_exact, 2)} before "
             f"rounding; {totals.traps:,} after rounding complex by complex"),
            (f"A complex with {rule.smallest_habitat_acres:g} acres or more gets at least one trap.",
             f"One trap for {per_trap}: {_source(plan, 'traps.acres_per_trap')}."),
        ),
        Step(
            "Traps are shared by the habitat of each owner",
            ("quota = traps of the complex · habitat of the owner / habitat of all owners",),
            (SHARING[rule.share_by],),
        ),
        Step(
            "Traps get sites",
            (f"radius that a trap serves = {circle}{distance_words(settings.service_radius_m)}",),
            (f"Sites lie {' to '.join(map(distance_words, sites.road_distance_m))} from a truck road, "
             f"{distance_words(sites.boundary_setback_m)} or more inside the property line and "
             f"{distance_words(sites.spacing_m)} or more apart. Of all choices that keep the limits the plan takes the "
             f"one that serves most habitat (Church and ReVelle 1974){_solved(plan)}.",),
        ),
    ]  # fmt: skip


def _score_formulas(names: Sequence[str], habitat: HabitatSettings) -> tuple[str, ...]:
    weights = {name: float(getattr(habitat.weights, name)) for name in names}
    limit = weights.pop("developed", 0.0)  # it only takes away and is no part of the mean
    parts = {COMPONENTS[name]: weight for name, weight in weights.items() if weight}
    if not parts:
        return ()
    whole_weight = f"{sum(parts.values()):g}"
    if habitat.combine == "geometric":
        formula = f"({' · '.join(_power(*part) for part in parts.items())})^(1/{whole_weight})"
    elif habitat.combine == "arithmetic":
        formula = f"({' + '.join(f'{weight:g} · {name}' for name, weight in parts.items())}) / {whole_weight}"
    else:
        formula = f"the least of {', '.join(parts)}"
    taken = f" · {_power(COMPONENTS['developed'], limit)}" if limit else ""
    return (f"score = {formula}{taken}",)


def _power(name: str, weight: float) -> str:
    return name if weight == 1 else f"{name}^{weight:g}"


def _curves(names: Sequence[str], habitat: HabitatSettings) -> list[str]:
    """How the index of each part follows from what is measured."""
    told = ["The index of land cover goes by class; the table of assumptions lists all."] if "cover" in names else []
    for name in names:
        if name in CURVES:
            points = getattr(habitat.curves, CURVES[name])
            unit = "percent" if CURVES[name].endswith("percent") else "m"
            ends = ", ".join(f"{index:g} at {at:,g} {unit}" for at, index in points)
            told.append(f"{COMPONENTS[name].capitalize()}: {ends}; straight lines between, level beyond.")
    return told


def _solved(plan: Plan) -> str:
    if plan.solver.status == "optimal":
        return "; no other choice serves more"
    if plan.solver.status == "feasible":
        return f"; a better choice could serve at most {number(plan.solver.gap_percent, 1)} percent more"
    return ""


def _source(plan: Plan, setting: str) -> str:
    rows = records("assumptions", plan.assumptions)
    return next((row["source"] for row in rows if row["setting"] == setting and row["source"]), NO_SOURCE)


def worked_example(plan: Plan) -> tuple[list[str], Sheet | None]:
    """One complex by hand: from its acres to the traps of its owners.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    sentences : list of str
        Empty where no complex has a trap.
    shares : Sheet or None
        Quotas of the owners with most habitat; None where no complex has a trap.
    """
    complexes = [row for row in records("complexes", plan.complexes) if row["traps"] > 0]
    if not complexes:
        return [], None
    holders = plan.trap_shares["complex_id"].value_counts()
    few = [row for row in complexes if 2 <= holders[row["complex_id"]] <= MOST_SHARES]
    one = max(few or complexes, key=lambda row: int(row["traps"]))
    rule, name = plan.study.settings.traps, one["complex_id"]
    acres_words = number(one["enrolled_habitat_acres"], 1)
    told = [
        f"Complex {name} has {acres_words} acres of habitat on signed-up land. {acres_words} / {rule.acres_per_trap:g} "
        f"= {number(one['traps_exact'], 2)}.",
        f"Rounded {ROUNDING[rule.rounding]}, and at least one from {rule.smallest_habitat_acres:g} acres up, this is "
        f"{count(int(one['traps']), 'trap')}.",
    ]
    return told, _shares(plan, one, {row["complex_id"] for row in complexes if row["complex_id"] != name})


def _shares(plan: Plan, one: Row, others: set[str]) -> Sheet:
    """Quotas in one complex; traps of owners all of whose traps come from it."""
    shares = plan.trap_shares
    holders = records("trap_shares", shares[shares["complex_id"] == one["complex_id"]])
    told = sorted(holders, key=lambda row: -row["habitat_m2"])[:MOST_SHARES]
    owners = plan.properties["property_id"].isin({row["property_id"] for row in told})
    traps_of = {row["property_id"]: row["traps"] for row in records("properties", plan.properties[owners])}
    elsewhere = set(shares.loc[shares["complex_id"].isin(others), "property_id"])
    rows = []
    for row in told:
        owner, quota = row["property_id"], int(one["traps"]) * row["habitat_m2"] / row["complex_habitat_m2"]
        mine, every = (number(acres(row[name]), 1) for name in ("habitat_m2", "complex_habitat_m2"))
        traps = BLANK if owner in elsewhere else whole(traps_of.get(owner))
        rows.append((owner, mine, f"{one['traps']} · {mine} / {every} = {number(quota, 2)}", traps))
    heads = (Head("Property no."), Head("Habitat in it", "acres", "number"), Head("Quota", "", "number"),
             Head("Traps", "", "number"))  # fmt: skip
    return Sheet(f"Shares in complex {one['complex_id']}", heads, tuple(rows), max(0, len(holders) - MOST_SHARES))


def main_assumptions(plan: Plan) -> list[str]:
    """The assumptions that move the numbers most, each with its source.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of str
        One sentence each.
    """
    rows = {row["setting"]: row for row in records("assumptions", plan.assumptions)}
    told = [(rows[name], rows[name]["meaning"] or name) for name in MAIN if name in rows]
    return [f"{means[:1].upper()}{means[1:]}: {value_words(row)}; {row['source'] or NO_SOURCE}." for row, means in told]


def value_words(row: Row) -> str:
    """Value and unit of an assumption.

    Parameters
    ----------
    row : dict
        Row of the table ``assumptions``.

    Returns
    -------
    str
        Whole numbers without a point; units that only list the choices are left out.

    Examples
    --------
    >>> value_words({"value": "300.0", "unit": "acres of habitat"})
    '300 acres of habitat'
    >>> value_words({"value": "nearest", "unit": "nearest | up | down"})
    'nearest'
    """
    value, unit = re.sub(r"(?<=\d)\.0\b", "", row["value"] or ""), row["unit"] or ""
    if value.startswith("['"):
        value = value.strip("[]").replace("'", "")
    if " | " in unit or not unit:
        return value.replace("_", " ")
    is_plain = re.fullmatch(r"-?[\d.]+", value) and not re.search(BARE, unit)
    return f"{value} {unit}" if is_plain else f"{value} ({unit})"


def assumption_groups(plan: Plan) -> list[tuple[str, list[Row]]]:
    """Every assumption, in groups.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of (str, list of dict)
        Words and rows of the table ``assumptions``; groups without any are left out.
    """
    found: dict[str, list[Row]] = {words: [] for _, words in GROUPS}
    for row in records("assumptions", plan.assumptions):
        found[next(words for start, words in GROUPS if (row["setting"] or "").startswith(start))].append(row)
    return [(words, rows) for words, rows in found.items() if rows]

"""The plan as a report for people who write and judge applications: one page that prints well and opens offline."""

import math
from collections.abc import Iterable
from dataclasses import replace
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
from jinja2 import DictLoader, Environment, StrictUndefined
from markupsafe import Markup

from allocator.core.cautions import CAUTIONS, HEADLINE
from allocator.core.crs import describe
from allocator.core.results import Plan
from allocator.outputs.charts import frontier_chart, tornado_chart
from allocator.outputs.coordinates_words import bearing_words, degrees, distance_words
from allocator.outputs.number_words import BLANK, number, whole
from allocator.outputs.report_words import (
    assumption_groups,
    cost_words,
    figures,
    main_assumptions,
    method,
    raised,
    summary,
    value_words,
    worked_example,
)
from allocator.outputs.static_map import plan_maps
from allocator.outputs.styles import colour, xml_text
from allocator.outputs.work_tables import Head, Row, Sheet, records
from allocator.outputs.work_words import work_section

MOST_ROWS = 200
"""Rows of one table of results; the assumptions are always listed in full."""
LONGEST_WORD = 20
"""Letters of a word that a narrow column takes without breaking it."""
COLOURS = ("paper", "leaf", "ink", "soft", "rule", "clay", "clay-dark")
"""Colours of the map page that the report uses too."""
NOT_KNOWN = (
    "Habitat: no published scores of land cover classes for feral swine were found. Scores, curves, weights and the "
    "threshold are project defaults, a hypothesis for cameras to test. Regions differ even in sign: wetlands were "
    "chosen in Florida and avoided in a Texas study (preprint, authorea 648114).",
    "Pigs: habitat is not pigs. On 25 South Carolina properties density ran from 0.60 to 15.85 pigs per square "
    "kilometre (Taylor et al., J. Wildl. Manage.). Pigs are told only from a density or a count that was given.",
    "Traps: acres per trap are a rule of thumb. Traps answer to groups of pigs, which keep ranges of their own "
    "(Sparklin et al. 2009), and the rule does not know where the ground of one group ends.",
    "Low and high: they show how the number leans on the assumptions, themselves project defaults; not how sure it is.",
    "Maps: water, roads, buildings and forbidden ground that are in none of the files do not exist for the plan. It "
    "does not know how old the land cover is.",
    "Sites: it knows no gate, fence, ditch, bridge or soft shoulder. The best choice is the best of the arithmetic, "
    "among the spots that were found.",
    "Time and money: days of each stage, hours and speeds are project defaults or common practice. The budget is "
    "arithmetic; which costs are allowed is for the awarding agency to say.",
    "Owners and law: signed up means what the file says. The plan does not know who owns, leases, hunts or farms the "
    "land today, nor any local rule.",
)
"""What no plan of this tool knows."""
REFERENCES = {
    "McRae et al. 2020": "McRae et al. 2020, Wildl. Soc. Bull. 44:362-371, doi 10.1002/wsb.1074",
    "Snow and VerCauteren 2019": "Snow and VerCauteren 2019, Crop Prot. 124:104835",
    "Evans et al. 2024": "Evans et al. 2024, Movement Ecology 12, doi 10.1186/s40462-024-00472-y",
    "Buchholtz, Jamison and Yarrow 2025": "Buchholtz, Jamison and Yarrow 2025, Stacks J., doi 10.60102/stacks-25014",
    "Hayes et al. 2009": "Hayes et al. 2009, Southeast. Nat. 8:411-426",
    "Taylor et al.": "Taylor et al., J. Wildl. Manage., doi 10.1002/jwmg.70054",
    "Mellish et al. 2014": "Mellish et al. 2014, Southeast. Nat. 13:367-376",
    "Timmons et al. 2012": "Timmons et al. 2012, SP-472",
    "Sparklin et al. 2009": "Sparklin et al. 2009, J. Wildl. Manage. 73, doi 10.2193/2007-585",
    "Sousa and Farmer 1983": "Sousa and Farmer 1983, FWS/OBS-82/10.43",
    "Rogers and Allen 1987": "Rogers and Allen 1987, Biol. Rep. 82(10.144)",
    "Church and ReVelle 1974": "Church and ReVelle 1974, Papers Reg. Sci. Assoc. 32:101-118",
    "Fischer et al. 2020": "Fischer et al. 2020, Sci. Rep. 10, s41598-020-68264-z",
    "AgriLife L-5524": "AgriLife L-5524 (2011)",
    "AgriLife L-5526": "AgriLife L-5526 (2011)",
    "UF/IFAS Ona report": "UF/IFAS Ona report, July 2017",
    "openscholar.uga.edu/record/5063": "UGA thesis, openscholar.uga.edu/record/5063",
    "Ecological Services Manual": "US Fish and Wildlife Service, Ecological Services Manual 101 to 103",
    "648114": "Preprint, authorea 648114",
    "36 CFR": "36 CFR 1.6 and 2.2",
    "2 CFR 200": "2 CFR 200, as revised for awards from 1 October 2024",
    "5 U.S.C. 6103": "5 U.S.C. 6103",
}
"""Words that cite a source, and the source as the project's own documents name it."""
CITING = ("assumptions", "yardsticks", "pigs")
"""Tables with sources."""


def report_page(plan: Plan) -> str:
    """The report as HTML text.

    Parameters
    ----------
    plan : Plan
        The plan; nothing is calculated from it but what drawing needs, and the quotas of one example.

    Returns
    -------
    str
        One self-contained document without scripts. Text of the user stands in it as text only.

    Raises
    ------
    ValueError
        A table is not as ``columns.csv`` documents it: a fault of the tool.
    """
    maps, totals = plan_maps(plan), plan.totals
    example, shares = worked_example(plan)
    words: dict[str, Any] = {
        "study": plan.study.settings.study.name or "Trap plan",
        "headline": HEADLINE, "cautions": CAUTIONS, "warnings": plan.warnings, "totals": totals,
        "summary": summary(plan), "figures": figures(plan), "maps": maps.maps,
        "steps": method(plan), "example": example, "shares": shares,
        "tornado": tornado_chart(
            list(plan.tornado[["assumption", "low_traps", "high_traps"]].itertuples(index=False, name=None)),
            point=totals.traps_exact,
        ),
        "frontier": frontier_chart(
            plan.frontier["traps"].tolist(), plan.frontier["served_units_acres"].tolist(), placed=totals.sites
        ),
        "sightings": plan.facts.get("sightings"), "justification": plan.justification, "cost": cost_words(plan),
        "main_assumptions": main_assumptions(plan), "assumptions": assumption_tables(plan), "not_known": NOT_KNOWN,
        "not_given": not_given(plan), "references": references(plan), "measured": _measured(plan),
        "season": plan.study.planned.words, "threshold": plan.study.settings.habitat.threshold,
    }  # fmt: skip
    tables: dict[str, Any] = {
        "properties": properties_table(plan), "seasons": _seasons(plan), "yardsticks": _yardsticks(plan),
        "pigs": _pigs(plan), "sites": _sites(plan), "shortfalls": _shortfalls(plan), "inputs": _inputs(plan),
        "problems": _problems(plan),
    } | work_section(plan)  # fmt: skip
    cut = {name: cut_rows(part) if isinstance(part, Sheet) else part for name, part in tables.items()}
    return _environment().get_template("report.html").render(
        words, tables=cut, style=Markup(_text("report.css")), colours={name: colour(name) for name in COLOURS},
        score=Markup(f'url("{maps.score_uri}") {maps.score_place} no-repeat') if maps.score_uri else "none",
    )  # fmt: skip


def cut_rows(sheet: Sheet) -> Sheet:
    """The first rows of a table.

    Parameters
    ----------
    sheet : Sheet
        Any number of rows.

    Returns
    -------
    Sheet
        At most ``MOST_ROWS`` of them; ``left_out`` counts the others.
    """
    left_out = sheet.left_out + max(0, len(sheet.rows) - MOST_ROWS)
    return replace(sheet, rows=sheet.rows[:MOST_ROWS], left_out=left_out)


def properties_table(plan: Plan) -> Sheet | None:
    """Acres and traps of every property, those signed up first, then those with most habitat.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    Sheet or None
        None without properties.
    """
    heads = (
        Head("Property", kind="long"), Head("Number"), Head("Signed up"), _counted("Land", "acres"),
        _counted("Habitat", "acres"), _counted("Part that is habitat", "%"), _counted("Traps before rounding"),
        _counted("Traps needed"), _counted("Low to high"), _counted("Sites found"), _counted("Traps without a site"),
    )  # fmt: skip
    signed = plan.properties["enrolled"].isin((True, "yes")).to_numpy()
    order = np.lexsort((-plan.properties["habitat_acres"].to_numpy(float), ~signed))
    told = plan.properties.iloc[order[:MOST_ROWS]]
    sheet = _sheet("Acres and traps by property, signed-up land first", heads, (
        (
            row["name"] or BLANK, row["property_id"], row["enrolled"] or BLANK, number(row["area_acres"], 1),
            number(row["habitat_acres"], 1), number(row["habitat_percent"], 0), number(row["traps_exact"], 2),
            whole(row["traps"]), f"{whole(row['traps_low'])}\u00a0to\u00a0{whole(row['traps_high'])}",
            whole(row["sites"]), whole(row["shortfall"]),
        )
        for row in records("properties", told)
    ))  # fmt: skip
    return sheet and replace(sheet, left_out=len(order) - len(told))


def assumption_tables(plan: Plan) -> list[tuple[str, Sheet]]:
    """Every assumption with its source, in groups.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of (str, Sheet)
        Heading and table of each group; no row is left out.
    """
    heads = (Head("What it is", kind="long"), Head("Value", kind="long"), Head("Setting", kind="long"),
             Head("Source", kind="long"))  # fmt: skip
    return [
        (words, Sheet(f"Assumptions: {words}", heads, tuple(
            (row["meaning"] or BLANK, value_words(row), row["setting"] or BLANK, row["source"] or "not stated")
            for row in rows
        )))
        for words, rows in assumption_groups(plan)
    ]  # fmt: skip


def _counted(label: str, unit: str = "") -> Head:
    return Head(label, unit, "number")


def _sheet(caption: str, heads: tuple[Head, ...], rows: Iterable[tuple[str, ...]]) -> Sheet | None:
    every = tuple(rows)
    return Sheet(caption, heads, every) if every else None


def _seasons(plan: Plan) -> Sheet | None:
    heads = (Head("Season"), _counted("Habitat", "acres"), _counted("On signed-up land", "acres"),
             _counted("Begins to be habitat", "acres"), _counted("Stops", "acres"), _counted("Traps before rounding"),
             _counted("Traps by the rule"))  # fmt: skip
    return _sheet("Habitat and traps by season", heads, (
        (
            row["season"].replace("_", " ") + (" (planned)" if row["is_planned"] == "yes" else ""),
            *(number(row[f"{name}_acres"], 1) for name in ("habitat", "enrolled_habitat", "gained", "lost")),
            number(row["traps_exact"], 2), whole(row["traps"]),
        )
        for row in records("seasons", plan.seasons)
    ))  # fmt: skip


def _yardsticks(plan: Plan) -> Sheet | None:
    heads = (Head("What", kind="long"), Head("Figure", kind="long"), _counted("The same", "acres for one trap"),
             _counted("Traps for this habitat"), Head("Source", kind="long"))  # fmt: skip
    return _sheet("The rule beside published figures", heads, (
        (row["what"] or BLANK, row["figure"] or BLANK, number(row["acres"], 0), number(row["traps"], 1),
         row["source"] or "not stated")
        for row in records("yardsticks", plan.yardsticks)
    ))  # fmt: skip


def _pigs(plan: Plan) -> Sheet | None:
    heads = (Head("What", kind="long"), _counted("Value"), _counted("Low"), _counted("High"), Head("Counted in"),
             Head("Source", kind="long"))  # fmt: skip
    return _sheet("Pigs", heads, (
        (row["measure"], *(number(row[name], 1) for name in ("value", "low", "high")), row["unit"] or "",
         row["source"] or "not stated")
        for row in records("pigs", plan.pigs)
    ))  # fmt: skip


def _sites(plan: Plan) -> Sheet | None:
    heads = (
        Head("Site"), _counted("Build order"), Head("Property no."), Head("Latitude, longitude", "WGS 84", "long"),
        Head("US National Grid", kind="long"), Head("Truck road", kind="long"), _counted("From the road"),
        _counted("On foot"), Head("Door faces", kind="long"), _counted("Habitat served", "acres"),
    )  # fmt: skip
    rows = sorted(records("sites", plan.sites), key=lambda row: int(row["rank"]))
    return _sheet("Sites in build order", heads, (
        (
            row["site_id"], whole(row["rank"]), row["property_id"],
            f"{degrees(row['latitude'])}, {degrees(row['longitude'])}",
            row["usng"] or BLANK, row["road_name"] or BLANK, distance_words(row["road_distance_m"]) or BLANK,
            distance_words(row["access_m"]) or BLANK, bearing_words(row["door_bearing_deg"]) or BLANK,
            number(row["served_acres"], 1),
        )
        for row in rows
    ))  # fmt: skip


def _shortfalls(plan: Plan) -> Sheet | None:
    heads = (Head("Property no."), Head("Complex"), _counted("Traps"), Head("What stands in the way", kind="long"),
             Head("One change that would place it", kind="long"))  # fmt: skip
    return _sheet("Traps without a site", heads, (
        (row["property_id"], row["complex_id"] or BLANK, whole(row["traps"]), row["reason"] or BLANK,
         row["change"] or "none that was tried")
        for row in records("shortfalls", plan.shortfalls)
    ))  # fmt: skip


def _inputs(plan: Plan) -> Sheet | None:
    heads = (Head("Part"), Head("File", kind="long"), Head("Coordinate system", kind="long"),
             _counted("Records or cells"), Head("SHA-256 of the file", kind="long"))  # fmt: skip
    return _sheet("Files that the plan was made from", heads, (
        ((row["role"] or "").replace("_", " "), row["path_name"] or BLANK, row["crs"] or BLANK, whole(row["features"]),
         row["sha256"] or BLANK)
        for row in records("inputs", plan.inputs)
    ))  # fmt: skip


def _problems(plan: Plan) -> Sheet | None:
    heads = (Head("Kind"), Head("Where", kind="long"), Head("What was found and done", kind="long"))
    return _sheet("What was found in the files", heads, (
        (row["severity"] or "", row["source"] or BLANK, row["message"] or BLANK)
        for row in records("problems", plan.problems)
    ))  # fmt: skip


def not_given(plan: Plan) -> list[str]:
    """What this plan was not given, and what follows.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of str
        Sentences; empty where everything is there.
    """
    study, settings = plan.study, plan.study.settings
    blank = int((plan.properties["blank_percent"] > 0).sum())
    owners = "1 property has" if blank == 1 else f"{blank:,} properties have"
    missing: list[tuple[Any, str]] = [
        (study.water, "No map of water: only water classes of the land cover count."),
        (study.roads, "No roads: no site can be chosen."),
        (study.elevation, "No elevation: height above water, slope and sight from the road are not known."),
        (study.soils, "No soils: flooding and drainage are not known."),
        (study.buildings, "No buildings: traps keep no distance from any, and the score does not know people."),
        (study.exclusions, "No map of places where no trap may stand."),
        (study.sightings, "No sightings: the score is not checked against pigs that were seen."),
        (settings.prices.path, "No prices."),
        (settings.calendar.first_day, "No season: no dates are planned."),
        (settings.crews.base, "No base of the crews: no rounds are planned and driving is not counted."),
        (settings.grant.award_date, "No day of award: costs are not put on the lines of the federal form."),
    ]  # fmt: skip
    told = [words for part, words in missing if part is None]
    return told + ([f"{owners} land without land cover: it has no score and is never habitat."] if blank else [])


def references(plan: Plan) -> list[str]:
    """Sources that the plan's tables or the report's own words cite.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    list of str
        By alphabet, each once.
    """
    cited: list[Row] = [row for name in CITING for row in records(name, getattr(plan, name))]
    steps = [words for step in method(plan) for words in step.sentences]
    sources = [row["source"] or "" for row in cited]
    text = " ".join([*sources, *steps, *NOT_KNOWN, *plan.warnings, *plan.justification])
    return sorted({source for cite, source in REFERENCES.items() if cite in text}, key=str.casefold)


def _measured(plan: Plan) -> str:
    """How areas and lengths are measured, and how true they are."""
    told = [f"Areas are measured in {describe(plan.study.grid.crs_wkt)}, cells of {plan.study.grid.cell_m:g} m."]
    for name, what in (("area_error_percent", "Areas"), ("length_error_percent", "Distances")):
        error = plan.facts.get(name)
        if error is not None and math.isfinite(error):
            words = "less than 0.001 percent" if error < 0.001 else f"{error:.2g} percent"
            told.append(f"{what} are true to {words} as far as the coordinate system goes.")
    return " ".join(told)


def _plain(value: Any) -> Any:
    """Text without the characters that no document may hold; everything else as it is."""
    return xml_text(value) if type(value) is str else value


def _fit(cell: str, kind: str) -> str:
    """How a cell is set: short text that has a word too long for its column may be broken anywhere."""
    return "long" if kind == "text" and any(len(word) > LONGEST_WORD for word in cell.split()) else kind


def _raise(formula: str) -> Markup:
    return Markup("").join(Markup("<sup>{}</sup>" if is_up else "{}").format(part) for part, is_up in raised(formula))


@cache
def _environment() -> Environment:
    environment = Environment(
        autoescape=True, loader=DictLoader({"report.html": _text("report.html")}), undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, finalize=_plain,
    )  # fmt: skip
    environment.filters["formula"] = _raise
    environment.filters["fit"] = _fit
    environment.filters["count"] = lambda many: f"{many:,}"
    return environment


def _text(name: str) -> str:
    return resources.files("allocator.outputs").joinpath(f"templates/{name}").read_text(encoding="utf-8")

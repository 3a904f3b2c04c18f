"""Two plans side by side: totals, settings, properties and sites that differ."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from pyproj import Geod
from scipy.spatial import cKDTree

from allocator.inputs.plan_folder import PlanFolder

SAME_SITE_M = 50.0
"""Sites of two plans nearer to each other than this are the same."""
LEAST_ACRES = 0.05
"""Habitat of a property has changed from this many acres on."""
MOST_LISTED = 20


def compare_plans(one: PlanFolder, other: PlanFolder) -> dict[str, Any]:
    """What changed from one plan to another.

    Parameters
    ----------
    one, other : PlanFolder
        The earlier and the later plan.

    Returns
    -------
    dict
        ``totals`` (name to both values), ``settings`` (key to both), ``inputs`` (files whose contents differ),
        ``seasons`` (season to habitat acres in both), ``properties`` (id to columns that changed, with both values),
        ``sites`` (kept, gone, new). Empty parts say that nothing differs there.
    """
    both = (one, other)
    totals = [plan.record["totals"] for plan in both]
    settings = [dict(_flat(plan.settings)) for plan in both]
    hashes = [{row["path_name"]: row["sha256"] for row in plan.tables["inputs"]} for plan in both]
    seasons = [{row["season"]: float(row["habitat_acres"]) for row in plan.tables["seasons"]} for plan in both]
    return {
        "totals": _changes(*totals),
        "settings": _changes(*settings),
        "inputs": _changes(*hashes),
        "seasons": _changes(*seasons),
        "properties": _properties(one, other),
        "sites": _sites(one, other),
    }


def _flat(table: Mapping[str, Any], name: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        dotted = f"{name}.{key}" if name else key
        if isinstance(value, Mapping):
            yield from _flat(value, dotted)
        else:
            yield dotted, value


def _changes(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Keys whose values differ, with both; None where a plan does not have it."""
    keys = dict.fromkeys([*one, *other])
    return {key: [one.get(key), other.get(key)] for key in keys if one.get(key) != other.get(key)}


def _properties(one: PlanFolder, other: PlanFolder) -> dict[str, dict[str, list[str | None]]]:
    rows = [{row["property_id"]: row for row in plan.tables["properties"]} for plan in (one, other)]
    found: dict[str, dict[str, list[str | None]]] = {}
    for name in dict.fromkeys([*rows[0], *rows[1]]):
        first, second = (table.get(name) for table in rows)
        if first is None or second is None:
            known = first or second or {}
            what = "habitat_acres"
            found[name] = {what: [known.get(what) if first else None, known.get(what) if second else None]}
            continue
        shown = ("traps", "traps_given", "sites", "enrolled")
        changed = {key: [first.get(key), second.get(key)] for key in shown if first.get(key) != second.get(key)}
        acres = [float(row["habitat_acres"]) for row in (first, second)]
        if abs(acres[1] - acres[0]) >= LEAST_ACRES:
            changed["habitat_acres"] = [first["habitat_acres"], second["habitat_acres"]]
        if changed:
            found[name] = changed
    return dict(sorted(found.items(), key=lambda item: (-_weight(item[1]), item[0])))


def _weight(changed: Mapping[str, list[str | None]]) -> float:
    """How large a property's change is: its traps first, then its acres."""
    low, high = (float(value or 0) for value in changed.get("habitat_acres", ["0", "0"]))
    traps = [float(value or 0) for value in changed.get("traps", ["0", "0"])]
    return abs(traps[1] - traps[0]) * 1e6 + abs(high - low)


def _sites(one: PlanFolder, other: PlanFolder) -> dict[str, Any]:
    places = [
        np.array([[float(row["longitude"]), float(row["latitude"])] for row in plan.tables["sites"]]).reshape(-1, 2)
        for plan in (one, other)
    ]
    pairs = _matched(*places)
    gone = set(range(len(places[0]))) - {left for left, _ in pairs}
    new = set(range(len(places[1]))) - {right for _, right in pairs}

    def told(plan: PlanFolder, kept: set[int]) -> list[dict[str, str]]:
        names = ("site_id", "property_id", "latitude", "longitude")
        return [{name: plan.tables["sites"][at][name] for name in names} for at in sorted(kept)]

    return {"kept": len(pairs), "gone": told(one, gone), "new": told(other, new)}


def _matched(one: Any, other: Any) -> list[tuple[int, int]]:
    """Pairs of places within ``SAME_SITE_M``, the nearest first, each place in one pair at most."""
    if not len(one) or not len(other):
        return []
    scale = np.array([np.cos(np.radians(one[:, 1].mean())), 1.0]) * 111_320.0
    near = cKDTree(one * scale).query_ball_tree(cKDTree(other * scale), SAME_SITE_M * 1.1)
    geod = Geod(ellps="WGS84")
    found = []
    for left, those in enumerate(near):
        for right in those:
            distance = abs(float(geod.inv(*one[left], *other[right])[2]))
            if distance <= SAME_SITE_M:
                found.append((distance, left, right))
    pairs: list[tuple[int, int]] = []
    for _, left, right in sorted(found):
        if all(left != a and right != b for a, b in pairs):
            pairs.append((left, right))
    return pairs


def comparison_words(one: PlanFolder, other: PlanFolder, found: Mapping[str, Any]) -> str:
    """A comparison in plain lines.

    Parameters
    ----------
    one, other : PlanFolder
        The plans.
    found : mapping
        As :func:`compare_plans` gives it.

    Returns
    -------
    str
        What differs; one line where nothing does.
    """
    sites = found["sites"]
    if not any(found[name] for name in found if name != "sites") and not sites["gone"] and not sites["new"]:
        return f"{one.name} and {other.name} are the same plan."
    lines = [f"{one.name} -> {other.name}"]
    for title, name in (("Totals", "totals"), ("Settings", "settings"), ("Input files", "inputs"),
                        ("Habitat by season, acres", "seasons")):  # fmt: skip
        if found[name]:
            lines += [f"{title}:"] + [f"  {key}: {_pair(values)}" for key, values in found[name].items()]
    if found["properties"]:
        listed = list(found["properties"].items())
        lines.append(f"Properties that changed: {len(listed)}")
        for key, changed in listed[:MOST_LISTED]:
            lines.append(f"  {key}: " + "; ".join(f"{what} {_pair(values)}" for what, values in changed.items()))
        if len(listed) > MOST_LISTED:
            lines.append(f"  and {len(listed) - MOST_LISTED} more")
    lines.append(f"Sites: {sites['kept']} kept, {len(sites['gone'])} gone, {len(sites['new'])} new")
    for word, name in (("gone", "gone"), ("new", "new")):
        lines += [
            f"  {word}: {row['site_id']} on {row['property_id']}, {float(row['latitude']):.6f}, "
            f"{float(row['longitude']):.6f}"
            for row in sites[name][:MOST_LISTED]
        ]
    return "\n".join(lines)


def _pair(values: list[Any]) -> str:
    return " -> ".join(_word(value) for value in values)


def _word(value: Any) -> str:
    if value is None:
        return "none"
    try:
        number = float(value)
    except (TypeError, ValueError):
        return str(value)[:60]
    return f"{number:,.2f}".rstrip("0").rstrip(".")

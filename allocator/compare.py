"""What changed from one plan to another: two folders of plans go in, plain words come out."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from pyproj import Geod
from scipy.spatial import cKDTree

from allocator.core.cautions import HEADLINE
from allocator.inputs.plan_folder import PlanFolder

SAME_SITE_M = 50.0
"""Sites of two plans no farther from each other than this are the same."""
LEAST_ACRES = 0.05
"""Habitat of a property has changed when it differs by more than this."""
MOST_LISTED = 20
SMALLEST_RADIUS_M = 6_335_000.0
"""No curve of WGS 84 is tighter (a (1 - e2) = 6,335,439 m), so on this ball no distance comes out too long."""
GEOD = Geod(ellps="WGS84")


def compare_plans(one: PlanFolder, other: PlanFolder) -> dict[str, Any]:
    """What changed from one plan to another.

    Parameters
    ----------
    one, other : PlanFolder
        The first and the second plan.

    Returns
    -------
    dict
        Ready for JSON. A pair is ``[first, second]``; None stands for what a plan does not have.

        - ``is_same``: whether totals, settings and the tables read are equal to the last digit.
        - ``totals``: name to first, second and difference (None where there is none); all of them.
        - ``seasons``: season to the same of its habitat acres; empty unless both plans tell seasons.
        - ``settings``: dotted key to the pair, where it differs.
        - ``inputs``: role and file to the pair of hashes, where it differs.
        - ``properties``: ids ``gone`` and ``new``; ``changed``, id to the pairs that changed, the largest first.
        - ``sites``: number ``kept`` and what is ``gone`` and ``new``, by place (``SAME_SITE_M``) and not by id.
        - ``caution``: what to heed.
    """
    settings = [dict(_flat(plan.settings)) for plan in (one, other)]
    hashes = [{f"{row['role']} {row['path_name']}": row["sha256"] for row in plan.tables["inputs"]}
              for plan in (one, other)]  # fmt: skip
    seasons = [{row["season"]: float(row["habitat_acres"]) for row in plan.tables["seasons"]} for plan in (one, other)]
    return {
        "is_same": all((
            one.record["totals"] == other.record["totals"], one.settings == other.settings, one.tables == other.tables
        )),
        "totals": _side_by_side(one.record["totals"], other.record["totals"]),
        "seasons": _side_by_side(*seasons) if all(seasons) else {},
        "settings": _changes(*settings),
        "inputs": _changes(*hashes),
        "properties": _properties(one.tables["properties"], other.tables["properties"]),
        "sites": _sites(one.tables["sites"], other.tables["sites"]),
        "caution": HEADLINE,
    }  # fmt: skip


def _flat(table: Mapping[str, Any], name: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        dotted = f"{name}.{key}" if name else key
        if isinstance(value, Mapping):
            yield from _flat(value, dotted)
        else:
            yield dotted, value


def _changes(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, list[Any]]:
    keys = dict.fromkeys([*one, *other])
    return {key: [one.get(key), other.get(key)] for key in keys if one.get(key) != other.get(key)}


def _side_by_side(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, list[Any]]:
    told = {}
    for key in dict.fromkeys([*one, *other]):
        pair: list[Any] = [one.get(key), other.get(key)]
        told[key] = [*pair, pair[1] - pair[0] if all(map(_is_count, pair)) else None]
    return told


def _is_count(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _properties(one: Sequence[Mapping[str, str]], other: Sequence[Mapping[str, str]]) -> dict[str, Any]:
    first, second = ({row["property_id"]: row for row in rows} for rows in (one, other))
    changed = {name: _property(first[name], second[name]) for name in first if name in second}
    order = sorted((name for name in changed if changed[name]), key=lambda name: (_size(changed[name]), name))
    return {
        "gone": [name for name in first if name not in second],
        "new": [name for name in second if name not in first],
        "changed": {name: changed[name] for name in order},
    }


def _property(one: Mapping[str, str], other: Mapping[str, str]) -> dict[str, list[Any]]:
    counts = {name: [int(float(row[name])) for row in (one, other)] for name in ("traps", "traps_given", "sites")}
    pairs: dict[str, list[Any]] = {name: pair for name, pair in counts.items() if pair[0] != pair[1]}
    acres = [float(row["habitat_acres"]) for row in (one, other)]
    if abs(acres[1] - acres[0]) > LEAST_ACRES:
        pairs["habitat_acres"] = acres
    if one.get("enrolled") != other.get("enrolled"):
        pairs["enrolled"] = [one.get("enrolled"), other.get("enrolled")]
    return pairs


def _size(pairs: Mapping[str, Sequence[float]]) -> tuple[float, ...]:
    """Sorts the largest change first: by traps, then sites, then acres."""
    apart = (pairs.get(name, (0, 0)) for name in ("traps", "sites", "habitat_acres"))
    return tuple(-abs(second - first) for first, second in apart)


def _sites(one: Sequence[Mapping[str, str]], other: Sequence[Mapping[str, str]]) -> dict[str, Any]:
    pairs = _matched(_places(one), _places(other))
    old, kept = {left for left, _ in pairs}, {right for _, right in pairs}
    return {
        "kept": len(pairs),
        "gone": [_site(row) for at, row in enumerate(one) if at not in old],
        "new": [_site(row) for at, row in enumerate(other) if at not in kept],
    }


def _places(rows: Sequence[Mapping[str, str]]) -> Any:
    return np.array([[float(row["longitude"]), float(row["latitude"])] for row in rows]).reshape(-1, 2)


def _site(row: Mapping[str, str]) -> dict[str, Any]:
    place = {name: round(float(row[name]), 6) for name in ("latitude", "longitude")}
    return {"site_id": row["site_id"], "property_id": row["property_id"], **place}


def _matched(one: Any, other: Any) -> list[tuple[int, int]]:
    """Pairs of places within ``SAME_SITE_M`` on the ellipsoid, the nearest first; a place is in one pair at most."""
    if not len(one) or not len(other):
        return []
    near = cKDTree(_on_ball(one)).query_ball_tree(cKDTree(_on_ball(other)), SAME_SITE_M)
    close = [(left, right) for left, those in enumerate(near) for right in those]
    apart = [(GEOD.inv(*one[left], *other[right])[2], left, right) for left, right in close]
    used: tuple[set[int], set[int]] = set(), set()
    pairs = []
    for distance_m, left, right in sorted(apart):
        if distance_m <= SAME_SITE_M and left not in used[0] and right not in used[1]:
            pairs.append((left, right))
            used[0].add(left)
            used[1].add(right)
    return pairs


def _on_ball(places: Any) -> Any:
    """Longitudes and latitudes in degrees, shape (n, 2), as points on a ball, metres, shape (n, 3)."""
    longitude, latitude = np.radians(places).T
    around = np.cos(latitude)
    unit = np.column_stack([around * np.cos(longitude), around * np.sin(longitude), np.sin(latitude)])
    return unit * SMALLEST_RADIUS_M


def comparison_words(one: PlanFolder, other: PlanFolder, found: Mapping[str, Any]) -> str:
    """A comparison in plain lines, the caution last.

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
    if found["is_same"]:
        return f"{one.name} and {other.name} are the same plan.\n{found['caution']}"
    settings = [f"{key}: {_exact(first)} -> {_exact(second)}" for key, (first, second) in found["settings"].items()]
    inputs = [_input(name, pair, one, other) for name, pair in found["inputs"].items()]
    lines = [f"{one.name} -> {other.name}", "Totals:", *_listed(map(_counts, found["totals"].items()))]
    if found["seasons"]:
        lines += ["Habitat acres by season:", *_listed(map(_counts, found["seasons"].items()))]
    lines += ["Settings that differ:", *_listed(settings), "Inputs that differ:", *_listed(inputs)]
    lines += [*_property_lines(one, other, found["properties"]), *_site_lines(found["sites"]), found["caution"]]
    return "\n".join(lines)


def _property_lines(one: PlanFolder, other: PlanFolder, found: Mapping[str, Any]) -> list[str]:
    told = [f"{name}: only in {one.name}" for name in found["gone"]]
    told += [f"{name}: only in {other.name}" for name in found["new"]]
    for name, pairs in found["changed"].items():
        words = (f"{key} {_count(first)} -> {_count(second)}" for key, (first, second) in pairs.items())
        told.append(f"{name}: {'; '.join(words)}")
    more = [f"  and {len(told) - MOST_LISTED} more"] if len(told) > MOST_LISTED else []
    head = (
        f"Properties that differ: {len(found['changed'])} changed, {len(found['gone'])} gone, {len(found['new'])} new"
    )
    return [head, *_listed(told[:MOST_LISTED]), *more]


def _site_lines(found: Mapping[str, Any]) -> list[str]:
    gone, new = len(found["gone"]), len(found["new"])
    lines = [f"Sites: {found['kept']} kept (within {SAME_SITE_M:g} m), {gone} gone, {new} new"]
    for word in ("gone", "new"):
        for row in found[word]:
            place = f"{row['latitude']:.6f}, {row['longitude']:.6f}"
            lines.append(f"  {word}: {row['site_id']} on {row['property_id']}, {place}")
    return lines


def _listed(told: Iterable[str]) -> list[str]:
    return [f"  {one}" for one in told] or ["  none"]


def _counts(item: tuple[str, Sequence[Any]]) -> str:
    name, (first, second, difference) = item
    told = f"{name}: {_count(first)} -> {_count(second)}"
    if difference is None:
        return told
    return f"{told} ({'+' if difference > 0 else ''}{_count(difference)})" if difference else f"{told} (no change)"


def _input(name: str, pair: Sequence[Any], one: PlanFolder, other: PlanFolder) -> str:
    if None in pair:
        return f"{name}: only in {other.name if pair[0] is None else one.name}"
    return f"{name}: other contents"


def _count(value: Any) -> str:
    """A number to two decimals, whole numbers whole."""
    if isinstance(value, float):
        return f"{value:,.2f}"
    return f"{value:,}" if _is_count(value) else _exact(value)


def _exact(value: Any) -> str:
    """A value with all its digits, as in a study file."""
    if value is None:
        return "not given"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)

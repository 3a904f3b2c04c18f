"""Every value that a plan rests on, with its source."""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from allocator.core.settings import read_defaults, read_profile
from allocator.core.study import Study, class_score
from allocator.core.units import SQUARE_METRES_PER_ACRE

COLUMNS = ["setting", "value", "unit", "meaning", "source"]
WITHOUT_DEFAULTS = ("equipment", "prices", "calendar", "crews", "grant")
"""Sections with settings that may be absent and have no default."""
Row = tuple[str, str, str, str, str]


def assumptions(study: Study) -> pd.DataFrame:
    """Every setting used, with unit, meaning and source.

    Parameters
    ----------
    study : Study
        Its settings and classes.

    Returns
    -------
    pandas.DataFrame
        Columns setting, value, unit, meaning, source. The source of a value says who changed it: the study file, or a
        regional profile.
    """
    used = study.settings.model_dump(mode="json")
    profile = study.settings.habitat.profile
    regional = dict(_leaves({"habitat": read_profile(profile)["habitat"]})) if profile else {}
    defaults = dict(_leaves(read_defaults(), stop="value"))
    rows: list[Row] = []
    for name, default in defaults.items():
        value = _at(used, name)
        source = default["source"] if value == default["value"] else f"study file (default: {default['value']})"
        if name in regional and value == regional[name]:
            source = f"profile {profile} (default: {default['value']})"
        rows.append((name, str(value), default["unit"], default["meaning"], source))
    for name, value in _leaves({"habitat": {key: used["habitat"][key] for key in ("groups", "seasons")}}):
        if name not in defaults and value is not None:
            source = f"profile {profile}" if name in regional and value == regional[name] else "study file"
            rows.append((name, str(value), "", "as set", source))
    rows += [
        (name, str(value), "", _meaning(study, name), "study file")
        for name, value in _leaves({section: used[section] for section in WITHOUT_DEFAULTS})
        if name not in defaults and value not in (None, [])
    ]
    if profile:
        told = read_profile(profile)
        rows.append(("habitat.profile", profile, "", " ".join(told["note"].split()), told["source"]))
    rows += _chosen(study)
    rows += [_class_row(study, at) for at in range(len(study.classes))]
    return pd.DataFrame(rows, columns=COLUMNS)


def _meaning(study: Study, name: str) -> str:
    """What a setting is, as its section describes it."""
    section, key = name.split(".")
    return str(type(getattr(study.settings, section)).model_fields[key].description)


def _leaves(table: Mapping[str, Any], name: str = "", stop: str = "") -> Iterator[tuple[str, Any]]:
    """Dotted names of everything in nested tables; a table that has the key ``stop`` counts as a leaf."""
    for key, part in table.items():
        dotted = f"{name}.{key}" if name else key
        if isinstance(part, Mapping) and not (stop and stop in part):
            yield from _leaves(part, dotted, stop)
        else:
            yield dotted, part


def _at(table: Any, dotted: str) -> Any:
    for key in dotted.split("."):
        table = table[key]
    return table


def _chosen(study: Study) -> list[Row]:
    """What the tool works out itself where the study file is silent."""
    radius = study.settings.sites.service_radius_m
    meaning = "habitat within this distance of a trap is served"
    source = "study file" if radius else "radius of a circle of traps.acres_per_trap"
    ends = [one / SQUARE_METRES_PER_ACRE for one in study.settings.traps.m2_per_trap_ends]
    is_set = study.settings.traps.acres_per_trap_range is not None
    return [
        ("traps.acres_per_trap_range", f"[{ends[0]:g}, {ends[2]:g}]", "acres of habitat",
         "least and most habitat that one trap may answer for; low and high counts are drawn between them",
         "study file" if is_set else "two thirds to four thirds of traps.acres_per_trap: project default"),
        ("sites.service_radius_m", f"{study.settings.service_radius_m:.1f}", "m", meaning, source),
        ("study.cell_m", f"{study.grid.cell_m:g}", "m", "side of a cell",
         "study file" if study.settings.study.cell_m else "chosen from the land cover"),
    ]  # fmt: skip


def _class_row(study: Study, at: int) -> Row:
    """Score of a class in the planned season, and whose it is."""
    one, score = study.classes[at], study.planned.scores[at]
    value = "never scored" if np.isnan(score) else f"{score:g}"
    source = one.source
    if score != one.score and not np.isnan(score):
        by_season = score != class_score(one, study.settings.habitat)
        who = f"season {study.planned.name}" if by_season else "study file or profile"
        source = f"{who} (scheme: {one.score:g}; {one.source})"
    return f"habitat.cover.{one.code}", value, "score 0 to 1", one.name, source

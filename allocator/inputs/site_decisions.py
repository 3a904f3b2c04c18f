"""Decisions of a field visit: sites that someone has seen, and said to keep or to reject."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod

from allocator.core.arrays import Floats
from allocator.core.crs import GEOGRAPHIC
from allocator.core.errors import InputError
from allocator.core.grid import Grid
from allocator.core.settings import SiteDecisionsInput
from allocator.core.study import Problem
from allocator.core.visits import SiteDecision
from allocator.inputs.columns import as_text
from allocator.inputs.features import FeatureTable, read_features
from allocator.inputs.findings import count_of, some_of
from allocator.inputs.projecting import project_shapes

WORDS = ("keep", "reject")
USUAL_REASON = str(SiteDecisionsInput.model_fields["reason"].default)
OWN_PLACE = ("longitude", "latitude")
"""Columns that say where a point was when the plan was made: a GIS that moves the point leaves them as they are."""
SAME_PLACE_M = 1.0
"""Points nearer than this count as the same place: less than anyone can tell in the field."""
MOST_NAMED = 20


def read_site_decisions(setting: SiteDecisionsInput, folder: Path) -> tuple[FeatureTable, list[Problem]]:
    """The decided points of all files, their words and ids checked.

    Parameters
    ----------
    setting : SiteDecisionsInput
        ``[inputs.site_decisions]``.
    folder : Path
        Folder of the study file.

    Returns
    -------
    table : FeatureTable
        Single points with the columns site_id, decision (keep or reject), reason (empty: none given), moved_m (metres,
        NaN: unknown) and record (what to call it in messages); undecided points are gone.
    problems : list of Problem
        How many are undecided, and which of them were moved.

    Raises
    ------
    InputError
        A file cannot be used, a decision is another word, a decided point has no id, an id is kept twice, or kept and
        rejected. Every such problem at once.
    MissingColumnError
        A column is missing; that of the reason may be, unless the study file names another than the usual one.
    """
    columns = {"id": setting.id, "decision": setting.decision}
    optional: tuple[str, ...] = OWN_PLACE
    if setting.reason == USUAL_REASON:
        optional = (USUAL_REASON, *OWN_PLACE)
    else:
        columns["reason"] = setting.reason
    table, problems = read_features("site_decisions", setting, folder, None, columns, optional)
    frames = [_points(frame, setting, table.name) for frame in table.frames]
    if len(frames) > 1:
        for frame, record in zip(frames, table.records, strict=True):
            frame["record"] += f" of {record.path_name}"
    everything = pd.concat([pd.DataFrame(frame.drop(columns="geometry")) for frame in frames], ignore_index=True)
    wrong = [*_wrong_words(everything, setting.decision), *_wrong_ids(everything, setting.id)]
    if wrong:
        raise InputError(*(f"{table.name}: {message}" for message in wrong))
    problems += [Problem(severity, table.name, message) for severity, message in _undecided(everything)]
    decided = tuple(frame[frame["decision"] != ""] for frame in frames)
    return replace(table, frames=decided), problems


def _points(frame: gpd.GeoDataFrame, setting: SiteDecisionsInput, name: str) -> gpd.GeoDataFrame:
    single = frame.explode(index_parts=False)
    return gpd.GeoDataFrame(
        {
            "site_id": as_text(single[setting.id]),
            "decision": [text.casefold() for text in as_text(single[setting.decision])],
            "reason": as_text(single[setting.reason]) if setting.reason in single else [""] * len(single),
            "moved_m": _moved_m(single, name),
            "record": [f"record {number}" for number in single.index],
        },
        geometry=single.geometry.to_numpy(), crs=single.crs,
    )  # fmt: skip


def _moved_m(frame: gpd.GeoDataFrame, name: str) -> Floats:
    """Metres along the ground from where each point's own columns say it is; NaN where they say nothing."""
    if any(column not in frame for column in OWN_PLACE):
        return np.full(len(frame), np.nan)
    longitude, latitude = (pd.to_numeric(frame[column], errors="coerce").to_numpy(float) for column in OWN_PLACE)
    geographic = CRS.from_user_input(GEOGRAPHIC).to_wkt()
    at = shapely.get_coordinates(project_shapes(frame.geometry.to_numpy(), frame.crs, geographic, name))
    # A blank, or a latitude beyond 90 degrees, gives NaN.
    return np.asarray(Geod(ellps="WGS84").inv(longitude, latitude, at[:, 0], at[:, 1])[2], float)


def _wrong_words(rows: pd.DataFrame, column: str) -> Iterable[str]:
    odd = rows[~rows["decision"].isin(["", *WORDS])]
    if len(odd):
        told = [f"{record} ({word!r})" for record, word in zip(odd["record"], odd["decision"], strict=True)]
        yield (
            f"column {column!r} holds words that are no decision in {count_of(len(odd), 'record')}: "
            f"{some_of(told, MOST_NAMED)}. Expected keep or reject, or nothing where nobody has decided."
        )


def _wrong_ids(rows: pd.DataFrame, column: str) -> Iterable[str]:
    decided = rows[rows["decision"].isin(WORDS)]
    nameless = decided[decided["site_id"] == ""]
    if len(nameless):
        yield (
            f"the id column {column!r} is blank in {count_of(len(nameless), 'decided record')}: "
            f"{some_of(nameless['record'], MOST_NAMED)}. Give every site that is kept or rejected an id."
        )
    several = [one for site_id, one in decided.groupby("site_id") if site_id and len(one) > 1]
    differing = [_told(one) for one in several if one["decision"].nunique() > 1]
    if differing:
        yield f"kept and rejected at once: {some_of(differing, MOST_NAMED)}. Leave one decision for each site."
    twice = [_told(one) for one in several if (one["decision"] == "keep").all()]
    if twice:
        yield f"kept more than once: {some_of(twice, MOST_NAMED)}. A site stands in one place: leave one of them."


def _told(one: pd.DataFrame) -> str:
    parts = [f"{word} in {record}" for word, record in zip(one["decision"], one["record"], strict=True)]
    return f"{one['site_id'].iloc[0]} ({', '.join(parts)})"


def _undecided(rows: pd.DataFrame) -> Iterable[tuple[Literal["note", "warning"], str]]:
    blank = rows[rows["decision"] == ""]
    if len(blank):
        yield "note", f"{count_of(len(blank), 'point')} without a decision left out: they are planned anew."
    moved = blank[blank["moved_m"] > SAME_PLACE_M]
    if len(moved):
        told = [
            f"{site_id or record} ({moved_m:,.0f} m)"
            for site_id, record, moved_m in zip(moved["site_id"], moved["record"], moved["moved_m"], strict=True)
        ]
        yield (
            "warning",
            f"{count_of(len(moved), 'point')} moved but without a decision, so the move is lost: "
            f"{some_of(told, MOST_NAMED)}. Write keep to hold it there.",
        )


def place_site_decisions(table: FeatureTable, grid: Grid) -> tuple[tuple[SiteDecision, ...], list[Problem]]:
    """The decisions that lie on the study's grid.

    Parameters
    ----------
    table : FeatureTable
        As ``read_site_decisions`` gives it.
    grid : Grid
        The study's cells.

    Returns
    -------
    decisions : tuple of SiteDecision
        Sorted by id, then from the west and the south, so that the order of the file does not matter.
    problems : list of Problem
        Which lie outside.

    Raises
    ------
    InputError
        Two lie in the same place, and one of them is to be kept.
    """
    found = []
    for frame in table.frames:
        points = project_shapes(frame.geometry.to_numpy(), frame.crs, grid.crs_wkt, table.name)
        texts = (frame[column] for column in ("site_id", "decision", "reason"))
        numbers = (shapely.get_x(points).tolist(), shapely.get_y(points).tolist(), frame["moved_m"].tolist())
        found += [SiteDecision(*values) for values in zip(*texts, *numbers, strict=True)]
    found.sort(key=lambda one: (one.site_id, one.x_m, one.y_m))
    west, south, east, north = grid.bounds_m
    inside: list[SiteDecision] = []
    outside: list[SiteDecision] = []
    for one in found:
        is_inside = west <= one.x_m < east and south < one.y_m <= north
        (inside if is_inside else outside).append(one)
    problems = []
    if outside:
        told = [f"{one.site_id} ({one.decision})" for one in outside]
        message = f"{count_of(len(outside), 'decision')} outside the study left out: {some_of(told, MOST_NAMED)}."
        problems.append(Problem("warning", table.name, message))
    _refuse_same_place(inside, table.name)
    return tuple(inside), problems


def _refuse_same_place(decisions: list[SiteDecision], name: str) -> None:
    points = shapely.points([one.x_m for one in decisions], [one.y_m for one in decisions])
    pairs = shapely.STRtree(points).query(points, predicate="dwithin", distance=SAME_PLACE_M).T
    told = [
        " and ".join(f"{decisions[at].site_id} ({decisions[at].decision})" for at in pair)
        for pair in sorted(map(tuple, pairs.tolist()))
        if pair[0] < pair[1] and "keep" in (decisions[pair[0]].decision, decisions[pair[1]].decision)
    ]
    if told:
        raise InputError(
            f"{name}: in the same place, {SAME_PLACE_M:g} m apart or less: {some_of(told, MOST_NAMED)}. Where one site "
            "is kept there is no room for another decision: leave one of the two."
        )

"""The border post: every file of a study read, checked and brought into one coordinate system, once.

Behind this module nothing checks an input again. An error in one input does not stop the others from being
checked: all problems are gathered, then raised together.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from allocator.core.crs import GEOGRAPHIC, transform_points
from allocator.core.errors import InputError
from allocator.core.grid import Grid
from allocator.core.settings import Settings, WaterKind
from allocator.core.study import Checked, Problem, Properties, Roads, Shapes, Soils, Study, Water
from allocator.core.visits import SiteDecision
from allocator.inputs.features import place_existing_traps, place_features, place_sightings, read_features
from allocator.inputs.findings import Findings
from allocator.inputs.meaning import doubts_about_shapes
from allocator.inputs.placing import place_cover, place_rasters
from allocator.inputs.projecting import working_crs
from allocator.inputs.properties import overlaps_between
from allocator.inputs.rasters import RasterFile
from allocator.inputs.roads import place_roads
from allocator.inputs.settings_file import read_settings
from allocator.inputs.site_decisions import place_site_decisions, read_site_decisions
from allocator.inputs.soils import place_soils
from allocator.inputs.sources import Sources, input_records, reaching, read_sources, wide_m
from allocator.inputs.study_grid import widened
from allocator.inputs.water import place_water

LEFT_OUT = {
    "escape_cover": "it is left out of the score.",
    "buildings": "no building setback applies.",
    "exclusions": "nothing is excluded.",
}


def read_study(path: Path | str, overrides: Sequence[str] = ()) -> Study:
    """A study, ready to plan.

    Parameters
    ----------
    path : Path or str
        Study file (TOML).
    overrides : sequence of str
        ``KEY=VALUE``, over the file's values.

    Returns
    -------
    Study
        Everything in one equal-area coordinate system in metres; warnings and notes in ``problems``.

    Raises
    ------
    AllocatorError
        Every problem of every input at once: of one class where all share it, else an InputError.
    """
    findings = Findings()
    _, study = _read(Path(path), overrides, findings)
    findings.raise_errors()
    if study is None:  # only an error kept above leaves a study unfinished
        raise InputError(f"{path}: the study could not be read.")
    return study


def check_study(path: Path | str, overrides: Sequence[str] = ()) -> list[Problem]:
    """Every problem of a study, errors too; never raises for a user's mistake.

    Parameters
    ----------
    path : Path or str
        Study file (TOML).
    overrides : sequence of str
        ``KEY=VALUE``, over the file's values.

    Returns
    -------
    list of Problem
        In the order found; empty where nothing was.
    """
    return list(look_at_study(path, overrides).problems)


def look_at_study(path: Path | str, overrides: Sequence[str] = ()) -> Checked:
    """A study as far as it can be read, with every problem; never raises for a user's mistake.

    Parameters
    ----------
    path : Path or str
        Study file (TOML).
    overrides : sequence of str
        ``KEY=VALUE``, over the file's values.

    Returns
    -------
    Checked
        Settings, study and problems.
    """
    findings = Findings()
    settings, study = _read(Path(path), overrides, findings)
    has_errors = any(one.severity == "error" for one in findings.problems)
    return Checked(settings, None if has_errors else study, findings.problems)


def _read(path: Path, overrides: Sequence[str], findings: Findings) -> tuple[Settings | None, Study | None]:
    settings = None
    with findings.gathering(path.name):
        settings = read_settings(path, overrides)
        sources = read_sources(settings, path.parent, findings)
        _read_field_points(settings, path.parent, sources, findings)
        return settings, _place(settings, sources, findings)
    return settings, None


def _read_field_points(settings: Settings, folder: Path, sources: Sources, findings: Findings) -> None:
    """Add existing traps and field decisions, those far away too: they are few, and each left out is named."""
    traps, decisions = settings.inputs.existing_traps, settings.inputs.site_decisions
    if traps is not None:
        with findings.gathering("inputs.existing_traps"):
            sources.features["existing_traps"], found = read_features("existing_traps", traps, folder, None)
            findings.extend(found)
    if decisions is not None:
        with findings.gathering("inputs.site_decisions"):
            sources.features["site_decisions"], found = read_site_decisions(decisions, folder)
            findings.extend(found)


def _place(settings: Settings, sources: Sources, findings: Findings) -> Study | None:
    """Everything on one grid in one system; None where an error was kept on the way."""
    table, cover, scheme = sources.properties, sources.cover, sources.scheme
    if table is None:
        return None
    raster = cover if isinstance(cover, RasterFile) else None
    crs_wkt = working_crs(settings.study.crs, table.degrees, raster.crs_wkt if raster is not None else None)
    properties = table.projected(crs_wkt)
    findings.extend(doubts_about_shapes(properties, table.name))
    findings.extend(overlaps_between(properties, table.name))
    wide = widened(properties.bounds_m, wide_m(settings))
    parts = _place_features(settings, sources, crs_wkt, properties, findings)
    if cover is None or scheme is None:
        return None
    with findings.gathering(cover.name):
        placed = place_cover(
            settings, cover, scheme, table=table, properties=properties, crs_wkt=crs_wkt, wide_m=wide,
            findings=findings,
        )  # fmt: skip
        rasters = place_rasters(settings, sources, placed.grid, properties, findings)
        kinds = placed.water_kinds | (set(parts.water.kinds.tolist()) if parts.water is not None else set())
        _tell_about_water(settings, kinds, findings)
        if sources.kit is None:
            return None
        return Study(
            settings=settings, grid=placed.grid, properties=properties, cover=placed.cover, classes=placed.classes,
            water_kinds=frozenset(kinds), kit=sources.kit, water=parts.water, roads=parts.roads,
            elevation=rasters.elevation,
            escape_cover=parts.escape_cover, crops=rasters.crops, soils=parts.soils, canopy=rasters.canopy,
            buildings=parts.buildings, exclusions=parts.exclusions, sightings=parts.sightings,
            existing_traps=parts.existing_traps, site_decisions=_place_decisions(sources, placed.grid, findings),
            inputs=input_records(sources, placed.grid), problems=findings.problems,
        )  # fmt: skip
    return None


def _place_decisions(sources: Sources, grid: Grid, findings: Findings) -> tuple[SiteDecision, ...]:
    table = sources.features.get("site_decisions")
    if table is not None:
        with findings.gathering(table.name):
            decisions, found = place_site_decisions(table, grid)
            findings.extend(found)
            return decisions
    return ()


def _tell_about_water(settings: Settings, kinds: set[WaterKind], findings: Findings) -> None:
    """Say where distance to water has to be left out of a season's score."""
    if not kinds:
        message = "no water near the properties in any input: distance to water is left out of the score."
        findings.add("warning", "inputs.water", message)
        return
    for name in settings.study.seasons:
        wanted = settings.habitat.in_season(name).water
        if not kinds & set(wanted):
            message = (
                f"season {name}: no {' or '.join(wanted)} water is known near the properties (only "
                f"{', '.join(sorted(kinds))}): distance to water is left out of its score."
            )
            findings.add("warning", "inputs.water", message)


@dataclass
class _Parts:
    """Features near the study in the working system; None where there are none."""

    water: Water | None = None
    roads: Roads | None = None
    soils: Soils | None = None
    escape_cover: Shapes | None = None
    buildings: Shapes | None = None
    exclusions: Shapes | None = None
    sightings: pd.DataFrame | None = None
    existing_traps: Shapes | None = None


def _place_features(
    settings: Settings, sources: Sources, crs_wkt: str, properties: Properties, findings: Findings
) -> _Parts:
    parts, wide = _Parts(), widened(properties.bounds_m, wide_m(settings))
    base_m = None
    if settings.crews.base is not None:
        longitude, latitude = settings.crews.base
        x_m, y_m = transform_points(np.array([longitude]), np.array([latitude]), GEOGRAPHIC, crs_wkt)
        base_m = float(x_m[0]), float(y_m[0])
    for role, table in sources.features.items():
        with findings.gathering(table.name):
            if role == "sightings":
                parts.sightings, found = place_sightings(table, crs_wkt, wide)
            elif role == "existing_traps":
                parts.existing_traps, found = place_existing_traps(table, crs_wkt, wide)
            elif role == "site_decisions":
                found = []  # placed later: the grid must be known
            else:
                shapes, found = place_features(table, crs_wkt, wide, LEFT_OUT[role])
                setattr(parts, role, shapes)
            findings.extend(found)
    if sources.water is not None:
        with findings.gathering(sources.water.name):
            parts.water, found = place_water(sources.water, crs_wkt, wide)
            findings.extend(found)
    if sources.roads is not None:
        with findings.gathering(sources.roads.name):
            parts.roads, found = place_roads(sources.roads, crs_wkt, reaching(wide, base_m), properties)
            findings.extend(found)
    if sources.soils is not None:
        with findings.gathering(sources.soils.name):
            parts.soils, found = place_soils(sources.soils, crs_wkt, wide)
            findings.extend(found)
    return parts

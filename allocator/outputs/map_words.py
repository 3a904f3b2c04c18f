"""The words on the map page: layers, columns and how many digits a number shows."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from allocator.outputs.columns import columns_of, documented_values

UNIT_WORDS = {"percent": "%", "traps": "", "patches": "", "sites": "", "degrees": "°"}
"""Units as they stand behind a label; units not named here stand as they are."""


@dataclass(frozen=True, slots=True)
class Word:
    """How one column is shown.

    Parameters
    ----------
    label : str
        Words for the heading and the card.
    digits : int or None
        Digits after the point; None for text.
    place : str
        ``phone``: in the table on every screen; ``wide``: in the table on wide screens; ``card``: on the card only.
    """

    label: str
    digits: int | None = None
    place: str = "card"


WORDS: dict[str, dict[str, Word]] = {
    "properties": {
        "name": Word("Property", None, "phone"),
        "property_id": Word("Property no.", None, "wide"),
        "enrolled": Word("Signed up", None, "wide"),
        "area_acres": Word("Land", 1, "wide"),
        "habitat_acres": Word("Habitat", 1, "phone"),
        "habitat_percent": Word("Part that is habitat", 0, "wide"),
        "habitat_units_acres": Word("Habitat weighted by score", 1),
        "blank_percent": Word("Land without a score", 0),
        "habitat_low_acres": Word("Habitat, low", 1),
        "habitat_high_acres": Word("Habitat, high", 1),
        "traps_exact": Word("Traps before rounding", 2, "wide"),
        "traps": Word("Traps needed", 0, "phone"),
        "traps_low": Word("Traps needed, low", 0),
        "traps_high": Word("Traps needed, high", 0),
        "traps_alone": Word("Traps if it stood alone", 0),
        "traps_given": Word("Traps placed here", 0),
        "existing_traps": Word("Of them standing already", 0),
        "sites": Word("Sites found", 0, "wide"),
        "shortfall": Word("Traps without a site", 0, "phone"),
        "shortfall_reason": Word("Why a site is missing", None, "wide"),
    },
    "habitat": {
        "patch_id": Word("Patch", None, "phone"),
        "area_acres": Word("Habitat", 1, "phone"),
        "habitat_units_acres": Word("Habitat weighted by score", 1),
        "mean_score": Word("Average score", 2, "phone"),
        "mean_cover": Word("Made up of: land cover", 2),
        "mean_water": Word("nearness to water", 2),
        "mean_lowland": Word("low ground", 2),
        "mean_escape": Word("nearness to escape cover", 2),
        "mean_crops": Word("nearness to crops", 2),
        "mean_developed": Word("distance from buildings", 2),
        "mean_flooding": Word("flooding of the soil", 2),
        "mean_drainage": Word("wetness of the soil", 2),
        "mean_canopy": Word("tree canopy", 2),
        "complex_id": Word("Part of complex", None, "wide"),
    },
    "complexes": {
        "complex_id": Word("Complex", None, "phone"),
        "patches": Word("Patches", 0, "wide"),
        "habitat_acres": Word("Habitat", 1, "phone"),
        "enrolled_habitat_acres": Word("Habitat on signed-up land", 1, "wide"),
        "habitat_units_acres": Word("Habitat weighted by score", 1),
        "traps_exact": Word("Traps before rounding", 2, "wide"),
        "traps": Word("Traps needed", 0, "phone"),
        "traps_given": Word("Traps placed here", 0),
        "existing_traps": Word("Of them standing already", 0),
        "sites": Word("Sites found", 0),
        "served_percent": Word("Habitat that the traps serve", 0),
        "gap_percent": Word("A better choice could add at most", 1),
    },
    "sites": {
        "site_id": Word("Site", None, "phone"),
        "rank": Word("Build order", 0, "wide"),
        "property_id": Word("Property no.", None, "wide"),
        "served_acres": Word("Habitat served", 1, "phone"),
        "road_distance_m": Word("From the road", 0, "phone"),
        "road_name": Word("Truck road", None, "wide"),
        "road_when": Word("Road open", None, "wide"),
        "access_m": Word("On foot from the road", 0),
        "seen_from_road": Word("Door seen from the road (bare ground)"),
        "door_bearing_deg": Word("Door faces", 0, "wide"),
        "usng": Word("US National Grid", None, "wide"),
        "utm": Word("UTM"),
        "cover": Word("Ground cover", None, "wide"),
        "complex_id": Word("Serves complex"),
        "latitude": Word("Latitude", 6),
        "longitude": Word("Longitude", 6),
        "water_distance_m": Word("From water", 0),
        "slope_percent": Word("Slope", 1),
        "flooding": Word("Soil floods"),
        "habitat_distance_m": Word("From habitat", 0),
        "boundary_distance_m": Word("From the property line", 0),
        "building_distance_m": Word("From a building", 0),
        "score": Word("Habitat score", 2),
        "quality": Word("How well the spot suits", 2),
        "decision": Word("Field visit"),
        "decision_reason": Word("Field visit: why"),
        "cautions": Word("Check first"),
    },
    "candidates": {
        "candidate_id": Word("Possible spot", None, "phone"),
        "property_id": Word("Property no.", None, "wide"),
        "quality": Word("How well the spot suits", 2, "phone"),
        "road_distance_m": Word("From the road", 0, "phone"),
        "road_when": Word("Road open"),
        "access_m": Word("On foot from the road", 0),
        "water_distance_m": Word("From water", 0),
        "slope_percent": Word("Slope", 1),
        "flooding": Word("Soil floods"),
        "habitat_distance_m": Word("From habitat", 0),
        "boundary_distance_m": Word("From the property line", 0),
        "building_distance_m": Word("From a building", 0),
        "damage_distance_m": Word("From damage seen", 0),
        "shade": Word("Shade"),
        "cover": Word("Ground cover"),
        "score": Word("Habitat score", 2),
    },
}

PLAIN_WORDS: dict[str, dict[str, Word]] = {
    "sightings": {
        "date": Word("Seen on", None, "phone"),
        "count": Word("How many", None, "phone"),
        "kind": Word("What", None, "phone"),
    },
    "roads": {"name": Word("Road", None, "phone"), "when": Word("Trucks", None, "phone")},
}
"""Columns of what the user gave and no table of the plan holds; the page fills in the rows."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One entry of the list of layers.

    Parameters
    ----------
    key : str
        Name in the page's code.
    label : str
        Words beside the box.
    is_on : bool
        Whether it is drawn at first.
    """

    key: str
    label: str
    is_on: bool


LAYERS: tuple[tuple[str, tuple[Layer, ...]], ...] = (
    (
        "Traps",
        (
            Layer("sites", "Trap sites, numbered in build order", True),
            Layer("access", "Way in on foot from the truck road", True),
            Layer("service", "Ground that each site serves", True),
            Layer("existing", "Traps standing already", True),
            Layer("candidates", "Other spots that would do", False),
        ),
    ),
    (
        "Land and habitat",
        (
            Layer("properties", "Properties", True),
            Layer("habitat", "Habitat patches", True),
            Layer("complexes", "Habitat complexes (patches close together)", False),
        ),
    ),
    (
        "On the ground",
        (
            Layer("roads", "Roads", True),
            Layer("water", "Water", True),
            Layer("buildings", "Buildings", True),
            Layer("exclusions", "No traps allowed here", True),
            Layer("sightings", "Pigs or their sign seen", True),
        ),
    ),
    (
        "Crews",
        (
            Layer("rounds", "Rounds that crews drive", False),
            Layer("base", "Base", True),
        ),
    ),
)


def column_words(table: str) -> list[dict[str, Any]]:
    """How the columns of a table are shown, in order.

    Parameters
    ----------
    table : str
        Name of the table as in ``columns.csv``.

    Returns
    -------
    list of dict
        ``key``, ``label``, ``unit``, ``digits``, ``place`` and ``meaning`` of each column.

    Examples
    --------
    >>> column_words("habitat")[1]["label"], column_words("habitat")[1]["unit"]
    ('Habitat', 'acres')
    """
    documented = {column.column: column for column in columns_of(table)}
    words: list[dict[str, Any]] = []
    for key, word in WORDS[table].items():
        unit = documented[key].unit
        unit = "" if word.digits is None or unit.endswith("0 to 1") else UNIT_WORDS.get(unit, unit)
        meaning = documented[key].meaning
        words.append({
            "key": key, "label": word.label, "unit": unit, "digits": word.digits, "place": word.place,
            "meaning": meaning[:1].upper() + meaning[1:],
        })  # fmt: skip
    return words


def plain_tables() -> dict[str, dict[str, Any]]:
    """Headings of the tables of what the user gave.

    Returns
    -------
    dict
        By name ``columns`` as :func:`column_words` gives them, and no ``rows``.
    """
    return {
        name: {
            "columns": [
                {
                    "key": key,
                    "label": word.label,
                    "unit": "",
                    "digits": None,
                    "place": word.place,
                    "meaning": word.label,
                }
                for key, word in words.items()
            ],
            "rows": [],
        }
        for name, words in PLAIN_WORDS.items()
    }


def shown_table(table: str, frame: pd.DataFrame) -> dict[str, Any]:
    """A table of the plan in plain values.

    Parameters
    ----------
    table : str
        Name of the table as in ``columns.csv``.
    frame : pandas.DataFrame or geopandas.GeoDataFrame
        Its rows.

    Returns
    -------
    dict
        ``columns`` as :func:`column_words` gives them and ``rows``, lists of values in that order; blank is None.
    """
    columns = column_words(table)
    values = documented_values(table, frame)
    lists = [_plain_column(values[column["key"]]) for column in columns]
    return {"columns": columns, "rows": [list(row) for row in zip(*lists, strict=True)]}


def _plain_column(values: pd.Series) -> list[Any]:
    """Values of a column as :func:`plain` gives them; columns of numbers all at once."""
    if not pd.api.types.is_numeric_dtype(values.dtype):
        return [plain(value) for value in values.tolist()]
    numbers = values.to_numpy("float64", na_value=np.nan)
    blank, rounded = np.isnan(numbers), np.round(numbers, 6)
    is_whole = ~blank & (rounded == np.trunc(rounded))
    told: list[Any] = rounded.tolist()
    for at in np.flatnonzero(blank).tolist():
        told[at] = None
    for at in np.flatnonzero(is_whole).tolist():
        told[at] = int(told[at])
    return told


def plain(value: Any) -> str | int | float | None:
    """A value in the words of JSON; numbers to six digits after the point, blank as None.

    Parameters
    ----------
    value : object
        Text, number or blank.

    Returns
    -------
    str, int, float or None
        The same value.

    Examples
    --------
    >>> plain(float("nan")), plain(2.0), plain("00123")
    (None, 2, '00123')
    """
    if value is None or bool(pd.isna(value)):
        return None
    if isinstance(value, str):
        return value
    number = round(float(value), 6)
    return int(number) if number.is_integer() else number

"""Tables without geometry: land cover by property, seasons, and the check against sightings."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from allocator.core.study import BLANK_CLASS, Study
from allocator.core.units import acres
from allocator.habitat.area import Areas
from allocator.habitat.season import Habitat, Moves
from allocator.habitat.sightings import SightingsCheck
from allocator.traps.need import Need


def cover_table(study: Study, areas: Areas) -> pd.DataFrame:
    """Land and habitat by property and land-cover class.

    Parameters
    ----------
    study : Study
        Properties and classes.
    areas : Areas
        Of the planned season.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``cover_acres``.
    """
    codes = [(one.code, one.name) for one in study.classes]
    codes += [("", "")] * (BLANK_CLASS - len(codes)) + [("", "blank")]
    order = np.lexsort((areas.class_position, areas.class_property))
    position = areas.class_position[order]
    return pd.DataFrame(
        {
            "property_id": np.array(study.properties.ids, object)[areas.class_property[order]],
            "code": np.array([codes[one][0] for one in position], object),
            "cover": np.array([codes[one][1] for one in position], object),
            "area_acres": acres(areas.class_m2[order]),
            "habitat_acres": acres(areas.class_habitat_m2[order]),
            "habitat_units_acres": acres(areas.class_units_m2[order]),
        }
    )


def season_table(habitats: Sequence[Habitat], moves: Sequence[Moves], needs: Sequence[Need]) -> pd.DataFrame:
    """One row per season: habitat, what it gains and loses against the planned one, traps by the rule.

    Parameters
    ----------
    habitats, moves, needs : sequence
        Of each season, the planned one first.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``seasons``.
    """
    rows = [
        {
            "season": one.season.name,
            "is_planned": place == 0,
            "habitat_acres": float(acres(one.areas.covered_m2)),
            "habitat_units_acres": float(acres(one.areas.covered_units_m2)),
            "enrolled_habitat_acres": float(acres(one.areas.enrolled_m2)),
            "gained_acres": float(acres(move.gained_m2)),
            "lost_acres": float(acres(move.lost_m2)),
            "traps_exact": float(need.complex_exact.sum()),
            "traps": int(need.complex_traps.sum()),
        }
        for place, (one, move, need) in enumerate(zip(habitats, moves, needs, strict=True))
    ]
    return pd.DataFrame(rows)


def season_property_table(study: Study, habitats: Sequence[Habitat], needs: Sequence[Need]) -> pd.DataFrame:
    """One row per property and season; none where there is one season.

    Parameters
    ----------
    study : Study
        Properties.
    habitats, needs : sequence
        Of each season, the planned one first.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``season_acres``, sorted by property, then as the seasons are listed.
    """
    number, seasons = len(study.properties.ids), len(habitats) if len(habitats) > 1 else 0
    by_season = [
        [
            acres(np.bincount(one.areas.pair_property, values, number))
            for values in (one.areas.pair_m2, one.areas.pair_units_m2)
        ]
        for one in habitats[:seasons]
    ]

    def column(values: list[np.ndarray], kind: type) -> np.ndarray:
        return np.stack(values, axis=1).ravel() if values else np.empty(0, kind)

    return pd.DataFrame(
        {
            "property_id": np.repeat(np.array(study.properties.ids, object), seasons),
            "season": np.tile(np.array([one.season.name for one in habitats[:seasons]], object), number),
            "habitat_acres": column([one[0] for one in by_season], float),
            "habitat_units_acres": column([one[1] for one in by_season], float),
            "traps": column([need.property_traps for need in needs[:seasons]], int),
        }
    )


def sightings_table(check: SightingsCheck | None) -> pd.DataFrame:
    """How well the score ranks places with pigs; no rows without sightings.

    Parameters
    ----------
    check : SightingsCheck or None
        What was found.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``sightings_check``.
    """
    columns = ["measure", "value", "low", "high", "sample", "meaning"]
    if check is None:
        return pd.DataFrame({name: np.empty(0, float if name in ("value", "low", "high") else object)
                             for name in columns})  # fmt: skip
    places = f"{check.used} cells with sightings, {check.background_cells} cells of land"
    rows = [
        ("area under the curve", check.area_under_curve, check.area_low, check.area_high, places,
         "chance that a place with pigs scores above random land: 1 always, 0.5 no better than chance"),
        ("Boyce index", check.boyce, np.nan, np.nan, f"{places}, {check.boyce_windows} windows of score",
         "whether pigs are found the more often the higher the score: 1 best, 0 chance, below 0 the reverse"),
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)

"""Tables on the number of traps: whom to ask next, fewer traps, what moves the count, what it stands beside, pigs."""

import math

import numpy as np
import pandas as pd

from allocator.core.study import Study
from allocator.core.units import SQUARE_METRES_PER_ACRE, acres, square_metres
from allocator.sites.allot import Allotment
from allocator.traps.ask import AskNext
from allocator.traps.pigs import (
    TARGETS,
    effort_hours,
    expected_pigs,
    removals_to_hold,
    removals_to_reduce,
    target_against_growth,
)
from allocator.traps.ranges import Ranges

YARDSTICKS = (
    ("ground that one bait site draws from", "6.7 km2", 6.7e6,
     "McRae et al. 2020, Wildl. Soc. Bull. 44:362-371, doi 10.1002/wsb.1074"),
    ("square grid of the spacing that caught most pigs", "1.5 km", 1500.0**2,
     "McRae et al. 2020; acres computed"),
    ("square grid of the least spacing advised", "1 km", 1000.0**2,
     "Snow and VerCauteren 2019, Crop Prot. 124:104835; acres computed"),
    ("square grid of the most spacing advised", "2 km", 2000.0**2,
     "Snow and VerCauteren 2019, Crop Prot. 124:104835; acres computed"),
    ("core of a home range, Mississippi", "1.2 km2", 1.2e6,
     "Evans et al. 2024, Movement Ecology 12, doi 10.1186/s40462-024-00472-y"),
    ("home range (90 percent), Mississippi", "5.2 km2", 5.2e6,
     "Evans et al. 2024, Movement Ecology 12, doi 10.1186/s40462-024-00472-y"),
    ("home range of a month, South Carolina", "2.32 km2", 2.32e6,
     "Buchholtz, Jamison and Yarrow 2025, Stacks J., doi 10.60102/stacks-25014"),
)  # fmt: skip
"""Published figures that the rule stands beside: words, figure, square metres, source."""


def ask_table(study: Study, asked: AskNext) -> pd.DataFrame:
    """Owners who have not signed, ranked by what they would add.

    Parameters
    ----------
    study : Study
        Ids and names.
    asked : AskNext
        What was found.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``ask_next``.
    """
    ids, names = (np.array(one, object) for one in (study.properties.ids, study.properties.names))
    return pd.DataFrame(
        {
            "rank": np.arange(1, len(asked.property) + 1),
            "property_id": ids[asked.property],
            "name": names[asked.property],
            "habitat_acres": acres(asked.habitat_m2),
            "habitat_units_acres": acres(asked.units_m2),
            "traps_added": asked.traps,
            "complexes": asked.complexes,
            "with_traps": asked.with_traps,
        }
    )


def frontier_table(allotment: Allotment) -> pd.DataFrame:
    """Habitat served by every number of traps.

    Parameters
    ----------
    allotment : Allotment
        Traps given and the best gain of every number.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``frontier``; up to as many traps as found a site.
    """
    served = acres(np.append(0.0, allotment.frontier_m2))
    number = np.arange(len(served))
    placed = min(int(allotment.given.complex_traps.sum()), len(served) - 1)
    return pd.DataFrame(
        {
            "traps": number,
            "served_units_acres": served,
            "added_acres": np.diff(served, prepend=0.0),
            "is_planned": number == placed,
        }
    )


def tornado_table(ranges: Ranges) -> pd.DataFrame:
    """How far each assumption alone moves the count.

    Parameters
    ----------
    ranges : Ranges
        What was drawn.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``tornado``, the widest first.
    """
    rows = [(name.replace("_", " "), low, high, high - low) for name, low, high in ranges.tornado if high > low]
    return pd.DataFrame(rows, columns=["assumption", "low_traps", "high_traps", "width_traps"])


def yardstick_table(study: Study, enrolled_m2: float) -> pd.DataFrame:
    """The rule of acres per trap beside published figures.

    Parameters
    ----------
    study : Study
        The rule.
    enrolled_m2 : float
        Enrolled habitat, square metres.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``yardsticks``; the rule itself first.
    """
    own = study.settings.traps.m2_per_trap
    spacing = f"{study.settings.traps.acres_per_trap:g} acres, a trap every {math.sqrt(own):,.0f} m on a square grid"
    rows = [("this plan's rule", spacing, own, "common practice, no source; spacing computed"), *YARDSTICKS]
    return pd.DataFrame(
        [(what, figure, m2 / SQUARE_METRES_PER_ACRE, enrolled_m2 / m2, source) for what, figure, m2, source in rows],
        columns=["what", "figure", "acres", "traps", "source"],
    )


def pig_table(study: Study, area_acres: float) -> pd.DataFrame:
    """Pigs and removals, where the study gives a density or a count.

    Parameters
    ----------
    study : Study
        ``[pigs]``.
    area_acres : float
        All land of the properties; published densities are per area of land.

    Returns
    -------
    pandas.DataFrame
        Columns of the table ``pigs``; no rows without a density or a count.
    """
    columns = ["measure", "value", "low", "high", "unit", "source"]
    pigs = study.settings.pigs
    blank = math.nan
    if pigs.counted is not None:
        number, low, high = pigs.counted, blank, blank
        source = "study file, pigs.counted"
    elif pigs.density_per_km2 is not None:
        least, most = pigs.density_range_per_km2
        number, low, high = expected_pigs(
            float(square_metres(area_acres)), density_per_km2=pigs.density_per_km2,
            low_per_km2=min(least, pigs.density_per_km2), high_per_km2=max(most, pigs.density_per_km2),
        )  # fmt: skip
        source = "density and its interval from the settings, times all land of the properties"
    else:
        kinds = {"value": float, "low": float, "high": float}
        return pd.DataFrame({name: np.empty(0, kinds.get(name, object)) for name in columns})
    growth, year = pigs.annual_growth, "pigs a year"
    share, hold = removals_to_hold(number, growth)
    yearly, years = removals_to_reduce(number, annual_growth=growth, years=pigs.years, end_share=pigs.end_share)
    arithmetic = "arithmetic on a closed population; pigs that move in are not counted"
    rows = [
        ("pigs on this land", number, low, high, "pigs", source),
        ("removals that hold the number", hold, blank, blank, year,
         f"{share:.0%} of the pigs at a growth of {growth:.0%} a year; {arithmetic}"),
        (f"removals of the first year towards {pigs.end_share:.0%} in {pigs.years} years", years[0].taken, blank, blank,
         year, f"{yearly:.0%} of the pigs each year; {arithmetic}"),
        (f"pigs left after {pigs.years} years of that", years[-1].end, blank, blank, "pigs", arithmetic),
        ("hours of work to take every pig", effort_hours(number), blank, blank, "person-hours",
         "the last 1 percent cost most: Fischer et al. 2020, Sci. Rep. 10, s41598-020-68264-z, one study"),
    ]  # fmt: skip
    rows += [
        (f"published target: {one.words}", 100 * one.value, blank, blank, "percent a year",
         f"{one.source}, quoted and not derived. {target_against_growth(one, growth)}")
        for one in TARGETS
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)

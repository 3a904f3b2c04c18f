"""The range of a study's trap count: its ground, its formula and how far its assumptions may be off."""

import numpy as np

from allocator.core.study import Study
from allocator.habitat.histogram import Histogram, habitat_area_m2, rest_index
from allocator.habitat.season import Habitat
from allocator.traps.need import Need
from allocator.traps.ranges import Formula, Ground, Ranges, Spread, draw_ranges


def count_range(study: Study, histogram: Histogram, habitat: Habitat, need: Need) -> Ranges:
    """Low and high habitat and traps of every property and of all together, in the planned season.

    Parameters
    ----------
    study : Study
        Settings and properties.
    histogram : Histogram
        Ground by property, class and bin.
    habitat : Habitat
        The planned season's.
    need : Need
        Traps by the rule.

    Returns
    -------
    Ranges
        Low and high, and what moves them most.
    """
    settings, season = study.settings, habitat.season
    half = settings.range.curves
    lengths = (1 - half, 1 - half / 2, 1.0, 1 + half / 2, 1 + half) if half else (1.0,)
    rest = rest_index(histogram, study, season, lengths)
    areas, number = habitat.areas, len(study.properties.ids)
    point_m2 = np.bincount(areas.pair_property, areas.pair_m2, number).astype(float)
    area_m2 = habitat_area_m2(histogram.share, study.grid.cell_area_m2)
    return draw_ranges(
        Ground(histogram.owner, histogram.position, rest.rest, area_m2),
        Formula(
            np.array(season.scores, float), tuple(one.group for one in study.classes),
            season.habitat.weights.cover, rest.weight, season.habitat.combine, season.habitat.threshold,
        ),
        Spread(
            settings.traps.m2_per_trap_ends, settings.range.threshold, settings.range.scores, lengths,
            settings.range.draws, settings.range.seed,
        ),
        point_m2=point_m2, enrolled=study.properties.enrolled,
        total_m2=areas.covered_m2, total_enrolled_m2=areas.enrolled_m2,
    )  # fmt: skip

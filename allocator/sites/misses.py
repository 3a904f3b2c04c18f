"""Spots of a property that break just one limit: looked for only where a trap has no site."""

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from allocator.core.arrays import Bools, Floats, Ints
from allocator.core.grid import Window
from allocator.grid.land import LandReader
from allocator.habitat.tile import score_tile
from allocator.sites.limits import broken_limits
from allocator.sites.measured import Measured, Measurer
from allocator.sites.spots import BEST_PER_SQUARE, Looked, Spots, cell_spots, joined_spots, look, no_spots
from allocator.sites.squares import best_per_square, place_in_run

MOST_PER_LIMIT = 12
"""So many of the cells of a property that break a limit least are measured for each limit."""
ROAD_LOOK = 4
"""Cells are looked at up to this many times the distance that a site may be from a road."""
SURE_CELLS = 0.5
"""So far beyond the setback, in cells, a cell is sure to keep it."""
PART_CELLS = 1024
"""A large property is looked at in parts of this many cells a side."""


class NearMisses:
    """Finds spots that break just one limit.

    Parameters
    ----------
    reader : LandReader
        Reads the land of a property anew.
    measurer : Measurer
        Measures its spots.
    """

    def __init__(self, reader: LandReader, measurer: Measurer) -> None:
        self._reader, self._measurer, self._study = reader, measurer, measurer.study
        self._found: dict[int, Measured] = {}

    def of(self, owner: int) -> Measured:
        """Those of one property, measured; ways in are not looked for yet.

        Parameters
        ----------
        owner : int
            The property.

        Returns
        -------
        Measured
            Spots that break one limit as far as measured, or none until the way in is known; none on the ground of a
            rejected site. Of cells that keep all limits on cells the best of each square, of others the few that break
            theirs least.
        """
        if owner not in self._found:
            spots = self._spots(owner)
            measured = self._measurer.measure(spots)
            broken = np.count_nonzero(broken_limits(measured, self._study.settings.sites), axis=0)
            self._found[owner] = measured.take(np.flatnonzero((broken <= 1) & ~self._is_rejected(measured)))
        return self._found[owner]

    def _spots(self, owner: int) -> Spots:
        """Cells of a property that may turn out to break just one limit."""
        study, sites = self._study, self._study.settings.sites
        whole: list[Spots] = []
        missing: list[Spots] = []
        limits, excess, is_sure = [], [], []
        for window in self._windows(owner):
            land, furthest_m = self._reader.land(window), ROAD_LOOK * sites.road_distance_m[1]
            roads = self._reader.road_squared(window, furthest_m)
            assert roads is not None
            seen = look(land, study, roads, furthest_m)
            tile, broken = score_tile(land, study, study.planned), np.count_nonzero(~seen.holds, axis=0)
            for kept, its in ((whole, broken == 0), (missing, (broken == 1) & (seen.off_line_cells >= 0))):
                at = np.flatnonzero(its & (seen.owner == owner))
                spots = cell_spots(land, tile, study, cell=seen.cell[at], owner=seen.owner[at])
                kept.append(replace(spots, rank=spots.rank + (seen.off_line_cells[at] >= 0)))
            limits.append(np.argmin(seen.holds[:, at], axis=0))
            excess.append(_excess(seen, at, limits[-1], sites.water_distance_m))
            is_sure.append(seen.off_line_cells[at] >= SURE_CELLS)
        if not whole:
            return no_spots()
        near, far = joined_spots(whole), joined_spots(missing)
        best = best_per_square(near, near.rank, study.grid, side_m=sites.candidate_spacing_m, most=BEST_PER_SQUARE)
        least = _least(far, np.concatenate(limits), np.concatenate(excess), np.concatenate(is_sure))
        return joined_spots([near.take(best), far.take(least)])

    def _windows(self, owner: int) -> Iterator[Window]:
        """Parts of the grid that cover a property; none without roads."""
        if self._reader.road_edges is None:
            return
        column, row, last_column, last_row = self._reader.property_edges.box[owner]
        for one in self._study.grid.tiles(PART_CELLS):
            top, left = max(one.row, math.floor(row)), max(one.column, math.floor(column))
            bottom = min(one.row + one.rows, math.ceil(last_row))
            right = min(one.column + one.columns, math.ceil(last_column))
            if top < bottom and left < right:
                yield Window(top, left, bottom - top, right - left)

    def _is_rejected(self, measured: Measured) -> Bools:
        """Which spots lie on the ground of a site that the crew rejected."""
        at = [(one.x_m, one.y_m) for one in self._study.site_decisions if one.decision == "reject"]
        if not at:
            return np.zeros(len(measured), bool)
        distance = cKDTree(at).query(np.stack([measured.x_m, measured.y_m], axis=1))[0]
        return np.asarray(distance <= self._study.settings.sites.reject_radius_m)


def _excess(seen: Looked, at: Ints, limit: Ints, water_m: tuple[float, float]) -> Floats:
    """How far beyond its one broken limit each cell is; comparable for one limit only."""
    by_water = np.maximum(water_m[0] - seen.water_m[at], seen.water_m[at] - water_m[1])
    beyond = np.stack([seen.road_m[at], by_water, seen.slope[at], seen.flooding[at]])
    return np.asarray(beyond[limit, np.arange(len(at))])


def _least(spots: Spots, limit: Ints, excess: Floats, is_sure: Bools) -> Ints:
    """Positions of the few that break each limit least; of equals, the better, more northern, western.

    Those that look sure to keep the setback from the line, and those that may, each so many.
    """
    key = limit * 2 + is_sure
    order = np.lexsort((spots.column, spots.row, -spots.rank, excess, key))
    return np.asarray(order[place_in_run(key[None, order]) < MOST_PER_LIMIT])

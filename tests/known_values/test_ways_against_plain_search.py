"""Ways on foot against a plain search of the whole land, cell by cell, over the rules as they are written down.

The rules: from any cell of a truck road by steps to the eight neighbours. A step costs its length times the mean cost
per metre of its two cells; a cell costs what its shade costs, or wetland, times one plus slope over the slope limit.
No step leads into water, into ground not enrolled (but for the road's own cells), further from the road than the
corridor, or askew between two cells that are both closed.

The reference shares no code with the package: which cells a road, a creek or a property lies on is asked of shapely,
slope comes from scipy's Sobel filter (Horn's differences, Proc. IEEE 69(1):14-47, are that filter over 8 cells), and
the search is Dijkstra's (Numer. Math. 1:269-271) with Python's own heap.
"""

import heapq
from dataclasses import replace
from itertools import pairwise, product

import numpy as np
import pytest
import shapely
from scipy import ndimage
from shapely import LineString, box

from allocator.grid.land import land_reader
from allocator.sites.access import DETOUR, WayFinder
from allocator.sites.roads import TruckRoads
from allocator.sites.spots import Spots
from tests.builders import BLANK_CLASS, CLASSES, make_settings, make_study, rough_land

BOG = (*CLASSES, replace(CLASSES[0], water="wetland"), replace(CLASSES[1], water="seasonal"))
MARGIN = 14
"""Cells of blank ground round the land that a way may use."""
SIDE = 36


def land(seed, cell_m):
    """Rough cover with some bog and seasonal water, squares of 4 cells not enrolled, a creek, two roads.

    Roads run through the middle of cells and on past the land, squares lie on whole cells, and the verge ends within
    the road's own: so the way, once measured from the road itself, is the way over cells.
    """
    random = np.random.default_rng(seed)
    cover, metres = rough_land(SIDE, SIDE, seed=seed), SIDE * cell_m
    cover[(cover == 0) & (random.random(cover.shape) < 0.5)] = len(CLASSES)
    cover[random.random(cover.shape) < 0.02] = len(CLASSES) + 1
    foreign = [
        box(x, y, x + 4 * cell_m, y + 4 * cell_m)
        for x, y in product(np.arange(0, metres, 4 * cell_m), repeat=2) if random.random() < 0.15
    ]  # fmt: skip
    x = np.linspace(-5.3 * cell_m, metres + 5 * cell_m, 24)
    creek = np.stack([x, metres * (0.55 + 0.12 * np.sin(x / metres * 9 + seed))], axis=1)
    middle = (SIDE // 3 + 0.5) * cell_m
    own = box(-metres, -metres, 2 * metres, 2 * metres) - shapely.union_all(foreign)
    return make_study(
        cover, [own, *foreign], cell_m=cell_m, enrolled=[True] + [False] * len(foreign), classes=BOG,
        roads=[
            LineString([(-metres, middle), (2 * metres, middle)]),
            LineString([(metres - middle, -metres), (metres - middle, 2 * metres)]),
        ],
        water=[LineString(creek[:11]), LineString(creek[12:])], elevation=random.normal(3, 0.35, (SIDE, SIDE)),
        settings=make_settings(sites={"road_verge_m": 0.75 * cell_m, "access_limit_m": 500.0}),
    )  # fmt: skip


class PlainSearch:
    """The cheapest cost from a road to every cell, on the land and its margin."""

    def __init__(self, study, furthest_m):
        self.study, grid = study, study.grid
        cell_m = grid.cell_m
        rows, columns = np.mgrid[-MARGIN : grid.rows + MARGIN, -MARGIN : grid.columns + MARGIN]
        x_m, y_m = grid.centres(rows, columns)
        half = cell_m / 2
        cells = shapely.box(x_m - half, y_m - half, x_m + half, y_m + half)
        self.road = shapely.intersects(cells, shapely.union_all(study.roads.shapes))
        creek = shapely.intersects(cells, shapely.union_all(study.water.shapes))
        cover = np.pad(study.cover.values, MARGIN, constant_values=BLANK_CLASS)
        water = np.array([one.water for one in study.classes] + ["no"] * 256)[cover]
        foreign = shapely.union_all(study.properties.shapes[~study.properties.enrolled])
        far = ndimage.distance_transform_edt(~self.road)
        is_foreign = shapely.area(shapely.intersection(cells, foreign)) > cell_m**2 / 2
        self.open = ~creek & ~np.isin(water, ["permanent", "seasonal"]) & ~is_foreign
        self.open = self.road | (self.open & (far * cell_m <= DETOUR * furthest_m))
        # The rim is closed, so that every cell walked has eight neighbours; ways do not come so far.
        self.open[[0, -1]] = self.open[:, [0, -1]] = self.road[[0, -1]] = self.road[:, [0, -1]] = False
        self.cost = self.costs(cover, water == "wetland")
        self.best = self.search()

    def costs(self, cover, wetland):
        """Cost per metre of every cell."""
        sites, cell_m = self.study.settings.sites, self.study.grid.cell_m
        shade = np.array([one.shade for one in self.study.classes] + ["open"] * 256)[cover]
        around = {name: ndimage.maximum_filter(shade == name, 3) for name in ("open", "closed")}
        shade[around["open"] & around["closed"]] = "partial"
        by_shade = {name: getattr(sites.access_cost, name) for name in ("open", "partial", "closed")}
        cost = np.vectorize(by_shade.get)(shade).astype(float)
        cost[wetland] = sites.access_cost.wetland
        height = np.pad(self.study.elevation.values.astype(float), MARGIN, constant_values=np.nan)
        rise = np.hypot(ndimage.sobel(height, 0), ndimage.sobel(height, 1)) / (8 * cell_m)
        rise[ndimage.maximum_filter(np.isnan(height), 3)] = 0.0
        return cost * (1 + rise / (sites.slope_limit_percent / 100))

    def neighbours(self, row, column):
        """Cells one step away and what the step costs."""
        for down, right in product((-1, 0, 1), repeat=2):
            there = row + down, column + right
            if (down, right) == (0, 0) or not self.open[there]:
                continue
            if down and right and not (self.open[row + down, column] or self.open[row, column + right]):
                continue
            mean = (self.cost[row, column] + self.cost[there]) / 2
            yield there, np.hypot(down, right) * self.study.grid.cell_m * mean

    def search(self):
        """Cheapest cost to every cell; infinite where none leads."""
        best = np.where(self.road, 0.0, np.inf)
        heap = [(0.0, int(row), int(column)) for row, column in np.argwhere(self.road)]
        while heap:
            cost, row, column = heapq.heappop(heap)
            if cost > best[row, column]:
                continue
            for there, step in self.neighbours(row, column):
                if cost + step < best[there]:
                    best[there] = cost + step
                    heapq.heappush(heap, (cost + step, *there))
        return best

    def cost_of(self, path):
        """Cost of a way given as a line; NaN where it takes a step that the rules forbid."""
        columns, rows = self.study.grid.to_cells(*shapely.get_coordinates(path).T)
        cells = list(zip(np.floor(rows).astype(int) + MARGIN, np.floor(columns).astype(int) + MARGIN, strict=True))[1:]
        if self.road[cells[0]]:
            return 0.0 if len(cells) == 1 else np.nan
        cost = min(step for cell, step in self.neighbours(*cells[0]) if self.road[cell])
        return cost + sum(dict(self.neighbours(*here)).get(there, np.nan) for here, there in pairwise(cells))


@pytest.mark.parametrize("cell_m", [10.0, 30.0])
@pytest.mark.parametrize("seed", range(6))
def test_every_way_costs_what_a_plain_search_finds(seed, cell_m):
    study, furthest_m = land(seed, cell_m), 6 * cell_m
    known = PlainSearch(study, furthest_m)
    row, column = (part.ravel() for part in np.mgrid[:SIDE, :SIDE])
    whole, real = np.zeros(row.size, np.int64), np.full(row.size, np.nan)
    spots = Spots(row, column, whole, real, real, real, whole, whole, real, real)
    points = shapely.points(*study.grid.centres(row, column))
    found = WayFinder(land_reader(study), TruckRoads(study)).ways(spots, points, furthest_m=furthest_m)
    best = known.best[row + MARGIN, column + MARGIN]
    np.testing.assert_array_equal(np.isinf(found.length_m), np.isinf(best))
    has = np.isfinite(best)
    assert 200 < np.count_nonzero(has) < has.size - 200
    np.testing.assert_allclose([known.cost_of(path) for path in found.path[has]], best[has], rtol=1e-6)

"""Laws of the cells: windows and tiles leave no trace."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from allocator.core.grid import Window
from allocator.grid.cover import cover_source
from allocator.grid.distance import nearest_marked, squared_distance
from allocator.grid.edges import WHOLE, line_edges, polygon_edges
from allocator.grid.land import land_reader
from allocator.grid.shares import cells_touched, shares_of
from tests.builders import law, make_grid, make_settings, make_study, objects, parcels, rough_land

SHAPES = parcels(6, 5, 80.0, seed=4)
GRID = make_grid(64, 70, 10.0, -37.3, -21.9)
EDGES = polygon_edges(SHAPES, GRID)


def as_table(edges, grid, window, rule="share"):
    """Shares in whole numbers by shape and cell of the grid."""
    found = shares_of(edges, window, rule)
    out = np.zeros((len(edges.first) - 1, grid.rows, grid.columns), np.int64)
    row, column = np.divmod(found.cell, window.columns)
    out[found.owner, row + window.row, column + window.column] = found.share
    return out


@pytest.mark.parametrize("rule", ["share", "centre"])
@pytest.mark.parametrize("tile_cells", [1, 17, 64, 100, 1000])
def test_shares_are_the_same_whole_numbers_for_all_tiles(tile_cells, rule):
    whole = as_table(EDGES, GRID, GRID.window, rule)
    tiled = sum(as_table(EDGES, GRID, tile, rule) for tile in GRID.tiles(tile_cells))
    np.testing.assert_array_equal(tiled, whole)


def test_shares_of_many_parcels_are_the_same_for_tiles_of_64_100_and_1000():
    shapes = parcels(24, 20, 97.0, seed=2)
    grid = make_grid(230, 260, 10.0, -33.3, -12.1)
    edges = polygon_edges(shapes, grid)

    def flat(tiles):
        parts = []
        for tile in tiles:
            found = shares_of(edges, tile)
            row, column = np.divmod(found.cell, tile.columns)
            cell = (row + tile.row) * grid.columns + column + tile.column
            parts.append(np.stack([found.owner, cell, found.share]))
        every = np.concatenate(parts, axis=1)
        return every[:, np.lexsort(every[1::-1])]

    whole = flat([grid.window])
    for tile_cells in (64, 100, 1000):
        np.testing.assert_array_equal(flat(grid.tiles(tile_cells)), whole)


points = st.tuples(st.floats(-40, 140, width=32), st.floats(-40, 140, width=32))


@law(150)
@given(corners=st.lists(points, min_size=3, max_size=8), row=st.integers(-3, 9), column=st.integers(-3, 9),
       rows=st.integers(1, 8), columns=st.integers(1, 8))  # fmt: skip
def test_any_window_of_any_shape_holds_the_same_shares(corners, row, column, rows, columns):
    shape = shapely.convex_hull(shapely.multipoints(corners))
    if shape.geom_type != "Polygon":
        return
    grid = make_grid(16, 16)
    edges = polygon_edges(objects([shape]), grid)
    base = Window(-6, -6, 30, 30)
    whole = np.zeros(base.shape, np.int64)
    found = shares_of(edges, base)
    whole.ravel()[found.cell] = found.share
    part = np.zeros((rows, columns), np.int64)
    found = shares_of(edges, Window(row, column, rows, columns))
    part.ravel()[found.cell] = found.share
    np.testing.assert_array_equal(part, whole[row + 6 : row + 6 + rows, column + 6 : column + 6 + columns])
    assert whole.min() >= 0
    assert whole.max() <= WHOLE
    assert abs(whole.sum() / WHOLE * 100 - shape.area) <= 100 * 1e-5 * max(1, (whole > 0).sum())


@law(100)
@given(corners=st.lists(points, min_size=3, max_size=8), at=st.floats(-40, 140), upright=st.booleans())
def test_a_shape_cut_in_two_keeps_every_share(corners, at, upright):
    """To the last part where the cut shares its points; two parts of a cell of rounding per edge else."""
    shape = shapely.convex_hull(shapely.multipoints(corners))
    first, second = (
        ((-99, -99, at, 999), (at, -99, 999, 999)) if upright else ((-99, -99, 999, at), (-99, at, 999, 999))
    )
    halves = [shapely.intersection(shape, shapely.box(*half)) for half in (first, second)]
    grid = make_grid(16, 16)

    def shares(shapes):
        shapes = [one for one in shapes if one.geom_type == "Polygon" and not one.is_empty]
        found = shares_of(polygon_edges(objects(shapes), grid), grid.window)
        return np.bincount(found.cell, found.share, grid.rows * grid.columns)

    if shape.geom_type == "Polygon":
        np.testing.assert_allclose(shares(halves), shares([shape]), atol=16)


@law(60)
@given(path=st.lists(points, min_size=2, max_size=6), tile_cells=st.integers(1, 16))
def test_cells_touched_are_the_same_for_all_tiles(path, tile_cells):
    grid = make_grid(10, 12)
    edges = line_edges(objects([shapely.LineString(path)]), grid)
    whole = cells_touched(edges, grid.window)
    for tile in grid.tiles(tile_cells):
        part = whole[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns]
        np.testing.assert_array_equal(cells_touched(edges, tile), part)


@law(80)
@given(
    marked=st.sets(st.tuples(st.integers(0, 11), st.integers(0, 13)), min_size=1, max_size=8),
    row=st.integers(0, 11), column=st.integers(0, 13), halo=st.integers(1, 6),
)  # fmt: skip
def test_the_nearest_cell_is_the_same_in_any_window_that_holds_the_nearest_ones(marked, row, column, halo):
    """Ties are the point: of several equally near, every window must name the same one."""
    whole = np.zeros((12, 14), bool)
    whole[tuple(np.array(sorted(marked)).T)] = True
    rows, columns = nearest_marked(whole)
    square = (rows - np.arange(12)[:, None]) ** 2 + (columns - np.arange(14)[None, :]) ** 2
    wide = np.pad(whole, halo)
    part = wide[row : row + 2 * halo + 1, column : column + 2 * halo + 1]  # centred on the cell
    if square[row, column] > halo * halo:
        return
    part_rows, part_columns = nearest_marked(part)
    assert part_rows[halo, halo] + row - halo == rows[row, column]
    assert part_columns[halo, halo] + column - halo == columns[row, column]


def test_the_nearest_cell_at_ties_over_a_whole_lattice():
    """Marked cells every 6 cells: most cells between them are at ties."""
    whole = np.zeros((61, 61), bool)
    whole[::6, ::6] = True
    rows, columns = nearest_marked(whole)
    for top, left, side in ((6, 12, 25), (7, 3, 31), (0, 0, 19), (20, 25, 36)):
        inner = np.s_[top + 6 : top + side - 6, left + 6 : left + side - 6]
        part_rows, part_columns = nearest_marked(whole[top : top + side, left : left + side])
        np.testing.assert_array_equal(part_rows[6:-6, 6:-6] + top, rows[inner])
        np.testing.assert_array_equal(part_columns[6:-6, 6:-6] + left, columns[inner])


@law(40)
@given(seed=st.integers(0, 10**6), cap=st.integers(1, 12), part=st.sampled_from([0.3, 0.02, 0.004]))
def test_a_window_with_a_halo_of_the_cap_gives_the_same_squares(seed, cap, part):
    marked = np.random.default_rng(seed).random((40, 45)) < part
    whole = squared_distance(np.pad(marked, cap), cap)[cap:-cap, cap:-cap]
    tile = np.pad(marked, cap)[10 : 10 + 8 + 2 * cap, 12 : 12 + 9 + 2 * cap]
    np.testing.assert_array_equal(squared_distance(tile, cap)[cap:-cap, cap:-cap], whole[10:18, 12:21])


@pytest.mark.parametrize("tile_cells", [7, 16, 33])
def test_the_land_is_the_same_for_all_tiles(tile_cells):
    random = np.random.default_rng(3)
    ground = random.normal(5, 3, (50, 60)).astype(np.float32)
    ground[random.random(ground.shape) < 0.01] = np.nan
    study = make_study(
        rough_land(50, 60), [shapely.box(33, 48, 411, 432)], elevation=ground,
        water=[shapely.LineString([(0, 100), (300, 350), (599, 120)])],
        roads=[shapely.LineString([(0, 300), (599, 333)])],
        settings=make_settings(habitat={"curves": {"water_m": [[0, 1], [90, 0]]}}, sites={"water_distance_m": [9, 70]}),
    )  # fmt: skip
    reader = land_reader(study)
    whole = reader.land(study.grid.window)
    (height,) = whole.height_m.values()
    assert np.isfinite(height).any()
    assert np.isinf(height).any()
    for tile in study.grid.tiles(tile_cells):
        land = reader.land(tile)
        inside = np.s_[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns]
        for name in ("cover", "slope", "road_squared"):
            np.testing.assert_array_equal(getattr(land, name), getattr(whole, name)[inside], name)
        for name in ("squared", "height_m"):
            assert getattr(land, name).keys() == getattr(whole, name).keys()
            for target, values in getattr(land, name).items():
                np.testing.assert_array_equal(values, getattr(whole, name)[target][inside], f"{name} {target}")


def test_the_cover_of_a_window_is_the_cover_of_the_land():
    study = make_study(rough_land(30, 40), [shapely.box(0, 0, 400, 300)])
    source = cover_source(study)
    np.testing.assert_array_equal(source.cover(Window(3, 5, 7, 9)), study.cover.values[3:10, 5:14])

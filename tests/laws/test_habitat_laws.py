"""Laws of patches and complexes."""

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from scipy import ndimage

from allocator.habitat.complexes import join_complexes, small_parts
from allocator.habitat.tile import CELL_PARTS
from tests.builders import law, make_grid, objects, parcels, patches_of, scored_tile


def joined(habitat, tile_cells, smallest_m2=0.0):
    grid = make_grid(*habitat.shape)
    score = np.where(habitat, 5000 + 7 * np.arange(habitat.size).reshape(habitat.shape) % 5000, 12)
    tiles = [
        scored_tile(score[tile.row : tile.row + tile.rows, tile.column : tile.column + tile.columns], tile)
        for tile in grid.tiles(tile_cells)
    ]
    return patches_of(tiles, grid, smallest_m2), score


@law(80)
@given(
    seed=st.integers(0, 10**6), part=st.floats(0.2, 0.8), tile_cells=st.integers(1, 14),
    rows=st.integers(1, 13), columns=st.integers(1, 13), smallest=st.sampled_from([0.0, 300.0]),
)  # fmt: skip
def test_patches_are_those_of_the_whole_for_all_tiles(seed, part, tile_cells, rows, columns, smallest):
    habitat = np.random.default_rng(seed).random((rows, columns)) < part
    whole, score = joined(habitat, 1000, smallest)
    tiled, _ = joined(habitat, tile_cells, smallest)
    # independent: scipy's labels of the whole array, in the order of their first cells
    labels, count = ndimage.label(habitat, np.ones((3, 3)))
    cells = np.bincount(labels.ravel(), minlength=count + 1)[1:]
    sums = np.bincount(labels.ravel(), score.ravel(), count + 1)[1:]
    keep = cells * 100 >= smallest
    for found in (whole, tiled):
        assert found.cells.tolist() == cells[keep].tolist()
        assert (found.part_scores / CELL_PARTS).tolist() == sums[keep].tolist()
        assert shapely.is_valid(found.shapes).all()
        np.testing.assert_allclose(shapely.area(found.shapes), cells[keep] * 100)
    assert shapely.to_wkb(tiled.shapes).tolist() == shapely.to_wkb(whole.shapes).tolist()
    row, column = np.divmod(np.arange(habitat.size), columns)
    x, y = column * 10.0, (rows - row) * 10.0
    inside = shapely.points(x + 5, y - 5)
    for place, patch in enumerate(np.flatnonzero(keep) + 1):
        np.testing.assert_array_equal(
            shapely.contains(whole.shapes[place], inside).reshape(habitat.shape), labels == patch
        )


def test_patches_of_land_three_by_three_tiles_wide():
    smooth = ndimage.gaussian_filter(np.random.default_rng(1).normal(size=(90, 90)), 2)
    habitat = smooth > np.quantile(smooth, 0.55)
    whole, _ = joined(habitat, 1000, 2000.0)
    tiled, _ = joined(habitat, 30, 2000.0)
    assert len(whole.cells) > 3
    assert whole.cells.tolist() == tiled.cells.tolist()
    assert shapely.equals(whole.shapes, tiled.shapes).all()
    assert shapely.to_wkb(tiled.shapes).tolist() == shapely.to_wkb(whole.shapes).tolist()


def by_brute_force(shapes, distance_m):
    """Numbers of complexes by every pair of distances."""
    number = np.arange(len(shapes))
    for one in range(len(shapes)):
        for other in range(one):
            if distance_m > 0 and shapely.distance(shapes[one], shapes[other]) < distance_m:
                number[number == max(number[one], number[other])] = min(number[one], number[other])
    return [sorted(set(number.tolist())).index(one) for one in number]


corner = st.integers(0, 60)
rectangle = st.tuples(corner, corner, st.integers(1, 12), st.integers(1, 12))


@law(150)
@given(st.lists(rectangle, min_size=1, max_size=12), st.integers(0, 20))
def test_complexes_are_those_of_all_pairs_of_distances(rectangles, distance_m):
    """Whole numbers, so that distances exactly at the limit (also 3-4-5) come up."""
    shapes = objects([shapely.multipolygons([shapely.box(x, y, x + w, y + h)]) for x, y, w, h in rectangles])
    found = join_complexes(shapes, float(distance_m))
    expected = by_brute_force(shapes, distance_m)
    assert found.complex_of.tolist() == expected
    assert found.count == max(expected) + 1


@pytest.mark.parametrize("distance_m", [5.0, 12.0, 30.0])
def test_complexes_of_long_outlines_are_those_of_all_pairs(distance_m):
    """Outlines of more than 1,000 points are searched in parts."""
    random = np.random.default_rng(5)
    whole = parcels(4, 4, 300.0, seed=9)
    shapes = objects(
        [shapely.multipolygons([shapely.segmentize(one.buffer(-random.uniform(1, 14)), 0.8)]) for one in whole]
    )
    assert shapely.get_num_coordinates(shapes).min() > 1000
    found = join_complexes(shapes, distance_m)
    assert found.complex_of.tolist() == by_brute_force(shapes, distance_m)
    parts, owner = small_parts(shapes)
    assert shapely.get_num_coordinates(parts).max() <= 1000
    np.testing.assert_allclose(np.bincount(owner, shapely.area(parts), len(shapes)), shapely.area(shapes), rtol=1e-12)

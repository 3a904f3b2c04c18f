"""Distance to water on cells beside the exact distance to the shapes themselves, by shapely (GEOS)."""

import numpy as np
import pytest
import shapely
from scipy import ndimage

from allocator.grid.land import land_reader
from allocator.grid.targets import Target
from tests.builders import PASTURE, make_settings, make_study

CELL_M = 10.0
LAKE = Target("water", ("permanent",))


def random_water(seed):
    random = np.random.default_rng(seed)
    lines = [shapely.LineString(random.uniform(0, 800, (4, 2))) for _ in range(2)]
    ponds = [shapely.Point(random.uniform(0, 800, 2)).buffer(random.uniform(3, 60)) for _ in range(3)]
    return [*lines, *ponds]


@pytest.mark.parametrize("seed", range(8))
def test_within_one_cell_diagonal_of_the_exact_distance_and_equal_to_the_transform(seed):
    water = random_water(seed)
    settings = make_settings(habitat={"curves": {"water_m": [[0, 1], [2000, 0]]}})
    study = make_study(
        np.full((80, 80), PASTURE, np.uint8), [shapely.box(0, 0, 800, 800)], water=water, settings=settings
    )
    reader = land_reader(study)
    found = np.sqrt(reader.land(study.grid.window).squared[LAKE]) * CELL_M
    rows, columns = np.mgrid[0:80, 0:80]
    x, y = study.grid.centres(rows.ravel(), columns.ravel())
    exact = shapely.distance(shapely.points(x, y), shapely.union_all(water)).reshape(80, 80)
    diagonal = CELL_M * np.sqrt(2)
    assert np.abs(found - exact).max() <= diagonal
    assert (found - exact).max() <= diagonal / 2 + 1e-6  # the nearest point lies in a marked cell
    marked = reader.source.marked(LAKE, study.grid.window, np.full((80, 80), PASTURE, np.uint8))
    transform = ndimage.distance_transform_edt(~marked) * CELL_M
    np.testing.assert_allclose(found, transform, atol=1e-3)

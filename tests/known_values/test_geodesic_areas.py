"""Areas in the local equal-area system against geodesic ones."""

import csv
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

from allocator.core.crs import GEOGRAPHIC, local_equal_area, transform_points

TABLE = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "tables" / "geodtest_first50.csv"


@pytest.mark.parametrize("latitude", [25.9, 32.4, 48.9, -41.0, 64.0])
def test_irregular_parcels_have_their_geodesic_area(latitude):
    """Stars some kilometres wide, their edges straight on the map: areas on the ellipsoid by pyproj's geodesics."""
    random = np.random.default_rng(3)
    local = local_equal_area(-84.5, latitude)
    for _ in range(10):
        angle = np.sort(random.uniform(0, 2 * np.pi, 12))
        radius = random.uniform(1000, 6000, 12)
        x, y = random.uniform(-30_000, 30_000, 2)
        star = shapely.Polygon(np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1))
        ring = shapely.get_coordinates(shapely.segmentize(star, 100.0))
        longitude, latitude_of = transform_points(*ring.T, local, GEOGRAPHIC)
        true_m2 = abs(Geod(ellps="WGS84").polygon_area_perimeter(longitude, latitude_of)[0])
        assert star.area == pytest.approx(true_m2, rel=1e-7)


def test_geodesic_lines_bound_the_published_areas():
    """GeodTest (C. Karney, GeographicLib): S12 is the area between a geodesic and the equator.

    The same four-sided shape, in an equal-area cylinder, must have it: lines of up to 150 degrees of longitude that
    stay off the poles.
    """
    if not TABLE.exists():
        pytest.skip("the table of geodesics is not beside the project")
    geod, cylinder = Geod(ellps="WGS84"), CRS.from_proj4("+proj=cea +ellps=WGS84 +units=m").to_wkt()
    checked = 0
    with TABLE.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            one, two = float(row["lat1"]), float(row["lat2"])
            east = float(row["lon2"]) - float(row["lon1"])
            if not (0.5 < east < 150 and abs(one) < 80 and abs(two) < 80):
                continue
            line = np.array(geod.npts(0.0, one, east, two, 4000, initial_idx=0, terminus_idx=0))
            ring = np.concatenate([[[0.0, 0.0]], line, [[east, 0.0]]])
            x, y = transform_points(ring[:, 0], ring[:, 1], "EPSG:4326", cylinder)
            area = shapely.Polygon(np.stack([x, y], axis=1)).area
            if np.sign(line[:, 1]).min() == np.sign(line[:, 1]).max():
                assert area == pytest.approx(abs(float(row["S12_m2"])), rel=1e-5)
                checked += 1
    assert checked >= 3

"""Class acres of whole real land-cover maps, against their cells counted with rasterio and numpy.

Sources of the rasters: ../shared/data/README.md. They are in Albers equal-area systems with cells of 30 m, so an acre
figure is a number of cells times 900 m2, whichever way cells on a property line are counted.
"""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from shapely.geometry import box

from allocator import plan_traps, read_study
from tests.journey.studies import NO_SHARED, SHARED, write_study

pytestmark = pytest.mark.skipif(not SHARED.is_dir(), reason=NO_SHARED)

CELL_ACRES = 900 / 4046.8564224
# file: counts of the classes 90 and 95 (woody and emergent herbaceous wetlands) and of all, as in that README
RASTERS = {
    "landcover/augusta_ga_nlcd2011_30m.tif": (13_240, 293, 440 * 678),
    "landcover/benton_or_nlcd_30m.tif": (52_060, 79_906, 1875 * 2245),
    "area_durham_nc/durham_nlcd_30m.tif": (7_219, 96, 405 * 368),
}


@pytest.mark.parametrize("lines", ["share", "centre"])
@pytest.mark.parametrize("file", RASTERS, ids=lambda file: Path(file).name.partition("_")[0])
def test_class_acres_of_a_whole_raster(tmp_path: Path, file: str, lines: str) -> None:
    with rasterio.open(SHARED / file) as raster:
        assert raster.res == (30, 30)
        values, counts = np.unique(raster.read(1), return_counts=True)
        expected = {str(value): int(count) for value, count in zip(values, counts, strict=True)}
        tract = gpd.GeoDataFrame({"no": ["1"]}, geometry=[box(*raster.bounds)], crs=raster.crs)
    woody, herbaceous, all_cells = RASTERS[file]
    assert (expected["90"], expected["95"], sum(expected.values())) == (woody, herbaceous, all_cells)

    tract.to_file(tmp_path / "tract.gpkg")
    inputs = (
        '[inputs.properties]\npath = "tract.gpkg"\nid = "no"\n'
        f'[inputs.land_cover]\npath = "{(SHARED / file).as_posix()}"\nscheme = "nlcd"\n'
    )
    study = write_study(tmp_path, inputs, f'property_lines = "{lines}"\nmargin_m = 0')
    plan = plan_traps(read_study(study))

    acres = dict(zip(plan.cover_acres["code"], plan.cover_acres["area_acres"], strict=True))
    assert set(acres) == set(expected)  # no class lost, none made up, nothing blank
    for code, count in expected.items():
        assert acres[code] == pytest.approx(count * CELL_ACRES, rel=1e-9), code
    assert sum(acres.values()) == pytest.approx(all_cells * CELL_ACRES, rel=1e-9)
    assert plan.totals.area_acres == pytest.approx(all_cells * CELL_ACRES, rel=1e-9)
    assert plan.properties["area_acres"].tolist() == pytest.approx([all_cells * CELL_ACRES], rel=1e-9)

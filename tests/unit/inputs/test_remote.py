"""Rasters over the network: the same study as from the file, with a part of the file asked for."""

import subprocess
import sys
import time

import numpy as np
import pytest
import rasterio
from affine import Affine

from allocator.core.errors import InputError
from allocator.core.grid import Window
from allocator.inputs.grid_cells import GridCells
from allocator.inputs.mosaics import open_rasters
from allocator.inputs.rasters import open_raster
from allocator.inputs.read_study import read_study
from allocator.inputs.study_grid import raster_grid
from tests.unit.inputs.small_inputs import ALBERS, NORTH, WEST, write_study

SIDE = 3000
"""Cells: large enough that a part is much less than the whole."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A tiled GeoTIFF of random classes, which no compression makes small."""
    made = tmp_path_factory.mktemp("served")
    codes = np.random.default_rng(1).choice(np.array([11, 41, 82, 90], np.uint8), (SIDE, SIDE))
    place = Affine(30.0, 0.0, WEST, 0.0, -30.0, NORTH)
    how = {"driver": "GTiff", "dtype": "uint8", "count": 1, "height": SIDE, "width": SIDE, "crs": ALBERS, "nodata": 0}
    with rasterio.open(made / "cover.tif", "w", transform=place, tiled=True, **how) as file:
        file.write(codes, 1)
    return made


@pytest.fixture(scope="module")
def address(folder):
    command = [sys.executable, "-m", "tests.unit.inputs.range_server", str(folder)]
    with (folder / "log").open("w") as log, subprocess.Popen(command, stdout=log) as server:
        while server.poll() is None and not (lines := (folder / "log").read_text().split()):
            time.sleep(0.1)
        yield f"http://127.0.0.1:{lines[0]}"
        server.terminate()


def sent(folder):
    """Bytes that the server gave so far."""
    return sum(map(int, (folder / "log").read_text().split()[1:]))


def test_cells_are_those_of_the_file_and_only_a_part_is_asked_for(folder, address):
    before = sent(folder)
    remote, problems = open_raster(f"{address}/cover.tif", "land_cover", folder)
    local, _ = open_raster("cover.tif", "land_cover", folder)
    assert [problem.severity for problem in problems] == ["note"]
    window, found = Window(700, 900, 200, 300), []
    for raster in (remote, local):
        grid = raster_grid(raster, raster.crs_wkt, raster.bounds)
        found.append(GridCells(raster, grid, is_smooth=False, halo_cells=0).read(window)[0])
    np.testing.assert_array_equal(found[0], found[1])
    assert 0 < sent(folder) - before < SIDE * SIDE / 4
    assert (remote.name, remote.width, remote.nodata) == (local.name, local.width, local.nodata)
    assert [(one.path_name, one.sha256) for one in remote.records(5)] == [("cover.tif", "")]


def test_a_sheet_may_lie_in_the_network(folder, address):
    raster, _ = open_rasters((f"{address}/cover.tif", "cover.tif"), "land_cover", folder)
    assert raster.is_remote
    grid = raster_grid(raster, raster.crs_wkt, raster.bounds)
    found = GridCells(raster, grid, is_smooth=False, halo_cells=0).read(Window(10, 10, 5, 5))[0]
    with rasterio.open(folder / "cover.tif") as file:
        np.testing.assert_array_equal(found, file.read(1)[10:15, 10:15])


def test_a_whole_study_is_read(folder, tmp_path, address):
    found = []
    for place in (f"{address}/cover.tif", (folder / "cover.tif").as_posix()):
        study = read_study(write_study(tmp_path, cover=f'path = "{place}"\nscheme = "nlcd"'))
        found.append(study.cover.read(Window(0, 0, 20, 20)))
        is_told = any("read over the network" in problem.message for problem in study.problems)
        assert is_told == place.startswith("http")
    np.testing.assert_array_equal(found[0], found[1])


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("{}/nothing.tif?key=secret", r"nothing\.tif\): the raster cannot be read over the network"),
        ("http://127.0.0.1:9/cover.tif", "Check the address and the connection, or download the file"),
        ("{}/cover.jp2", "only a GeoTIFF"),
    ],
)
def test_what_cannot_be_read_is_told(folder, address, path, words):
    with pytest.raises(InputError, match=words) as told:
        open_raster(path.format(address), "land_cover", folder)
    assert "secret" not in str(told.value)


def test_only_rasters_come_over_the_network(tmp_path, address):
    from allocator.inputs.vectors import read_vector

    with pytest.raises(InputError, match=r"only rasters \(GeoTIFF\) are read from there") as told:
        read_vector(f"{address}/parcels.gpkg?key=secret", None, "properties", tmp_path)
    assert "secret" not in str(told.value)

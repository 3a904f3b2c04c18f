"""Writing the layers and grids, the same bytes every time."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import Affine

from district.place import CELL, CRS, FRAME, HALF_RASTER, SIZE, Floats
from district.river import River
from district.water import Water


def write_layer(frame: gpd.GeoDataFrame, path: Path, layer: str) -> None:
    """Write one layer, coordinates rounded to a decimetre, always the same bytes."""
    rounded = frame.set_geometry(shapely.set_precision(frame.geometry.array, 0.1), crs=CRS)
    pyogrio.write_dataframe(rounded, path, layer=layer, driver="GPKG", VERSION="1.3")


def write_raster(path: Path, grid: NDArray[np.generic], cell: float, nodata: float, predictor: int) -> None:
    """Write one grid as a tiled, deflated GeoTIFF."""
    profile = {
        "driver": "GTiff", "width": grid.shape[1], "height": grid.shape[0], "count": 1,
        "dtype": grid.dtype.name, "crs": CRS, "nodata": nodata, "tiled": True,
        "blockxsize": 256, "blockysize": 256, "compress": "deflate", "zlevel": 9,
        "predictor": predictor, "transform": Affine(cell, 0.0, -HALF_RASTER, 0.0, -cell, HALF_RASTER),
    }  # fmt: skip
    with rasterio.open(path, "w", **profile) as target:
        target.write(grid, 1)


def write_water(folder: Path, river: River, water: Water) -> None:
    """Write the two water layers."""
    lines = [("Tamber River", "river", river.centre.simplify(1.0))]
    lines += [(name, "creek", line.intersection(FRAME)) for name, line in water.creeks]
    lines += [(name, "ditch", line.intersection(FRAME)) for name, line in water.ditches]
    lines = [row for row in lines if not row[2].is_empty]
    for layer, rows in (("streams", lines), ("water_bodies", water.bodies)):
        rows = [row for row in rows if not row[2].is_empty]
        names, kinds, shapes = zip(*rows, strict=True)
        frame = gpd.GeoDataFrame({"name": names, "kind": kinds}, geometry=list(shapes), crs=CRS)
        write_layer(frame, folder / "water.gpkg", layer)


def write_elevation(folder: Path, height: Floats) -> None:
    """Write the elevation in 20 m cells, each the mean of four."""
    half = SIZE // 2
    coarse = height.reshape(half, 2, half, 2).mean(axis=(1, 3))
    rounded = np.round(coarse, 1).astype(np.float32)
    write_raster(folder / "elevation.tif", rounded, 2 * CELL, -9999.0, 3)

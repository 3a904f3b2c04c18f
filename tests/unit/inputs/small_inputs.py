"""Small input files made for one test: four square tracts, a raster of classes, heights, roads."""

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine

WEST, NORTH = 400_000.0, 1_200_000.0
"""Corner in EPSG:5070, in Georgia: well inside the zone where it is equal-area."""
ALBERS = "EPSG:5070"


def square(column: int, row: int, side_m: float = 600.0) -> shapely.Polygon:
    """A tract, counted from the corner."""
    west, north = WEST + column * side_m, NORTH - row * side_m
    return shapely.box(west, north - side_m, west + side_m, north)


def tracts(**columns: list[Any]) -> gpd.GeoDataFrame:
    """Two by two tracts with ids T1 to T4."""
    shapes = [square(1, 1), square(2, 1), square(1, 2), square(2, 2)]
    return gpd.GeoDataFrame({"tract": ["T1", "T2", "T3", "T4"], **columns}, geometry=shapes, crs=ALBERS)


def write(frame: gpd.GeoDataFrame, path: Path, layer: str | None = None) -> Path:
    """The frame as a file; the format from the extension."""
    frame.to_file(path, layer=layer) if layer else frame.to_file(path)
    return path


def write_raster(path: Path, values: np.ndarray, *, crs: str | None = ALBERS, nodata: float | None = None,
                 transform: Affine | None = None) -> Path:  # fmt: skip
    """An array as GeoTIFF, 30 m cells from the corner unless a transform is given."""
    place = transform or Affine(30.0, 0.0, WEST, 0.0, -30.0, NORTH)
    profile = {"driver": "GTiff", "height": values.shape[0], "width": values.shape[1], "count": 1,
               "dtype": values.dtype, "crs": crs, "nodata": nodata, "transform": place}  # fmt: skip
    with rasterio.open(path, "w", **profile) as target:
        target.write(values, 1)
    return path


def classes(rows: int = 100, columns: int = 100) -> np.ndarray:
    """Woody wetland west, forest east, one column of water between."""
    values = np.full((rows, columns), 90, dtype=np.uint8)
    values[:, columns // 2 :] = 42
    values[:, columns // 2] = 11
    return values


def write_study(folder: Path, extra: str = "", *, properties: str = 'path = "tracts.gpkg"\nid = "tract"',
                cover: str = 'path = "cover.tif"\nscheme = "nlcd"') -> Path:  # fmt: skip
    """A study file; makes tracts.gpkg and cover.tif where they are missing."""
    if "tracts.gpkg" in properties and not (folder / "tracts.gpkg").exists():
        write(tracts(), folder / "tracts.gpkg", "tracts")
    if "cover.tif" in cover and not (folder / "cover.tif").exists():
        write_raster(folder / "cover.tif", classes())
    head = '[study]\nname = "Small"\nmargin_m = 300\n'
    text = f"{head}[inputs.properties]\n{properties}\n[inputs.land_cover]\n{cover}\n{extra}"
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return path

"""Small real files of invented land, and a runner of the command line, for whole runs."""

import hashlib
import json
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from rasterio.transform import from_origin
from shapely.geometry import LineString, box
from shapely.geometry.base import BaseGeometry

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "data"
NO_SHARED = "the open data lies beside the project in ../shared/data and is not there"
MILE_M = 1609.344
ALBERS = "EPSG:5070"
WEST_M, SOUTH_M = 1_100_000.0, 1_100_000.0
"""A corner in Conus Albers; the land put there is invented."""
RASTER_INPUTS = """
[inputs.properties]
path = "tracts.gpkg"
id = "no"
[inputs.land_cover]
path = "cover.tif"
scheme = "nlcd"
"""


def square(side_m: float, x_m: float = 0.0, y_m: float = 0.0, height_m: float | None = None) -> BaseGeometry:
    """A rectangle, counted in metres from the corner of the invented land."""
    west, south = WEST_M + x_m, SOUTH_M + y_m
    return box(west, south, west + side_m, south + (side_m if height_m is None else height_m))


def write_shapes(path: Path, shapes: Sequence[BaseGeometry], columns: Mapping[str, Sequence[object]], crs: str) -> Path:
    """A GeoPackage of shapes given in Conus Albers, stored in another system."""
    frame = gpd.GeoDataFrame(dict(columns), geometry=list(shapes), crs=ALBERS).to_crs(crs)
    frame.to_file(path, engine="pyogrio")
    return path


def write_cover(path: Path, codes: np.ndarray, cell_m: float, crs: str | None = ALBERS) -> Path:
    """A land-cover raster whose lower left corner is the corner of the invented land."""
    profile = {
        "driver": "GTiff", "dtype": "uint8", "count": 1, "nodata": 0, "height": codes.shape[0],
        "width": codes.shape[1], "transform": from_origin(WEST_M, SOUTH_M + codes.shape[0] * cell_m, cell_m, cell_m),
    }  # fmt: skip
    if crs is not None:
        profile["crs"] = crs
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(codes.astype(np.uint8), 1)
    return path


def write_study(folder: Path, inputs: str, more: str = "") -> Path:
    """A study file with the inputs given as TOML."""
    path = folder / "study.toml"
    path.write_text(f'[study]\nname = "Invented land"\n{more}\n{inputs}\n', encoding="utf-8")
    return path


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    """The command line, as a user would call it."""
    return subprocess.run(
        [sys.executable, "-m", "allocator", *map(str, arguments)], capture_output=True, text=True, check=False
    )


def write_small_study(folder: Path) -> Path:
    """Two tracts of wooded swamp at a road: a whole plan with a few sites, made as fast as any."""
    folder.mkdir(parents=True, exist_ok=True)
    write_cover(folder / "cover.tif", np.full((100, 100), 90), 30.0)
    tracts = [square(1400.0, 50.0, 50.0), square(1400.0, 1500.0, 50.0)]
    write_shapes(folder / "tracts.gpkg", tracts, {"no": ["1", "2"]}, ALBERS)
    road = LineString([(WEST_M, SOUTH_M + 700.0), (WEST_M + 3000.0, SOUTH_M + 700.0)])
    write_shapes(folder / "roads.gpkg", [road], {"name": ["Levee"]}, ALBERS)
    return write_study(folder, RASTER_INPUTS + '[inputs.roads]\npath = "roads.gpkg"\n')


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file of a plan; of ``plan.json`` all but the times."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            content = path.read_bytes()
            if path.name == "plan.json":
                record = json.loads(content)
                del record["started"], record["seconds"]
                content = json.dumps(record).encode()
            found[path.relative_to(folder).as_posix()] = hashlib.sha256(content).hexdigest()
    return found

"""An invented county for timing: land cover, parcels that share their edges, rivers, roads and a study file.

Everything comes from one seed, so the same size gives the same files.
"""

import math
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from rasterio.features import rasterize
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter1d, zoom

CELL_M = 10.0
WEST_M, NORTH_M, CRS = 500_000.0, 1_500_000.0, "EPSG:5070"
CODES = (82, 81, 71, 52, 41, 42, 43, 21, 22, 95, 90, 11)
"""Land-cover codes of the National Land Cover Database, from dry and open to wet."""
STUDY = """[study]
name = "invented county"
crs = "EPSG:5070"
[inputs.properties]
path = "parcels.gpkg"
id = "parcel"
name = "owner"
[inputs.land_cover]
path = "cover.tif"
scheme = "nlcd"
[inputs.water]
path = "rivers.gpkg"
[inputs.roads]
path = "roads.gpkg"
[habitat]
smallest_patch_acres = 0
weights = {cover = 2, water = 1}
"""


def make_county(folder: Path, cells: int, parcels: int, seed: int = 20) -> Path:
    """Write the files of a county.

    Parameters
    ----------
    folder : pathlib.Path
        Where; made when it is not there.
    cells : int
        About so many cells of 10 m.
    parcels : int
        So many.
    seed : int
        Start of the random numbers.

    Returns
    -------
    pathlib.Path
        The study file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(seed)
    rows = math.isqrt(round(cells * 0.8))
    columns = round(cells / rows)
    width_m, height_m = columns * CELL_M, rows * CELL_M
    rivers, roads = _rivers(random, width_m, height_m), _roads(random, width_m, height_m)
    _cover(random, rows, columns, rivers, folder / "cover.tif")
    for name, lines in (("rivers", rivers), ("roads", roads)):
        gpd.GeoDataFrame({"number": range(len(lines))}, geometry=lines, crs=CRS).to_file(
            folder / f"{name}.gpkg", layer=name
        )
    shapes = _parcels(random, parcels, width_m, height_m)
    gpd.GeoDataFrame(
        {
            "parcel": [f"{number:07d}" for number in range(len(shapes))],
            "owner": [f"Owner {number % 9973:04d}" for number in range(len(shapes))],
        },
        geometry=shapes,
        crs=CRS,
    ).to_file(folder / "parcels.gpkg", layer="parcels")
    study = folder / "study.toml"
    study.write_text(STUDY, encoding="utf-8")
    return study


def _rough(random: np.random.Generator, rows: int, columns: int) -> np.ndarray:
    """Hills of several sizes added up, with mean 0."""
    total = np.zeros((rows, columns), np.float32)
    for step, height in ((256, 1.0), (64, 0.6), (16, 0.35), (4, 0.2)):
        coarse = random.normal(size=(rows // step + 3, columns // step + 3)).astype(np.float32)
        total += height * zoom(coarse, step, order=1)[:rows, :columns]
    return total


def _cover(random: np.random.Generator, rows: int, columns: int, rivers: np.ndarray, path: Path) -> None:
    wet = _rough(random, rows, columns)
    ends = np.quantile(wet[::16, ::16], np.linspace(0, 1, len(CODES) + 1)[1:-1])
    cover = np.asarray(CODES, np.uint8)[np.searchsorted(ends, wet)]
    place = from_origin(WEST_M, NORTH_M, CELL_M, CELL_M)
    cover[rasterize(shapely.buffer(rivers, 12), out_shape=cover.shape, transform=place).astype(bool)] = 11
    profile = {"driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": "uint8", "crs": CRS}
    blocks = {"tiled": True, "blockxsize": 512, "blockysize": 512, "compress": "deflate", "nodata": 0}
    with rasterio.open(path, "w", transform=place, **profile, **blocks) as file:
        file.write(cover, 1)


def _inside(lines: list[np.ndarray], width_m: float, height_m: float) -> np.ndarray:
    box = shapely.box(WEST_M, NORTH_M - height_m, WEST_M + width_m, NORTH_M)
    found = shapely.get_parts(shapely.intersection(np.array([shapely.LineString(one) for one in lines]), box))
    return found[shapely.get_type_id(found) == 1]


def _rivers(random: np.random.Generator, width_m: float, height_m: float) -> np.ndarray:
    lines = []
    for _ in range(max(3, round(width_m * height_m / 12e6))):
        turns = np.cumsum(gaussian_filter1d(random.normal(size=300), 5)) * 0.4 + random.uniform(0, 2 * np.pi)
        start = [WEST_M + random.random() * width_m, NORTH_M - random.random() * height_m]
        lines.append(start + np.cumsum(25.0 * np.stack([np.cos(turns), np.sin(turns)], axis=1), axis=0))
    return _inside(lines, width_m, height_m)


def _roads(random: np.random.Generator, width_m: float, height_m: float) -> np.ndarray:
    lines = []
    for across, length, far in ((False, width_m, height_m), (True, height_m, width_m)):
        for offset in np.arange(800.0, far, 1600.0):
            along = np.arange(0.0, length + 100.0, 100.0)
            beside = offset + gaussian_filter1d(random.normal(size=len(along)), 6) * 150
            x, y = (beside, along) if across else (along, beside)
            lines.append(np.stack([WEST_M + x, NORTH_M - y], axis=1))
    return _inside(lines, width_m, height_m)


def _parcels(random: np.random.Generator, number: int, width_m: float, height_m: float) -> np.ndarray:
    """Half of them small ones around towns; neighbours have the same points along the line that they share."""
    towns = random.random((max(2, number // 1250), 2))
    near = towns[random.integers(0, len(towns), number // 2)] + random.normal(size=(number // 2, 2)) * 0.02
    spread = random.random((number, 2))
    places = np.concatenate([near[((near > 0) & (near < 1)).all(axis=1)], spread])[:number]
    points = np.stack([WEST_M + places[:, 0] * width_m, NORTH_M - places[:, 1] * height_m], axis=1)
    box = shapely.box(WEST_M, NORTH_M - height_m, WEST_M + width_m, NORTH_M)
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=box))
    cells = shapely.segmentize(shapely.intersection(cells, box), 60.0)

    def bend(corners: np.ndarray) -> np.ndarray:
        x, y = corners[:, 0] - WEST_M, NORTH_M - corners[:, 1]
        rim = np.minimum(np.minimum(x, width_m - x), np.minimum(y, height_m - y))
        by = np.clip(rim / 500, 0, 1)[:, None]
        shift = np.stack([6 * np.sin(y / 41) + 3 * np.sin(x / 53), 6 * np.sin(x / 37) + 3 * np.sin(y / 31)], axis=1)
        return np.round(corners + by * shift, 2)

    return np.asarray(shapely.buffer(cells, 0) if not len(cells) else shapely.transform(cells, bend))

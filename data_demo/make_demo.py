"""Make the demonstration district: invented land, water, roads and properties.

Running ``python data_demo/make_demo.py`` writes six GeoPackages and two GeoTIFFs into
``inputs/`` beside this file. Nothing in them is real: names, owners and shapes are all
invented, and the coordinates lie in the open ocean so that nobody takes the district for
a place on the map.

The district is grown the way such land comes about. A river wanders across its
floodplain and leaves bars, ridges and cut-off bends behind; the ground is shaped around
it; roads follow the dry edge of the bottoms; properties and fields are cut along roads,
river and fence lines; land cover follows from all of that. The same seed gives the same
district.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from district.cover import make_cover
from district.files import write_elevation, write_layer, write_raster, write_water
from district.ground import make_ground
from district.lots import make_lots
from district.people import make_houses, make_no_traps, make_sightings
from district.place import CELL, CRS
from district.river import make_river
from district.roads import hamlet_place, landing, main_roads, make_roads
from district.tracts import make_tracts
from district.water import make_water

SEED = 33


def main() -> None:
    """Make the district and write all files."""
    folder = Path(__file__).resolve().parent / "inputs"
    folder.mkdir(exist_ok=True)
    for old in [*folder.glob("*.gpkg"), *folder.glob("*.tif")]:
        old.unlink()
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-01-01T00:00:00.000Z"})
    rng = np.random.default_rng(SEED)

    river = make_river(rng)
    main_lines = main_roads(rng, river)
    town, picnic = hamlet_place(main_lines), landing(main_lines, river)[1]
    water = make_water(rng, river, shapely.union_all([r.line for r in main_lines]), town)
    ground = make_ground(rng, river, water)
    roads = make_roads(rng, river, water, main_lines)
    lots = make_lots(rng, river, water, roads)
    cover = make_cover(rng, ground, water, roads, lots, town)
    no_traps = make_no_traps(picnic, town)

    write_raster(folder / "cover.tif", cover, CELL, 255, 1)
    write_elevation(folder, ground.height)
    write_water(folder, river, water)
    columns = {"name": [r.name for r in roads], "mtfcc": [r.mtfcc for r in roads]}
    road_frame = gpd.GeoDataFrame(columns, geometry=[r.line for r in roads], crs=CRS)
    write_layer(road_frame, folder / "roads.gpkg", "roads")
    write_layer(make_tracts(rng, lots, roads), folder / "tracts.gpkg", "tracts")
    busy = no_traps.geometry.union_all()
    write_layer(make_houses(rng, roads, ground, town, busy), folder / "houses.gpkg", "houses")
    write_layer(no_traps, folder / "no_traps.gpkg", "no_traps")
    write_layer(make_sightings(rng, cover), folder / "sightings.gpkg", "sightings")


if __name__ == "__main__":
    main()

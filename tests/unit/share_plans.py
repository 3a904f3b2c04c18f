"""Small invented plans on known squares of the public's grid, and what their copies hold."""

import csv
import html
import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from pyproj import CRS, Transformer

from allocator.outputs.geopackage import write_geopackage
from allocator.outputs.plan_json import plan_record, write_plan_json
from allocator.outputs.settings_toml import settings_as_toml
from allocator.outputs.shared_copy import write_shared_copy
from allocator.outputs.tables import write_tables
from allocator.share import share_plan
from tests.unit.outputs.plan_builder import CRS_WKT, make_plan

SIDE_M = 5 * 1609.344
"""The international mile, 1,609.344 m (NIST Handbook 44, appendix C)."""
FIXED = "+proj=laea +lat_0=30 +lon_0=-60 +datum=WGS84 +units=m"
"""The invented land lies near 28.4 N, 64.6 W: the nearest whole tens are 30 N, 60 W."""
CORNER = (-57, -22)
"""Column and row of a square of the grid near the invented land."""
TO_PLAN = Transformer.from_crs(CRS.from_user_input(FIXED), CRS.from_wkt(CRS_WKT), always_xy=True)
TO_DEGREES = Transformer.from_crs(CRS.from_wkt(CRS_WKT), "EPSG:4326", always_xy=True)


def land(column: float, row: float, number: int = 0, width_m: float = 400.0) -> shapely.Polygon:
    """A piece of land in a square of the grid, counted from the corner; in the plan's system."""
    west, south = (CORNER[0] + column) * SIDE_M + 310 + 511 * (number % 14), (CORNER[1] + row) * SIDE_M + 310
    south += 511 * (number // 14)
    shape = shapely.segmentize(shapely.box(west, south, west + width_m, south + 400), 50)
    return shapely.transform(shape, lambda points: np.column_stack(TO_PLAN.transform(*points.T)))


def pieces(*squares: tuple[int, int, int]) -> list[shapely.Polygon]:
    """So many pieces of land in each square (column, row, pieces)."""
    return [land(column, row, number) for column, row, count in squares for number in range(count)]


def write_folder(folder: Path, shapes: Sequence[shapely.Polygon], site: int = 0, **columns: Sequence[object]) -> Path:
    """A plan's folder with a property for each shape and two sites on one of them; columns of properties replaced."""
    plan, count = make_plan(2), len(shapes)
    values = {name: [row] * count for name, row in plan.properties.drop(columns="geometry").iloc[0].items()}
    values |= {"property_id": [f"kenning-{n:03}" for n in range(count)], "area_acres": [40.0] * count,
               "name": [f"Quillfeather Holding {n}" for n in range(count)], "traps": [1] * count,
               "habitat_acres": [12.5] * count, **columns}  # fmt: skip
    properties = gpd.GeoDataFrame(values, geometry=list(shapes), crs=CRS_WKT)
    at = [shapely.Point(shapes[site].centroid.x + 17.3 * n, shapes[site].centroid.y) for n in (1, 2)]
    longitude, latitude = TO_DEGREES.transform([one.x for one in at], [one.y for one in at])
    names = [f"TZ{n:03}K" for n in (1, 2)]
    sites = plan.sites.assign(property_id=values["property_id"][site], longitude=longitude, latitude=latitude,
                              site_id=names, road_name="Umberwick Road").set_geometry(at, crs=CRS_WKT)  # fmt: skip
    ways = [shapely.LineString([(one.x - 20, one.y), (one.x, one.y)]) for one in at]
    totals = replace(
        plan.totals,
        properties=count,
        traps=int(sum(values["traps"])),
        area_acres=float(sum(values["area_acres"])),
        habitat_acres=float(sum(values["habitat_acres"])),
    )
    plan = replace(
        plan, properties=properties, sites=sites, totals=totals, warnings=("Quillfeather Holding 0 has no site",),
        access_paths=plan.access_paths.assign(site_id=names).set_geometry(ways, crs=CRS_WKT),
        calendar=plan.calendar.assign(site_id=names, property_id=values["property_id"][site]),
        round_stops=plan.round_stops.assign(site_id=[*names, ""]),
    )  # fmt: skip
    folder.mkdir()
    write_geopackage(plan, folder / "plan.gpkg")
    write_tables(plan, folder / "tables")
    write_plan_json(plan_record(plan, datetime(2026, 1, 1, tzinfo=UTC), 1.0), folder / "plan.json")
    (folder / "settings.toml").write_text(settings_as_toml(plan.study.settings), encoding="utf-8")
    return folder


def shared(tmp_path: Path, plan: Path, audience: str = "public", **more: object) -> Path:
    return write_shared_copy(share_plan(plan, audience, **more), tmp_path / f"for_{audience}")


def totals_of(folder: Path) -> dict[str, tuple[int, ...]]:
    with (folder / "totals.csv").open(encoding="utf-8-sig", newline="") as file:
        return {row.pop("area"): tuple(map(int, row.values())) for row in csv.DictReader(file)}


def cells_of(folder: Path) -> dict[str, shapely.Geometry]:
    frame = pyogrio.read_dataframe(folder / "shared.gpkg", layer="cells")
    return dict(zip(frame["area"], frame.geometry, strict=True))


def squares(*places: tuple[int, int]) -> shapely.Geometry:
    """The outline of squares of the grid, worked out without the tool."""
    corners = [((CORNER[0] + column) * SIDE_M, (CORNER[1] + row) * SIDE_M) for column, row in places]
    return shapely.union_all([shapely.box(x, y, x + SIDE_M, y + SIDE_M) for x, y in corners])


def is_same_ground(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    return shapely.symmetric_difference(one, other).area < 1e3  # centimetres along the sides of squares of 8 km


# Nobody sees what nobody decided to show.


def areas_file(path: Path, shapes: Iterable[shapely.Geometry], crs: str = FIXED) -> str:
    fine = [shapely.segmentize(one, SIDE_M / 32) for one in shapes]
    frame = gpd.GeoDataFrame({"name": ["Watershed of Xanderby"] * len(fine)}, geometry=fine, crs=FIXED)
    frame.to_crs(crs).to_file(path)
    return str(path)


def found_in(folder: Path, secrets: Iterable[str]) -> set[str]:
    """Those of the secrets that some file's name or bytes hold, whatever the case, in UTF-8 or UTF-16.

    Of two letters or fewer as whole words, of digits and a point at the start of a number, any other anywhere.
    """
    files = [path for path in folder.rglob("*") if path.is_file()]
    heap = b"\n".join([*(path.read_bytes() for path in files), *(path.name.encode() for path in files)])
    codes = (("utf-8", 0), *((code, start) for code in ("utf-16-le", "utf-16-be") for start in (0, 1)))
    texts = [heap[start:].decode(code, "replace").casefold() for code, start in codes]
    numbers = {
        one[:end] for text in texts for one in re.findall(r"(?<![\d.])[\d.]+", text) for end in range(len(one) + 1)
    }
    found = set()
    for secret in secrets:
        words = {secret.casefold(), html.escape(secret.casefold())}
        if re.fullmatch(r"[\d.]+", secret):
            is_there = secret in numbers
        elif len(secret) > 2:
            is_there = any(word in text for word in words for text in texts)
        else:
            is_there = any(re.search(rf"(?<!\w){re.escape(word)}(?!\w)", text) for word in words for text in texts)
        if is_there:
            found.add(secret)
    return found

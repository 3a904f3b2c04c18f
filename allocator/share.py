"""What a partner agency or the public may see of a written plan: everything is withheld that nobody decided to show."""

import csv
import math
import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataLayerError, DataSourceError, FeatureError
from pyogrio.errors import GeometryError as ReadGeometryError
from pyproj import CRS

from allocator.core.crs import GEOGRAPHIC, local_equal_area, transform_points
from allocator.core.errors import CrsError, GeometryError, InputError, OutputError, SettingsError
from allocator.core.units import METRES_PER_MILE
from allocator.inputs.files import find_file, split_layer
from allocator.inputs.layers import choose_layers, list_layers, reader_message
from allocator.inputs.plan_folder import REMEDY, PlanFolder, read_plan_folder
from allocator.inputs.projecting import project_shapes
from allocator.outputs.columns import columns_of, table_names
from allocator.outputs.geopackage import GEOMETRY_TYPES
from allocator.outputs.shared_copy import AREA_COLUMNS, SharedCopy, SharedTable

AUDIENCES = ("partner", "public")
DEFAULT_TITLE = "Feral swine trap plan"
LEAST_PROPERTIES = 5
"""A sum of fewer properties is not told to the public; 3 to 5 is common practice, no source."""
FEWEST_PROPERTIES = 3
SIDE_MILES = 5.0
SIDES_MILES = (1.0, 100.0)
ROUND_TO_ACRES = 10
LONGEST_TITLE = 200
SHORTEST_PART = 3
"""Names from so many characters on are found inside words too, shorter ones as whole words."""
ORIGIN_STEP_DEGREES = 10
"""The grid is counted from the nearest point of whole tens of degrees, so that it tells nothing of where land lies."""
TOUCH_M = 1.0
"""Areas no farther apart than this are neighbours."""
SNAP_M = 0.01
"""Merged outlines are put on so fine a lattice, so that no crack stays between neighbours."""
_READING_ERRORS = (DataSourceError, DataLayerError, FeatureError, ReadGeometryError, UnicodeError)


@cache
def decisions() -> dict[tuple[str, str], dict[str, str]]:
    """Who may see which column, as ``share_columns.csv`` says; what is not in it, nobody may see.

    Returns
    -------
    dict
        Table and column (``geometry``: the shapes of a layer) to audience to one of ``yes``; ``no``; ``summed`` (in
        sums only); ``no_names`` (blank where it holds the name of a property); ``no_properties`` (blank where it holds
        a name, or the id of a property that is not the row's own).
    """
    text = (resources.files("allocator") / "share_columns.csv").read_text(encoding="utf-8")
    return {(row["table"], row["column"]): {name: row[name] for name in AUDIENCES}
            for row in csv.DictReader(text.splitlines())}  # fmt: skip


def share_plan(
    folder: Path, audience: str, *, title: str = DEFAULT_TITLE, least: int = LEAST_PROPERTIES,
    side_miles: float = SIDE_MILES, areas: str | None = None,
) -> SharedCopy:  # fmt: skip
    """A copy of a written plan with what an audience may see and nothing else.

    Parameters
    ----------
    folder : Path
        Folder of a plan; only its own files are read, never the inputs of the study.
    audience : str
        partner (an agency that does the work, under agreement) or public.
    title : str
        Stands on the copy in place of the study's name; blank: the default.
    least : int
        Public: no sum of fewer properties is told.
    side_miles : float
        Public: side of the squares, in miles.
    areas : str or None
        Public: ``FILE`` or ``FILE:LAYER`` with polygons to use instead of squares.

    Returns
    -------
    SharedCopy
        Ready to be written.

    Raises
    ------
    SettingsError
        There is no such audience, or ``least`` or ``side_miles`` is out of bounds.
    InputError
        The folder holds no plan, or the file of areas cannot be used.
    OutputError
        The plan has too few properties to tell the public anything.
    """
    if audience not in AUDIENCES:
        raise SettingsError(f"--audience: found {audience!r}; expected one of {', '.join(AUDIENCES)}.")
    if least < FEWEST_PROPERTIES or not SIDES_MILES[0] <= side_miles <= SIDES_MILES[1]:
        raise SettingsError(
            f"--least, --side-miles: found {least} and {side_miles:g}; expected {FEWEST_PROPERTIES} or more, and "
            f"{SIDES_MILES[0]:g} to {SIDES_MILES[1]:g}."
        )
    plan = read_plan_folder(folder)
    if audience == "partner":
        return _partner(folder, _clean(title))
    return _public(plan, folder, _clean(title), least=least, side_miles=side_miles, areas=areas)


def _clean(title: str) -> str:
    """The title on one line, without characters that steer or cannot be seen."""
    text = " ".join(title.split())
    return "".join(one for one in text if unicodedata.category(one)[0] != "C")[:LONGEST_TITLE].strip() or DEFAULT_TITLE


def _columns(table: str, audience: str) -> list[str]:
    return [one.column for one in columns_of(table) if _word(table, one.column, audience) != "no"]


def _word(table: str, column: str, audience: str) -> str:
    return decisions().get((table, column), {}).get(audience, "no")


def _read(folder: Path, table: str, columns: Sequence[str], *, has_shapes: bool) -> Any:
    """Some columns of a table of ``plan.gpkg``, in this order, with or without its shapes."""
    path, expected = folder / "plan.gpkg", f"the table {table} with the columns {', '.join(columns)}"
    try:
        fields = list(pyogrio.read_info(path, layer=table)["fields"])
        missing = [name for name in columns if name not in fields]
        if missing:
            raise InputError(f"{path}: found no column {', '.join(missing)}; expected {expected}. {REMEDY}")
        frame = pyogrio.read_dataframe(path, layer=table, columns=list(columns), read_geometry=has_shapes)
    except _READING_ERRORS as error:
        found = reader_message(error) if path.is_file() else "no such file"
        raise InputError(f"{path}: found {found.rstrip('.')}; expected {expected}. {REMEDY}") from None
    if has_shapes and (not isinstance(frame, gpd.GeoDataFrame) or frame.crs is None):
        raise InputError(f"{path}: found no shapes with a coordinate system in {table}; expected some. {REMEDY}")
    return frame[[*columns, "geometry"] if has_shapes else list(columns)]


def _undecided(folder: Path) -> tuple[str, ...]:
    """Tables and columns of ``plan.gpkg`` about which nobody has decided."""
    found = []
    for table in (str(name) for name, _ in pyogrio.list_layers(folder / "plan.gpkg")):
        if table not in table_names():
            found.append(table)
        else:
            fields = pyogrio.read_info(folder / "plan.gpkg", layer=table)["fields"]
            found += [f"{table}.{name}" for name in fields if (table, name) not in decisions()]
    return tuple(found)


# The public: sums by area.


def _public(
    plan: PlanFolder, folder: Path, title: str, *, least: int, side_miles: float, areas: str | None
) -> SharedCopy:
    rows = _read(folder, "properties", _columns("properties", "public"), has_shapes=True)
    acres = rows[["area_acres", "habitat_acres", "traps"]].to_numpy(float)
    whole = [plan.record["totals"].get(name) for name in ("properties", "area_acres", "habitat_acres", "traps")]
    if whole[0] != len(rows) or not all(isinstance(one, int | float) for one in whole) or not np.isfinite(acres).all():
        raise InputError(
            f"{folder}: found numbers in plan.gpkg that do not fit those in plan.json; expected one plan. {REMEDY}"
        )
    if len(rows) < least:
        raise OutputError(
            f"{folder}: the plan has {len(rows)} properties in all; a public copy tells no sum of fewer than {least} "
            "(--least). Nothing was written: share a plan of more land."
        )
    system, origin = _fixed_system(rows)
    shapes = project_shapes(shapely.make_valid(rows.geometry.fillna(shapely.Polygon()).to_numpy()), rows.crs, system,
                            "properties")  # fmt: skip
    regions = _squares(shapes, side_miles * METRES_PER_MILE) if areas is None else _polygons(areas, system)
    grouped = _grouped(_homes(shapes, regions), regions, least)
    names = [f"A{number}" for number in range(1, len(grouped.groups) + 1)]
    told = [(name, *_sums(acres[one])) for name, one in zip(names, grouped.rows, strict=True)]
    outlines = [shapely.union_all(regions[list(one)], grid_size=SNAP_M) for one in grouped.groups]
    elsewhere = [("elsewhere", *_sums(acres[grouped.elsewhere]))] if told and len(grouped.elsewhere) else []
    head = [("whole plan", len(rows), _tens(whole[1]), _tens(whole[2]), int(whole[3]))]
    fields = [one.column for one in AREA_COLUMNS]
    cells = gpd.GeoDataFrame(pd.DataFrame(told, columns=fields), geometry=outlines, crs=system)
    totals = pd.DataFrame([*head, *told, *elsewhere], columns=fields)
    facts = {"least": least, "side_miles": None if areas else side_miles, "origin": origin, "shown": len(told),
             "elsewhere": len(grouped.elsewhere), "is_second_withheld": grouped.is_second_withheld}  # fmt: skip
    figures = tuple(zip(("Properties", "Land, acres", "Habitat, acres", "Traps needed"), head[0][1:], strict=True))
    tables = (
        SharedTable("cells", "Areas", AREA_COLUMNS, cells, "MultiPolygon"),
        SharedTable("totals", "Totals by area", AREA_COLUMNS, totals, csv_path="totals.csv", is_on_page=True),
    )
    return SharedCopy("public", title, figures, tables, facts, system, _undecided(folder))


def _tens(acres: float) -> int:
    return ROUND_TO_ACRES * math.floor(acres / ROUND_TO_ACRES + 0.5)


def _sums(acres: Any) -> tuple[int, int, int, int]:
    """Properties, land and habitat in acres, traps."""
    land, habitat, traps = acres.sum(axis=0).tolist()
    return len(acres), _tens(land), _tens(habitat), round(traps)


def _fixed_system(rows: Any) -> tuple[str, str]:
    """An equal-area system that does not depend on where exactly the land lies, and its origin in words."""
    west, south, east, north = rows.total_bounds
    if not np.isfinite([west, south, east, north]).all():
        raise InputError(f"plan.gpkg: found no shapes of properties; expected one each. {REMEDY}")
    middle = np.array([(west + east) / 2]), np.array([(south + north) / 2])
    degrees = [float(one[0]) for one in transform_points(*middle, rows.crs.to_wkt(), GEOGRAPHIC)]
    longitude, latitude = (ORIGIN_STEP_DEGREES * round(one / ORIGIN_STEP_DEGREES) for one in degrees)
    words = f"{abs(latitude)} {'N' if latitude >= 0 else 'S'}, {abs(longitude)} {'E' if longitude >= 0 else 'W'}"
    return local_equal_area(longitude, latitude), words


def _squares(shapes: Any, side_m: float) -> Any:
    """Squares of the grid that some part of a property may lie in; from the north-west, row by row."""
    bounds = shapely.bounds(shapely.get_parts(shapes))
    ends = np.floor(bounds[np.isfinite(bounds).all(axis=1)] / side_m).astype(int).tolist()
    places = {(-row, column) for west, south, east, north in ends
              for row in range(south, north + 1) for column in range(west, east + 1)}  # fmt: skip
    return np.array([
        shapely.box(column * side_m, -row * side_m, (column + 1) * side_m, (1 - row) * side_m)
        for row, column in sorted(places)
    ], dtype=object)  # fmt: skip


def _polygons(areas: str, system: str) -> Any:
    """Polygons of a file in another system, from the north-west by their northern, then western end."""
    path, wanted = split_layer(areas, Path())
    name = f"share.areas ({path.name})"
    if not path.exists():
        raise InputError(f"{name}: found no file {areas}; expected a file of polygons. Check --areas.")
    find_file(areas, "share.areas", Path())  # refuses what is empty or not to be trusted
    chosen = choose_layers(list_layers(path, name), wanted, ("polygon",), path=path, name=name)[0]
    try:
        with chosen.opened() as dataset:
            read = pyogrio.read_dataframe(dataset, layer=chosen.name, columns=[], force_2d=True)
    except _READING_ERRORS as error:
        raise InputError(f"{name}: the file cannot be read. {reader_message(error)}") from None
    shapes = np.asarray(read.geometry if isinstance(read, gpd.GeoDataFrame) else [], dtype=object)
    shapes = shapes[np.isin(shapely.get_type_id(shapes), (3, 6)) & ~shapely.is_empty(shapes)]
    if not len(shapes):
        raise GeometryError(f"{name}: found no polygons; expected the areas to sum up by, such as watersheds.")
    if read.crs is None:
        raise CrsError(f"{name}: found no coordinate system. Set it in a GIS and export the file again.")
    shapes = project_shapes(shapely.make_valid(shapes), CRS.from_user_input(read.crs), system, name)
    west, _, _, north = shapely.bounds(shapes).T
    return shapes[np.lexsort((west, -north))]


def _homes(shapes: Any, regions: Any) -> Any:
    """The region that holds the largest part of each shape; -1 where that part lies in none; of equals the first."""
    homes = np.full(len(shapes), -1)
    shape, region = shapely.STRtree(regions).query(shapes, predicate="intersects")
    inside = np.round(shapely.area(shapely.intersection(shapes[shape], regions[region])), 1)
    outside = shapely.area(shapes) - np.bincount(shape, inside, len(shapes))
    order = np.lexsort((region, -inside, shape))
    best = order[np.unique(shape[order], return_index=True)[1]]
    best = best[inside[best] >= outside[shape[best]]]
    homes[shape[best]] = region[best]
    return homes


@dataclass(frozen=True)
class _Grouped:
    """Groups of regions that may be told, the rows of properties in each, and the rows that are told only together."""

    groups: tuple[tuple[int, ...], ...]
    rows: tuple[Any, ...]
    elsewhere: Any
    is_second_withheld: bool


def _grouped(homes: Any, regions: Any, least: int) -> _Grouped:
    """Regions merged with neighbours until each group has enough properties; what cannot be had by subtraction."""
    used = np.unique(homes[homes >= 0])
    pairs = used[shapely.STRtree(regions[used]).query(regions[used], predicate="dwithin", distance=TOUCH_M)]
    groups = _merged({int(one): int((homes == one).sum()) for one in used}, pairs.T.tolist(), least)
    rows = {one: np.flatnonzero(np.isin(homes, one)) for one in groups}
    shown = [one for one in groups if len(rows[one]) >= least]
    withheld = len(homes) - sum(len(rows[one]) for one in shown)
    is_second = bool(shown) and 0 < withheld < least
    if is_second:  # a group has at least `least` properties: withholding one more is enough
        shown.remove(min(shown, key=lambda one: (len(rows[one]), one)))
    told = np.concatenate([np.empty(0, int), *(rows[one] for one in shown)])
    elsewhere = np.setdiff1d(np.arange(len(homes)), told)
    return _Grouped(tuple(shown), tuple(rows[one] for one in shown), elsewhere, is_second)


def _merged(counts: dict[int, int], pairs: Iterable[Sequence[int]], least: int) -> list[tuple[int, ...]]:
    """Members of each group; the fewest properties first, with the neighbour that has fewest, of equals the first."""
    members: dict[int, tuple[int, ...]] = {one: (one,) for one in counts}
    near: dict[int, set[int]] = {one: set() for one in counts}
    for one, other in pairs:
        if one != other:
            near[one].add(other)
            near[other].add(one)
    while small := [one for one in counts if counts[one] < least and near[one]]:
        one = min(small, key=lambda key: (counts[key], key))
        other = min(near[one], key=lambda key: (counts[key], key))
        first, gone = min(one, other), max(one, other)
        counts = {key: count for key, count in counts.items() if key != gone} | {first: counts[one] + counts[other]}
        members[first] = tuple(sorted(members[first] + members.pop(gone)))
        near[first] = (near[first] | near.pop(gone)) - {first, gone}
        for key in near[first]:
            near[key] = (near[key] - {gone}) | {first}
    return sorted(members.values())


# The partner: the work on enrolled land.


def _partner(folder: Path, title: str) -> SharedCopy:
    owners = _read(folder, "properties", ["property_id", "name", "enrolled"], has_shapes=False)
    signed = set(owners.loc[owners["enrolled"] == "yes", "property_id"])
    if not signed:
        raise InputError(f"{folder}: no property of the plan is enrolled, so there is no work for a partner to see.")
    places = _read(folder, "sites", ["site_id", "property_id"], has_shapes=True)
    if not set(places["property_id"]) <= signed:
        raise InputError(f"{folder}: found sites on properties that are not enrolled; expected none. {REMEDY}")
    secrets = _Secrets(owners["property_id"].tolist(), owners["name"].fillna("").tolist())
    tables, blanked, system = [], 0, places.crs.to_wkt()
    for name in table_names():
        columns = _columns(name, "partner")
        if not columns:
            continue
        rows = _read(folder, name, columns, has_shapes=_word(name, "geometry", "partner") == "yes")
        if "property_id" in rows:
            rows = rows[rows["property_id"].isin(signed)]
        elif "site_id" in rows:
            rows = rows[rows["site_id"].isin(set(places["site_id"])) | rows["site_id"].fillna("").eq("")]
        rows, gone = secrets.blanked(name, rows.reset_index(drop=True))
        blanked += gone
        told = tuple(one for one in columns_of(name) if one.column in columns)
        tables.append(SharedTable(name, name.replace("_", " ").capitalize(), told, rows, GEOMETRY_TYPES.get(name),
                                  f"tables/{name}.csv", is_on_page=name != "cautions"))  # fmt: skip
    land, sites = tables[0].rows, next(one.rows for one in tables if one.name == "sites")
    figures = (("Properties enrolled", len(land)), ("Land, acres", round(float(land["area_acres"].sum()), 1)),
               ("Traps to place", int(land["traps_given"].sum())), ("Sites", len(sites)))  # fmt: skip
    return SharedCopy("partner", title, figures, tuple(tables), {"blanked": blanked}, system, _undecided(folder))


class _Secrets:
    """Names and ids of properties, looked for in texts."""

    def __init__(self, ids: Sequence[str], names: Sequence[str]) -> None:
        self.ids = [_plain(one) for one in ids]
        told = {_plain(name) for one, name in zip(ids, names, strict=True) if name and name != one}
        self.long = [one for one in sorted(told) if len(one) >= SHORTEST_PART]
        self.short = [one for one in sorted(told) if one and len(one) < SHORTEST_PART]

    def blanked(self, table: str, rows: Any) -> tuple[Any, int]:
        """The rows with texts blanked that tell too much, and how many were."""
        count = 0
        for column in rows.columns:
            word = _word(table, str(column), "partner")
            if word in ("no_names", "no_properties"):
                own = rows["property_id"] if word == "no_properties" else [None] * len(rows)
                tells = [bool(text) and self._tells(_plain(text), one)
                         for text, one in zip(rows[column].fillna(""), own, strict=True)]  # fmt: skip
                rows = rows.assign(**{column: rows[column].where(~np.array(tells, bool), "")})
                count += sum(tells)
        return rows, count

    def _tells(self, text: str, own: str | None) -> bool:
        others = [] if own is None else [one for one in self.ids if one and one != _plain(own)]
        words = [one for one in (*self.short, *others) if one in text]
        return any(one in text for one in self.long) or any(
            re.search(rf"(?<!\w){re.escape(one)}(?!\w)", text) for one in words
        )


def _plain(text: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", text).casefold().split())

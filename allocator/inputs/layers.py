"""Layers of a vector file or zip, and which of them an input means."""

import re
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path, PurePosixPath
from typing import Literal

import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError, GeometryError

from allocator.core.errors import InputError
from allocator.inputs.csv_text import opened_as_utf8
from allocator.inputs.files import zip_members
from allocator.inputs.findings import some_of
from allocator.inputs.parquet import is_parquet
from allocator.inputs.shapefiles import Shapefile, openable, shapefile_at, shapefiles_in_zip

Kind = Literal["polygon", "line", "point"]
KIND_WORDS: dict[Kind, tuple[str, ...]] = {
    "polygon": ("Polygon", "Surface"), "line": ("Line", "Curve"), "point": ("Point",),
}  # fmt: skip
ANY_KIND = ("Unknown", "Geometry")
ZIPPED_VECTORS = (".gpkg", ".geojson", ".json", ".kml", ".fgb", ".gml", ".csv", ".gpx", ".tab", ".mif")
OSM_SUFFIXES = (".osm.pbf", ".osm")
OSM_RECORDS = {
    "roads": {"lines": "highway IS NOT NULL"},
    "water": {
        "lines": "waterway IS NOT NULL", "multipolygons": "natural = 'water' OR landuse IN ('reservoir', 'basin')",
    },
    "buildings": {"multipolygons": "building IS NOT NULL"},
}  # fmt: skip
"""Layers and records of an OpenStreetMap extract by role: its lines are roads, streams, fences and cables alike.

Keys and values: wiki.openstreetmap.org/wiki/Map_features; layer names: the OSM driver of GDAL.
"""
FOLDER_LAYERS = (".kml", ".kmz")
"""Formats where every folder a user draws in becomes a layer: they are read as one."""


@dataclass(frozen=True)
class Layer:
    """One layer that can be opened.

    Parameters
    ----------
    dataset : str
        Path as the vector library opens it.
    name : str
        Layer name.
    kind : str or None
        Geometry type as stored; None: a table without geometry.
    shapefile : Shapefile or None
        Its parts, where it is one.
    only : str or None
        Records meant, as a condition of the query language; None: all.
    """

    dataset: str
    name: str
    kind: str | None
    shapefile: Shapefile | None = None
    only: str | None = None

    def fits(self, kinds: Sequence[Kind]) -> bool:
        """Whether it may hold geometry of one of some kinds.

        Parameters
        ----------
        kinds : sequence of str
            polygon, line, point.

        Returns
        -------
        bool
            True also where the type is mixed or unknown.
        """
        words = [word for kind in kinds for word in KIND_WORDS[kind]]
        return self.kind is not None and (
            any(word in self.kind for word in words) or self.kind.startswith(ANY_KIND)
        )  # fmt: skip

    def opened(self) -> AbstractContextManager[str]:
        """The dataset to open, mended where a part is missing.

        Returns
        -------
        context manager
            Gives the path.
        """
        return opened_as_utf8(self.dataset) if self.shapefile is None else openable(self.shapefile)


def list_layers(path: Path, name: str) -> list[Layer]:
    """All layers of a file.

    Parameters
    ----------
    path : Path
        File, zip, or .gdb folder.
    name : str
        Name of the input, for messages.

    Returns
    -------
    list of Layer
        In file order.

    Raises
    ------
    InputError
        The file cannot be read as vector data.
    """
    suffix = path.suffix.casefold()
    if suffix == ".shp":
        shapefile = shapefile_at(path)
        return [Layer(shapefile.dataset, shapefile.stem, shapefile.kind, shapefile)]
    if is_parquet(path):
        return [Layer(str(path), path.stem, "Unknown")]
    if suffix == ".kmz":
        zip_members(path, name)  # refuses unsafe paths
    if suffix not in (".zip", ".shz"):
        return _layers_of(str(path), name)
    members = zip_members(path, name)
    layers = [Layer(s.dataset, s.stem, s.kind, s) for s in shapefiles_in_zip(path, members)]
    others = {m for m in members if PurePosixPath(m).suffix.casefold() in ZIPPED_VECTORS}
    others |= {found.group(1) for m in members if (found := re.match(r"(.*?\.gdb)/", m, re.IGNORECASE))}
    for member in sorted(others):
        layers += _layers_of(f"/vsizip/{path.as_posix()}/{member}", name)
    if not layers and any(member.casefold().endswith(".gdbtable") for member in members):
        layers = _layers_of(str(path), name)  # the files of a geodatabase without its folder
    if not layers:
        raise InputError(
            f"{name}: the zip holds no shapefile, GeoPackage or other vector file. It holds: {some_of(members)}."
        )
    return layers


def _layers_of(dataset: str, name: str) -> list[Layer]:
    try:
        with opened_as_utf8(dataset) as readable:
            layers = [Layer(dataset, str(layer), kind) for layer, kind in pyogrio.list_layers(readable)]
    except (DataSourceError, DataLayerError, GeometryError, ValueError) as error:
        raise InputError(f"{name}: the file cannot be read. {reader_message(error)}") from None
    if not layers:
        raise InputError(
            f"{name}: the file holds no layers. Export it again, or open it in a GIS to see what is wrong."
        )
    return layers


def reader_message(error: Exception) -> str:
    """What the vector library said, without paths and programming advice.

    Parameters
    ----------
    error : Exception
        From the library.

    Returns
    -------
    str
        One or two sentences.
    """
    text = str(error).split("; It might help")[0]
    if isinstance(error, UnicodeError):
        return "Its text is not UTF-8, or the file is damaged. Save it as UTF-8."
    if "not recognized as being in a supported file format" in text:
        return (
            "It is not in a format that is known here. Use GeoPackage, zipped shapefile, GeoJSON, KML or KMZ, "
            "or CSV with a WKT column; the file may also be damaged."
        )
    return text if text.endswith(".") else f"{text}. Export it again, or open it in a GIS to see what is wrong."


def choose_layers(
    layers: Sequence[Layer], wanted: str | None, kinds: Sequence[Kind], *, path: Path, name: str,
    usual: str | None = None, role: str = "",
) -> list[Layer]:  # fmt: skip
    """The layers that an input means: one, all folders of a KML, or those of an OpenStreetMap extract that fit a role.

    Parameters
    ----------
    layers : sequence of Layer
        All of the file.
    wanted : str or None
        Layer named in the study file.
    kinds : sequence of str
        Geometry that the input takes.
    path : Path
        The file.
    name : str
        Name of the input, for messages.
    usual : str, optional
        Layer meant where several fit and none is named.
    role : str
        Table of the study file: of an OpenStreetMap extract it decides which records are meant.

    Returns
    -------
    list of Layer
        At least one.

    Raises
    ------
    InputError
        No such layer, or several that fit.
    """
    names = [layer.name for layer in layers]
    if path.name.casefold().endswith(OSM_SUFFIXES) and role in OSM_RECORDS:
        meant = OSM_RECORDS[role]
        layers = [replace(layer, only=meant.get(layer.name)) for layer in layers]
        if wanted is None:
            return [layer for layer in layers if layer.name in meant]
    if wanted is not None:
        exact = [layer for layer in layers if layer.name == wanted]
        chosen = exact or [layer for layer in layers if layer.name.casefold() == wanted.casefold()]
        if not chosen:
            near = get_close_matches(wanted, names, 1, 0.5)
            hint = f" The nearest is {near[0]!r}." if near else ""
            raise InputError(f"{name}: there is no layer {wanted!r}.{hint} Layers: {some_of(names, 20)}.")
        return chosen[:1]
    if path.suffix.casefold() == ".gpx":
        return _gpx_layers(layers, kinds)
    fitting = [layer for layer in layers if layer.fits(kinds)]
    if len(fitting) > 1 and usual is not None:
        fitting = [layer for layer in fitting if layer.name == usual] or fitting
    if len(fitting) > 1 and path.suffix.casefold() not in FOLDER_LAYERS:
        raise InputError(
            f"{name}: {len(fitting)} layers could be meant: {some_of([layer.name for layer in fitting], 20)}. "
            'Say which one with layer = "..." (or FILE:LAYER).'
        )
    return fitting or list(layers)[:1]


def _gpx_layers(layers: Sequence[Layer], kinds: Sequence[Kind]) -> list[Layer]:
    # A GPX file always shows the same five layers, filled or not; walked boundaries are tracks.
    wanted = {"tracks", "routes"} if "polygon" in kinds or "line" in kinds else {"waypoints"}
    return [layer for layer in layers if layer.name in wanted]

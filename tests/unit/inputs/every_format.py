"""One layer written in every format that people bring, with writers of the formats that no library here writes."""

import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import shapely

FORMATS = (
    "shp", "zip", "gdb", "gdb.zip", "gpkg", "kml", "kmz", "gpx", "geojson", "comma.csv", "semicolon.csv", "tab.csv",
    "utf16.csv", "latin1.csv", "fgb", "gml", "tab",
)  # fmt: skip
"""Formats of polygons and lines that need no optional library."""
DRIVERS = {"gdb": "OpenFileGDB", "tab": "MapInfo File", "gml": "GML"}
DELIMITED = {
    "comma.csv": (",", "utf-8"), "semicolon.csv": (";", "utf-8-sig"), "tab.csv": ("\t", "utf-8"),
    "utf16.csv": (",", "utf-16"), "latin1.csv": (",", "latin-1"),
}  # fmt: skip


def write_format(frame: gpd.GeoDataFrame, folder: Path, form: str, stem: str = "layer") -> Path:
    """The frame (degrees; a column ``tract``) as one file or .gdb folder."""
    path = folder / f"{stem}.{form}"
    if form in DELIMITED:
        return write_csv(frame, path, *DELIMITED[form])
    if form == "zip":
        return zip_of_shapefile(frame, path)
    if form == "gdb.zip":
        return zip_of_folder(write_format(frame, folder, "gdb", stem), path)
    if form == "kml":
        path.write_text(kml_of({"Land": frame}), encoding="utf-8")
    elif form == "kmz":
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("doc.kml", kml_of({"North": frame.iloc[:1], "South": frame.iloc[1:]}))
    elif form == "gpx":
        path.write_text(gpx_of(frame), encoding="utf-8")
    elif form == "parquet":
        frame.to_parquet(path)
    elif form == "osm.pbf":
        path.write_bytes(pbf_of(frame))
    else:
        frame.to_file(path, driver=DRIVERS.get(form), layer=stem) if form in DRIVERS else frame.to_file(path)
    return path


def write_csv(frame: gpd.GeoDataFrame, path: Path, delimiter: str, encoding: str, wkt: str = "WKT") -> Path:
    """Shapes as text beside the other columns."""
    columns = [name for name in frame.columns if name != frame.geometry.name]
    lines = [delimiter.join([*columns, wkt])]
    for _, row in frame.iterrows():
        lines.append(delimiter.join([*(str(row[name]) for name in columns), f'"{row.geometry.wkt}"']))
    path.write_bytes("\r\n".join([*lines, ""]).encode(encoding))
    return path


def zip_of_shapefile(
    frame: gpd.GeoDataFrame, path: Path, *, inside: str = "", encoding: str = "utf-8",
    rename: Callable[[str], str] = str, without: tuple[str, ...] = (),
) -> Path:  # fmt: skip
    """A zipped shapefile, in a folder of the zip if one is named."""
    folder = path.parent / f"{path.stem}_parts"
    folder.mkdir(exist_ok=True)
    frame.to_file(folder / "land.shp", encoding=encoding)
    with zipfile.ZipFile(path, "w") as archive:
        for part in sorted(folder.iterdir()):
            if part.suffix not in without:
                archive.write(part, inside + rename(part.name))
    return path


def zip_of_folder(source: Path, path: Path) -> Path:
    """A folder with its own name inside a zip."""
    with zipfile.ZipFile(path, "w") as archive:
        for part in sorted(source.iterdir()):
            archive.write(part, f"{source.name}/{part.name}")
    return path


def kml_of(folders: dict[str, gpd.GeoDataFrame]) -> str:
    """Each frame as one folder of a document; ``tract`` becomes the name."""
    text = '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
    for name, frame in folders.items():
        marks = "".join(
            f"<Placemark><name>{tract}</name>{_kml_shape(shape)}</Placemark>"
            for tract, shape in zip(frame["tract"], frame.geometry, strict=True)
        )
        text += f"<Folder><name>{name}</name>{marks}</Folder>"
    return f"{text}</Document></kml>"


def _kml_shape(shape: shapely.Geometry) -> str:
    def places(line: shapely.Geometry) -> str:
        return f"<coordinates>{' '.join(f'{x!r},{y!r},12' for x, y in line.coords)}</coordinates>"

    if isinstance(shape, shapely.Polygon):
        ring = f"<LinearRing>{places(shape.exterior)}</LinearRing>"
        return f"<Polygon><outerBoundaryIs>{ring}</outerBoundaryIs></Polygon>"
    return f"<LineString>{places(shape)}</LineString>" if shape.geom_type == "LineString" else (
        f"<Point>{places(shape)}</Point>"
    )  # fmt: skip


def gpx_of(frame: gpd.GeoDataFrame) -> str:
    """Lines and rims of polygons as tracks, points as waypoints."""
    text = '<?xml version="1.0"?><gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
    for name, shape in zip(frame["tract"], frame.geometry, strict=True):
        if shape.geom_type == "Point":
            text += f'<wpt lat="{shape.y!r}" lon="{shape.x!r}"><name>{name}</name></wpt>'
            continue
        line = shape.exterior if shape.geom_type == "Polygon" else shape
        points = "".join(f'<trkpt lat="{y!r}" lon="{x!r}"/>' for x, y in line.coords)
        text += f"<trk><name>{name}</name><trkseg>{points}</trkseg></trk>"
    return f"{text}</gpx>"


def pbf_of(frame: gpd.GeoDataFrame, key: str = "highway") -> bytes:
    """Lines with a column ``highway`` as an OpenStreetMap extract; its values under another key if one is named.

    The format, fields and numbers: wiki.openstreetmap.org/wiki/PBF_Format.
    """
    words, nodes, ways = [b""], b"", b""
    number = 0
    for name, use, line in zip(frame["tract"], frame["highway"], frame.geometry, strict=True):
        first = number + 1
        for x, y in line.coords:
            number += 1
            latitude, longitude = _zigzag(round(y * 1e7)), _zigzag(round(x * 1e7))
            nodes += _bytes(1, _number(1, _zigzag(number)) + _number(8, latitude) + _number(9, longitude))
        at = len(words)
        words += [key.encode(), str(use).encode(), b"name", str(name).encode()]
        steps = [first] + [1] * (number - first)
        ways += _bytes(3, _number(1, 1000 + first) + _bytes(2, _varint(at) + _varint(at + 2))
                       + _bytes(3, _varint(at + 1) + _varint(at + 3))
                       + _bytes(8, b"".join(_varint(_zigzag(step)) for step in steps)))  # fmt: skip
    table = b"".join(_bytes(1, word) for word in words)
    block = _bytes(1, table) + _bytes(2, nodes) + _bytes(2, ways)
    return _blob(b"OSMHeader", _bytes(4, b"OsmSchema-V0.6")) + _blob(b"OSMData", block)


def _varint(value: int) -> bytes:
    out = b""
    while value > 127:
        out += bytes([value & 127 | 128])
        value >>= 7
    return out + bytes([value])


def _zigzag(value: int) -> int:
    return value * 2 if value >= 0 else -value * 2 - 1


def _number(field: int, value: int) -> bytes:
    return _varint(field << 3) + _varint(value)


def _bytes(field: int, value: bytes) -> bytes:
    return _varint(field << 3 | 2) + _varint(len(value)) + value


def _blob(kind: bytes, content: bytes) -> bytes:
    blob = _bytes(1, content)
    head = _bytes(1, kind) + _number(3, len(blob))
    return struct.pack(">I", len(head)) + head + blob

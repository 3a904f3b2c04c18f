"""What is refused before memory or trust is lost: archives that swell, files that point elsewhere, endless shapes.

The limits are stated here and in the messages. They lie far above what a county needs.
"""

import lzma
import stat
import zipfile
import zlib
from collections.abc import Sequence
from pathlib import Path, PurePosixPath

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import ProjError

from allocator.core.crs import GEOGRAPHIC, Bounds
from allocator.core.errors import CrsError, GeometryError, InputError

MOST_MEMBERS = 100_000
MOST_UNPACKED_BYTES = 64 << 30
RATIO_DOUBTED = 200
"""An archive may unpack to more than this many times its size only while it stays small."""
SMALL_UNPACKED_BYTES = 1 << 30
MOST_VERTICES = 50_000_000
MOST_BLOCK_BYTES = 512 << 20
MOST_TEXT_BYTES = 2 << 30
"""Text formats are read whole; GeoPackage and shapefile are read near the properties only."""
TEXT_SUFFIXES = (".geojson", ".json", ".kml", ".gpx", ".gml", ".csv", ".mif")
MOST_LONGITUDE, MOST_LATITUDE = 400.0, 100.0
"""Degrees; world rasters may begin at any meridian and reach half a cell beyond a pole."""
FARTHEST_M = 1e8
"""No projected coordinate on Earth lies farther from its origin: 40,000 km around, false origins on top."""
HEAD_BYTES, LINK_BYTES = 1 << 20, 4096
LINKING_FILES = (b"<OGRVRTDataSource", b"<OGRWFSDataSource", b"<GDAL_WMS", b"<GDAL_WMTS", b"<WMS_Tile", b"<WCS_GDAL")
DAMAGED_ZIP = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, OSError, NotImplementedError, ValueError,
               RuntimeError)  # fmt: skip
"""What unpacking a damaged archive may raise."""
REMOTE_PATHS = (b"/vsi", b"http://", b"https://", b"ftp://", b"PG:", b"WFS:", b"WMS:", b"PixelFunctionLanguage")


def safe_members(path: Path, name: str) -> list[str]:
    """Files inside a zip archive that nothing speaks against.

    Parameters
    ----------
    path : Path
        The archive.
    name : str
        Name of the input, for messages.

    Returns
    -------
    list of str
        Member names in archive order; folders left out.

    Raises
    ------
    InputError
        Not a zip, damaged, locked by a password, a link or a path out of the archive, or it unpacks to too much.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            members = [member for member in archive.infolist() if not member.is_dir()]
    except DAMAGED_ZIP as error:
        raise InputError(f"{name}: the zip cannot be opened ({error}). Make it again or unpack it.") from None
    unsafe = [member.filename for member in members if _leaves_archive(member.filename)]
    if unsafe:
        raise InputError(
            f"{name}: unsafe path {unsafe[0]!r} inside the zip: it would leave the folder ('..' or absolute). "
            "Ask where the file comes from; zip the data again without such paths."
        )
    links = [member.filename for member in members if stat.S_ISLNK(member.external_attr >> 16)]
    if links:
        raise InputError(
            f"{name}: {links[0]!r} inside the zip is a link to another file, not a file. Zip the data itself."
        )
    if any(member.flag_bits & 1 for member in members):
        raise InputError(f"{name}: the zip is locked with a password. Unpack it and name the file in it.")
    _refuse_swelling(members, path, name)
    with zipfile.ZipFile(path) as archive:
        for member in members:
            if PurePosixPath(member.filename).suffix.casefold() in (*TEXT_SUFFIXES, ".vrt"):
                _refuse_head(head_of_member(archive, member.filename, name), name)
    return [member.filename for member in members]


def head_of_member(archive: zipfile.ZipFile, member: str, name: str, most: int = HEAD_BYTES) -> bytes:
    """The first bytes of a file in a zip.

    Parameters
    ----------
    archive : zipfile.ZipFile
        Open for reading.
    member, name : str
        The file in it, and the name of the input for messages.
    most : int
        How many bytes at most.

    Returns
    -------
    bytes
        Unpacked.

    Raises
    ------
    InputError
        The file is damaged, or packed in a way that is not known here.
    """
    try:
        with archive.open(member) as stream:
            return stream.read(most)
    except DAMAGED_ZIP as error:
        raise InputError(f"{name}: {member} cannot be unpacked ({error}). Make the zip again or unpack it.") from None


def _leaves_archive(member: str) -> bool:
    path = PurePosixPath(member.replace("\\", "/"))
    first = path.parts[0] if path.parts else ""
    return path.is_absolute() or ".." in path.parts or (len(first) == 2 and first[1] == ":")


def _refuse_swelling(members: Sequence[zipfile.ZipInfo], path: Path, name: str) -> None:
    unpacked, packed = sum(member.file_size for member in members), path.stat().st_size
    is_bomb = unpacked > SMALL_UNPACKED_BYTES and unpacked > RATIO_DOUBTED * packed
    if len(members) > MOST_MEMBERS or unpacked > MOST_UNPACKED_BYTES or is_bomb:
        raise InputError(
            f"{name}: the zip would unpack to {len(members):,} files of {unpacked / 1e9:,.1f} GB from "
            f"{packed / 1e6:,.1f} MB. At most {MOST_MEMBERS:,} files and {MOST_UNPACKED_BYTES / 1e9:,.0f} GB are "
            f"unpacked, and above {SMALL_UNPACKED_BYTES / 1e9:,.1f} GB at most {RATIO_DOUBTED} times its size. "
            "Unpack it yourself if you trust it, and name the file in it."
        )


def refuse_untrusted_text(path: Path, name: str) -> None:
    """Refuse a file that is a list of links to other data, defines XML entities, or is too long a text.

    Parameters
    ----------
    path : Path
        An existing file; a folder or an archive passes.
    name : str
        Name of the input, for messages.

    Raises
    ------
    InputError
        What was found, and the limit where there is one.
    """
    if not path.is_file():
        return
    size = path.stat().st_size
    if path.suffix.casefold() in TEXT_SUFFIXES and size > MOST_TEXT_BYTES:
        raise InputError(
            f"{name}: {size / 1e9:,.1f} GB of text; at most {MOST_TEXT_BYTES / 1e9:,.1f} GB of it are read, because "
            "such a file has to be read whole. Convert it to a GeoPackage."
        )
    with path.open("rb") as stream:
        _refuse_head(stream.read(HEAD_BYTES), name)


def _refuse_head(head: bytes, name: str) -> None:
    head = head.replace(b"\0", b"")  # UTF-16 writes a zero beside each letter
    if head.lstrip(b"\xef\xbb\xbf\xff\xfe \r\n\t").startswith(b"<") and b"<!ENTITY" in head:
        raise InputError(
            f"{name}: the file defines XML entities (<!ENTITY), which a map never needs and a trap may hide in. "
            "Export it again from the program that made it."
        )
    start = head[:LINK_BYTES]
    links = [mark for mark in LINKING_FILES if mark in start]
    if b"<VRTDataset" in start:
        links += [mark for mark in REMOTE_PATHS if mark in head]
    if links:
        raise InputError(
            f"{name}: the file holds no data but points to data elsewhere ({links[0].decode().lstrip('<')}); only "
            "files on this computer are read. Export the data to a file of their own."
        )


def refuse_impossible_places(name: str, crs: CRS, bounds: Bounds) -> None:
    """Refuse coordinates that lie nowhere on Earth, and systems of other planets.

    Parameters
    ----------
    name : str
        Name of the input.
    crs : CRS
        System of the coordinates.
    bounds : tuple of float
        West, south, east, north; not finite where there is nothing to check.

    Raises
    ------
    CrsError
        The system has no way to longitude and latitude on Earth, or a projected coordinate is more than 100,000 km
        from the origin.
    """
    try:
        Transformer.from_crs(crs, GEOGRAPHIC)
    except ProjError:
        raise CrsError(
            f"{name}: nobody can say where its coordinate reference system (CRS) lies on Earth ({crs.name}). It may be "
            "damaged; set the CRS in a GIS and export again."
        ) from None
    if crs.is_geographic or not np.isfinite(bounds).all():
        return
    farthest = float(np.abs(bounds).max())
    if farthest * float(crs.axis_info[0].unit_conversion_factor) > FARTHEST_M:
        raise CrsError(
            f"{name}: a coordinate of {farthest:.3g} cannot be on Earth in this coordinate system (CRS; at most "
            f"{FARTHEST_M / 1000:,.0f} km from its origin). The file may be damaged, or the CRS declared wrongly."
        )


def refuse_impossible_raster(name: str, crs: CRS, bounds: Bounds) -> None:
    """Refuse a raster that its header puts nowhere on Earth.

    Parameters
    ----------
    name : str
        Name of the input.
    crs : CRS
        Its system.
    bounds : tuple of float
        West, south, east, north.

    Raises
    ------
    CrsError
        A bound is no number, or beyond the globe in degrees or on the plane of the system.
    """
    refuse_impossible_places(name, crs, bounds)
    west, south, east, north = bounds
    is_on_globe = max(abs(west), abs(east)) <= MOST_LONGITUDE and max(abs(south), abs(north)) <= MOST_LATITUDE
    if not np.isfinite(bounds).all() or (crs.is_geographic and not is_on_globe):
        raise CrsError(
            f"{name}: the raster would lie at x {west:.6g} to {east:.6g}, y {south:.6g} to {north:.6g}, which is "
            "nowhere in its coordinate system (CRS). The file may be damaged, or the CRS declared wrongly."
        )


def refuse_endless_shapes(name: str, shapes: NDArray[np.object_], longest_edge: float = np.inf) -> None:
    """Refuse shapes with more vertices than memory is sure to hold.

    Parameters
    ----------
    name : str
        Name of the input.
    shapes : array of shapely shapes
        In any system; None counts as none.
    longest_edge : float
        Longer edges are about to be split, in units of the shapes; infinite: none is.

    Raises
    ------
    GeometryError
        More than 50 million vertices, those added by splitting counted.
    """
    vertices = int(shapely.get_num_coordinates(shapes).sum())
    added = float(np.nansum(shapely.length(shapes))) / longest_edge if np.isfinite(longest_edge) else 0.0
    if not vertices + added <= MOST_VERTICES:
        raise GeometryError(
            f"{name}: {vertices + added:,.0f} vertices; at most {MOST_VERTICES:,} can be handled at once. Simplify the "
            "lines, or cut the layer to the land around the properties."
        )

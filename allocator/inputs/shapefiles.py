"""Shapefiles: their parts in a folder or a zip, and what to do when one is missing."""

import shutil
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from tempfile import TemporaryDirectory

import numpy as np
import pyogrio

from allocator.core.study import Problem, Severity
from allocator.inputs.guards import head_of_member

PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
LANGUAGE_BYTE = 29
SHAPE_TYPE = slice(32, 36)
SHAPE_KINDS = {1: "Point", 3: "LineString", 5: "Polygon", 8: "MultiPoint", 31: "Unknown"}
HEADER_LENGTH = slice(8, 10)


@dataclass(frozen=True)
class Shapefile:
    """A shapefile and its companion files.

    Parameters
    ----------
    container : Path
        The .shp itself, or the zip that holds it.
    members : tuple of str
        Names of its parts: in the folder of the .shp, or inside the zip.
    """

    container: Path
    members: tuple[str, ...]

    @property
    def stem(self) -> str:
        """Name without extension: the layer's name."""
        return PurePosixPath(self.part(".shp") or self.container.name).stem

    @property
    def dataset(self) -> str:
        """How the vector library opens it."""
        return f"/vsizip/{self.container.as_posix()}/{self.part('.shp')}" if self._is_zipped else str(self.container)

    @property
    def _is_zipped(self) -> bool:
        return zipfile.is_zipfile(self.container)

    @property
    def kind(self) -> str:
        """Geometry type, from the header of the .shp; ``Unknown`` where it says none."""
        return SHAPE_KINDS.get(int.from_bytes(self.read_part(".shp", 100)[SHAPE_TYPE], "little") % 10, "Unknown")

    def part(self, extension: str) -> str | None:
        """The companion with an extension, whatever its case.

        Parameters
        ----------
        extension : str
            Such as ``.dbf``.

        Returns
        -------
        str or None
            Its name; None where it is missing.
        """
        return next((m for m in self.members if PurePosixPath(m).suffix.casefold() == extension), None)

    def read_part(self, extension: str, most: int = 1 << 22) -> bytes:
        """The first bytes of a companion.

        Parameters
        ----------
        extension : str
            Such as ``.dbf``.
        most : int
            How many bytes at most; -1: all.

        Returns
        -------
        bytes
            Empty where it is missing.
        """
        member = self.part(extension)
        if member is None:
            return b""
        if self._is_zipped:
            with zipfile.ZipFile(self.container) as archive:
                return head_of_member(archive, member, self.container.name, most)
        with (self.container.parent / member).open("rb") as stream:
            return stream.read(most)


def shapefile_at(path: Path) -> Shapefile:
    """A shapefile in a folder.

    Parameters
    ----------
    path : Path
        The .shp file.

    Returns
    -------
    Shapefile
        With the companions found beside it.
    """
    members = [p.name for p in path.parent.iterdir() if p.stem == path.stem and p.suffix.casefold() in PARTS]
    return Shapefile(path, tuple(sorted(members)))


def shapefiles_in_zip(path: Path, members: Sequence[str]) -> list[Shapefile]:
    """All shapefiles inside a zip, in any folder.

    Parameters
    ----------
    path : Path
        The archive.
    members : sequence of str
        Its file names.

    Returns
    -------
    list of Shapefile
        In the order of their names.
    """
    shapes = sorted(member for member in members if member.casefold().endswith(".shp"))
    return [
        Shapefile(path, tuple(m for m in members if _base(m) == _base(shape) and m.casefold().endswith(PARTS)))
        for shape in shapes
    ]


def _base(member: str) -> str:
    return str(PurePosixPath(member).with_suffix("")).casefold()


def text_encoding(shapefile: Shapefile) -> str | None:
    """The encoding of the attribute text where the file does not say it.

    Parameters
    ----------
    shapefile : Shapefile
        With or without its .cpg.

    Returns
    -------
    str or None
        UTF-8 or CP1252, guessed from the bytes; None where the file says it or all text is plain ASCII.
    """
    table = shapefile.read_part(".dbf") if shapefile.part(".cpg") is None else b""
    if len(table) <= LANGUAGE_BYTE or table[LANGUAGE_BYTE]:
        return None
    records = table[int.from_bytes(table[HEADER_LENGTH], "little") :]
    high = int((np.frombuffer(records, np.uint8) > 127).sum())
    if not high:
        return None
    # A field of fixed width may cut the last letter in two: a few broken bytes do not speak against UTF-8.
    broken = records.decode("utf-8", errors="replace").count("�")
    return "UTF-8" if broken * 10 <= high else "CP1252"


def missing_parts(shapefile: Shapefile, source: str) -> list[Problem]:
    """What is missing beside the .shp and what was done about it.

    Parameters
    ----------
    shapefile : Shapefile
        With or without its companions.
    source : str
        Name of the input.

    Returns
    -------
    list of Problem
        Warnings; a missing .prj is an error of its own elsewhere.
    """
    found: list[tuple[Severity, str]] = []
    if shapefile.part(".shx") is None:
        found.append(("warning", "the .shx index file is missing; it was rebuilt from the .shp for this run."))
    if shapefile.part(".dbf") is None:
        found.append(
            ("warning", "the .dbf attribute file is missing: no ids or names; records are numbered. Ask for the .dbf.")
        )
    encoding = text_encoding(shapefile)
    if encoding:
        found.append(
            ("warning", f"the text encoding is not stated (no .cpg file); read as {encoding} from its bytes. "
                        "Check the names.")
        )  # fmt: skip
    return [Problem(severity, source, message) for severity, message in found]


@contextmanager
def openable(shapefile: Shapefile) -> Iterator[str]:
    """The dataset to open; a copy with a rebuilt index where the .shx is missing.

    Parameters
    ----------
    shapefile : Shapefile
        The shapefile; its own folder is never written to.

    Yields
    ------
    str
        Dataset for the vector library, valid inside the block.
    """
    if shapefile.part(".shx") is not None:
        yield shapefile.dataset
        return
    with TemporaryDirectory() as folder:
        for member in shapefile.members:
            target = Path(folder) / f"{shapefile.stem}{PurePosixPath(member).suffix.casefold()}"
            if shapefile._is_zipped:
                target.write_bytes(shapefile.read_part(target.suffix, -1))
            else:
                shutil.copyfile(shapefile.container.parent / member, target)
        before = pyogrio.get_gdal_config_option("SHAPE_RESTORE_SHX")
        pyogrio.set_gdal_config_options({"SHAPE_RESTORE_SHX": "YES"})
        try:
            yield str(Path(folder) / f"{shapefile.stem}.shp")
        finally:
            pyogrio.set_gdal_config_options({"SHAPE_RESTORE_SHX": before})

"""CSV files whose text is not UTF-8: told from their bytes, and opened through a copy that is."""

import codecs
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from allocator.core.study import Problem

CHARACTERS_AT_ONCE = 1 << 20
WINDOWS = "cp1252"
"""What spreadsheets of the west write where they do not write Unicode; holds all letters of Latin-1."""


def other_encoding(path: Path) -> str | None:
    """How the text of a file is written, where it is not UTF-8.

    Parameters
    ----------
    path : Path
        A text file.

    Returns
    -------
    str or None
        ``utf-16`` by its first two bytes, ``utf-16-le`` or ``-be`` by the zeros beside its letters, else ``cp1252``;
        None for UTF-8.
    """
    decoder = codecs.getincrementaldecoder("utf-8")()
    with path.open("rb") as stream:
        head = stream.read(CHARACTERS_AT_ONCE)
        if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            return "utf-16"
        if head[1:16:2] == b"\0" * len(head[1:16:2]) and len(head) > 3:
            return "utf-16-le"
        if head[0:16:2] == b"\0" * len(head[0:16:2]) and len(head) > 3:
            return "utf-16-be"
        try:
            while head:
                decoder.decode(head)
                head = stream.read(CHARACTERS_AT_ONCE)
            decoder.decode(b"", final=True)
        except UnicodeDecodeError:
            return WINDOWS
    return None


def doubts_about_text(dataset: str, name: str) -> list[Problem]:
    """A warning where a CSV is not UTF-8, because letters beyond English may be read wrongly.

    Parameters
    ----------
    dataset : str
        Path as the vector library opens it.
    name : str
        Name of the input.

    Returns
    -------
    list of Problem
        At most one.
    """
    encoding = _other_encoding_of(dataset)
    if encoding is None:
        return []
    message = f"the text is not UTF-8; read as {encoding.upper()} from its bytes. Check the names."
    return [Problem("warning" if encoding == WINDOWS else "note", name, message)]


def _other_encoding_of(dataset: str) -> str | None:
    path = Path(dataset)
    return other_encoding(path) if path.suffix.casefold() == ".csv" and path.is_file() else None


@contextmanager
def opened_as_utf8(dataset: str) -> Iterator[str]:
    """A dataset to open; of a CSV in another encoding a copy in UTF-8.

    Parameters
    ----------
    dataset : str
        Path as the vector library opens it; only a .csv on its own is looked at.

    Yields
    ------
    str
        Dataset for the vector library, valid inside the block.
    """
    path = Path(dataset)
    encoding = _other_encoding_of(dataset)
    if encoding is None:
        yield dataset
        return
    with TemporaryDirectory() as folder:
        copy = Path(folder) / path.name
        with (
            path.open(encoding=encoding, errors="replace", newline="") as source,
            copy.open("w", encoding="utf-8", newline="") as target,
        ):
            shutil.copyfileobj(source, target, CHARACTERS_AT_ONCE)
        yield str(copy)

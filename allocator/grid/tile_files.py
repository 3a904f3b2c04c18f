"""Cells of tiles kept in files until they are joined, so that memory grows with the tile and not with the extent."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from allocator.core.errors import OutputError
from allocator.core.grid import Window


@dataclass(frozen=True)
class TileFiles:
    """One file for each tile and kind of value.

    Parameters
    ----------
    folder : pathlib.Path
        Where they lie: seen under the same path by all who do tiles.
    """

    folder: Path

    def put(self, name: str, window: Window, values: NDArray[Any]) -> None:
        """Keep the cells of one tile.

        Parameters
        ----------
        name : str
            What they are; fit for a file's name.
        window : Window
            The tile.
        values : array, shape (rows, columns)
            Replaces what was kept of the same name and tile.

        Raises
        ------
        OutputError
            They cannot be written.
        """
        try:
            np.save(self._path(name, window), values)
        except OSError as error:
            raise OutputError(
                f"{self.folder}: cells of the land could not be kept there while the plan is made "
                f"({error.strerror or error}). Free some space, or set TMPDIR to a folder that has more."
            ) from error

    def get(self, name: str, window: Window) -> NDArray[Any]:
        """The cells kept of one tile.

        Parameters
        ----------
        name, window
            As for ``put``.

        Returns
        -------
        array, shape (rows, columns)
            As they were.
        """
        found: NDArray[Any] = np.load(self._path(name, window), allow_pickle=False)
        return found

    def _path(self, name: str, window: Window) -> Path:
        return self.folder / f"{name}-{window.row}-{window.column}.npy"


@contextmanager
def tile_files(place: Path | None = None) -> Iterator[TileFiles]:
    """Files for tiles, gone at the end.

    Parameters
    ----------
    place : pathlib.Path, optional
        Folder to make theirs in; absent: the system's for temporary files.

    Yields
    ------
    TileFiles
        Empty.

    Raises
    ------
    OutputError
        Nothing can be written there.
    """
    try:
        folder = tempfile.TemporaryDirectory(prefix="allocator-", dir=place, ignore_cleanup_errors=True)
    except OSError as error:
        raise OutputError(
            f"{place or 'temporary files'}: no folder for the cells of the land could be made there "
            f"({error.strerror or error}). Free some space, or set TMPDIR to a folder that can be written to."
        ) from error
    with folder as path:
        yield TileFiles(Path(path))

"""Cells of tiles in files."""

import numpy as np
import pytest

from allocator.core.errors import OutputError
from allocator.core.grid import Window
from allocator.grid.tile_files import TileFiles, tile_files

WINDOW = Window(10, 20, 2, 3)


def test_cells_come_back_as_they_went_and_the_folder_goes(tmp_path):
    values = np.arange(6, dtype=np.int16).reshape(2, 3)
    with tile_files(tmp_path) as files:
        files.put("labels-0", WINDOW, values)
        files.put("labels-1", WINDOW, values + 1)
        files.put("labels-0", Window(0, 20, 2, 3), values + 2)
        found = files.get("labels-0", WINDOW)
        assert found.dtype == np.int16
        np.testing.assert_array_equal(found, values)
        assert files.folder.parent == tmp_path
    assert not any(tmp_path.iterdir())


def test_no_room_is_said_in_one_sentence(tmp_path):
    (tmp_path / "score-0-10-20.npy").symlink_to("/dev/full")
    with pytest.raises(OutputError, match=r"cells of the land could not be kept there.*No space left.*TMPDIR"):
        TileFiles(tmp_path).put("score-0", WINDOW, np.zeros((2, 3)))


def test_no_folder_is_said_in_one_sentence(tmp_path):
    with (
        pytest.raises(OutputError, match="nowhere: no folder for the cells of the land could be made there"),
        tile_files(tmp_path / "nowhere"),
    ):
        pass

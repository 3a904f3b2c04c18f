"""Tiles on a Dask cluster of this machine: the same bytes as without, also when a worker is lost on the way."""

import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from allocator import demo_study_file, read_study
from allocator.cluster import DaskTiles, _do
from allocator.core.errors import InputError, OutputError, SettingsError
from allocator.core.grid import Window
from allocator.core.progress import silent
from allocator.grid.run import run_tiles
from tests.journey.studies import run

distributed = pytest.importorskip("distributed", reason="the extra [dask] is not installed")
pytestmark = pytest.mark.filterwarnings("ignore")  # its own, on ports and on sizes of what is sent
TILES = [Window(0, at, 1, 1) for at in range(12)]


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True, host="127.0.0.1"
    ) as made:
        yield made


def test_a_plan_is_the_same_to_the_byte(cluster: Any, tmp_path: Path) -> None:
    for name, how in (("here", ()), ("there", ("--dask", cluster.scheduler_address))):
        done = run("plan", demo_study_file(), "--out", tmp_path / name, "--tile-cells", "256", *how)
        assert done.returncode == 0, done.stderr
    here, there = (
        {path.relative_to(tmp_path / name).as_posix(): path.read_bytes() for path in (tmp_path / name).rglob("*.*")}
        for name in ("here", "there")
    )
    assert len(here) > 30 and here.keys() == there.keys()
    other = [name for name in here if here[name] != there[name]]
    assert other == ["plan.json"]  # it tells when and how long


def test_answers_come_in_order_and_errors_come_through(cluster: Any, tmp_path: Path) -> None:
    def last_is_quick(tile: Window) -> int:
        time.sleep(0.02 * (12 - tile.column))
        return tile.column

    def refuse(tile: Window) -> int:
        raise InputError(f"tile {tile.column}: damaged")

    with DaskTiles(cluster.scheduler_address, tmp_path) as pool:
        assert run_tiles(TILES, last_is_quick, workers=pool, progress=silent) == list(range(12))
        with pytest.raises(InputError, match="tile 0: damaged"):
            run_tiles(TILES, refuse, workers=pool, progress=silent)
    assert not any(tmp_path.iterdir()), "what went between is gone"


def test_a_folder_without_room_is_told(cluster: Any, tmp_path: Path) -> None:
    with DaskTiles(cluster.scheduler_address, tmp_path / "nowhere") as pool:  # noqa: SIM117
        with pytest.raises(OutputError, match="nowhere: what goes to the workers and back could not be kept there"):
            run_tiles(TILES, _column, workers=pool, progress=silent)


def _column(tile: Window) -> int:
    return tile.column


def test_a_worker_that_does_not_see_the_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"a worker does not see .*work\.pickle.*shared drive"):
        _do(str(tmp_path / "work.pickle"), TILES[0])


def test_a_lost_worker_costs_its_tiles_alone(cluster: Any, tmp_path: Path) -> None:
    import os

    notes = tmp_path / "notes"
    notes.mkdir()

    def note(tile: Window) -> int:
        (notes / f"{tile.column}-{time.monotonic_ns()}").touch()
        time.sleep(0.3)
        return os.getpid()

    shared = tmp_path / "shared"
    shared.mkdir()
    with DaskTiles(cluster.scheduler_address, shared) as pool:
        lost: list[int] = []

        def kill_one() -> None:
            time.sleep(1.0)
            worker = next(iter(cluster.workers.values()))
            lost.append(worker.pid)
            os.kill(worker.pid, 9)

        killer = threading.Thread(target=kill_one)
        killer.start()
        done = run_tiles(TILES, note, workers=pool, progress=silent)
        killer.join()
    assert len(done) == len(TILES) and len(lost) == 1
    assert set(done) - set(lost), "another worker went on"
    assert len(list(notes.iterdir())) < 2 * len(TILES), "not everything was done again"


def test_a_wrong_address_or_no_library_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("allocator.cluster.PATIENCE_S", 1)
    with pytest.raises(SettingsError, match=r"--dask: no scheduler answers at 'tcp://127\.0\.0\.1:9'"):
        DaskTiles("tcp://127.0.0.1:9", Path())
    with pytest.raises(SettingsError, match="no scheduler answers at 'nowhere'"):
        DaskTiles("nowhere", Path())
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SettingsError, match=r"allocator\[dask\]"):
        DaskTiles("tcp://127.0.0.1:9", Path())


def test_the_study_is_small_enough_to_send() -> None:
    import cloudpickle

    assert len(cloudpickle.dumps(read_study(demo_study_file()))) < 20_000_000

"""A folder is replaced in one step: killed anywhere, the old one or the new one is there, whole."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from allocator.core.errors import OutputError
from allocator.outputs import folder_swap
from allocator.outputs.folder_swap import all_or_nothing, claim, exchange, put_back, uninterrupted

SCRIPT = Path(__file__).with_name("swap_killed.py")
WHOLE = [{"map.html": words, "tables/sites.csv": words} for words in ("old", "new")]
HAS_FORK = pytest.mark.skipif(not hasattr(os, "fork"), reason="the script that dies needs fork, which Windows lacks")
HAS_LOCKS = pytest.mark.skipif(folder_swap.fcntl is None, reason="runs are not kept apart on Windows")


def _fill(folder: Path, words: str = "words") -> None:
    (folder / "a.txt").write_text(words)


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def _killed_everywhere(scratch: Path, way: str) -> list[dict]:
    done = subprocess.run([sys.executable, str(SCRIPT), str(scratch), way], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    steps = [json.loads(line) for line in done.stdout.splitlines()]
    assert [one["status"] for one in steps] == [9] * (len(steps) - 1) + [0] and len(steps) > 40
    for one in steps:
        assert one["then"] in WHOLE
        assert one["after"] == [["plan"], {"map.html": "next", "tables/sites.csv": "next"}]  # nothing left lying
    assert steps[0]["then"] == WHOLE[0] and steps[-1]["then"] == WHOLE[1]
    return steps


@HAS_FORK
def test_killed_at_any_step_the_folder_is_whole(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    if not exchange(tmp_path / "a", tmp_path / "b"):
        pytest.skip("this system or drive does not exchange folders in one step")
    for one in _killed_everywhere(tmp_path / "scratch", "exchange"):
        assert one["at_once"] in WHOLE


@HAS_FORK
def test_killed_at_any_step_of_two_renames_the_folder_comes_back(tmp_path: Path) -> None:
    steps = _killed_everywhere(tmp_path, "renames")
    gone = [one for one in steps if one["at_once"] not in WHOLE]
    assert gone and all(one["at_once"] == {} and one["then"] == WHOLE[0] for one in gone)


def test_an_exchange_swaps_two_folders(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        _fill(tmp_path / name, name)
    done = exchange(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "a" / "a.txt").read_text() == ("b" if done else "a")
    assert done or sys.platform not in ("linux", "darwin")
    assert not exchange(tmp_path / "a", tmp_path / "not there")


def test_a_folder_put_back_is_told(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    left = tmp_path / ".plan.old-0123abcd"
    left.mkdir()
    _fill(left)
    put_back(tmp_path / "plan")
    assert _names(tmp_path) == ["plan"] and (tmp_path / "plan" / "a.txt").exists()
    assert [one.getMessage() for one in caplog.records] == [
        f"A run that was to replace {tmp_path / 'plan'} was cut off; the old plan was put back."
    ]


def test_a_folder_is_put_back_where_a_link_leads(tmp_path: Path) -> None:
    (tmp_path / "real" / ".plan.old-0123abcd").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "real" / "plan", target_is_directory=True)
    put_back(tmp_path / "link")
    assert _names(tmp_path / "real") == ["plan"] and (tmp_path / "link").is_symlink()


def test_where_nothing_can_be_looked_for_nothing_is_put_back(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    for target in (tmp_path / "loop", tmp_path / "no" / "folder"):
        put_back(target)
    assert _names(tmp_path) == ["loop"]


@pytest.mark.parametrize(
    "name", [".plan.old-0123abc", ".plan.old-0123abcd.txt", "plan.old-0123abcd", ".plan.x.old-0123abcd"]
)
def test_what_others_made_is_not_put_back_nor_removed(tmp_path: Path, name: str) -> None:
    (tmp_path / name).mkdir()
    put_back(tmp_path / "plan")
    with all_or_nothing(tmp_path / "plan") as folder:
        _fill(folder)
    assert _names(tmp_path) == sorted([name, "plan"])


@HAS_LOCKS
def test_leftovers_of_dead_runs_go_with_the_next(tmp_path: Path) -> None:
    for name in (".plan.partial-0123abcd", ".plan.old-0123abcd", "plan"):
        (tmp_path / name).mkdir()
        _fill(tmp_path / name)
    (tmp_path / ".plan.lock").write_text("999999\n")  # killed runs leave it; the system let go of the lock
    with all_or_nothing(tmp_path / "plan") as folder:
        _fill(folder, "new")
        assert (tmp_path / ".plan.lock").read_text() == f"{os.getpid()}\n"
    assert _names(tmp_path) == ["plan"]


def test_leftovers_stay_after_a_failed_run(tmp_path: Path) -> None:
    (tmp_path / ".plan.partial-0123abcd").mkdir()
    with pytest.raises(ValueError, match="a fault"), all_or_nothing(tmp_path / "plan"):
        raise ValueError("a fault")
    assert _names(tmp_path) == [".plan.partial-0123abcd"]


def test_leftovers_stay_where_runs_cannot_be_kept_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / ".plan.partial-0123abcd").mkdir()
    monkeypatch.setattr(folder_swap, "fcntl", None)
    with all_or_nothing(tmp_path / "plan") as folder:
        _fill(folder)
    assert _names(tmp_path) == [".plan.partial-0123abcd", "plan"]


def test_two_renames_leave_nothing_either(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder_swap, "exchange", lambda *_: False)
    monkeypatch.setattr(folder_swap, "fcntl", None)
    for words in ("one", "two"):
        with all_or_nothing(tmp_path / "plan") as folder:
            _fill(folder, words)
    assert _names(tmp_path) == ["plan"] and (tmp_path / "plan" / "a.txt").read_text() == "two"


@HAS_LOCKS
def test_a_second_run_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    code = f"""
from pathlib import Path
from allocator.core.errors import OutputError
from allocator.outputs.folder_swap import all_or_nothing
try:
    with all_or_nothing(Path({str(tmp_path / "plan")!r})):
        pass
except OutputError as error:
    print(error)
"""
    with all_or_nothing(tmp_path / "plan") as folder:
        second = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        _fill(folder)
    assert second.stdout.strip() == (
        f"Another allocator run (process {os.getpid()}) is writing to {tmp_path / 'plan'}. "
        "Wait until it ends, or choose another folder."
    )
    assert _names(tmp_path) == ["plan"]


@HAS_LOCKS
def test_a_second_thread_is_refused_and_a_second_claim_of_one_thread_is_not(tmp_path: Path) -> None:
    found: list[str] = []

    def try_it() -> None:
        try:
            with claim(tmp_path / "plan"):
                found.append("claimed")
        except OutputError as error:
            found.append(str(error))

    with claim(tmp_path / "plan"):
        other = threading.Thread(target=try_it)
        other.start()
        other.join()
        assert found[0].startswith("Another allocator run")
        try_it()
        assert found[1] == "claimed" and (tmp_path / ".plan.lock").exists()
    assert _names(tmp_path) == []


@HAS_LOCKS
def test_a_lock_file_deleted_by_the_run_before_keeps_nobody_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flock, path = folder_swap.fcntl.flock, tmp_path / ".plan.lock"
    deleted: list[bool] = []

    def flock_as_another_ends(descriptor: int, kind: int) -> None:
        if not deleted:
            deleted.append(path.exists())
            path.unlink()
        flock(descriptor, kind)

    monkeypatch.setattr(folder_swap.fcntl, "flock", flock_as_another_ends)
    with claim(tmp_path / "plan") as is_sole:
        assert deleted == [True] and is_sole and path.exists()


def test_folders_above_go_again_when_nothing_was_made(tmp_path: Path) -> None:
    with claim(tmp_path / "a" / "b" / "plan"):
        assert (tmp_path / "a" / "b").is_dir()
    assert _names(tmp_path) == []


def test_a_drive_without_locks_is_written_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if folder_swap.fcntl is None:
        pytest.skip("no locks on Windows")

    def fail(*_: object) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr(folder_swap.fcntl, "flock", fail)
    with all_or_nothing(tmp_path / "plan") as folder:
        _fill(folder)
    assert _names(tmp_path) == ["plan"]


def test_everything_is_on_the_disk_before_the_swap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    fsync, swap = os.fsync, folder_swap.exchange
    (tmp_path / "plan").mkdir()

    def noting_fsync(descriptor: int) -> None:
        done.append(Path(f"/proc/self/fd/{descriptor}").resolve().name if Path("/proc/self/fd").exists() else "?")
        fsync(descriptor)

    def noting_exchange(one: Path, other: Path) -> bool:
        done.append("swap")
        return swap(one, other)

    monkeypatch.setattr(os, "fsync", noting_fsync)
    monkeypatch.setattr(folder_swap, "exchange", noting_exchange)
    with all_or_nothing(tmp_path / "plan") as folder:
        _fill(folder)
        (folder / "tables").mkdir()
        (folder / "tables" / "sites.csv").write_text("x")
    before = done[: done.index("swap")]
    assert len(before) == 4 and len(done) == 6  # two files and two folders; then the folder they are in
    assert "?" in before or set(before) >= {"a.txt", "sites.csv", "tables"}


def test_signals_wait_until_the_block_is_done() -> None:
    told: list[str] = []
    with pytest.raises(KeyboardInterrupt), uninterrupted():
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        time.sleep(0.01)
        told.append("done")
    assert told == ["done"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    assert signal.getsignal(signal.SIGTERM) == signal.SIG_DFL


def test_signals_outside_the_main_thread_are_left_alone() -> None:
    def work() -> None:
        with uninterrupted():
            found.append(signal.getsignal(signal.SIGINT))

    found: list[object] = []
    other = threading.Thread(target=work)
    other.start()
    other.join()
    assert found == [signal.getsignal(signal.SIGINT)]


def test_a_stop_during_the_swap_comes_after_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "plan").mkdir()
    swap = folder_swap.exchange

    def stopped_exchange(one: Path, other: Path) -> bool:
        signal.raise_signal(signal.SIGINT)
        return swap(one, other)

    monkeypatch.setattr(folder_swap, "exchange", stopped_exchange)
    with pytest.raises(KeyboardInterrupt), all_or_nothing(tmp_path / "plan") as folder:
        _fill(folder)
    assert _names(tmp_path) == ["plan"] and (tmp_path / "plan" / "a.txt").exists()

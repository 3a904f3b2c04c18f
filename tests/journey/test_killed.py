"""A plan is never lost: a run that is killed, stopped, out of room or not alone leaves the old plan or the new, whole.

``ALLOCATOR_KILLS=50`` kills at fifty moments instead of eight, and tries more sizes of a full disk.
"""

import json
import os
import random
import re
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from allocator.core.errors import OutputError
from allocator.outputs.folder_swap import claim
from tests.journey.studies import hashes, run, write_small_study

KILLS = int(os.environ.get("ALLOCATOR_KILLS", "8"))
IS_LONG = KILLS >= 50
ROUNDS = 5 if IS_LONG else 1
NO_TMPFS = "a small disk of its own needs a user namespace in which tmpfs may be mounted"


@dataclass(frozen=True)
class Prepared:
    """Two plans of one study that differ by a setting, and how long a run took."""

    study: Path
    plans: tuple[Path, Path]
    known: tuple[dict[str, str], dict[str, str]]
    seconds: float
    writing_seconds: float

    def old_plan_in(self, folder: Path) -> Path:
        """The first of the two, copied."""
        target = folder / "plan"
        if not target.exists() or hashes(target) != self.known[0]:
            shutil.rmtree(target, ignore_errors=True)
            shutil.copytree(self.plans[0], target)
        return target

    def command(self, target: Path) -> list[str]:
        """The run that puts the second in the place of the first."""
        words = ("plan", self.study, "--out", target, "--overwrite", "--set", "traps.acres_per_trap=250")
        return [sys.executable, "-m", "allocator", *map(str, words)]

    def run(self, target: Path, **named: Any) -> subprocess.CompletedProcess[str]:
        """That run to its end."""
        return subprocess.run(self.command(target), capture_output=True, text=True, check=False, **named)

    def begin(self, target: Path) -> subprocess.Popen[str]:
        """That run, begun."""
        return subprocess.Popen(self.command(target), stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    folder = tmp_path_factory.mktemp("killed")
    study = write_small_study(folder / "study")
    done = run("plan", study, "--out", folder / "a")
    assert done.returncode == 0, done.stderr
    assert "writing the plan" in done.stderr
    assert run("plan", study, "--out", folder / "b", "--set", "traps.acres_per_trap=250").returncode == 0
    began = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "allocator", "plan", str(study), "--out", str(folder / "c"), "--set",
         "traps.acres_per_trap=250"],
        stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    writing = _wait_for(process, "writing the plan")
    process.communicate()
    ended = time.monotonic()
    known = hashes(folder / "a"), hashes(folder / "b")
    assert hashes(folder / "c") == known[1]  # the same bytes, so that a mixture would show
    differing = {name for name in known[0] if known[0][name] != known[1][name]}
    assert set(known[0]) == set(known[1]) and len(differing) > 8 and "plan.gpkg" in differing
    return Prepared(study, (folder / "a", folder / "b"), known, ended - began, ended - writing)


def _wait_for(process: subprocess.Popen[str], step: str) -> float:
    """When the run said that it begins a step."""
    assert process.stderr is not None
    for line in process.stderr:
        if step in line:
            break
    return time.monotonic()


def _moments(prepared: Prepared, count: int, seed: int) -> list[tuple[float, float | None]]:
    """Half of them anywhere in the run, half while files are written and swapped; the later half in strata."""
    dice = random.Random(seed)
    anywhere = [(dice.uniform(0.05, 1.05) * prepared.seconds, None) for _ in range(count // 2)]
    late = count - count // 2
    writing = [(0.0, (place + dice.random()) / late * 1.1 * prepared.writing_seconds) for place in range(late)]
    return [*anywhere, *writing]


def test_killed_at_any_moment_the_plan_is_whole(prepared: Prepared, tmp_path: Path) -> None:
    seen, killed = {0: 0, 1: 0}, 0
    for moment, writing_moment in _moments(prepared, KILLS, seed=20270201):
        target = prepared.old_plan_in(tmp_path)
        process = prepared.begin(target)
        if writing_moment is not None:
            _wait_for(process, "writing the plan")
        time.sleep(moment if writing_moment is None else writing_moment)
        killed += process.poll() is None
        process.kill()
        process.communicate()
        found = hashes(target)
        assert found in prepared.known, f"neither plan after {moment} s, {writing_moment} s"
        seen[prepared.known.index(found)] += 1
    assert killed >= KILLS // 2 and seen[0] > 0, (killed, seen)
    print(f"{KILLS} moments, {killed} while it ran: the old plan {seen[0]} times, the new {seen[1]} times")
    target = prepared.old_plan_in(tmp_path)
    done = prepared.run(target)
    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan", "plan.log"]
    assert hashes(target) == prepared.known[1]


@pytest.mark.parametrize(
    ("number", "again"),
    [(signal.SIGINT, False), (signal.SIGTERM, False), (signal.SIGINT, True)],
    ids=["Ctrl-C", "SIGTERM", "Ctrl-C twice"],
)
def test_stopped_nothing_is_half_written(
    prepared: Prepared, tmp_path: Path, number: signal.Signals, again: bool
) -> None:
    for step, share in [("reading inputs", 0.0), ("writing the plan", 0.0), ("writing the plan", 0.4)] * ROUNDS:
        target = prepared.old_plan_in(tmp_path)
        process = prepared.begin(target)
        _wait_for(process, step)
        time.sleep(share * prepared.writing_seconds)
        process.send_signal(number)
        if again:
            time.sleep(0.01)
            process.send_signal(signal.SIGINT)
        _, told = process.communicate()
        if share and process.returncode != 130:  # it was faster today, and had done its work
            assert hashes(target) == prepared.known[1]
            assert (tmp_path / "plan.log").read_text(encoding="utf-8").endswith(" done\n")
            continue
        assert process.returncode == 130, told
        last = told.strip().splitlines()[-1]
        assert last.startswith("stopped; ") and "Traceback" not in told
        assert hashes(target) == prepared.known["just been written" in last]
        assert again or {path.name for path in tmp_path.iterdir()} == {"plan", "plan.log"}
        log = (tmp_path / "plan.log").read_text(encoding="utf-8").splitlines()
        assert log[-1].endswith((" stopped", " done"))


def test_a_second_run_at_once_is_refused(prepared: Prepared, tmp_path: Path) -> None:
    target = prepared.old_plan_in(tmp_path)
    with claim(target):
        second = prepared.run(target)
    assert second.returncode == 2
    assert second.stderr == (
        f"error: Another allocator run (process {os.getpid()}) is writing to {target}. "
        "Wait until it ends, or choose another folder.\n"
    )
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]
    first = prepared.begin(target)
    _wait_for(first, "reading inputs")
    with pytest.raises(OutputError, match=rf"\(process {first.pid}\)"), claim(target):
        pass
    _, told = first.communicate()
    assert first.returncode == 0, told
    assert hashes(target) == prepared.known[1]


def test_the_log_tells_of_a_run_that_failed(prepared: Prepared, tmp_path: Path) -> None:
    done = run("plan", prepared.study, "--out", tmp_path / "deep" / "plan", "--set", "inputs.roads.path=gone.gpkg")
    assert done.returncode == 2
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["plan.log"]
    assert "gone.gpkg" in (tmp_path / "deep" / "plan.log").read_text(encoding="utf-8").splitlines()[-1]
    again = run("plan", prepared.study, "--out", tmp_path / "deep" / "plan")
    assert again.returncode == 0, again.stderr
    for line in again.stderr.splitlines()[1:]:
        assert line.endswith(" left"), line


def test_compare_puts_back_a_plan_that_was_cut_off(prepared: Prepared, tmp_path: Path) -> None:
    shutil.copytree(prepared.plans[0], tmp_path / ".plan.old-0123abcd")
    done = run("compare", tmp_path / "plan", prepared.plans[1])
    assert done.returncode == 0 and "the old plan was put back" in done.stderr
    assert hashes(tmp_path / "plan") == prepared.known[0]


@pytest.mark.parametrize("kilobytes", [0, 1, 2, 4, 8, 12, *range(16, 430, 12)] if IS_LONG else [0, 60, 400])
def test_a_limit_to_the_size_of_files_leaves_the_old_plan(prepared: Prepared, tmp_path: Path, kilobytes: int) -> None:
    """Stands for a full disk where none can be made: the system refuses to write more, at one file or another."""
    target = prepared.old_plan_in(tmp_path)
    largest = max(path.stat().st_size for path in prepared.plans[1].rglob("*"))
    assert largest > kilobytes * 1024
    limit = (kilobytes * 1024, resource.getrlimit(resource.RLIMIT_FSIZE)[1])
    done = prepared.run(target, preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, limit))
    _refused_for_room(done, prepared, target)


def _refused_for_room(done: subprocess.CompletedProcess[str], prepared: Prepared, target: Path) -> None:
    assert done.returncode == 2, done.stderr
    last = done.stderr.splitlines()[-1]
    cells = r".*cells of the land could (not be kept|be made) there .*TMPDIR"  # the first files that a run writes
    assert re.match(rf"error: ((The plan could not|Nothing can) be written to {target}\. |{cells})", last), last
    assert "Traceback" not in done.stderr and "Logging error" not in done.stderr
    assert hashes(target) == prepared.known[0]
    assert {path.name for path in target.parent.iterdir()} <= {"plan", "plan.log"}


def _can_mount() -> bool:
    command = ["unshare", "-rm", "sh", "-c", "mount -t tmpfs -o size=1m tmpfs /mnt"]
    return bool(shutil.which("unshare")) and subprocess.run(command, check=False, capture_output=True).returncode == 0


@pytest.mark.skipif(not _can_mount(), reason=NO_TMPFS)
@pytest.mark.parametrize("spare_kilobytes", range(20, 1000, 60) if IS_LONG else [40, 900])
def test_a_full_disk_leaves_the_old_plan(prepared: Prepared, tmp_path: Path, spare_kilobytes: int) -> None:
    old = prepared.old_plan_in(tmp_path)
    disk, back = tmp_path / "disk", tmp_path / "back"
    disk.mkdir()
    needed = sum((path.stat().st_size // 4096 + 1) * 4 for path in old.rglob("*")) + 8
    words = " ".join(f"'{word}'" for word in prepared.command(disk / "plan"))
    script = (
        f"mount -t tmpfs -o size={needed + spare_kilobytes}k tmpfs '{disk}' && cp -r '{old}' '{disk}/plan' && "
        f"{{ {words}; status=$?; rm -f '{disk}/plan.log'; cp -r '{disk}' '{back}'; exit $status; }}"
    )
    done = subprocess.run(["unshare", "-rm", "sh", "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 2, done.stderr
    assert "The plan could not be written to" in done.stderr.splitlines()[-1] and "Traceback" not in done.stderr
    assert [path.name for path in back.iterdir()] == ["plan"]
    assert hashes(back / "plan") == prepared.known[0]


def test_a_plan_open_elsewhere_is_replaced_whole_or_not_at_all(prepared: Prepared, tmp_path: Path) -> None:
    target = prepared.old_plan_in(tmp_path)
    base = sqlite3.connect(target / "plan.gpkg", isolation_level=None)
    base.execute("begin exclusive")
    refused = prepared.run(target)
    assert refused.returncode == 2 and "another program is writing to its plan.gpkg" in refused.stderr
    base.execute("rollback")
    assert hashes(target) == prepared.known[0]
    base.execute("begin")
    traps = base.execute("select sum(traps) from properties").fetchone()
    done = prepared.run(target)
    assert done.returncode == 0, done.stderr
    assert base.execute("select sum(traps) from properties").fetchone() == traps  # the reader still has the old one
    base.close()
    assert hashes(target) == prepared.known[1]
    assert json.loads((target / "plan.json").read_text())["totals"]["traps"] != traps[0]

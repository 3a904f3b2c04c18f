"""A run touches nothing of the user's but its output folder and the log beside it, and needs no network."""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

import allocator
from tests.journey.studies import write_small_study

PACKAGE = Path(allocator.__file__).parent
Tree = Mapping[str, tuple[int, int, int]]


def _works(*command: str) -> bool:
    return bool(shutil.which(command[0])) and subprocess.run(command, capture_output=True, check=False).returncode == 0


def _tree(folder: Path) -> Tree:
    """Size, time and number of everything in a folder but Python's own compiled code."""
    return {
        path.relative_to(folder).as_posix(): (found.st_size, found.st_mtime_ns, found.st_ino)
        for path in folder.rglob("*")
        if "__pycache__" not in path.parts and (found := path.lstat())
    }


@pytest.fixture
def places(tmp_path: Path) -> dict[str, Path]:
    """A home, a working folder, a temporary folder and a study of the user's, and a place for the plan."""
    found = {name: tmp_path / name for name in ("home", "work", "temporary", "study", "results")}
    for name, folder in found.items():
        folder.mkdir()
        if name != "temporary":
            (folder / "mine.txt").write_text("mine")
    write_small_study(found["study"])
    return found


def _plan(places: Mapping[str, Path], *before: str) -> subprocess.CompletedProcess[str]:
    temporary = dict.fromkeys(("TMPDIR", "TEMP", "TMP"), str(places["temporary"]))
    ours = {"HOME": str(places["home"]), "PYTHONPATH": str(PACKAGE.parent), "PYTHONDONTWRITEBYTECODE": "1", **temporary}
    environment = {name: value for name, value in os.environ.items() if not name.startswith("XDG_")} | ours
    command = [*before, sys.executable, "-m", "allocator", "plan", str(places["study"] / "study.toml"),
               "--out", str(places["results"] / "plan")]  # fmt: skip
    return subprocess.run(command, cwd=places["work"], env=environment, capture_output=True, text=True, check=False)


def test_nothing_of_the_users_is_touched(places: dict[str, Path]) -> None:
    before = {name: _tree(folder) for name, folder in places.items()} | {"package": _tree(PACKAGE)}
    done = _plan(places)
    assert done.returncode == 0, done.stderr
    after = {name: _tree(folder) for name, folder in places.items()} | {"package": _tree(PACKAGE)}
    results, results_before = dict(after.pop("results")), before.pop("results")
    assert after == before  # also the temporary folder: what is put there goes again
    assert results.pop("mine.txt") == results_before["mine.txt"]
    assert {name.split("/")[0] for name in results} == {"plan", "plan.log"}


@pytest.mark.skipif(not _works("unshare", "-rn", "true"), reason="cutting the network needs a user namespace")
def test_the_network_may_be_cut(places: dict[str, Path]) -> None:
    done = _plan(places, "unshare", "-rn")
    assert done.returncode == 0, done.stderr
    assert (places["results"] / "plan" / "map.html").exists()


@pytest.mark.skipif(
    not _works("strace", "-f", "-e", "trace=openat", "true"), reason="watching every file opened needs strace"
)
def test_every_file_opened_for_writing_and_every_connection(places: dict[str, Path], tmp_path: Path) -> None:
    trace = tmp_path / "trace.txt"
    calls = "openat,open,creat,mkdir,mkdirat,rename,renameat,renameat2,unlink,unlinkat,rmdir,link,linkat,symlink,"
    calls += "symlinkat,chmod,fchmodat,truncate,connect"
    done = _plan(places, "strace", "-f", "-qq", "-s", "4096", "-o", str(trace), "-e", f"trace={calls}")
    assert done.returncode == 0, done.stderr
    home = tuple(f"{places[name]}/" for name in ("results", "temporary"))
    strangers, touched = [], 0
    for line in trace.read_text(errors="replace").splitlines():
        if "connect(" in line:
            strangers.append(line)
        elif not re.search(r"open(at)?\(", line) or re.search(r"O_WRONLY|O_RDWR|O_CREAT", line):
            names = re.findall(r'"([^"]*)"', line)
            touched += bool(names)
            strangers += [line for name in names if not name.startswith((*home, "/dev/", "/proc/self/"))]
    assert touched > 50
    assert [line for line in strangers if not _is_harmless(line)] == []


def _is_harmless(line: str) -> bool:
    """Failed calls change nothing; names without a folder in front are parts of a folder that is being deleted."""
    return " = -1 E" in line or bool(re.search(r'unlinkat\(\d+, "[^"/]+"', line))

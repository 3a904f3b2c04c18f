"""The log beside a plan: what was said, with times and versions, and how the run ended."""

import logging
import re
import warnings
from pathlib import Path

import pytest

from allocator.console import Stopped
from allocator.core.errors import InputError
from allocator.run_log import FIRST_LINE, run_log


def _lines(folder: Path) -> list[str]:
    return (folder / "plan.log").read_text(encoding="utf-8").splitlines()


def test_a_run_is_told_with_times_versions_messages_and_warnings(tmp_path: Path) -> None:
    with run_log(tmp_path / "plan") as note:
        note(" 20 % scoring")
        logging.getLogger("allocator.outputs").info("one line a step")
        logging.getLogger("allocator.outputs").warning("Été is %s", "doubtful")
        logging.getLogger("rasterio").info("chatter of a library")
        with warnings.catch_warnings():
            warnings.simplefilter("always")
            warnings.warn("from a library", UserWarning, stacklevel=1)
    lines = _lines(tmp_path)
    assert lines[0] == FIRST_LINE
    time = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d"
    rest = [re.fullmatch(rf"{time} (INFO|WARNING) (.*)", line) for line in lines[1:] if not line.startswith("  warn")]
    words = [f"{one[1]} {one[2]}" for one in rest if one]
    assert re.search(r"INFO allocator \S.*, python 3\.\d+.*, gdal \d", words[2])
    assert words[3:6] == ["INFO  20 % scoring", "INFO one line a step", "WARNING Été is doubtful"]
    assert "UserWarning: from a library" in words[6] and words[-1] == "INFO done"
    assert not any("chatter" in line for line in lines)


def test_runs_stand_one_after_the_other(tmp_path: Path) -> None:
    for words in ("one", "two"):
        with run_log(tmp_path / "plan") as note:
            note(words)
    text = "\n".join(_lines(tmp_path))
    assert text.count(FIRST_LINE) == 1 and text.count("done") == 2 and text.index("one") < text.index("two")


def test_a_mistake_of_the_user_is_told_without_a_traceback(tmp_path: Path) -> None:
    with pytest.raises(InputError), run_log(tmp_path / "plan"):
        raise InputError("no roads", "no land")
    assert [line.split(" ", 1)[1] for line in _lines(tmp_path)[-2:]] == ["ERROR no roads", "ERROR no land"]


def test_a_fault_of_the_tool_is_told_with_its_traceback(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), run_log(tmp_path / "plan"):
        _ = 1 / 0
    text = "\n".join(_lines(tmp_path))
    assert "CRITICAL fault of the tool\nTraceback" in text and "_ = 1 / 0" in text and "done" not in text
    assert text.endswith("ZeroDivisionError: division by zero")


@pytest.mark.parametrize("stop", [Stopped, KeyboardInterrupt])
def test_a_stop_is_told(tmp_path: Path, stop: type[BaseException]) -> None:
    with pytest.raises(stop), run_log(tmp_path / "plan"):
        raise stop
    assert _lines(tmp_path)[-1].endswith("ERROR stopped")


def test_logging_is_as_before_afterwards(tmp_path: Path) -> None:
    root, own = logging.getLogger(), logging.getLogger("allocator")
    before = (list(root.handlers), own.level, warnings.showwarning)
    with run_log(tmp_path / "plan"):
        pass
    assert (list(root.handlers), own.level, warnings.showwarning) == before


def test_a_file_of_the_users_is_left_alone(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "plan.log").write_text("my own notes")
    with run_log(tmp_path / "plan") as note:
        note("words")
    assert (tmp_path / "plan.log").read_text() == "my own notes"
    assert "No log is kept in" in caplog.text and "no log of this tool" in caplog.text


def test_a_folder_in_the_way_is_no_hindrance(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "plan.log").mkdir()
    with run_log(tmp_path / "plan") as note:
        note("words")
    assert "No log is kept in" in caplog.text


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full, a disk that is always full, is not here")
def test_a_full_disk_does_not_disturb_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    full = Path("/dev/full").open("w", encoding="utf-8")  # noqa: SIM115, the log closes it
    monkeypatch.setattr(logging.FileHandler, "_open", lambda self: full)
    (tmp_path / "plan.log").touch()
    done = []
    with run_log(tmp_path / "plan") as note:
        for _ in range(1000):
            note("words " * 20)
        done.append(True)
    assert done and capfd.readouterr().err == ""

"""Replaces a folder in a process of its own and dies at every step of it in turn; prints what was there after each.

Run by ``test_folder_swap.py`` with a scratch folder and *exchange* or *renames*.
"""

import json
import logging
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from allocator.outputs import folder_swap

STEPS = ((folder_swap, "exchange"), (Path, "rename"), (Path, "mkdir"), (Path, "unlink"), (os, "fsync"), (os, "rmdir"),
         (os, "unlink"), (os, "open"), (os, "close"))  # fmt: skip
"""Whatever changes the disk, or may fail on the way."""


def fill(folder: Path, words: str) -> None:
    """Two files, one in a folder below."""
    (folder / "tables").mkdir(parents=True)
    (folder / "map.html").write_text(words)
    (folder / "tables" / "sites.csv").write_text(words)


def contents(folder: Path) -> dict[str, str]:
    """What is in a folder; empty when it is not there."""
    return {path.relative_to(folder).as_posix(): path.read_text() for path in folder.rglob("*") if path.is_file()}


def die_at(step: int) -> None:
    """Die before and after steps by turns: an even number is before a step, an odd one after it."""
    left = [step]

    def counted(work: Callable[..., Any]) -> Callable[..., Any]:
        def run(*arguments: Any, **named: Any) -> Any:
            for is_after in (False, True):
                answer = work(*arguments, **named) if is_after else None
                if left[0] == 0:
                    os._exit(9)
                left[0] -= 1
            return answer

        return run

    for owner, name in STEPS:
        setattr(owner, name, counted(getattr(owner, name)))


def replace(target: Path, step: int) -> int:
    """Replace a folder, dying at a step; gives 9 when it died."""
    child = os.fork()
    if child == 0:
        die_at(step)
        with folder_swap.all_or_nothing(target) as folder:
            fill(folder, "new")
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def main() -> None:
    """Print one line of JSON for each step."""
    scratch, way = Path(sys.argv[1]), sys.argv[2]
    logging.disable()
    if way == "renames":
        folder_swap.exchange = lambda one, other: False
    status, step = 9, 0
    while status == 9:
        place = scratch / str(step)
        target = place / "plan"
        fill(target, "old")
        for number in range(3):  # an earlier run replaced them and was killed before it could delete them
            fill(place / f".plan.old-0000000{number}", "older")
        status = replace(target, step)
        at_once = contents(target)
        folder_swap.put_back(target)
        then = contents(target)
        with folder_swap.all_or_nothing(target) as folder:
            fill(folder, "next")
        after = sorted(path.name for path in place.iterdir()), contents(target)
        print(json.dumps({"status": status, "at_once": at_once, "then": then, "after": after}))
        shutil.rmtree(place)
        step += 1


if __name__ == "__main__":
    main()

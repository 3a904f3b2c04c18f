"""A new folder takes the place of an old one in one step; what killed runs left behind is put right."""

import ctypes
import logging
import os
import re
import secrets
import shutil
import signal
import sys
import textwrap
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from allocator.core.errors import OutputError

try:
    import fcntl
except ImportError:  # not on Windows: runs are not kept apart there, and leftovers stay
    fcntl = None  # type: ignore[assignment]

logger = logging.getLogger(__name__)
_HERE = -100
"""AT_FDCWD: paths count from the working folder."""
_EXCHANGE = 2
"""RENAME_EXCHANGE of Linux (manual page rename(2)) and RENAME_SWAP of macOS (from memory, unverified there)."""
_claims: dict[Path, tuple[int, bool]] = {}
"""Targets that this process writes to: which thread, and whether the system vouches that no other process does."""


@contextmanager
def all_or_nothing(target: Path) -> Iterator[Path]:
    """A new folder beside the target that takes its place at the end; after any failure nothing has changed.

    Parameters
    ----------
    target : pathlib.Path
        As ``check_target`` gives it.

    Yields
    ------
    pathlib.Path
        The folder to write into.

    Raises
    ------
    OutputError
        Another run is writing to the same target.

    Notes
    -----
    Whoever is killed, and whenever: the target holds the whole old folder or the whole new one. The one exception is
    a system that cannot exchange two folders: there a kill between two renames leaves the old one beside the target,
    and ``put_back`` brings it back.
    """
    with claim(target) as is_sole:
        partial = _beside(target, "partial")
        try:
            partial.mkdir()
            yield partial
            _flush(partial)
            with uninterrupted():
                _swap(partial, target)  # the old folder is now where the new one was
                _flush_folder(target.parent)
        finally:
            with uninterrupted():
                shutil.rmtree(partial, ignore_errors=True)
        if partial.exists():
            logger.warning("The plan was replaced, but the old one could not be deleted: %s", partial)
        elif is_sole:
            for left in (*_leftovers(target, "partial"), *_leftovers(target, "old")):
                shutil.rmtree(left, ignore_errors=True)


@contextmanager
def claim(target: Path) -> Iterator[bool]:
    """Keep other runs from writing to the same target; within one thread it may be claimed again.

    Parameters
    ----------
    target : pathlib.Path
        The folder to make, with all links followed; folders above it are made, and go again when they stay empty.

    Yields
    ------
    bool
        Whether the system vouches that no other run writes there. It cannot on some shared drives.

    Raises
    ------
    OutputError
        Another run is writing there, or nothing can be written there.
    """
    thread, is_sole = _claims.get(target, (None, False))
    if thread == threading.get_ident():
        yield is_sole
        return
    made = [folder for folder in target.parents if not folder.exists()]
    path = target.with_name(f".{target.name}.lock")
    descriptor = None
    try:
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            descriptor, is_sole = _locked(path, target)
        except OSError as error:
            raise OutputError(
                f"Nothing can be written to {target}. {reason_of(error)}. Choose another folder."
            ) from error
        _claims[target] = (threading.get_ident(), is_sole)
        yield is_sole
    finally:
        with uninterrupted():
            if descriptor is not None:
                del _claims[target]
                with suppress(OSError):
                    path.unlink()  # before the lock goes, so that nobody's new lock file is deleted
                os.close(descriptor)
            for folder in made:
                with suppress(OSError):
                    folder.rmdir()


def _locked(path: Path, target: Path) -> tuple[int, bool]:
    """An open lock file with this process's number in it, and whether it keeps others out."""
    while True:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            is_sole = _lock(descriptor, target)
            # The run that had the lock may have deleted the file between our two steps: then it keeps nobody out.
            if path.exists() and os.path.samestat(os.fstat(descriptor), path.stat()):
                with suppress(OSError):  # a full disk: the lock holds without the number
                    os.ftruncate(descriptor, 0)
                    os.write(descriptor, f"{os.getpid()}\n".encode())
                return descriptor, is_sole
        except BaseException:
            os.close(descriptor)
            raise
        os.close(descriptor)


def _lock(descriptor: int, target: Path) -> bool:
    if fcntl is None:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        process = os.pread(descriptor, 20, 0).decode("ascii", "replace").strip()
        which = f" (process {process})" if process else ""
        raise OutputError(
            f"Another allocator run{which} is writing to {target}. Wait until it ends, or choose another folder."
        ) from None
    except OSError:  # a drive without locks
        return False
    return True


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Put off Ctrl-C and requests to end until the block is done; outside the main thread nothing changes.

    Yields
    ------
    None
        The signals come when the block has ended.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    noted: list[int] = []
    before: dict[int, Any] = {}
    try:
        for number in (signal.SIGINT, signal.SIGTERM):
            handler: Callable[[int, object], None] = lambda came, _: noted.append(came)  # noqa: E731
            before[number] = signal.signal(number, handler)
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
        if noted:
            signal.raise_signal(noted[0])


def _beside(target: Path, kind: str) -> Path:
    return target.with_name(f".{target.name}.{kind}-{secrets.token_hex(4)}")


def _leftovers(target: Path, kind: str) -> list[Path]:
    """Folders that an earlier run to this target made and did not remove."""
    form = re.compile(rf"\.{re.escape(target.name)}\.{kind}-[0-9a-f]{{8}}")
    with suppress(OSError):  # no such folder, or one that may not be looked into
        return [path for path in target.parent.iterdir() if form.fullmatch(path.name)]
    return []


def _flush(folder: Path) -> None:
    """Have the system write all of a folder to the disk, so that a power cut after the swap finds it there."""
    for path, _, files in os.walk(folder):
        for name in files:
            with (Path(path) / name).open("r+b") as file:
                os.fsync(file.fileno())
        _flush_folder(Path(path))


def _flush_folder(folder: Path) -> None:
    with suppress(OSError):  # some systems do not flush folders
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def exchange(one: Path, other: Path) -> bool:
    """Swap the names of two folders in one step of the system.

    Parameters
    ----------
    one, other : pathlib.Path
        Both there, in the same folder.

    Returns
    -------
    bool
        Whether it was done; False where the system or the drive has no such step.
    """
    names = os.fsencode(one), os.fsencode(other)
    try:
        if sys.platform == "linux":
            return bool(ctypes.CDLL(None).renameat2(_HERE, names[0], _HERE, names[1], _EXCHANGE) == 0)
        if sys.platform == "darwin":
            return bool(ctypes.CDLL(None).renamex_np(names[0], names[1], _EXCHANGE) == 0)
    except AttributeError:  # an older system library
        pass
    return False


def _swap(partial: Path, target: Path) -> None:
    """Put the new folder at the target; the old one, if any, is then where the new one was."""
    if not target.exists():
        partial.rename(target)
    elif not exchange(partial, target):
        _swap_in_two(partial, target)


def _swap_in_two(partial: Path, target: Path) -> None:
    for left in _leftovers(target, "old"):  # so that whatever is called old while there is no target is the plan
        left.rename(_beside(target, "partial"))
    old = _beside(target, "old")
    target.rename(old)
    try:
        partial.rename(target)
    except BaseException:
        old.rename(target)
        raise
    old.rename(partial)


def put_back(target: Path) -> None:
    """Put a folder back that a killed run had moved away and not replaced; a warning says so.

    Parameters
    ----------
    target : pathlib.Path
        Where it belongs, or a link to it; nothing happens when something is there, or nothing was moved away.

    Raises
    ------
    OutputError
        Another run is at work there, or the folder cannot be moved.
    """
    target = Path(os.path.realpath(target))
    if target.exists() or not _leftovers(target, "old"):
        return
    with claim(target):
        left = _leftovers(target, "old")
        if target.exists() or not left:
            return
        try:
            left[0].rename(target)
        except OSError as error:
            raise OutputError(
                f"The plan of {target} lies in {left[0]}, because a run was cut off, and cannot be put back. "
                f"{reason_of(error)}. Rename that folder to {target.name}."
            ) from error
    logger.warning("A run that was to replace %s was cut off; the old plan was put back.", target)


def reason_of(error: BaseException) -> str:
    """What went wrong while writing, in one short line without a full stop.

    Parameters
    ----------
    error : BaseException
        The error.

    Returns
    -------
    str
        The system's own words where it has some.
    """
    text = (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__
    return textwrap.shorten(text, width=160, placeholder=" ...").rstrip(".")

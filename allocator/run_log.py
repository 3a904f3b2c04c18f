"""The log beside a plan's folder: what a run said, with times and versions, also when it failed."""

import logging
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from allocator.console import Stopped
from allocator.core.errors import AllocatorError

FIRST_LINE = "Log of allocator; the newest run stands last."
"""By this line the tool knows a log as one of its own."""
logger = logging.getLogger(__name__)


class _LogFile(logging.FileHandler):
    """A log file whose own trouble, such as a full disk, never disturbs the work."""

    def handleError(self, record: logging.LogRecord) -> None:
        pass

    def close(self) -> None:
        with suppress(OSError):
            super().close()


class _Lines(logging.Formatter):
    def formatTime(self, record: logging.LogRecord, datefmt: str | None = None) -> str:
        return datetime.fromtimestamp(record.created).astimezone().isoformat(timespec="seconds")


@contextmanager
def run_log(target: Path) -> Iterator[Callable[[str], None]]:
    """Append a run to ``NAME.log`` beside the folder NAME: messages, warnings, versions, and how it ended.

    Parameters
    ----------
    target : pathlib.Path
        The plan's folder, there or not; the folder above it is there.

    Yields
    ------
    callable
        Takes a line for the log alone.

    Notes
    -----
    A fault of the tool is written with its traceback, a mistake in the inputs with its messages. A run whose last
    line is neither *done* nor *stopped* nor an error was killed. Where no log can be written a warning says so.
    """
    path = target.with_name(f"{target.name}.log")
    try:
        if path.exists() and not _is_own(path):
            raise FileExistsError(17, "found a file there that is no log of this tool")
        file = _LogFile(path, encoding="utf-8")
        if not path.stat().st_size:
            file.stream.write(f"{FIRST_LINE}\n")
    except OSError as error:
        logger.warning("No log is kept in %s: %s.", path, error.strerror)
        yield lambda text: None
        return
    file.setFormatter(_Lines("%(asctime)s %(levelname)s %(message)s"))

    def note(text: str, level: int = logging.INFO, error: BaseException | None = None) -> None:
        file.handle(logging.LogRecord(logger.name, level, __file__, 0, text, None, error and _details(error)))

    with _joined(file):
        try:
            note(f"run: allocator {' '.join(sys.argv[1:])}")
            note(f"in {Path.cwd()}")
            note(_versions())
            yield note
            note("done")
        except AllocatorError as error:
            for message in error.messages:
                note(message, logging.ERROR)
            raise
        except (Stopped, KeyboardInterrupt):
            note("stopped", logging.ERROR)
            raise
        except BaseException as error:
            note("fault of the tool", logging.CRITICAL, error)
            raise


def _is_own(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        start = file.read(len(FIRST_LINE))
    return start in (b"", FIRST_LINE.encode())


def _details(error: BaseException):  # type: ignore[no-untyped-def]
    return type(error), error, error.__traceback__


def _versions() -> str:
    from allocator.outputs.plan_json import versions

    return ", ".join(f"{name} {version}" for name, version in versions().items())


@contextmanager
def _joined(file: logging.Handler) -> Iterator[None]:
    """Send what the tool's loggers and Python's warnings say to the file as well."""
    root, own = logging.getLogger(), logging.getLogger("allocator")
    level = own.level
    root.addHandler(file)
    own.setLevel(min(logging.INFO, own.getEffectiveLevel()))
    logging.captureWarnings(True)
    try:
        yield
    finally:
        logging.captureWarnings(False)
        own.setLevel(level)
        root.removeHandler(file)
        file.close()

"""What a run shows while it works, and how it takes being told to stop."""

import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from allocator.core.progress import Progress

STEP_FRACTION, STEP_SECONDS = 0.1, 30.0
"""A step that takes long is told again after this part of the work, or this time."""


class Stopped(BaseException):
    """The user, or the system, told the run to stop; like KeyboardInterrupt no kind of Exception."""


class StopSignals:
    """Ctrl-C and requests to end (SIGTERM), as one.

    Every one raises :class:`Stopped`, not only the first: it may fall into code of others that cannot pass it on.
    """

    def __init__(self) -> None:
        self.requested = False

    @contextmanager
    def listening(self) -> Iterator[None]:
        """Take the two signals for the time of a block, in the main thread.

        Yields
        ------
        None
            What took them before takes them again afterwards, unless a stop was requested: then the process ends.
        """
        before = {number: signal.signal(number, self._stop) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            if not self.requested:
                for number, handler in before.items():
                    signal.signal(number, handler)

    def ignore(self) -> None:
        """Take no more signals: the run is ending anyway."""
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, signal.SIG_IGN)

    def check(self) -> None:
        """Stop now if a signal was lost on its way.

        Raises
        ------
        Stopped
            A signal has come.
        """
        if self.requested:
            raise Stopped

    def _stop(self, number: int, frame: object) -> None:
        self.requested = True
        raise Stopped


STOP = StopSignals()
"""The signals of this process."""


def time_left(seconds: float) -> str:
    """How long something still takes, as one would say it.

    Parameters
    ----------
    seconds : float
        An estimate.

    Returns
    -------
    str
        Rounded: it is an estimate.

    Examples
    --------
    >>> time_left(3), time_left(42), time_left(200), time_left(9000)
    ('a few seconds left', 'about 40 s left', 'about 3 min left', 'about 2.5 h left')
    """
    if seconds < 10:
        return "a few seconds left"
    if seconds < 90:
        return f"about {round(seconds, -1):.0f} s left"
    if seconds < 5400:
        return f"about {seconds / 60:.0f} min left"
    return f"about {seconds / 3600:.1f} h left"


def told_in_lines(say: Callable[[str], None], clock: Callable[[], float] = time.monotonic) -> Progress:
    """Progress as plain lines: percent, step and, from the second line on, about how long is left.

    Parameters
    ----------
    say : callable
        Takes a line.
    clock : callable
        Gives seconds.

    Returns
    -------
    Progress
        Says a line when a step begins, and again when it takes long. A step is what stands before the comma.

    Examples
    --------
    >>> ticks = iter([0, 0, 20, 40])
    >>> progress = told_in_lines(print, lambda: next(ticks))
    >>> progress(0.0, "reading inputs")
      0 % reading inputs
    >>> progress(0.1, "scoring land, tile 1 of 40")
     10 % scoring land, tile 1 of 40, about 3 min left
    >>> progress(0.15, "scoring land, tile 2 of 40")
    """
    began = clock()
    last: dict[str, float | str] = {}

    def report(fraction: float, message: str) -> None:
        now, step = clock(), message.split(",")[0]
        is_new = step != last.get("step")
        if not is_new and fraction < float(last["fraction"]) + STEP_FRACTION and now < float(last["at"]) + STEP_SECONDS:
            return
        left = f", {time_left((now - began) * (1 - fraction) / fraction)}" if last and fraction > 0 else ""
        last.update(step=step, fraction=fraction, at=now)
        say(f"{fraction * 100:3.0f} % {message}{left}")

    return report

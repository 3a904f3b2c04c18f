"""What a run shows while it works, and that a stop is never lost."""

import signal
from collections.abc import Iterator
from contextlib import suppress

import pytest

from allocator.console import STEP_SECONDS, Stopped, StopSignals, time_left, told_in_lines


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "a few seconds left"), (9.9, "a few seconds left"), (10, "about 10 s left"), (89, "about 90 s left"),
        (91, "about 2 min left"), (5399, "about 90 min left"), (5400, "about 1.5 h left"),
        (36_000, "about 10.0 h left"),
    ],
)  # fmt: skip
def test_time_left_in_words(seconds: float, words: str) -> None:
    assert time_left(seconds) == words


def _said(*steps: tuple[float, float, str]) -> list[str]:
    """Lines for steps given as seconds since the start, fraction and message."""
    clock = iter([0.0, *(one[0] for one in steps)])
    lines: list[str] = []
    progress = told_in_lines(lines.append, lambda: next(clock))
    for _, fraction, message in steps:
        progress(fraction, message)
    return lines


def test_the_first_line_promises_nothing_and_the_others_say_how_long() -> None:
    # 30 s for a fifth of the work: 120 s for the other four; 180 s for nine tenths: 20 s for the last
    assert _said((0, 0.0, "reading"), (30, 0.2, "scoring, tile 1 of 9"), (180, 0.9, "writing")) == [
        "  0 % reading",
        " 20 % scoring, tile 1 of 9, about 2 min left",
        " 90 % writing, about 20 s left",
    ]


def test_a_long_step_is_told_again() -> None:
    quick = [(one, 0.001 * one, f"scoring, tile {one}") for one in range(1, 20)]
    assert len(_said(*quick)) == 1
    by_part = [(one, 0.03 * one, f"scoring, tile {one}") for one in range(1, 20)]
    assert [line.split(",")[1] for line in _said(*by_part)] == [" tile 1", " tile 5", " tile 9", " tile 13", " tile 17"]
    slow = [(STEP_SECONDS * one, 0.001 * one, f"scoring, tile {one}") for one in range(1, 5)]
    assert len(_said(*slow)) == 4


NUMBERS = (signal.SIGINT, signal.SIGTERM)


@pytest.fixture
def stop() -> Iterator[StopSignals]:
    before = {number: signal.getsignal(number) for number in NUMBERS}
    found = StopSignals()
    with found.listening():
        yield found
    for number, handler in before.items():
        signal.signal(number, handler)


def test_signals_go_where_they_went_before() -> None:
    before = [signal.getsignal(number) for number in NUMBERS]
    with StopSignals().listening():
        assert [signal.getsignal(number) for number in NUMBERS] != before
    assert [signal.getsignal(number) for number in NUMBERS] == before


@pytest.mark.parametrize("number", NUMBERS)
def test_both_signals_stop_the_run(stop: StopSignals, number: signal.Signals) -> None:
    stop.check()
    with pytest.raises(Stopped):
        signal.raise_signal(number)
    assert stop.requested


def test_a_stop_that_others_swallowed_comes_at_the_next_step(stop: StopSignals) -> None:
    with suppress(BaseException):
        signal.raise_signal(signal.SIGINT)
    with pytest.raises(Stopped):
        stop.check()


def test_a_run_that_ends_anyway_takes_no_more(stop: StopSignals) -> None:
    stop.ignore()
    signal.raise_signal(signal.SIGINT)
    signal.raise_signal(signal.SIGTERM)
    assert not stop.requested

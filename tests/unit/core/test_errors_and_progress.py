"""Messages of errors, and progress in parts."""

import pytest

from allocator.core import errors
from allocator.core.progress import part_of, silent


@pytest.mark.parametrize("name", ["SettingsError", "InputError", "CrsError", "GeometryError", "MissingColumnError",
                                  "SitesInfeasibleError", "OutputError"])  # fmt: skip
def test_one_name_catches_everything_that_a_user_can_mend(name):
    assert issubclass(getattr(errors, name), errors.AllocatorError)


def test_every_problem_is_kept_and_shown():
    error = errors.InputError("one", "two")
    assert error.messages == ("one", "two")
    assert str(error) == "one\ntwo"


def test_a_part_of_progress_fills_its_stretch():
    told = []
    part = part_of(lambda fraction, words: told.append((fraction, words)), 0.2, 0.6)
    for fraction in (0, 0.5, 1):
        part(fraction, "x")
    assert told == [(0.2, "x"), (pytest.approx(0.4), "x"), (pytest.approx(0.6), "x")]
    assert silent(0.5, "x") is None

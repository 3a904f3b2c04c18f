"""Law: whatever a file holds, a study is checked to the end and what is wrong is said in words.

Sixty cases of ``tests/benchmarks/fuzz_readers.py``, which runs thousands with limits of time and memory.
"""

import random
import warnings
from pathlib import Path

import pytest

from tests.benchmarks.fuzz_readers import FORMATS, GOOD_ENDS, RASTERS, ROLES, Case, case_of, outcome

NUMBERS = random.Random(20).sample(range(1_000_000), 60)


@pytest.mark.parametrize("number", NUMBERS)
def test_a_spoiled_file_ends_in_words(tmp_path: Path, number: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        what = outcome(case_of(number), tmp_path)
    assert what in GOOD_ENDS, f"{case_of(number)}\n{what}"


def test_the_cases_reach_every_role_and_most_formats() -> None:
    cases = [case_of(number) for number in NUMBERS]
    assert {case.role for case in cases} >= set(ROLES)
    assert len({case.form for case in cases} & {*FORMATS, *RASTERS}) >= 20


def test_a_case_is_the_same_whenever_it_is_made() -> None:
    assert [case_of(number) for number in range(50)] == [case_of(number) for number in range(50)]
    assert isinstance(case_of(0), Case)

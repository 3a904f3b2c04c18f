"""Problems gathered: the errors of readers, and what a library of maps raises on data that no reader foresaw."""

import pytest
from shapely.errors import GEOSException

from allocator.core.errors import InputError
from allocator.inputs.findings import Findings


@pytest.mark.parametrize(
    ("error", "word"),
    [(GEOSException("odd ring\nmore"), "(odd ring)"), (MemoryError(), "(not enough memory)"),
     (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "bad start"), "bad start")],
)  # fmt: skip
def test_a_fault_of_a_library_becomes_words_and_the_rest_goes_on(error: Exception, word: str) -> None:
    findings, reached = Findings(), False
    with findings.gathering("inputs.roads (a.gpkg)"):
        raise error
    with findings.gathering("inputs.water"):
        reached = True
    assert reached and [problem.source for problem in findings.problems] == ["inputs.roads (a.gpkg)"]
    assert word in findings.problems[0].message and "\n" not in findings.problems[0].message
    with pytest.raises(InputError, match=r"inputs\.roads \(a\.gpkg\): the data cannot be used"):
        findings.raise_errors()


@pytest.mark.parametrize("error", [ZeroDivisionError(), KeyError("x"), TypeError("x")])
def test_a_fault_of_the_program_is_not_called_a_fault_of_the_file(error: Exception) -> None:
    with pytest.raises(type(error)), Findings().gathering("inputs.roads"):
        raise error

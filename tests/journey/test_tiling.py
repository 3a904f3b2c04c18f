"""The plan does not depend on how the work was cut up: to the last bit of the tables."""

import pytest

from allocator import demo_study_file
from tests.journey.studies import run


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, bytes]]:
    made = {}
    for name, more in {
        "1024, one worker": [],
        "256, two workers": ["--tile-cells", 256, "--workers", 2],
        "1000, one worker": ["--tile-cells", 1000],
        "4096, two workers": ["--tile-cells", 4096, "--workers", 2],
    }.items():
        out = tmp_path_factory.mktemp("tiling") / "plan"
        done = run("plan", demo_study_file(), "--out", out, *more)
        assert done.returncode == 0, done.stderr
        made[name] = {path.name: path.read_bytes() for path in sorted((out / "tables").iterdir())}
        made[name]["plan.gpkg"] = (out / "plan.gpkg").read_bytes()
    return made


def test_tables_are_the_same_bytes(tables: dict[str, dict[str, bytes]]) -> None:
    first, *others = tables.values()
    assert len(first["sites.csv"].splitlines()) > 5
    for other in others:
        assert other.keys() == first.keys()
        assert [name for name in first if first[name] != other[name]] == []

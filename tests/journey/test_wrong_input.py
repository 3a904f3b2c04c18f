"""Wrong input ends in one clear message and status 2, and leaves no folder behind."""

import shutil
import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest

from allocator import read_study
from tests.journey.studies import ALBERS, RASTER_INPUTS, run, square, write_cover, write_shapes, write_study


@pytest.fixture
def land(tmp_path: Path) -> Path:
    """A folder with a good study: one tract, half of it swamp."""
    codes = np.full((60, 60), 82)
    codes[:30] = 90
    write_cover(tmp_path / "cover.tif", codes, 30.0)
    write_shapes(tmp_path / "tracts.gpkg", [square(1800.0)], {"no": ["7"]}, ALBERS)
    write_study(tmp_path, RASTER_INPUTS)
    return tmp_path


def _missing_file(land: Path) -> None:
    (land / "cover.tif").unlink()


def _no_crs(land: Path) -> None:
    write_cover(land / "cover.tif", np.full((60, 60), 90), 30.0, crs=None)


def _unknown_key(land: Path) -> None:
    write_study(land, RASTER_INPUTS + "[habitat]\ntreshold = 0.5\n")


def _elsewhere(land: Path) -> None:
    write_shapes(land / "tracts.gpkg", [square(1800.0, 300_000.0)], {"no": ["7"]}, ALBERS)


def _unknown_codes(land: Path) -> None:
    write_cover(land / "cover.tif", np.full((60, 60), 77), 30.0)


def _empty_layer(land: Path) -> None:
    tracts = gpd.read_file(land / "tracts.gpkg")
    (land / "tracts.gpkg").unlink()
    tracts.iloc[:0].to_file(land / "tracts.gpkg", geometry_type="Polygon")


def _no_id_column(land: Path) -> None:
    write_study(land, RASTER_INPUTS.replace('id = "no"', 'id = "number"'))


def _endless_reach(land: Path) -> None:
    write_study(land, RASTER_INPUTS + "[habitat.curves]\nwater_m = [[0, 1.0], [500000, 0.0]]\n")


def _not_toml(land: Path) -> None:
    (land / "study.toml").write_text("[study\n", encoding="utf-8")


def _old_codes(land: Path) -> None:
    write_cover(land / "cover.tif", np.tile([91, 92, 11, 41, 83, 33], (60, 10)), 30.0)


PRICES = '[prices]\npath = "prices.csv"\n'
PRICE_COLUMNS = "item,unit,unit_price_usd,date,source\n"


def _write_prices(land: Path, rows: str, more: str = "") -> None:
    (land / "prices.csv").write_text(PRICE_COLUMNS + rows, encoding="utf-8")
    write_study(land, RASTER_INPUTS + PRICES + more)


def _mistyped_price(land: Path) -> None:
    _write_prices(land, "post,each,8.50,2026-09-01,quote\npanel,each,$75,2026-09-01,quote\n")


def _unknown_item(land: Path) -> None:
    _write_prices(land, "pannel,each,75,2026-09-01,quote\n")


def _no_prices_file(land: Path) -> None:
    _write_prices(land, "panel,each,75,2026-09-01,quote\n")
    (land / "prices.csv").rename(land / "price.csv")


def _prices_with_semicolons(land: Path) -> None:
    _mistyped_price(land)
    path = land / "prices.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",", ";"), encoding="utf-8")


def _unknown_design(land: Path) -> None:
    write_study(land, RASTER_INPUTS + '[equipment]\ndesign = "ring_3x16"\n')


CASES = {
    _missing_file: ("cover.tif",),
    _no_crs: ("cover.tif", "coordinate"),
    _unknown_key: ("treshold", "habitat.threshold"),
    _elsewhere: ("overlap", "km"),
    _unknown_codes: ("77", "cover.tif"),
    _empty_layer: ("tracts.gpkg", "empty (0 features)"),
    _no_id_column: ("number", "no"),
    _endless_reach: ("habitat.curves.water_m", "500,000 m", "study.cell_m"),
    _not_toml: ("study.toml", "line 1"),
    _old_codes: ("91", "92", "nlcd_1992"),
    _mistyped_price: ("prices.path (prices.csv), line 3, column unit_price_usd", "'$75'", "such as 75.00"),
    _unknown_item: ("prices.csv", "line 2", "'pannel'", "did you mean panel?"),
    _no_prices_file: ("prices.path", "prices.csv does not exist", "price.csv"),
    _prices_with_semicolons: ("prices.csv", "Use commas"),
    _unknown_design: ("equipment.design is 'ring_3x16'", "Did you mean ring_3x16_", "ring_5x20_5ft"),
}


@pytest.mark.parametrize("spoil", list(CASES), ids=lambda spoil: spoil.__name__.strip("_"))
def test_one_message_and_nothing_written(land: Path, spoil) -> None:
    spoil(land)
    done = run("plan", land / "study.toml", "--out", land / "plan")
    assert done.returncode == 2
    errors = [line for line in done.stderr.splitlines() if line.startswith("error: ")]
    assert len(errors) == 1
    assert all(word in errors[0] for word in CASES[spoil]), errors[0]
    assert "Traceback" not in done.stderr
    assert [path.name for path in land.iterdir() if "plan" in path.name] == ["plan.log"]
    assert all(word in (land / "plan.log").read_text(encoding="utf-8") for word in CASES[spoil])


def test_the_good_study_plans(land: Path) -> None:
    done = run("plan", land / "study.toml", "--out", land / "plan")
    assert done.returncode == 0, done.stderr
    assert (land / "plan" / "map.html").is_file()


def test_every_error_is_said_at_once(land: Path) -> None:
    _no_crs(land)
    _no_id_column(land)
    done = run("check", land / "study.toml")
    assert done.returncode == 2
    assert done.stdout.count("error:") == 2 and "2 errors" in done.stdout


def test_everything_wrong_with_the_money_is_said_with_all_else(land: Path) -> None:
    """The reach of the curve is looked at last, when land cover is placed."""
    costs = '[grant]\nother_costs = "costs.csv"\n[habitat.curves]\nwater_m = [[0, 1.0], [500000, 0.0]]\n'
    _write_prices(land, "panel,each,12.5.0,2026-02-30,\nglove,pair,1,2026-09-01,quote\n", costs)
    (land / "costs.csv").write_text("words,object_class,quantity,unit_cost_usd\nSurvey,travels,1,2\n", encoding="utf-8")
    done = run("check", land / "study.toml")
    assert done.returncode == 2 and "6 errors" in done.stdout
    for words in (
        "line 2, column unit_price_usd: found '12.5.0'", "line 2, column date: found '2026-02-30'",
        "line 2, column source: found nothing", "line 3, column item: found 'glove'",
        "costs.csv), line 2, column object_class: found 'travels'", "habitat.curves.water_m",
    ):  # fmt: skip
        assert done.stdout.count(words) == 1, done.stdout


def test_the_prices_read_are_the_prices_used(land: Path) -> None:
    _write_prices(land, "panel,each,75.25,2026-09-01,quote\n", "[equipment]\npanels = 5\n")
    study = read_study(land / "study.toml")
    assert str(study.kit.prices["panel"].unit_price_usd) == "75.25" and study.kit.design.panels == 5
    record = study.inputs[-1]
    assert (record.role, record.path_name, record.crs, record.features) == ("prices", "prices.csv", "", 1)


def test_an_old_plan_is_not_replaced_unasked(land: Path) -> None:
    out = land / "plan"
    assert run("plan", land / "study.toml", "--out", out).returncode == 0
    before = (out / "plan.json").read_bytes()
    again = run("plan", land / "study.toml", "--out", out)
    assert again.returncode == 2 and "--overwrite" in again.stderr
    assert (out / "plan.json").read_bytes() == before
    assert run("plan", land / "study.toml", "--out", out, "--overwrite").returncode == 0
    shutil.rmtree(out)
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    assert run("plan", land / "study.toml", "--out", out, "--overwrite").returncode == 2
    assert (out / "notes.txt").read_text() == "mine"


def test_set_overrides_one_value(land: Path) -> None:
    done = run("plan", land / "study.toml", "--out", land / "plan", "--set", "traps.acres_per_trap=50")
    assert done.returncode == 0, done.stderr
    assert "8 in whole traps" in done.stdout  # 400.3 acres of swamp over 50
    wrong = run("plan", land / "study.toml", "--out", land / "other", "--set", "traps.acres_per_trap=-50")
    assert wrong.returncode == 2 and "traps.acres_per_trap" in wrong.stderr


def test_quiet_may_stand_anywhere_and_says_nothing(land: Path) -> None:
    done = run("plan", land / "study.toml", "--out", land / "plan", "-q")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_fault_of_the_tool_shows_no_traceback_unless_asked(land: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import allocator.cli
    import allocator.inputs.read_study

    def broken(*_: object) -> None:
        raise ZeroDivisionError("made for this test")

    monkeypatch.setattr(allocator.inputs.read_study, "read_study", broken)
    monkeypatch.setattr("sys.argv", ["allocator", "plan", str(land / "study.toml"), "--out", str(land / "plan")])
    with pytest.raises(SystemExit) as stopped:
        allocator.cli.main()
    assert stopped.value.code == 1
    log = (land / "plan.log").read_text(encoding="utf-8")
    assert "Traceback" in log and "ZeroDivisionError: made for this test" in log
    monkeypatch.setattr("sys.argv", ["allocator", "--debug", *sys.argv[1:]])
    with pytest.raises(ZeroDivisionError):
        allocator.cli.main()

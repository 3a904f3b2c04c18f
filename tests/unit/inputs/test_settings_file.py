"""The study file: defaults below, --set above, plain words for what is wrong."""

from datetime import date
from pathlib import Path

import pytest

from allocator.core.errors import SettingsError
from allocator.inputs.settings_file import read_settings

BASE = """[study]
name = "x"
[inputs.properties]
path = "a.gpkg"
[inputs.land_cover]
path = "b.tif"
scheme = "nlcd"
"""


def settings_of(folder: Path, text: str, *overrides: str):
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_settings(path, overrides)


def messages_of(folder: Path, text: str, *overrides: str) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        settings_of(folder, text, *overrides)
    return caught.value.messages


def test_defaults_fill_what_the_file_does_not_say(tmp_path):
    settings = settings_of(tmp_path, BASE + "[habitat]\nweights = {cover = 3}\n[habitat.cover]\n90 = 0.7\n")
    assert settings.habitat.weights.cover == 3 and settings.habitat.weights.water == 1
    assert settings.habitat.cover == {"90": 0.7}
    assert settings.traps.acres_per_trap == 300


def test_a_curve_is_replaced_whole_and_its_neighbour_stays(tmp_path):
    settings = settings_of(tmp_path, BASE + "[habitat.curves]\nwater_m = [[0, 1.0], [900, 0.0]]\n")
    assert settings.habitat.curves.water_m == ((0, 1), (900, 0))
    assert len(settings.habitat.curves.lowland_m) == 3


def test_set_values_are_toml_else_text(tmp_path):
    settings = settings_of(
        tmp_path, BASE, "traps.acres_per_trap=250", "habitat.cover.90=0.4", "study.crs=EPSG:5070", "traps.rounding=up",
        "habitat.weights={water = 5}", 'study.name="River bend"',
    )  # fmt: skip
    assert settings.traps.acres_per_trap == 250
    assert settings.habitat.cover == {"90": 0.4}
    assert (settings.study.crs, settings.traps.rounding, settings.study.name) == ("EPSG:5070", "up", "River bend")
    assert (settings.habitat.weights.water, settings.habitat.weights.cover) == (5, 2)


@pytest.mark.parametrize(
    ("text", "wrong", "nearest"),
    [
        ("[habitat]\ntreshold = 0.4\n", "habitat.treshold", "habitat.threshold"),
        ("[traps]\nacre_per_trap = 4\n", "traps.acre_per_trap", "traps.acres_per_trap"),
        ("[traps]\nthreshold = 0.4\n", "traps.threshold", "habitat.threshold"),
        ("[habitat.weights]\nwatr = 1\n", "habitat.weights.watr", "habitat.weights.water"),
        ("[site]\nspacing_m = 1\n", "site", "sites"),
        ("[inputs.road]\npath = 'x'\n", "inputs.road", "inputs.roads"),
    ],
)
def test_unknown_key_names_the_nearest(tmp_path, text, wrong, nearest):
    (message,) = messages_of(tmp_path, BASE + text)
    assert f"unknown key {wrong}." in message and f"nearest valid key is {nearest}." in message


def test_all_problems_come_at_once(tmp_path):
    found = messages_of(
        tmp_path,
        BASE + '[habitat]\ncombine = "geo"\nthreshold = 1.5\n[habitat.cover]\n90 = 2\n'
        '[sites]\nspacing_m = "far"\nslope_limit_percent = true\nroad_distance_m = [60, 5]\nfoo = 1\n',
    )
    text = "\n".join(found)
    assert len(found) == 7
    assert "habitat.combine is 'geo'; expected one of 'geometric', 'arithmetic' or 'minimum'" in text
    assert "habitat.threshold is 1.5; expected a number of at most 1" in text
    assert "habitat.cover.90 is 2; expected a number of at most 1" in text
    assert "sites.spacing_m is 'far'; expected a number" in text
    assert "sites.slope_limit_percent is true" in text
    assert "give the least, then the most" in text


def test_missing_required_tables_are_named(tmp_path):
    text = "\n".join(messages_of(tmp_path, '[study]\nname = "x"\n'))
    assert "[inputs.properties] is missing" in text and "[inputs.land_cover] is missing" in text
    text = "\n".join(messages_of(tmp_path, BASE.replace('scheme = "nlcd"', "")))
    assert "inputs.land_cover.scheme is missing" in text


def test_a_path_of_the_wrong_type_is_told_once(tmp_path):
    (message,) = messages_of(tmp_path, BASE, "inputs.roads.path=3")
    assert "inputs.roads.path is 3; expected text in quotes, or a list" in message


def test_a_path_that_takes_no_list_does_not_offer_one(tmp_path):
    for key in ("prices.path", "equipment.designs", "grant.other_costs"):
        (message,) = messages_of(tmp_path, BASE, f"{key}=3")
        assert message == f"study.toml: {key} is 3; expected text in quotes."


@pytest.mark.parametrize(
    "written", ['"2027-13-01"', '"2027-02-30"', '"soon"', '"9/1/2027"', '"2027-2-1"', "20270201", "2.5", "[]", "nan"]
)
def test_what_is_no_day_is_told_as_written(tmp_path, written):
    for key in ("calendar.first_call", "grant.award_date"):
        (message,) = messages_of(tmp_path, BASE, f"{key}={written}")
        shown = written.replace('"', "'")
        assert message == (
            f"study.toml: {key} is {shown}; expected a day that there is, as year-month-day, such as 2027-02-01."
        )


@pytest.mark.parametrize("written", ["2027-02-01T03:04:00", "03:04:00"])
def test_a_time_of_day_is_no_day(tmp_path, written):
    (message,) = messages_of(tmp_path, BASE, f"calendar.first_call={written}")
    assert f"calendar.first_call is {written}; expected a day" in message


def test_days_may_stand_in_quotes_or_not(tmp_path):
    settings = settings_of(tmp_path, BASE, "calendar.first_call=2027-02-01", 'grant.award_date="2027-02-01"')
    assert settings.calendar.first_call == settings.grant.award_date == date(2027, 2, 1)


@pytest.mark.parametrize("written", ['"12,50"', '"$22"', '"1.2.3"', '""', "[]", "2027-01-01"])
def test_what_is_no_amount_is_told_as_written(tmp_path, written):
    for key in ("crews.wage_usd_per_hour", "grant.match_percent", "grant.capitalisation_level_usd"):
        (message,) = messages_of(tmp_path, BASE, f"{key}={written}")
        shown = written.replace('"', "'")
        assert message.startswith(f"study.toml: {key} is {shown}; expected a number with a decimal point")


def test_amounts_out_of_range(tmp_path):
    assert "expected a finite number" in messages_of(tmp_path, BASE, "crews.wage_usd_per_hour=1e400")[0]
    assert "expected a number of at least 0." in messages_of(tmp_path, BASE, "crews.wage_usd_per_hour=-3")[0]
    assert "expected a number of at most 100." in messages_of(tmp_path, BASE, "grant.match_percent=101")[0]
    assert "expected a whole number." in messages_of(tmp_path, BASE, "equipment.panels=2.5")[0]


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("2027-04-01", ["calendar.closed is 2027-04-01"]),
        ("[2027-04-01, 2027-05-15]", ["calendar.closed[0] is 2027-04-01", "calendar.closed[1] is 2027-05-15"]),
        ("[[2027-04-01]]", ["calendar.closed[0] is [2027-04-01]"]),
        ("[[2027-04-01, 2027-04-02], []]", ["calendar.closed[1] is []"]),
        ("[[2027-04-01, 2027-04-02, 2027-04-03]]", ["calendar.closed[0] is [2027-04-01, 2027-04-02, 2027-04-03]"]),
    ],
)
def test_closed_times_are_pairs_in_a_list(tmp_path, written, told):
    found = messages_of(tmp_path, BASE, f"calendar.closed={written}")
    expected = "first and last day of each time in brackets of their own, such as [[2027-04-01, 2027-05-15]]"
    assert list(found) == [f"study.toml: {one}; expected {expected}." for one in told]


def test_a_closed_time_with_a_day_that_there_is_not(tmp_path):
    (message,) = messages_of(tmp_path, BASE, 'calendar.closed=[["2027-04-31", "2027-05-15"]]')
    assert "calendar.closed[0][0] is '2027-04-31'; expected a day that there is" in message


def test_a_closed_time_that_ends_before_it_begins(tmp_path):
    (message,) = messages_of(tmp_path, BASE, "calendar.closed=[[2027-05-15, 2027-04-01]]")
    assert message.startswith("study.toml: calendar: closed [2027-05-15, 2027-04-01] ends before it begins; give the")


def test_a_value_where_a_table_belongs(tmp_path):
    assert "expected a table [habitat]" in messages_of(tmp_path, BASE, "habitat=3")[0]
    assert "not a table" in messages_of(tmp_path, BASE, "study.name.x=1")[0]


def test_a_curve_with_nan_is_refused(tmp_path):
    assert "finite" in messages_of(tmp_path, BASE, "habitat.curves.water_m=[[nan, 1], [5, 0]]")[0]


def test_bad_toml_names_the_line(tmp_path):
    assert "line 2" in messages_of(tmp_path, '[study]\nname = "x\n')[0]


def test_not_utf8(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes(b'[study]\nname = "Pe\xf1a"\n')
    with pytest.raises(SettingsError, match="UTF-8"):
        read_settings(path)


def test_a_byte_order_mark_is_no_error(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(BASE, encoding="utf-8-sig")
    assert read_settings(path).study.name == "x"


def test_missing_study_file_names_a_similar_one(tmp_path):
    (tmp_path / "study.toml").write_text(BASE)
    with pytest.raises(SettingsError, match=r"Did you mean study\.toml"):
        read_settings(tmp_path / "stdy.toml")
    with pytest.raises(SettingsError, match="is a folder"):
        read_settings(tmp_path)


@pytest.mark.parametrize("override", ["foo", "=3", "traps.=3"])
def test_set_without_key_or_value(tmp_path, override):
    assert "expected KEY=VALUE" in messages_of(tmp_path, BASE, override)[0]


def test_a_line_break_in_a_set_value_sets_no_further_key(tmp_path):
    settings = settings_of(tmp_path, BASE, 'study.name="a"\nother = 1')
    assert settings.study.name == '"a"\nother = 1'

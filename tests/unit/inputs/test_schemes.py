"""Land-cover and road schemes: codes, scores, and refusing to guess."""

import math
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from typer.testing import CliRunner

from allocator.cli import app
from allocator.core.errors import SettingsError
from allocator.core.settings import CoverGroup, default_values
from allocator.inputs.road_schemes import ROAD_SCHEMES, read_road_scheme
from allocator.inputs.scheme_tables import plain_code
from allocator.inputs.schemes import COVER_SCHEMES, check_scores, doubts_about_scheme, read_scheme, schemes_that_know
from tests.builders import make_settings

HERE = Path()
OPEN = ("grass", "pasture", "crop", "orchard", "developed_open", "developed", "barren", "shore", "tundra", "ice")
WETLAND = ("woody_wetland", "shrub_wetland", "herbaceous_wetland", "salt_marsh")


@pytest.mark.parametrize("name", COVER_SCHEMES)
def test_every_shipped_scheme_reads(name):
    scheme = read_scheme(name, HERE)
    assert 5 < len(scheme.classes) <= 255
    assert all(math.isnan(one.score) or 0 <= one.score <= 1 for one in scheme.classes)
    assert {one.water for one in scheme.classes} >= {"no", "permanent", "wetland"}
    for one in scheme.classes:
        assert one.group in get_args(CoverGroup)
        assert one.group != "other" or math.isnan(one.score), f"{one.code} {one.name} is in no group"
        assert (one.group == "open_water") == (one.water == "permanent"), one.name
        assert (one.group in WETLAND) <= (one.water == "wetland"), one.name
    assert all(one.source for one in scheme.classes)


@pytest.mark.parametrize("name", COVER_SCHEMES)
def test_open_ground_is_never_habitat_however_good_all_else_is(name):
    """Weighted geometric mean, cover 2 of at most 6.5, all else 1: 0.1**(2 / 6.5) = 0.492, below 0.5 (by hand)."""
    for one in read_scheme(name, HERE).classes:
        if one.group in OPEN:
            assert one.score ** (2 / 6.5) < 0.5, f"{one.code} {one.name}"


def listed(*arguments):
    result = CliRunner().invoke(app, ["schemes", *arguments])
    return result.exit_code, result.output


def test_the_command_lists_and_shows_schemes_of_all_three_kinds():
    code, names = listed()
    assert code == 0 and names.splitlines() == [
        f"land cover: {', '.join(COVER_SCHEMES)}", f"roads: {', '.join(ROAD_SCHEMES)}", "water: nhd",
    ]  # fmt: skip
    for name, row in (("cdl", "winter wheat, corn"), ("nlcd", "Woody Wetlands"), ("mtfcc", "S1400"), ("nhd", "46006")):
        code, shown = listed(name)
        assert code == 0 and row in shown


@pytest.mark.parametrize("name", ROAD_SCHEMES)
def test_every_shipped_road_scheme_reads(name):
    assert set(read_road_scheme(name, HERE).truck.values()) - {"private"} == {"yes", "dry", "no"}


def test_codes_in_any_form_find_their_class():
    scheme = read_scheme("nlcd", HERE)
    for codes in ([90, 11], [90.0, 11.0], ["90", "11"], [" 90 ", "11.0"], np.array([90, 11], np.uint8)):
        positions, unknown = scheme.positions(codes)
        assert [scheme.classes[at].code for at in positions] == ["90", "11"]
        assert positions.dtype == np.uint8 and not unknown


def test_unknown_and_blank_codes():
    positions, unknown = read_scheme("nlcd", HERE).positions(np.array([250, 77, 77, 90, np.nan]))
    assert unknown == {"77": 2, "250": 1}
    assert (positions[[0, 1, 2, 4]] == 255).all() and positions[3] != 255


def test_plain_code_keeps_text():
    assert plain_code("00123x") == "00123x" and plain_code("") == "" and plain_code(-3.0) == "-3"


def test_double_crops_name_both_crops_and_all_crops_that_draw_pigs_exist():
    """CDL 26, 225, 236, 238, 239, 241: the two crops stand in the name of the class (public CDL lists)."""
    by_code = {one.code: one for one in read_scheme("cdl", HERE).classes}
    expected = {
        "26": ("winter wheat", "soybeans"), "225": ("winter wheat", "corn"), "236": ("winter wheat", "sorghum"),
        "238": ("winter wheat", "cotton"), "239": ("soybeans", "cotton"), "241": ("corn", "soybeans"),
    }  # fmt: skip
    for code, crops in expected.items():
        assert by_code[code].crops == crops
    grown = {crop for one in by_code.values() for crop in one.crops}
    double = [one for one in by_code.values() if one.name.startswith("Dbl Crop")]
    single = {crop for one in by_code.values() if len(one.crops) == 1 for crop in one.crops}
    assert len(double) == 17 and all(len(one.crops) == 2 and set(one.crops) <= single for one in double)
    assert set(default_values()["habitat"]["crops"]) <= grown


def test_the_raster_table_agrees_with_the_codes():
    scheme = read_scheme("nlcd", HERE)
    table = scheme.raster_table()
    assert all(table[int(one.code)] == at for at, one in enumerate(scheme.classes))
    assert table[77] == 255


def test_a_score_for_an_absent_code_is_refused_in_every_season():
    habitat = make_settings(habitat={"cover": {"91": 0.5}, "seasons": {"dry": {"cover": {"42x": 0.1}}}}).habitat
    with pytest.raises(SettingsError) as caught:
        check_scores(read_scheme("nlcd", HERE), habitat)
    first, second = caught.value.messages
    assert first.startswith("habitat.cover.91: the scheme nlcd has no class 91. The nearest code is 9")
    assert second.startswith("habitat.seasons.dry.cover.42x: ") and "nearest code is 42" in second


def test_scores_for_codes_that_exist_pass_whatever_their_case_and_for_mixed_wetlands():
    check_scores(read_scheme("cowardin", HERE), make_settings(habitat={"cover": {"pfo": 0.9, "PFO/PEM": 0.8}}).habitat)


def test_unknown_scheme_names_the_nearest():
    with pytest.raises(SettingsError, match="Did you mean nlcd"):
        read_scheme("nlcdd", HERE)
    with pytest.raises(SettingsError, match="mtfcc, osm"):
        read_road_scheme("tiger", HERE)


def table(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    (folder / "mine.csv").write_bytes(text.encode(encoding))
    return folder


def test_user_table_with_few_columns_and_a_byte_order_mark(tmp_path):
    scheme = read_scheme("mine.csv", table(tmp_path, "code,name,score\n1,Swamp,0.9\n2,Town,\n", "utf-8-sig"))
    assert [one.name for one in scheme.classes] == ["Swamp", "Town"]
    assert (
        math.isnan(scheme.classes[1].score) and scheme.classes[0].water == "no" and scheme.classes[0].group == "other"
    )


def test_user_table_with_all_columns(tmp_path):
    """is_water as people have always written it (yes, no, blank) and in the newer words; blank group follows it."""
    rows = (
        "1,Lake,0,yes,,\n2,Town,0,no,developed,\n3,Wood,0.4,,,\n4,Brook,0.1,Seasonal,shore,\n5,Swamp,1,WETLAND,,\n"
        "6,Pond,0,permanent,,\n7,Field,0.1,,CROP,Winter Wheat; soybeans ;\n"
    )
    classes = read_scheme("mine.csv", table(tmp_path, f"code,name,score,is_water,group,crops\n{rows}")).classes
    assert [one.water for one in classes] == ["permanent", "no", "no", "seasonal", "wetland", "permanent", "no"]
    assert [one.group for one in classes] == [
        "open_water", "developed", "other", "shore", "other", "open_water", "crop",
    ]  # fmt: skip
    assert classes[6].crops == ("winter wheat", "soybeans") and not any(one.crops for one in classes[:6])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("code,name,score\n1,a,1.2\n", "expected 0 to 1"),
        ("code,name,score\n1,a,high\n", "expected 0 to 1"),
        ("code,name,score\n1,a,0.2\n1.0,b,0.3\n", "codes must be unique"),
        ("code,name,score\n,a,0.2\n", "code is blank"),
        ("code,name,score,is_water\n1,a,0.2,maybe\n", "expected yes or no"),
        ("code,name,score,group\n1,a,0.2,woods\n", "expected one of woody_wetland"),
        ("code,name,score,shade\n1,a,0.2,dark\n", "open, partial or closed"),
        ("code;name;score\n1;a;0.2\n", "Use commas"),
        ("code,name\n1,a\n", "column score is missing"),
        ("code,name,score\n", "no rows"),
        ("code,name,score\n1,Swamp, wet,0.2\n", "Put quotes"),
        ("", "nothing"),
    ],
)
def test_faulty_user_tables(tmp_path, text, told):
    with pytest.raises(SettingsError, match=told):
        read_scheme("mine.csv", table(tmp_path, text))


def test_all_faults_of_a_table_come_at_once(tmp_path):
    with pytest.raises(SettingsError) as caught:
        read_scheme("mine.csv", table(tmp_path, "code,name,score\n1,a,2\n2,b,3\n"))
    assert len(caught.value.messages) == 2 and "line 3" in caught.value.messages[1]


def test_user_road_table(tmp_path):
    roads = read_road_scheme("mine.csv", table(tmp_path, "code,name,truck\nA,Road,YES\nB,Track,dry\n"))
    assert roads.truck == {"A": "yes", "B": "dry"}
    with pytest.raises(SettingsError, match="yes, dry, no or private"):
        read_road_scheme("mine.csv", table(tmp_path, "code,name,truck\nA,Road,perhaps\n"))


def test_codes_of_the_older_legend_are_recognised():
    found = {"11": 5, "41": 9, "91": 3, "92": 2, "85": 1, "33": 1}
    (doubt,) = doubts_about_scheme("nlcd", found)
    assert "nlcd_1992" in doubt and "91" in doubt
    assert not doubts_about_scheme("nlcd_1992", found)
    assert schemes_that_know(list(found)) == ("nlcd_1992",)


def test_small_codes_alone_make_a_crop_map_doubtful():
    assert doubts_about_scheme("cdl", {"11": 1, "21": 1, "41": 1, "43": 1})
    assert not doubts_about_scheme("cdl", {"1": 1, "5": 1, "141": 1, "190": 1})
    assert not doubts_about_scheme("mine.csv", {"1": 1})

"""Land-cover and road schemes: codes, scores, and refusing to guess."""

import math
from pathlib import Path

import numpy as np
import pytest

from allocator.core.errors import SettingsError
from allocator.inputs.schemes import (
    doubts_about_scheme,
    plain_code,
    read_road_scheme,
    read_scheme,
    schemes_that_know,
    shipped_schemes,
)  # fmt: skip

HERE = Path()


@pytest.mark.parametrize("name", shipped_schemes())
def test_every_shipped_scheme_reads(name):
    scheme = read_scheme(name, HERE, {})
    assert 5 < len(scheme.classes) <= 255
    assert all(math.isnan(one.score) or 0 <= one.score <= 1 for one in scheme.classes)
    assert any(one.is_water for one in scheme.classes)
    assert all(one.source for one in scheme.classes)


@pytest.mark.parametrize("name", ["mtfcc", "osm"])
def test_every_shipped_road_scheme_reads(name):
    assert set(read_road_scheme(name, HERE).truck.values()) == {"yes", "dry", "no"}


def test_codes_in_any_form_find_their_class():
    scheme = read_scheme("nlcd", HERE, {})
    for codes in ([90, 11], [90.0, 11.0], ["90", "11"], [" 90 ", "11.0"], np.array([90, 11], np.uint8)):
        positions, unknown = scheme.positions(codes)
        assert [scheme.classes[at].code for at in positions] == ["90", "11"]
        assert positions.dtype == np.uint8 and not unknown


def test_unknown_and_blank_codes():
    positions, unknown = read_scheme("nlcd", HERE, {}).positions(np.array([250, 77, 77, 90, np.nan]))
    assert unknown == {"77": 2, "250": 1}
    assert (positions[[0, 1, 2, 4]] == 255).all() and positions[3] != 255


def test_plain_code_keeps_text():
    assert plain_code("00123x") == "00123x" and plain_code("") == "" and plain_code(-3.0) == "-3"


def test_wetland_codes_match_by_longest_prefix_whatever_the_case():
    scheme = read_scheme("cowardin", HERE, {})
    for code, prefix in (("PFO1A", "PFO"), ("pfo1a", "PFO"), ("PEM1Ch", "PEM"), ("PFO1/SS1C", "PFO")):
        assert scheme.classes[scheme.position(code)].code.startswith(prefix)
    assert scheme.position("Xyz") == -1


def test_the_raster_table_agrees_with_the_codes():
    scheme = read_scheme("nlcd", HERE, {})
    table = scheme.raster_table()
    assert all(table[int(one.code)] == at for at, one in enumerate(scheme.classes))
    assert table[77] == 255


def test_user_scores_stand_over_the_table():
    scheme = read_scheme("nlcd", HERE, {"90": 0.1})
    changed = scheme.classes[scheme.position(90)]
    assert changed.score == 0.1 and "habitat.cover" in changed.source


def test_a_score_for_an_absent_code_is_refused():
    with pytest.raises(SettingsError, match=r"habitat\.cover\.91.*no class 91.*nearest code is 9"):
        read_scheme("nlcd", HERE, {"91": 0.5})


def test_unknown_scheme_names_the_nearest():
    with pytest.raises(SettingsError, match="Did you mean nlcd"):
        read_scheme("nlcdd", HERE, {})
    with pytest.raises(SettingsError, match="mtfcc, osm"):
        read_road_scheme("tiger", HERE)


def table(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    (folder / "mine.csv").write_bytes(text.encode(encoding))
    return folder


def test_user_table_with_few_columns_and_a_byte_order_mark(tmp_path):
    scheme = read_scheme("mine.csv", table(tmp_path, "code,name,score\n1,Swamp,0.9\n2,Town,\n", "utf-8-sig"), {})
    assert [one.name for one in scheme.classes] == ["Swamp", "Town"]
    assert math.isnan(scheme.classes[1].score) and not scheme.classes[0].is_water


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("code,name,score\n1,a,1.2\n", "expected 0 to 1"),
        ("code,name,score\n1,a,high\n", "expected 0 to 1"),
        ("code,name,score\n1,a,0.2\n1.0,b,0.3\n", "codes must be unique"),
        ("code,name,score\n,a,0.2\n", "code is blank"),
        ("code,name,score,is_water\n1,a,0.2,maybe\n", "expected yes or no"),
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
        read_scheme("mine.csv", table(tmp_path, text), {})


def test_all_faults_of_a_table_come_at_once(tmp_path):
    with pytest.raises(SettingsError) as caught:
        read_scheme("mine.csv", table(tmp_path, "code,name,score\n1,a,2\n2,b,3\n"), {})
    assert len(caught.value.messages) == 2 and "line 3" in caught.value.messages[1]


def test_user_road_table(tmp_path):
    roads = read_road_scheme("mine.csv", table(tmp_path, "code,name,truck\nA,Road,YES\nB,Track,dry\n"))
    assert roads.truck == {"A": "yes", "B": "dry"}
    with pytest.raises(SettingsError, match="yes, dry or no"):
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

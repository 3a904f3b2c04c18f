"""The season's chart: rows and bars where the dates say, told apart without colour, bounded, text as text."""

import re
from datetime import date, timedelta
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from allocator.outputs.columns import columns_of
from allocator.outputs.schedule_chart import LEAST_WIDTH, MOST_SETS, MOST_WIDTH, RIGHT, STAGES, schedule_chart

SVG = "{http://www.w3.org/2000/svg}"
FIRST, LAST = date(2027, 3, 1), date(2027, 5, 29)
"""A season of 90 days: ten units a day at the least width of 900."""
DAYS = {"build": (0, 1), "pre_bait": (2, 6), "capture": (8, 11), "reset": (12, 12)}
"""Days of the stages at a site; the day between bait and capture is a holiday."""


def row(site_id, trap_set, start, days=DAYS, move_test=4):
    """One site whose first day is so many days after the first of the season."""
    begin = FIRST + timedelta(days=start)
    dates = {
        f"{stage}_{end}": str(begin + timedelta(days=day))
        for stage, ends in days.items()
        for end, day in zip(("first", "last"), ends, strict=True)
    }
    test = str(begin + timedelta(days=move_test)) if move_test else ""
    return {"site_id": site_id, "trap_set": trap_set, "move_test": test} | dates


def calendar(*rows):
    columns = {column.column: column.type for column in columns_of("calendar")}
    return pd.DataFrame(
        [{name: one.get(name, "" if kind == "text" else None) for name, kind in columns.items()} for one in rows],
        columns=list(columns),
    )


def chart(*rows, **more):
    return schedule_chart(calendar(*rows), **({"first": FIRST, "last": LAST} | more))


def parsed(markup):
    text = str(markup).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ')
    return ElementTree.fromstring(f"<div>{text}</div>")


def season(markup):
    return next(one for one in parsed(markup).iter(f"{SVG}svg") if one.get("class") == "season")


def boxes(markup, name):
    """Left edge and width of every box of a class in the season."""
    found = [one for one in season(markup).iter(f"{SVG}rect") if one.get("class") == name]
    return [(float(one.get("x")), float(one.get("width"))) for one in found]


def words(markup, name):
    """All words of one of the three drawings."""
    found = next(one for one in parsed(markup).iter(f"{SVG}svg") if one.get("class") == name)
    return [one.text for one in found.iter(f"{SVG}text")]


def test_a_row_for_each_set_and_a_bar_for_each_site():
    made = chart(row("T001", 1, 0), row("T002", 2, 0), row("T003", 1, 20), {"site_id": "T004", "reason": "no set"})
    rows = [one for one in season(made).iter(f"{SVG}g") if one.get("class") == "season-set"]
    assert [len([one for one in sets.iter(f"{SVG}g") if one.get("class") == "season-stay"]) for sets in rows] == [2, 1]
    assert words(made, "season-names") == ["Set 1", "Set 2"]
    assert words(made, "season") == ["T001", "T003", "T002"]


def test_stages_stand_where_the_dates_say():
    """Ten units a day: the first site begins at 0, the second on the twentieth day."""
    made = chart(row("T001", 1, 0), row("T002", 1, 20))
    assert boxes(made, "season-build") == [(0, 20), (200, 20)]
    assert boxes(made, "season-pre_bait") == [(20, 50), (220, 50)]
    assert boxes(made, "season-capture") == [(80, 40), (280, 40)]
    assert boxes(made, "season-reset") == [(120, 10), (320, 10)]
    assert boxes(made, "season-edge") == boxes(made, "season-hold") == [(0, 130), (200, 130)]


def test_a_stage_without_days_is_not_drawn_nor_in_the_key():
    made = chart(row("T001", 1, 0, {"build": (0, 1), "capture": (2, 9)}, move_test=0))
    assert boxes(made, "season-pre_bait") == boxes(made, "season-reset") == []
    key = str(made)[: str(made).index("season-box")]
    assert "Build" in key and "Armed" in key and not any(one in key for one in ("Bait", "Take down", "Move test"))


def test_the_day_of_the_move_test_is_marked():
    """Its middle: four days and a half at ten units a day."""
    path = next(one for one in season(chart(row("T001", 1, 0))).iter(f"{SVG}path") if one.get("class") == "season-test")
    assert path.get("d").startswith("M45.0 ")


def test_closed_times_are_cut_to_the_season_and_told():
    closed = [(date(2027, 2, 1), date(2027, 3, 2)), (date(2027, 4, 10), date(2027, 4, 19)),
              (date(2027, 6, 1), date(2027, 6, 30))]  # fmt: skip
    made = chart(row("T001", 1, 3), closed=closed)
    assert boxes(made, "season-closed") == [(0, 20), (400, 100)]
    assert [one for one in words(made, "season-axis") if one in ("C", "closed")] == ["C", "closed"]


def test_holidays_are_told_once_and_not_in_closed_times():
    days = [date(2027, 2, 15), date(2027, 3, 8), date(2027, 4, 12), date(2027, 5, 31)]
    made = chart(row("T001", 1, 0), holidays=days, closed=[(date(2027, 4, 10), date(2027, 4, 19))])
    assert boxes(made, "season-holiday") == [(70, 10)]
    assert words(made, "season-axis").count("H") == 1


def test_months_on_the_axis():
    assert words(chart(row("T001", 1, 0)), "season-axis") == ["Mar 2027", "Apr 2027", "May 2027"]
    within = chart(row("T001", 1, 4), first=date(2027, 3, 3), last=date(2027, 3, 30))
    assert words(within, "season-axis") == ["Mar 3, 2027"]
    # A name is 8 x 7.2 + 6 = 63.6 across. With 34.8 for a stay of 41 days, 0.85 a day, three months of 28 have room.
    years = chart(row("T001", 1, 0, {"build": (0, 40)}), last=date(2033, 12, 31))
    assert words(years, "season-axis")[:4] == ["Apr 2027", "Jul 2027", "Oct 2027", "Jan 2028"]


def lightness(colour):
    """L* of CIE 1976, of a colour written as #rrggbb."""
    channels = np.array([int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16


def test_stages_differ_in_lightness_and_in_pattern():
    for one, other in combinations(STAGES, 2):
        assert abs(lightness(one.fill) - lightness(other.fill)) > 10
        assert one.marks != other.marks


def test_three_hundred_sites_stay_bounded():
    rows = [row(f"T{place + 1:03d}", place // 4 + 1, place % 4 * 20) for place in range(300)]
    made = chart(*rows)
    drawn = season(made)
    assert len([one for one in drawn.iter(f"{SVG}g") if one.get("class") == "season-set"]) == MOST_SETS
    assert float(drawn.get("width")) == LEAST_WIDTH + RIGHT
    assert "The chart shows the first 40 of 75 trap sets. The table of dates has all." in made
    assert "300 sites on 75 trap sets" in drawn.find(f"{SVG}desc").text


def test_short_stays_widen_the_chart_up_to_its_bound():
    """Four signs of 7.2 and 6 more are 34.8 across; a stay of two days needs 17.4 a day, 90 days 1,566."""
    days = {"build": (0, 0), "reset": (1, 1)}
    made = chart(row("T001", 1, 0, days, move_test=0))
    assert float(season(made).get("width")) == pytest.approx(17.4 * 90 + RIGHT, abs=1)
    assert words(made, "season") == ["T001"] and "too short" not in made
    made = chart(row("T001", 1, 0, days, move_test=0), last=date(2029, 12, 31))
    assert float(season(made).get("width")) == MOST_WIDTH + RIGHT
    assert words(made, "season") == [] and "too short here for the name of their site" in made
    assert "T001: Build Mar 1, 2027" in next(season(made).iter(f"{SVG}g")).find(f".//{SVG}title").text


def test_spoken_words_are_there():
    made = season(chart(row("T001", 1, 0)))
    assert made.get("role") == "img"
    ids = made.get("aria-labelledby").split()
    assert [made.find(f"{SVG}{tag}").get("id") for tag in ("title", "desc")] == ids
    assert made.find(f"{SVG}desc").text.startswith("1 site on 1 trap set, Mar 1 to May 29, 2027.")


def test_ids_stay_text():
    made = chart(row("<img src=x onerror=alert(1)>", 1, 0), first=FIRST, last=LAST)
    assert not re.search("<img", str(made)) and parsed(made) is not None


def test_nothing_to_draw():
    assert chart() == chart({"site_id": "T001", "reason": "no set"}, {"site_id": "T002", "trap_set": 1}) == ""
